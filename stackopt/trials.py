"""Windows of air from spray trials: at a dose d and an air flow q the cardboard showed sputter, good or fog.

A window is kept by air per oil q / d, by the flow q, or by both, as the file has it for the point (each end for
itself). Good tells that no bound is broken; sputter that a least one is, fog that a most one is: where both measures
are bounded, only that one of the two is. What follows of each bound is a largest and a smallest value; between them it
is undecided.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import islice, product
from typing import Any

import numpy as np

from stackopt.errors import SolverError, known, library
from stackopt.physics.dosing import dose
from stackopt.problem.model import Point, Problem
from stackopt.problem.rules import on_dial
from stackopt.problem.sheet import Row, place_of
from stackopt.proposals import Key, changed, inline, key_of, refusals
from stackopt.stack import Stack
from stackopt.words import MIST, VANISHING, number

COLUMNS = ("point", "rate", "mark", "turns", "seen", "pump", "run")
NEEDED = ("point", "rate", "mark", "turns", "seen")
SEEN = ("sputter", "good", "fog")
MEASURES = {"ratio": ("air_per_dose", "L/mL"), "flow": ("air_flow", "L/min")}
LIMIT = 1000  # contradictions that are listed a point
SHOWN = 20  # trials that a warning names each
CAUTIONS = (
    "Shut off and vent the air before touching screws or lines; spray on corrugated cardboard, never towards anyone or "
    "on skin; keep hands and face out of the jet.",
    MIST,
)


@dataclass(frozen=True)
class Trial:
    """One spray on cardboard."""

    line: int
    point: str
    pump: str
    mark: str
    turns: float
    rate: float  # 1/min
    seen: str
    flow: float  # L/min
    ratio: float  # L/mL

    def __getitem__(self, measure: str) -> float:
        return self.ratio if measure == "ratio" else self.flow

    def to_dict(self) -> dict[str, Any]:
        """The trial as plain data."""
        return {"line": self.line, "pump": self.pump, "mark": self.mark, "turns": self.turns,
                "rate_per_min": self.rate, "seen": self.seen, "flow_L_per_min": self.flow,
                "ratio_L_per_mL": self.ratio}  # fmt: skip


@dataclass(frozen=True)
class Next:
    """The setting of the machine that comes nearest to the (geometric) middle of a gap, inside it."""

    rate_per_min: float
    pump: str
    mark: str
    turns: float
    ratio_L_per_mL: float
    flow_L_per_min: float


@dataclass(frozen=True)
class Bound:
    """What trials say of one bound; None where nothing is known. A gap is what is undecided.

    A min lies above `above` and at most at `at_most`; a max at least at `at_least` and below `below`.
    """

    key: str  # as in air_per_dose.min
    unit: str
    above: float | None = None
    at_most: float | None = None
    at_least: float | None = None
    below: float | None = None
    inside: bool = False  # nothing was good: the end that is known from the other side is itself excluded
    next: Next | None = None

    @property
    def ends(self) -> tuple[float | None, float | None]:
        """Lower and upper end of what is undecided."""
        return (self.above, self.at_most) if self.key.endswith("min") else (self.at_least, self.below)

    @property
    def gap(self) -> float | None:
        """How wide what is undecided is, in the unit; None where a side is missing."""
        low, high = self.ends
        return None if low is None or high is None else high - low

    def to_dict(self) -> dict[str, Any]:
        """The bound as plain data."""
        low, high = self.ends
        least = self.key.endswith("min")
        return {"key": self.key, "unit": self.unit, "low": low, "low_included": not least and not self.inside,
                "high": high, "high_included": least and not self.inside, "gap": self.gap,
                "next": None if self.next is None else vars(self.next)}  # fmt: skip


@dataclass(frozen=True, eq=False)
class Window:
    """What the trials of one point say."""

    stack: Stack
    point: str
    trials: tuple[Trial, ...]
    least: tuple[str, ...]  # measures that bound the air from below
    most: tuple[str, ...]  # and from above

    def of(self, seen: str) -> list[Trial]:
        """The trials that showed that."""
        return [trial for trial in self.trials if trial.seen == seen]

    def _sets(self) -> Iterator[frozenset[Trial]]:
        """Smallest sets of trials that no window agrees with: two, or three where both measures are bounded."""
        shared = self.least == self.most and len(self.least) == 1
        for seen, measures, others, sign in (("sputter", self.least, self.most, 1), ("fog", self.most, self.least, -1)):
            opposite = "fog" if seen == "sputter" else "sputter"
            # What holds a bound on a measure back, so that it cannot have been the broken one.
            blockers = {m: self.of("good") + (self.of(opposite) if others == (m,) else []) for m in measures}
            first = {m: min((sign * b[m] for b in blockers[m]), default=math.inf) for m in measures}
            for trial in self.of(seen):
                if any(sign * trial[m] < first[m] for m in measures):
                    continue
                stands = [[b for b in blockers[m] if sign * (trial[m] - b[m]) >= 0] for m in measures]
                whole = [b for b in stands[0] if all(b in part for part in stands[1:])]
                if seen == "fog" and shared:  # met already as a sputter
                    whole = [b for b in whole if b.seen == "good"]
                yield from (frozenset((trial, b)) for b in whole)
                if len(stands) == 2:
                    yield from (frozenset((trial, a, b)) for a, b in product(*stands)
                                if a not in whole and b not in whole and not self._clash(a, b, others[0], -sign))

    @staticmethod
    def _clash(a: Trial, b: Trial, measure: str, sign: int) -> bool:
        """Whether of two trials one is good and the other contradicts it by one measure alone."""
        if (a.seen == "good") == (b.seen == "good"):
            return False
        other, good = (b, a) if a.seen == "good" else (a, b)
        return sign * (other[measure] - good[measure]) >= 0

    @cached_property
    def contradictions(self) -> list[tuple[Trial, ...]]:
        """Smallest sets of trials that contradict each other, up to LIMIT of them, by their lines."""
        found = dict.fromkeys(islice(self._sets(), LIMIT + 1))
        return sorted((tuple(sorted(one, key=lambda t: t.line)) for one in found), key=lambda ts: [t.line for t in ts])

    @property
    def complete(self) -> bool:
        """Whether all contradictions are listed."""
        return len(self.contradictions) <= LIMIT

    @cached_property
    def doubtful(self) -> list[Trial] | None:
        """The fewest trials without which the others agree: to be repeated first. None where there are too many."""
        if not self.contradictions:
            return []
        if not self.complete:
            return None
        with library("the search for doubtful trials", SolverError):
            from scipy.optimize import Bounds, LinearConstraint, milp  # slow to load, and only needed here

        # In an order that the rows of the file do not change; among equal counts the earlier ones.
        trials = sorted({t for one in self.contradictions for t in one},
                        key=lambda t: (SEEN.index(t.seen), t.ratio, t.flow, t.rate, t.pump, t.mark, t.turns, t.line))
        rows = np.array([[float(t in one) for t in trials] for one in self.contradictions])
        weights = 1 + np.arange(len(trials)) / (len(trials) ** 2 + 1)
        with library("the search for doubtful trials", SolverError):
            found = milp(weights, constraints=LinearConstraint(rows, lb=1), bounds=Bounds(0, 1), integrality=1,
                         options={"time_limit": 10.0, "mip_rel_gap": 0.0})  # fmt: skip
        if found.x is None or found.status != 0:
            return None
        return sorted((t for t, x in zip(trials, found.x, strict=True) if x > 0.5), key=lambda t: t.line)

    @cached_property
    def bounds(self) -> list[Bound]:
        """Each bound as far as the trials decide it; none where they contradict each other."""
        if self.contradictions:
            return []
        found = []
        caps = {m: self._limit(m, "fog", self.least, self.most) for m in self.least}
        floors = {m: self._limit(m, "sputter", self.most, self.least) for m in self.most}
        for m in self.least:
            # A sputter blames this measure where no bound on the other could explain it.
            blamed = [t[m] for t in self.of("sputter") if all(t[o] >= caps[o] for o in self.least if o != m)]
            cap = caps[m] if math.isfinite(caps[m]) else None
            key, unit = MEASURES[m]
            found.append(self._with_next(m, Bound(f"{key}.min", unit, above=max(blamed, default=None), at_most=cap,
                                                  inside=cap is not None and not self.of("good"))))  # fmt: skip
        for m in self.most:
            blamed = [t[m] for t in self.of("fog") if all(t[o] <= floors[o] for o in self.most if o != m)]
            floor = floors[m] if math.isfinite(floors[m]) else None
            key, unit = MEASURES[m]
            found.append(self._with_next(m, Bound(f"{key}.max", unit, at_least=floor, below=min(blamed, default=None),
                                                  inside=floor is not None and not self.of("good"))))  # fmt: skip
        return found

    def _limit(self, measure: str, opposite: str, own: Sequence[str], others: Sequence[str]) -> float:
        """How far a bound may go: to the nearest good, or, where none was good, to the opposite bound's limit."""
        nearest, none = (min, math.inf) if opposite == "fog" else (max, -math.inf)
        if good := self.of("good"):
            return nearest(trial[measure] for trial in good)
        if others != (measure,):
            return none
        return nearest((trial[measure] for trial in self.of(opposite)), default=none)

    def _with_next(self, measure: str, bound: Bound) -> Bound:
        if bound.gap is None:
            return bound
        return Bound(**{**vars(bound), "next": next_trial(self, measure, bound)})

    @property
    def undecided(self) -> list[Trial]:
        """Trials that tell only that one of two bounds was broken, not which."""
        if self.contradictions:
            return []
        known: list[Trial] = []
        for seen, measures, opposite, others in (("sputter", self.least, "fog", self.most),
                                                 ("fog", self.most, "sputter", self.least)):  # fmt: skip
            sign = 1 if seen == "sputter" else -1
            limits = {m: self._limit(m, opposite, measures, others) for m in measures}
            known += [t for t in self.of(seen)
                      if len(measures) > 1 and not any(sign * (t[m] - limits[m]) >= 0 for m in measures)]  # fmt: skip
        return sorted(known, key=lambda t: t.line)

    @cached_property
    def against_file(self) -> list[Trial]:
        """The trials that the file's own window does not agree with."""
        i = self.stack.names.index(self.point)
        lows = {"ratio": self.stack.ratio_min[i], "flow": self.stack.flow_min[i]}
        highs = {"ratio": self.stack.ratio_max[i], "flow": self.stack.flow_max[i]}

        def agrees(trial: Trial) -> bool:
            little = any(trial[m] < lows[m] * (1 - 1e-9) for m in lows)
            much = any(trial[m] > highs[m] * (1 + 1e-9) for m in highs)
            return {"sputter": little, "fog": much, "good": not little and not much}[trial.seen]

        return [trial for trial in self.trials if not agrees(trial)]

    @cached_property
    def proposed(self) -> dict[str, dict[str, str]]:
        """The window from the smallest to the largest air that was seen good, by key; empty without a good one."""
        found: dict[str, dict[str, str]] = {}
        for bound in self.bounds if self.of("good") else ():
            key, end = bound.key.split(".")
            if end == "min":
                value = _short(known(bound.at_most), bound.above, down=True)
            elif bound.below is not None or self._in_file(bound.key):
                value = _short(known(bound.at_least), bound.below, down=False)
            else:
                continue  # the file has no most air, and none was too much
            found.setdefault(key, {})[end] = f"{value} {bound.unit}"
        return found

    def _in_file(self, key: str) -> bool:
        i = self.stack.names.index(self.point)
        top = {"air_per_dose.max": self.stack.ratio_max, "air_flow.max": self.stack.flow_max}[key][i]
        return math.isfinite(top)

    def to_dict(self) -> dict[str, Any]:
        """The window as plain data."""
        return {
            "point": self.point,
            "trials": [trial.to_dict() for trial in self.trials],
            "agree": not self.contradictions,
            "bounds": [bound.to_dict() for bound in self.bounds],
            "proposed": self.proposed or None,
            "contradictions": [[trial.line for trial in one] for one in self.contradictions[:LIMIT]],
            "contradictions_complete": self.complete,
            "doubtful": None if self.doubtful is None else [trial.line for trial in self.doubtful],
            "undecided": [trial.line for trial in self.undecided],
            "against_file": [trial.line for trial in self.against_file],
        }


def _short(value: float, limit: float | None, down: bool) -> str:
    """A bound in few digits (four or more), rounded outwards so that what was good stays inside, not beyond `limit`.

    >>> _short(151.5151, 140.0, True), _short(151.5151, 151.51, True), _short(151.5151, None, False)
    ('151.5', '151.515', '151.6')
    """
    for digits in range(4, 16):
        step = 10.0 ** (digits - 1 - math.floor(math.log10(value)))
        ends = (value * (1 + 1e-12), value * (1 - 1e-12))  # so that 150 is not rounded to 149.9
        rounded = math.floor(ends[0] * step) / step if down else math.ceil(ends[1] * step) / step
        if limit is None or (rounded > limit if down else rounded < limit):
            text = f"{rounded:.{digits}g}"
            return text if "e" not in text else f"{rounded!r}"
    return repr(value)


def next_trial(window: Window, measure: str, bound: Bound) -> Next | None:
    """The setting that halves a gap best; None where the machine has none inside.

    Inside means between the ends, which have been seen. The middle is the geometric one; a trial must not leave open
    which measure was at fault, so the other one is kept where it was good. Of those that are equally near to 1 %, that
    whose dose is nearest to the required one, then the lower rate, the larger stroke, fewer turns.
    """
    stack, low, high = window.stack, known(bound.ends[0]), known(bound.ends[1])
    i = stack.names.index(window.point)
    strokes, flows = stack.stroke[i, : len(stack.marks[i])], stack.flow[i, : len(stack.turns[i])]
    middle = math.sqrt(low) * math.sqrt(high)
    if measure == "ratio":
        wanted = flows[None, :] / (middle * strokes[:, None])
    else:
        wanted = np.broadcast_to(stack.dose[i] / strokes[:, None], (len(strokes), len(flows)))
    tops = np.minimum(stack.high, stack.rate_max[i, : len(strokes)])[:, None]
    own, minimum = (window.least, True) if bound.key.endswith("min") else (window.most, False)
    opposite, others = ("fog", window.most) if minimum else ("sputter", window.least)
    best = None
    for rates in _settable(stack, wanted):
        doses = dose(rates, strokes[:, None])
        values = {"ratio": flows[None, :] / doses, "flow": np.broadcast_to(flows[None, :], doses.shape)}
        fits = (values[measure] > low * (1 + 1e-9)) & (values[measure] < high * (1 - 1e-9))
        fits &= (rates <= tops * (1 + 1e-12)) & (rates >= stack.low)
        for other in own:
            if other != measure:
                limit = window._limit(other, opposite, own, others)
                fits &= values[other] >= limit if minimum else values[other] <= limit
        for s, k in np.argwhere(fits):
            apart = round(abs(math.log(values[measure][s, k] / middle)), 2)
            off = round(abs(math.log(doses[s, k] / stack.dose[i])), 9)
            rank = (apart, off, float(rates[s, k]), int(s), int(k))
            if best is None or rank < best:
                best = rank
        if best is not None and stack.step is None:
            break  # on a free dial a rate of few digits will do
    if best is None:
        return None
    _, _, rate, s, k = best
    return Next(rate, stack.pumps[i][s], stack.marks[i][s], stack.turns[i][k],
                float(flows[k] / dose(rate, strokes[s])), float(flows[k]))  # fmt: skip


def _settable(stack: Stack, wanted: np.ndarray) -> Iterator[np.ndarray]:
    """Rates that the dial can be set to next to the wanted ones; of a free dial in three digits and exactly."""
    inside = np.clip(wanted, stack.low, stack.high)
    if stack.step is None:
        yield np.clip(np.vectorize(lambda rate: float(f"{rate:.3g}"))(inside), stack.low, stack.high)
        yield inside
        return
    at = np.searchsorted(stack.steps, inside)
    for k in (-1, 0):
        yield stack.steps[np.clip(at + k, 0, len(stack.steps) - 1)]


@dataclass(frozen=True, eq=False)
class Trials:
    """What spray trials say of the windows of the points."""

    problem: Problem
    csv: str
    stack: Stack
    trials: tuple[Trial, ...]

    @cached_property
    def points(self) -> tuple[Window, ...]:
        """The points that were tried, in the order of the file."""
        found = []
        for point in self.problem.point:
            i = self.stack.names.index(point.name)
            own = tuple(trial for trial in self.trials if trial.point == point.name)
            if own:
                least, most = measures_of(self.stack, i)
                found.append(Window(self.stack, point.name, own, least, most))
        return tuple(found)

    @property
    def exit_code(self) -> int:
        """3 where trials of a point contradict each other."""
        return 3 if any(window.contradictions for window in self.points) else 0

    @cached_property
    def keys(self) -> tuple[Key, ...]:
        """The keys of the file that the trials change."""
        place = {point.name: k for k, point in enumerate(self.problem.point)}
        return tuple(key_of(self.problem, ("point", place[window.point], key), value)
                     for window in self.points for key, value in window.proposed.items())  # fmt: skip

    @property
    def toml(self) -> str:
        """The keys to paste into the points of the problem file."""
        lines = []
        for window in self.points:
            if window.proposed:
                lines.append(f"# point {window.point}")
                lines += [f"{key} = {inline(value)}" for key, value in window.proposed.items()]
        return "\n".join(lines)

    @cached_property
    def refused(self) -> list[str]:
        """Why the keys cannot be written; empty where they can."""
        clashing = [f"{window.point}: trials contradict each other" for window in self.points if window.contradictions]
        if not clashing and not self.keys:
            return ["no trial was good: there is no window to write"]
        return clashing + refusals(self.problem, self.keys)

    def changed(self) -> Problem:
        """The problem with the windows written. Raises `ProblemError` where they are refused."""
        return changed(self.problem, self.keys)

    @cached_property
    def warnings(self) -> list[str]:
        """What the engineer should know before the windows are used."""
        off = [trial for trial in self.trials if not on_dial(self.problem.generator.rate, trial.rate)]
        found = [f"line {trial.line}: the dial cannot be set to {number(trial.rate)}/min" for trial in off[:SHOWN]]
        if len(off) > SHOWN:
            found.append(f"{len(off) - SHOWN} more trials were at rates that the dial cannot be set to")
        for window in self.points:
            good = {(trial.ratio, trial.flow) for trial in window.of("good")}
            if not good:
                found.append(f"{window.point}: no trial was good: no window to write")
            elif len(good) == 1:
                found.append(f"{window.point}: one setting alone was good: the window to write is no wider than that")
            if window.against_file and not window.contradictions:
                lines = ", ".join(str(trial.line) for trial in window.against_file[:9])
                more = "" if len(window.against_file) < 10 else " and more"
                found.append(f"{window.point}: the file's window does not agree with line {lines}{more}")
            if window.undecided:
                lines = ", ".join(str(trial.line) for trial in window.undecided[:9])
                found.append(f"{window.point}: line {lines} tells only that air_per_dose or air_flow was broken, not "
                             "which: try again with one of them where it was good")  # fmt: skip
        return found

    @property
    def notes(self) -> list[str]:
        """What the windows rest on."""
        notes = ["doses and air are those of the file: its stroke volumes, marks and flows",
                 "to paste: from the least to the most air that was seen good, rounded outwards in the fourth digit"]
        if getattr(self.problem.air, "line", None) is not None:
            notes.append("the air is that at full pressure: what the line takes is left out")
        return notes

    @property
    def cautions(self) -> list[str]:
        """Words of caution."""
        return [*CAUTIONS, VANISHING] if self.problem.fluid.kind == "vanishing" else [*CAUTIONS]

    def to_dict(self) -> dict[str, Any]:
        """The answer as plain data, as `stackopt calibrate --json` prints it."""
        return {
            "format": "stackopt.calibration/1",
            "kind": "spray trials",
            "file": self.problem.file,
            "csv": self.csv,
            "title": self.problem.title,
            "agree": self.exit_code == 0,
            "points": [window.to_dict() for window in self.points],
            "keys": [key.to_dict() for key in self.keys],
            "toml": self.toml,
            "refused": self.refused,
            "warnings": self.warnings,
            "notes": self.notes,
            "cautions": self.cautions,
        }

    def __str__(self) -> str:
        from stackopt.report.calibration_text import trials_text

        return trials_text(self)


def measures_of(stack: Stack, i: int) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Which measures bound the air of a point from below, and which from above: those of the file.

    Where the file has no most air, it would be of the kind that bounds the least.

    >>> from stackopt.stack import _example
    >>> measures_of(Stack.of(_example()), 0)
    (('ratio',), ('ratio',))
    """
    least = tuple(m for m, low in (("ratio", stack.ratio_min[i]), ("flow", stack.flow_min[i])) if low > 0)
    most = tuple(m for m, high in (("ratio", stack.ratio_max[i]), ("flow", stack.flow_max[i])) if math.isfinite(high))
    return least, most or least


def read_trials(problem: Problem, stack: Stack, rows: Sequence[Row]) -> tuple[Trial, ...]:
    """The trials in the rows of a CSV file; what is wrong is put on the faults of the rows."""
    points, places = {p.name: p for p in problem.point}, {name: i for i, name in enumerate(stack.names)}
    return tuple(trial for row in rows if (trial := _trial(problem, points, stack, places, row)) is not None)


def _trial(problem: Problem, points: Mapping[str, Point], stack: Stack, places: Mapping[str, int], row: Row
           ) -> Trial | None:  # fmt: skip
    row.text("point", "a point")
    pump, point = place_of(problem, points, row)[:2] if "point" in row.cells else (None, None)
    marks = problem.pumps[pump].marks if pump else None
    mark = row.text("mark", "a mark") if marks is None else row.one_of("mark", marks, f"a mark of pump {pump}")
    rate = row.quantity("rate", "rate")
    seen = row.one_of("seen", SEEN, "what was seen")
    turns = row.number("turns", "1.5")
    if point is None:
        return None
    i = places[point]
    if turns is not None and turns not in stack.turns[i]:
        some = ", ".join(f"{t:g}" for t in stack.turns[i][:9]) + (" ..." if len(stack.turns[i]) > 9 else "")
        row.wrong("turns", f"turns of nozzle {points[point].nozzle} with flow: {some}")
        turns = None
    if pump is None or mark is None or rate is None or seen is None or turns is None:
        return None
    stroke = list(zip(stack.pumps[i], stack.marks[i], strict=True)).index((pump, mark))
    oil = float(dose(rate, stack.stroke[i, stroke]))
    flow = float(stack.flow[i, stack.turns[i].index(turns)])
    if not (1e-12 <= oil <= 1e12 and 1e-12 <= flow / oil <= 1e12):
        row.wrong("rate", "a rate that gives a dose that a machine can have")
        return None
    ratio = float(f"{flow / oil:.12g}")  # settings that give the same air per oil are to be equal
    return Trial(row.line, point, pump, mark, turns, rate, seen, flow, ratio)
