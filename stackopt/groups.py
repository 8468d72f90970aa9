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
    can_run: bool  # whether some point can run at all

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
    only where it is also that without these rules.

    Raises `SolverError` where a solver fails or the judge does not confirm an answer.
    """
    with library("splitting", of=LIMITS):
        return _split(problem)


def _split(problem: Problem) -> Split:
    start = time.monotonic()
    whole = replace(Stack.of(problem), rules={})
    everyone = np.ones(len(whole.names), dtype=bool)
    patience = Patience(start + _OWN * whole.time_limit)
    if whole.line is None:
        served = Ask(whole, everyone, patience).alone()
    else:
        served = pressure_plans.alone(whole, start + whole.time_limit)
    never = tuple(whole.names[i] for i in sorted(np.flatnonzero(~served), key=lambda i: whole.place[i]))
    kept = _without(problem, set(never))
    if not served.any():
        can_run = bool(Ask(whole, ~everyone, patience).alone().any())
        empty = Machine({}, {}, problem.sizes)
        holds = all(rule.holds(empty, {}) for rule in kept.constraint)
        return Split(problem, None, None, 0 if holds else None, True, never, can_run)
    stack = Stack.of(kept)
    deadline = start + stack.time_limit
    if stack.line is not None:
        settings, proved = _with_line(stack, deadline)
        stack = replace(stack, count=len(settings.generators) if settings else stack.count)
        return Split(problem, stack, settings, len(settings.generators) if settings else None, proved, never, True)
    ask = Ask(stack, served[served], patience)
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


def _with_line(stack: Stack, deadline: float) -> tuple[Settings | None, bool]:
    """Settings at the fewest, lowest rates, None where there are none; and whether that is proved."""
    settings = None
    try:
        settings = pressure_plans.fewest_rates(stack, deadline)
        if settings is not None:
            count = len(settings.generators)
            settings = pressure_plans.shared_out(replace(stack, count=count), settings, deadline)
    except Unsure:
        return settings, False
    except Stopped as stop:
        if str(stop) == "interrupted":
            raise KeyboardInterrupt from None
        return settings, False
    return settings, True


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
        if not ask.stack.rules:
            settings = ask.at_rates(chosen)
        else:
            try:
                settings = by_models(Ask(replace(ask.stack, count=count), ask.wanted, Patience()), deadline)
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
