"""How fine the spray of a nozzle may be: mean drop sizes by published formulas, as a trend only.

All were measured on sprays far richer in liquid than near-dry machining: its doses lie some 12 times beyond their
range (50 mL/h with 100 L/min ANR is 120,000 of air to one of oil, where they end at 10,000). Where Nukiyama and
Tanasawa give 35 um at 100 m/s, 4 um were measured in such a mist (Lerma, Jimenez, Edinbarough, Krell and Hung,
abstract). So they tell what makes drops finer, not how fine they are.
"""

import warnings

import numpy as np

from stackopt.arrays import Array, Values
from stackopt.errors import OutOfRange
from stackopt.physics.atmospheres import ANR_DENSITY

SONIC = 343.0  # speed of sound in air at 20 degC, m/s
_RANGES = {
    "surface tension": (19.0, 73.0),  # mN/m
    "density": (0.7, 1.2),  # g/mL
    "viscosity": (0.3, 50.0),  # mPa s
    "air speed": (0.0, SONIC),
    "air over liquid": (600.0, 10000.0),  # by volume
    "bore of the liquid": (0.2, 1.0),  # mm
}
_ROUNDING = 1e-9


def _positive(*values: Values) -> list[Array]:
    numbers = [np.asarray(x, dtype=float) for x in values]
    if not all(np.all(x > 0) for x in numbers):
        raise ValueError("values above 0")
    return numbers


def _warn_outside(stacklevel: int, **values: Array) -> None:
    outside = []
    for key, value in values.items():
        low, high = _RANGES[key.replace("_", " ")]
        if np.any((value < low * (1 - _ROUNDING)) | (value > high * (1 + _ROUNDING))):
            outside.append(f"{key.replace('_', ' ')} outside {low:g} to {high:g}")
    if outside:
        warnings.warn(f"drop size: {', '.join(outside)}; a trend only", OutOfRange, stacklevel=stacklevel)


def air_liquid_ratio(air: Values, dose: Values, density: Values) -> Array:
    """Mass of air per mass of liquid, ALR = 1.185 q/(d rho) [-], the air with 1.185 g/L at ANR.

    Range: any. Source: definition; density of air at ANR as in ISO 6358-1:2013.

    Args:
        air: q [L/min ANR].
        dose: d, above 0 [mL/min].
        density: Of the liquid rho, above 0 [g/mL].

    Raises:
        ValueError: Where the air is negative or another not above 0.

    >>> round(float(air_liquid_ratio(100.0, 50 / 60, 0.92)), 1)
    154.6
    """
    air = np.asarray(air, dtype=float)
    dose, density = _positive(dose, density)
    if not np.all(air >= 0):
        raise ValueError("air of 0 or more")
    return ANR_DENSITY * air / (dose * density)


def nukiyama_tanasawa(velocity: Values, surface_tension: Values, density: Values, viscosity: Values,
                      liquid_over_air: Values) -> Array:  # fmt: skip
    """Sauter mean diameter of the drops of a twin-fluid nozzle [um], as a trend only.

    d = 585/v sqrt(sigma/rho) + 597 (mu/sqrt(sigma rho))^0.45 (1000 QL/QA)^1.5, mu in poise.
    Range: 19-73 mN/m, 0.7-1.2 g/mL, 0.3-50 mPa s, QA/QL 600-10,000, v below sound, liquid jets of 0.2-1 mm; warns
    outside, as near-dry doses are (12 times; 4 um measured where this gives 35).
    Source: Nukiyama and Tanasawa 1939, Trans. Soc. Mech. Engrs. Japan 5, 68; range from memory. Copies have misprints:
    0.000585 for the 0.585 and sigma/rho for sigma rho in SI, 5.97 for the 597 in cgs.

    Args:
        velocity: Of the air against the liquid v [m/s].
        surface_tension: sigma [mN/m].
        density: Of the liquid rho [g/mL].
        viscosity: Dynamic, of the liquid mu [mPa s].
        liquid_over_air: Ratio of volume flows QL/QA at the nozzle [-].

    Raises:
        ValueError: Where one is not above 0.

    >>> round(float(nukiyama_tanasawa(100.0, 72.8, 0.9982, 1.0, 1e-3)), 2)
    78.61
    """
    velocity, surface_tension, density, viscosity, liquid_over_air = _positive(
        velocity, surface_tension, density, viscosity, liquid_over_air
    )
    _warn_outside(3, air_speed=velocity, surface_tension=surface_tension, density=density, viscosity=viscosity,
                  air_over_liquid=1 / liquid_over_air)  # fmt: skip
    ohnesorge = viscosity / 100 / np.sqrt(surface_tension * density)
    return 585 / velocity * np.sqrt(surface_tension / density) + 597 * ohnesorge**0.45 * (1000 * liquid_over_air) ** 1.5


def rizk_lefebvre(velocity: Values, surface_tension: Values, density: Values, viscosity: Values,
                  air_liquid_ratio: Values, bore: Values, air_density: Values = 1.2) -> Array:  # fmt: skip
    """Sauter mean diameter of the drops of a plain jet in an air stream [um], as a trend only.

    d/d0 = 0.48 (sigma/(rhoA U^2 d0))^0.4 a^0.4 + 0.15 (mu^2/(sigma rho d0))^0.5 a, a = 1 + 1/ALR.
    Range: its own could not be seen; warned as for `nukiyama_tanasawa`, with QA/QL = ALR rho/rhoA.
    Source: Rizk and Lefebvre 1984, J. Eng. Gas Turbines Power 106, 634 (formula from memory).

    Args:
        velocity: Of the air against the liquid U [m/s].
        surface_tension: sigma [mN/m].
        density: Of the liquid rho [g/mL].
        viscosity: Dynamic, of the liquid mu [mPa s].
        air_liquid_ratio: By mass, ALR [-].
        bore: Of the liquid's orifice d0 [mm].
        air_density: Where they meet, rhoA [kg/m3].

    Raises:
        ValueError: Where one is not above 0.

    >>> round(float(rizk_lefebvre(100.0, 32.0, 0.92, 36.8, 10.0, 1.0)), 1)
    82.0
    """
    tension, heavy, thick, wide, a = _jet(
        velocity, surface_tension, density, viscosity, air_liquid_ratio, bore, air_density
    )
    inertia = 0.48 * (tension * a / (air_density * np.square(velocity) * wide)) ** 0.4
    return 1e6 * wide * (inertia + 0.15 * thick / np.sqrt(tension * heavy * wide) * a)


def _jet(velocity: Values, surface_tension: Values, density: Values, viscosity: Values, air_liquid_ratio: Values,
         bore: Values, air_density: Values) -> tuple[Array, Array, Array, Array, Array]:  # fmt: skip
    """Check and warn; sigma, rho, mu and d0 in SI, and a."""
    velocity, surface_tension, density, viscosity, ratio, bore, air_density = _positive(
        velocity, surface_tension, density, viscosity, air_liquid_ratio, bore, air_density
    )
    _warn_outside(4, air_speed=velocity, surface_tension=surface_tension, density=density, viscosity=viscosity,
                  air_over_liquid=ratio * density * 1000 / air_density, bore_of_the_liquid=bore)  # fmt: skip
    return surface_tension / 1000, density * 1000, viscosity / 1000, bore / 1000, 1 + 1 / ratio


def lorenzetto_lefebvre(velocity: Values, surface_tension: Values, density: Values, viscosity: Values,
                        air_liquid_ratio: Values, bore: Values, dose: Values,
                        air_density: Values = 1.2) -> Array:  # fmt: skip
    """Sauter mean diameter of the drops of a plain jet in an air stream [um], as a trend only.

    d = 0.95 (sigma mL)^0.33/(U rho^0.37 rhoA^0.30) a^1.7 + 0.13 mu (d0/(sigma rho))^0.5 a^1.7, a = 1 + 1/ALR, in SI.
    Range: its own could not be seen; warned as for `nukiyama_tanasawa`, with QA/QL = ALR rho/rhoA.
    Source: Lorenzetto and Lefebvre 1977, AIAA Journal 15, 1006 (formula from memory).

    Args:
        velocity: Of the air against the liquid U [m/s].
        surface_tension: sigma [mN/m].
        density: Of the liquid rho [g/mL].
        viscosity: Dynamic, of the liquid mu [mPa s].
        air_liquid_ratio: By mass, ALR [-].
        bore: Of the liquid's orifice d0 [mm].
        dose: Of the liquid, with mL = dose rho [mL/min].
        air_density: Where they meet, rhoA [kg/m3].

    Raises:
        ValueError: Where one is not above 0.

    >>> round(float(lorenzetto_lefebvre(100.0, 32.0, 0.92, 36.8, 10.0, 1.0, 0.6 / 0.92)), 1)
    38.9
    """
    tension, heavy, thick, wide, a = _jet(
        velocity, surface_tension, density, viscosity, air_liquid_ratio, bore, air_density
    )
    (dose,) = _positive(dose)
    flow = dose / 6e7 * heavy  # kg/s
    inertia = 0.95 * (tension * flow) ** 0.33 / (velocity * heavy**0.37 * np.power(air_density, 0.3))
    return 1e6 * (inertia + 0.13 * thick * np.sqrt(wide / (tension * heavy))) * a**1.7
