"""The spine: one machine as frozen arrays in mL, min and L ANR, its points in the order of their names.

Every later step works on this alone. Shapes are given as [points], [points, strokes] (a stroke is a pump
and one of its marks) and [points, screws]; shorter rows are filled up with nan (strokes, flows).
"""

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from stackopt.arrays import Array as Array
from stackopt.physics import spray
from stackopt.problem.branches import Branch, line_of
from stackopt.problem.constraints import Constraint, Machine
from stackopt.problem.model import DoseWindow, FlowWindow, Point, Problem
from stackopt.problem.rules import machine_of, share_of

ROUNDING = 1e-12  # of a rate or pressure: what rounding alone may part from a limit of dial, cut or pump


@dataclass(frozen=True, eq=False)
class Stack:
    """One machine in numbers.

    >>> stack = Stack.of(_example())
    >>> stack.names, stack.stroke.shape, stack.flow.shape
    (('a', 'b'), (2, 3), (2, 2))
    >>> stack.stroke[0]  # the largest stroke first [mL]
    array([0.06 , 0.036, 0.012])
    """

    names: tuple[str, ...]
    place: tuple[int, ...]  # [points] where each stands in the file
    dose: Array  # [points] required dose D, mL/min
    below: Array  # [points] how far it may fall short, share of D
    above: Array  # [points] how far it may exceed, share of D
    weight: Array  # [points] share of the sum of all weights
    ratio_min: Array  # [points] least air per oil, L/mL; 0 where not given
    ratio_max: Array  # [points] most air per oil, L/mL; infinity where not given
    flow_min: Array  # [points] least air, L/min; 0 where not given
    flow_max: Array  # [points] most air, L/min; infinity where not given
    reference: Array  # [points] foot of the window at the required dose, L(D), L/min
    rate_min: Array  # [points] lowest rate by the cut, 1/min; 0 where not given
    stroke: Array  # [points, strokes] output of one stroke v f, mL; the largest first, equal ones as written
    drive: Array  # [points, strokes] drive air of one stroke, L
    rate_max: Array  # [points, strokes] highest rate of the pump, 1/min; infinity where not given, 0 where barred
    barred: NDArray[np.bool_]  # [points, strokes] where the pump's seals do not take the fluid
    pressure_min: Array  # [points, strokes] below it the pump stalls, bar absolute; 0 where not given
    stray: Array  # [points, strokes] how far the dose may stray: drift of the rate and spread of the mark, share
    price: Array  # [points, strokes] relative cost of the pump
    flow: Array  # [points, screws] nozzle air at `pressure`, L/min; rising; only settings with flow
    nozzle: NDArray[np.intp]  # [points] which of the distinct rows of flow it has
    branches: tuple[Branch, ...]  # what each of the distinct rows is at other pressures
    pressure: float  # at the stack, bar absolute; with a line, before the line
    line: tuple[float, float] | None  # conductance [L/(s bar)] and critical ratio of what lies between
    pumps: tuple[tuple[str, ...], ...]  # [points][strokes] the pump of each stroke
    marks: tuple[tuple[str, ...], ...]  # [points][strokes] and its mark
    turns: tuple[tuple[float, ...], ...]  # [points][screws] turns from closed
    low: float  # the dial, 1/min
    high: float
    step: float | None  # None: the dial is free
    drift: float  # of the rate, share
    count: int  # how many generators, each with a rate of its own, may be used
    capacity: float  # L/min
    air_weight: float
    price_weight: float
    worst: bool  # X and E are the largest of the points', not their weighted means
    robust: bool  # x is the worst within the stray
    time_limit: float  # s
    rules: dict[str, Constraint]  # hard rules of the file by name
    machine: Machine  # what they refer to
    now_rate: float | None  # what is set today, 1/min
    now: tuple[tuple[int, int] | None, ...]  # [points] stroke and screw of today
    nozzle_names: tuple[str, ...]  # of the distinct rows of flow
    notes: tuple[str, ...]  # where an equation of the air is used outside its range
    drop: float | None  # volume of one drop, mL; None where it is not known
    also: tuple[float, ...] = ()  # rates to compare on a free dial besides those where something turns, 1/min

    @classmethod
    def of(cls, problem: Problem) -> "Stack":
        """The stack of a problem."""
        sizes = problem.sizes
        order = sorted(range(len(problem.point)), key=lambda i: problem.point[i].name)
        points = [problem.point[i] for i in order]
        rows = {(point.pump, point.count): point for point in points}  # few kinds, many points
        kinds_of = {key: _strokes(problem, point, sizes) for key, point in rows.items()}
        strokes = [kinds_of[point.pump, point.count] for point in points]
        pressure = problem.air.pressure.number
        notes: list[str] = []
        kinds: dict[str, int] = {}
        nozzle = np.array([kinds.setdefault(point.nozzle, len(kinds)) for point in points])
        branches = tuple(Branch.of(problem.nozzles[name], pressure) for name in kinds)
        flows = [branch.flow(pressure).tolist() for branch in branches]
        dose = np.array([point.dose.at(sizes) for point in points])
        edges = [_window(point, sizes) for point in points]
        ratio_min, ratio_max, flow_min, flow_max = np.array(edges).T.copy()
        weight = np.array([point.weight for point in points])
        cuts = [point.cut.strokes / point.cut.time.number if point.cut else 0.0 for point in points]
        dial = problem.generator.rate
        pumps = tuple(tuple(s.pump for s in row) for row in strokes)
        marks = tuple(tuple(s.mark for s in row) for row in strokes)
        turns = tuple(branches[kind].turns for kind in nozzle)
        return cls(
            names=tuple(point.name for point in points),
            place=tuple(order),
            dose=dose,
            below=np.array([share_of(point.tolerance.below, point.dose, sizes) for point in points]),
            above=np.array([share_of(point.tolerance.above, point.dose, sizes) for point in points]),
            weight=weight / weight.sum(),
            ratio_min=ratio_min,
            ratio_max=ratio_max,
            flow_min=flow_min,
            flow_max=flow_max,
            reference=spray.window(dose, ratio_min, ratio_max, flow_min, flow_max)[0],
            rate_min=np.array(cuts),
            stroke=_filled([[s.volume for s in row] for row in strokes]),
            drive=_filled([[s.drive for s in row] for row in strokes]),
            rate_max=_filled([[0.0 if s.barred or s.least > pressure * (1 + ROUNDING) else s.top for s in row]
                              for row in strokes]),
            barred=_filled([[s.barred for s in row] for row in strokes]) == 1,
            pressure_min=_filled([[s.least for s in row] for row in strokes]),
            stray=_filled([[s.stray for s in row] for row in strokes]),
            price=_filled([[s.price for s in row] for row in strokes]),
            flow=_filled([flows[kind] for kind in nozzle]),
            nozzle=nozzle,
            branches=branches,
            pressure=pressure,
            line=line_of(problem.air.line, notes) if problem.air.line else None,
            notes=(*notes, *(f"nozzle {name}: {note}" for name, branch in zip(kinds, branches, strict=True)
                             for note in branch.notes)),
            nozzle_names=tuple(kinds),
            drop=sizes.get("drop"),
            pumps=pumps,
            marks=marks,
            turns=turns,
            low=dial.min.number,
            high=dial.max.number,
            step=dial.step.number if dial.step else None,
            drift=problem.generator.drift,
            count=problem.generator.count,
            capacity=problem.air.capacity.number,
            air_weight=problem.solve.air_weight,
            price_weight=problem.solve.price_weight,
            worst=problem.solve.objective == "worst",
            robust=problem.solve.robust,
            time_limit=problem.solve.time_limit.number * 60,
            rules=_named(problem.constraint),
            machine=machine_of(problem),
            now_rate=problem.generator.now.number if problem.generator.now else None,
            now=tuple(_today(point, pumps[i], marks[i], turns[i]) for i, point in enumerate(points)),
        )

    @cached_property
    def nozzles(self) -> list[tuple[NDArray[np.intp], Array]]:
        """The points of each distinct row of flow, and the row itself without its filling [L/min]."""
        groups = [np.flatnonzero(self.nozzle == kind) for kind in range(int(self.nozzle.max()) + 1)]
        return [(of, self.flow[of[0]][~np.isnan(self.flow[of[0]])]) for of in groups]

    def stalls(self, pressure: float) -> NDArray[np.bool_]:
        """Where a pressure [bar absolute] is too low for a pump [points, strokes]."""
        return self.pressure_min > pressure * (1 + ROUNDING)

    @property
    def stalled(self) -> NDArray[np.bool_]:
        """Where the pressure is too low for a pump even before the line [points, strokes]."""
        return self.stalls(self.pressure)

    @cached_property
    def in_file(self) -> tuple[int, ...]:
        """The points, by number, in the order of the file."""
        return tuple(np.argsort(self.place).tolist())

    def at(self, pressure: float) -> Array:
        """Nozzle air at a pressure at the stack [bar absolute], as `flow` [points, screws]."""
        flows = [branch.flow(pressure).tolist() for branch in self.branches]
        return _filled([flows[kind] for kind in self.nozzle])

    @cached_property
    def screws(self) -> int:
        """Screw settings in a row of `flow`; option o of a point is stroke o // screws with screw o % screws."""
        return len(self.flow[0])

    @cached_property
    def steps(self) -> Array:
        """The rates of a stepped dial [1/min]: min + k step, up to max."""
        if self.step is None:
            raise ValueError("a stepped dial")
        count = int(np.floor((self.high - self.low) / self.step * (1 + 1e-12) + 1e-9))
        rates: Array = np.minimum(self.low + self.step * np.arange(count + 1), self.high)
        return rates


def _named(rules: tuple[Constraint, ...]) -> dict[str, Constraint]:
    """The rules by name; one without a name gets one that no other has."""
    names = {rule.name for rule in rules}
    found = {}
    for i, rule in enumerate(rules, 1):
        name = rule.name or f"constraint {i}"
        while rule.name is None and name in names:
            name += " (without a name)"
        found[name] = rule
    return found


class _Stroke(NamedTuple):
    """A pump at a mark."""

    volume: float  # mL
    drive: float  # L
    top: float  # 1/min
    least: float  # bar absolute
    barred: bool
    stray: float
    price: float
    pump: str
    mark: str


def _strokes(problem: Problem, point: Point, sizes: dict[str, float]) -> list[_Stroke]:
    rows = []
    for name in point.pump:
        pump = problem.pumps[name]
        volume = pump.stroke_volume.at(sizes) * point.count
        drive = (problem.generator.stroke_air if pump.stroke_air is None else pump.stroke_air).number * point.count
        top = pump.max_rate.number if pump.max_rate else np.inf
        least = pump.min_pressure.number if pump.min_pressure else 0.0
        barred = pump.fluids is not None and problem.fluid.kind not in pump.fluids
        spread = pump.spread or {}
        for mark, share in pump.marks.items():
            stray = problem.generator.drift + spread.get(mark, spread.get("*", 0.0))
            rows.append(_Stroke(volume * share, drive, top, least, barred, stray, pump.price, name, mark))
    # Twelve digits, so that 0.06 x 0.5 and 0.03 x 1 are equal and stay in the order written.
    return sorted(rows, key=lambda row: -float(f"{row.volume:.12g}"))


def _today(point: Point, pumps: tuple[str, ...], marks: tuple[str, ...], turns: tuple[float, ...]
           ) -> tuple[int, int] | None:  # fmt: skip
    """Stroke and screw that a point is set to today."""
    if point.now is None:
        return None
    pump = point.now.pump or point.pump[0]
    return list(zip(pumps, marks, strict=True)).index((pump, point.now.mark)), turns.index(point.now.turns)


def _window(point: Point, sizes: dict[str, float]) -> tuple[float, float, float, float]:
    def ends(part: DoseWindow | FlowWindow | None) -> tuple[float, float]:
        low, high = (part.min, part.max) if part else (None, None)
        return low.at(sizes) if low else 0.0, high.at(sizes) if high else np.inf

    return *ends(point.air_per_dose), *ends(point.air_flow)


def _filled(rows: list[list[float]]) -> Array:
    """Rows of unequal length as one array, filled up with nan."""
    width = max(map(len, rows))
    if all(len(row) == width for row in rows):
        return np.array(rows, dtype=float)
    return np.array([row + [np.nan] * (width - len(row)) for row in rows])


def _example() -> Problem:
    """A small machine for the examples in docstrings."""
    point = {"tolerance": "10 %", "pump": "standard", "nozzle": "small", "air_per_dose": {"min": "150 L/mL"}}
    return Problem.model_validate({
        "fluid": {"kind": "neat oil"},
        "generator": {"rate": {"min": "4/min", "max": "60/min", "step": "1/min"}, "stroke_air": "0.01 L"},
        "pumps": {"standard": {"stroke_volume": "0.06 mL", "marks": {"1": 0.2, "2": 0.6, "3": 1.0}}},
        "nozzles": {"small": {"turns": [0, 1, 2], "flow": ["0 L/min", "32 L/min", "64 L/min"]}},
        "air": {"pressure": "6 bar", "capacity": "140 L/min"},
        "point": [{"name": "b", "dose": "22 mL/h", **point}, {"name": "a", "dose": "12 mL/h", **point}],
    })  # fmt: skip
