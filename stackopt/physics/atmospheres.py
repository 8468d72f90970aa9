"""The same amount of air at other pressures and temperatures."""

import numpy as np
from numpy.typing import ArrayLike

from stackopt.arrays import Array, Values

ANR_PRESSURE = 1.0  # bar absolute
ANR_TEMPERATURE = 20.0  # degC
# As ISO 6358 and ISO 8778 round it. Moist air at ANR truly weighs 1.182, dry air at 20 degC and 1 atm 1.204: whoever
# mixes them errs by up to 1.6 %.
ANR_DENSITY = 1.185  # kg/m3
ATMOSPHERE = 1.01325  # bar absolute
GAS_CONSTANT = 287.05  # of dry air, J/(kg K)
ZERO = 273.15  # K


def kelvin(temperature: ArrayLike) -> Array:
    """Absolute temperature, T = t + 273.15 [K].

    Args:
        temperature: t [degC], above -273.15.

    Raises:
        ValueError: At or below -273.15 degC.

    >>> float(kelvin(20.0))
    293.15
    """
    kelvins = np.asarray(temperature, dtype=float) + ZERO
    if not np.all(kelvins > 0):
        raise ValueError("a temperature above -273.15 degC")
    return kelvins


def to_anr(flow: Values, pressure: Values, temperature: Values) -> Array:
    """A flow of air at ANR (ISO 8778: 20 degC, 100 kPa) by amount of gas, q = v p/(1 bar) 293.15/T [as `flow`].

    Range: ideal gas, below about 10 bar and from -20 to 60 degC within 0.5 %; its humidity, up to 1 %, is left out.
    Source: ISO 8778:2003 through secondary texts; the law of ideal gases.

    Args:
        flow: Volume or volume per time v where the gas is at `pressure` and `temperature` [L/min, or any other].
        pressure: p, above 0 [bar absolute].
        temperature: t [degC].

    Raises:
        ValueError: Where pressure or absolute temperature is not above 0.

    >>> round(float(to_anr(1.0, 1.01325, 0.0)), 5)  # a normal cubic metre (DIN 1343)
    1.08744
    """
    return flow * _density_ratio(pressure, temperature)


def from_anr(flow: Values, pressure: Values, temperature: Values) -> Array:
    """The inverse of `to_anr`: v = q (1 bar)/p T/293.15 [as `flow`]; range, source and errors as there.

    Args:
        flow: Volume or volume per time q at ANR [L/min ANR, or any other].
        pressure: p, above 0 [bar absolute].
        temperature: t [degC].

    >>> round(float(from_anr(1000.0, 1.01325, 0.0)) * 60 / 1000, 1)  # 1000 L/min ANR in Nm^3/h
    55.2
    """
    return flow / _density_ratio(pressure, temperature)


def _density_ratio(pressure: Values, temperature: Values) -> Array:
    if not np.all(np.asarray(pressure) > 0):
        raise ValueError("a pressure above 0 bar absolute")
    return np.asarray(pressure, dtype=float) / ANR_PRESSURE * kelvin(ANR_TEMPERATURE) / kelvin(temperature)
