"""Dose error against air: the answer of `stackopt tradeoff`, with its plain data for JSON."""

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from stackopt.errors import LIMITS, known, library
from stackopt.figures import PointResult, points_of
from stackopt.judge import judge
from stackopt.optimise.front import Front, trade
from stackopt.problem.model import Problem
from stackopt.stack import Stack

PLANS = 15  # listed unless asked otherwise


@dataclass(frozen=True)
class Plan:
    """One plan: its mean error (a share), total air with drive air [L/min ANR], rate and points.

    The rate [1/min] is None where several generators run at rates of their own.
    """

    mean_error: float
    air_L_per_min: float
    rate_per_min: float | None
    points: tuple[PointResult, ...]

    def to_dict(self) -> dict[str, Any]:
        """The plan as plain data."""
        return {**vars(self), "points": [vars(point) for point in self.points]}


@dataclass(frozen=True, eq=False)
class Tradeoff:
    """The settings of least excess that none other beats in mean error and air, by rising air.

    >>> from stackopt.stack import _example
    >>> answer = tradeoff(_example())
    >>> answer.complete, [round(plan.air_L_per_min, 3) for plan in answer.plans]
    (True, [128.12])
    """

    problem: Problem
    stack: Stack
    front: Front

    def unexplained(self) -> "Tradeoff":
        """The same: all of it is known already."""
        return self

    @property
    def status(self) -> str:
        """optimal, infeasible, time limit, interrupted or unproved."""
        return self.front.status

    @property
    def complete(self) -> bool:
        """Whether the whole front is listed (of its straight lines the ends)."""
        return self.front.complete

    @property
    def segments(self) -> tuple[tuple[int, int], ...]:
        """Pairs of plans that a straight line of the front joins."""
        return self.front.segments

    @cached_property
    def plans(self) -> tuple[Plan, ...]:
        """The plans by rising air."""
        found = []
        for settings in self.front.plans:
            verdict = judge(self.stack, settings)
            rate = settings.rate if len(settings.generators) == 1 else None
            points = points_of(self.stack, settings, verdict)
            found.append(Plan(verdict.mean_error, verdict.air, rate, points))
        return tuple(found)

    @property
    def exit_code(self) -> int:
        """What the command line ends with: as that of a single answer."""
        if self.status == "optimal":
            return 3 if known(self.front.excess) > 0 else 0
        return {"infeasible": 4, "interrupted": 130}.get(self.status, 5)

    @cached_property
    def knee(self) -> int | None:
        """The plan farthest below the straight line between the ends, both axes scaled to the front; a suggestion."""
        if len(self.plans) < 3:
            return None
        pairs = np.array([(plan.air_L_per_min, plan.mean_error) for plan in self.plans])
        extent = np.ptp(pairs, axis=0)
        if not extent.all():
            return None
        below = 1 - ((pairs - pairs.min(axis=0)) / extent).sum(axis=1)
        return int(below.argmax()) if below.max() > 1e-9 else None

    @property
    def warnings(self) -> list[str]:
        """What the engineer should know about this answer."""
        return {
            "time limit": ["the time limit came before the proof: better plans may exist"],
            "interrupted": ["interrupted before the proof: better plans may exist"],
            "unproved": ["not proved: better plans may exist"],
        }.get(self.status, [])

    def to_dict(self) -> dict[str, Any]:
        """The answer as plain data, as `stackopt tradeoff --json` prints it."""
        return {
            "format": "stackopt.tradeoff/1",
            "file": self.problem.file,
            "title": self.problem.title,
            "status": self.status,
            "complete": self.complete,
            "plans": [plan.to_dict() for plan in self.plans],
            "segments": [list(pair) for pair in self.segments],
            "knee": self.knee,
            "warnings": self.warnings,
        }

    def text(self, width: int = 80) -> str:
        """The answer to read, in lines of at most `width` columns, 60 to 200."""
        from stackopt.report.chart import tradeoff_text

        return tradeoff_text(self, width)

    def __str__(self) -> str:
        return self.text()


def tradeoff(problem: Problem, points: int | None = None, everything: bool = False) -> Tradeoff:
    """Dose error against air, among the settings with the least excess. Never changes `problem`.

    Args:
        problem: The machine.
        points: How many plans to list, spread evenly by air with both ends; 15 unless given.
        everything: List the whole front instead; of its straight lines the ends.

    Raises ValueError for fewer than 2 points; SolverError where a solver fails or the judge does not confirm a plan.
    """
    if points is not None and points < 2:
        raise ValueError(f"points is {points}; both ends of a front make 2 at least")
    with library("the trade-off", of=LIMITS):
        stack = Stack.of(problem)
        return Tradeoff(problem, stack, trade(stack, None if everything else points or PLANS))
