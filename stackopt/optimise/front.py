"""Dose error against air: the settings of least excess that none other beats in both.

First the least excess is found by the search. A cell is then a rate (or as many as there may be generators) at which it
can be reached, or, on a free dial with drive air, the interval between two neighbouring rates, in which a choice is a
straight line in the plane of air and error. Weighing error against air bounds every cell from below and gives first
plans; a cell is closed once the bounds leave nothing below the border of the plans known. What is still open is decided
by merging the points' options with as much error and air as that border leaves: the whole front, exact. Where rules of
the file couple the points, or the merge would grow too large, models walk along the front (`levels`).
"""

import time
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from stackopt.errors import SolverError
from stackopt.judge import ROOM, TIE, Settings, judge
from stackopt.optimise import levels, pressure_plans
from stackopt.optimise.envelope import Envelope
from stackopt.optimise.medians import TooManySets, sets_below
from stackopt.optimise.merge import Limits, Merged, TooManyLabels, front, merge, preferred
from stackopt.optimise.outcome import TINY, Stopped
from stackopt.optimise.scan import BATCH, BIG, options, rates, scan
from stackopt.optimise.search import search
from stackopt.stack import Array, Stack

SAME_ERROR, SAME_AIR = levels.SAME_ERROR, levels.SAME_AIR
_WEIGHINGS = 16  # ways of weighing error against air that bound the cells
_ENDS = np.array([[1.0, 0.0], [0.0, 1.0]])  # error alone, air alone


@dataclass(frozen=True)
class Front:
    """Plans by rising air, and what is proved about them."""

    status: str  # optimal | infeasible | time limit | interrupted | unproved
    excess: float | None  # the least X, which all plans have
    plans: tuple[Settings, ...]
    segments: tuple[tuple[int, int], ...] = ()  # pairs of plans that a straight line of the front joins
    complete: bool = False  # whether there are no others


def trade(stack: Stack, most: int | None = 15) -> Front:
    """The non-dominated settings of `stack` in mean error and air among those with the least excess.

    Args:
        stack: The machine.
        most: How many plans to list, spread evenly by air, 2 at least; None for all (of lines: their ends).

    >>> from stackopt.stack import Stack, _example
    >>> found = trade(Stack.of(_example()))
    >>> found.complete, [(plan.rate, plan.stroke) for plan in found.plans]
    (True, [(6.0, (1, 0))])
    """
    deadline = time.monotonic() + stack.time_limit
    outcome = search(stack)
    best, least = outcome.settings, outcome.excess_bound
    if outcome.status != "optimal" or best is None or least is None:
        return Front(outcome.status, least, () if best is None else (best,))
    way: pressure_plans.Walk | levels.Walk | _Merging | None = None
    try:
        if stack.line is not None:
            way = along = pressure_plans.Walk(stack, least, deadline)
            plans, complete = along.plans(most)
            return Front("optimal", least, tuple(plans), complete=complete)
        if not stack.rules:
            try:
                way = merging = _Merging(stack, best, least, deadline)
                return merging.run(most)
            except (TooManyLabels, TooManySets):
                way = None
        way = walk = levels.Walk(stack, best, least, deadline)
        found = walk.run(most)
        return Front("optimal" if found.proved else "unproved", least, _sorted(stack, found.plans),
                     complete=found.complete)  # fmt: skip
    except Stopped as stop:
        status = str(stop)
    except KeyboardInterrupt:
        status = "interrupted"
    known = way.known() if way is not None else ()
    return Front(status, least, _sorted(stack, [*known, best]))


def _sorted(stack: Stack, plans: list[Settings]) -> tuple[Settings, ...]:
    """Those of the plans that no other of them beats, by rising air."""
    verdicts = [judge(stack, plan) for plan in plans]
    left = levels.unbeaten([(v.mean_error, v.air) for v in verdicts])
    return tuple(plans[k] for k in left)


class _Costs(NamedTuple):
    """What options bring, each [..., points, options]; BIG where not allowed or never in settings of least excess."""

    excess: Array
    error: Array
    air: Array


class _Source(NamedTuple):
    """Where a piece of the border comes from: a cell, and options [points] or sums of a merge's criteria."""

    cell: int
    choice: np.ndarray | None
    sums: Array | None


class _Plan(NamedTuple):
    air: float  # share of capacity
    error: float
    piece: int  # of the border


class _Merging:
    """One run. Cells are sets of rates first, then intervals."""

    def __init__(self, stack: Stack, best: Settings, least: float, deadline: float) -> None:
        self.stack, self.least, self.deadline = stack, least, deadline
        self.mean = levels.by_mean(stack, best, least)
        self.merged: dict[int, Merged] = {}
        self.sources: list[_Source] = []
        self.border = Envelope(np.empty((0, 4)), np.empty(0, dtype=int))
        self.found = [best]

    def run(self, most: int | None) -> Front:
        """The whole front, or so many plans of it."""
        self._cells()
        weights = self._weigh()
        self._merge_open(weights)
        plans, complete = _chosen(self.border, self.stack.capacity, most)
        settings = tuple(self._settings(plan) for plan in plans)
        lines = np.flatnonzero(self.border.pieces[:, 2] > self.border.pieces[:, 0])
        pairs = tuple((k, k + 1) for k in range(len(plans) - 1) if self._joined(lines, plans[k].air, plans[k + 1].air))
        proved = self.stack.step is not None or self.stack.count == 1 or not np.nansum(self.stack.drive)
        return Front("optimal" if proved else "unproved", self.least, settings, pairs, complete and proved)

    def known(self) -> Iterator[Settings]:
        """What was found before the run was stopped."""
        yield from self.found
        for source in self.sources:
            if source.choice is not None:
                yield self._dialled(source.cell, source.choice)

    def _tick(self) -> None:
        if time.monotonic() > self.deadline:
            raise Stopped("time limit")

    # Cells

    def _costs(self, at: Array, within: Array | None = None) -> _Costs:
        part = options(self.mean, at, within)
        excess = part.excess
        if self.stack.worst:  # X is the largest of the points' excess: it is a matter of each option alone
            own = options(self.stack, at, within).excess
            excess = np.where(own <= self.least + (TIE if within is None else TINY), 0.0, BIG)
        return _Costs(excess, part.error, part.air)

    def _cells(self) -> None:
        """The rates and intervals at which the least excess may be reached, and their options."""
        stack, limit = self.stack, self.least + TIE
        every = rates(self.mean)
        if stack.count == 1:
            seen = scan(stack, every, tick=self._tick)
            self.at = every[seen.allowed & (seen.excess <= limit + TINY)]
            self.sets = np.arange(len(self.at))[:, None]
        else:
            size = max(1, BATCH // (stack.stroke.size * stack.screws))
            least = np.concatenate([self._costs(every[k : k + size]).excess.min(axis=2)
                                    for k in range(0, len(every), size)])  # fmt: skip
            sets, _ = sets_below(least, stack.count, min(limit + TINY, BIG / 2), tick=self._tick)
            used = np.unique(sets)
            self.at, self.sets = every[used], np.searchsorted(used, sets)
        self.single, self.which = _useful(self._costs(self.at), limit, stack.count > 1)
        self.low = self.high = np.empty(0)
        if stack.step is None and stack.count == 1 and np.nansum(stack.drive) > 0:
            either = np.minimum(seen.excess[:-1], seen.excess[1:])
            inside = np.flatnonzero((either <= limit + 2 * TIE) & (seen.least_air[:-1] < 1))
            self.low, self.high = every[inside], every[inside + 1]
        self.ends, self.which_inside = _Costs(*(np.empty((2, 0, len(stack.names), 1)),) * 3), np.empty(0)
        if len(self.low):
            ends = [self._costs(end, (self.low + self.high) / 2) for end in (self.low, self.high)]
            both = _Costs(*(np.stack(parts) for parts in zip(*ends, strict=True)))
            if stack.worst:  # each option's excess passes the least one at an end or nowhere
                both = both._replace(excess=np.broadcast_to(both.excess.max(axis=0), both.excess.shape))
            self.ends, self.which_inside = _useful(both, limit, False)

    # Bounds and first plans

    def _weigh(self) -> Array:
        """Weigh error against air in several ways, each between two plans that earlier ones gave; [weights, 2]."""
        weights, bounds, best = [], [], []
        for row in _ENDS:
            bound, plan = self._weighed(row)
            weights.append(row)
            bounds.append(bound)
            best.append(plan)
        open_ = [tuple(best)]
        while open_ and len(weights) < _WEIGHINGS:
            (first, last), *open_ = open_
            if not (last[1] < first[1] and first[0] < last[0]):
                continue
            row = np.array([1.0, (last[0] - first[0]) / (first[1] - last[1])])
            bound, plan = self._weighed(row)
            weights.append(row)
            bounds.append(bound)
            if plan @ row < first @ row - TINY:
                open_ += [(first, plan), (plan, last)]
        self.bounds = np.stack(bounds, axis=1)
        return np.array(weights)

    def _weighed(self, weight: Array) -> tuple[Array, Array]:
        """A bound for every cell, and error and air of the best choice, whether or not it keeps excess and capacity."""
        self._tick()
        single, sets = self.single, self.sets
        cost = weight[0] * single.error + weight[1] * single.air  # [rates, points, options]
        pick = (cost + TINY * (single.error + single.air)).argmin(axis=2)  # of those that tie not the beaten one
        at_pick = [np.take_along_axis(part, pick[..., None], axis=2)[..., 0] for part in (cost, *single)]
        site = at_pick[0][sets].argmin(axis=1)  # [cells, points]
        rate, point = np.take_along_axis(sets, site, axis=1), np.arange(pick.shape[1])
        excess, error, air = (part[rate, point].sum(axis=1) for part in at_pick[1:])
        bound = cost.min(axis=2)[sets].min(axis=1).sum(axis=1)
        good = np.flatnonzero((excess <= self.least + TIE + TINY) & (air <= ROOM))
        good = good[front(np.stack((air[good], error[good]), axis=1))] if len(good) else good
        number = pick[rate[good], point] * sets.shape[1] + site[good]
        self._add(np.stack((air, error, air, error), axis=1)[good],
                  [_Source(int(cell), choice, None) for cell, choice in zip(good, number, strict=True)])  # fmt: skip
        best = int(bound.argmin())
        inside = (weight[0] * self.ends.error + weight[1] * self.ends.air).min(axis=3).sum(axis=2).min(axis=0)
        return np.r_[bound, inside], np.array([error[best], air[best]])

    def _add(self, pieces: Array, sources: list[_Source]) -> None:
        """Take pieces into the border."""
        if not sources:
            return
        new = Envelope.of(pieces, len(self.sources) + np.arange(len(pieces)))
        self.sources += sources
        self.border = self.border.lower(new)

    # Merging

    def _merge_open(self, weights: Array) -> None:
        """Decide every cell that the bounds leave something in, below the border."""
        corners = None
        for cell, bound in enumerate(self.bounds):
            if corners is None:
                corners = self.border.corners(weights)
            open_ = (bound < corners - 1e-13 * (1 + corners)).all(axis=1)
            if not open_.any():
                continue
            self._tick()
            ends = 1 if cell < len(self.sets) else 2
            x, e, a = self._options(cell)
            merged = _merge(x, e, a, weights, corners[open_].max(axis=0), self.least + (TIE if ends == 1 else TINY))
            if merged is not None:
                pieces = _pieces(merged.labels, ends, self.least + TINY)
                good = np.flatnonzero(np.isfinite(pieces[:, 0]))
                self.merged[cell] = merged
                self._add(pieces[good], [_Source(cell, None, sums) for sums in merged.labels[good]])
                corners = None
            alive = {self.sources[k].cell for k in self.border.owner}
            self.merged = {k: kept for k, kept in self.merged.items() if k in alive}

    def _options(self, cell: int) -> list[Array]:
        """Excess, error and air of a cell's options [points, options, ends], in the order of preference."""
        if cell >= len(self.sets):
            return [np.moveaxis(part[:, cell - len(self.sets)], 0, -1) for part in self.ends]
        union = [part[self.sets[cell]].transpose(1, 2, 0) for part in self.single]
        return [part.reshape(len(part), -1, 1) for part in union]

    # Plans

    def _joined(self, lines: np.ndarray, start: float, end: float) -> bool:
        """Whether a straight piece of the border leads from some air to another, or as near as what is one plan."""
        pieces, same_air = self.border.pieces[lines], SAME_AIR / self.stack.capacity
        return bool(((pieces[:, 0] <= start + same_air) & (end <= pieces[:, 2] + same_air)).any())

    def _dialled(self, cell: int, choice: np.ndarray, part: float = 0.0) -> Settings:
        """Settings of a cell; of an interval at a part of the way."""
        if cell < len(self.sets):
            option, site = np.divmod(choice, self.sets.shape[1])
            rate = self.sets[cell][site]
            option, at = self.which[rate, np.arange(len(rate)), option], self.at[rate]
        else:
            low, high = self.low[cell - len(self.sets)], self.high[cell - len(self.sets)]
            option = self.which_inside[cell - len(self.sets)][np.arange(len(choice)), choice]
            at = np.full(len(choice), high if part == 1 else low + part * (high - low))
        return Settings(tuple(at.tolist()), tuple((option // self.stack.screws).tolist()),
                        tuple((option % self.stack.screws).tolist()))  # fmt: skip

    def _settings(self, plan: _Plan) -> Settings:
        """The settings of a plan, confirmed by the judge."""
        source = self.sources[self.border.owner[plan.piece]]
        choice, part = source.choice, 0.0
        if choice is None:
            size = len(source.sums)
            within = Limits(np.eye(size)[:, None], source.sums[:, None] + TINY)
            choice = preferred(self.merged[source.cell], within)
            if source.cell >= len(self.sets):
                part = _part(source.sums[-4:], plan.air, plan.error)
        settings = self._dialled(source.cell, choice, part)
        verdict = judge(self.stack, settings)
        apart = max(verdict.mean_error - plan.error, verdict.air / self.stack.capacity - plan.air)
        if not verdict.allowed or verdict.least > self.least + 1.1 * TIE or apart > TIE:
            raise SolverError("the judge does not confirm a plan of the front")
        self.found.append(settings)
        return settings


def _useful(costs: _Costs, limit: float, shared: bool) -> tuple[_Costs, np.ndarray]:
    """The options that plans can contain, in their order (shorter rows filled up with BIG), and which these are.

    Args:
        costs: [(ends,) rates, points, options].
        limit: The most X may be.
        shared: Whether each point may have a rate of its own.
    """
    excess = costs.excess if costs.excess.ndim == 3 else costs.excess.min(axis=0)
    least = excess.min(axis=2)
    if shared:
        least = least.min(axis=0, keepdims=True)
    room = limit + TINY - least.sum(axis=1, keepdims=True) + least
    held = (excess <= room[:, :, None]) & (excess < BIG / 2)
    kept = held
    if costs.excess.ndim == 3:  # where the excess is no matter, what is beaten in error and air can be left out
        coupled = np.where(held, excess, 0.0).max(axis=2)
        coupled = (coupled.max(axis=0).sum() if shared else coupled.sum(axis=1, keepdims=True)[:, :, None]) > limit
        air = np.where(held, costs.air, np.inf)
        order = np.lexsort((costs.error, air), axis=2)
        error = np.take_along_axis(np.where(held, costs.error, np.inf), order, axis=2)
        before = np.minimum.accumulate(error, axis=2)[..., :-1]
        good = error < np.concatenate((np.full((*error.shape[:2], 1), BIG), before), axis=2)
        unbeaten = np.empty_like(held)
        np.put_along_axis(unbeaten, order, good, axis=2)
        kept = held & (unbeaten | coupled)
    which = np.argsort(~kept, axis=2, kind="stable")[..., : max(1, int(kept.sum(axis=2).max(initial=1)))]
    left = np.take_along_axis(kept, which, axis=2)
    index = which if costs.excess.ndim == 3 else np.stack((which, which))
    return _Costs(*(np.where(left, np.take_along_axis(part, index, axis=-1), BIG) for part in costs)), which


def _merge(x: Array, e: Array, a: Array, weights: Array, most: Array, limit: float) -> Merged | None:
    """Merge options in (excess, where it couples the points) error and air.

    Args:
        x, e, a: Excess, error and air share [points, options, ends]: at one rate, or at both ends of an interval.
        weights, most: Weighted sums of error and air [weights, 2], and the most they may be.
        limit: The most the excess may be.
    """
    ends = x.shape[2]
    coupled = np.where(x < BIG / 2, x, 0.0).max(axis=(1, 2)).sum() > limit
    guide = None
    if coupled and ends == 1:  # which sums can be completed to the least excess is known from excess and air alone
        within = Limits(np.array([[[1, 0.0]], [[0, 1.0]]]), np.array([[limit], [ROOM]]))
        guide = merge(np.concatenate((x, a), axis=2), within, thin=True, forward=True)
        if guide is None:
            return None
    rows = np.concatenate((np.zeros((len(weights), 1)), weights), axis=1)
    rows = np.concatenate((rows, [[0, 0, 1.0], [1.0, 0, 0]]))[:, not coupled :]
    most = np.r_[most, ROOM, limit]
    if not coupled:
        rows, most = rows[:-1], most[:-1]
    groups = np.zeros((len(rows), ends, rows.shape[1] * ends))
    for end in range(ends):
        groups[:, end, end::ends] = rows
    parts = np.concatenate((x, e, a) if coupled else (e, a), axis=2)
    return merge(parts, Limits(groups, np.repeat(most[:, None], ends, axis=1)), guide=guide, thin=True)


def _pieces(labels: Array, ends: int, limit: float) -> Array:
    """Points or lines [labels, 4] that merged sums are; infinite where nothing keeps limit and capacity."""
    if ends == 1:
        return labels[:, [-1, -2, -1, -2]]
    e0, e1, a0, a1 = labels[:, -4:].T
    low, high = np.zeros(len(labels)), np.ones(len(labels))
    held = [(a0, a1, 1.0)] + ([(labels[:, 0], labels[:, 1], limit)] if labels.shape[1] > 4 else [])
    for first, last, most in held:
        slope = last - first
        with np.errstate(divide="ignore", invalid="ignore"):
            meets = (most - first) / slope
        high = np.where(slope > 0, np.minimum(high, meets), high)
        low = np.where(slope < 0, np.maximum(low, meets), low)
        high = np.where((slope == 0) & (first > most), -1.0, high)
    start, end = (np.stack((a0 + part * (a1 - a0), e0 + part * (e1 - e0)), axis=1) for part in (low, high))
    swap = (start[:, 0] > end[:, 0]) | ((start[:, 0] == end[:, 0]) & (start[:, 1] > end[:, 1]))
    pieces = np.where(swap[:, None], np.hstack((end, start)), np.hstack((start, end)))
    return np.where((low <= high)[:, None], pieces, np.inf)


def _part(sums: Array, air: float, error: float) -> float:
    """How far into an interval a choice with `sums` (error, then air, at both ends) has some air and error."""
    e0, e1, a0, a1 = sums
    part = (air - a0) / (a1 - a0) if a0 != a1 else (error - e0) / (e1 - e0) if e0 != e1 else 0.0
    nearest = float(np.clip(np.round(part), 0, 1))
    return nearest if abs(part - nearest) <= TINY else float(part)


def _chosen(border: Envelope, capacity: float, most: int | None) -> tuple[list[_Plan], bool]:
    """All plans of a border (of lines: their ends), or `most` spread evenly by air; and whether these are all."""
    pieces, same_air = border.pieces, SAME_AIR / capacity
    every = [_Plan(float(a), float(e), k) for k, (a0, e0, a1, e1) in enumerate(pieces)
             for a, e in dict.fromkeys(((a0, e0), (a1, e1)))]  # fmt: skip
    every = _different(every, same_air)
    sloped = bool((pieces[:, 2] - pieces[:, 0] > same_air).any())
    if most is None or (len(every) <= most and not sloped):
        return every, True
    plans = []
    for air in np.linspace(every[0].air, every[-1].air, most).tolist():
        k = int(np.searchsorted(pieces[:, 0], air, side="right")) - 1
        a0, e0, a1, e1 = pieces[max(k, 0)]
        if k >= 0 and air < a1:
            plans.append(_Plan(air, float(e0 + (air - a0) / (a1 - a0) * (e1 - e0)), k))
        else:
            plans.append(min(every, key=lambda plan: abs(plan.air - air)))
    plans = _different(sorted({every[0], *plans, every[-1]}), same_air)
    left = [plan for plan in every if plan not in plans]
    while left and len(plans) < most:  # levels of air that met the same plan: as far from the others as can be
        plans.append(left.pop(int(np.argmax([min(abs(p.air - q.air) for q in plans) for p in left]))))
    return _different(sorted(plans), same_air), False


def _different(plans: list[_Plan], same_air: float) -> list[_Plan]:
    """Plans by rising air, of those that are one the first."""
    left: list[_Plan] = []
    for plan in plans:
        if not left or plan.air > left[-1].air + same_air or plan.error < left[-1].error - SAME_ERROR:
            left.append(plan)
    return left
