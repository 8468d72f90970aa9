"""From balance readings to volumes, and how sure they are (GUM)."""

import math
import warnings
from collections.abc import Callable, Sequence

import numpy as np

from stackopt.arrays import Array, Values
from stackopt.errors import OutOfRange, library

STANDARD_PRESSURE = 1.013  # bar absolute
WEIGHTS = 8.0  # density of the weights that balances are adjusted with, g/mL
# a1 to a5 of the formula for air-free water of mean ocean isotopes.
_TANAKA = (-3.983035, 301.797, 522528.9, 69.34881, 0.999974950)


def _warn_outside(value: Values, low: float, high: float, what: str) -> None:
    if np.any((np.asarray(value) < low) | (np.asarray(value) > high)):
        warnings.warn(f"{what} outside {low:g} to {high:g}", OutOfRange, stacklevel=3)


def water_density(temperature: Values) -> Array:
    """Density of air-free water at atmospheric pressure [g/mL].

    rho = a5 (1 - (t + a1)^2 (t + a2) / (a3 (t + a4)))

    Range: 0 to 40 degC. Source: Tanaka et al. 2001, Metrologia 38, 301-309 (its standard uncertainty is about 1e-6).

    Args:
        temperature: Of the water, t [degC].

    >>> round(float(water_density(20.0)), 7)
    0.9982067
    """
    _warn_outside(temperature, 0.0, 40.0, "water temperature [degC]")
    a1, a2, a3, a4, a5 = _TANAKA
    t = np.asarray(temperature, dtype=float)
    return a5 * (1 - (t + a1) ** 2 * (t + a2) / (a3 * (t + a4)))


def air_density(temperature: Values, pressure: Values = STANDARD_PRESSURE, humidity: Values = 50.0) -> Array:
    """Density of moist air [g/mL].

    rho = (0.34848 p - 0.009 h exp(0.061 t)) / (273.15 + t) / 1000, p in hPa, h in %.

    Range: 0.6 to 1.1 bar, 10 to 30 degC, under 80 % relative humidity. Source: OIML R 111-1:2004, formula E.3-1.

    Args:
        temperature: Of the air, t [degC].
        pressure: Of the air, p [bar absolute].
        humidity: Relative humidity, h [%].

    >>> round(float(air_density(20.0)) * 1000, 4)
    1.199
    """
    _warn_outside(temperature, 10.0, 30.0, "air temperature [degC]")
    _warn_outside(pressure, 0.6, 1.1, "air pressure [bar absolute]")
    _warn_outside(humidity, 0.0, 80.0, "relative humidity [%]")
    t = np.asarray(temperature, dtype=float)
    p = np.asarray(pressure, dtype=float) * 1000
    return (0.34848 * p - 0.009 * humidity * np.exp(0.061 * t)) / (273.15 + t) / 1000


def z_factor(temperature: Values, pressure: Values = STANDARD_PRESSURE, humidity: Values = 50.0) -> Array:
    """Volume of water for each unit of balance reading, Z [uL/mg = mL/g]; V = m Z.

    Z = (1 / rho_w) (1 - rho_a / 8) / (1 - rho_a / rho_w), densities in g/mL

    Range: water of 15 to 30 degC in air of the same temperature. Source: ISO 8655-6:2002, whose table is met within
    6e-5; densities as in `water_density` and `air_density`.

    Args:
        temperature: Of water and air [degC].
        pressure: Of the air [bar absolute].
        humidity: Relative humidity of the air [%].

    >>> round(float(z_factor(20.0)), 5)
    1.00285
    """
    _warn_outside(temperature, 15.0, 30.0, "water temperature [degC]")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", OutOfRange)  # said above already
        water, air = water_density(temperature), air_density(temperature, pressure, humidity)
    return (1 / water) * (1 - air / WEIGHTS) / (1 - air / water)


def systematic_error(volumes: Sequence[float], nominal: float) -> float:
    """Mean of repeated measurements less what it should be, in their unit: mean(V) - V0.

    Range: ten replicates in the source. Source: ISO 8655-6:2002.

    Args:
        volumes: Repeated measurements [any unit].
        nominal: What it should be, V0 [the same unit].

    >>> systematic_error([9.0, 10.0, 12.5], 10.0)
    0.5
    """
    return float(np.mean(volumes) - nominal)


def variation(volumes: Sequence[float]) -> float:
    """Coefficient of variation of repeated measurements [-]: s / mean, s with n - 1 below the root.

    Range: two measurements or more (ten in the source). Source: ISO 8655-6:2002. ValueError where there are fewer.

    Args:
        volumes: Repeated measurements [any unit].

    >>> variation([9.0, 10.0, 11.0])
    0.1
    """
    if len(volumes) < 2:
        raise ValueError("two measurements at least")
    return float(np.std(volumes, ddof=1) / np.mean(volumes))


def pooled(deviations: Sequence[float], freedoms: Sequence[int]) -> tuple[float, int]:
    """One standard deviation from several, and its degrees of freedom: s_p^2 = sum(nu s^2) / sum(nu).

    Range: samples that scatter alike. Source: JCGM 100:2008 (GUM), 4.2.4 and H.3.6. ValueError without freedom.

    Args:
        deviations: Standard deviations s of the samples [any unit].
        freedoms: Their degrees of freedom nu, n - 1 each.

    >>> pooled([3.0, 4.0], [1, 1])
    (3.5355339059327378, 2)
    """
    whole = int(sum(freedoms))
    if whole < 1:
        raise ValueError("at least one degree of freedom")
    return float(np.sqrt(np.dot(freedoms, np.square(deviations)) / whole)), whole


def rectangular(limit: Values) -> Values:
    """Standard uncertainty of what lies within +-a, anywhere alike likely: a / sqrt(3), in the unit of a.

    Source: JCGM 100:2008 (GUM), 4.3.7.

    Args:
        limit: Half of the whole width, a [any unit].

    >>> round(float(rectangular(0.3)), 4)
    0.1732
    """
    return limit / math.sqrt(3.0)


def triangular(limit: Values) -> Values:
    """Standard uncertainty of what lies within +-a, rather near the middle: a / sqrt(6), in the unit of a.

    Source: JCGM 100:2008 (GUM), 4.3.9.

    Args:
        limit: Half of the whole width, a [any unit].

    >>> round(float(triangular(0.3)), 4)
    0.1225
    """
    return limit / math.sqrt(6.0)


def combined(function: Callable[..., float], values: Sequence[float], uncertainties: Sequence[float],
             correlation: Sequence[Sequence[float]] | None = None) -> float:  # fmt: skip
    """Standard uncertainty of f(x1, x2, ...), in the unit of f.

    u^2 = sum_ij c_i c_j u_i u_j r_ij, c_i = df/dx_i by central differences a hundredth of u_i away.

    Range: f nearly straight over a few u_i. Source: JCGM 100:2008 (GUM), 5.1.2, 5.1.3 note 2 and 5.2.2. ValueError for
    a negative uncertainty or lists of unequal length.

    Args:
        function: f, of as many numbers as there are values.
        values: Estimates x_i [as f takes them].
        uncertainties: Their standard uncertainties u_i [the same units].
        correlation: Coefficients r_ij; none where left out.

    >>> round(combined(lambda a, b: a - b, [3.0, 1.0], [0.3, 0.4]), 12)
    0.5
    """
    x, u = np.asarray(values, dtype=float), np.asarray(uncertainties, dtype=float)
    if x.shape != u.shape or np.any(u < 0):
        raise ValueError("an uncertainty of at least 0 for each value")
    parts = np.zeros(len(x))
    for i in np.flatnonzero(u):
        step = np.zeros(len(x))
        step[i] = u[i] / 100
        parts[i] = (function(*(x + step)) - function(*(x - step))) * 50
    related = np.eye(len(x)) if correlation is None else np.asarray(correlation, dtype=float)
    return math.sqrt(max(float(parts @ related @ parts), 0.0))


def relative_uncertainty(powers: Sequence[float], relatives: Sequence[float]) -> float:
    """Relative standard uncertainty of a product of powers, y = x1^p1 x2^p2 ... [-]: root of sum (p_i u_i)^2.

    Range: uncorrelated x, small u. Source: JCGM 100:2008 (GUM), 5.1.6.

    Args:
        powers: Exponents p_i.
        relatives: Relative standard uncertainties u(x_i) / |x_i| [-].

    >>> round(relative_uncertainty([1, -1], [0.03, 0.04]), 12)
    0.05
    """
    return float(np.sqrt(np.sum(np.square(np.multiply(powers, relatives)))))


def effective_freedom(parts: Sequence[float], freedoms: Sequence[float]) -> float:
    """Degrees of freedom of a combined uncertainty (Welch and Satterthwaite): u^4 / sum(u_i^4 / nu_i).

    Infinite where no part has finite freedom and size. Source: JCGM 100:2008 (GUM), G.4.1.

    Args:
        parts: The parts u_i of the combined uncertainty [one unit].
        freedoms: Their degrees of freedom nu_i; infinity for limits that are known.

    >>> effective_freedom([3.0, 3.0], [4, 4])
    8.0
    """
    u = np.asarray(parts, dtype=float)
    if not np.any(u):
        return float("inf")
    u = u / u.max()
    below = np.sum(u**4 / np.asarray(freedoms, dtype=float))
    return float(np.sum(u**2) ** 2 / below) if below > 0 else float("inf")


def grubbs_limit(count: int, level: float = 0.05) -> float:
    """How many standard deviations from the mean one of `count` values may lie before it is an outlier [-].

    G = (n - 1) / sqrt(n) sqrt(t^2 / (n - 2 + t^2)), t of n - 2 degrees of freedom exceeded with level / (2 n)

    Range: values spread normally, one outlier on either side. Source: Grubbs 1969, Technometrics 11(1) 1-21.
    ValueError for fewer than three values.

    Args:
        count: How many values there are, n.
        level: Chance that a sample without outlier is blamed [-].

    >>> round(grubbs_limit(10), 3)
    2.29
    """
    if count < 3:
        raise ValueError("three values at least")
    with library("the t distribution"):
        from scipy.special import stdtrit  # slow to load, and few need it

    t = stdtrit(count - 2, 1 - level / (2 * count))
    return float((count - 1) / np.sqrt(count) * np.sqrt(t**2 / (count - 2 + t**2)))


def outlier(values: Sequence[float], level: float = 0.05) -> tuple[int, float] | None:
    """Which value lies too far from the others, and how many standard deviations from the mean; None where none does.

    The furthest one, if further than `grubbs_limit`. Range and source as there. ValueError for fewer than three values.

    Args:
        values: Repeated measurements [any unit].
        level: Chance that a sample without outlier is blamed [-].

    >>> outlier([1.0, 1.1, 0.9, 1.0, 3.0])[0], outlier([1.0, 1.1, 0.9])
    (4, None)
    """
    limit = grubbs_limit(len(values), level)
    apart = np.abs(np.asarray(values, dtype=float) - np.mean(values))
    furthest, scatter = int(np.argmax(apart)), float(np.std(values, ddof=1))
    # Values that agree to rounding have no outlier, whatever their quotients say.
    if scatter <= 1e-12 * float(np.max(np.abs(values))) or apart[furthest] <= limit * scatter:
        return None
    return furthest, float(apart[furthest] / scatter)
