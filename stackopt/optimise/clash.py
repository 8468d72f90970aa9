"""Smallest sets of rules and points that clash: of hard rules alone, and of points that are to be in tolerance.

A set is irreducible: it clashes, and without any one of its members it does not. "Possible" means settings that the
judge allows; "impossible" rests on an exact search of our own, or on two models that agree (`cover.by_models`).
"""

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeVar

import numpy as np

from stackopt.errors import SolverError
from stackopt.optimise.conflicts import served_map
from stackopt.optimise.cover import cover, possible
from stackopt.optimise.outcome import Outcome
from stackopt.optimise.scan import BIG, options, rates
from stackopt.optimise.trial import Patience, Unsure
from stackopt.stack import Stack

Item = TypeVar("Item")
Rule = tuple[str, str]  # ("capacity", ""), ("line", ""), ("rate range", ""), ("cut", point), ("max_rate", pump),
#                         ("fluids", pump), ("min_pressure", pump), ("rule", name)
_SECONDS = 20.0  # that one question may take
_APART = 1e9  # what a capacity is multiplied with so that it limits nothing


@dataclass(frozen=True)
class HardClash:
    """Hard rules that cannot hold together."""

    rules: tuple[Rule, ...]
    points: tuple[int, ...]  # the points that they concern where these are few, by number
    least_air: float | None  # the least air of any setting, where the supply is what falls short, L/min
    proved: bool  # that they clash
    smallest: bool  # that without any one of them there are settings


@dataclass(frozen=True)
class ToleranceClash:
    """Points that cannot all be in tolerance while some rules hold; the other points only need some setting."""

    points: tuple[int, ...]
    rules: tuple[Rule, ...]
    smallest: bool  # that this ends without any one of them


def confirmed(stack: Stack, outcome: Outcome, deadline: float) -> Outcome:
    """An outcome of the search; that hard rules clash is believed only where no settings are found otherwise either.

    Raises SolverError where there are some: then a solver lied. Undecided by the deadline it stays as it is.
    """
    if outcome.status != "infeasible":
        return outcome
    try:
        found = possible(stack, np.zeros(len(stack.names), dtype=bool), deadline)
    except Unsure:
        return outcome
    if found is not None:
        raise SolverError("the search finds no settings that keep the hard rules, though there are some")
    return outcome


def irreducible(items: Sequence[Item], may_hold: Callable[[list[Item]], bool]) -> list[Item]:
    """A part of `items` that clashes while all smaller parts of it do not; in the order of `items`.

    Halves are tried first, so that a few among many are found with few questions. Source: Junker (2004), QUICKXPLAIN,
    AAAI-04, pages 167-172.

    Args:
        items: What clashes together.
        may_hold: Whether some of them can hold together, True where that is not known; asked only of parts.

    >>> irreducible([9, 4, 7, 5, 1], lambda some: sum(some) <= 12)
    [9, 4]
    """

    def needed(background: list[Item], grown: bool, rest: list[Item]) -> list[Item]:
        if grown and not may_hold(background):
            return []
        if len(rest) == 1:
            return rest
        first, second = rest[: len(rest) // 2], rest[len(rest) // 2 :]
        later = needed(background + first, True, second)
        return needed(background + later, bool(later), first) + later

    return needed([], True, list(items)) if items else []


class _Questions:
    """What was asked of parts, and whether every answer was certain."""

    def __init__(self, stack_of: Callable[[list[Any]], tuple[Stack, np.ndarray]], deadline: float) -> None:
        self.stack_of, self.deadline = stack_of, deadline
        self.known: dict[frozenset[Any], bool | None] = {}

    def answer(self, some: Sequence[Any]) -> bool | None:
        """Whether settings keep all of `some`; None where that could not be told."""
        key = frozenset(some)
        if key not in self.known:
            stack, wanted = self.stack_of(list(some))
            until = min(self.deadline, time.monotonic() + _SECONDS)
            try:
                self.known[key] = possible(stack, wanted, until) is not None
            except Unsure:
                self.known[key] = None
        return self.known[key]

    def may_hold(self, some: Sequence[Any]) -> bool:
        """The same, with doubt as yes."""
        return self.answer(some) is not False

    def smallest(self, found: Sequence[Any]) -> bool:
        """Whether it is certain that each of `found` is needed."""
        return all(self.answer([item for item in found if item != one]) is True for one in found)


def hard_clash(stack: Stack, seconds: float = np.inf) -> HardClash:
    """A smallest set of hard rules that clash, where those of `stack` do; the number of generators stays what it is.

    Where `fluids` or `min_pressure` of a pump are among them: a pump without them is taken to have no `max_rate`.
    """
    rules = _hard_rules(stack)
    nobody = np.zeros(len(stack.names), dtype=bool)
    asked = _Questions(lambda some: (_with(stack, some), nobody), time.monotonic() + seconds)
    found = irreducible(rules, asked.may_hold)
    points = [stack.names.index(name) for kind, name in found if kind == "cut"]
    pumps = {name for kind, name in found if kind in ("max_rate", "fluids", "min_pressure")}
    points += [i for i, row in enumerate(stack.pumps) if pumps and set(row) <= pumps]
    return HardClash(tuple(found), tuple(sorted(set(points))), _least_air(stack, found),
                     asked.answer(found) is False, asked.smallest(found))  # fmt: skip


def _hard_rules(stack: Stack) -> list[Rule]:
    """All hard rules; of cuts only the one with the highest rate where points share a generator."""
    cuts = np.flatnonzero(stack.rate_min > 0)
    if stack.count == 1 and len(cuts):
        cuts = np.array([stack.rate_min.argmax()])
    pumps = sorted({pump for row in stack.pumps for pump in row})
    limited: set[str] = set()
    barred: set[str] = set()
    pressed: set[str] = set()
    for i, row in enumerate(stack.pumps):
        for s, pump in enumerate(row):
            out = stack.barred[i, s] or stack.stalled[i, s]
            (barred if stack.barred[i, s] else limited if not out and np.isfinite(stack.rate_max[i, s])
             else set()).add(pump)  # fmt: skip
            (pressed if stack.pressure_min[i, s] > 0 else set()).add(pump)
    return [
        *(("rule", name) for name in stack.rules),
        ("capacity", ""),
        *([("line", "")] if stack.line is not None else []),
        ("rate range", ""),
        *(("cut", stack.names[i]) for i in cuts),
        *(("max_rate", pump) for pump in pumps if pump in limited),
        *(("fluids", pump) for pump in pumps if pump in barred),
        *(("min_pressure", pump) for pump in pumps if pump in pressed),
    ]


def _with(stack: Stack, rules: Sequence[Rule]) -> Stack:
    """The machine with these hard rules alone."""
    held = {kind: {name for k, name in rules if k == kind} for kind, _ in rules}
    limit, pressed = stack.rate_max.copy(), stack.pressure_min.copy()
    for i, row in enumerate(stack.pumps):
        for s, pump in enumerate(row):
            out = {"fluids": stack.barred[i, s], "min_pressure": stack.stalled[i, s]}
            kinds = [kind for kind, true in out.items() if true] or ["max_rate"]
            if not any(pump in held.get(kind, ()) for kind in kinds):
                limit[i, s] = np.inf
            if pump not in held.get("min_pressure", ()):
                pressed[i, s] = 0.0
    cut = [name in held.get("cut", ()) for name in stack.names]
    if stack.count == 1 and "cut" in held:  # the highest cut stands for all
        cut = [True] * len(stack.names)
    changed = replace(
        stack,
        rate_min=np.where(cut, stack.rate_min, 0.0),
        rate_max=limit,
        pressure_min=pressed,
        line=stack.line if "line" in held else None,
        capacity=stack.capacity * (1 if "capacity" in held else _APART),
        rules={name: rule for name, rule in stack.rules.items() if name in held.get("rule", ())},
    )
    if "rate range" in held:
        return changed
    return replace(changed, low=1e-12 * stack.low, high=1e6 * stack.high, step=None)


def _least_air(stack: Stack, rules: Sequence[Rule]) -> float | None:
    """The least air of any setting of one generator without rules of the file [L/min], where the supply is a rule."""
    if ("capacity", "") not in rules or stack.count > 1 or stack.line is not None:
        return None
    if any(kind == "rule" for kind, _ in rules):
        return None
    least = np.concatenate([options(stack, part).air.min(axis=2) for part in np.array_split(rates(stack), 50)
                            if len(part)])  # fmt: skip
    allowed = (least < BIG / 2).all(axis=1)
    return float(least[allowed].sum(axis=1).min() * stack.capacity) if allowed.any() else None


def tolerance_clash(stack: Stack, seconds: float = _SECONDS) -> ToleranceClash | None:
    """A smallest set of points, rules of the file and the capacity such that the points cannot all be in tolerance.

    Dial, cuts, max_rates, fluids and the number of generators always hold. None where every point can be in tolerance,
    or where that is not decided within `seconds`.

    >>> from stackopt.stack import _example
    >>> tolerance_clash(replace(Stack.of(_example()), capacity=100.0))
    ToleranceClash(points=(0, 1), rules=(('capacity', ''),), smallest=True)
    """
    items = [*(("point", stack.names[i]) for i in stack.in_file),
             *(("rule", name) for name in stack.rules), ("capacity", ""),
             *([("line", "")] if stack.line is not None else [])]  # fmt: skip

    def stack_of(some: list[Rule]) -> tuple[Stack, np.ndarray]:
        names = {name for kind, name in some if kind == "rule"}
        wanted = np.array([("point", name) in some for name in stack.names])
        return replace(
            stack,
            capacity=stack.capacity * (1 if ("capacity", "") in some else _APART),
            line=stack.line if ("line", "") in some else None,
            rules={name: rule for name, rule in stack.rules.items() if name in names},
        ), wanted

    deadline = time.monotonic() + seconds
    asked = _Questions(stack_of, deadline)
    if asked.answer(items) is not False:
        return None
    found = irreducible(items, asked.may_hold)
    if time.monotonic() > deadline:
        return None
    points = sorted(stack.names.index(name) for kind, name in found if kind == "point")
    return ToleranceClash(tuple(points), tuple(item for item in found if item[0] != "point"), asked.smallest(found))


def groups_conflict(stack: Stack, seconds: float = _SECONDS) -> tuple[tuple[int, ...], ...]:
    """Points to which no `stack.count` rates give their doses, while each smaller part of them has such rates.

    Looks at doses, cuts and max_rates alone: all points without any rate, and one larger set of the others; () where
    `stack.count` rates do, or where that is not decided within `seconds`.

    >>> from stackopt.stack import _example
    >>> groups_conflict(Stack.of(_example()))
    ()
    """
    served = served_map(stack)  # [points, rates]
    alone = [(int(i),) for i in np.flatnonzero(~served.any(axis=1))]
    points = np.flatnonzero(served.any(axis=1)).tolist()
    cost = np.where(served.T, 0.0, BIG)
    patience = Patience(time.monotonic() + seconds)

    def may_hold(some: list[int]) -> bool:
        return not some or cover(cost[:, some], stack.count, (), patience) is not None

    try:
        larger = [] if may_hold(points) else [tuple(sorted(irreducible(points, may_hold)))]
    except Unsure:
        larger = []
    return (*alone, *larger)
