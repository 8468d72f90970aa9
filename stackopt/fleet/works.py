"""Many machines on one compressor: the answer of `stackopt plant`, with its plain data for JSON."""

import time
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any, TypedDict

from stackopt.errors import LIMITS, known, library
from stackopt.fleet.choosing import chosen, offers_of
from stackopt.fleet.machine_share import MachineShare, share_of
from stackopt.fleet.plans_of import Plans
from stackopt.fleet.plant_file import Works, read_works
from stackopt.fleet.pool import cores
from stackopt.fleet.sharing import Share, relaxed
from stackopt.fleet.totals import FluidUse, PumpStock, fluids_of, stock_of_pumps
from stackopt.installed import decisive
from stackopt.judge import TIE
from stackopt.optimise.outcome import TINY
from stackopt.stack import Stack
from stackopt.words import MIST, VANISHING, number

_NAMED = 6  # machines in a warning
CAUTIONS = (
    "Check the settings at each machine; shut off and vent the air before touching screws or lines.",
    "Compressors, receivers and their safety valves are pressure equipment: sizing, installation and inspection follow "
    "local codes and licensed practice.",
    MIST,
)


class Bound(TypedDict):
    """What is not beaten; the error of those of least excess, None where that is not known."""

    excess: float
    mean_error: float | None


@dataclass(frozen=True, eq=False)
class Plant:
    """What each machine of a works is set to, with the air that they share."""

    works: Works
    plans: tuple[Plans, ...]  # [machines]
    sharing: Share
    seconds: float

    def unexplained(self) -> "Plant":
        """The same: all of it is known already."""
        return self

    @property
    def status(self) -> str:
        """The word for it: optimal (over the listed plans), infeasible, time limit, interrupted or unproved."""
        if self.sharing.status == "infeasible":
            return "infeasible"
        return next((one.status for one in self.plans if one.status != "optimal"), self.sharing.status)

    @cached_property
    @library("explaining", of=LIMITS)
    def machines(self) -> tuple[MachineShare, ...]:
        """The machines in the order of the file; empty without a choice. Raises SolverError, see `share_of`."""
        if self.sharing.choice is None:
            return ()
        stacks: dict[int, Stack] = {}
        found = []
        for machine, plans, k in zip(self.works.machines, self.plans, self.sharing.choice.tolist(), strict=True):
            if id(machine.problem) not in stacks:
                stacks[id(machine.problem)] = Stack.of(machine.problem)
            found.append(share_of(machine, plans, k, stacks[id(machine.problem)], self.works.peak))
        return tuple(found)

    @property
    def in_tolerance(self) -> bool:
        """Whether every point of every machine has its dose and its spray."""
        return bool(self.machines) and all(one.verdict.in_tolerance for one in self.machines)

    @property
    def exit_code(self) -> int:
        """What the command line ends with."""
        if self.status == "optimal":
            return 0 if self.in_tolerance else 3
        return {"infeasible": 4, "interrupted": 130}.get(self.status, 5)

    # Sums over the machines

    def _mean(self, figures: Sequence[float]) -> float:
        weights = [machine.weight for machine in self.works.machines]
        return sum(w * figure for w, figure in zip(weights, figures, strict=True)) / sum(weights)

    @cached_property
    def excess(self) -> float | None:
        """Weighted mean of the machines' excess."""
        return self._mean([one.verdict.least for one in self.machines]) if self.machines else None

    @cached_property
    def mean_error(self) -> float | None:
        """Weighted mean of the machines' errors."""
        return self._mean([one.verdict.mean_error for one in self.machines]) if self.machines else None

    @property
    def demand(self) -> float | None:
        """What counts against the capacity, others included [L/min]."""
        return self.works.others + sum(one.demand for one in self.machines) if self.machines else None

    @property
    def peak(self) -> float | None:
        """What all take that spray at once, others included [L/min]."""
        return self.works.others + sum(one.peak for one in self.machines) if self.machines else None

    def _with(self, airs: Sequence[float]) -> float:
        """The capacity for machines with such air each [L/min]."""
        return self.works.others + sum(
            machine.times(self.works.peak) * air for machine, air in zip(self.works.machines, airs, strict=True))

    @property
    def _known(self) -> bool:
        return all(one.lists for one in self.plans)

    @property
    def capacity_to_free_all(self) -> float | None:
        """The least capacity with which each machine has what it would have alone [L/min]."""
        return self._with([one.own.air for one in self.plans]) if self._known else None

    @property
    def capacity_for_tolerance(self) -> float | None:
        """The least capacity with which none has more excess than alone [L/min]."""
        return self._with([one.lists[0][0].plans[0].air for one in self.plans]) if self._known else None

    @property
    def least_capacity(self) -> float | None:
        """The least capacity with which all can run at all [L/min]; None where it was not asked for."""
        floors = [one.floor for one in self.plans if one.floor is not None]
        return self._with(floors) if len(floors) == len(self.plans) else None

    def _price(self, price: float | None) -> float | None:
        return None if price is None or not self.machines else price / (self.works.capacity - self.works.others)

    @property
    def price(self) -> float | None:
        """Weighted error that one more L/min saves, by the relaxation; None while more air would save excess."""
        return self._price(self.sharing.error_price)

    @property
    def excess_price(self) -> float | None:
        """Weighted excess that one more L/min saves, by the relaxation."""
        return self._price(self.sharing.excess_price)

    # Bounds

    @property
    def bound(self) -> Bound | None:
        """What no choice of listed plans beats; its error is None until the excess is proved."""
        found = self.sharing
        if found.excess_bound is None or any(one.status != "optimal" for one in self.plans):
            return None
        error = None if found.error_bound is None else min(found.error_bound, known(self.mean_error))
        return {"excess": min(found.excess_bound, known(self.excess)), "mean_error": error}

    @cached_property
    @library("explaining", of=LIMITS)
    def bound_of_all(self) -> Bound | None:
        """What no settings at all beat, listed or not, by the relaxation over the corners between listed plans."""
        if self.bound is None:
            return None
        own, excess = self._mean([one.own.excess for one in self.plans]), known(self.excess)
        if excess > own + TIE:
            if any(one.floor is None for one in self.plans):
                return {"excess": min(own, excess), "mean_error": None}
            least = self._relaxed([one.excess_corners() for one in self.plans])
            return {"excess": min(max(least, own), excess), "mean_error": None}
        if self.bound["mean_error"] is None:
            return {"excess": own, "mean_error": None}
        if all(levels[0].whole for one in self.plans for levels in one.lists):
            return {"excess": min(own, excess), "mean_error": self.bound["mean_error"]}
        least = self._relaxed([one.error_corners() for one in self.plans])
        return {"excess": min(own, excess), "mean_error": min(least, known(self.mean_error))}

    def _relaxed(self, corners: list[list[tuple[float, float]]]) -> float:
        offers = offers_of(self.works, [[(0.0, cost, air) for cost, air in row] for row in corners])
        return relaxed(offers.weight[:, None] * offers.error, offers.air)[0]

    def gap(self, bound: Bound | None) -> float | None:
        """How far the answer may be from a bound: in excess while that is more than a tie, else in error."""
        if bound is None or self.excess is None:
            return None
        apart = self.excess - bound["excess"]
        if apart > TIE:
            return apart
        if bound["mean_error"] is None:
            return None
        apart = known(self.mean_error) - bound["mean_error"]
        return apart if apart > TINY else 0.0

    # Words

    @cached_property
    def conflicts(self) -> list[dict[str, Any]]:
        """Which machines cannot have what they need, and why."""
        works, stuck = self.works, [k for k, one in enumerate(self.plans) if one.status == "infeasible"]
        if stuck:
            return [{"machines": [works.machines[k].name], "rules": [], "why":
                     f"no settings of {works.machines[k].name} keep the hard rules of its own file: stackopt solve "
                     f"with {works.machines[k].file} says which clash"} for k in stuck]  # fmt: skip
        everyone = [machine.name for machine in works.machines]
        if self.sharing.status == "infeasible":
            least = self.least_capacity
            if least is None or least > works.capacity * (1 + TIE):
                short = "" if least is None else f" {number(least)} L/min: {number(least - works.capacity)} too much"
                return [{"machines": everyone, "rules": ["capacity"],
                         "why": f"even the least air of all machines and other users together takes{short}"}]
            names = [rule.name for rule in works.rules]
            held = sorted({m for rule in works.rules for m in rule.machines})
            return [{"machines": [works.machines[m].name for m in held], "rules": [*names, "capacity"],
                     "why": f"no plans of all machines keep {', '.join(names)} within the shared air"}]
        kept_out = [one.machine.name for one in self.machines if one.verdict.least > one.alone.least + TIE]
        if not kept_out:
            return []
        rules = [rule.name for rule in works.rules]
        needed = number(known(self.capacity_for_tolerance))
        why = f"alone each would have less excess; together all need {needed} L/min, others included"
        why += f" (or {', '.join(rules)} stands against it)" if rules else f", and there are {number(works.capacity)}"
        return [{"machines": kept_out, "rules": [*rules, "capacity"], "why": why}]

    @property
    def warnings(self) -> list[str]:
        """What the engineer should know about this answer."""
        works, found = self.works, []
        for machine, plans in zip(works.machines, self.plans, strict=True):
            if plans.status not in ("optimal", "infeasible"):
                found.append(f"{machine.name}: its plans are not proved ({plans.status}); better ones may exist")
        if not self.machines:
            return found
        if not works.peak:
            found.append("what counts is the mean over time: a receiver must even out what machines take at once")
            peak = known(self.peak)
            if peak > works.capacity:
                found.append(f"if all spray at once they take {number(peak)} L/min of {number(works.capacity)}: "
                             "without a receiver that holds the difference the pressure falls")  # fmt: skip
        alone = [one.machine.name for one in self.machines if one.alone.least > TIE]
        if alone:
            more = f" and {len(alone) - _NAMED} more" if len(alone) > _NAMED else ""
            found.append(f"{', '.join(alone[:_NAMED])}{more}: out of tolerance even alone; stackopt solve with the "
                         "machine's file says why")  # fmt: skip
        if works.refill_every is not None:
            found += [f"{fluid.name or fluid.kind}: no tank lasts {number(works.refill_every)} h of work: "
                      f"{number(works.refill_every * fluid.mL_per_h / 1000)} L would"
                      for fluid in self.fluids if not any(size.enough for size in fluid.tanks)]  # fmt: skip
        return found

    @property
    def cautions(self) -> list[str]:
        """Words of caution that go with the settings."""
        kinds = {machine.problem.fluid.kind for machine in self.works.machines}
        return [*CAUTIONS, *([VANISHING] if "vanishing" in kinds else [])] if self.machines else []

    @property
    def method(self) -> str:
        """What is proved over what, in words."""
        count = sum(len(one.plans) for one in self.plans)
        # Of plans with more excess and less air only some are listed, whatever each level says of itself.
        whole = sum(all(len(levels) == 1 and levels[0].whole for levels in one.lists) for one in self.plans)
        return (f"of the {count} plans listed none are better together; "
                f"{whole} of {len(self.plans)} machines have all their plans listed")  # fmt: skip

    # Totals

    @cached_property
    def fluids(self) -> tuple[FluidUse, ...]:
        """What is used of each fluid, and its tanks."""
        return fluids_of(self.works, [one.verdict for one in self.machines]) if self.machines else ()

    @cached_property
    def pumps(self) -> tuple[PumpStock, ...]:
        """The kinds of pump, with the pieces of each."""
        if self.sharing.choice is None:
            return ()
        chosen = [one.plans.plans[k].settings
                  for one, k in zip(self.machines, self.sharing.choice.tolist(), strict=True)]  # fmt: skip
        return stock_of_pumps(self.works, [one.stack for one in self.machines], chosen)

    def to_dict(self) -> dict[str, Any]:
        """The answer as plain data, as `stackopt plant --json` prints it."""
        works = self.works
        return {
            "format": "stackopt.plant/1",
            "file": works.file,
            "title": works.title,
            "status": self.status,
            "in_tolerance": self.in_tolerance,
            "machines": [one.to_dict() for one in self.machines],
            "air": {
                "counted": "peak" if works.peak else "mean",
                "capacity_L_per_min": works.capacity,
                "others_L_per_min": works.others,
                "demand_L_per_min": self.demand,
                "peak_L_per_min": self.peak,
                "least_capacity_L_per_min": self.least_capacity,
                "capacity_for_tolerance_L_per_min": self.capacity_for_tolerance,
            },
            "capacity_to_free_all_L_per_min": self.capacity_to_free_all,
            "price_per_L_per_min": self.price,
            "excess_price_per_L_per_min": self.excess_price,
            "objective": {"excess": self.excess, "mean_error": self.mean_error} if self.machines else None,
            "bound": self.bound,
            "gap": self.gap(self.bound),
            "bound_of_all_settings": self.bound_of_all,
            "gap_to_all_settings": self.gap(self.bound_of_all),
            "conflicts": self.conflicts,
            "fluids": [fluid.to_dict() for fluid in self.fluids],
            "pumps": [pump.to_dict() for pump in self.pumps],
            "warnings": self.warnings,
            "cautions": self.cautions,
            "solve": {"method": self.method, "seconds": self.seconds, "versions": decisive()},
        }

    def text(self, width: int = 80) -> str:
        """The answer to read, in lines of at most 80 columns."""
        from stackopt.report.plant_text import plant_text

        return plant_text(self)

    def __str__(self) -> str:
        return self.text()


def plant(file: str | Path, jobs: int | None = None) -> Plant:
    """The settings of many machines that share one supply of air.

    Of each machine's plans one is chosen: first the least excess weighted by priority and count, then the least
    weighted error, within the capacity that others leave.

    Args:
        file: The plant file.
        jobs: How many processes find the machines' plans; as many as there are cores unless given.

    Raises ProblemError with every fault of the plant's and all machines' files; SolverError where a solver or a process
    fails or the judge does not confirm a plan.
    """
    if jobs is not None and jobs < 1:
        raise ValueError(f"jobs is {jobs}; at least one is needed")
    start = time.perf_counter()
    with library("sharing the air", of=LIMITS):
        works = read_works(file)
        plans, sharing = chosen(works, cores() if jobs is None else jobs)
    return Plant(works, plans, sharing, time.perf_counter() - start)
