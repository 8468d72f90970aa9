"""Stroke volume and shares of the marks from weighed oil (or water), with their standard uncertainties.

A run is oil collected over so many strokes: v = (mass - tare) / density / strokes, for one pump. Runs of a mark count
alike, however many strokes they have: the plain mean and s / sqrt(n) are right wherever the scatter comes from.
"""

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np

from stackopt.errors import Fault, Faults, library
from stackopt.physics import weighing
from stackopt.problem.model import Point, Problem
from stackopt.problem.sheet import Row, place_of
from stackopt.proposals import Key, bare, changed, decimals, inline, key_of, refusals
from stackopt.words import MIST, number

COLUMNS = ("pump", "point", "mark", "strokes", "mass", "tare", "balance", "temperature", "run")
NEEDED = ("mark", "strokes", "mass")
FEW = 3  # a mark of fewer runs borrows the scatter of the pump's other marks
WARM = 3.0  # K between the runs of a pump from which that is told
REPLICATES = 10  # what ISO 8655-6:2002 asks for in checks with water
STROKES = 1e9  # more no one counts
CAUTIONS = (
    "Shut off and vent the air before opening lines; keep hands and face out of the jet while collecting.",
    MIST,
)
VANISHING = ("Fluids that vanish are often flammable and lose mass while they stand: a closed vial, no ignition "
             "sources; ask the safety officer.")  # fmt: skip


@dataclass(frozen=True)
class Run:
    """One weighing: output of one stroke of one pump, and what the balance makes unsure of it."""

    line: int
    pump: str
    point: str | None
    mark: str
    run: str | None
    strokes: int
    volume: float  # mL
    balance: float | None  # standard uncertainty by the balance, mL; None where its limit is not known
    temperature: float | None  # degC


@dataclass(frozen=True)
class MarkResult:
    """One mark: its share, and what it rests on. What is not known is None."""

    mark: str
    share: float  # the file's own where it was not weighed
    u_share: float | None
    share_in_file: float
    stroke_mL: float | None
    u_stroke_mL: float | None
    degrees_of_freedom: float | None  # of u_stroke_mL; None too where they are infinite
    runs: int
    strokes: int
    scatter: float | None  # standard deviation between its own runs, share of their mean
    scatter_from: str | None  # "runs", or "pooled" over the marks of the pump
    fitted: bool  # moved so that shares never fall
    spread: float | None  # two standard deviations between runs, where there are three or more


@dataclass(frozen=True)
class PointDifference:
    """How far the pumps of one point differ from the other runs of the same pump and mark."""

    point: str
    mark: str
    runs: int
    stroke_mL: float
    difference: float  # share of the mean of the others
    u_difference: float | None
    exceeds: bool | None  # twice that uncertainty


@dataclass(frozen=True)
class PumpResult:
    """A kind of pump. Where its full mark was not weighed, the stroke volume is still the file's."""

    pump: str
    stroke_volume_mL: float
    u_stroke_volume_mL: float | None
    degrees_of_freedom: float | None
    measured: bool
    full_mark: str | None
    stroke_volume_in_file_mL: float
    marks: tuple[MarkResult, ...]
    points: tuple[PointDifference, ...]

    @property
    def digits(self) -> int:
        """Decimal places of its shares."""
        others = [m for m in self.marks if m.runs and m.mark != self.full_mark]
        return max((decimals(m.share, m.u_share) for m in others), default=1)

    @property
    def written(self) -> dict[str, Any]:
        """The keys to write, as in the file."""
        marks = {m.mark: round(m.share, self.digits) if m.runs else m.share_in_file for m in self.marks}
        if not self.measured:
            return {"marks": marks}
        places = decimals(self.stroke_volume_mL, self.u_stroke_volume_mL)
        return {"stroke_volume": f"{self.stroke_volume_mL:.{places}f} mL", "marks": marks}


@dataclass(frozen=True)
class Outlier:
    """A run that lies too far from the others of its mark (Grubbs, 5 %); it counts all the same."""

    line: int
    run: str | None
    pump: str
    point: str | None
    mark: str
    stroke_mL: float
    mean_mL: float
    mean_without_mL: float
    deviations: float  # from the mean, in standard deviations


@dataclass(frozen=True, eq=False)
class Weighings:
    """What weighings say of the pumps."""

    problem: Problem
    csv: str
    runs: tuple[Run, ...]
    water: bool = False
    rising: bool = False

    @property
    def exit_code(self) -> int:
        """0: warnings are no failure."""
        return 0

    @cached_property
    def pumps(self) -> tuple[PumpResult, ...]:
        """The pumps that were weighed, in the order of the file."""
        return tuple(_pump(self.problem, name, runs, self.rising) for name in self.problem.pumps
                     if (runs := [run for run in self.runs if run.pump == name]))  # fmt: skip

    @cached_property
    def outliers(self) -> tuple[Outlier, ...]:
        """Runs far from the others of the same pump, point and mark, by their lines."""
        found = []
        for runs in _grouped(self.runs, "pump", "point", "mark").values():
            volumes = [run.volume for run in runs]
            if len(runs) >= FEW and (hit := weighing.outlier(volumes)) is not None:
                run, mean = runs[hit[0]], float(np.mean(volumes))
                rest = float(np.mean(np.delete(volumes, hit[0])))
                found.append(Outlier(run.line, run.run, run.pump, run.point, run.mark, run.volume, mean, rest, hit[1]))
        return tuple(sorted(found, key=lambda outlier: outlier.line))

    @cached_property
    def keys(self) -> tuple[Key, ...]:
        """The keys of the file that the weighings change."""
        return tuple(key_of(self.problem, ("pumps", pump.pump, key), value)
                     for pump in self.pumps for key, value in pump.written.items())  # fmt: skip

    @property
    def toml(self) -> str:
        """The keys to paste into the problem file."""
        lines = []
        for pump in self.pumps:
            written = pump.written
            lines.append(f"[pumps.{bare(pump.pump)}]")
            if "stroke_volume" in written:
                lines.append(f'stroke_volume = "{written["stroke_volume"]}"')
            lines.append(f"marks = {inline(written['marks'])}")
            if spread := {m.mark: round(m.spread, 4) for m in pump.marks if m.spread}:
                lines.append(f"# spread = {inline(spread)}  # two standard deviations between runs as weighed")
        return "\n".join(lines)

    @cached_property
    def refused(self) -> list[str]:
        """Why the keys cannot be written; empty where they can."""
        return refusals(self.problem, self.keys)

    def changed(self) -> Problem:
        """The problem with the keys written. Raises `ProblemError` where they are refused."""
        return changed(self.problem, self.keys)

    @cached_property
    def warnings(self) -> list[str]:
        """What the engineer should know before the figures are used."""
        found = []
        for outlier in self.outliers:
            found.append(f"line {outlier.line}: {number(outlier.stroke_mL * 1000)} uL a stroke is "
                         f"{outlier.deviations:.1f} standard deviations from the mean of {_who(outlier)}; it counts; "
                         f"without it the mean is {number(outlier.mean_without_mL * 1000)} instead of "
                         f"{number(outlier.mean_mL * 1000)} uL")  # fmt: skip
        for pump in self.pumps:
            found += _pump_warnings(self.problem, pump, self.rising)
            found += self._conditions(pump.pump)
        return found

    def _conditions(self, pump: str) -> list[str]:
        """What the runs of a pump have against them."""
        found = []
        runs = [run for run in self.runs if run.pump == pump]
        warm = [run.temperature for run in runs if run.temperature is not None]
        if warm and not self.water and max(warm) - min(warm) > WARM:
            found.append(f"pump {pump}: runs differ by {number(max(warm) - min(warm), 3)} K; nothing is corrected for "
                         "it (mineral oil swells by about 0.07 % a kelvin: common practice, no source)")  # fmt: skip
        weighed = [run for run in runs if run.balance is not None]
        if len(weighed) < len(runs) and any(run.balance is not None for run in self.runs):
            some = "some runs" if weighed else "its runs"
            found.append(f"pump {pump}: {some} have no limit of error of the balance; u leaves it out there")
        if self.water:
            fluids = self.problem.pumps[pump].fluids
            if fluids is not None and "water mix" not in fluids:
                found.append(f"pump {pump}: its seals are not said to take water")
            if any(len(part) < REPLICATES for part in _grouped(runs, "mark").values()):
                found.append(f"pump {pump}: fewer than {REPLICATES} runs a mark, which ISO 8655-6 asks for")
        return found

    @property
    def notes(self) -> list[str]:
        """What the uncertainties hold and what they leave out."""
        notes = ["u is one standard uncertainty: the scatter of runs (s / sqrt(n)) and the balance's limit of error "
                 "(rectangular, twice with a tare, not less by repeating)"]  # fmt: skip
        if all(run.balance is None for run in self.runs):
            notes[0] = ("u is one standard uncertainty: the scatter of runs (s / sqrt(n)) alone; a column balance adds "
                        "the balance's limit of error")  # fmt: skip
        if self.water:
            notes.append("water: volume = mass x Z at 1.013 bar and 50 % humidity (ISO 8655-6); oil may leak less past "
                         "the piston than water")  # fmt: skip
        else:
            notes.append("not in u: density (1 % of it is 1 % of the stroke volume, nothing of the shares) and the "
                         "air's buoyancy (about 0.1 %)")  # fmt: skip
        if any(mark.spread for pump in self.pumps for mark in pump.marks):
            notes.append("spread is between runs as collected (single strokes scatter more); it is never written")
        return notes

    @property
    def cautions(self) -> list[str]:
        """Words of caution."""
        return [*CAUTIONS, VANISHING] if self.problem.fluid.kind == "vanishing" else [*CAUTIONS]

    def to_dict(self) -> dict[str, Any]:
        """The answer as plain data, as `stackopt calibrate --json` prints it."""
        density = self.problem.fluid.density
        return {
            "format": "stackopt.calibration/1",
            "kind": "weighings",
            "file": self.problem.file,
            "csv": self.csv,
            "title": self.problem.title,
            "water": self.water,
            "rising": self.rising,
            "density_g_per_mL": None if self.water or density is None else density.number,
            "runs": len(self.runs),
            "pumps": [vars(pump) | {"marks": [vars(mark) for mark in pump.marks],
                                    "points": [vars(point) for point in pump.points]} for pump in self.pumps],
            "outliers": [vars(outlier) for outlier in self.outliers],
            "keys": [key.to_dict() for key in self.keys],
            "toml": self.toml,
            "refused": self.refused,
            "warnings": self.warnings,
            "notes": self.notes,
            "cautions": self.cautions,
        }  # fmt: skip

    def __str__(self) -> str:
        from stackopt.report.calibration_text import weighings_text

        return weighings_text(self)


def read_runs(problem: Problem, rows: Sequence[Row], water: bool, faults: Faults) -> tuple[Run, ...]:
    """The weighings in the rows of a CSV file; what is wrong is put on `faults`."""
    if not rows:
        return ()
    per_gram = problem.sizes.get("g")
    if per_gram is None and not water:
        faults.append(Fault("mass", "no density under [fluid] of the problem file",
                            "density there, as in '0.92 g/mL', or --water for a check with water"))  # fmt: skip
    if "pump" not in rows[0].columns and "point" not in rows[0].columns:
        faults.append(Fault("column", "neither pump nor point", "one of them"))
    seen: dict[tuple[Any, ...], int] = {}
    points = {point.name: point for point in problem.point}
    return tuple(run for row in rows if (run := _run(problem, points, row, per_gram, water, seen)) is not None)


def _run(problem: Problem, points: Mapping[str, Point], row: Row, per_gram: float | None, water: bool,
         seen: dict[tuple[Any, ...], int]) -> Run | None:  # fmt: skip
    pump, point, count = place_of(problem, points, row)
    known = problem.pumps[pump].marks if pump else None
    mark = row.text("mark", "a mark") if known is None else row.one_of("mark", known, f"a mark of pump {pump}")
    strokes = row.number("strokes", "200")
    if strokes is not None and not (1 <= strokes <= STROKES and strokes == int(strokes)):
        row.wrong("strokes", "a whole number of strokes, as in 200")
        strokes = None
    mass = row.quantity("mass", "mass")
    tare = row.quantity("tare", "mass", least=0.0, needed=False)
    limit = row.quantity("balance", "mass", least=0.0, needed=False)
    temperature = row.quantity("temperature", "temperature", least=-273.15, needed=water)
    if water and temperature is not None and not 15 <= temperature <= 30:
        row.wrong("temperature", "15 to 30 degC: the range of the Z factor")
        temperature = None
    if water and "temperature" not in row.columns:
        _once(row, "temperature", "no such column", "the temperature of the water, as in '21.5 degC', with --water")
    if mass is not None and mass <= (tare or 0.0) and ("tare" not in row.cells or tare is not None):
        row.wrong("mass", f"more than the tare, {row.cells['tare']}")
        mass = None
    run = row.text("run")
    if run is not None and pump and mark and seen.setdefault((pump, point, mark, run), row.line) != row.line:
        row.wrong("run", f"a run of its own: line {seen[pump, point, mark, run]} has this one")
    if water:
        per_gram = None if temperature is None else float(weighing.z_factor(temperature))
    if pump is None or mark is None or strokes is None or mass is None or per_gram is None:
        return None
    if limit is None and problem.weighing is not None:
        limit = problem.weighing.balance.number
    scale = per_gram / (strokes * count)
    volume = (mass - (tare or 0.0)) * scale
    if not 1e-12 <= volume <= 1e12:
        row.wrong("mass", "with these strokes: an output that a pump can have")
        return None
    times = math.sqrt(2.0) if tare is not None else 1.0
    balance = None if limit is None else times * float(weighing.rectangular(limit)) * scale
    return Run(row.line, pump, point, mark, run, int(strokes), volume, balance, temperature)


def _once(row: Row, column: str, what: str, expected: str) -> None:
    """A fault of the whole column, told once."""
    fault = Fault(column, what, expected)
    if fault not in row.faults:
        row.faults.append(fault)


def _grouped(runs: Iterable[Run], *by: str) -> dict[tuple[Any, ...], list[Run]]:
    """Runs by what they have in common, those of a group in an order that the file's rows do not change."""
    groups = defaultdict(list)
    for run in sorted(runs, key=lambda run: (run.volume, run.line)):
        groups[tuple(getattr(run, key) for key in by)].append(run)
    return groups


def _deviation(runs: Sequence[Run]) -> float:
    """Scatter of runs as a share of their mean; 0 of a single one."""
    return weighing.variation([run.volume for run in runs]) if len(runs) > 1 else 0.0


def _pooled(groups: Iterable[Sequence[Run]]) -> tuple[float, int] | None:
    """Scatter within groups as a share, and its degrees of freedom; None where no group has two runs."""
    groups = [group for group in groups if len(group) > 1]
    return weighing.pooled([_deviation(g) for g in groups], [len(g) - 1 for g in groups]) if groups else None


@dataclass(frozen=True)
class _Mean:
    """Mean output of a mark."""

    volume: float
    u: float | None
    freedom: float | None
    scatter_from: str | None


def _mean(runs: Sequence[Run], pool: tuple[float, int] | None) -> _Mean:
    mean = math.fsum(run.volume for run in runs) / len(runs)
    scatter = (_deviation(runs), len(runs) - 1) if len(runs) >= FEW else pool
    if scatter is None:
        return _Mean(mean, None, None, None)
    by_scatter = scatter[0] * mean / math.sqrt(len(runs))
    by_balance = math.fsum(run.balance or 0.0 for run in runs) / len(runs)
    freedom = weighing.effective_freedom([by_scatter, by_balance], [scatter[1], math.inf])
    return _Mean(mean, math.hypot(by_scatter, by_balance), freedom if math.isfinite(freedom) else None,
                 "runs" if len(runs) >= FEW else "pooled")  # fmt: skip


def _pump(problem: Problem, name: str, runs: Sequence[Run], rising: bool) -> PumpResult:
    pump, groups = problem.pumps[name], {mark: part for (mark,), part in _grouped(runs, "mark").items()}
    pool = _pooled(groups.values())
    means = {mark: _mean(groups[mark], pool) for mark in pump.marks if mark in groups}
    outputs = {mark: mean.volume for mark, mean in means.items()}
    if rising:
        outputs = _rising(means, groups)
    full = next((mark for mark in reversed(means) if pump.marks[mark] == 1), None)
    in_file = pump.stroke_volume.at(problem.sizes)
    whole = in_file if full is None else outputs[full]
    marks = []
    for mark, share in pump.marks.items():
        if mark not in means:
            marks.append(MarkResult(mark, share, None, share, None, None, None, 0, 0, None, None, False, None))
            continue
        mean, part = means[mark], groups[mark]
        scatter = _deviation(part) if len(part) > 1 else None
        marks.append(MarkResult(
            mark, outputs[mark] / whole, _share_u(mark, outputs[mark] / whole, full, means), share, mean.volume, mean.u,
            mean.freedom, len(part), sum(run.strokes for run in part), scatter, mean.scatter_from,
            not math.isclose(outputs[mark], mean.volume, rel_tol=1e-12),
            2 * scatter if scatter is not None and len(part) >= FEW else None,
        ))  # fmt: skip
    u, freedom = (None, None) if full is None else (means[full].u, means[full].freedom)
    return PumpResult(name, whole, u, freedom, full is not None, full, in_file, tuple(marks), _differences(runs))


def _share_u(mark: str, share: float, full: str | None, means: dict[str, _Mean]) -> float | None:
    """Standard uncertainty of a share; exactly 0 of the full mark's. Of a ratio, the density cancels.

    The balance counts as if its errors at both weighings were independent: that is the larger figure.
    """
    mean = means[mark]
    if mark == full:
        return 0.0
    if full is None:
        return None if mean.u is None else share * mean.u / mean.volume
    whole = means[full]
    if mean.u is None or whole.u is None:
        return None
    relatives = [mean.u / mean.volume, whole.u / whole.volume]
    return share * weighing.relative_uncertainty([1, -1], relatives)


def _rising(means: dict[str, _Mean], groups: dict[str, list[Run]]) -> dict[str, float]:
    """Outputs that never fall from mark to mark, nearest to the means by least squares, weighed by 1 / u^2."""
    volumes = np.array([mean.volume for mean in means.values()])
    sure = [(mean.volume / mean.u) ** 2 / mean.volume**2 for mean in means.values() if mean.u]
    weights = sure if len(sure) == len(means) else [float(len(groups[mark])) for mark in means]
    with library("the fit of rising shares"):
        from scipy.optimize import isotonic_regression  # slow to load, and few ask for it

        fitted = isotonic_regression(volumes, weights=np.array(weights) / max(weights)).x
    # A mark that the fit leaves alone keeps its mean to the last digit.
    return {mark: mean.volume if math.isclose(v, mean.volume, rel_tol=1e-12) else float(v)
            for (mark, mean), v in zip(means.items(), fitted, strict=True)}  # fmt: skip


def _differences(runs: Sequence[Run]) -> tuple[PointDifference, ...]:
    """Each point against the other runs of its mark, with the scatter within points."""
    within = _pooled(_grouped(runs, "mark", "point").values())
    found = []
    for (mark,), part in sorted(_grouped(runs, "mark").items()):
        for (point,), own in sorted(_grouped(part, "point").items(), key=lambda item: item[0][0] or ""):
            others = [run.volume for run in part if run.point != point]
            if point is None or not others:
                continue
            mine = float(np.mean([run.volume for run in own]))
            difference = mine / float(np.mean(others)) - 1
            u = None if within is None else within[0] * math.sqrt(1 / len(own) + 1 / len(others))
            found.append(PointDifference(point, mark, len(own), mine, difference, u,
                                         None if u is None else abs(difference) > 2 * u))  # fmt: skip
    return tuple(found)


def _who(outlier: Outlier) -> str:
    at = f" of {outlier.point}" if outlier.point else ""
    return f"pump {outlier.pump}{at} at mark {outlier.mark}"


def _pump_warnings(problem: Problem, pump: PumpResult, rising: bool) -> list[str]:
    who, found = f"pump {pump.pump}", []
    if not pump.measured:
        full = [mark for mark, share in problem.pumps[pump.pump].marks.items() if share == 1]
        why = f"its full mark {full[-1]} was not weighed" if full else "no mark has the share 1"
        found.append(f"{who}: {why}: the stroke volume stays the file's, shares are of that")
    missing = [mark.mark for mark in pump.marks if not mark.runs]
    if missing:
        change = pump.stroke_volume_mL / pump.stroke_volume_in_file_mL - 1
        by = f"; with the new stroke volume their output is {100 * change:+z.1f} %" if pump.measured else ""
        found.append(f"{who}: mark {', '.join(missing)} not weighed: the file's share is kept{by}")
    single = [mark.mark for mark in pump.marks if mark.runs and mark.u_stroke_mL is None]
    if single:
        found.append(f"{who}: no mark has two runs, so nothing is known of the scatter: weigh again")
    alike = [mark.mark for mark in pump.marks if mark.runs and mark.u_stroke_mL == 0]
    if alike:
        found.append(f"{who}: runs of mark {', '.join(alike)} agree to the last digit: u is that of the balance, which "
                     "is not given")  # fmt: skip
    for before, mark in pairwise(pump.marks):
        if mark.share < before.share * (1 - 1e-12):
            cure = "" if rising else " (--rising fits shares that never fall)"
            found.append(f"{who}: mark {mark.mark} gives {number(mark.share)}, less than mark {before.mark} with "
                         f"{number(before.share)}{cure}")  # fmt: skip
    fitted = [mark.mark for mark in pump.marks if mark.fitted]
    if fitted:
        found.append(f"{who}: mark {', '.join(fitted)} moved so that shares never fall; u is still that of the runs")
    for point in pump.points:
        if point.exceeds and point.u_difference is not None:
            found.append(f"{who}: {point.point} gives {100 * point.difference:+z.1f} % (u "
                         f"{100 * point.u_difference:.1f}) against the others at mark {point.mark}: perhaps a pump of "
                         "its own in the file")  # fmt: skip
    return found
