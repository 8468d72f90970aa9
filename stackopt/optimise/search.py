"""The search: scan, price, merge, prove.

A cell is one rate, or, on a free dial with drive air, the open interval between two neighbouring ones (there the
best can only lie where capacity is met). First the least excess X is found over all cells, then the least value
among settings with X within 1e-9 of it. A cell is closed as soon as a bound shows that it cannot do better; what no
bound closes is decided by merging the points' options, or, where that grows too large, by the model.
"""

import time
from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from stackopt.errors import SolverError
from stackopt.judge import ROOM, Settings, judge
from stackopt.optimise import mip
from stackopt.optimise.merge import Limits, TooManyLabels, merge, preferred
from stackopt.optimise.price import price
from stackopt.optimise.scan import BATCH, BIG, options, rates, scan
from stackopt.stack import Array, Stack

TIE = 1e-9  # values this close tie, and X may exceed its least by this much
TINY = 1e-12  # what rounding does to a sum of excess or value
_FIRST = 4  # cells looked at closely before the others, to have an answer to beat


@dataclass(frozen=True)
class Outcome:
    """Settings, and what is proved about them."""

    status: str  # optimal | infeasible | time limit | interrupted
    settings: Settings | None
    excess_bound: float | None  # no settings have a smaller X
    value_bound: float | None  # none of least X have a smaller value
    closed: dict[str, int] = field(default_factory=dict)  # cells, by the argument that closed them


class _TimeUp(Exception):
    pass


def search(stack: Stack, avoid: tuple[float, ...] = ()) -> Outcome:
    """Find and prove the best settings of `stack`, at none of the rates `avoid` [1/min].

    >>> from stackopt.stack import Stack, _example
    >>> outcome = search(Stack.of(_example()))
    >>> outcome.status, outcome.settings.rate
    ('optimal', 6.0)
    """
    hunt = _Hunt(stack, avoid)
    try:
        return hunt.run()
    except _TimeUp:
        return hunt.stopped("time limit")
    except KeyboardInterrupt:
        return hunt.stopped("interrupted")


class _Hunt:
    """One run. Arrays are [cells]; a cell lies from rate `low` to rate `high`, single rates first."""

    def __init__(self, stack: Stack, avoid: tuple[float, ...]) -> None:
        self.stack = stack
        self.avoid = avoid
        self.deadline = time.monotonic() + stack.time_limit
        self.closed: Counter[str] = Counter()
        self.best = np.inf  # least X found
        self.best_rate: float | None = None
        self.value = np.inf  # least value found among settings of least X
        self.proved_excess = False
        self.low = self.high = self.bound = self.price = self.value_bound = np.empty(0)

    def run(self) -> Outcome:
        if not self._cells():
            return Outcome("infeasible", None, None, None)
        self._least_excess()
        self.proved_excess = True
        rate = self._least_value()
        settings = self._settle(rate)
        return Outcome("optimal", settings, self.best, self.value, dict(self.closed))

    def stopped(self, status: str) -> Outcome:
        """The best found so far, and the bounds that hold."""
        if not len(self.low):
            return Outcome(status, None, None, None)
        excess = self.best if self.proved_excess else float(min(self.bound.min(), self.best))
        value = None
        if self.proved_excess and len(self.value_bound):
            value = float(min(self.value_bound.min(), self.value))
        settings = None if self.best_rate is None else self._rounded(self.best_rate)
        return Outcome(status, settings, excess, value, dict(self.closed))

    def _tick(self) -> None:
        if time.monotonic() > self.deadline:
            raise _TimeUp

    # Cells

    def _cells(self) -> bool:
        """Scan all rates; False where no setting keeps the hard rules at any."""
        stack = self.stack
        at = rates(stack)
        seen = scan(stack, at, self._tick)
        allowed = seen.allowed & ~np.isin(at, self.avoid)
        single = np.flatnonzero(allowed)
        fits = single[seen.air[single] <= ROOM]
        if len(fits):
            found = fits[seen.excess[fits].argmin()]
            self.best, self.best_rate = float(seen.excess[found]), float(at[found])
        self.low = self.high = at[single]
        self.bound = seen.excess[single]
        if stack.step is None and np.nansum(stack.drive) > 0:
            # Inside an interval only settings that meet capacity there can beat both of its ends.
            inside = np.flatnonzero((seen.least_air[:-1] < 1) & (seen.excess[:-1] < BIG / 2))
            self.low = np.r_[self.low, at[inside]]
            self.high = np.r_[self.high, at[inside + 1]]
            self.bound = np.r_[self.bound, np.minimum(seen.excess[inside], seen.excess[inside + 1])]
        self.price = np.zeros(len(self.low))
        return len(single) > 0

    def _options(self, cell: int):
        """Excess, value and air of a cell's options at its ends, each [ends, points, options]."""
        low, high = self.low[cell], self.high[cell]
        if low == high:
            return options(self.stack, np.array([low]))
        middle = (low + high) / 2
        return options(self.stack, np.array([low, high]), np.array([middle, middle]))

    def _batches(self, cells: np.ndarray):
        """Cells in groups small enough to be worked on at once; the first group is short."""
        size = max(1, BATCH // (self.stack.stroke.size * self.stack.flow.shape[1]))
        start = 0
        while start < len(cells):
            end = start + min(size, _FIRST if start == 0 else size)
            yield cells[start:end]
            start = end

    # First stage: the least excess

    def _least_excess(self) -> None:
        order = np.argsort(self.bound, kind="stable")
        order = order[self.bound[order] < self.best - TINY]
        self.closed["doses and windows alone"] = len(self.low) - len(order)
        single = order[self.low[order] == self.high[order]]
        for cells in self._batches(single):
            cells = cells[self.bound[cells] < self.best - TINY]
            if len(cells):
                self._tick()
                excess, _, air = options(self.stack, self.low[cells])
                priced = price(excess, air)
                self.bound[cells] = np.maximum(self.bound[cells], priced.bound)
                self.price[cells] = priced.multiplier
                self._better(float(priced.cost.min()), self.low[cells[priced.cost.argmin()]])
        for cell in order[self.low[order] < self.high[order]]:
            if self.bound[cell] < self.best - TINY:
                self._tick()
                excess, _, air = self._options(cell)
                bound, self.price[cell] = _price_between(excess, air)
                self.bound[cell] = max(self.bound[cell], bound)
        order = order[np.argsort(self.bound[order], kind="stable")]
        for n, cell in enumerate(order):
            if self.bound[cell] >= self.best - TINY:
                self.closed["price of the air"] += len(order) - n
                break
            self._tick()
            self._exact_excess(cell)

    def _better(self, excess: float, rate: float) -> None:
        if excess < self.best:
            self.best, self.best_rate = excess, float(rate)

    def _exact_excess(self, cell: int) -> None:
        excess, _, air = self._options(cell)
        m, most = self.price[cell], self.best - TINY
        try:
            if len(excess) == 1:
                within = Limits(np.array([[[1, m]], [[0, 1.0]]]), np.array([[most + m * ROOM], [ROOM]]))
                merged = merge(np.stack((excess[0], air[0]), axis=-1), within, goal=0, offset=m * ROOM)
                least = most if merged is None else float(merged.labels[:, 0].min())
                self._better(least if merged is not None else np.inf, self.low[cell])
                self.bound[cell] = max(self.bound[cell], least)
            else:
                for rate, _, _ in self._meeting(cell, most, None):
                    self._single(rate)
                    break
                self.bound[cell] = max(self.bound[cell], min(self.best, most))
            self.closed["merging the points"] += 1
        except TooManyLabels:
            self._model_excess(cell)

    def _single(self, rate: float) -> None:
        """A new cell of one rate, inside an interval where capacity is met there."""
        excess, _, air = options(self.stack, np.array([rate]))
        priced = price(excess, air)
        self.low = np.r_[self.low, rate]
        self.high = np.r_[self.high, rate]
        self.bound = np.r_[self.bound, priced.bound]
        self.price = np.r_[self.price, priced.multiplier]
        if len(self.value_bound):
            self.value_bound = np.r_[self.value_bound, -np.inf]
        self._better(float(priced.cost[0]), rate)
        if not self.proved_excess and self.bound[-1] < self.best - TINY:
            self._exact_excess(len(self.low) - 1)

    def _meeting(self, cell: int, most: float, value: tuple[float, float] | None) -> list[tuple]:
        """Choices that meet capacity inside an interval: (rate, X, value), the best first.

        Only those that can have X up to `most` and, given (value, its multiplier), value up to that.
        """
        excess, cost, air = self._options(cell)
        most += 3 * TIE  # inside, an excess within 1e-9 counts as none, which a straight line does not know
        m = self.price[cell]
        ends = np.stack((*excess, *air, *cost), axis=-1)  # x low, x high, a low, a high, v low, v high
        weights = [[[1, 0, m, 0, 0, 0], [0, 1, 0, m, 0, 0]], [[0, 0, 1.0, 0, 0, 0]] * 2]
        limits = [[most + m * ROOM] * 2, [ROOM] * 2]
        if value is not None:
            v, n = value
            weights.append([[0, 0, n, 0, 1, 0], [0, 0, 0, n, 0, 1]])
            limits.append([v + 3 * TIE + n * ROOM] * 2)
        else:
            ends, weights = ends[..., :4], [[w[:4] for w in group] for group in weights]
        merged = merge(ends, Limits(np.array(weights, dtype=float), np.array(limits)))
        if merged is None:
            return []
        labels = merged.labels
        labels = labels[(labels[:, 2] < 1) & (labels[:, 3] > 1)]
        part = (1 - labels[:, 2]) / (labels[:, 3] - labels[:, 2])
        x = labels[:, 0] + part * (labels[:, 1] - labels[:, 0])
        v = labels[:, 4] + part * (labels[:, 5] - labels[:, 4]) if value is not None else np.zeros(len(x))
        rate = self.low[cell] + part * (self.high[cell] - self.low[cell])
        good = (x <= most) & ((value is None) | (v <= (value or (0, 0))[0] + 3 * TIE))
        found = sorted(zip(rate[good], x[good], v[good], strict=True), key=lambda f: (f[2], f[1], f[0]))
        return [f for f in found if self.low[cell] < f[0] < self.high[cell] and f[0] not in self.avoid]

    # Second stage: the least value

    def _least_value(self) -> float:
        """The lowest rate at which the least value is reached, to within a tie."""
        limit = self.best + TIE
        self.value_bound = np.where(self.bound <= limit, -np.inf, np.inf)
        known = np.isinf(self.value_bound) & (self.value_bound > 0)  # cells whose value is known exactly
        multiplier = np.zeros(len(self.low))
        single = np.flatnonzero((self.value_bound < 0) & (self.low == self.high))
        for cells in self._batches(single):
            self._tick()
            excess, value, air = options(self.stack, self.low[cells])
            value = self._within(cells, excess, value, air)
            priced = price(value, air)
            bound = np.where(priced.bound < BIG / 2, priced.bound, np.inf)
            pick = np.take_along_axis(excess, priced.choice[:, :, None], axis=2).sum(axis=(1, 2))
            good = (pick <= limit) & (priced.cost < BIG / 2)
            known[cells] = ~np.isfinite(bound) | (good & (priced.multiplier == 0))
            self.value_bound[cells] = bound
            multiplier[cells] = priced.multiplier
            for cell, cost in zip(cells[good], priced.cost[good], strict=True):
                self._cheaper(float(cost), self.low[cell])
        for cell in np.flatnonzero((self.value_bound < 0) & (self.low < self.high)):
            self._tick()
            excess, value, air = self._options(cell)
            value = np.where(self._matters(cell, excess, air), value, BIG)
            bound, m = _price_between(value, air)
            self.value_bound[cell] = bound if bound < BIG / 2 else np.inf
            multiplier[cell] = m
        exact = {int(c): self.value_bound[c] for c in np.flatnonzero(known & np.isfinite(self.value_bound))}
        order = np.argsort(self.value_bound, kind="stable")
        for cell in order:
            if self.value_bound[cell] > self.value + TIE:
                break
            if cell not in exact:
                self._tick()
                self._exact_value(int(cell), float(multiplier[cell]), exact)
        self.closed["value"] = int(np.isfinite(self.value_bound).sum()) - len(exact)
        ties = [self.low[cell] for cell, value in exact.items() if value <= self.value + TIE]
        if not ties:
            raise SolverError("the search lost its best settings")
        return float(min(ties))

    def _cheaper(self, value: float, rate: float) -> None:
        if value < self.value:
            self.value, self.best_rate = value, float(rate)

    def _matters(self, cell, excess: Array, air: Array) -> np.ndarray:
        """Options that a choice with X within a tie of the least can contain; [ends, points, options]."""
        m = self.price[cell]
        score = excess + np.reshape(m, (-1, 1, 1)) * air
        least = score.min(axis=2, keepdims=True)
        spare = self.best + TIE + m * ROOM - least.sum(axis=(1, 2)) + TINY
        held = score - least <= np.reshape(spare, (-1, 1, 1))
        if excess.shape[0] == 2 and np.ndim(m) == 0:
            held = np.broadcast_to((score - least <= spare.max() + 3 * TIE).any(axis=0), excess.shape)
        return held

    def _within(self, cells: np.ndarray, excess: Array, value: Array, air: Array) -> Array:
        return np.where(self._matters(cells, excess, air), value, BIG)

    def _exact_value(self, cell: int, m: float, exact: dict[int, float]) -> None:
        limit = self.best + TIE
        try:
            if self.low[cell] < self.high[cell]:
                for rate, _, value in self._meeting(cell, limit, (self.value + TIE, m)):
                    if value > self.value + 4 * TIE:
                        break
                    self._single(rate)
                    new = len(self.low) - 1
                    if self.bound[new] <= limit:
                        self._exact_value(new, m, exact)
                return
            merged = self._merge_value(self.low[cell], self.price[cell], self.value, m)
            if merged is not None:
                exact[cell] = self.value_bound[cell] = float(merged.labels[:, 1].min())
                self._cheaper(exact[cell], self.low[cell])
            else:
                exact[cell] = self.value_bound[cell] = np.inf
        except TooManyLabels:
            self._model_value(cell, exact)

    def _merge_value(self, rate: float, price_x: float, value: float, price_v: float):
        """Merge at one rate: choices with X within a tie of the least and at most a tie above `value`."""
        excess, cost, air = options(self.stack, np.array([rate]))
        limits = self._limits(price_x, value, price_v)
        return merge(np.stack((excess[0], cost[0], air[0]), axis=-1), limits, goal=1, offset=TIE + price_v * ROOM)

    def _limits(self, price_x: float, value: float, price_v: float) -> Limits:
        most = self.best + TIE
        weights = [[[0, 1, price_v]], [[1, 0, price_x]], [[0, 1, 0.0]], [[1, 0, 0.0]], [[0, 0, 1.0]]]
        limits = [[value + TIE + price_v * ROOM], [most + price_x * ROOM], [value + TIE], [most], [ROOM]]
        return Limits(np.array(weights, dtype=float), np.array(limits))

    # The settings

    def _settle(self, rate: float) -> Settings:
        """The preferred settings at `rate` of those that tie."""
        excess, cost, air = options(self.stack, np.array([rate]))
        price_x = float(price(excess, air).multiplier[0])
        spare = excess + price_x * air
        least = spare.min(axis=2, keepdims=True)
        matters = spare - least <= self.best + TIE + price_x * ROOM - least.sum() + TINY
        price_v = float(price(np.where(matters, cost, BIG), air).multiplier[0])
        limits = self._limits(price_x, self.value, price_v)
        try:
            merged = merge(np.stack((excess[0], cost[0], air[0]), axis=-1), limits)
            if merged is None:
                raise SolverError("the settings that were proved best could not be found again")
            settings = self._settings(rate, preferred(merged, limits))
        except TooManyLabels:
            try:
                settings = mip.preferred(self.stack, rate, self.best, self.value, self.deadline)
            except mip.NoProof:
                raise _TimeUp from None
        return self._checked(settings)

    def _settings(self, rate: float, choice: np.ndarray) -> Settings:
        screws = self.stack.flow.shape[1]
        return Settings(float(rate), tuple((choice // screws).tolist()), tuple((choice % screws).tolist()))

    def _checked(self, settings: Settings) -> Settings:
        """The settings, if the judge confirms them."""
        verdict = judge(self.stack, settings)
        if not verdict.allowed or verdict.least > self.best + 1.1 * TIE or verdict.value > self.value + 1.1 * TIE:
            raise SolverError("the judge does not confirm the answer of the search")
        return settings

    def _rounded(self, rate: float) -> Settings | None:
        """Settings at `rate` that keep the hard rules, by pricing alone; the better of two roundings."""
        excess, cost, air = options(self.stack, np.array([rate]))
        found = []
        for by in (excess, np.where(self._matters_at(excess), cost, BIG)):
            priced = price(by, air)
            if priced.cost[0] < BIG / 2:
                settings = self._settings(rate, priced.choice[0])
                verdict = judge(self.stack, settings)
                if verdict.allowed:
                    found.append((verdict.least, verdict.value, settings))
        return min(found, key=lambda f: f[:2])[2] if found else None

    def _matters_at(self, excess: Array) -> np.ndarray:
        return excess - excess.min(axis=2, keepdims=True) <= TIE

    # Where merging grows too large

    def _model_excess(self, cell: int) -> None:
        proved = self._model(cell, None)
        self.bound[cell] = np.inf if proved is None else max(self.bound[cell], proved.excess)
        if proved is not None:
            self._better(proved.excess, proved.settings.rate)

    def _model_value(self, cell: int, exact: dict[int, float]) -> None:
        proved = self._model(cell, self.best)
        exact[cell] = self.value_bound[cell] = np.inf
        if proved is not None:
            if self.low[cell] < self.high[cell]:
                self._single(proved.settings.rate)
                cell = len(self.low) - 1
            exact[cell] = self.value_bound[cell] = proved.value
            self._cheaper(proved.value, proved.settings.rate)

    def _model(self, cell: int, excess: float | None) -> mip.Proved | None:
        self.closed["the mixed-integer model"] += 1
        try:
            return mip.solve(self.stack, self.low[cell], self.high[cell], deadline=self.deadline, excess=excess)
        except mip.NoProof:
            raise _TimeUp from None


def _price_between(cost: Array, air: Array) -> tuple[float, float]:
    """Bound and multiplier for an interval: one multiplier for both ends [2, points, options].

    Every choice's priced cost is linear in the rate, so over the interval it is least at an end: the bound is
    the larger, over multipliers, of the smaller end. (Taking the best multiplier at each end apart proves nothing.)
    """

    def at(m: float):
        priced = cost + m * air
        pick = priced.argmin(axis=2)[:, :, None]
        whole = np.take_along_axis(priced, pick, axis=2).sum(axis=(1, 2)) - m * ROOM
        end = int(whole.argmin())
        return float(whole[end]), float(np.take_along_axis(air, pick, axis=2).sum(axis=(1, 2))[end]) - ROOM

    below, above = 0.0, 1.0
    best = at(0.0)
    best, m = best[0], 0.0
    if at(0.0)[1] <= 0:
        return best, m
    while at(above)[1] > 0 and above < 1e6:
        above *= 4
    for _ in range(40):
        middle = (below + above) / 2
        bound, slope = at(middle)
        if bound > best:
            best, m = bound, middle
        below, above = (middle, above) if slope > 0 else (below, middle)
    return best, m
