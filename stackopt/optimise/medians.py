"""Sets of rates that could serve the points best: points as clients, rates as sites (the p-median problem).

Every point takes the rate of the set that is cheapest for it; a set costs the sum of these, or the largest of them.
"""

from collections.abc import Callable

import numpy as np

from stackopt.stack import Array

MOST = 100_000  # sets listed at once


class TooManySets(Exception):
    """More sets than can be listed."""


def whole(cost: Array, worst: bool) -> Array:
    """The sum or the largest over the last axis."""
    found: Array = cost.max(axis=-1) if worst else cost.sum(axis=-1)
    return found


def good_set(cost: Array, count: int, worst: bool = False) -> tuple[int, ...]:
    """A set of `count` rows of `cost` [rates, points] that cannot be bettered by changing one of them.

    >>> good_set(np.array([[0.0, 5.0], [2.0, 2.0], [5.0, 0.0]]), 2)
    (0, 2)
    """
    chosen: list[int] = []
    for _ in range(min(count, len(cost))):
        kept = cost[chosen].min(axis=0, initial=np.inf)
        total = whole(np.minimum(cost, kept), worst)
        total[chosen] = np.inf
        chosen.append(int(total.argmin()))
    best, better = whole(cost[chosen].min(axis=0), worst), True
    while better:
        better = False
        for place in range(len(chosen)):
            others = chosen[:place] + chosen[place + 1 :]
            total = whole(np.minimum(cost, cost[others].min(axis=0, initial=np.inf)), worst)
            total[others] = np.inf
            if total.min() < best - 1e-12 * (1 + abs(best)):
                chosen[place], best, better = int(total.argmin()), total.min(), True
    return tuple(sorted(chosen))


def sets_below(cost: Array, count: int, most: float, worst: bool = False,
               tick: Callable[[], None] = lambda: None) -> tuple[np.ndarray, Array]:  # fmt: skip
    """All sets of `count` rows of `cost` [rates, points] that cost at most `most`: [sets, count] and what they cost.

    Rows are taken in the order of what they cost alone; a set is given up when even the best of all later rows cannot
    bring it below. Raises TooManySets.

    >>> sets_below(np.array([[0.0, 5.0], [2.0, 2.0], [5.0, 0.0]]), 2, 2.5)
    (array([[0, 1],
           [1, 2],
           [0, 2]]), array([2., 2., 0.]))
    """
    count = min(count, len(cost))
    order = np.argsort(whole(cost, worst), kind="stable")
    cost = cost[order]
    later = np.vstack([np.minimum.accumulate(cost[::-1], axis=0)[::-1], np.full((1, cost.shape[1]), np.inf)])
    found: list[np.ndarray] = []
    totals: list[Array] = []
    listed = 0

    def grow(chosen: tuple[int, ...], kept: Array, start: int) -> None:
        nonlocal listed
        tick()
        left = count - len(chosen)
        here = np.minimum(cost[start : len(cost) - left + 1], kept)
        bound = whole(here if left == 1 else np.minimum(here, later[start + 1 : len(cost) - left + 2]), worst)
        good = np.flatnonzero(bound <= most)
        if left > 1:
            for k in good.tolist():
                grow((*chosen, start + k), here[k], start + k + 1)
        elif len(good):
            rows = np.empty((len(good), count), dtype=int)
            rows[:, :-1], rows[:, -1] = chosen, start + good
            found.append(rows)
            totals.append(bound[good])
            listed += len(good)
            if listed > MOST:
                raise TooManySets

    grow((), np.full(cost.shape[1], np.inf), 0)
    if not found:
        return np.empty((0, count), dtype=int), np.empty(0)
    return np.sort(order[np.concatenate(found)], axis=1), np.concatenate(totals)
