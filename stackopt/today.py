"""What is set today: what it does, what would change, and the answer with the fewest changes."""

import time
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, ClassVar

import numpy as np

from stackopt.errors import LIMITS, Fault, ProblemError, known, library
from stackopt.figures import Objective, PointResult, objective_of, points_of
from stackopt.judge import Settings, Verdict, judge
from stackopt.optimise.changes import Kept, fewest_changes
from stackopt.physics.spray import air_miss
from stackopt.problem.branches import OUTLET
from stackopt.problem.model import Problem
from stackopt.problem.rules import path
from stackopt.result import Result, solve
from stackopt.stack import Stack
from stackopt.supply import settled
from stackopt.words import in_file_order


def changes_of(stack: Stack, settings: Settings) -> list[dict[str, Any]]:
    """What to change against today, in the order of the file: rate, pump, mark, turns, each from what to what.

    >>> from stackopt.stack import _example
    >>> stack = replace(Stack.of(_example()), now_rate=6.0, now=((1, 0), (0, 0)))
    >>> changes_of(stack, Settings.at(6.0, (1, 0), (0, 1)))
    [{'point': 'b', 'key': 'turns', 'from': 1.0, 'to': 2.0}]
    """
    found: list[dict[str, Any]] = []
    if stack.now_rate is not None:
        found += [{"point": None, "key": "rate_per_min", "from": stack.now_rate, "to": rate}
                  for rate in settings.generators if abs(rate - stack.now_rate) > 1e-9 * rate]  # fmt: skip
    for i in stack.in_file:
        now = stack.now[i]
        if now is None:
            continue
        (stroke, screw), to_stroke, to_screw = now, settings.stroke[i], settings.screw[i]
        for key, before, after in (
            ("pump", stack.pumps[i][stroke], stack.pumps[i][to_stroke]),
            ("mark", stack.marks[i][stroke], stack.marks[i][to_stroke]),
            ("turns", stack.turns[i][screw], stack.turns[i][to_screw]),
        ):
            if before != after:
                found.append({"point": stack.names[i], "key": key, "from": before, "to": after})
    return found


@dataclass(frozen=True, eq=False)
class KeptResult(Result):
    """The answer with the fewest changes among those nearly as good as the best."""

    kept: Kept | None = None
    best_value: float | None = None  # of the best settings
    @property
    def settings(self) -> Settings | None:
        """What is dialled in, in the order of the stack."""
        return self.kept.settings if self.kept else self.outcome.settings

    @property
    def gap(self) -> float | None:
        """How far the answer is from the best: what keeping costs."""
        if self.kept is None or self.objective is None or self.bound is None or self.bound.value is None:
            return super().gap
        return self.objective.value - self.bound.value

    proved: ClassVar[str] = "nearly the best, and of such the fewest changes, proved"

    def text(self, measures: str = "metric") -> str:
        """The answer to read, as `Result.text` has it."""
        from stackopt.report.today_text import kept_lines

        changes = changes_of(self.stack, self.settings) if self.settings else []
        return "\n".join([*kept_lines(self, changes), super().text(measures)])

    def to_dict(self) -> dict[str, Any]:
        """The answer as plain data."""
        changes = changes_of(self.stack, self.settings) if self.settings else []
        kept = None if self.kept is None else {"changes": self.kept.changes, "proved": self.kept.proved,
                                               "best_value": self.best_value}  # fmt: skip
        return super().to_dict() | {"kept": kept, "changes": changes}


def keep(problem: Problem) -> KeptResult:
    """Like `solve`, but with the fewest changes against today that keep the least excess and nearly the best value.

    Nearly: within the larger of 1 % of it and 0.001. Raises `ProblemError` where the file says nothing of today.
    """
    start = time.perf_counter()
    _today(problem, whole=False)
    best = solve(problem)
    if best.status != "optimal" or best.settings is None:
        return KeptResult(problem, best.stack, best.outcome, best.seconds)
    try:
        with library("looking for the fewest changes", of=LIMITS):
            kept = fewest_changes(best.stack, best.settings)
    except KeyboardInterrupt:
        return KeptResult(problem, best.stack, replace(best.outcome, status="interrupted"), time.perf_counter() - start)
    status = "optimal" if kept.proved else "time limit"
    return KeptResult(problem, best.stack, replace(best.outcome, status=status), time.perf_counter() - start, kept=kept,
                      best_value=known(best.objective).value)  # fmt: skip


@dataclass(frozen=True)
class Closed:
    """What closing one point's screw does to the others, where a line lies before the stack."""

    point: str
    stack_pressure_bar: float  # gauge
    others_air: float  # the largest change of another point's air, share
    leaves: tuple[str, ...]  # points that leave their window by it


def closing(stack: Stack, settings: Settings, verdict: Verdict) -> list[Closed]:
    """What happens at the others when one screw after the other is closed; nothing without a line.

    >>> from stackopt.stack import _example
    >>> stack = replace(Stack.of(_example()), line=(0.5, 0.3))
    >>> settings = Settings.at(6.0, (1, 0), (0, 1))
    >>> [(one.point, round(one.others_air, 3)) for one in closing(stack, settings, judge(stack, settings))]
    [('b', 0.063), ('a', 0.038)]
    """
    if stack.line is None or len(stack.names) < 2:
        return []
    point, rates = np.arange(len(stack.names)), np.array(settings.rates)
    drive = float((rates * stack.drive[point, list(settings.stroke)]).sum())
    found = []
    for i in stack.in_file:
        screws = tuple(None if k == i else screw for k, screw in enumerate(settings.screw))
        pressure, flow = settled(stack, screws, drive)
        others = point != i
        change = flow[others] / verdict.flow[others] - 1
        low, high = verdict.air_min[others], verdict.air_max[others]
        miss = air_miss(flow[others], low, high, stack.reference[others])
        left = np.flatnonzero(others)[(miss > 0) & (verdict.air_miss[others] == 0)]
        found.append(Closed(stack.names[i], pressure - OUTLET, float(change[np.abs(change).argmax()]),
                            tuple(in_file_order(stack, left.tolist()))))  # fmt: skip
    return found


@dataclass(frozen=True, eq=False)
class Check:
    """What today's settings do, beside the best ones."""

    problem: Problem
    stack: Stack
    settings: Settings
    best: Result

    def unexplained(self) -> "Check":
        """The same without what would have to be searched for."""
        return replace(self, best=self.best.unexplained())

    @property
    def exit_code(self) -> int:
        """As the best settings have it."""
        return self.best.exit_code

    @cached_property
    def verdict(self) -> Verdict:
        """The judge's figures of today."""
        return judge(self.stack, self.settings)

    @cached_property
    def points(self) -> tuple[PointResult, ...]:
        """Today's points in the order of the file."""
        return points_of(self.stack, self.settings, self.verdict)

    @cached_property
    def objective(self) -> Objective:
        """What today's settings are worth."""
        return objective_of(self.stack, self.verdict)

    @property
    def broken(self) -> list[str]:
        """The hard rules that today's settings do not keep, as the file names them."""
        return broken_rules(self.stack, self.settings, self.verdict)

    @cached_property
    def closing(self) -> list[Closed]:
        """What closing one screw does to the others, where a line lies before the stack."""
        return closing(self.stack, self.settings, self.verdict) if self.verdict.pressure > OUTLET else []

    @property
    def changes(self) -> list[dict[str, Any]]:
        """What leads from today's settings to the best."""
        return changes_of(self.stack, self.best.settings) if self.best.settings else []

    def to_dict(self) -> dict[str, Any]:
        """The answer as plain data, as `stackopt check --json` prints it."""
        return {
            "format": "stackopt.check/1",
            "file": self.problem.file,
            "title": self.problem.title,
            "now": {
                "rate_per_min": self.settings.rate,
                "in_tolerance": self.verdict.in_tolerance,
                "allowed": self.verdict.allowed,
                "broken": self.broken,
                "points": [vars(point) for point in self.points],
                "air": {"total_L_per_min": self.verdict.air, "capacity_L_per_min": self.stack.capacity,
                        "share": self.objective.air_share, "supply_pressure_bar": self.stack.pressure - OUTLET,
                        "stack_pressure_bar": self.verdict.pressure - OUTLET},
                "objective": vars(self.objective),
                "closing": [{**vars(one), "leaves": list(one.leaves)} for one in self.closing],
            },
            "best": self.best.to_dict(),
            "changes": self.changes,
        }  # fmt: skip

    def text(self, measures: str = "metric") -> str:
        """The answer to read, in "metric", "normal" or "us" units, as `Result.text` has them."""
        from stackopt.report.today_text import check_text

        return check_text(self, measures)

    def __str__(self) -> str:
        return self.text()


def broken_rules(stack: Stack, settings: Settings, verdict: Verdict) -> list[str]:
    """The hard rules that settings do not keep, as the file names them.

    >>> from stackopt.stack import _example
    >>> stack = replace(Stack.of(_example()), capacity=50.0)
    >>> settings = Settings.at(6.0, (1, 0), (0, 1))
    >>> broken_rules(stack, settings, judge(stack, settings))
    ['capacity']
    """
    found = list(verdict.broken)
    if verdict.air > stack.capacity * (1 + 1e-9):
        found.append("capacity")
    if verdict.pressure <= OUTLET:
        found.append("line")
    stalls = stack.stalls(verdict.pressure)
    for i, (name, rate, stroke) in enumerate(zip(stack.names, settings.rates, settings.stroke, strict=True)):
        if rate < stack.rate_min[i] * (1 - 1e-12):
            found.append(f"cut of {name}")
        if stack.barred[i, stroke]:
            found.append(f"fluids of {stack.pumps[i][stroke]}")
        elif stalls[i, stroke]:
            found.append(f"min_pressure of {stack.pumps[i][stroke]}")
        elif rate > stack.rate_max[i, stroke] * (1 + 1e-12):
            found.append(f"max_rate of {stack.pumps[i][stroke]}")
    return list(dict.fromkeys(found))


def check(problem: Problem) -> Check:
    """What is set today (`now`) and what it does, beside the best settings.

    Raises `ProblemError` where a `now` is missing.
    """
    _today(problem, whole=True)
    best = solve(problem)
    stack = best.stack
    stroke, screw = zip(*(today for today in stack.now if today is not None), strict=True)
    return Check(problem, stack, Settings.at(known(stack.now_rate), stroke, screw), best)


def _today(problem: Problem, whole: bool) -> None:
    """Refuse a problem that does not say what is set today: all of it (whole), or at least something."""
    missing = [] if problem.generator.now else [Fault("generator.now", "nothing", "today's rate, as in '20/min'")]
    missing += [Fault(path(("point", i, "now")), "nothing", "today's setting, as in { mark = \"1\", turns = 1.5 }")
                for i, point in enumerate(problem.point) if point.now is None]  # fmt: skip
    if missing and (whole or len(missing) > len(problem.point)):
        raise ProblemError(tuple(missing), problem.file)
