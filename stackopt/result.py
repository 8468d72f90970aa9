"""What comes out: a result with its proof, figures by the judge, and the same as plain data for JSON."""

import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, ClassVar, TypeVar

import numpy as np

from stackopt.advice import Advice, advise
from stackopt.beside.mist import TREND, Mist, mist_of
from stackopt.beside.oil import OilLines, oil_lines
from stackopt.beside.room import FLAMMABLE, RoomAir, fluid_warnings, room_air
from stackopt.beside.stock import Energy, Stock, energy_of, stock_of
from stackopt.beside.weighing_plan import WeighPlan, weigh_plan
from stackopt.errors import LIMITS, SolverError, known, library, noting
from stackopt.explain import part_warnings, pin
from stackopt.figures import Objective, PointResult, generators_of, objective_of, points_of
from stackopt.installed import decisive
from stackopt.judge import TIE, Settings, Verdict, judge
from stackopt.optimise import conflicts, coupled
from stackopt.optimise.clash import confirmed, groups_conflict, hard_clash, tolerance_clash
from stackopt.optimise.cover import Ask
from stackopt.optimise.outcome import Outcome
from stackopt.optimise.search import search
from stackopt.optimise.trial import Patience, Unsure
from stackopt.physics.drops import drop_volume
from stackopt.problem.branches import OUTLET
from stackopt.problem.model import Problem
from stackopt.proposals import changed
from stackopt.stack import Stack
from stackopt.whatif import Case, what_if
from stackopt.words import (
    MIST,
    UNDECIDED,
    VANISHING,
    conflict_words,
    groups_words,
    hard_words,
    in_file_order,
    number,
    tolerance_words,
)

T = TypeVar("T")

EXPLAIN = 10.0  # seconds that an explanation may take
ADVISE = 5.0  # and the advice
APART = 0.01  # on a free dial, a rate nearer than this share to another is no other rate
CAUTIONS = (
    "Shut off and vent the air before touching screws or lines; keep hands and face out of the jet, and check sprays "
    "on corrugated cardboard, never on skin.",
    MIST,
)
BURNS = "This fluid's vapour can burn: no ignition sources, no hot work; ask the safety officer."
_OTHERS = ("in_tolerance", "rate_per_min", "generators", "points", "air", "objective")  # told of a next best rate
STALLS = 2.8  # bar absolute; below it a nozzle whose critical ratio is not known may pass over 2 % less than scaled


@dataclass(frozen=True)
class Bound:
    """What no settings can beat: the excess, and the value among those of least excess; None if not proved."""

    excess: float | None
    value: float | None


@dataclass(frozen=True, eq=False)
class Result:
    """The answer to one problem. Explanations are computed when first read.

    >>> from stackopt.stack import _example
    >>> result = solve(_example())
    >>> result.status, result.rate, result.in_tolerance, result.points[0].mark
    ('optimal', 6.0, True, '3')
    """

    problem: Problem
    stack: Stack
    outcome: Outcome
    seconds: float
    explained: bool = True  # else conflicts and other rates are left out

    proved: ClassVar[str] = "proved best"

    def unexplained(self) -> "Result":
        """The same answer without what would have to be searched for to explain it."""
        return replace(self, explained=False)

    @property
    def _patience(self) -> float:
        """Seconds that an explanation may take."""
        return min(EXPLAIN, self.stack.time_limit) if self.status in ("optimal", "infeasible") else 0.5

    @property
    def status(self) -> str:
        """optimal, infeasible, time limit, interrupted or unproved."""
        return self.outcome.status

    @property
    def settings(self) -> Settings | None:
        """What is dialled in, in the order of the stack."""
        return self.outcome.settings

    @property
    def rate(self) -> float | None:
        """Strokes per minute; None where several generators run at rates of their own (see `settings.generators`)."""
        return self.settings.rate if self.settings and len(self.settings.generators) == 1 else None

    @cached_property
    def verdict(self) -> Verdict | None:
        """The judge's figures, points in the order of the stack."""
        return judge(self.stack, self.settings) if self.settings else None

    @property
    def in_tolerance(self) -> bool:
        """Whether every point has its dose and its spray."""
        return self.verdict is not None and self.verdict.in_tolerance

    @property
    def slipped(self) -> bool:
        """Whether points are out of tolerance by no more, weighted, than counts as a tie."""
        return self.verdict is not None and not self.in_tolerance and self.verdict.least <= TIE

    @property
    def exit_code(self) -> int:
        """What the command line ends with."""
        if self.status == "optimal":
            return 0 if self.in_tolerance else 3
        return {"infeasible": 4, "interrupted": 130}.get(self.status, 5)

    @cached_property
    def points(self) -> tuple[PointResult, ...]:
        """The points in the order of the file; empty without settings."""
        if self.verdict is None or self.settings is None:
            return ()
        return points_of(self.stack, self.settings, self.verdict)

    @property
    def generators(self) -> list[dict[str, Any]]:
        """The generators by rising rate, each with its rate and points; empty without settings."""
        return generators_of(self.settings, self.points) if self.settings else []

    @cached_property
    def objective(self) -> Objective | None:
        """What the settings are worth."""
        return objective_of(self.stack, self.verdict) if self.verdict is not None else None

    @cached_property
    def bound(self) -> Bound | None:
        """What is proved; None where nothing is."""
        excess, value, got = self.outcome.excess_bound, self.outcome.value_bound, self.objective
        if excess is None:
            return None
        # A bound and the judge's sum may part by rounding; the bound is never above what was reached.
        if got is not None:
            excess = min(excess, got.excess)
            value = None if value is None else min(value, got.value)
        return Bound(excess, value)

    @property
    def gap(self) -> float | None:
        """How far the answer may be from the best; 0 when proved."""
        if self.status == "optimal":
            return 0.0
        if self.bound is None or self.objective is None:
            return None
        apart = self.objective.excess - known(self.bound.excess)
        if apart > TIE:
            return apart
        return None if self.bound.value is None else self.objective.value - self.bound.value

    @cached_property
    def _missing(self) -> dict[str, str]:
        """What goes with the answer and was sought in vain, and why."""
        return {}

    def _sought(self, what: str, seek: Callable[[], T], without: T) -> T:
        """What is sought beside the answer, or the answer is told `without`: a solver that fails there spoils no more.

        Ctrl-C and the limits of the machine end all the same.
        """
        try:
            return seek()
        except SolverError as error:
            self._missing[what] = str(error)
            return without

    @cached_property
    @library("explaining", of=LIMITS)
    def rate_map(self) -> conflicts.RateMap:
        """Which rates serve which point."""
        found = self._sought("conflicts", lambda: conflicts.rate_map(self.stack, self._patience), None)
        return conflicts.rate_map(self.stack, 0.0) if found is None else found  # no solver this time

    @cached_property
    @library("explaining", of=LIMITS)
    def _air(self) -> tuple[conflicts.AirConflict | None, float | None]:
        none: tuple[conflicts.AirConflict | None, float | None] = (None, None)
        return self._sought("the air that would do", lambda: conflicts.air_conflict(self.stack, self._patience), none)

    @property
    def needed_air(self) -> float | None:
        """L/min that would serve every point, where the supply is what falls short; else None."""
        if not self.explained or self.settings is None or self.in_tolerance or self.rate_map.conflicts:
            return None
        if self.stack.rules or self.stack.count > 1 or self.stack.line is not None:
            return None  # the advice on capacity is solved with them
        needed = self._air[1]
        return needed if needed is not None and needed > self.stack.capacity else None

    @cached_property
    @library("explaining", of=LIMITS)
    def conflicts(self) -> list[dict[str, Any]]:
        """The smallest sets of points (and rules) that cannot be met together, with the reason in words."""
        return self._sought("conflicts", self._conflicts, []) if self.explained else []

    def _conflicts(self) -> list[dict[str, Any]]:
        stack = self.stack
        if self.status == "infeasible":
            return [hard_words(stack, hard_clash(stack, self._patience))]
        if self.verdict is None or self.in_tolerance:
            return []
        proved = self.status == "optimal"  # else only what is quickly known of the rates is told
        if stack.count > 1:
            if not proved:
                return []
            if sets := groups_conflict(stack, self._patience):
                return [groups_words(stack, self.rate_map, points) for points in sets]
        elif found := self.rate_map.conflicts:
            return [conflict_words(stack, self.rate_map, points) for points in found]
        if not proved:
            return []
        if stack.rules or stack.count > 1 or stack.line is not None:
            clash = tolerance_clash(stack, self._patience)
            told = [] if clash is None else [tolerance_words(stack, clash)]
        else:
            air = self._air[0]
            told = [] if air is None else [conflict_words(stack, self.rate_map, air.points, air)]
        if not told and self.verdict.least > TIE and "the air that would do" not in self._missing:
            self._missing.setdefault("conflicts", UNDECIDED["time limit"])
        return told

    @cached_property
    def next_best(self) -> list["Result"]:
        """The answers at the two next best rates, fewer where there are fewer or too little time."""
        patience = min(self._patience / 2, 1 + 3 * self.seconds)
        return self.alternatives(2, patience) if self.explained and self.status == "optimal" else []

    @library("explaining", of=LIMITS)
    def alternatives(self, count: int, seconds: float | None = None) -> list["Result"]:
        """The next best rates, each with its best settings: up to `count`, those that are proved within `seconds` each.

        On a free dial they are at least 1 % apart; with several generators none has all the rates of a better one.
        """
        found: list[Result] = []
        avoid = [self.settings.generators] if self.settings else []
        stack = self.stack if seconds is None else replace(self.stack, time_limit=seconds)
        apart = TIE if stack.step is not None else APART
        while avoid and len(found) < count:
            outcome = self._sought("next best rates", lambda: search(stack, tuple(avoid), apart), None)
            if outcome is not None and outcome.status == "interrupted":
                raise KeyboardInterrupt
            if outcome is not None and outcome.status not in ("optimal", "infeasible"):
                self._missing["next best rates"] = UNDECIDED[outcome.status]
            if outcome is None or outcome.status != "optimal" or outcome.settings is None:
                break
            found.append(Result(self.problem, self.stack, outcome, self.seconds))
            avoid.append(outcome.settings.generators)
        return found

    @cached_property
    @library("explaining", of=LIMITS)
    def advice(self) -> list[Advice]:
        """What to change so that points come into tolerance, each change solved again."""
        if not self.explained or self.settings is None or self.status != "optimal" or self.in_tolerance or self.slipped:
            return []
        found, missing = advise(self.problem, self.stack, self.settings, min(ADVISE, self._patience))
        if missing:
            self._missing["advice"] = "; ".join(missing)
        return found

    def changed(self, number: int = 1) -> Problem:
        """The problem with a piece of advice followed, counted from 1. IndexError where there is none."""
        return changed(self.problem, self.advice[number - 1].keys)

    @library("explaining", of=LIMITS)
    def what_if(self) -> list[Case]:
        """How the answer moves with less or more air, with the rate off by its drift, with a mark lost."""
        return what_if(self.stack)

    @cached_property
    @library("explaining", of=LIMITS)
    def pins(self) -> tuple[str, str] | None:
        """What stands against a lower rate and against a higher one, with the settings kept; of one generator."""
        if self.rate is None or self.settings is None or self.verdict is None:
            return None
        lower, higher = (pin(self.stack, self.settings, self.verdict, side) for side in (-1, +1))
        return lower, higher

    @property
    def warnings(self) -> list[str]:
        """What the engineer should know about this answer; and what of what was read so far could not be sought."""
        return [*self._warnings, *(f"{what}: not sought to the end ({why})" for what, why in self._missing.items())]

    @cached_property
    def _warnings(self) -> list[str]:
        found: list[str] = []
        verdict, settings = self.verdict, self.settings
        if verdict is None or settings is None:
            return found
        for point in self.points:
            low, high = point.air_min_L_per_min or 0.0, point.air_max_L_per_min
            if high is not None and low > high * (1 + 1e-9):
                found.append(f"{point.name}: no air fits this dose: at least {number(low)} and at most "
                             f"{number(high)} L/min are asked; the larger miss counts")  # fmt: skip
        found += [f"pump {name} is left out: its seals do not take {self.problem.fluid.kind}"
                  for name in self._out(self.stack.barred)]  # fmt: skip
        found += [f"pump {name} is left out: the supply's pressure is below its min_pressure"
                  for name in self._out(self.stack.stalled)]  # fmt: skip
        leaving = [p.name for p in self.points if p.may_leave and p.in_tolerance]
        if leaving:
            found.append(f"{', '.join(leaving)}: drift and spread may take dose or spray out of tolerance")
        for rate in settings.generators:
            found += [w for w in part_warnings(self.problem, rate) if w not in found]
        found += self._beside_warnings(verdict.pressure)
        if not self.explained:
            found.append("interrupted before the explanation: conflicts and other rates are left out")
        slipped = [p.name for p in self.points if not p.in_tolerance] if self.slipped else []
        if slipped:
            found.append(f"{', '.join(slipped)}: out of tolerance by so little, weighted, that it counts as a tie; "
                         "with more weight it would not")  # fmt: skip
        if self.explained and self.status == "optimal" and not self.in_tolerance:
            found += self._hopeless()
        return found

    def _hopeless(self) -> list[str]:
        """Points, in words, that no setting serves even alone, where the conflicts named are of rates for the doses."""
        if self.stack.line is not None or not self.rate_map.conflicts:
            return []
        bands = dict(zip(self.stack.names, self.rate_map.bands, strict=True))
        out = tuple(point for point, one in zip(self.problem.point, self.points, strict=True)
                    if not one.in_tolerance and bands[one.name])  # fmt: skip
        if not out:
            return []
        alone = Stack.of(self.problem.model_copy(update={"point": out, "constraint": ()}))
        try:
            served = Ask(alone, np.ones(len(out), dtype=bool), Patience(np.inf)).alone()
        except Unsure:
            self._missing["points that no setting serves"] = "there are too many"
            return []
        names = ", ".join(in_file_order(alone, np.flatnonzero(~served)))
        return [f"{names}: at no rate are dose and air in tolerance together, even alone"] if names else []

    def _out(self, where: np.ndarray) -> list[str]:
        """Pumps that points offer but that cannot be used."""
        rows = zip(self.stack.pumps, where, strict=True)
        return sorted({pump for row, out in rows for pump, barred in zip(row, out, strict=False) if barred})

    # What goes with the settings; each is None where the file does not ask for it or there are no settings.

    @cached_property
    def oil_line(self) -> OilLines | None:
        """The oil in its lines."""
        return oil_lines(self.problem, self.stack, self.settings) if self.settings else None

    @cached_property
    def reservoir(self) -> Stock | None:
        """How long the oil lasts."""
        return stock_of(self.problem, self.verdict) if self.verdict else None

    @cached_property
    def energy(self) -> Energy | None:
        """What the air takes and costs."""
        return energy_of(self.problem, self.verdict) if self.verdict else None

    @cached_property
    def room(self) -> RoomAir | None:
        """What stays in the air of the room."""
        return room_air(self.problem, self.verdict) if self.verdict else None

    @cached_property
    def weigh_plan(self) -> WeighPlan | None:
        """How to check the doses with a balance."""
        return weigh_plan(self.problem, self.stack, self.settings) if self.settings else None

    @cached_property
    def mist(self) -> tuple[Mist, ...]:
        """The spray of each point, in the order of the file."""
        if self.verdict is None or self.settings is None:
            return ()
        found = mist_of(self.problem, self.stack, self.settings, self.verdict)
        return tuple(found[i] for i in self.stack.in_file)

    def _beside_warnings(self, pressure: float) -> list[str]:
        """What the parts beside the settings warn of, at a pressure at the stack [bar absolute]."""
        stack, fluid = self.stack, self.problem.fluid
        found = [*stack.notes, *fluid_warnings(self.problem)]
        found += [f"nozzle {name}: its air is computed from its geometry, not measured" for name, branch in zip(
            stack.nozzle_names, stack.branches, strict=True) if branch.computed]  # fmt: skip
        scaled = [name for name, branch in zip(stack.nozzle_names, stack.branches, strict=True)
                  if branch.assumed and branch.measured_at != pressure]  # fmt: skip
        if scaled and pressure < STALLS:
            found.append(f"{', '.join(scaled)}: without a critical_ratio the air is scaled as that of an ideal nozzle; "
                         "at so low a pressure it may be several percent less")  # fmt: skip
        if fluid.drop is None and fluid.surface_tension and fluid.density and fluid.tip:
            with noting(found):
                drop_volume(fluid.surface_tension.number, fluid.density.number, fluid.tip.number)
        if any(one.mean_drop_um is not None for one in self.mist):
            found.append(TREND)
        for block in (self.oil_line, self.reservoir, self.energy, self.room):
            found += block.warnings if block else ()
        return found

    @property
    def cautions(self) -> list[str]:
        """Words of caution that go with the settings."""
        fluid = self.problem.fluid
        burns = fluid.lower_flammable_limit is not None or bool(
            fluid.flash_point and fluid.flash_point.number <= FLAMMABLE)  # fmt: skip
        more = [VANISHING] if fluid.kind == "vanishing" else [BURNS] if burns else []
        return [*CAUTIONS, *more]

    @property
    def method(self) -> str:
        """How the answer was proved, in a line."""
        closed = [f"{count} by {way}" for way, count in self.outcome.closed.items() if count]
        whole = "rates" if self.stack.step is not None else "rates and intervals"
        whole = f"sets of {self.stack.count} {whole}" if self.stack.count > 1 else whole
        twice = coupled.needs(self.stack) or self.stack.line is not None
        stages = ", for the excess and then for the value" if twice else ""
        return f"{whole} ruled out or solved{stages}: {', '.join(closed) or 'none'}"

    def to_dict(self) -> dict[str, Any]:
        """The answer as plain data, as `stackopt solve --json` prints it."""
        verdict, objective, bound = self.verdict, self.objective, self.bound
        return {
            "format": "stackopt.result/1",
            "file": self.problem.file,
            "title": self.problem.title,
            "status": self.status,
            "in_tolerance": self.in_tolerance,
            "rate_per_min": self.rate,
            "generators": self.generators,
            "points": [{**vars(point), **vars(mist)} for point, mist in zip(self.points, self.mist, strict=True)],
            "air": {
                "total_L_per_min": verdict.air if verdict else None,
                "capacity_L_per_min": self.stack.capacity,
                "share": objective.air_share if objective else None,
                "needed_L_per_min": self.needed_air,
                "supply_pressure_bar": self.stack.pressure - OUTLET,
                "stack_pressure_bar": verdict.pressure - OUTLET if verdict else None,
            },
            "objective": vars(objective) if objective else None,
            "bound": vars(bound) if bound else None,
            "gap": self.gap,
            "conflicts": self.conflicts,
            "advice": [advice.to_dict() for advice in self.advice],
            "warnings": self.warnings,
            "cautions": self.cautions,
            **{name: block.to_dict() if block else None for name, block in (
                ("oil_line", self.oil_line), ("reservoir", self.reservoir), ("energy", self.energy),
                ("room", self.room), ("weigh_plan", self.weigh_plan))},
            "solve": {"method": self.method, "seconds": self.seconds, "versions": decisive()},
        }

    def text(self, measures: str = "metric") -> str:
        """The answer to read, in "metric" units (L/min ANR), "normal" (air in Nm^3/h) or "us" ones."""
        from stackopt.report.terminal import result_text

        return result_text(self, measures)

    def __str__(self) -> str:
        return self.text()

    def _repr_html_(self) -> str:
        from stackopt.report.notebook import result_html

        return result_html(self)


def solve(problem: Problem) -> Result:
    """The best settings of a machine, proved, or why there are none. Never changes `problem`.

    Raises `SolverError` where a solver fails or the judge does not confirm an answer.
    """
    start = time.perf_counter()
    with library("solving", of=LIMITS):
        stack = Stack.of(problem)
        outcome = confirmed(stack, search(stack), time.monotonic() + min(EXPLAIN, stack.time_limit))
    return Result(problem, stack, outcome, time.perf_counter() - start)


def data_of(answer: Any, alternatives: int = 0, what_if: bool = False) -> dict[str, Any]:
    """An answer as plain data; that of `solve` with so many next best rates, or with what happens if, where asked."""
    others = answer.alternatives(alternatives) if alternatives else []  # first, since the answer says what of it fails
    data: dict[str, Any] = answer.to_dict()
    if alternatives:
        data["alternatives"] = [{key: value for key, value in other.to_dict().items() if key in _OTHERS}
                                for other in others]  # fmt: skip
    if what_if:
        data["what_if"] = [case.to_dict() for case in answer.what_if()]
    return data
