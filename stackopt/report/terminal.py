"""Answers as text for a terminal or a pipe: 80 columns, no colour, nothing beyond ASCII of our own."""

import textwrap
from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING

from stackopt.arrays import Array
from stackopt.errors import known
from stackopt.judge import TIE
from stackopt.physics.atmospheres import ATMOSPHERE
from stackopt.report.beside_text import beside_lines
from stackopt.report.lines import WIDTH, conflict_lines, labelled, table
from stackopt.report.measures import MEASURES, METRIC, REFERENCES, Measures
from stackopt.words import UNDECIDED, number, rate_words

if TYPE_CHECKING:
    from stackopt.figures import Objective, PointResult
    from stackopt.judge import Verdict
    from stackopt.result import Result
    from stackopt.stack import Stack
    from stackopt.whatif import Case

_SPRAY = {"in window": "good", "too little air": "sputter", "too much air": "fog"}


def _percent(share: float) -> str:
    return f"{100 * share:.1f}\xa0%"


def result_text(result: "Result", measures: str = "metric") -> str:
    """A short block and a table: what to dial in, what it does, why, and how it was proved."""
    shown = MEASURES[measures]
    lines = [labelled("machine", result.problem.title)] if result.problem.title else []
    lines.append(labelled("status", status_words(result)))
    if result.verdict is not None:
        lines += _found(result, result.verdict, shown)
    lines += conflict_lines(result.conflicts)
    if result.verdict is not None:
        lines += _rates_that_serve_most(result)
    if result.needed_air is not None:
        needed = f"{shown.air_of(result.needed_air, 4)} {shown.air} of air"
        lines.append(labelled("needed", f"{needed} would serve every point"))
    lines += [labelled("advice" if n == 1 else "", f"{n}: {a.change}" + ("" if a.serves_all else
              f" (serves {_some(a.serves)})")) for n, a in enumerate(result.advice, 1)]  # fmt: skip
    lines += [labelled("warning", warning) for warning in result.warnings]
    if result.status != "infeasible":
        lines.append(labelled("proof", f"{result.method}; {result.seconds:.2g}\xa0s"))
    if result.verdict is not None:
        lines += ["", *points_table(result.stack, result.points, result.verdict.dose_miss, shown)]
        lines += beside_lines(result, shown)
        lines += ["", *(labelled("caution" if n == 0 else "", text) for n, text in enumerate(result.cautions))]
    return "\n".join(lines)


def _some(names: Sequence[str]) -> str:
    return ", ".join(names[:4]) + (f" and {len(names) - 4} more" if len(names) > 4 else "")


def status_words(result: "Result") -> str:
    """The status in words."""
    if result.status == "infeasible":
        return "the hard rules cannot be met together"
    served = sum(point.in_tolerance for point in result.points)
    robust = ", whatever drift and spread do" if result.stack.robust else ""
    all_served = f"every point in tolerance{robust}" if result.in_tolerance else (
        f"{served} of {len(result.problem.point)} points in tolerance")
    if result.status == "optimal":
        if result.slipped:
            return f"{all_served}, the rest but for what counts as a tie, {result.proved}"
        return f"{all_served}, {result.proved}" if result.in_tolerance else (
            f"no setting serves every point; the best compromise, proved: {all_served}")
    stop = UNDECIDED[result.status]
    line, free = result.stack.line is not None, result.stack.step is None
    if result.status == "unproved" and free and (line or result.stack.count > 1):
        where = "behind a line" if line else "with several generators"
        stop = f"{where}, rates between those compared are not ruled out on a free dial"
    if result.verdict is None:
        return f"{stop}; nothing found yet"
    gap = "unknown" if result.gap is None else f"at most {number(result.gap)} in {_gap_of(result)}"
    return f"{stop}; the best found: {all_served}; gap {gap}"


def _gap_of(result: "Result") -> str:
    return "excess" if known(result.objective).excess - known(known(result.bound).excess) > TIE else "value"


def _found(result: "Result", verdict: "Verdict", shown: Measures) -> list[str]:
    objective, bound = known(result.objective), result.bound
    if result.pins and result.rate is not None:
        lines = [labelled("rate", f"{number(result.rate, 6)} strokes/min"),
                 labelled("", "lower: {}; higher: {}".format(*result.pins))]  # fmt: skip
    else:
        lines = [labelled("rates" if n == 1 else "", f"{n}: {number(one['rate_per_min'], 6)} strokes/min for "
                       + _some(one["points"])) for n, one in enumerate(result.generators, 1)]  # fmt: skip
    if result.next_best:
        others = (f"{rates_of(other)} {_cost(objective, known(other.objective))}" for other in result.next_best)
        lines.append(labelled("next best", "; ".join(others)))
    lines.append(labelled("error", f"mean {_percent(objective.mean_error)}, worst {_percent(objective.worst_error)}"))
    if objective.excess > 0 or not result.in_tolerance:
        kind = "largest" if result.stack.worst else "weighted mean"
        least = "" if bound is None or bound.excess is None else f"; no setting is below {_percent(bound.excess)}"
        lines.append(labelled("excess", f"{_percent(objective.excess)} beyond the tolerances ({kind}){least}"))
    parts = "error, air and price" if result.stack.price_weight else "error and air"
    which = "no setting of that excess" if objective.excess else "no setting"
    least = "" if bound is None or bound.value is None else f"; {which} is below {number(bound.value)}"
    lines.append(labelled("value", f"{number(objective.value)} ({parts}){least}"))
    if any(len(set(row)) > 1 for row in result.stack.pumps):
        kinds = Counter(point.pump for point in result.points)
        lines.append(labelled("pumps", ", ".join(f"{count} points with {pump}" for pump, count in sorted(kinds.items()))
                              + f"; mean price {number(objective.mean_price)}"))  # fmt: skip
    lines.append(labelled("air", f"{shown.air_of(verdict.air, 4)} of {shown.air_of(result.stack.capacity, 4)} "
                          f"{shown.air} ({_percent(objective.air_share)})"))  # fmt: skip
    if result.stack.line is not None:
        lines.append(labelled("pressure", pressure_words(result.stack, verdict.pressure, shown)))
    return lines


def pressure_words(stack: "Stack", pressure: float, shown: Measures) -> str:
    """The supply's pressure, the stack's, and what the line costs."""
    supply, here = stack.pressure - ATMOSPHERE, pressure - ATMOSPHERE
    return (f"{shown.pressure_of(here)} at the stack, {shown.pressure_of(supply)} before the line, which costs "
            f"{shown.pressure_of(supply - here)}")  # fmt: skip


def rates_of(result: "Result") -> str:
    """The rates of an answer."""
    return " and ".join(number(rate, 6) for rate in known(result.settings).generators) + "/min"


def _cost(best: "Objective", other: "Objective") -> str:
    """What another rate is worth beside the best."""
    if other.excess - best.excess > TIE:
        return f"excess +{100 * (other.excess - best.excess):.2g} %"
    return f"value {other.value - best.value:+z.4f}"


def _rates_that_serve_most(result: "Result") -> list[str]:
    found = result.rate_map
    if result.in_tolerance or not found.conflicts or not found.most:
        return []
    return [labelled("most", f"{len(found.most)} of {len(result.stack.names)} points have their dose at "
                  f"{rate_words(*known(found.most_range))} strokes/min")]  # fmt: skip


def points_table(stack: "Stack", points: Sequence["PointResult"], misses: Array,
                 shown: Measures = METRIC) -> list[str]:  # fmt: skip
    """A row a point: what to dial in and what it does; `misses` of the doses stand in the order of the stack."""
    head = ["point", "pump", "mark", "turns", "dose", "needs", "error", "air", "window", "spray"]
    short = {"US fl oz/h": "fl oz/h"}.get(shown.dose, shown.dose)
    unit = ["", "", "", "", short, short, "%", shown.air, shown.air, ""]
    rows, miss = [], dict(zip(stack.names, misses, strict=True))
    several = len({p.generator for p in points}) > 1
    for p in points:
        top = "" if p.air_max_L_per_min is None else shown.air_of(p.air_max_L_per_min)
        error = f"{100 * p.error:+z.1f}" + ("!" if miss[p.name] else "")
        row = [p.name, p.pump, p.mark, number(p.turns), shown.dose_of(p.dose_mL_per_h),
               shown.dose_of(p.required_mL_per_h), error,
               shown.air_of(p.air_L_per_min), f"{shown.air_of(p.air_min_L_per_min or 0)}..{top}",
               _SPRAY[p.spray]]  # fmt: skip
        row[5:5] = [] if p.drops_per_min is None else [number(p.drops_per_min, 3)]
        place = len(row) - 3
        row[place:place] = [] if p.stray is None else [f"{100 * p.stray:.3g}" + ("~" if p.may_leave else "")]
        rows.append(([str(p.generator)] if several else []) + row)
    if points[0].drops_per_min is not None:
        head[5:5], unit[5:5] = ["drops"], ["/min"]
    if points[0].stray is not None:
        head[-3:-3], unit[-3:-3] = ["stray"], ["+-%"]
    left = [0, 1, len(head) - 1]
    if several:
        head, unit, left = ["", *head], ["", *unit], [0, *(k + 1 for k in left)]
    first = int(several)
    legend = f"doses while spraying, {REFERENCES[shown.air]}"
    legend += "; ! outside its tolerance" if any(miss.values()) else ""
    legend += "; ~ may stray out of it" if any(p.may_leave for p in points) else ""
    flexible = (first, first + 1, first + 2)
    return [*table([head, unit, *rows], flexible=flexible, left=left), *textwrap.wrap(legend, WIDTH)]


def alternatives_text(result: "Result", others: Sequence["Result"], measures: str = "metric") -> str:
    """The next best rates, each with its best settings."""
    lines: list[str] = []
    for n, other in enumerate(others, 1):
        served = f"{sum(point.in_tolerance for point in other.points)} of {len(other.points)} points in tolerance"
        worth = _cost(known(result.objective), known(other.objective))
        lines += ["", labelled("next best", f"{n}: {rates_of(other)}, {worth}; {served}"),
                  *points_table(other.stack, other.points, known(other.verdict).dose_miss,
                                MEASURES[measures])]  # fmt: skip
    return "\n".join(lines or ["", labelled("next best", "no other rate was proved")])


def what_if_text(result: "Result", cases: Sequence["Case"]) -> str:
    """How the answer moves, a row a case."""
    rows: list[tuple[str, ...]] = [("what if", "", "served", "excess", "error", "air", "value"),
                                   ("", "1/min", "", "%", "%", "%", "")]  # fmt: skip
    objective, served = result.objective, sum(point.in_tolerance for point in result.points)
    rates = result.settings.generators if result.settings else ()
    for change, status, at, count, worth in (
            ("as in the file", result.status, rates, served, objective),
            *((c.change, c.status, c.rates, c.served, c.objective) for c in cases)):  # fmt: skip
        mark = "" if status == "optimal" else f" ({status})"
        rows.append((change + mark, ", ".join(number(rate, 5) for rate in at), "" if count is None else str(count),
                     *(["-"] * 4 if worth is None else [
                         f"{100 * worth.excess:.2f}", f"{100 * worth.mean_error:.1f}", f"{100 * worth.air_share:.1f}",
                         f"{worth.value:.4f}"])))  # fmt: skip
    return "\n".join(["", *table(rows, flexible=(0,), left=(0,))])
