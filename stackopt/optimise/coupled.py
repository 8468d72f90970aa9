"""The search where more than the air couples the points: the file's rules, several generators, the worst point.

A cell is a set of as many rates as there may be generators, or, with one generator on a free dial, the open interval
between two neighbouring rates. Leaving rules out and giving the air a price bounds every cell from below. Cells are
decided exactly in the order of these bounds until the next one cannot be better: by merging the points' options, or,
with rules, by a mixed-integer model of that cell. First the least excess is found so, then the least value.
"""

import contextlib
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from stackopt.errors import SolverError
from stackopt.judge import ROOM, TIE, Settings, Verdict, judge
from stackopt.optimise import mip, proving
from stackopt.optimise.dual import Prices, Rules
from stackopt.optimise.medians import TooManySets, good_set, sets_below, whole
from stackopt.optimise.merge import TooManyLabels
from stackopt.optimise.models import Sliding
from stackopt.optimise.outcome import TINY, Outcome, Stopped, avoided
from stackopt.optimise.price import price
from stackopt.optimise.scan import BATCH, BIG, Options, beside, options, rates
from stackopt.optimise.sets import AtRates, union
from stackopt.optimise.useful import useful
from stackopt.problem.constraints import rows_of
from stackopt.stack import ROUNDING, Array, Stack

_INSIDE = 3 * TIE  # what the slack of a miss may add between two rates that are compared
_KEPT = 20_000_000  # numbers of options that are kept rather than computed again
_MODELS = 40  # cells with rules that are modelled one by one; more of several rates are one model together


@dataclass(frozen=True)
class Cell:
    """Rates to choose from [1/min], by their numbers; or (inside) all of the interval from `low` to `high`."""

    rates: tuple[int, ...]
    low: float = 0.0
    high: float = 0.0

    @property
    def inside(self) -> bool:
        """Whether it is an interval."""
        return not self.rates


def needs(stack: Stack) -> bool:
    """Whether more than the air couples the points of `stack`."""
    return bool(stack.rules) or stack.count > 1 or stack.worst


def slides(stack: Stack) -> bool:
    """Whether the best rate may lie between two compared ones: something else than the dose depends on it."""
    kinds = {term[0] for rule in stack.rules.values() for row in rows_of(rule, stack.machine) for _, term in row.terms}
    return stack.step is None and bool(np.nansum(stack.drive) > 0 or stack.worst or kinds & {"dose", "rate"})


class Hunt:
    """One run."""

    def __init__(self, stack: Stack, avoid: tuple[tuple[float, ...], ...], apart: float) -> None:
        self.stack = stack
        self.avoid, self.apart = avoid, apart
        self.deadline = time.monotonic() + stack.time_limit
        self.closed: Counter[str] = Counter()
        self.at = np.empty(0)
        self.best = np.inf  # least X proved or found
        self.value = np.inf  # least value found among settings of least X
        self.settings: Settings | None = None  # the best found
        self.compared_excess = False  # whether `best` is the least X at the rates that are compared
        self.proved_excess = False  # and at all
        self.bound = {"excess": -np.inf, "value": -np.inf}
        self.decided: list[tuple[float, Settings, Cell]] = []  # cells whose least value is known
        self.rest = 0.0
        self.left: np.ndarray | None = None  # sets [sets, count] that may have the least excess; None: all
        self._rules = Rules(stack)
        self._batches: list[tuple[Array, Options]] = []
        self.open_inside = False  # whether something between compared rates could still be better

    def run(self) -> Outcome:
        """Find and prove the best settings."""
        if not self._start():
            return Outcome("infeasible", None, None, None)
        self._stage("excess")
        if not np.isfinite(self.best):
            return Outcome("infeasible", None, None, None)
        self.compared_excess, self.proved_excess = True, not self.open_inside
        self._stage("value")
        if self.open_inside:
            raise Stopped("unproved")
        return Outcome("optimal", self._settle(), self.best, self.value, dict(self.closed))

    def stopped(self, status: str) -> Outcome:
        """The best found so far, and the bounds that hold."""
        found = judge(self.stack, self.settings) if self.settings else None
        excess = self.best if self.proved_excess else self.bound["excess"]
        value = self.bound["value"]
        if found is not None:
            excess = min(excess, found.least)
        return Outcome(status, self.settings, max(excess, 0.0) if np.isfinite(excess) else None,
                       value if self.proved_excess and np.isfinite(value) else None, dict(self.closed))  # fmt: skip

    def _tick(self) -> None:
        if time.monotonic() > self.deadline:
            raise Stopped("time limit")

    def _found(self, settings: Settings) -> Verdict:
        """Judge settings and keep them if they are the best so far."""
        verdict = judge(self.stack, settings)
        if verdict.allowed and not self._avoided(settings.generators):
            before = judge(self.stack, self.settings) if self.settings else None
            if before is None or (verdict.least < before.least - TIE) or (
                    verdict.least <= before.least + TIE and verdict.value < before.value):  # fmt: skip
                self.settings = settings
        return verdict

    # Cells and their bounds

    def _start(self) -> bool:
        """The rates at which every point could run, or, with several generators, some."""
        stack = self.stack
        at = rates(stack, beside((rate for one in self.avoid for rate in one), self.apart))
        self.at = at
        self.least = self._each(lambda part, _: part.excess)
        usable = (self.least < BIG / 2).any(axis=1) if stack.count > 1 else (self.least < BIG / 2).all(axis=1)
        self.at, self.least = at[usable], self.least[usable]
        self.neighbour = np.diff(np.flatnonzero(usable)) == 1  # [rates - 1] whether none was left out in between
        self._batches = []
        return bool(len(self.at)) and bool((self.least < BIG / 2).any(axis=0).all())

    def _avoided(self, generators: tuple[float, ...]) -> bool:
        return avoided(generators, self.avoid, self.apart)

    def _each(self, of: Callable[[Options, Array], Array]) -> Array:
        """The least of something over the options of each point at each rate [rates, points]."""
        return np.concatenate([of(part, at).min(axis=2) for at, part in self._options()])

    def _options(self) -> Iterator[tuple[Array, Options]]:
        """The options at all rates, in batches."""
        width = self.stack.stroke.size * self.stack.screws
        if self._batches:
            yield from self._batches
            return
        size = max(1, BATCH // width)
        for k in range(0, len(self.at), size):
            self._tick()
            at = self.at[k : k + size]
            batch = at, self._options_at(at)
            if width * len(self.at) <= _KEPT:
                self._batches.append(batch)
            yield batch

    def _cells(self, goal: str) -> list[tuple[float, Cell]]:
        """All cells that may have less of `goal` than was found, with their bounds, rising."""
        stack = self.stack
        if goal == "value" and stack.worst:  # what air and pumps cost all points at least comes on top of the worst
            self.rest = float(self._each(lambda part, _: part.cost).min(axis=0).sum())
        prices = Prices(np.zeros(1), np.zeros(1), 0.0, 0.0, 0.0)
        cost = self._priced(goal, prices)
        first = self._good_set(cost)
        bound = float(whole(cost[list(first)].min(axis=0), stack.worst))
        proved = self._decide(Cell(first), goal) if bound < BIG / 2 else None
        if proved is None or proved > bound + TINY:
            better = self._prices(first, goal)
            if better is not None:
                prices, cost = better, self._priced(goal, better)
        if goal == "excess" and self.best <= TINY:
            return []  # nothing has less
        return self._listed(goal, cost, prices)

    def _good_set(self, cost: Array) -> tuple[int, ...]:
        """A good set of rates, by their numbers; where it can be, not one to avoid."""
        stack = self.stack
        kept = np.arange(len(cost))

        def best_of(kept: np.ndarray) -> np.ndarray:
            return kept[list(good_set(cost[kept], stack.count, stack.worst))]

        while wrong := [one for one in self.avoid if avoided(tuple(self.at[best_of(kept)]), (one,), self.apart)]:
            rest = [left for rate in wrong[0] if len(left := kept[~self._near(rate)[kept]])]
            if not rest:
                break
            kept = min(rest, key=lambda left: float(whole(cost[best_of(left)].min(axis=0), stack.worst)))
        return tuple(best_of(kept).tolist())

    def _limit(self, goal: str) -> float:
        """The bound above which a cell need not be looked at."""
        return self.best - TINY if goal == "excess" else self.value + TIE

    def _listed(self, goal: str, cost: Array, prices: Prices) -> list[tuple[float, Cell]]:
        """The cells that the costs [rates, points] do not rule out, with their bounds, rising."""
        stack = self.stack
        most = min((self.best if goal == "excess" else self.value) + TIE + prices.const, BIG / 2)
        if goal == "value" and self.left is not None:
            totals = whole(cost[self.left].min(axis=1), stack.worst)
            sets, totals = self.left[totals <= most], totals[totals <= most]
        else:
            sets, totals = sets_below(cost, stack.count, most, stack.worst, self._tick)
        ends = (totals - prices.const).tolist()  # of sets to avoid too: what lies beside them need not be avoided
        sets, totals = self._without_avoided(sets, totals, cost, most)
        ruled_out = _choices(len(self.at), stack.count) - len(sets)
        self.closed["doses, windows and the prices of air and rules"] += max(0, ruled_out)
        cells = [(float(total) - prices.const, Cell(tuple(dict.fromkeys(row.tolist()))))
                 for row, total in zip(sets, totals, strict=True)]  # fmt: skip
        if slides(stack):
            cells += self._intervals(goal, prices, most) if stack.count == 1 else []
            if stack.count > 1:
                self._look_inside(cost, most, goal, ends)
        return sorted(cells, key=lambda pair: (pair[0], pair[1].rates, pair[1].low))

    def _without_avoided(self, sets: np.ndarray, totals: Array, cost: Array, most: float) -> tuple[np.ndarray, Array]:
        """Sets [sets, count] and their costs without those to avoid, but with what is left of them.

        A set of fewer rates, the last of them repeated in its row, lies in one that is listed as long as some other
        rate can join it; where there are few rates each may make it one to avoid.
        """
        if not self.avoid or not len(sets):
            return sets, totals
        free = ~np.any([self._near(rate) for one in self.avoid for rate in one], axis=0)
        kept = np.array([not self._avoided(tuple(self.at[row])) for row in sets], dtype=bool)
        left = set()
        if free.sum() < sets.shape[1]:
            start = [frozenset(row) for row in sets[~kept].tolist()]
            while start:
                self._tick()
                one = start.pop()
                wrong = [rates for rates in self.avoid if avoided(tuple(self.at[list(one)]), (rates,), self.apart)]
                if wrong:
                    start += [one.difference(np.flatnonzero(self._near(rate)).tolist()) for rate in wrong[0]]
                elif one:
                    left.add(tuple(sorted(one)))
        sets, totals = sets[kept], totals[kept]
        more = np.array([_filled(rates, sets.shape[1]) for rates in sorted(left)], dtype=int)
        more = more.reshape(-1, sets.shape[1])
        total = whole(cost[more].min(axis=1), self.stack.worst)
        return np.concatenate((sets, more[total <= most])), np.concatenate((totals, total[total <= most]))

    def _near(self, rate: float) -> np.ndarray:
        """Which of the compared rates are too near to one to avoid [rates]."""
        return np.asarray(np.abs(self.at - rate) <= self.apart * rate)

    def _priced(self, goal: str, prices: Prices) -> Array:
        """What each point adds to `goal` at each rate at least, prices included [rates, points]."""

        def cost(part: Options, at: Array) -> Array:
            own = part.excess if goal == "excess" else self._value_of(part)
            return np.where(own < BIG / 2, own + prices.of(part, at), BIG)

        return self._each(cost)

    def _prices(self, chosen: tuple[int, ...], goal: str) -> Prices | None:
        """Prices that bound a set of rates well, taken from its first rate; None where they prove nothing."""
        if self.stack.worst:
            return None  # they add up, and of the worst point nothing does
        if not self._rules.rows:
            air = self._price_of_air(chosen, goal)
            return Prices(np.zeros(1), np.zeros(1), air, 0.0, air * ROOM) if air else None
        at = self.at[list(chosen)[:1]]
        part = self._options_at(at)
        cost = part.excess if goal == "excess" else self._value_of(part)
        usable = cost[0] < BIG / 2
        if not usable.any(axis=1).all():
            return None
        limit = self.best + TIE if goal == "value" and self.best > TIE else None
        return self._rules.prices(float(at[0]), part, cost[0], usable, limit)

    def _value_of(self, part: Options) -> Array:
        """Value of the options that settings of least X may contain; BIG for others."""
        return np.where(part.excess <= self._room_of_one(), self._worth(part), BIG)

    def _worth(self, part: Options) -> Array:
        """What options add to the value, or (worst) at least make of it."""
        return part.error + self.rest if self.stack.worst else part.value

    def _room_of_one(self) -> Array:
        """How much excess one point's option may have [points, 1] when all others have their least."""
        least = np.where(self.least < BIG / 2, self.least, np.inf).min(axis=0)
        if self.stack.worst:
            return np.full((len(least), 1), self.best + TIE + TINY)
        return np.asarray(self.best + TIE + TINY + _INSIDE - least.sum() + least)[:, None]

    def _price_of_air(self, chosen: tuple[int, ...], goal: str) -> float:
        """The multiplier on the air that bounds a set best; 0 for the worst point, where it proves nothing."""
        if self.stack.worst:
            return 0.0
        part = union(self._options_at(self.at[list(chosen)]))
        cost = part.excess if goal == "excess" else self._value_of(part)
        found = float(price(cost, part.air).multiplier[0])
        return found if found < BIG / 1e6 else 0.0

    def _intervals(self, goal: str, prices: Prices, most: float) -> list[tuple[float, Cell]]:
        """The intervals between neighbouring rates.

        What an option costs there is linear, the least of options concave: a sum of such is least at an end, and so is
        each point's part of the largest.
        """
        size = max(1, BATCH // (self.stack.stroke.size * self.stack.screws))
        cells = []
        for k in range(0, len(self.at) - 1, size):
            self._tick()
            near = self.neighbour[k : k + size]
            lows, highs = self.at[:-1][k : k + size][near], self.at[1:][k : k + size][near]
            middle = (lows + highs) / 2
            ends = [self._rules.kept(options(self.stack, at, middle), middle) for at in (lows, highs)]
            costs = [end.excess for end in ends]
            if goal == "value":  # an option may have too much excess at both ends only if it has so inside
                held = np.minimum(ends[0].excess, ends[1].excess) <= self._room_of_one()
                costs = [np.where(held, self._worth(end), BIG) for end in ends]
            least = [(cost + prices.of(end, at)).min(axis=2) for cost, end, at in
                     zip(costs, ends, (lows, highs), strict=True)]  # fmt: skip
            if self.stack.worst:
                totals = whole(np.minimum(*least), True)
            else:
                totals = np.minimum(whole(least[0], False), whole(least[1], False))
            for n in np.flatnonzero(totals <= most + _INSIDE).tolist():
                cells += [(float(totals[n]) - prices.const - _INSIDE, Cell((), low, high))
                          for low, high in self._outside(float(lows[n]), float(highs[n]))]  # fmt: skip
        return cells

    def _outside(self, low: float, high: float) -> list[tuple[float, float]]:
        """The parts of an interval that lie apart from the rates to avoid."""
        parts = [(low, high)]
        for (rate,) in self.avoid:
            start, end = rate * (1 - self.apart - ROUNDING), rate * (1 + self.apart + ROUNDING)
            parts = [piece for a, b in parts for piece in ((a, min(b, start)), (max(a, end), b))
                     if piece[0] < piece[1]]  # fmt: skip
        return list(dict.fromkeys(parts))

    def _look_inside(self, cost: Array, most: float, goal: str, totals: list[float]) -> None:
        """Whether something between compared rates could be better, where several generators run on a free dial.

        Their intervals are not decided. With one multiplier throughout, a set with an interval costs no less than with
        one of its ends; for the worst point, than with the better end for each point.
        """
        limit = (self.best if goal == "excess" else self.value) - TIE
        least = min(totals, default=np.inf)
        better = least < limit
        if self.stack.worst:
            ends = np.vstack([cost, np.minimum(cost[:-1], cost[1:])[self.neighbour]])
            try:
                sets, bounds = sets_below(ends, self.stack.count, most - 2 * TIE, True, self._tick)
                better, least = bool((sets >= len(cost)).any()), float(bounds.min(initial=np.inf))
            except TooManySets:
                better, least = True, -np.inf
        if better:
            self.open_inside = True
            self.bound[goal] = min(least, limit)

    # Stages

    def _stage(self, goal: str) -> None:
        if goal == "value":
            self.bound["value"] = -np.inf
        try:
            cells = self._cells(goal)
        except TooManySets:
            self.open_inside |= self.stack.count > 1 and slides(self.stack)  # which is not looked at then
            self._together(np.arange(len(self.at)), goal)
            return
        if self._rules.rows and self.stack.count > 1 and len(cells) > _MODELS:
            self._together(np.unique([r for _, cell in cells for r in cell.rates]), goal)
            return
        bounds = np.array([bound for bound, _ in cells])
        width = min(self.stack.count, len(self.at))
        sets = np.array([_filled(cell.rates or (0,), width) for _, cell in cells], dtype=int).reshape(-1, width)
        inside = np.array([cell.inside for _, cell in cells], dtype=bool)
        still = np.ones(len(cells), dtype=bool)
        own = np.zeros(len(cells), dtype=bool)  # cells that their own prices bound
        while still.any():
            n = int(np.where(still, bounds, np.inf).argmin())
            cell = cells[n][1]
            if bounds[n] > self._limit(goal):
                self.closed["a better answer"] += int(still.sum())
                break
            if not self.open_inside:
                self.bound[goal] = min(float(bounds[n]), self.best if goal == "excess" else self.value)
            self._tick()
            if not own[n] and self._prices_itself(cell) and (prices := self._prices(cell.rates, goal)) is not None:
                own[n] = True
                lower = whole(self._priced(goal, prices)[sets].min(axis=1), False) - prices.const
                bounds = np.where(inside, bounds, np.maximum(bounds, lower))
                continue
            still[n] = False
            if goal == "excess":
                exact = self._decide(cell, goal)
                bounds[n] = np.inf if exact is None else exact
            elif all(cell != known for _, _, known in self.decided):
                self._decide(cell, goal)
        if goal == "excess" and self.best > TIE and not (self.avoid and slides(self.stack)):
            # Settings of least excess are in these alone; beside sets to avoid there may be more.
            self.left = np.unique(sets[(bounds <= self.best + TIE) & ~inside], axis=0)
        if not self.open_inside:
            self.bound[goal] = self.best if goal == "excess" else self.value

    def _prices_itself(self, cell: Cell) -> bool:
        """Whether a cell is worth prices of its own before it is decided."""
        return (bool(self._rules.rows) or self.stack.count > 1) and not self.stack.worst and not cell.inside

    def _together(self, at: np.ndarray, goal: str) -> None:
        """All sets of some rates in one model."""
        cell = Cell(tuple(at.tolist()))
        found = self._by_model(cell, goal)
        if found is not None:
            self._take(found, cell, goal)

    def _decide(self, cell: Cell, goal: str) -> float | None:
        """The least of `goal` in a cell, and its settings; None where it has none or none that is better."""
        if not cell.inside and self._avoided(tuple(self.at[list(cell.rates)])):
            return None
        found = self._exactly(cell, goal)
        if found is None:
            return None
        return self._take(found, cell, goal)

    def _take(self, settings: Settings, cell: Cell, goal: str) -> float:
        verdict = self._found(settings)
        if not verdict.allowed or self._avoided(settings.generators):
            raise SolverError("the judge does not confirm an answer of the search")
        if goal == "excess":
            self.best = min(self.best, verdict.least)
            return verdict.least
        if verdict.least > self.best + 1.1 * TIE:
            raise SolverError("the judge finds more excess than the search")
        self.value = min(self.value, verdict.value)
        self.decided.append((verdict.value, settings, cell))
        return verdict.value

    def _exactly(self, cell: Cell, goal: str) -> Settings | None:
        if self._rules.rows or cell.inside:
            return self._by_model(cell, goal)
        try:
            found = self._at_rates(cell).least(goal)
            self.closed["merging the points"] += 1
            return found
        except TooManyLabels:
            return self._by_model(cell, goal)

    def _at_rates(self, cell: Cell) -> AtRates:
        room = self._room_of_one() if self.compared_excess else np.empty(0)
        at = self.at[list(cell.rates)]
        return AtRates(self.stack, at, self._options_at(at), self.best, self.value, room)

    def _options_at(self, at: Array) -> Options:
        return self._rules.kept(options(self.stack, at), at)

    def _by_model(self, cell: Cell, goal: str) -> Settings | None:
        """Settings of a cell with the least of `goal`, no worse than what was found."""
        limits: dict[str, float] = {}
        if goal == "value":
            limits["excess"] = self.best
        if cell.inside and np.isfinite(best := self.best if goal == "excess" else self.value):
            limits[goal] = best
        self.closed["the mixed-integer model (to its solver's tolerance)"] += 1
        try:
            found = self._modelled(cell, goal, limits)
        except mip.NoProof as stop:
            if stop.settings is not None:
                self._found(stop.settings)
            raise Stopped(stop.status) from None
        return None if found is None else found.settings

    def _modelled(self, cell: Cell, goal: str, limits: Mapping[str, float]) -> proving.Proved | None:
        if cell.inside:
            return proving.least(Sliding(self.stack, cell.low, cell.high), goal, limits, deadline=self.deadline)
        at = self.at[list(cell.rates)].tolist()
        part = self._options_at(np.array(at))
        usable = useful(self.stack, part)
        if goal == "value":
            usable &= part.excess <= self._room_of_one()
        return proving.choose(self.stack, at, goal, limits, self.deadline, usable, avoid=self.avoid, apart=self.apart)

    def _settle(self) -> Settings:
        """Of the settings that tie those with the lowest rates, compared in rising order; of these the preferred."""
        ties = [(settings.generators, settings, cell) for value, settings, cell in self.decided
                if value <= self.value + TIE]  # fmt: skip
        if not ties:
            raise SolverError("the search lost its best settings")
        _, settings, cell = min(ties, key=lambda tie: tie[0])
        if not self._rules.rows and not cell.inside:
            with contextlib.suppress(TooManyLabels):  # then any of those that tie will do; this one is always the same
                settings = self._at_rates(cell).least("value", settle=True) or settings
        verdict = judge(self.stack, settings)
        if not (verdict.allowed and verdict.least <= self.best + 1.1 * TIE and verdict.value <= self.value + 1.1 * TIE):
            raise SolverError("the judge does not confirm the answer of the search")
        return settings


def _filled(rates: tuple[int, ...], width: int) -> tuple[int, ...]:
    """A set of rates as a row of a table, its last one repeated."""
    return rates + rates[-1:] * (width - len(rates))


def _choices(rates: int, count: int) -> int:
    found = 1
    for k in range(min(count, rates)):
        found = found * (rates - k) // (k + 1)
    return found
