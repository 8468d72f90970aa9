"""How long a reservoir of oil lasts, and when it should warn. All the doses are means; none foresees a leak."""

import numpy as np

from stackopt.arrays import Array, Values


def hours_to_empty(volume: Values, dose: Values, duty: Values = 1.0) -> Array:
    """Time until a reservoir is empty, t = V/(d u) [h]; infinite where nothing is drawn.

    Range: all of V can be drawn (not what stands below the outlet); doses and duty as in a usual hour.
    Source: definition.

    Args:
        volume: What it holds V [mL].
        dose: Of all points together while they spray, d [mL/h].
        duty: Share of the time that they spray, u [-], 0 to 1; at 1 the answer is in hours of spraying.

    Raises:
        ValueError: Where the volume is not above 0, the dose negative or the duty outside 0 to 1.

    >>> float(hours_to_empty(500.0, 25.0, 0.5))
    40.0
    """
    volume, drawn = np.asarray(volume, dtype=float), _drawn(dose, duty)
    if not np.all(volume > 0):
        raise ValueError("a volume above 0")
    with np.errstate(divide="ignore"):
        return volume / drawn


def refills_per_week(volume: Values, dose: Values, hours: Values, duty: Values = 1.0) -> Array:
    """How often a reservoir is to be filled, n = h d u/V [1/week], as a mean: 0.5 is every other week.

    Range: as `hours_to_empty`; each time it is nearly empty, so that filling earlier is filling more often.
    Source: definition.

    Args:
        volume: What it holds V [mL].
        dose: Of all points together while they spray, d [mL/h].
        hours: Of work in a week, h [h], at most 168.
        duty: Share of these that they spray, u [-], 0 to 1.

    Raises:
        ValueError: As `hours_to_empty`, or where the hours are not 0 to 168.

    >>> float(refills_per_week(500.0, 25.0, 40.0, 0.5))
    1.0
    """
    hours = np.asarray(hours, dtype=float)
    if not np.all((hours >= 0) & (hours <= 168)):
        raise ValueError("0 to 168 hours a week")
    return hours / hours_to_empty(volume, dose, duty)


def low_level(dose: Values, notice: Values, duty: Values = 1.0) -> Array:
    """What must be left when a reservoir warns, so that it lasts for a while yet, V = d u t [mL].

    Range: with a duty below 1 it holds for the usual mix only; a stretch without a pause empties it 1/u times sooner.
    Leave the duty at 1 where running dry does harm. Source: definition.

    Args:
        dose: Of all points together while they spray, d [mL/h].
        notice: How long before empty it should warn, t [h].
        duty: Share of the time that they spray, u [-], 0 to 1.

    Raises:
        ValueError: Where dose or notice is negative or the duty outside 0 to 1.

    >>> float(low_level(25.0, 4.0))
    100.0
    """
    notice = np.asarray(notice, dtype=float)
    if not np.all(notice >= 0):
        raise ValueError("a notice of 0 or more")
    return _drawn(dose, duty) * notice


def per_year(dose: Values, hours: Values, duty: Values = 1.0) -> Array:
    """Oil used in a year, d h u [mL]; without what is spilt, purged or fed to prime tubes.

    Range: any. Source: definition.

    Args:
        dose: Of all points together while they spray, d [mL/h].
        hours: Of work in a year, h [h], at most 8784.
        duty: Share of these that they spray, u [-], 0 to 1.

    Raises:
        ValueError: Where the dose is negative, the hours not 0 to 8784 or the duty outside 0 to 1.

    >>> float(per_year(25.0, 2000.0, 0.5)) / 1000  # L
    25.0
    """
    hours = np.asarray(hours, dtype=float)
    if not np.all((hours >= 0) & (hours <= 8784)):
        raise ValueError("0 to 8784 hours a year")
    return _drawn(dose, duty) * hours


def _drawn(dose: Values, duty: Values) -> Array:
    dose, duty = np.asarray(dose, dtype=float), np.asarray(duty, dtype=float)
    if not (np.all(dose >= 0) and np.all((duty >= 0) & (duty <= 1))):
        raise ValueError("a dose of 0 or more, a duty from 0 to 1")
    return dose * duty
