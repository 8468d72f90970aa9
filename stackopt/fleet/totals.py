"""What a works takes together: fluid a week with the central tank for it, and pumps by their kind."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from stackopt.fleet.plant_file import Machine, Works
from stackopt.judge import Settings, Verdict
from stackopt.physics import reservoir
from stackopt.stack import Stack


@dataclass(frozen=True)
class TankSize:
    """One size of the central tank. Hours are of work."""

    size_mL: float
    lasts_h: float
    refills_per_week: float | None  # needs the hours a week
    enough: bool | None  # whether it lasts from one filling to the next; None where that is not given


@dataclass(frozen=True)
class FluidUse:
    """A fluid of the works, by kind and name; each needs a tank of its own."""

    kind: str
    name: str | None
    machines: tuple[str, ...]
    mL_per_h: float  # of work, as a mean
    L_per_week: float | None  # needs the hours a week
    tanks: tuple[TankSize, ...]

    def to_dict(self) -> dict[str, Any]:
        """The use as plain data."""
        return {**vars(self), "machines": list(self.machines), "tanks": [vars(size) for size in self.tanks]}


@dataclass(frozen=True)
class PumpStock:
    """A kind of pump, and how many pieces of it all machines have."""

    pump: str
    pieces: int
    machines: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """The stock as plain data."""
        return {**vars(self), "machines": list(self.machines)}


def fluids_of(works: Works, verdicts: Sequence[Verdict]) -> tuple[FluidUse, ...]:
    """The fluids by kind and name, with what the machines use of each while they run."""
    used: dict[tuple[str, str | None], list[tuple[Machine, float]]] = defaultdict(list)
    for machine, verdict in zip(works.machines, verdicts, strict=True):
        fluid = machine.problem.fluid
        used[fluid.kind, fluid.name].append((machine, float(verdict.dose.sum()) * 60 * machine.times(False)))
    found = []
    for (kind, name), parts in sorted(used.items(), key=lambda item: (item[0][0], item[0][1] or "")):
        dose, hours, wanted = sum(part for _, part in parts), works.hours, works.refill_every
        sizes = []
        for size in works.tanks:
            lasts = float(reservoir.hours_to_empty(size, dose))
            weekly = None if hours is None else float(reservoir.refills_per_week(size, dose, hours))
            sizes.append(TankSize(size, lasts, weekly, None if wanted is None else lasts >= wanted * (1 - 1e-9)))
        week = None if hours is None else dose * hours / 1000
        found.append(FluidUse(kind, name, tuple(m.name for m, _ in parts), dose, week, tuple(sizes)))
    return tuple(found)


def stock_of_pumps(works: Works, stacks: Sequence[Stack], settings: Sequence[Settings]) -> tuple[PumpStock, ...]:
    """The kinds of pump that are set, by name, with the pieces that all machines have of them."""
    pieces: dict[str, int] = defaultdict(int)
    where: dict[str, list[str]] = defaultdict(list)
    for machine, stack, chosen in zip(works.machines, stacks, settings, strict=True):
        counts = {point.name: point.count for point in machine.problem.point}
        for i, name in enumerate(stack.names):
            pump = stack.pumps[i][chosen.stroke[i]]
            pieces[pump] += counts[name] * machine.count
            if where[pump][-1:] != [machine.name]:
                where[pump].append(machine.name)
    return tuple(PumpStock(pump, pieces[pump], tuple(where[pump])) for pump in sorted(pieces))
