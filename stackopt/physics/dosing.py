"""What a piston pump meters, and how far that is from what is required."""

import numpy as np

from stackopt.arrays import Array, Values

SLACK = 1e-9  # a miss within this share counts as none


def dose(rate: Values, stroke: Values) -> Array:
    """Oil metered per minute, d = r v f [mL/min].

    Args:
        rate: Strokes per minute r [1/min].
        stroke: Output of one stroke at the chosen mark, v f [mL].

    >>> float(dose(15.0, 0.06 * 0.22)) * 60
    11.88
    """
    return np.multiply(rate, stroke)


def dose_miss(share: Values, below: Values, above: Values) -> Array:
    """How far a dose lies outside its tolerance, as a share of the required dose [-].

    x = max(0, (1 - below) - d/D, d/D - (1 + above)), where up to 1e-9 counts as 0.

    Args:
        share: Delivered over required dose, d/D [-].
        below, above: Tolerance as shares of the required dose [-].

    >>> [round(float(x), 12) for x in dose_miss(np.array([0.85, 0.9, 1.2]), 0.1, 0.1)]
    [0.05, 0.0, 0.1]
    """
    miss = np.maximum((1.0 - below) - share, share - (1.0 + above))
    return np.where(miss > SLACK, miss, 0.0)
