"""Which rates serve which point, and the smallest sets of points that nothing serves together.

A set of points conflicts where every rate fails at least one of them: it hits every rate's set of unserved points.
A smallest one is found exactly as a covering problem, rates entering it only as they are needed; further ones by
cutting off what was found. Under a shared air supply the same covering has weights instead of ones.
"""

import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from stackopt.errors import SolverError
from stackopt.judge import ROOM
from stackopt.optimise import mip
from stackopt.optimise.scan import BATCH, BIG, misses, options, rates
from stackopt.physics.dosing import SLACK, dose, dose_miss
from stackopt.stack import ROUNDING, Array, Stack

MOST = 20  # conflicts listed
_SETS = 20_000  # sets of points kept at a time, beyond which the model looks for conflicts
SECONDS = 20.0  # spent on looking for larger ones


@dataclass(frozen=True)
class Band:
    """Rates [1/min] at which one stroke gives a point its dose, cut and max_rate held."""

    stroke: int
    low: float
    high: float


@dataclass(frozen=True, eq=False)
class RateMap:
    """Bands of each point of the stack, and what they share; rates in 1/min, points by number."""

    bands: tuple[tuple[Band, ...], ...]
    shared: tuple[tuple[float, float], ...]
    most: tuple[int, ...]  # the most points that one rate serves
    most_range: tuple[float, float] | None
    conflicts: tuple[tuple[int, ...], ...]
    complete: bool


def rate_map(stack: Stack, seconds: float = SECONDS) -> RateMap:
    """Look at doses, cuts and max_rate alone; for larger conflicts no longer than `seconds`.

    >>> from stackopt.stack import Stack, _example
    >>> found = rate_map(Stack.of(_example()))
    >>> found.shared, found.bands[0][0]
    (((6.0, 6.0),), Band(stroke=1, low=5.0, high=6.0))
    """
    bands, at = _bands_and_rates(stack)
    served = _served(stack, at)
    count = served.sum(axis=0)
    shared = tuple((at[a], at[b]) for a, b in _runs(count == len(stack.names)))
    most: tuple[int, ...] = ()
    most_range = None
    if count.max() > 0:
        first = int(count.argmax())
        same = (served == served[:, first : first + 1]).all(axis=0)
        last = next(b for a, b in _runs(same) if a <= first <= b)
        most = tuple(np.flatnonzero(served[:, first]).tolist())
        most_range = (float(at[first]), float(at[last]))
    conflicts: tuple[tuple[int, ...], ...] = ()
    complete = True
    if not shared:
        conflicts, complete = _smallest_conflicts(served, seconds)
    shared = tuple((float(a), float(b)) for a, b in shared)
    return RateMap(bands, shared, most, most_range, conflicts, complete)


def served_map(stack: Stack) -> np.ndarray:
    """Whether some stroke gives a point its dose [points, rates], at rates that stand for all of the dial.

    >>> from stackopt.stack import _example
    >>> served_map(Stack.of(_example()))[:, :4].astype(int).tolist()
    [[0, 1, 1, 0], [0, 0, 1, 0]]
    """
    return _served(stack, _bands_and_rates(stack)[1])


def _bands_and_rates(stack: Stack) -> tuple[tuple[tuple[Band, ...], ...], Array]:
    bands = tuple(tuple(_bands(stack, i)) for i in range(len(stack.names)))
    return bands, stack.steps if stack.step is not None else _free_cells(stack, bands)


def _bands(stack: Stack, i: int) -> Iterator[Band]:
    found = []
    for s in range(len(stack.pumps[i])):
        stroke = stack.stroke[i, s]
        low = max(stack.low, stack.rate_min[i])
        high = min(stack.high, stack.rate_max[i, s])
        if low > high * (1 + ROUNDING):
            continue
        if stack.step is not None:
            steps = stack.steps[(stack.steps * (1 + ROUNDING) >= low) & (stack.steps * (1 - ROUNDING) <= high)]
            share = dose(steps, stroke) / stack.dose[i]
            inside = steps[dose_miss(share, stack.below[i], stack.above[i]) == 0]
            if len(inside):
                found.append(Band(s, float(inside[0]), float(inside[-1])))
            continue
        start = stack.dose[i] * (1 - stack.below[i]) / stroke
        end = stack.dose[i] * (1 + stack.above[i]) / stroke
        if start <= high * (1 + SLACK) and end >= low * (1 - SLACK):  # a dose has that slack
            start, end = min(max(start, low), high), max(min(end, high), low)
            found.append(Band(s, float(start), float(end)))
    yield from sorted(found, key=lambda band: (band.low, band.high, band.stroke))


def _free_cells(stack: Stack, bands: Sequence[Sequence[Band]]) -> Array:
    """Ends of bands and what lies between them: rates that stand for all rates of a free dial."""
    ends = np.unique([stack.low, stack.high, *(end for row in bands for b in row for end in (b.low, b.high))])
    ends = ends[np.r_[True, np.diff(ends) > ROUNDING * ends[1:]]]
    return np.sort(np.r_[ends, (ends[:-1] + ends[1:]) / 2])


def _served(stack: Stack, at: Array) -> np.ndarray:
    """Whether some stroke gives the dose; [points, rates]."""
    batch = max(1, BATCH // stack.stroke.size)
    parts = [(misses(stack, at[k : k + batch])[0] == 0).any(axis=2) for k in range(0, len(at), batch)]
    return np.concatenate(parts).T


def _runs(mask: np.ndarray) -> list[tuple[int, int]]:
    """First and last index of every run of true."""
    edges = np.diff(np.r_[0, mask.astype(np.int8), 0])
    return list(zip(np.flatnonzero(edges == 1).tolist(), (np.flatnonzero(edges == -1) - 1).tolist(), strict=True))


def _smallest_conflicts(served: np.ndarray, seconds: float) -> tuple[tuple[tuple[int, ...], ...], bool]:
    """Single points that nothing serves, then pairs, then larger sets; and whether these are all."""
    found: list[tuple[int, ...]] = [(int(i),) for i in np.flatnonzero(~served.any(axis=1))]
    some = np.flatnonzero(served.any(axis=1))
    table = served[some].astype(np.float32)
    for k in range(0, len(some), 256):
        together = table[k : k + 256] @ table.T
        for a, b in np.argwhere(together == 0):
            if k + a < b:
                found.append((int(some[k + a]), int(some[b])))
        if len(found) > MOST:
            return tuple(found[:MOST]), False
    larger = _by_size(served, some)
    if larger is not None:
        found += larger
        return tuple(found[:MOST]), len(found) <= MOST
    if seconds <= 0:  # the solver is not to be asked
        return tuple(found), False
    weights = (~served).T.astype(float)
    deadline = time.monotonic() + seconds
    while True:
        try:
            conflict = _smallest(weights, found, deadline)
        except mip.NoProof:
            return tuple(found), False
        if conflict is None:
            return tuple(found), True
        if len(found) == MOST:
            return tuple(found), False
        found.append(conflict)


def _by_size(served: np.ndarray, some: np.ndarray) -> list[tuple[int, ...]] | None:
    """All smallest conflicts of three points and more, the small ones first, until there are enough.

    Grows sets that still share a rate, as bits of one number; None where there are too many of these.
    """
    bits = {int(i): int.from_bytes(np.packbits(served[i]).tobytes(), "big") for i in some}
    points = sorted(bits)
    found: list[tuple[int, ...]] = []
    sets: list[tuple[tuple[int, ...], int]] = [((i,), bits[i]) for i in points]
    while sets and len(found) <= MOST:
        grown = []
        for members, shared in sets:
            for other in points[points.index(members[-1]) + 1 :]:
                if both := shared & bits[other]:
                    grown.append(((*members, other), both))
                elif len(members) > 1 and _all_needed(bits, members, other):
                    found.append((*members, other))
            if len(grown) > _SETS:
                return None
        sets = grown
    return found


def _all_needed(bits: dict[int, int], members: tuple[int, ...], other: int) -> bool:
    """Whether the conflict of `members` and `other` ends when any one of the members is left out."""
    for left_out in members:
        shared = bits[other]
        for member in members:
            if member != left_out:
                shared &= bits[member]
        if not shared:
            return False
    return True


def _smallest(weights: Array, avoid: Sequence[Sequence[int]], deadline: float) -> tuple[int, ...] | None:
    """A smallest set of columns that sums to 1 or more in every row of `weights` [rates, points]."""
    rows = [int(weights.sum(axis=1).argmin())]
    while True:
        chosen = mip.smallest_cover(weights[rows], avoid, deadline)
        if chosen is None:
            return None
        sums = weights[:, chosen].sum(axis=1)
        worst = int(sums.argmin())
        if sums[worst] >= 1 - 1e-12:
            return tuple(chosen)
        if worst in rows:  # the solver's cover is not one
            raise SolverError("the solver highs gave a cover that leaves a rate uncovered")
        rows.append(worst)


# Where the rates do not conflict

@dataclass(frozen=True)
class AirConflict:
    """A smallest set of points that no setting brings into tolerance together."""

    points: tuple[int, ...]
    by_capacity: bool  # False: no screw setting fits their windows, however large the supply
    needed: float | None  # least air with which they and the others' least could run, L/min
    rate: float | None  # and the rate at which that is so, 1/min


def air_conflict(stack: Stack, seconds: float = SECONDS) -> tuple[AirConflict | None, float | None]:
    """Why not every point is in tolerance although rates are shared; and the air that all would need [L/min].

    The points outside the set must only have some setting, at whatever dose.
    """
    at = rates(stack)
    good, least, allowed = _least_air(stack, at)
    at, good, least = at[allowed], good[allowed], least[allowed]
    whole = good.sum(axis=1)
    needed = float(whole.min() * stack.capacity) if len(whole) and whole.min() < BIG / 2 else None
    if not len(at) or (needed is not None and needed <= stack.capacity * ROOM):
        return None, needed
    deadline = time.monotonic() + seconds
    spare = ROOM - least.sum(axis=1)
    for by_capacity in (False, True):
        more = np.where(good < BIG / 2, good - least, np.inf)
        if by_capacity:
            usable = spare > 0
            weights = np.minimum(more[usable] / spare[usable, None] * (1 - 1e-12), 1.0)
        else:
            usable = np.ones(len(at), dtype=bool)
            weights = np.where(np.isinf(more), 1.0, 0.0)
        try:
            chosen = _smallest(weights, [], deadline)
        except mip.NoProof:
            return None, needed
        if chosen is not None:
            alone = np.where(usable, good[:, list(chosen)].sum(axis=1) + least.sum(axis=1)
                             - least[:, list(chosen)].sum(axis=1), BIG)  # fmt: skip
            best = int(alone.argmin())
            possible = alone[best] < BIG / 2
            return AirConflict(
                chosen,
                by_capacity,
                float(alone[best] * stack.capacity) if possible else None,
                float(at[best]) if possible else None,
            ), needed
    return None, needed


def _least_air(stack: Stack, at: Array) -> tuple[Array, Array, np.ndarray]:
    """Least share of capacity of each point in tolerance (BIG where never) and at all; where that is allowed."""
    size = stack.stroke.size * stack.flow.shape[1]
    batch = max(1, BATCH // size)
    parts = (options(stack, at[k : k + batch]) for k in range(0, len(at), batch))
    pairs = [(np.where(part.excess == 0, part.air, BIG).min(axis=2), part.air.min(axis=2)) for part in parts]
    good, least = (np.concatenate(part) for part in zip(*pairs, strict=True))
    return good, least, np.asarray((least < BIG / 2).all(axis=1))
