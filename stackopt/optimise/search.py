"""The search: scan, price, merge, prove.

A cell is one rate, or, on a free dial with drive air, the open interval between two neighbouring ones (there the
best can only lie where capacity is met). First the least excess X is found over all cells, then the least value
among settings with X within 1e-9 of it. A cell is closed as soon as a bound shows that it cannot do better; what no
bound closes is decided by merging the points' options, or, where that grows too large, by the model.
"""

import time
from collections import Counter
from collections.abc import Iterator

import numpy as np

from stackopt.errors import SolverError
from stackopt.judge import ROOM, TIE, Settings, judge
from stackopt.optimise import coupled, mip, pressure, proving
from stackopt.optimise.between import meeting, price_between
from stackopt.optimise.merge import Limits, Merged, TooManyLabels, merge, preferred
from stackopt.optimise.outcome import TINY, Outcome, Stopped
from stackopt.optimise.price import price, priced_at
from stackopt.optimise.scan import BATCH, BIG, beside, options, rates, scan
from stackopt.stack import Array, Stack

_QUICK = 8  # points that a first, quick merge lets differ from their cheapest option
_FIRST = 4  # cells looked at closely before the others, to have an answer to beat


def search(stack: Stack, avoid: tuple[tuple[float, ...], ...] = (), apart: float = TIE) -> Outcome:
    """Find and prove the best settings of `stack`, with none of the rates `avoid` within a share `apart`.

    Args:
        stack: The machine.
        avoid: Rates of other answers [1/min], as `Settings.generators` has them.
        apart: How near to these no rate may be, as a share of them.

    >>> from stackopt.stack import Stack, _example
    >>> outcome = search(Stack.of(_example()))
    >>> outcome.status, outcome.settings.rate
    ('optimal', 6.0)
    """
    kind = pressure.Hunt if stack.line is not None else coupled.Hunt if coupled.needs(stack) else _Hunt
    hunt = kind(stack, avoid, apart)
    try:
        return hunt.run()
    except Stopped as stop:
        return hunt.stopped(str(stop))
    except KeyboardInterrupt:
        return hunt.stopped("interrupted")


class _Hunt:
    """One run. Arrays are [cells]; a cell lies from rate `low` to rate `high`, equal for a single rate."""

    def __init__(self, stack: Stack, avoid: tuple[tuple[float, ...], ...], apart: float) -> None:
        self.stack = stack
        self.avoid = np.array([rate for (rate,) in avoid])
        self.apart = apart
        self.deadline = time.monotonic() + stack.time_limit
        self.closed: Counter[str] = Counter()
        self.best = np.inf  # least X found
        self.value = np.inf  # least value found among settings of least X
        self.best_rate: float | None = None
        self.proved_excess = False
        self.low = self.high = np.empty(0)
        self.bound = self.price = np.empty(0)  # on X, and the multiplier that gave it
        self.value_bound = self.value_price = np.empty(0)  # the same on the value
        self.exact: dict[int, float] = {}  # cells whose least value is known
        self.merged: dict[int, Merged] = {}
        self.judged: dict[int, Settings] = {}  # settings that reach the least value of a cell, by other means
        self.only: dict[int, np.ndarray] = {}  # the choice of a cell where no other ties with it

    def run(self) -> Outcome:
        if not self._cells():
            return Outcome("infeasible", None, None, None)
        self._least_excess()
        self.proved_excess = True
        settings = self._settle(self._least_value())
        return Outcome("optimal", settings, self.best, self.value, dict(self.closed))

    def stopped(self, status: str) -> Outcome:
        """The best found so far, and the bounds that hold."""
        if not len(self.low):
            return Outcome(status, None, None, None)
        excess = self.best if self.proved_excess else float(min(self.bound.min(), self.best))
        value = float(min(self.value_bound.min(), self.value)) if len(self.value_bound) else -np.inf
        settings = None if self.best_rate is None else self._rounded(self.best_rate)
        return Outcome(status, settings, excess, value if np.isfinite(value) else None, dict(self.closed))

    def _tick(self) -> None:
        if time.monotonic() > self.deadline:
            raise Stopped("time limit")

    # Cells

    def _cells(self) -> bool:
        """Scan all rates; False where no setting keeps the hard rules at any."""
        stack = self.stack
        at = rates(stack, beside(self.avoid.tolist(), self.apart))
        skip = self._avoided(at)
        seen = scan(stack, at, skip, self._tick)
        single = np.flatnonzero(seen.allowed & ~skip)
        fits = single[seen.air[single] <= ROOM]
        if len(fits):
            found = fits[seen.excess[fits].argmin()]
            self._better(float(seen.excess[found]), at[found])
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

    def _avoided(self, at: Array) -> np.ndarray:
        return np.asarray((np.abs(at[:, None] - self.avoid) <= self.apart * self.avoid).any(axis=1))

    def _meeting(self, cell: int, excess: float, value: float | None) -> list[tuple[float, float]]:
        """Rates inside an interval where choices meet capacity, and what they cost there; see `between.meeting`."""
        by_value = None if value is None else (value, float(self.value_price[cell]))
        by_excess = (excess, float(self.price[cell]))
        found = meeting(self.low[cell], self.high[cell], self._options(cell), by_excess, by_value)
        return [(rate, cost) for rate, cost in found if not self._avoided(np.array([rate]))[0]]

    def _single(self, cell: int) -> bool:
        return bool(self.low[cell] == self.high[cell])

    def _options(self, cell: int) -> tuple[Array, Array, Array]:
        """Excess, value and air of a cell's options at its one or two rates, each [rates, points, options]."""
        low, high = self.low[cell], self.high[cell]
        if low == high:
            return self._priced(np.array([low]))
        middle = (low + high) / 2
        return self._priced(np.array([low, high]), np.array([middle, middle]))

    def _priced(self, at: Array, within: Array | None = None) -> tuple[Array, Array, Array]:
        found = options(self.stack, at, within)
        return found.excess, found.value, found.air

    def _batches(self, cells: np.ndarray, first: int = BATCH) -> Iterator[np.ndarray]:
        """Cells in groups small enough to be worked on at once; at most `first` in the first one."""
        size = max(1, BATCH // (self.stack.stroke.size * self.stack.flow.shape[1]))
        start = 0
        while start < len(cells):
            self._tick()
            end = start + (min(size, first) if start == 0 else size)
            yield cells[start:end]
            start = end

    def _add(self, rate: float) -> int:
        """A new cell of one rate, from inside an interval; its number."""
        excess, _, air = self._priced(np.array([rate]))
        priced = price(excess, air)
        self.low, self.high = np.r_[self.low, rate], np.r_[self.high, rate]
        self.bound, self.price = np.r_[self.bound, priced.bound], np.r_[self.price, priced.multiplier]
        if self.proved_excess:
            self.value_bound, self.value_price = np.r_[self.value_bound, np.inf], np.r_[self.value_price, 0.0]
        else:
            self._better(float(priced.cost[0]), rate)
        return len(self.low) - 1

    def _better(self, excess: float, rate: float) -> None:
        if excess < self.best:
            self.best, self.best_rate = excess, float(rate)

    def _cheaper(self, value: float, rate: float) -> None:
        if value < self.value:
            self.value, self.best_rate = value, float(rate)

    # First stage: the least excess

    def _least_excess(self) -> None:
        order = np.argsort(self.bound, kind="stable")
        order = order[self.bound[order] < self.best - TINY]
        self.closed["doses and windows alone"] = len(self.low) - len(order)
        single = order[self.low[order] == self.high[order]]
        guess = 0.0
        for cells in self._batches(single, _FIRST):
            cells = cells[self.bound[cells] < self.best - TINY]
            if not len(cells):
                continue
            excess, _, air = self._priced(self.low[cells])
            if guess > 0:  # the multiplier of a good cell closes most of the others at once
                self.bound[cells] = np.maximum(self.bound[cells], priced_at(excess, air, guess))
                self.price[cells] = guess
                open_ = self.bound[cells] < self.best - TINY
                cells, excess, air = cells[open_], excess[open_], air[open_]
            if len(cells):
                priced = price(excess, air)
                self.bound[cells] = np.maximum(self.bound[cells], priced.bound)
                self.price[cells] = priced.multiplier
                found = int(priced.cost.argmin())
                self._better(float(priced.cost[found]), self.low[cells[found]])
                guess = float(priced.multiplier[priced.bound.argmin()])
        for cell in order[self.low[order] < self.high[order]]:
            if self.bound[cell] < self.best - TINY:
                self._tick()
                excess, _, air = self._options(cell)
                bound, self.price[cell] = price_between(excess, air)
                self.bound[cell] = max(self.bound[cell], bound)
        order = order[np.argsort(self.bound[order], kind="stable")]
        for n, cell in enumerate(order):
            if self.bound[cell] >= self.best - TINY:
                self.closed["the price of the air"] += len(order) - n
                break
            self._tick()
            self._exact_excess(int(cell))

    def _exact_excess(self, cell: int) -> None:
        m, most = float(self.price[cell]), self.best - TINY
        try:
            if self._single(cell):
                excess, _, air = (part[0] for part in self._options(cell))
                for few in (_QUICK, 0) if len(self.stack.names) > 2 * _QUICK else (0,):
                    within = Limits(np.array([[[1, m]], [[0, 1.0]]]),
                                    np.array([[self.best - TINY + m * ROOM], [ROOM]]))  # fmt: skip
                    merged = merge(np.stack((excess, air), axis=-1), within, goal=0, offset=m * ROOM,
                                   few=few, thin=True)  # fmt: skip
                    if merged is not None:
                        self._better(float(merged.labels[:, 0].min()), self.low[cell])
            else:
                for rate, _ in self._meeting(cell, most, None)[:1]:
                    new = self._add(rate)
                    if self.bound[new] < self.best - TINY:
                        self._exact_excess(new)
            self.bound[cell] = max(self.bound[cell], min(self.best, most))
            self.closed["merging the points"] += 1
        except TooManyLabels:
            proved = self._model(cell, None)
            self.bound[cell] = np.inf if proved is None else max(self.bound[cell], proved.excess)
            if proved is not None:
                self._better(proved.excess, proved.settings.rate)

    # Second stage: the least value

    def _least_value(self) -> int:
        """The cell of the lowest rate at which the least value is reached, to within a tie."""
        limit = self.best + TIE
        candidates = np.flatnonzero(self.bound <= limit)
        self.value_bound = np.full(len(self.low), np.inf)
        self.value_price = np.zeros(len(self.low))
        self.value_bound[candidates] = -np.inf  # until it is known
        for cells in self._batches(candidates[self.low[candidates] == self.high[candidates]]):
            excess, value, air = self._priced(self.low[cells])
            value = np.where(self._matters(cells, excess, air), value, BIG)
            priced = price(value, air)
            bound = np.where(priced.bound < BIG / 2, priced.bound, np.inf)
            self.value_bound[cells], self.value_price[cells] = bound, priced.multiplier
            x = np.take_along_axis(excess, priced.choice[:, :, None], axis=2).sum(axis=(1, 2))
            good = np.where((x <= limit) & (priced.cost < BIG / 2), priced.cost, np.inf)
            found = int(good.argmin())
            self._cheaper(float(good[found]), self.low[cells[found]])
            # Where the air is ample that is the best of its cell, and the only one where nothing else is near it.
            near = (value <= value.min(axis=2, keepdims=True) + TIE + TINY).sum(axis=2).max(axis=1)
            for k in np.flatnonzero(np.isfinite(good) & (priced.multiplier == 0)).tolist():
                self.exact[int(cells[k])] = float(bound[k])
                self.judged[int(cells[k])] = self._settings(self.low[cells[k]], priced.choice[k])
                if near[k] == 1:
                    self.only[int(cells[k])] = priced.choice[k]
        for cell in candidates[self.low[candidates] < self.high[candidates]]:
            self._tick()
            excess, value, air = self._options(cell)
            held = self._matters(np.array([cell, cell]), excess, air, 3 * TIE).any(axis=0)
            least, self.value_price[cell] = price_between(np.where(held, value, BIG), air)
            self.value_bound[cell] = least if least < BIG / 2 else np.inf
        for cell in np.argsort(self.value_bound, kind="stable").tolist():
            if self.value_bound[cell] > self.value + TIE:
                break
            if cell not in self.exact:
                self._tick()
                self._exact_value(cell)
        ties = [cell for cell, value in self.exact.items() if value <= self.value + TIE]
        if not ties:
            raise SolverError("the search lost its best settings")
        return min(ties, key=lambda cell: self.low[cell])

    def _matters(self, cells: np.ndarray, excess: Array, air: Array, slack: float = 0.0) -> np.ndarray:
        """Options that a choice with X within a tie of the least can contain; [cells, points, options]."""
        m = self.price[cells]
        score = excess + m[:, None, None] * air
        least = score.min(axis=2, keepdims=True)
        spare = self.best + TIE + TINY + slack + m * ROOM - least.sum(axis=(1, 2))
        return np.asarray(score - least <= spare[:, None, None])

    def _exact_value(self, cell: int) -> None:
        try:
            if self._single(cell):
                merged = self._merge_value(cell)
                least = np.inf if merged is None else float(merged.labels[:, 1].min())
                self.exact[cell] = self.value_bound[cell] = least
                if merged is not None:
                    self.merged[cell] = merged
                    self._cheaper(least, self.low[cell])
            else:
                for rate, value in self._meeting(cell, self.best + TIE, self.value + TIE):
                    if value > self.value + 4 * TIE:
                        break
                    new = self._add(rate)
                    if self.bound[new] <= self.best + TIE:
                        self._exact_value(new)
                self.exact[cell] = self.value_bound[cell] = np.inf  # what is inside has cells of its own now
        except TooManyLabels:
            proved = self._model(cell, self.best)
            self.exact[cell] = self.value_bound[cell] = np.inf
            if proved is not None:
                new = cell if self._single(cell) else self._add(proved.settings.rate)
                self.exact[new] = self.value_bound[new] = proved.value
                self.judged[new] = proved.settings
                self._cheaper(proved.value, proved.settings.rate)

    def _merge_value(self, cell: int) -> Merged | None:
        """Merge at one rate: choices with X within a tie of the least and at most a tie above the best value."""
        excess, value, air = (part[0] for part in self._options(cell))
        m, n = float(self.price[cell]), float(self.value_price[cell])
        most = self.best + TIE
        parts = np.stack((excess, value, air), axis=-1)
        guide = None
        held = self._matters(np.array([cell]), excess[None], air[None])[0]
        parts[~held] = BIG
        if np.where(held, excess, 0.0).max(axis=1).sum() > most:
            # The excess couples the points too: what can be completed to the least is known from merging it alone.
            within = Limits(np.array([[[1, m]], [[1, 0.0]], [[0, 1.0]]]), np.array([[most + m * ROOM], [most], [ROOM]]))
            guide = merge(parts[..., [0, 2]], within, thin=True, forward=True)
            if guide is None:
                return None
        elif len(held) > 2 * _QUICK:
            quick = merge(parts, self._limits(cell), goal=1, offset=TIE + n * ROOM, few=_QUICK, thin=True)
            if quick is not None:
                self._cheaper(float(quick.labels[:, 1].min()), self.low[cell])
        return merge(parts, self._limits(cell), goal=1, offset=TIE + n * ROOM, guide=guide)

    def _limits(self, cell: int) -> Limits:
        m, n = float(self.price[cell]), float(self.value_price[cell])
        x, v = self.best + TIE, self.value + TIE
        weights = [[[0, 1, n]], [[1, 0, m]], [[0, 1, 0.0]], [[1, 0, 0.0]], [[0, 0, 1.0]]]
        return Limits(np.array(weights), np.array([[v + n * ROOM], [x + m * ROOM], [v], [x], [ROOM]]))

    # The settings

    def _settle(self, cell: int) -> Settings:
        """The preferred settings of those that tie at a cell of one rate, confirmed by the judge."""
        try:
            choice = self.only.get(cell)
            if choice is None:
                merged = self.merged.get(cell) or self._merge_value(cell)
                if merged is None:
                    raise SolverError("the settings that were proved best could not be found again")
                choice = preferred(merged, self._limits(cell))
            settings = self._settings(self.low[cell], choice)
        except TooManyLabels:
            settings = self._preferred_by_model(cell)
        if not self._confirmed(settings):
            raise SolverError("the judge does not confirm the answer of the search")
        return settings

    def _confirmed(self, settings: Settings) -> bool:
        verdict = judge(self.stack, settings)
        return verdict.allowed and verdict.least <= self.best + 1.1 * TIE and verdict.value <= self.value + 1.1 * TIE

    def _preferred_by_model(self, cell: int) -> Settings:
        """What the model prefers of the settings that tie; what was judged already where it goes astray in that."""
        try:
            settings = proving.preferred(self.stack, self.low[cell], self.best, self.value, self.deadline)
        except mip.NoProof as stop:
            raise Stopped(stop.status) from None
        return settings if settings is not None and self._confirmed(settings) else self.judged[cell]

    def _settings(self, rate: float, choice: np.ndarray) -> Settings:
        screws = self.stack.flow.shape[1]
        return Settings.at(float(rate), tuple((choice // screws).tolist()), tuple((choice % screws).tolist()))

    def _rounded(self, rate: float) -> Settings | None:
        """Settings at `rate` that keep the hard rules, by pricing alone; the better of two roundings."""
        excess, value, air = self._priced(np.array([rate]))
        least = excess <= excess.min(axis=2, keepdims=True) + TIE
        found = []
        for cost in (excess, np.where(least, value, BIG)):
            priced = price(cost, air)
            if priced.cost[0] < BIG / 2:
                settings = self._settings(rate, priced.choice[0])
                verdict = judge(self.stack, settings)
                if verdict.allowed:
                    found.append((verdict.least, verdict.value, settings))
        return min(found, key=lambda f: f[:2])[2] if found else None

    def _model(self, cell: int, excess: float | None) -> proving.Proved | None:
        """Where merging grows too large: the model decides."""
        self.closed["the mixed-integer model (to its solver's tolerance)"] += 1
        try:
            if not self._single(cell):
                return proving.solve(self.stack, self.low[cell], self.high[cell], deadline=self.deadline, excess=excess)
            goal, limits = ("excess", {}) if excess is None else ("value", {"excess": excess})
            return proving.choose(self.stack, [float(self.low[cell])], goal, limits, self.deadline)
        except mip.NoProof as stop:
            raise Stopped(stop.status) from None
