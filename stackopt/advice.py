"""What to change so that points come into tolerance. Every proposal is solved again before it is shown.

In the order of what they cost at the machine: a wider tolerance, a longer cut, another pump of the file, more air, a
wider line to the stack, a second pump on the point, another generator.
"""

import math
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from stackopt.errors import ProblemError, SolverError, known
from stackopt.judge import Settings, Verdict, judge
from stackopt.optimise.search import search
from stackopt.problem.model import Problem
from stackopt.problem.rules import Place
from stackopt.proposals import Key, value_at, with_values
from stackopt.stack import Stack
from stackopt.words import UNDECIDED, number

MOST = 3  # points out of tolerance that get advice of their own, those that miss most first
_WIDE = 1e6  # a tolerance or a factor on the capacity that rules nothing out
_LINES = (1.25, 1.5, 2.0, 4.0)  # times as wide a line
_STEPS = 1000  # a tolerance is widened to a whole 0.1 %


@dataclass(frozen=True)
class Advice:
    """A change of the file, tried: what it says, which keys it sets, and whom it serves."""

    change: str
    keys: tuple[Key, ...]
    serves: tuple[str, ...]  # points that come into tolerance by it, in the order of the file
    serves_all: bool

    def to_dict(self) -> dict[str, Any]:
        """The advice as plain data."""
        keys = [key.to_dict() for key in self.keys]
        return {"change": self.change, "serves": list(self.serves), "serves_all": self.serves_all, "keys": keys}


@dataclass(frozen=True, eq=False)
class _Tried:
    """A changed problem, solved."""

    stack: Stack
    settings: Settings
    verdict: Verdict

    def miss(self, name: str) -> float:
        return float(self.verdict.excess[self.stack.names.index(name)])


def advise(problem: Problem, stack: Stack, settings: Settings, seconds: float) -> tuple[list[Advice], list[str]]:
    """Advice for the points that `settings`, the best ones, leave out of tolerance; no new trials after `seconds`.

    And why some of it was not sought to the end.

    >>> from stackopt.stack import _example
    >>> problem = with_values(_example(), [(("air", "capacity"), "80 L/min")])
    >>> stack = Stack.of(problem)
    >>> advise(problem, stack, search(stack).settings, 10.0)[0][-1].change
    'capacity 129 L/min instead of 80 L/min'
    """
    adviser = _Adviser(problem, stack, settings, seconds)
    return adviser.found(), list(adviser.missing)


class _Adviser:
    def __init__(self, problem: Problem, stack: Stack, settings: Settings, seconds: float) -> None:
        self.problem, self.stack, self.settings = problem, stack, settings
        self.until = time.monotonic() + seconds
        self.now = _Tried(stack, settings, judge(stack, settings))
        worst_first = sorted(range(len(stack.names)), key=lambda i: (-self.now.verdict.excess[i], stack.place[i]))
        self.out = [stack.names[i] for i in worst_first if self.now.verdict.excess[i] > 0]
        self.place = {point.name: k for k, point in enumerate(problem.point)}
        self.missing: dict[str, None] = {}  # why changes were not tried to the end

    def found(self) -> list[Advice]:
        """All kinds in the order of their cost, each for single points and, where they are several, for all at once."""
        groups = [[name] for name in self.out[:MOST]] + ([self.out] if len(self.out) > 1 else [])
        found: list[Advice] = []
        for kind in (self._wider, self._longer_cut, self._other_pump):
            found += self._each(kind, groups)
        found += self._each(lambda _: self._capacity(), [self.out])
        found += self._each(lambda _: self._line(), [self.out])
        found += self._each(self._second_pump, groups)
        found += self._each(lambda _: self._generator(), [self.out])
        return [advice for k, advice in enumerate(found) if advice not in found[:k]]  # a longer cut may serve several

    def _each(self, kind: Callable[[list[str]], Advice | None], groups: list[list[str]]) -> Iterator[Advice]:
        for names in groups:
            if time.monotonic() >= self.until:
                self.missing[UNDECIDED["time limit"]] = None
                return
            try:
                advice = kind(names)
            except SolverError as error:  # of one change; the others may do
                self.missing[str(error)] = None
                continue
            if advice is not None:
                yield advice

    def _solved(self, changes: Sequence[tuple[Place, Any]]) -> _Tried | None:
        """The best settings of the changed problem; None where it is no problem or has none."""
        try:
            stack = Stack.of(with_values(self.problem, changes))
        except ProblemError:
            return None  # such a change contradicts another key of the file: it is no advice
        return self._searched(stack)

    def _searched(self, stack: Stack) -> _Tried | None:
        stack = replace(stack, time_limit=max(0.05, self.until - time.monotonic()))
        outcome = search(stack)
        if outcome.status == "interrupted":
            raise KeyboardInterrupt
        if outcome.status in UNDECIDED:
            self.missing[UNDECIDED[outcome.status]] = None
        if outcome.status != "optimal":
            return None
        settings = known(outcome.settings)
        return _Tried(stack, settings, judge(stack, settings))

    def _advice(self, names: list[str], text: str | Callable[[_Tried], str],
                changes: Sequence[tuple[Place, Any]]) -> Advice | None:  # fmt: skip
        """The advice if, solved again, the change serves `names` and loses nobody."""
        tried = self._solved(changes)
        if tried is None or any(tried.miss(name) > 0 for name in names):
            return None
        if any(tried.miss(name) > 0 for name in self.stack.names if name not in self.out):
            return None
        serves = sorted((name for name in self.out if not tried.miss(name)), key=lambda name: self.place[name])
        data = self.problem.to_dict()
        keys = tuple(Key(place, value_at(data, place), after) for place, after in changes)
        return Advice(text if isinstance(text, str) else text(tried), keys, tuple(serves), tried.verdict.in_tolerance)

    def _key(self, name: str, *rest: str) -> Place:
        return ("point", self.place[name], *rest)

    def _wider(self, names: list[str]) -> Advice | None:
        """The least widening: with any dose taken and its error weighing most, how near do the points come?"""
        free = [(self._key(name, key), value) for name in names
                for key, value in (("tolerance", {"below": 0.999, "above": _WIDE}), ("weight", 1000))]  # fmt: skip
        tried = self._solved(free)
        if tried is None:
            return None
        changes, texts = [], []
        for name in names:
            i = self.stack.names.index(name)
            error = float(tried.verdict.error[i]) * (1 + 1e-9)
            sides = {"below": float(self.stack.below[i]), "above": float(self.stack.above[i])}
            stray = float(self.now.verdict.stray[i]) if self.stack.robust else 0.0
            for side, miss in (("below", -error + stray * (1 + error)), ("above", error + stray * (1 + error))):
                if miss > sides[side]:
                    sides[side] = math.ceil(miss * _STEPS - 1e-6) / _STEPS
                    texts.append(f"{name}: tolerance {100 * sides[side]:.1f} % {side} its dose instead of "
                                 f"{100 * float(getattr(self.stack, side)[i]):.3g} %")  # fmt: skip
            if sides["below"] >= 1:
                return None
            changes.append((self._key(name, "tolerance"), sides))
        return self._advice(names, "; ".join(texts), changes) if texts else None

    def _longer_cut(self, names: list[str]) -> Advice | None:
        """Without the cuts of all points, which rate would serve, and how long would cuts have to be for it?"""
        cuts = {point.name: point.cut for point in self.problem.point if point.cut}
        if not cuts:
            return None
        tried = self._solved([(self._key(name, "cut"), None) for name in cuts])
        if tried is None:
            return None
        changes, texts = [], []
        for name, cut in cuts.items():
            rate = tried.settings.rates[self.stack.names.index(name)]
            if rate * cut.time.number < cut.strokes * (1 - 1e-12):
                seconds = math.ceil(cut.strokes / rate * 60 * 100 - 1e-6) / 100
                changes.append((self._key(name, "cut"), {"time": f"{seconds:g} s", "strokes": cut.strokes}))
                texts.append(f"{name}: a shortest cut of {seconds:g} s instead of {cut.time}")
        return self._advice(names, "; ".join(texts), changes) if changes else None

    def _other_pump(self, names: list[str]) -> Advice | None:
        """Which of all pumps of the file that take the fluid would be chosen?"""
        kind = self.problem.fluid.kind
        fit = [name for name, pump in self.problem.pumps.items() if pump.fluids is None or kind in pump.fluids]
        before = {name: self.problem.point[self.place[name]].pump for name in names}
        offers = {name: [pump for pump in fit if pump not in before[name]] for name in names}
        if not all(offers.values()):
            return None

        def offered(pumps: dict[str, list[str]]) -> list[tuple[Place, Any]]:
            return [(self._key(name, key), value) for name in names
                    for key, value in (("pump", pumps[name]), ("now", None))]  # fmt: skip

        tried = self._solved(offered({name: [*before[name], *offers[name]] for name in names}))
        if tried is None:
            return None
        chosen, texts = {}, []
        for name in names:
            i = tried.stack.names.index(name)
            chosen[name] = [tried.stack.pumps[i][tried.settings.stroke[i]]]
            if chosen[name][0] in before[name]:
                return None
            texts.append(f"{name}: pump {chosen[name][0]} instead of {' or '.join(before[name])}")
        changes = [(place, value) for place, value in offered(chosen)
                   if value is not None or value_at(self.problem.to_dict(), place) is not None]  # fmt: skip
        return self._advice(names, "; ".join(texts), changes)

    def _capacity(self) -> Advice | None:
        """With any air to be had, how much do the best settings need at least?"""
        ample = replace(self.stack, capacity=_WIDE * self.stack.capacity, air_weight=1000 * _WIDE)
        tried = self._searched(ample)
        if tried is None or tried.verdict.air <= self.stack.capacity:
            return None
        served = [name for name in self.out if not tried.miss(name)]
        digits = 10.0 ** (math.floor(math.log10(tried.verdict.air)) - 2)
        more = f"{round(math.ceil(tried.verdict.air / digits - 1e-6) * digits, 9):g} L/min"
        text = f"capacity {more} instead of {self.problem.air.capacity}"
        return self._advice(served, text, [(("air", "capacity"), more)]) if served else None

    def _line(self) -> Advice | None:
        """The first of some wider lines with which points come into tolerance."""
        line = self.problem.air.line
        if line is None:
            return None
        given = self.problem.to_dict()["air"]["line"]
        key, unit = ("bore", "mm") if line.bore else ("conductance", "L/(s bar)")
        before = getattr(line, key)
        for wider in _LINES:
            written = f"{before.number * wider:.3g} {unit}"
            tried = self._solved([(("air", "line"), {**given, key: written})])
            served = [] if tried is None else [name for name in self.out if not tried.miss(name)]
            if served:
                text = f"a line of {written} ({key}) instead of {before}"
                return self._advice(served, text, [(("air", "line", key), written)])
        return None

    def _second_pump(self, names: list[str]) -> Advice | None:
        """One pump more into the nozzle of each."""
        counts = {name: self.problem.point[self.place[name]].count + 1 for name in names}
        text = "; ".join(f"{name}: {count} pumps instead of {count - 1}" for name, count in counts.items())
        return self._advice(names, text, [(self._key(name, "count"), count) for name, count in counts.items()])

    def _generator(self) -> Advice | None:
        """One generator more, and which points move to it."""
        count = self.stack.count + 1

        def text(tried: _Tried) -> str:
            groups = []
            for rate in tried.settings.generators:
                at = [n for n, r in zip(tried.stack.names, tried.settings.rates, strict=True) if r == rate]
                at.sort(key=lambda name: self.place[name])
                some = ", ".join(at[:4]) + (f" and {len(at) - 4} more" if len(at) > 4 else "")
                groups.append(f"{number(rate)}/min for {some}")
            return f"{count} generators: " + "; ".join(groups)

        tried = self._solved([(("generator", "count"), count)])
        if tried is None:
            return None
        served = [name for name in self.out if not tried.miss(name)]
        return self._advice(served, text, [(("generator", "count"), count)]) if served else None
