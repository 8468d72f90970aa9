"""The fewest generators that serve every point: the answer of `stackopt split`, with its plain data for JSON."""

import time
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from stackopt.errors import LIMITS, SolverError, library
from stackopt.figures import PointResult, generators_of, points_of
from stackopt.judge import TIE, Settings, Verdict, judge
from stackopt.optimise import mip, pressure_plans, proving
from stackopt.optimise.cover import Ask, by_models, looks_at
from stackopt.optimise.medians import good_set
from stackopt.optimise.outcome import Stopped
from stackopt.optimise.scan import BIG, options
from stackopt.optimise.trial import Patience, Unsure
from stackopt.problem.constraints import Machine
from stackopt.problem.model import Problem
from stackopt.stack import Stack

_OWN = 0.6  # of the time limit, for our own search; models have the rest


@dataclass(frozen=True, eq=False)
class Split:
    """How few generators serve every point that some rate serves, and which rates.

    >>> from stackopt.stack import _example
    >>> split(_example()).to_dict()["groups"]
    [{'rate_per_min': 6.0, 'points': ['b', 'a']}]
    """

    problem: Problem
    stack: Stack | None  # of the points that some rate serves, with as many generators as are used; None without any
    settings: Settings | None
    count: int | None  # None where capacity or rules forbid it with any number
    proved: bool  # that no fewer will do, or none, and that of as many none are lower
    never: tuple[str, ...]  # points that no rate serves, in the order of the file
    can_run: bool  # whether some point can run at all, or may

    def unexplained(self) -> "Split":
        """The same: all of it is known already."""
        return self

    @property
    def exit_code(self) -> int:
        """4 where no point can run, 5 without proof, 3 where some point is not served, else 0."""
        if not self.can_run:
            return 4
        if not self.proved:
            return 5
        return 3 if self.never or self.count is None else 0

    @cached_property
    def verdict(self) -> Verdict | None:
        """The judge's figures, points in the order of the stack."""
        return judge(self.stack, self.settings) if self.stack and self.settings else None

    @cached_property
    def points(self) -> tuple[PointResult, ...]:
        """The points that are served, in the order of the file; empty without settings."""
        if self.stack is None or self.settings is None or self.verdict is None:
            return ()
        return points_of(self.stack, self.settings, self.verdict)

    def to_dict(self) -> dict[str, Any]:
        """The answer as plain data, as `stackopt split --json` prints it."""
        return {
            "format": "stackopt.split/1",
            "file": self.problem.file,
            "title": self.problem.title,
            "count": self.count,
            "proved": self.proved,
            "groups": generators_of(self.settings, self.points) if self.settings else [],
            "never": list(self.never),
            "settings": [vars(point) for point in self.points],
            "warnings": [],
        }

    def __str__(self) -> str:
        from stackopt.report.groups_text import split_text

        return split_text(self)


def split(problem: Problem) -> Split:
    """The fewest generators with which every point is in tolerance, capacity and rules held, whatever `count` says.

    Points that no rate serves, even alone with all the air, are left out, and so are rules that name them. Of sets of
    as few rates the lowest in rising order is taken; a point goes to the rate of its least error, or, where that does
    not hold, all go where their total weighted error is least.

    Proved on a stepped dial. On a free one a set can be lowered to rates at which something becomes usable (see
    `optimise.cover`), which are all looked at; where rules look at doses that does not hold, and the answer is proved
    only where it is also that without these rules. Behind a line these rates move with the pressure, and it is never
    proved there. Where it is not known whether any rate serves some point, that is the answer.

    Raises `SolverError` where a solver fails or the judge does not confirm an answer.
    """
    with library("splitting", of=LIMITS):
        return _split(problem)


def _split(problem: Problem) -> Split:
    start = time.monotonic()
    whole = replace(Stack.of(problem), rules={})
    deadline = start + whole.time_limit
    served = _alone(problem, whole, True, deadline)
    never = tuple(whole.names[i] for i in whole.in_file if served[i] is False)
    kept = _without(problem, set(never))
    if len(never) == len(whole.names):
        can_run = any(runs is not False for runs in _alone(problem, whole, False, deadline))
        empty = Machine({}, {}, problem.sizes)
        holds = all(rule.holds(empty, {}) for rule in kept.constraint)
        return Split(problem, None, None, 0 if holds else None, True, never, can_run)
    stack = Stack.of(kept)
    unknown = Split(problem, stack, None, None, False, never, True)
    if None in served:
        return unknown
    if stack.line is not None:
        settings, proved = _with_line(stack, deadline)
        stack = replace(stack, count=len(settings.generators) if settings else stack.count)
        return Split(problem, stack, settings, len(settings.generators) if settings else None, proved, never, True)
    try:
        ask = Ask(stack, np.ones(len(stack.names), dtype=bool), Patience(start + _OWN * stack.time_limit))
    except Unsure:
        return unknown
    try:
        settings, proved = _fewest(ask)
    except Unsure:
        settings, proved = _roughly(ask, deadline), False
    if settings is not None:
        stack = replace(stack, count=len(settings.generators))
        settings, least = _assigned(stack, settings, deadline)
        proved &= least
        verdict = judge(stack, settings)
        if not (verdict.allowed and verdict.in_tolerance):
            raise SolverError("the judge does not confirm the split")
    return Split(problem, stack, settings, len(settings.generators) if settings else None, proved, never, True)


def _alone(problem: Problem, stack: Stack, served: bool, deadline: float) -> list[bool | None]:
    """Whether each point, alone with all the air and no rules, can run, or be `served`; None where that is not decided.

    In the order of the stack.
    """
    if stack.line is None:
        try:
            return list(Ask(stack, np.full(len(stack.names), served), Patience(deadline)).alone().tolist())
        except Unsure:
            return [None] * len(stack.names)
    found: list[bool | None] = []
    for i in stack.place:
        one = Stack.of(problem.model_copy(update={"point": (problem.point[i],), "constraint": ()}))
        try:
            settings = pressure_plans.possible(replace(one, count=1), np.array([served]), deadline)
            found.append(settings is not None)
        except Unsure:
            found.append(None)
    return found


def _with_line(stack: Stack, deadline: float) -> tuple[Settings | None, bool]:
    """Settings at the fewest, lowest rates, None where there are none; and whether that is proved."""
    settings, proved = pressure_plans.fewest_rates(stack, deadline)
    if settings is None:
        return None, proved
    some = replace(stack, count=len(settings.generators))
    try:
        return pressure_plans.shared_out(some, settings, deadline), proved
    except Stopped as stop:
        if str(stop) == "interrupted":
            raise KeyboardInterrupt from None
        return settings, False


def _without(problem: Problem, never: set[str]) -> Problem:
    """The problem without some points and without the rules that name one of them, by name or by a tag of it."""
    said = never | {tag for point in problem.point if point.name in never for tag in point.tags}
    return problem.model_copy(update={
        "point": tuple(point for point in problem.point if point.name not in never),
        "constraint": tuple(rule for rule in problem.constraint if not said & set(rule.names())),
    })  # fmt: skip


def _fewest(ask: Ask) -> tuple[Settings | None, bool]:
    """Settings at the fewest, lowest rates, None where there are none; and whether that is proved."""
    if not ask.between:
        return _lowest(ask), True
    # Rules on doses can only ask for more and higher rates: where leaving them out changes nothing, they do not.
    rules = {name: rule for name, rule in ask.stack.rules.items() if not looks_at(ask.stack, rule)}
    freed = _lowest(Ask(replace(ask.stack, rules=rules), ask.wanted, ask.patience))
    if freed is None:
        return None, True
    settings = _lowest(ask)
    return settings, settings is not None and freed.generators == settings.generators


def _lowest(ask: Ask) -> Settings | None:
    start = ask.fewest()
    if start is None or ask.any_number() is None:
        return None
    most = min(len(ask.stack.names), len(ask.at))
    return next((found for k in range(start, most + 1) if (found := ask.lowest(k)) is not None), None)


def _roughly(ask: Ask, deadline: float) -> Settings | None:
    """Settings at few rates, where our own search was given up; nothing is proved of them."""
    for count in range(1, min(len(ask.stack.names), len(ask.at)) + 1):
        chosen = good_set(ask.cost, count)
        if ask.cost[list(chosen)].min(axis=0).sum() >= BIG / 2:
            continue
        try:
            if ask.stack.rules:
                settings = by_models(Ask(replace(ask.stack, count=count), ask.wanted, Patience()), deadline)
            else:
                settings = ask.at_rates(chosen)
        except Unsure:
            settings = None
        if settings is not None:
            return settings
    return None


def _assigned(stack: Stack, found: Settings, deadline: float) -> tuple[Settings, bool]:
    """Settings at the rates of `found` as points should share them; and whether that is proved.

    Every point at the rate of its least error, with its least error if that holds; else at that rate with the least
    total weighted error; else with the least of that at any of the rates.
    """
    stack = replace(stack, worst=False)  # the total of the errors counts
    at = np.array(found.generators)
    part = options(stack, at)
    usable = part.excess == 0
    error = np.where(usable, part.error / stack.weight[:, None], np.inf)  # [rates, points, options]
    ties = error <= error.min(axis=(0, 2), keepdims=True) + TIE
    rate = ties.any(axis=2).argmax(axis=0)  # the lowest one of those that tie
    own = np.arange(len(at))[:, None] == rate
    stroke, screw = np.divmod(ties[rate, np.arange(len(rate))].argmax(axis=1), stack.screws)
    settings = Settings(tuple(at[rate].tolist()), tuple(stroke.tolist()), tuple(screw.tolist()))
    if judge(stack, settings).allowed:
        return settings, True
    for some in (usable & own[..., None], usable):
        try:
            better = proving.choose(stack, at.tolist(), "error", {}, deadline, some)
        except mip.NoProof as stop:
            if stop.status == "interrupted":
                raise KeyboardInterrupt from None
            return found, False
        if better is not None:
            return better.settings, True
    raise SolverError("the model lost the settings of the split")
