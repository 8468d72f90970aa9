"""The oil in its line: what it loses, what it holds, how long it takes to fill, and what a cold start does."""

import math
from dataclasses import dataclass
from typing import Any

from stackopt.beside.plain import without_warnings
from stackopt.errors import noting
from stackopt.judge import Settings
from stackopt.physics import oil
from stackopt.problem.model import OilLine, Problem
from stackopt.stack import Stack

SLOW = 15.0  # min; longer priming is worth a warning where the file does not say what the first cut is


@dataclass(frozen=True)
class Filling:
    """Strokes and minutes that fill an empty line."""

    strokes: int
    minutes: float


@dataclass(frozen=True)
class PointOil:
    """The oil line of one point; a figure that the file does not allow is None."""

    name: str
    mean_loss_bar: float | None  # at the mean flow
    stroke_loss_bar: float | None  # while the piston pushes
    cold_stroke_loss_bar: float | None  # the same with cold oil; of the mean flow where no stroke time is given
    at_settings: Filling
    fastest: Filling  # at full stroke and the highest rate of dial and pump
    strokes_to_refill: float  # how many strokes one line holds


@dataclass(frozen=True)
class OilLines:
    """All of them: one line a pump, each of the same length and bore."""

    kind: str
    hold_up_mL: float  # of one line
    viscosity_mm2_per_s: float | None  # at the temperature of the line
    cold_viscosity_mm2_per_s: float | None
    points: tuple[PointOil, ...]
    warnings: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """The lines as plain data."""
        points = [{**vars(p), "at_settings": vars(p.at_settings), "fastest": vars(p.fastest)} for p in self.points]
        return without_warnings(self) | {"points": points}


def oil_lines(problem: Problem, stack: Stack, settings: Settings) -> OilLines | None:
    """The oil lines at settings; None where the file has no [oil_line].

    Pressure losses need the viscosity, those of cold oil also `cold`, those of a stroke `stroke_time`. Where one line
    carries oil and air (single), the air drives the oil along: no loss is told, and what a full bore holds is the most
    that the line may hold.

    >>> from stackopt.problem.model import OilLine
    >>> from stackopt.stack import _example
    >>> line = OilLine(kind="coaxial", length="3 m", bore="2 mm")
    >>> problem = _example().model_copy(update={"oil_line": line})
    >>> found = oil_lines(problem, Stack.of(problem), Settings.at(6.0, (1, 0), (0, 1)))
    >>> round(found.hold_up_mL, 3), found.points[0].at_settings.strokes, found.points[0].mean_loss_bar
    (9.425, 158, None)
    """
    line = problem.oil_line
    if line is None:
        return None
    hold_up = float(oil.hold_up(line.length.number, line.bore.number))
    notes: list[str] = []
    with noting(notes):
        warm = _viscosity(problem, line.temperature.number if line.temperature else None)
        cold = _viscosity(problem, line.cold.number) if line.cold else None
        found = [_point(problem, line, stack, settings, i, hold_up, warm, cold) for i in stack.in_file]
    return OilLines(line.kind, hold_up, warm, cold, tuple(found),
                    (*_warnings(problem, line, found, warm, cold), *notes))  # fmt: skip


def _viscosity(problem: Problem, at: float | None) -> float | None:
    """Kinematic viscosity [mm^2/s] at a temperature, None where not known; of just one, the temperature may lack."""
    fluid = problem.fluid
    if not (fluid.viscosity and fluid.viscosity_at):
        return None
    known, values = [t.number for t in fluid.viscosity_at], [v.number for v in fluid.viscosity]
    if len(values) == 2:
        found = None if at is None else float(oil.viscosity_at(at, known, values))
        return found if found is not None and math.isfinite(found) else None
    return values[0] if at is None or abs(at - known[0]) <= 1e-9 else None


def _point(problem: Problem, line: OilLine, stack: Stack, settings: Settings, i: int, hold_up: float,
           warm: float | None, cold: float | None) -> PointOil:  # fmt: skip
    stroke, rate = settings.stroke[i], settings.rates[i]
    count = problem.point[stack.place[i]].count
    own = float(stack.stroke[i, stroke]) / count  # mL of one pump
    same = [s for s in range(len(stack.pumps[i])) if stack.pumps[i][s] == stack.pumps[i][stroke]]
    full = float(stack.stroke[i, same].max()) / count
    fastest = min(stack.high, float(stack.rate_max[i, stroke]))
    pushing = None if line.stroke_time is None else float(oil.stroke_flow(own, line.stroke_time.number * 60))

    def loss(viscosity: float | None, flow: float | None) -> float | None:
        density = problem.fluid.density
        if line.kind == "single" or viscosity is None or density is None or flow is None:
            return None
        return float(oil.pressure_loss(viscosity * density.number, line.length.number, flow, line.bore.number,
                                       density.number))  # fmt: skip

    def filling(volume: float, at: float) -> Filling:
        strokes, minutes = oil.priming(hold_up, volume, at)
        return Filling(int(strokes), float(minutes))

    return PointOil(
        name=stack.names[i], mean_loss_bar=loss(warm, own * rate), stroke_loss_bar=loss(warm, pushing),
        cold_stroke_loss_bar=loss(cold, own * rate if pushing is None else pushing),
        at_settings=filling(own, rate), fastest=filling(full, fastest), strokes_to_refill=hold_up / own,
    )  # fmt: skip


def _warnings(problem: Problem, line: OilLine, points: list[PointOil], warm: float | None, cold: float | None
              ) -> list[str]:  # fmt: skip
    found = []
    known = len(problem.fluid.viscosity or ())
    if known == 2 and line.temperature is None:
        found.append("the oil line has no temperature: which viscosity holds in it is not known")
    elif known and (warm is None or (line.cold and cold is None)):
        found.append("the viscosity at the oil line's temperature is not known: give two, near it")
    if line.kind == "single":
        found.append("single line: the air drives the oil along its wall; a full bore is the most that it may hold, "
                     "and no pressure loss is told")  # fmt: skip
    first = problem.cycle and (problem.cycle.spray or problem.cycle.time)
    cuts = [point.cut.time.number for point in problem.point if point.cut]
    limit = first.number if first else min(cuts, default=SLOW)
    late = [p for p in points if p.at_settings.minutes > limit * (1 + 1e-9)]
    if late:
        what = "the first part" if first else "the shortest cut" if cuts else "a quarter of an hour"
        worst = max(late, key=lambda p: p.at_settings.minutes)
        found.append(f"an empty oil line fills in up to {worst.at_settings.minutes:.3g} min at the settings ("
                     f"{worst.name}), longer than {what}: prime before cutting, at full stroke and highest rate "
                     f"{worst.fastest.minutes:.3g} min")  # fmt: skip
    pressures = [p.cold_stroke_loss_bar for p in points if p.cold_stroke_loss_bar]
    if pressures and max(pressures) > problem.air.pressure.number:
        found.append(f"cold oil would need up to {max(pressures):.3g} bar in its line, more than the drive air has: "
                     "strokes may stall until it warms")  # fmt: skip
    return found
