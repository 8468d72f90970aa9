"""What of the oil stays in the air of the room, how much air thins it enough, and what of a vapour may burn.

One box of air, mixed everywhere alike: an estimate of the mean, never of what someone close to the tool breathes. Near
machines with such sprays over 95 % of readings were clearly below 5 mg/m3, half of the limit of the time (DGUV
Information 209-024, 2010, 4.1), but only measuring tells. Local rules decide.
"""

import warnings
from typing import NamedTuple

import numpy as np

from stackopt.arrays import Array, Values
from stackopt.errors import OutOfRange

MOLAR_VOLUME = 24.45  # of an ideal gas at 25 degC and 1 atm, at which published limits are converted, L/mol
FLAMMABLE_SHARE = 0.25  # of the lower flammable limit: NFPA 30 (1990), 5-3.3, the most in enclosed process areas
MIXING = (1.0, 10.0)
_ROUNDING = 1e-9


class Limit(NamedTuple):
    """A published limit of exposure: of what, how much [mg/m3], who said so when, and whether it is of a vapour."""

    name: str
    value: float
    source: str
    vapour: bool = False


# As published, to have something to compare with: local rules decide, and many are stricter.
LIMITS = (
    Limit("metalworking fluid mist, thoracic", 0.4, "NIOSH 98-102 (1998), recommended, mean of up to 10 h a day"),
    Limit("metalworking fluid mist, total", 0.5, "NIOSH 98-102 (1998), recommended, mean of up to 10 h a day"),
    Limit("mineral oil mist", 5.0, "OSHA, 29 CFR 1910.1000 Table Z-1 (1993), mean of 8 h"),
    Limit("any particles, total", 15.0, "OSHA, 29 CFR 1910.1000 Table Z-1 (1993), mean of 8 h"),
    Limit("isopropyl alcohol vapour (400 ppm)", 980.0, "NIOSH and OSHA, in NIOSH IDLH 67-63-0 (1994), mean of a shift",
          True),
    Limit("ethanol vapour (1000 ppm)", 1900.0, "NIOSH and OSHA, in NIOSH IDLH 64-17-5 (1994), mean of a shift",
          True),
)  # fmt: skip


def airborne(dose: Values, density: Values, share: Values) -> Array:
    """Oil that stays in the air of the room, G = 1000 d rho s [mg/h]; the rest wets tool, part and machine.

    Range: any. No formula tells s: measure it, or take 1, the worst; fluids that vanish come to 1 after a while. It
    rises with air pressure and with the distance of the nozzle (Wang et al. 2021, Energy and Built Environment 2, 45,
    abstract). Source: definition.

    Args:
        dose: Of all points together, d [mL/h].
        density: rho, above 0 [g/mL].
        share: s [-], 0 to 1.

    Raises:
        ValueError: Where the dose is negative, the density not above 0 or the share outside 0 to 1.

    >>> float(airborne(50.0, 0.92, 0.01))
    460.0
    """
    dose, density, share = _numbers(dose, density, share)
    if not (np.all(dose >= 0) and np.all(density > 0) and np.all((share >= 0) & (share <= 1))):
        raise ValueError("a dose of 0 or more, a density above 0, a share from 0 to 1")
    return 1000 * dose * density * share


def steady_concentration(emission: Values, airflow: Values, mixing: Values = 1.0) -> Array:
    """Mean concentration in a room once it no longer rises, C = K G/Q [mg/m3].

    Range: all of the room's air mixed, fresh air coming in clean, a source that does not change, nothing settling,
    filtered or returned; a vapour that adds little to the air. K corrects for poor mixing by rule of thumb: 1 (perfect)
    to 10 (from memory; handbooks do not agree), warns above. Source: balance V dC = G dt - Q/K C dt, as in a
    university's collection of formulas on industrial ventilation.

    Args:
        emission: G [mg/h].
        airflow: Fresh air, or air that is drawn off, Q, above 0 [m3/h].
        mixing: K [-], 1 or more.

    Raises:
        ValueError: Where the emission is negative, the airflow not above 0 or K below 1.

    >>> float(steady_concentration(460.0, 920.0))
    0.5
    """
    emission, airflow, mixing = _numbers(emission, airflow, mixing)
    if not (np.all(emission >= 0) and np.all(airflow > 0)):
        raise ValueError("an emission of 0 or more, an airflow above 0")
    _check_mixing(mixing)
    return mixing * emission / airflow


def air_for(emission: Values, limit: Values, mixing: Values = 1.0) -> Array:
    """Fresh air that keeps the mean concentration at a limit, Q = K G/C [m3/h]; the inverse of `steady_concentration`.

    Range and source as there. Drawing off at the tool takes far less air, and thinning alone is no substitute for it.

    Args:
        emission: G [mg/h].
        limit: C, above 0 [mg/m3].
        mixing: K [-], 1 or more.

    Raises:
        ValueError: Where the emission is negative, the limit not above 0 or K below 1.

    >>> round(float(air_for(airborne(50.0, 0.92, 1.0), 5.0)), 6)
    9200.0
    """
    emission, limit, mixing = _numbers(emission, limit, mixing)
    if not (np.all(emission >= 0) and np.all(limit > 0)):
        raise ValueError("an emission of 0 or more, a limit above 0")
    _check_mixing(mixing)
    return mixing * emission / limit


def build_up(time: Values, volume: Values, airflow: Values, mixing: Values = 1.0) -> Array:
    """Share of the steady concentration that is reached after a time, 1 - exp(-Q t/(K V)) [-].

    Range and source as `steady_concentration`; the air clean at first. Once the source stops, what is left after t is
    1 less this.

    Args:
        time: t [h].
        volume: Of the room, V, above 0 [m3].
        airflow: Q [m3/h].
        mixing: K [-], 1 or more.

    Raises:
        ValueError: Where time or airflow is negative, the volume not above 0 or K below 1.

    >>> round(float(build_up(1.0, 1000.0, 3000.0)), 3)
    0.95
    """
    time, volume, airflow, mixing = _numbers(time, volume, airflow, mixing)
    if not (np.all(time >= 0) and np.all(volume > 0) and np.all(airflow >= 0)):
        raise ValueError("a time and an airflow of 0 or more, a volume above 0")
    _check_mixing(mixing)
    return -np.expm1(-airflow * time / (mixing * volume))


def ppm_to_mg_per_m3(ppm: Values, molar_mass: Values) -> Array:
    """Mass concentration of a vapour, C = x M/24.45 [mg/m3], at 25 degC and 1 atm.

    Range: gases and vapours, not mists; up to 1e6 ppm, warns above. At 20 degC it is 1.7 % more. Source: NIOSH Pocket
    Guide to Chemical Hazards; law of ideal gases.

    Args:
        ppm: Parts by volume in a million, x [ppm].
        molar_mass: M, above 0 [g/mol].

    Raises:
        ValueError: Where the concentration is negative or the molar mass not above 0.

    >>> round(float(ppm_to_mg_per_m3(1.0, 60.1)), 3)
    2.458
    """
    ppm, molar_mass = _vapour(ppm, molar_mass)
    _check_pure(ppm)
    return ppm * molar_mass / MOLAR_VOLUME


def mg_per_m3_to_ppm(concentration: Values, molar_mass: Values) -> Array:
    """The inverse of `ppm_to_mg_per_m3`: x = 24.45 C/M [ppm]; range, source and errors as there.

    Args:
        concentration: C [mg/m3].
        molar_mass: M, above 0 [g/mol].

    >>> round(float(mg_per_m3_to_ppm(980.0, 60.1)))
    399
    """
    concentration, molar_mass = _vapour(concentration, molar_mass)
    ppm = concentration * MOLAR_VOLUME / molar_mass
    _check_pure(ppm)
    return ppm


def flammable_share(concentration: Values, molar_mass: Values, lower_flammable_limit: Values) -> Array:
    """Concentration of a vapour as a share of its lower flammable limit, 24.45e-6 C/(M L) [-].

    Range: vapours, up to pure vapour, warns above. Mists burn too, also well below the flash point: this does not cover
    them. Warm air makes the limit lower, and sources differ (ethanol 3.1 or 3.3 %): take the lower. People are harmed
    long before: isopropyl alcohol has its limit of exposure at 2 % of the flammable one, and is an immediate danger at
    10 %. Source: NIOSH Pocket Guide to Chemical Hazards.

    Args:
        concentration: C [mg/m3].
        molar_mass: M, above 0 [g/mol].
        lower_flammable_limit: L, share of the volume of air [-], between 0 and 1.

    Raises:
        ValueError: Where the concentration is negative, the molar mass not above 0 or L not between 0 and 1.

    >>> round(float(flammable_share(983.0, 60.1, 0.02)), 3)
    0.02
    """
    concentration, molar_mass = _vapour(concentration, molar_mass)
    lower_flammable_limit = _flammable(lower_flammable_limit)
    ppm = concentration * MOLAR_VOLUME / molar_mass
    _check_pure(ppm)
    return ppm / (1e6 * lower_flammable_limit)


def air_below_flammable(emission: Values, molar_mass: Values, lower_flammable_limit: Values,
                        share: Values = FLAMMABLE_SHARE, mixing: Values = 1.0) -> Array:  # fmt: skip
    """Fresh air that keeps a vapour at a share of its lower flammable limit, Q = K G 24.45e-6/(s L M) [m3/h].

    Range: as `steady_concentration` and `flammable_share`; s up to 0.25, warns above. It says nothing of the cloud
    around the nozzle. Source: NFPA 30 (1990), 5-3.3, as quoted in an OSHA letter of 2 December 1991.

    Args:
        emission: G [mg/h].
        molar_mass: M, above 0 [g/mol].
        lower_flammable_limit: L, share of the volume of air [-], between 0 and 1.
        share: s [-], above 0, at most 1.
        mixing: K [-], 1 or more.

    Raises:
        ValueError: Where one is outside what is stated above, or the emission negative.

    >>> round(float(air_below_flammable(airborne(50.0, 0.785, 1.0), 60.1, 0.02)), 2)
    3.19
    """
    emission, molar_mass = _vapour(emission, molar_mass)
    lower_flammable_limit = _flammable(lower_flammable_limit)
    share, mixing = _numbers(share, mixing)
    if not np.all((share > 0) & (share <= 1)):
        raise ValueError("a share above 0, at most 1")
    if np.any(share > FLAMMABLE_SHARE * (1 + _ROUNDING)):
        warnings.warn("air below flammable: more than 25 % of the lower flammable limit", OutOfRange, stacklevel=2)
    _check_mixing(mixing)
    return mixing * emission * MOLAR_VOLUME / (share * lower_flammable_limit * 1e6 * molar_mass)


def _numbers(*values: Values) -> list[Array]:
    return [np.asarray(x, dtype=float) for x in values]


def _vapour(amount: Values, molar_mass: Values) -> tuple[Array, Array]:
    amount, molar_mass = _numbers(amount, molar_mass)
    if not (np.all(amount >= 0) and np.all(molar_mass > 0)):
        raise ValueError("an amount of vapour of 0 or more, a molar mass above 0")
    return amount, molar_mass


def _flammable(limit: Values) -> Array:
    limit = np.asarray(limit, dtype=float)
    if not np.all((limit > 0) & (limit < 1)):
        raise ValueError("a lower flammable limit between 0 and 1")
    return limit


def _check_mixing(mixing: Array) -> None:
    low, high = MIXING
    if not np.all(mixing >= low):
        raise ValueError("a mixing factor of 1 or more")
    if np.any(mixing > high):
        warnings.warn("thinning by fresh air: mixing factor above 10", OutOfRange, stacklevel=3)


def _check_pure(ppm: Array) -> None:
    if np.any(ppm > 1e6 * (1 + _ROUNDING)):
        warnings.warn("vapour: more than pure vapour, so not all of it evaporates", OutOfRange, stacklevel=3)
