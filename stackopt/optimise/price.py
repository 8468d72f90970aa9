"""Price the air: the bound that one multiplier on the shared capacity gives, for many cells at once.

For choices o of points i with costs k and shares a of the capacity (room for 1 + 1e-9 of it),

    min sum k  s.t.  sum a <= room    >=    max over m >= 0 of  sum_i min_o (k + m a) - m room.

The right side is concave and piecewise linear in m: it is climbed by intersecting the two lines that bracket its
top, which ends exactly there. The line on the far side belongs to a choice that keeps the capacity: a first answer.
Source: Lagrangian relaxation of the multiple-choice knapsack, as in Kellerer, Pferschy and Pisinger (2004), ch. 11.
"""

from dataclasses import dataclass

import numpy as np

from stackopt.judge import ROOM
from stackopt.stack import Array

ROUNDS = 60


@dataclass(frozen=True, eq=False)
class Price:
    """For each cell: the bound, the multiplier that gives it, and a choice within capacity."""

    bound: Array  # [cells] no choice within capacity costs less; infinity where there is none
    multiplier: Array  # [cells] cost of one more capacity's worth of air
    choice: np.ndarray  # [cells, points] option of each point, within capacity
    cost: Array  # [cells] what that choice costs; infinity where no choice fits


def _choose(cost: Array, air: Array, by: Array) -> tuple[np.ndarray, Array, Array]:
    """Options that are least in `by`, and their summed cost and air; [cells, points], [cells], [cells]."""
    cells, points, width = by.shape
    pick = by.argmin(axis=2)
    at = pick + width * np.arange(cells * points).reshape(cells, points)
    return pick, cost.ravel()[at].sum(axis=1), air.ravel()[at].sum(axis=1)


def priced_at(cost: Array, air: Array, multiplier: float) -> Array:
    """The bound [cells] that one given multiplier gives; see `price`.

    >>> priced_at(np.array([[[0.0, 3.0], [0.0, 1.0]]]), np.array([[[0.7, 0.3], [0.6, 0.4]]]), 7.5).round(6).tolist()
    [1.75]
    """
    bound: Array = (cost + multiplier * air).min(axis=2).sum(axis=1) - multiplier * ROOM
    return bound


def price(cost: Array, air: Array) -> Price:
    """Price the air of cells with `cost` and `air` [cells, points, options].

    >>> cost = np.array([[[0.0, 3.0], [0.0, 1.0]]]); air = np.array([[[0.7, 0.3], [0.6, 0.4]]])
    >>> priced = price(cost, air)  # the bound closes the first screw by a quarter only
    >>> priced.bound.round(6).tolist(), priced.cost.tolist(), priced.choice.tolist()
    ([1.75], [4.0], [[1, 1]])
    """
    cells = np.arange(len(cost))
    choice, cost_up, air_up = _choose(cost, air, cost)
    over = air_up > ROOM
    bound, multiplier, total = cost_up.copy(), np.zeros(len(cost)), cost_up.copy()
    if not over.any():
        return Price(bound, multiplier, choice, total)
    cells = cells[over]
    cost, air = cost[over], air[over]
    cost_up, slope_up = cost_up[over], air_up[over] - ROOM
    pick, cost_down, air_down = _choose(cost, air, air)
    slope_down = air_down - ROOM
    fits = slope_down <= 0
    bound[cells[~fits]] = total[cells[~fits]] = np.inf
    choice[cells], total[cells[fits]] = pick, cost_down[fits]
    # Lines cost + slope m on both sides of the top; `live` are the cells whose top is not yet found.
    live = np.flatnonzero(fits)
    for _ in range(ROUNDS):
        if not len(live):
            break
        m = np.maximum((cost_down[live] - cost_up[live]) / (slope_up[live] - slope_down[live]), 0.0)
        top = cost_up[live] + m * slope_up[live]
        pick, k, a = _choose(cost[live], air[live], cost[live] + m[:, None, None] * air[live])
        slope = a - ROOM
        here = k + m * slope
        where = cells[live]
        bound[where], multiplier[where] = here, m  # a bound at any multiplier; the last is the best
        down = slope <= 0
        done = here >= top - 1e-13 * (1 + np.abs(top))
        better = down & (k < total[where])
        choice[where[better]], total[where[better]] = pick[better], k[better]
        for side, new in ((down, (cost_down, slope_down)), (~down, (cost_up, slope_up))):
            new[0][live[side]], new[1][live[side]] = k[side], slope[side]
        live = live[~done]
    return Price(bound, multiplier, choice, total)
