"""Along the front by models: the least error with so much air, one plan after the other.

For what merging cannot do: rules of the file, and machines whose points could be merged into too many sums. A level
of air is a smaller capacity. Each plan is proved by a second model: with that error no less air will do, or (where the
rate slides) with less air the error is larger.
"""

import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from stackopt.errors import SolverError
from stackopt.judge import TIE, Settings, judge
from stackopt.optimise import coupled, proving
from stackopt.optimise.mip import SHARP, NoProof
from stackopt.optimise.models import Model, Settled, Sliding
from stackopt.optimise.outcome import TINY, Stopped
from stackopt.optimise.scan import BIG, options, rates, scan
from stackopt.optimise.useful import useful
from stackopt.stack import Stack

SAME_ERROR, SAME_AIR = 1e-9, 1e-6  # plans no further apart than this in error and in air [L/min] are one
_SOME = 15  # plans where all were asked for and there may be no end of them


@dataclass(frozen=True)
class Walked:
    """Plans, whether each is proved, and whether there are no others."""

    plans: list[Settings]
    proved: bool
    complete: bool


@dataclass(frozen=True)
class _Plan:
    air: float  # L/min
    error: float
    settings: Settings


def unbeaten(pairs: Sequence[tuple[float, float]]) -> list[int]:
    """Places of the (error, air in L/min) that no other one beats, by rising air; of those that are one the first.

    >>> unbeaten([(0.1, 30.0), (0.2, 20.0), (0.1, 40.0), (0.2 - 1e-12, 20.0 + 1e-9)])
    [1, 0]
    """
    left: list[int] = []
    for k in sorted(range(len(pairs)), key=lambda k: (pairs[k][1], pairs[k][0])):
        if not left or pairs[k][0] < pairs[left[-1]][0] - TINY:
            (error, air), last = pairs[k], pairs[left[-1]] if left else (np.inf, -np.inf)
            if air > last[1] + SAME_AIR or error < last[0] - SAME_ERROR:
                left.append(k)
    return left


def by_mean(stack: Stack, best: Settings, least: float) -> Stack:
    """The stack with the mean error and nothing else as its value, and the rates that the `least` excess adds.

    For the worst point these are the rates between compared ones at which an option's own excess passes the least one.
    """
    mean = replace(stack, worst=False, air_weight=0.0, price_weight=0.0)
    if stack.step is not None:
        return mean
    mean = replace(mean, also=(*stack.also, *best.generators))
    at = rates(mean)
    if not stack.worst or len(at) < 2:
        return mean
    low, high = at[:-1], at[1:]
    first, last = (options(stack, end, (low + high) / 2).excess - least for end in (low, high))
    crossed = np.nonzero((first * last < 0) & (np.maximum(first, last) < BIG / 2))
    part = first[crossed] / (first[crossed] - last[crossed])
    return replace(mean, also=(*mean.also, *(low[crossed[0]] + part * (high - low)[crossed[0]]).tolist()))


class _Within(Sliding):
    """A sliding model in which no point's excess is above `most`, whatever the goal."""

    def __init__(self, stack: Stack, judged: Stack, most: float) -> None:
        super().__init__(stack)
        self.judged, self.most = judged, most
        for _, excess in self.goals["excess"]:
            self.rows.row([(SHARP, excess)], high=SHARP * (most + TIE))

    def found(self) -> Iterator[Settings]:
        """The solver's choice at the rates that are compared, where the judge finds no more."""
        yield from (found for found in super().found() if judge(self.judged, found).least <= self.most + TIE)


class Walk:
    """One run."""

    def __init__(self, stack: Stack, best: Settings, least: float, deadline: float) -> None:
        self.stack, self.least, self.deadline = stack, least, deadline
        self.plans: list[_Plan] = []
        self.mean = mean = by_mean(stack, best, least)
        self.slides = coupled.slides(stack) and stack.count == 1
        self.proved = not coupled.slides(stack) or stack.count == 1
        at = rates(mean)
        if stack.count == 1:
            seen = scan(stack, at)
            at = at[seen.allowed & (seen.excess <= self.least + TIE + TINY)]
        self.at = at.tolist()
        part = options(mean, at)
        self.usable = useful(mean, part)
        if stack.worst:  # X is the largest of the points' excess: it is a matter of each option alone
            own = options(stack, at).excess
            part = part._replace(excess=np.where(own <= self.least + TIE, 0.0, BIG))
            self.usable = useful(mean, part)

    def run(self, most: int | None) -> Walked:
        """All plans, or so many of them, spread by air; where the rate slides there may be no end of them."""
        low = self._least_air()
        self.plans = [self._down(self._least_error(low) or self._lost())]
        high = self._down(self._least_error(self.stack.capacity) or self._lost())
        if most is None and not self.slides:
            plan = high
            while self._apart(self.plans[0], plan):
                self.plans.insert(1, plan)
                plan = self._down(self._least_error(plan.air - SAME_AIR) or self._lost())
            return Walked([plan.settings for plan in self.plans], self.proved, self.proved)
        most = _SOME if most is None else most
        self._take(high)
        for air in np.linspace(self.plans[0].air, high.air, most)[1:-1].tolist():
            self._take(self._down(self._least_error(air) or self._lost()))
        complete = self._fill(most)
        return Walked([plan.settings for plan in self.plans], self.proved, self.proved and complete)

    def known(self) -> list[Settings]:
        """What was found before the run was stopped."""
        return [plan.settings for plan in self.plans]

    def _fill(self, most: int) -> bool:
        """Look between the plans known, the widest gap first, until there are enough; whether there are no more."""
        closed: set[tuple[float, float]] = set()
        while True:
            gaps = [(q.air - p.air, p, q) for p, q in zip(self.plans, self.plans[1:], strict=False)
                    if (p.air, q.air) not in closed]  # fmt: skip
            if not gaps:
                return True
            _, p, q = max(gaps, key=lambda gap: gap[0])
            levels = ([(p.air + q.air) / 2] if self.slides else []) + [q.air - SAME_AIR]
            found = [self._down(self._least_error(air) or self._lost()) for air in levels]
            between = [plan for plan in found if self._apart(p, plan) and self._apart(plan, q)]
            if not between:
                closed.add((p.air, q.air))
            elif len(self.plans) >= most:
                return False
            else:
                self._take(between[0])

    def _apart(self, first: _Plan, last: _Plan) -> bool:
        """Whether two plans by rising air are two."""
        return last.air > first.air + SAME_AIR or last.error < first.error - SAME_ERROR

    def _take(self, plan: _Plan) -> None:
        plans = [*self.plans, plan]
        self.plans = [plans[k] for k in unbeaten([(p.error, p.air) for p in plans])]

    # Models

    def _limits(self) -> dict[str, float]:
        return {} if self.stack.worst else {"excess": self.least}

    def _model(self, capacity: float) -> Model:
        stack = replace(self.mean, capacity=capacity)
        if not self.slides:
            return Settled(stack, self.at, self.usable)
        return _Within(stack, self.stack, self.least) if self.stack.worst else Sliding(stack)

    def _solved(self, goal: str, capacity: float, **limits: float) -> Settings | None:
        if time.monotonic() > self.deadline:
            raise Stopped("time limit")
        try:
            found = proving.least(self._model(capacity), goal, self._limits() | limits, deadline=self.deadline)
        except NoProof as stop:
            raise Stopped(stop.status) from None
        return None if found is None else found.settings

    def _plan(self, settings: Settings) -> _Plan:
        """The plan that settings are, by the judge."""
        verdict = judge(self.stack, settings)
        if not verdict.allowed or verdict.least > self.least + 1.1 * TIE:
            raise SolverError("the judge does not confirm a plan of the front")
        return _Plan(verdict.air, verdict.mean_error, settings)

    def _least_air(self) -> float:
        found = self._solved("air", self.stack.capacity)
        return (self._plan(found) if found else self._lost()).air

    def _least_error(self, air: float) -> _Plan | None:
        found = self._solved("error", min(air, self.stack.capacity))
        return None if found is None else self._plan(found)

    def _down(self, plan: _Plan) -> _Plan:
        """The same error with the least air."""
        if not self.slides:
            found = self._solved("air", self.stack.capacity, error=plan.error - TIE + TINY)
            less = None if found is None else self._plan(found)
            return less if less is not None and less.air < plan.air else plan
        while True:
            less = self._least_error(plan.air - SAME_AIR)
            if less is None or less.error > plan.error + TINY:
                return plan
            plan = less

    def _lost(self) -> _Plan:
        raise SolverError("a model lost the settings of least excess")
