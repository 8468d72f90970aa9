"""Between two neighbouring rates of a free dial: every option's cost and air are linear in the rate there.

So no choice is cheaper inside than at both ends, unless it no longer keeps the capacity at the upper one: then its
best rate is where it meets capacity exactly. Arrays are [2, points, options], the lower rate first.
"""

import numpy as np

from stackopt.judge import ROOM, TIE
from stackopt.optimise.merge import Limits, merge
from stackopt.stack import Array

_INSIDE = 3 * TIE  # inside, an excess within 1e-9 counts as none, which a straight line between the ends does not know


def price_between(cost: Array, air: Array) -> tuple[float, float]:
    """Bound on the cost inside, and the multiplier on the air that gives it.

    One multiplier for both ends: every choice's priced cost is linear in the rate, so it is least at an end, and the
    bound is the largest, over multipliers, of the smaller end. (The best multiplier at each end apart proves nothing.)

    >>> cost = np.array([[[0.0, 2.0]], [[0.0, 1.0]]]); air = np.array([[[1.5, 0.5]], [[1.6, 0.6]]])
    >>> bound, multiplier = price_between(cost, air)
    >>> round(bound, 6)
    0.555556
    """

    def at(m: float) -> tuple[float, float]:
        priced = cost + m * air
        pick = priced.argmin(axis=2)[:, :, None]
        whole = np.take_along_axis(priced, pick, axis=2).sum(axis=(1, 2)) - m * ROOM
        end = int(whole.argmin())
        return float(whole[end]), float(np.take_along_axis(air, pick, axis=2).sum(axis=(1, 2))[end]) - ROOM

    (best, slope), m = at(0.0), 0.0
    if slope <= 0:
        return best, m
    below, above = 0.0, 1.0
    while at(above)[1] > 0 and above < 1e6:
        above *= 4
    for _ in range(40):
        middle = (below + above) / 2
        bound, slope = at(middle)
        if bound > best:
            best, m = bound, middle
        below, above = (middle, above) if slope > 0 else (below, middle)
    return best, m


def meeting(low: float, high: float, parts: tuple[Array, Array, Array], excess: tuple[float, float],
            value: tuple[float, float] | None) -> list[tuple[float, float]]:  # fmt: skip
    """Where choices meet capacity inside: (rate [1/min], what it costs there), the cheapest first.

    Args:
        low, high: The two rates [1/min].
        parts: Weighted excess, value and air share of the options.
        excess: The most that the excess may be, and the multiplier of its price.
        value: The same for the value; None where the excess itself is what it costs.

    Raises TooManyLabels.
    """
    most, m = excess[0] + _INSIDE, excess[1]
    weights = [[[1, 0, m, 0, 0, 0], [0, 1, 0, m, 0, 0]], [[0, 0, 1.0, 0, 0, 0]] * 2]
    limits = [[most + m * ROOM] * 2, [ROOM] * 2]
    if value is not None:
        top, n = value[0] + _INSIDE, value[1]
        weights.append([[0, 0, n, 0, 1, 0], [0, 0, 0, n, 0, 1]])
        limits.append([top + n * ROOM] * 2)
    ends = np.stack((*parts[0], *parts[2], *parts[1]), axis=-1)  # x low, x high, a low, a high, v low, v high
    kept = 4 if value is None else 6
    merged = merge(ends[..., :kept], Limits(np.array(weights, dtype=float)[..., :kept], np.array(limits)))
    if merged is None:
        return []
    labels = merged.labels
    labels = labels[(labels[:, 2] < 1) & (labels[:, 3] > 1)]
    part = (1 - labels[:, 2]) / (labels[:, 3] - labels[:, 2])
    x = labels[:, 0] + part * (labels[:, 1] - labels[:, 0])
    cost = x if value is None else labels[:, 4] + part * (labels[:, 5] - labels[:, 4])
    rate = low + part * (high - low)
    good = (x <= most) & (low < rate) & (rate < high)
    if value is not None:
        good &= cost <= top
    return sorted(zip(rate[good].tolist(), cost[good].tolist(), strict=True), key=lambda f: (f[1], f[0]))
