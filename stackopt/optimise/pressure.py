"""The search where a line lies before the stack: the more air is asked, the lower the pressure.

A cell is a set of as many rates as there may be generators and an interval of the stack's pressure. Inside it each
setting's air lies between what it is at the two ends, since it rises with the pressure; so excess and cost are bounded
from below, and two rows say that the pressure can lie in the interval at all: at its lower end the settings take no
more than the line lets through there, at its upper end no less. A cell that its bound does not close is split where
the settings that the model found bring the pressure; these are judged at that pressure, and only so do they count.
"""

import heapq
import time
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from itertools import combinations
from typing import Any, NamedTuple

import numpy as np

from stackopt.judge import ROOM, TIE, Settings, Verdict, judge
from stackopt.optimise import proving
from stackopt.optimise.medians import TooManySets, good_set, sets_below
from stackopt.optimise.mip import NoProof
from stackopt.optimise.models import Settled, changes_by_option
from stackopt.optimise.outcome import TINY, Outcome, Stopped, avoided
from stackopt.optimise.price import price
from stackopt.optimise.scan import BATCH, BIG, Options, misses, options, rates
from stackopt.physics import air, spray
from stackopt.problem.branches import OUTLET
from stackopt.problem.constraints import Row
from stackopt.stack import ROUNDING, Array, Stack
from stackopt.supply import settled, through

NEAR = 2e-9  # a bound this close to what was found meets it
_SLACK = 1e-7  # of what the line lets through: room of its rows
_WIDE = 0.01  # of the pressure: wider intervals are split without a model
_WEIGHTS = (0.0, 3.0, 30.0, 300.0)  # tried as prices of the excess
_WIDTH = 1e-9  # of the pressure: an interval that is not split further
_TRIES = 30  # choices that are cut off in such an interval before it is given up
_ROUNDS = 4  # how often the rates of a free dial are compared anew, at the pressure last found


@dataclass(order=True)
class Cell:
    """A bound on what is asked, rates by their numbers, and an interval of pressure [bar absolute]."""

    bound: float
    rates: tuple[int, ...]
    low: float
    high: float
    known: bool = False  # whether the bound is of this interval, not of one that it is a part of
    at: float = 0.0  # where the settings that a price chose bring the pressure
    judged: tuple[Settings, ...] = field(default=(), compare=False)  # what the model found in it: not to be found again

    @property
    def narrow(self) -> bool:
        """Whether it is not split further."""
        return self.high - self.low <= _WIDTH * self.high


class Seen(NamedTuple):
    """What options may bring at some rates while the pressure lies in an interval; arrays [rates, points, options]."""

    parts: Options  # the least of each; the cost without the air's
    usable: np.ndarray  # what may be part of an answer
    most: Array  # the most air, with drive air, L/min
    least: Array  # the least air, L/min


class _Between(Settled):
    """At given rates, one option a point, with the pressure anywhere in a cell's interval."""

    def __init__(self, stack: Stack, at: list[float], seen: Seen, cell: Cell, flows: tuple[Array, Array]) -> None:
        self._flows = flows
        super().__init__(stack, at, seen.usable, seen.parts)
        for part, end, sign in ((seen.least, cell.low, 1), (seen.most, cell.high, -1)):
            limit = through(stack, end)
            scale = sign * 100 / max(limit, 1.0)
            terms = [(scale * float(part[s, i, o]), y) for i, row in enumerate(self.picks) for (s, o), y in row.items()]
            # With room for rounding: the pressure of a choice is what counts, not this row.
            self.rows.row(terms, high=scale * limit + abs(scale) * _SLACK * limit, meaning="the line")
        total = self.rows.variable(through(stack, cell.high) / stack.capacity)
        self.rows.row([(1.0, total), *((-c, y) for c, y in self.goals["air"])], low=0.0)
        self.goals["air"] = [(1.0, total)]
        self.goals["value"].append((stack.air_weight, total))

    def refuse_settings(self, settings: Settings) -> None:
        """Cut settings off, if they are among the choices."""
        screws = self.stack.screws
        keys = [(self.at.index(rate) if rate in self.at else -1, stroke * screws + screw)
                for rate, stroke, screw in zip(settings.rates, settings.stroke, settings.screw, strict=True)]
        if all(key in row for key, row in zip(keys, self.picks, strict=True)):
            terms = [(1.0, row[key]) for key, row in zip(keys, self.picks, strict=True)]
            self.rows.row(terms, high=len(terms) - 1)

    def _rule(self, name: str, row: Row) -> None:
        """A rule's row, an end at a time, with each nozzle's air at that end of the interval which may keep it."""
        for sign, low, high in ((1, None, row.high), (-1, row.low, None)):
            if low is not None or high is not None:
                terms = [(f, ("least" if f * sign > 0 else "most", *t[1:]) if t[0] == "air" else t)
                         for f, t in row.terms]  # fmt: skip
                super()._rule(name, Row(terms, low, high))

    def _quantity(self, i: int, kind: str) -> Iterable[tuple[float, Any]]:
        if kind not in ("least", "most"):
            return super()._quantity(i, kind)
        flow = self._flows[kind == "most"]
        return [(float(flow[i, o % self.stack.screws]), y) for (_, o), y in self.picks[i].items()]


class Hunt:
    """One run. `goal` is what is least among settings of least excess: "value", "error", "air" or "changes".

    Only settings count that keep `limits` (goals by name and the most of them) and take at most `most_air` [L/min].
    Where the least X is known already, it is given as `excess`; as `each`, what every point's own may be instead. `at`
    are the rates to look at [1/min], all where they are not given; the run ends at its time limit or the `deadline` of
    the monotonic clock.
    """

    def __init__(self, stack: Stack, avoid: tuple[tuple[float, ...], ...] = (), apart: float = TIE, goal: str = "value",
                 limits: Mapping[str, float] | None = None, most_air: float = np.inf,
                 excess: float | None = None, each: float | None = None, at: Array | None = None,
                 deadline: float = np.inf) -> None:  # fmt: skip
        self.stack, self.avoid, self.apart = stack, avoid, apart
        self.goal, self.limits = goal, dict(limits or {})
        self.most_air = min(most_air, stack.capacity * ROOM)
        self.given, self.each = excess if each is None else 0.0, each
        self.deadline = min(deadline, time.monotonic() + stack.time_limit)
        self.closed: Counter[str] = Counter()
        self.at = rates(stack) if at is None else at
        self.every = stack.step is not None or at is not None  # whether answers lie at no other rates
        self.best = np.inf  # least X found
        self.value = np.inf  # least of the goal found among settings of least X
        self.settings: Settings | None = None
        self.bounds: dict[str, float | None] = {"excess": None, self.goal: None}
        self._flow = lru_cache(maxsize=256)(stack.at)

    # The whole run

    def run(self) -> Outcome:
        """Find the best settings; proved on a stepped dial, and at given rates.

        On a free one, rates are compared where something turns at the pressure last found.
        """
        if self.every:
            return self._run()
        for _ in range(_ROUNDS):
            before = self.settings
            outcome = self._run()
            if outcome.settings in (None, before):
                break
            pressure = judge(self.stack, outcome.settings).pressure
            self.at = rates(replace(self.stack, flow=self.stack.at(pressure), also=outcome.settings.generators))
        self.bounds = {"excess": None, self.goal: None}
        raise Stopped("unproved")

    def _run(self) -> Outcome:
        low, high = self._pressures()
        if self.given is not None:
            self.best = self.given
        elif low <= high:
            self._stage("excess", low, high)
        best = np.inf
        while low <= high and self.best < best - TIE:  # the second stage may find an X that the solver's tolerance hid
            best = self.best
            if self.settings is not None:
                self.value = self._measure(self.goal, judge(self.stack, self.settings), self.settings)
            self._stage(self.goal, low, high)
        if self.settings is None:
            return Outcome("infeasible", None, None, None)
        settings = self._preferred(self.settings)
        return Outcome("optimal", settings, self.best, self.value, dict(self.closed))

    def serves(self) -> bool:
        """Whether some settings have no excess; they are in `settings`. Stopped where that is not decided."""
        low, high = self._pressures()
        if low <= high:
            self._stage("excess", low, high)
        if self.best > 0 and not self.every:
            raise Stopped("unproved")
        return self.best == 0

    def stopped(self, status: str) -> Outcome:
        """The best found so far, and the bounds that hold."""
        excess, value = self.bounds["excess"], self.bounds[self.goal]
        return Outcome(status, self.settings, excess, value if self.goal == "value" else None, dict(self.closed))

    def matrix(self) -> Array:
        """A bound from below on each point's excess at each rate [rates, points], whatever the pressure."""
        return self._matrix(*self._pressures(), "excess")

    def _tick(self) -> None:
        if time.monotonic() > self.deadline:
            raise Stopped("time limit")

    def _pressures(self) -> tuple[float, float]:
        """What the stack's pressure lies between, whatever is set [bar absolute]."""
        stack = self.stack
        most, least = float(np.nanmax(stack.drive, axis=1).sum()), float(np.nanmin(stack.drive, axis=1).sum())
        low, _ = settled(stack, tuple(len(row) - 1 for row in stack.turns), most * self.at[-1])
        high, _ = settled(stack, (0,) * len(stack.names), least * self.at[0])
        if stack.line is not None and through(stack, low) > self.most_air:
            conductance, ratio = stack.line
            low = float(air.downstream_pressure(conductance, ratio, stack.pressure, self.most_air)) * (1 - ROUNDING)
        return max(low * (1 - ROUNDING), OUTLET), high * (1 + ROUNDING)

    # Judging

    def _measure(self, goal: str, verdict: Verdict, settings: Settings) -> float:
        if goal == "changes":
            return float(proving.count_changes(self.stack, settings))
        return {"value": verdict.value, "air": verdict.air / self.stack.capacity,
                "error": verdict.worst_error if self.stack.worst else verdict.mean_error}[goal]  # fmt: skip

    def _accepts(self, settings: Settings, verdict: Verdict) -> bool:
        """Whether settings may be the answer."""
        if not verdict.allowed or verdict.air > self.most_air or self._avoided(settings.generators):
            return False
        if self.each is not None and verdict.excess.max() > self.each + TIE:
            return False
        return all(self._measure(goal, verdict, settings) <= most + TIE for goal, most in self.limits.items())

    def _avoided(self, generators: tuple[float, ...]) -> bool:
        return avoided(generators, self.avoid, self.apart)

    def _found(self, settings: Settings) -> Verdict:
        """Judge settings, and keep them if they may be the answer and are the best so far."""
        verdict = judge(self.stack, settings)
        if not self._accepts(settings, verdict):
            return verdict
        value = self._measure(self.goal, verdict, settings)
        least = verdict.least if self.each is None else 0.0
        if least < self.best - TIE:
            better = True
        elif least > self.best + TIE:
            better = False
        elif self.settings is None or value < self.value - TIE:
            better = True
        elif settings.generators == self.settings.generators:
            better = value < self.value
        else:
            better = value <= self.value + TIE and settings.generators < self.settings.generators
        if better:
            self.best, self.value, self.settings = min(self.best, least), value, settings
        return verdict

    # Bounds

    def _look(self, at: Array, low: float, high: float, stage: str) -> Seen:
        """What options may bring at rates [1/min] while the pressure lies between two ends."""
        stack, flows = self.stack, (self._flow(low), self._flow(high))
        parts = options(stack, at, flows=flows)
        shape = parts.excess.shape
        drive = (at[:, None, None, None] * stack.drive[..., None]) + np.zeros((1, 1, 1, stack.screws))
        least, most = (np.nan_to_num((flow[:, None, :] + drive).reshape(shape)) for flow in flows)
        usable = parts.excess < BIG / 2
        usable &= ~stack.stalls(high).repeat(stack.screws, axis=1)
        needed = np.where(usable, parts.air, BIG)
        if stage != "excess":
            # What an option may miss at most in an answer of least X, and so the least air that it can be part of.
            each = np.where(usable, parts.excess, BIG).min(axis=(0, 2))
            weight = np.ones(len(each)) if stack.worst else stack.weight
            spare = self.best + TIE - (0.0 if stack.worst else each.sum() - each) + np.zeros(len(each))
            if self.each is not None:
                spare = weight * (self.each + TIE)
            usable &= parts.excess <= spare[:, None] + TINY
            dose = at[:, None, None] * stack.stroke * (1 + stack.stray * stack.robust)
            columns = (part[:, None] for part in (stack.ratio_min, stack.ratio_max, stack.flow_min, stack.flow_max))
            foot = spray.window(dose, *columns)[0] - ((spare / weight + 2 * TIE) * stack.reference)[:, None]
            floor = ((foot[..., None] + drive) / stack.capacity).reshape(shape)
            needed = np.where(usable, np.maximum(needed, floor), BIG)
            usable &= needed <= most / stack.capacity * (1 + 1e-9)
        price = parts.cost - stack.air_weight * parts.air
        return Seen(parts._replace(air=needed, cost=np.where(usable, price, BIG)), usable, most, least)

    def _costs(self, seen: Seen, stage: str) -> tuple[Array, Array]:
        """Two parts of what is asked [rates, points, options]; for the worst point the largest of the first counts."""
        none = np.zeros((1, 1, 1))
        return {
            "excess": (seen.parts.excess, none),
            "value": (seen.parts.error, seen.parts.cost + self.stack.air_weight * seen.parts.air),
            "error": (seen.parts.error, none),
            "air": (none, seen.parts.air),
            "changes": (none, self._changed[None]),
        }[stage]

    @cached_property
    def _changed(self) -> Array:
        return changes_by_option(self.stack)

    def _may_be_better(self, seen: Seen, stage: str) -> np.ndarray:
        """Options that an answer as good as the best known can contain, by their own costs and the others' least."""
        limit = self.best if stage == "excess" else self.value
        if not np.isfinite(limit):
            return seen.usable
        peak, rest = self._costs(seen, stage)
        cost = peak if self._peaks(stage) else peak + rest
        least = np.where(seen.usable, cost, BIG).min(axis=(0, 2))
        others = 0.0 if self._peaks(stage) else least.sum() - least
        return cost <= (limit + 2 * TIE - others + np.zeros(len(least)))[:, None]

    def _matrix(self, low: float, high: float, stage: str) -> Array:
        """A bound from below on each point's part at each rate [rates, points]; of the worst point only the error's."""
        size = max(1, BATCH // (self.stack.stroke.size * self.stack.screws))
        found = []
        for k in range(0, len(self.at), size):
            self._tick()
            seen = self._look(self.at[k : k + size], low, high, stage)
            peak, rest = self._costs(seen, stage)
            cost = peak if self._peaks(stage) else peak + rest
            found.append(np.where(seen.usable, cost, BIG).min(axis=2))
        return np.concatenate(found)

    def _bound(self, cell: Cell, stage: str) -> float:
        """A bound on a cell without a model; infinity where nothing in it can be an answer."""
        stack = self.stack
        seen = self._look(self.at[list(cell.rates)], cell.low, cell.high, stage)
        if not seen.usable.any(axis=(0, 2)).all():
            return np.inf
        less = np.where(seen.usable, seen.least, np.inf).min(axis=(0, 2)).sum()
        more = np.where(seen.usable, seen.most, 0.0).max(axis=(0, 2)).sum()
        if less > through(stack, cell.low) * (1 + _SLACK) or more < through(stack, cell.high) * (1 - _SLACK):
            return np.inf
        costs = self._costs(seen, stage)
        peak, rest = (np.where(seen.usable, part, BIG).min(axis=(0, 2)) for part in costs)
        both = np.where(seen.usable, sum(costs), BIG).min(axis=(0, 2)).sum()
        bound = float(peak.max() + rest.sum()) if stack.worst else max(float(both), self._priced(cell, seen, stage))
        if stage == "changes":
            return float(np.ceil(bound - 1e-6))
        taken = through(stack, cell.high) / stack.capacity
        if stage == "air":
            return max(bound, taken)
        if stage == "value":
            price = np.where(seen.usable, seen.parts.cost, BIG).min(axis=(0, 2)).sum()
            error = peak.max() if stack.worst else peak.sum()
            return max(bound, float(error + price + stack.air_weight * taken))
        return bound

    def _priced(self, cell: Cell, seen: Seen, stage: str) -> float:
        """The bound that prices give; what a price chooses is judged, and says where to split.

        One price is on the air, of the too much at one end of the interval or the too little at the other; one on the
        excess.
        """
        def flat(part: np.ndarray) -> np.ndarray:
            return np.moveaxis(part, 1, 0).reshape(len(self.stack.names), -1)[None]

        usable, (peak, rest) = flat(seen.usable), self._costs(seen, stage)
        cost, excess = (flat(part + np.zeros(seen.usable.shape)) for part in (peak + rest, seen.parts.excess))
        top = flat(seen.most).max(axis=2, where=usable, initial=0.0, keepdims=True)
        spare = top.sum() - through(self.stack, cell.high) * (1 - _SLACK)
        rows = [flat(seen.least) / (through(self.stack, cell.low) * (1 + _SLACK))]
        rows += [np.maximum(top - flat(seen.most), 0.0) / spare] if spare > 0 else []
        bound = -np.inf
        for weight in (0.0,) if stage == "excess" or self.each is not None else _WEIGHTS:
            whole = np.where(usable, cost + weight * excess, BIG)
            found = [price(whole, np.where(usable, row, BIG)) for row in rows]
            bound = max(bound, *(float(one.bound[0]) - weight * (self.best + TIE) for one in found))
            if weight == 0.0 and np.isfinite(found[0].cost[0]):
                site, option = np.divmod(found[0].choice[0], seen.usable.shape[2])
                at = self.at[np.array(cell.rates)[site]]
                stroke, screw = np.divmod(option, self.stack.screws)
                settings = Settings(tuple(at.tolist()), tuple(stroke.tolist()), tuple(screw.tolist()))
                cell.at = self._found(settings).pressure
        return bound

    # A stage

    def _stage(self, stage: str, low: float, high: float) -> None:
        """Work on cells, best bound first, until none can be better."""
        heap = self._cells(stage, low, high)
        heapq.heapify(heap)
        self.bounds[stage] = None
        while heap:
            cell = heapq.heappop(heap)
            limit = self.best if stage == "excess" else self.value
            self.bounds[stage] = None if cell.bound == -np.inf else min(max(cell.bound, 0.0), limit)
            if cell.bound > limit + TIE:
                self.closed["doses and air over an interval of pressure"] += 1 + len(heap)
                break
            if not self._open(cell, stage):
                continue
            self._tick()
            if cell.known:
                self._decide(cell, stage, heap)
                continue
            cell.bound = max(cell.bound, self._bound(cell, stage))
            if not np.isfinite(cell.bound) or not self._open(cell, stage):
                self.closed["doses and air over an interval of pressure"] += 1
            elif cell.high - cell.low > _WIDE * cell.high and not self.stack.worst:
                self._split(cell, cell.at, heap)
            else:
                cell.known = True
                heapq.heappush(heap, cell)
        if np.isfinite(limit := self.best if stage == "excess" else self.value):
            self.bounds[stage] = limit

    def _open(self, cell: Cell, stage: str) -> bool:
        """Whether a cell may hold something better, or something as good at lower rates."""
        if stage == "excess":
            return cell.bound < self.best - (NEAR if self.best > 0 else 0.0)
        if self.settings is None:
            return True
        lower = self.stack.count == 1 and tuple(float(self.at[k]) for k in cell.rates) < self.settings.generators
        return cell.bound < self.value - NEAR or (lower and cell.bound <= self.value + TIE)

    def _cells(self, stage: str, low: float, high: float) -> list[Cell]:
        """The whole interval of pressure at each rate, or set of rates, that may be better than what is known."""
        cost = self._matrix(low, high, stage)
        limit = (self.best if stage == "excess" else self.value) + TIE
        if self.stack.count == 1:
            bounds = cost.max(axis=1) if self._peaks(stage) else cost.sum(axis=1)
            may = np.flatnonzero(bounds <= min(limit, BIG / 2)).tolist()
            return [Cell(float(bounds[k]), (k,), low, high) for k in may if not self._avoided((float(self.at[k]),))]
        worst = self._peaks(stage)
        if not np.isfinite(limit):  # something to beat, so that sets stay few
            self._decide(Cell(-np.inf, good_set(cost, self.stack.count, worst), low, high, True), stage, [])
            limit = (self.best if stage == "excess" else self.value) + TIE
        try:
            sets, bounds = sets_below(cost, self.stack.count, min(limit, BIG / 2), worst, self._tick)
        except TooManySets:
            raise Stopped("unproved") from None
        return [Cell(float(bound), tuple(some), low, high) for some, bound in zip(sets.tolist(), bounds, strict=True)]

    def _peaks(self, stage: str) -> bool:
        """Whether of a stage's matrix the largest counts, not the sum."""
        return self.stack.worst and stage in ("excess", "value", "error")

    def _decide(self, cell: Cell, stage: str, heap: list[Cell]) -> None:
        """Close a cell by the model, or split it."""
        at = self.at[list(cell.rates)]
        seen = self._look(at, cell.low, cell.high, stage)
        seen = seen._replace(usable=seen.usable & self._may_be_better(seen, stage))
        if not seen.usable.any(axis=(0, 2)).all():
            self.closed["doses and air over an interval of pressure"] += 1
            return
        model = _Between(self.stack, at.tolist(), seen, cell, (self._flow(cell.low), self._flow(cell.high)))
        if stage != "excess" and self.each is None:
            model.hold("excess", self.best + TIE)
        for goal, most in self.limits.items():
            model.hold(goal, most + TIE - (model.changes if goal == "changes" else 0))
        for rates_of_one in self.avoid:
            model.avoid(rates_of_one, self.apart)
        for settings in cell.judged:
            model.refuse_settings(settings)
        for _ in range(_TRIES):
            try:
                bound = model.rows.minimise(model.goals[stage], "highs", self.deadline)
            except NoProof as stop:
                raise Stopped(stop.status) from None
            if bound is None:
                self.closed["the model over an interval of pressure"] += 1
                return
            if stage == "changes":
                bound = float(np.ceil(bound + model.changes - 1e-6))
            settings = next(model.found())
            verdict = self._found(settings)
            cell = replace(cell, bound=max(cell.bound, bound), judged=(*cell.judged, settings))
            if not self._open(cell, stage):
                self.closed["the model over an interval of pressure"] += 1
                return
            if not cell.narrow:
                self._split(cell, verdict.pressure, heap)
                return
            model.refuse()
        raise Stopped("unproved")

    def _split(self, cell: Cell, pressure: float, heap: list[Cell]) -> None:
        """Two cells of one, parted at a pressure if that is well inside, else in the middle."""
        edge = 0.05 * (cell.high - cell.low)
        if not cell.low + edge < pressure < cell.high - edge:
            pressure = (cell.low + cell.high) / 2
        for low, high in ((cell.low, pressure), (pressure, cell.high)):
            heapq.heappush(heap, replace(cell, low=low, high=high, known=False))

    # Of settings that tie

    def _preferred(self, found: Settings) -> Settings:
        """Point by point the larger stroke, then fewer turns, where one or two points set otherwise tie.

        Ties of more points than two are not looked for: with a line, every setting moves the pressure.
        """
        points, better = range(len(self.stack.names)), True
        while better:
            self._tick()
            better = False
            for changed in self._others(found, points):
                verdict = judge(self.stack, changed)
                if not self._accepts(changed, verdict) or (self.each is None and verdict.least > self.best + TIE):
                    continue
                if self._measure(self.goal, verdict, changed) <= self.value + TIE:
                    found, better = changed, True
                    break
        return found

    def _others(self, settings: Settings, points: range) -> Iterable[Settings]:
        """Settings that are preferred where they tie: one point's changed, or those of two alike exchanged."""
        stack, at = self.stack, np.array(settings.rates)
        miss = misses(stack, at)[0][points, points] * (1.0 if stack.worst else stack.weight[:, None])
        most = self.best if self.each is None else self.each
        for i in points:
            here = (settings.stroke[i], settings.screw[i])
            for s in np.flatnonzero(miss[i, : here[0] + 1] <= most + TIE).tolist():
                # Another screw alone takes other air, which ties only where air costs nothing.
                same_air = s == here[0] and stack.air_weight > 0 and self.goal != "error"
                for z in range(len(stack.turns[i])):
                    if (s, z) < here and not (same_air and stack.flow[i, z] < stack.flow[i, here[1]] * (1 - 1e-6)):
                        yield _set(settings, {i: (s, z)})
        for i, j in combinations(points, 2):
            one, other = (settings.stroke[i], settings.screw[i]), (settings.stroke[j], settings.screw[j])
            alike = settings.rates[i] == settings.rates[j] and stack.nozzle[i] == stack.nozzle[j]
            if other < one and alike and stack.pumps[i] == stack.pumps[j] and stack.marks[i] == stack.marks[j]:
                yield _set(settings, {i: other, j: one})


def _set(settings: Settings, changed: dict[int, tuple[int, int]]) -> Settings:
    stroke, screw = list(settings.stroke), list(settings.screw)
    for i, (s, z) in changed.items():
        stroke[i], screw[i] = s, z
    return Settings(settings.rates, tuple(stroke), tuple(screw))
