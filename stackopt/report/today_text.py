"""Today's settings beside the best ones, as text."""

from typing import TYPE_CHECKING, Any

from stackopt.errors import known
from stackopt.report.lines import labelled, table
from stackopt.report.measures import MEASURES, Measures
from stackopt.report.terminal import points_table, pressure_words, rates_of
from stackopt.words import number

if TYPE_CHECKING:
    from stackopt.figures import Objective
    from stackopt.today import Check, Closed, KeptResult


def check_text(check: "Check", measures: str = "metric") -> str:
    """What today's settings do, what the best would, and what to change."""
    now, best, verdict, shown = check.objective, check.best.objective, check.best.verdict, MEASURES[measures]
    served = f"{sum(point.in_tolerance for point in check.points)} of {len(check.points)} points in tolerance"
    lines = [labelled("machine", check.problem.title)] if check.problem.title else []
    lines.append(labelled("today", f"{number(check.settings.rate, 6)} strokes/min; {served}"))
    if check.broken:
        lines.append(labelled("broken", f"{', '.join(check.broken)}: these hard rules do not hold today"))
    lines.append(labelled("", _worth(now, check.verdict.air, check.stack.capacity, shown)))
    if best is None or verdict is None:
        lines.append(labelled("best", "no settings keep the hard rules" if check.best.status == "infeasible" else
                              f"none found ({check.best.status})"))  # fmt: skip
    else:
        served = f"{sum(point.in_tolerance for point in check.best.points)} of {len(check.points)} points in tolerance"
        rates = rates_of(check.best).removesuffix("/min")
        lines.append(labelled("best", f"{rates} strokes/min; {served} ({check.best.status})"))
        lines.append(labelled("", _worth(best, verdict.air, check.stack.capacity, shown)))
        lines += change_lines(check.changes)
    lines += ["", "today", *points_table(check.stack, check.points, check.verdict.dose_miss, shown)]
    if check.stack.line is not None:
        lines += ["", labelled("pressure", pressure_words(check.stack, check.verdict.pressure, shown)),
                  *_closing(check.closing, shown)]  # fmt: skip
    if verdict is not None:
        lines += ["", "best", *points_table(check.stack, check.best.points, verdict.dose_miss, shown)]
    lines += ["", *(labelled("caution" if n == 0 else "", text) for n, text in enumerate(check.best.cautions))]
    return "\n".join(lines)


def _worth(objective: "Objective", air: float, capacity: float, shown: Measures) -> str:
    return (f"excess {100 * objective.excess:.1f}\xa0%, error {100 * objective.mean_error:.1f}\xa0%, air "
            f"{shown.air_of(air, 4)} of {shown.air_of(capacity, 4)} {shown.air}, value "
            f"{number(objective.value)}")  # fmt: skip


def _closing(closed: "list[Closed]", shown: Measures) -> list[str]:
    """What closing one screw does to the others, a row a point."""
    if not closed:
        return []
    rows = [("closing", "pressure", "others' air", "leave their window"), ("", shown.pressure, "%", "")]
    rows += [(one.point, shown.pressure_of(one.stack_pressure_bar).split()[0], f"{100 * one.others_air:+z.1f}",
              ", ".join(one.leaves) or "none") for one in closed]  # fmt: skip
    return table(rows, flexible=(0, 3), left=(0, 3))


def change_lines(changes: list[dict[str, Any]]) -> list[str]:
    """What to change, point by point."""
    if not changes:
        return [labelled("change", "nothing")]
    by_point: dict[str | None, list[str]] = {}
    for change in changes:
        unit = "/min" if change["key"] == "rate_per_min" else ""
        before, after = (number(v, 6) if isinstance(v, float) else v for v in (change["from"], change["to"]))
        key = "rate" if change["key"] == "rate_per_min" else change["key"]
        by_point.setdefault(change["point"], []).append(f"{key} {before} to {after}{unit}")
    texts = [f"{point + ': ' if point else ''}{', '.join(parts)}" for point, parts in by_point.items()]
    return [labelled("change" if n == 0 else "", text) for n, text in enumerate(texts)]


def kept_lines(result: "KeptResult", changes: list[dict[str, Any]]) -> list[str]:
    """What was kept, and what that costs."""
    if result.kept is None:
        return []
    proved = "no allowed settings have fewer" if result.kept.proved else "fewer may be possible: no proof in time"
    cost = known(result.objective).value - known(result.best_value)
    count = "1 change" if result.kept.changes == 1 else f"{result.kept.changes} changes"
    return [labelled("kept", f"{count} against today; {proved}; the value is {number(cost, 2)} "
                     "above the best"), *change_lines(changes)]  # fmt: skip
