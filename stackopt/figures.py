"""The figures of settings as users read them: doses in mL/h, air in L/min ANR, shares as numbers; all by the judge."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from stackopt.judge import Settings, Verdict
from stackopt.stack import Stack


@dataclass(frozen=True)
class PointResult:
    """One point's settings and what they do; doses in mL/h, air in L/min ANR, shares as numbers."""

    name: str
    generator: int
    pump: str
    mark: str
    turns: float
    dose_mL_per_h: float
    required_mL_per_h: float
    error: float
    in_tolerance: bool
    excess: float
    air_L_per_min: float
    air_min_L_per_min: float | None
    air_max_L_per_min: float | None
    spray: str
    stray: float | None  # how far the dose may stray by drift and spread; None where the file gives neither
    may_leave: bool | None  # whether that takes it out of tolerance
    drops_per_min: float | None  # None where the volume of a drop is not known


@dataclass(frozen=True)
class Objective:
    """X, E, the worst error, the share of the air supply, the mean price of the pumps and the value."""

    excess: float
    mean_error: float
    worst_error: float
    air_share: float
    mean_price: float
    value: float


def objective_of(stack: Stack, verdict: Verdict) -> Objective:
    """What settings are worth."""
    share = verdict.air / stack.capacity
    return Objective(verdict.least, verdict.mean_error, verdict.worst_error, share, verdict.price, verdict.value)


def points_of(stack: Stack, settings: Settings, verdict: Verdict) -> tuple[PointResult, ...]:
    """The points in the order of the file.

    >>> from stackopt.judge import judge
    >>> from stackopt.stack import _example
    >>> stack = Stack.of(_example())
    >>> settings = Settings.at(6.0, (1, 0), (0, 1))
    >>> [(p.name, p.mark, p.turns, p.spray) for p in points_of(stack, settings, judge(stack, settings))]
    [('b', '3', 2.0, 'in window'), ('a', '2', 1.0, 'too little air')]
    """
    generators = settings.generators
    known = stack.drift > 0 or bool((np.nan_to_num(stack.stray) > 0).any())
    rows = [PointResult(
        name=name, generator=1 + generators.index(settings.rates[i]), pump=stack.pumps[i][settings.stroke[i]],
        mark=stack.marks[i][settings.stroke[i]], turns=stack.turns[i][settings.screw[i]],
        dose_mL_per_h=float(verdict.dose[i] * 60), required_mL_per_h=float(stack.dose[i] * 60),
        error=float(verdict.error[i]), in_tolerance=bool(verdict.excess[i] == 0),
        excess=float(verdict.excess[i]), air_L_per_min=float(verdict.flow[i]),
        air_min_L_per_min=float(verdict.air_min[i]) or None,
        air_max_L_per_min=float(verdict.air_max[i]) if math.isfinite(verdict.air_max[i]) else None,
        spray=_spray(float(verdict.air_miss[i])),
        stray=float(verdict.stray[i]) if known else None, may_leave=bool(verdict.may_leave[i]) if known else None,
        drops_per_min=float(verdict.dose[i]) / stack.drop if stack.drop else None,
    ) for i, name in enumerate(stack.names)]  # fmt: skip
    return tuple(rows[i] for i in stack.in_file)


def generators_of(settings: Settings, points: tuple[PointResult, ...]) -> list[dict[str, Any]]:
    """The generators by rising rate, each with its points."""
    return [{"rate_per_min": rate, "points": [p.name for p in points if p.generator == number]}
            for number, rate in enumerate(settings.generators, 1)]  # fmt: skip


def _spray(air_miss: float) -> str:
    return "in window" if air_miss == 0 else "too little air" if air_miss < 0 else "too much air"
