"""What compressed air takes in electricity: the least by nature, and what a compressor uses.

Prices are in whatever currency the price of a kWh is in.
"""

import warnings

import numpy as np

from stackopt.arrays import Array, Values
from stackopt.errors import OutOfRange
from stackopt.physics.atmospheres import ANR_PRESSURE

GAMMA = 1.4  # ratio of the heat capacities of air
RATIO = 16.0  # of pressures, up to which air as an ideal gas of constant heat capacity is good enough
_KWH = ANR_PRESSURE * 1e5 / 3.6e6  # p V of 1 m3 ANR, kWh
_EXPONENT = (GAMMA - 1) / GAMMA


def isothermal_work(outlet: Values, inlet: Values = 1.0) -> Array:
    """Least work that compresses air, cooled all the while [kWh/m3 ANR]: w = p0 ln(p2/p1), p0 = 1e5/3.6e6.

    No compressor gets below: what a machine uses beside this floor is its efficiency. Intake at 20 degC (else times
    T/293.15) of any pressure, for it counts by its ratio alone.
    Range: an ideal gas, within 1 % (estimated) up to p2/p1 = 16; warns above. Source: law of ideal gases.

    Args:
        outlet: p2, p1 or more [bar absolute].
        inlet: p1, above 0 [bar absolute].

    Raises:
        ValueError: Where the inlet is not above 0 or the outlet lower.

    >>> round(float(isothermal_work(7.0)), 5)
    0.05405
    """
    return _KWH * _log_ratio(outlet, inlet)


def adiabatic_work(outlet: Values, inlet: Values = 1.0) -> Array:
    """Least work that compresses air in one stage without cooling [kWh/m3 ANR].

    w = p0 ((p2/p1)^k - 1)/k, k = (gamma - 1)/gamma, gamma = 1.4, p0 = 1e5/3.6e6.
    Intake, range and errors as `isothermal_work`. Stages with cooling between lie between the two. Source: law of ideal
    gases at constant entropy; as in Esposito, Fluid Power with Applications, chapter 13, with k as 0.286.

    Args:
        outlet: p2, p1 or more [bar absolute].
        inlet: p1, above 0 [bar absolute].

    >>> round(float(adiabatic_work(7.0)), 5)
    0.0723
    """
    return _KWH * np.expm1(_EXPONENT * _log_ratio(outlet, inlet)) / _EXPONENT


def _log_ratio(outlet: Values, inlet: Values) -> Array:
    outlet, inlet = np.asarray(outlet, dtype=float), np.asarray(inlet, dtype=float)
    if not (np.all(inlet > 0) and np.all(outlet >= inlet)):
        raise ValueError("an inlet above 0 bar absolute, an outlet not below it")
    if np.any(outlet > RATIO * inlet):
        warnings.warn("work of compression: ratio of pressures above 16", OutOfRange, stacklevel=3)
    # The difference first: exact for small ratios too, where the two works become one.
    return np.log1p((outlet - inlet) / inlet)


def compressor_energy(airflow: Values, specific_power: Values, hours: Values) -> Array:
    """Electricity that a compressor uses for some air, E = q e h [kWh].

    Range: e as measured at the pressure and load at hand, motor and idling included. It is above
    60 `isothermal_work`; 16 to 25 kW per 100 ft3/min, that is 5.7 to 8.8 kW/(m3/min), are published, mostly for 100 psi
    gauge. Part load takes more for each m3, so that air saved does not save all of this. Leaks come on top.
    Source: definition; as in the leak survey of an open tool suite of the US Department of Energy.

    Args:
        airflow: q, of the air that e is said for, as a rule free air [m3/min].
        specific_power: e, above 0 [kW/(m3/min)].
        hours: Time with that flow, h [h].

    Raises:
        ValueError: Where airflow or hours are negative or the specific power is not above 0.

    >>> float(compressor_energy(0.5, 6.4, 2000.0))
    6400.0
    """
    airflow, specific_power, hours = (np.asarray(x, dtype=float) for x in (airflow, specific_power, hours))
    if not (np.all(airflow >= 0) and np.all(specific_power > 0) and np.all(hours >= 0)):
        raise ValueError("an airflow and hours of 0 or more, a specific power above 0")
    return airflow * specific_power * hours


def cost(energy: Values, price: Values) -> Array:
    """Cost of electricity, c = E p [currency of the price].

    Range: one price for every kWh; charges for peak power, compressor and upkeep are left out. Source: definition; as
    in US DOE, Improving Compressed Air System Performance, tip sheet 1.

    Args:
        energy: E [kWh].
        price: p [currency/kWh].

    Raises:
        ValueError: Where one is negative.

    >>> round(float(cost(6400.0, 0.18)), 2)
    1152.0
    """
    energy, price = np.asarray(energy, dtype=float), np.asarray(price, dtype=float)
    if not (np.all(energy >= 0) and np.all(price >= 0)):
        raise ValueError("an energy and a price of 0 or more")
    return energy * price
