"""How large the drops are that fall from a tip."""

import warnings

import numpy as np

from stackopt.arrays import Array, Values
from stackopt.errors import OutOfRange, library

GRAVITY = 9.80665  # standard, m/s2
RATIOS = (0.3, 1.2)  # where the fit of the fraction holds
_FIT = (-0.1662, 0.27896, 0.14782)
_ABOVE = 2.2  # the fit is negative here, so that no drop is this much narrower than its tip


def _check(ratio: Array, text: str) -> None:
    if np.any((ratio < RATIOS[0]) | (ratio > RATIOS[1])):
        warnings.warn(f"{text}: tip radius over cube root of volume outside 0.3 to 1.2", OutOfRange, stacklevel=3)


def harkins_brown(ratio: Values) -> Array:
    """The fraction of a hanging drop's ideal weight that falls, psi [-].

    psi = 1/(2 pi F), F = 0.14782 + 0.27896 x - 0.1662 x^2, x = r/V^(1/3).
    Range: 0.3 to 1.2; warns outside. Within 0.6 % of the table of Harkins and Brown 1919 (J. Am. Chem. Soc. 41, 499)
    from 0.4, 1.3 % above it at 0.3. Source: Heertjes, de Nie and de Vries 1971, Chem. Eng. Sci. 26, 441, through
    lecture slides in which F = pi psi/2 is a misprint: with W = r sigma/F only the above fits.

    Args:
        ratio: Outer radius of the wetted tip over the cube root of the drop's volume, x [-], above 0.

    Raises:
        ValueError: Where the ratio is not above 0, or (from 2.11) F is not.

    >>> round(float(harkins_brown(0.8)), 4)
    0.6014
    """
    ratio = np.asarray(ratio, dtype=float)
    fit = np.polyval(_FIT, ratio)
    if not np.all((ratio > 0) & (fit > 0)):
        raise ValueError("a ratio above 0, below 2.11")
    _check(ratio, "weight of a drop")
    return 1 / (2 * np.pi * fit)


def drop_volume(surface_tension: Values, density: Values, tip: Values) -> Array:
    """Volume of a drop that falls slowly from a tip [mL], by Tate's law with `harkins_brown`.

    V = 2 pi r sigma psi(x)/(rho g), x = r/V^(1/3), r = tip/2; that is x^3 = F(x) r^2 rho g/sigma. This cubic has one
    positive root only (its coefficients change sign once), so there are no branches to choose from; it is bracketed.
    Range: x from 0.3 to 1.2, warns outside; drops that form slowly, in still air, at a level tip that is wholly
    wetted. Measured drops of water were up to 10 % heavier, 15 % at a tip of 11 mm (Eschbaum 1895).
    Source: as `harkins_brown`, with g = 9.80665 m/s2.

    Args:
        surface_tension: sigma [mN/m].
        density: rho [g/mL].
        tip: Outer diameter as far as it is wetted [mm].

    Raises:
        ValueError: Where one is not above 0.

    >>> round(float(drop_volume(32.0, 0.92, 3.0)), 4)
    0.0213
    """
    surface_tension, density, tip = (np.asarray(x, dtype=float) for x in (surface_tension, density, tip))
    if not all(np.all(x > 0) for x in (surface_tension, density, tip)):
        raise ValueError("a surface tension, a density and a tip above 0")
    ratio = _ratio((tip / 2) ** 2 * density * GRAVITY / surface_tension)
    _check(ratio, "volume of a drop")
    return np.asarray(tip / 2 / ratio) ** 3 / 1000


@np.vectorize(otypes=[float])
def _ratio(bond: float) -> float:
    """The ratio x of a Bond number r^2 rho g/sigma."""
    with library("the search for the drop's size"):
        from scipy.optimize import brentq  # slow to load, and few files need it

        return float(brentq(lambda x: x**3 - bond * np.polyval(_FIT, x), 0.0, _ABOVE, xtol=1e-15))
