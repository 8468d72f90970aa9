"""How to check doses with a balance: strokes to collect, how long that takes, and what the balance should show."""

import math
from dataclasses import dataclass
from typing import Any

from stackopt.errors import known
from stackopt.judge import Settings
from stackopt.physics.weighing import rectangular
from stackopt.problem.model import Problem
from stackopt.stack import Stack

LONG = 15.0  # min that a check may take before a quicker one is proposed
COVER = 2.0  # standard uncertainties in the uncertainty that is asked for


@dataclass(frozen=True)
class PointCheck:
    """Strokes to collect from one point, and the mass to expect; the band is the point's tolerance."""

    name: str
    rate_per_min: float
    strokes: int
    minutes: float
    expected_g: float
    least_g: float
    most_g: float
    uncertainty: float  # that is reached, two standard uncertainties, share
    quick_rate_per_min: float | None  # where it takes over a quarter of an hour: the highest rate of dial and pump
    quick_minutes: float | None  # for as many strokes


@dataclass(frozen=True)
class WeighPlan:
    """A check of every point."""

    uncertainty: float  # that is asked for, share
    balance_g: float
    checks: tuple[PointCheck, ...]
    notes: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """The plan as plain data."""
        return {**vars(self), "checks": [vars(check) for check in self.checks], "notes": list(self.notes)}


def strokes_to_collect(stroke_g: float, balance_g: float, spread: float, uncertainty: float) -> int:
    """The fewest strokes whose mass is known well enough.

    u^2 = 2 (a/sqrt 3)^2/(n m)^2 + (s/sqrt 3)^2/n, the first for two readings of the balance (empty and full), the
    second for strokes that repeat within s, each on its own; both limits are taken as rectangular (GUM 4.3.7). The n
    is the least with 2 u at most the uncertainty asked for.

    Args:
        stroke_g: Mass of one stroke m, above 0 [g].
        balance_g: Limit of error of one reading a [g].
        spread: Limit of repeatability of a stroke s, share [-].
        uncertainty: Two standard uncertainties, share, above 0 [-].

    >>> strokes_to_collect(0.0552, 0.01, 0.0, 0.02)  # 2 sqrt(2) 0.01/sqrt(3)/(0.0552 n) <= 0.02
    15
    """
    scale = (COVER * math.sqrt(2) * rectangular(balance_g) / stroke_g) ** 2
    single = (COVER * rectangular(spread)) ** 2
    exact = (single + math.sqrt(single**2 + 4 * scale * uncertainty**2)) / (2 * uncertainty**2)
    return max(1, math.ceil(exact * (1 - 1e-12)))


def weigh_plan(problem: Problem, stack: Stack, settings: Settings) -> WeighPlan | None:
    """How to check each point at settings, in the order of the file; None where the file has no [weighing].

    >>> from stackopt.problem.model import Fluid, Weighing
    >>> from stackopt.stack import _example
    >>> change = {"weighing": Weighing(balance="0.01 g"), "fluid": Fluid(kind="neat oil", density="0.92 g/mL")}
    >>> problem = _example().model_copy(update=change)
    >>> found = weigh_plan(problem, Stack.of(problem), Settings.at(6.0, (1, 0), (0, 1)))
    >>> [(check.name, check.strokes, round(check.expected_g, 4)) for check in found.checks]
    [('b', 15, 0.828), ('a', 25, 0.828)]
    """
    given = problem.weighing
    if given is None:
        return None
    density, checks = known(problem.fluid.density).number, []
    for i in stack.in_file:
        stroke, rate = settings.stroke[i], settings.rates[i]
        spread = float(stack.stray[i, stroke]) - stack.drift
        mass = float(stack.stroke[i, stroke]) * density
        strokes = strokes_to_collect(mass, given.balance.number, spread, given.uncertainty)
        minutes = strokes / rate
        needed = float(stack.dose[i]) * density * minutes
        reached = math.hypot(math.sqrt(2) * rectangular(given.balance.number) / (strokes * mass),
                             rectangular(spread) / math.sqrt(strokes))  # fmt: skip
        quick = min(stack.high, float(stack.rate_max[i, stroke])) if minutes > LONG else None
        checks.append(PointCheck(
            stack.names[i], rate, strokes, minutes, strokes * mass, needed * (1 - float(stack.below[i])),
            needed * (1 + float(stack.above[i])), COVER * reached, quick, None if quick is None else strokes / quick,
        ))  # fmt: skip
    return WeighPlan(given.uncertainty, given.balance.number, tuple(checks), tuple(_notes(problem, stack, checks)))


def _notes(problem: Problem, stack: Stack, checks: list[PointCheck]) -> list[str]:
    found = ["count the strokes; the mass tells the stroke's volume, and the time over them the rate"]
    if not any(pump.spread for pump in problem.pumps.values()):
        found.append("no repeatability (spread) is given: the strokes are taken as all alike, and more may be needed")
    if any(check.quick_minutes is not None for check in checks):
        found.append(f"where collecting takes over {LONG:.0f} min: the same strokes at the highest rate tell the "
                     "stroke's volume sooner, if the pump then still fills; the rate is checked apart")  # fmt: skip
    if problem.fluid.kind == "vanishing":
        found.append("weigh in a closed vial, with a blank beside it for what evaporates; no ignition sources")
    return found
