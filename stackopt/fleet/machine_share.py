"""What one entry of a works gets: its plan, what it would have alone, and what it takes of the shared air."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from stackopt.errors import SolverError
from stackopt.figures import PointResult, generators_of, points_of
from stackopt.fleet.plans_of import Plans
from stackopt.fleet.plant_file import Machine
from stackopt.judge import Verdict, judge
from stackopt.stack import Stack


@dataclass(frozen=True, eq=False)
class MachineShare:
    """Machines of one file with the plan that they get; figures are of one of them unless they say otherwise."""

    machine: Machine
    plans: Plans
    stack: Stack
    verdict: Verdict  # of the plan
    alone: Verdict  # of its own best plan, all the air of its file its own
    points: tuple[PointResult, ...]
    generators: list[dict[str, Any]]
    alone_rate: float | None
    demand: float  # that counts against the capacity, of all of them [L/min]
    peak: float  # of all of them spraying at once [L/min]

    @property
    def rate(self) -> float | None:
        """Strokes per minute; None where several generators run at rates of their own."""
        return _only([one["rate_per_min"] for one in self.generators])

    def to_dict(self) -> dict[str, Any]:
        """The machines as plain data."""
        machine, verdict, alone = self.machine, self.verdict, self.alone
        return {
            "name": machine.name,
            "file": machine.file,
            "title": machine.problem.title,
            "count": machine.count,
            "running": machine.running,
            "priority": machine.priority,
            "in_tolerance": verdict.in_tolerance,
            "rate_per_min": self.rate,
            "generators": self.generators,
            "points": [vars(point) for point in self.points],
            "excess": verdict.least,
            "mean_error": verdict.mean_error,
            "air_L_per_min": verdict.air,
            "demand_L_per_min": self.demand,
            "peak_L_per_min": self.peak,
            "alone": {"excess": alone.least, "mean_error": alone.mean_error, "air_L_per_min": alone.air,
                      "rate_per_min": self.alone_rate},
            "costs": {"excess": verdict.least - alone.least, "mean_error": verdict.mean_error - alone.mean_error},
            "plans": len(self.plans.plans),
        }  # fmt: skip


def share_of(machine: Machine, plans: Plans, number: int, stack: Stack, peak: bool) -> MachineShare:
    """The figures of a machine with one of its plans, judged anew.

    Raises SolverError where the judge does not confirm the plan.
    """
    plan, own = plans.plans[number], plans.own
    verdict, alone = judge(stack, plan.settings), judge(stack, own.settings)
    if not verdict.allowed or (verdict.least, verdict.mean_error, verdict.air) != (plan.excess, plan.error, plan.air):
        raise SolverError(f"{machine.file}: the judge does not confirm the plan")
    points = points_of(stack, plan.settings, verdict)
    return MachineShare(machine, plans, stack, verdict, alone, points, generators_of(plan.settings, points),
                        _only(own.settings.generators), verdict.air * machine.times(peak),
                        verdict.air * machine.times(True))  # fmt: skip


def _only(rates: Sequence[float]) -> float | None:
    return rates[0] if len(rates) == 1 else None
