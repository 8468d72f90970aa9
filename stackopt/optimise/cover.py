"""Which rates, and how few, serve all points: sets of rates found and ruled out by an exact search of our own.

Without rules of the file a point's air in tolerance at a rate does not depend on the others. So a set of rates will do
just where the sum over the points of the least air at any rate of the set is within the capacity: the p-median problem
with a threshold, decided here by branching on the rate of the point that has the fewest. Rules are then held to the
sets that pass, one by one, by `trial`.

On a free dial only the lowest rates of what is usable need to be looked at. An option is usable in one closed
interval. Lower each rate of a set to the highest lower end among the options used there: each of them stays usable, the
nozzle air stays and the drive air falls, and the set is no higher in rising order. This fails only where a rule looks
at doses, or at rates other than to fix one; `Ask.between` says so.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from stackopt.judge import ROOM, Settings, judge
from stackopt.optimise import mip, pressure_plans, proving, trial
from stackopt.optimise.models import Settled
from stackopt.optimise.rulerows import RuleRows
from stackopt.optimise.scan import BIG, options, rates
from stackopt.optimise.trial import Patience, Unsure
from stackopt.problem.constraints import Constraint, rows_of
from stackopt.stack import Array, Stack

_NEVER = 2.0  # shares of capacity that a point is said to take at a rate that does not serve it
_LARGE = 60_000_000  # options at all rates, beyond which it is not begun
_BROKEN = 1e-6  # what rows must be broken by, at least, for a second model to agree that they cannot hold


def cover(cost: Array, count: int, must: Sequence[int] = (),
          patience: Patience | None = None) -> tuple[int, ...] | None:  # fmt: skip
    """At most `count` rates, those of `must` among them, that serve all points within the capacity; None without any.

    Args:
        cost: Least share of capacity of a point at a rate [rates, points]; 2 or more where it is not served.
        count: How many rates there may be.
        must: Rates that are taken anyway, by number.
        patience: What may be spent; raises Unsure beyond.

    >>> cover(np.array([[0.2, 9.0], [0.4, 0.4], [9.0, 0.2]]), 2)
    (1,)
    >>> cover(np.array([[0.2, 9.0], [0.4, 0.7], [9.0, 0.2]]), 2)
    (1, 2)
    """
    cost = np.minimum(cost, _NEVER)
    kept = cost[list(must)].min(axis=0, initial=_NEVER)
    open_ = np.ones(len(cost), dtype=bool)
    open_[list(must)] = False
    return _grown(cost, open_, tuple(must), kept, count - len(must), patience or Patience())


def _grown(cost: Array, open_: np.ndarray, chosen: tuple[int, ...], kept: Array, left: int,
           patience: Patience) -> tuple[int, ...] | None:  # fmt: skip
    patience.spend()
    total = float(kept.sum())
    if total <= ROOM:
        return chosen
    rows = np.flatnonzero(open_)
    if left == 0 or not len(rows):
        return None
    new = np.minimum(cost[rows], kept)
    totals = new.sum(axis=1)
    best = int(totals.argmin())
    if totals[best] <= ROOM:
        return (*chosen, int(rows[best]))
    if left == 1 or new.min(axis=0).sum() > ROOM:
        return None
    saved = np.sort(total - totals)[::-1]  # together they save no more than one by one
    if total - saved[:left].sum() > ROOM + 1e-12 or _apart(new[:, kept >= _NEVER] < _NEVER) > left:
        return None
    unserved = np.flatnonzero(kept >= _NEVER)
    if len(unserved):
        serves = new[:, unserved] < _NEVER
        tries = np.flatnonzero(serves[:, serves.sum(axis=0).argmin()])
    else:
        tries = np.flatnonzero(totals < total)
    tries = tries[np.argsort(totals[tries], kind="stable")]
    open_ = open_.copy()
    for n, k in enumerate(tries.tolist()):
        if not any((new[other] <= new[k]).all() for other in tries[:n]):  # else the other one would have done too
            found = _grown(cost, _without(open_, rows[k]), (*chosen, int(rows[k])), new[k], left - 1, patience)
            if found is not None:
                return found
        open_[rows[k]] = False
    return None


def _without(open_: np.ndarray, row: int) -> np.ndarray:
    left = open_.copy()
    left[row] = False
    return left


def _apart(serves: np.ndarray) -> int:
    """How many points [rates, points] at least need a rate each, since no two of them share one."""
    count = 0
    order = serves.sum(axis=0).argsort(kind="stable")
    taken = np.zeros(len(serves), dtype=bool)
    for point in order.tolist():
        if not (taken & serves[:, point]).any():
            taken |= serves[:, point]
            count += 1
    return count


def looks_at(stack: Stack, rule: Constraint) -> bool:
    """Whether a rule of the file looks at doses, or at rates other than to fix one."""
    return any(kind == "dose" or (kind == "rate" and (len(row.terms) > 1 or row.low != row.high))
               for row in rows_of(rule, stack.machine) for _, (kind, *_) in row.terms)  # fmt: skip


class Ask:
    """Whether some settings keep every hard rule of `stack`, its `count` too, with some points in tolerance."""

    def __init__(self, stack: Stack, wanted: np.ndarray, patience: Patience) -> None:
        """`wanted` [points] are those to be in tolerance; the others need any setting."""
        self.stack, self.wanted, self.patience = stack, wanted, patience
        at = rates(stack)
        if len(at) * stack.stroke.size * stack.screws > _LARGE:
            raise Unsure
        part = options(stack, at)
        usable = (part.excess < BIG / 2) & ((part.excess == 0) | ~wanted[:, None])
        self.between = stack.step is None and any(looks_at(stack, rule) for rule in stack.rules.values())
        if stack.step is None and not self.between and len(at):
            starts = (usable & ~np.concatenate((np.zeros_like(usable[:1]), usable[:-1]))).any(axis=(1, 2))
            starts |= np.isin(at, RuleRows(stack).turning())
            at, usable, air = at[starts], usable[starts], part.air[starts]
        else:
            air = part.air
        some = usable.any(axis=(1, 2))
        self.at, self.usable, self.air = at[some], usable[some], air[some]
        self.cost = np.where(self.usable, self.air, BIG).min(axis=2) if some.any() else np.empty((0, len(stack.names)))
        self._table: trial.Table | None = None

    @property
    def table(self) -> trial.Table:
        """The rows of capacity and rules."""
        if self._table is None:
            self._table = trial.Table.of(self.stack)
        return self._table

    def alone(self) -> np.ndarray:
        """Points that some rate serves, with all the capacity for them alone [points]."""
        return np.asarray((self.cost <= ROOM).any(axis=0))

    def settings(self) -> Settings | None:
        """Settings that do, or None where there are none; raises Unsure."""
        stack = self.stack
        if not self.alone().all():
            return None
        if self.between:
            return self._sliding() if stack.count == 1 else self._between()
        if stack.rules and stack.count > 1 and self.any_number() is None:
            return None
        return self.lowest(min(stack.count, len(self.at)))

    def _between(self) -> Settings | None:
        """Settings of several generators where rates between those that are compared may do."""
        if self._slides(lambda *_: True, apart=True) is None:
            return None  # not even with a generator a point
        found = self.lowest(min(self.stack.count, len(self.at))) if self.any_number() else None
        if found is None:
            raise Unsure
        return found

    def any_number(self) -> Settings | None:
        """Settings with as many rates as there are; None where there are none among the compared rates."""
        if not self.alone().all():
            return None
        return self.at_rates(tuple(range(len(self.at))))

    def fewest(self) -> int | None:
        """The fewest compared rates that would do if there were no rules; None where no number does."""
        if not self.alone().all() or self.cost.min(axis=0).sum() > ROOM:
            return None
        every = range(1, len(self.stack.names) + 1)
        return next(k for k in every if cover(self.cost, k, (), self.patience) is not None)

    def lowest(self, count: int) -> Settings | None:
        """Settings at the set of `count` compared rates that is lowest in rising order; None where none does."""

        def grow(chosen: tuple[int, ...]) -> Settings | None:
            if len(chosen) == count:
                return self.at_rates(chosen)
            start = chosen[-1] + 1 if chosen else 0
            for k in range(start, len(self.at) - (count - len(chosen)) + 1):
                self.patience.spend()
                more, later = (*chosen, k), range(k + 1, len(self.at))
                some = [*more, *later]
                if cover(self.cost[some], count, range(len(more)), self.patience) is None:
                    continue
                if self.stack.rules and 1 < len(more) < count and self._at(tuple(some)) is None:
                    continue
                found = grow(more)
                if found is not None:
                    return found
            return None

        return grow(()) if count else None

    def at_rates(self, chosen: Sequence[int]) -> Settings | None:
        """Settings at some of the compared rates, by number, however many of these they use; None where none do."""
        return self._at(chosen) if self.stack.rules else self._cheapest(chosen)

    def _cheapest(self, chosen: Sequence[int]) -> Settings | None:
        """Every point at whichever of some rates it takes the least air."""
        if self.cost[list(chosen)].min(axis=0).sum() > ROOM:
            return None
        site = self.cost[list(chosen)].argmin(axis=0)
        rate = np.array(chosen)[site]
        point = np.arange(len(site))
        option = np.where(self.usable, self.air, BIG)[rate, point].argmin(axis=1)
        settings = self._settings(rate, option)
        if not self._confirmed(settings):
            raise Unsure  # by a hair
        return settings

    def _at(self, chosen: Sequence[int]) -> Settings | None:
        usable = self.usable[list(chosen)]
        if not usable.any(axis=(0, 2)).all():
            return None
        count = len(self.stack.names)
        mask = np.stack([self.table.mask(part) for part in usable])
        mask[1:, count:] = False
        table, mask, keys = trial.at_rates(self.table, mask, self.at[list(chosen)])

        def settings(choice: np.ndarray) -> Settings:
            site, option = keys[np.arange(count), choice[:count]].T
            return self._settings(np.array(chosen)[site], option)

        free = np.zeros(mask.shape)
        found = trial.first_kept(table, mask, 1.0, 1.0, free, free, lambda choice, _: self._confirmed(settings(choice)),
                                 self.patience)  # fmt: skip
        return settings(found[0]) if found else None

    def _sliding(self) -> Settings | None:
        """Settings of one generator at any rate of a free dial."""
        count = len(self.stack.names)

        def settings(choice: np.ndarray, rate: float) -> Settings:
            return self._settings(np.full(count, -1), choice[:count], rate)

        found = self._slides(lambda choice, rate: self._confirmed(settings(choice, rate)))
        return settings(*found) if found else None

    def _slides(self, confirmed: Callable[[np.ndarray, float], bool], apart: bool = False
                ) -> tuple[np.ndarray, float] | None:  # fmt: skip
        """A choice and a rate of the whole dial, as `trial.first_kept` has it."""
        points, used = len(self.stack.names), self.usable.shape[2]
        mask = self.table.mask(self.usable.any(axis=0))
        low, high = float(self.at[0]), float(self.at[-1])
        start, end = np.full(mask.shape, low), np.full(mask.shape, high)
        some, at = self.usable.any(axis=0), self.at[:, None, None]
        start[:points, :used] = np.where(some, np.where(self.usable, at, np.inf).min(axis=0), low)
        end[:points, :used] = np.where(some, np.where(self.usable, at, -np.inf).max(axis=0), high)
        return trial.first_kept(self.table, mask, low, high, start, end, confirmed, self.patience, apart)

    def _settings(self, rate: np.ndarray, option: np.ndarray, own: float | None = None) -> Settings:
        stroke, screw = np.divmod(option, self.stack.screws)
        at = self.at[rate] if own is None else np.full(len(option), own)
        return Settings(tuple(at.tolist()), tuple(stroke.tolist()), tuple(screw.tolist()))

    def _confirmed(self, settings: Settings) -> bool:
        """Whether the judge allows settings, but for the number of generators, with the wanted points in tolerance."""
        verdict = judge(replace(self.stack, count=len(settings.generators)), settings)
        return verdict.allowed and not verdict.excess[self.wanted].any()


class _Broken(Settled):
    """The model of a machine in which capacity and rules may be broken; what they are broken by is to be small."""

    def _finish(self) -> None:
        self.goals["broken"] = []
        super()._finish()

    def _held(self, terms: list[tuple[float, Any]], low: float | None, high: float | None, meaning: str) -> None:
        under, over = self.rows.variable(0), self.rows.variable(0)
        self.goals["broken"] += [(1.0, under), (1.0, over)]
        super()._held([*terms, (1.0, under), (-1.0, over)], low, high, meaning)


def by_models(ask: Ask, deadline: float) -> Settings | None:
    """What mixed-integer models say where our own search was given up; None only where two agree. Raises Unsure.

    The first holds every row; the second lets capacity and rules be broken and proves that they must be.
    """
    if not len(ask.at) or not ask.usable.any(axis=(0, 2)).all():
        return None
    at = ask.at.tolist()
    try:
        found = proving.choose(ask.stack, at, "air", {}, deadline, ask.usable)
        if found is not None and ask._confirmed(found.settings):
            return found.settings
        if found is None and not ask.between:
            model = _Broken(ask.stack, at, ask.usable)
            broken = model.rows.minimise(model.goals["broken"], "highs", deadline)
            if broken is not None and broken > _BROKEN:
                return None
    except mip.NoProof as stop:
        if stop.status == "interrupted":
            raise KeyboardInterrupt from None
    raise Unsure


def possible(stack: Stack, wanted: np.ndarray, deadline: float) -> Settings | None:
    """Settings of `stack` that keep every hard rule, with the points `wanted` in tolerance; None where there are none.

    Args:
        stack: The machine.
        wanted: Which points are to be in tolerance [points].
        deadline: Of the monotonic clock. Raises Unsure where that comes first.

    >>> from stackopt.stack import _example
    >>> possible(Stack.of(_example()), np.array([True, True]), np.inf).rates
    (6.0, 6.0)
    """
    if stack.line is not None:
        return pressure_plans.possible(stack, wanted, deadline)
    ask = Ask(stack, wanted, Patience(deadline))
    try:
        return ask.settings()
    except Unsure:
        return by_models(ask, deadline)
