"""What weighings and spray trials say, as text."""

from typing import TYPE_CHECKING

from stackopt.errors import known
from stackopt.report.lines import labelled, table
from stackopt.words import number

if TYPE_CHECKING:
    from stackopt.trials import Bound, Trials, Window
    from stackopt.weighings import PumpResult, Weighings

_SHOWN = 5  # contradictions printed a point


def weighings_text(found: "Weighings") -> str:
    """Stroke volumes, a table of marks a pump, what to paste and what to know."""
    lines = [labelled("machine", found.problem.title)] if found.problem.title else []
    with_what = "water" if found.water else "oil"
    lines.append(labelled("weighed", f"{len(found.runs)} runs of {with_what} in {found.csv}"))
    for pump in found.pumps:
        lines.append(labelled("pump", f"{pump.pump}: {_stroke_volume(pump)}"))
    lines += _ending(found)
    for pump in found.pumps:
        lines += ["", f"pump {pump.pump}: one stroke at each mark", *_marks(pump)]
    return "\n".join(lines + _pasted(found))


def _stroke_volume(pump: "PumpResult") -> str:
    if not pump.measured:
        return f"stroke volume {number(pump.stroke_volume_mL)} mL, as in the file"
    text = f"stroke volume {pump.written['stroke_volume']}"
    change = 100 * (pump.stroke_volume_mL / pump.stroke_volume_in_file_mL - 1)
    if pump.u_stroke_volume_mL is None:
        text += ", u unknown"
    else:
        text += f", u {number(pump.u_stroke_volume_mL, 2)} mL"
        text += "" if pump.degrees_of_freedom is None else f" ({pump.degrees_of_freedom:.3g} degrees of freedom)"
    return f"{text}; {change:+z.2g} % against the file's {number(pump.stroke_volume_in_file_mL)} mL"


def _marks(pump: "PumpResult") -> list[str]:
    rows = [("mark", "runs", "strokes", "output", "u", "scatter", "share", "u", "file"),
            ("", "", "", "uL", "uL", "%", "", "", "")]  # fmt: skip
    for mark in pump.marks:
        scatter = "" if mark.scatter is None else f"{100 * mark.scatter:.2g}"
        output = "" if mark.stroke_mL is None else number(1000 * mark.stroke_mL)
        rows.append((
            mark.mark, str(mark.runs), str(mark.strokes), output, _unsure(mark.u_stroke_mL, 1000, mark.runs),
            scatter + ("~" if mark.scatter_from == "pooled" else ""),
            f"{mark.share:.{pump.digits}f}" if mark.runs else f"{mark.share:g}",
            _unsure(mark.u_share, 1, mark.runs), f"{mark.share_in_file:g}",
        ))  # fmt: skip
    lines = table(rows, flexible=(0,), left=(0,))
    if any(mark.scatter_from == "pooled" for mark in pump.marks):
        lines.append("~ few runs: u by the scatter of all marks")
    return lines


def _unsure(value: float | None, times: float, runs: int) -> str:
    return "" if not runs else "unknown" if value is None else number(times * value, 2)


def trials_text(found: "Trials") -> str:
    """The window of each point, what contradicts, and which trial comes next."""
    lines = [labelled("machine", found.problem.title)] if found.problem.title else []
    counts = ", ".join(f"{sum(t.seen == seen for t in found.trials)} {seen}" for seen in ("sputter", "good", "fog"))
    lines.append(labelled("sprayed", f"{len(found.trials)} trials in {found.csv}: {counts}"))
    for window in found.points:
        lines += _window(window)
    return "\n".join([*lines, *_ending(found), *_pasted(found)])


def _window(window: "Window") -> list[str]:
    lines = [labelled("point", f"{window.point}: {len(window.trials)} trials")]
    for n, one in enumerate(window.contradictions[:_SHOWN]):
        what = " and ".join(f"line {t.line} ({t.seen} at {number(t.ratio)} L/mL, {number(t.flow)} L/min)" for t in one)
        lines.append(labelled("conflict" if n == 0 else "", f"{what} cannot all be" if len(one) > 2 else
                              f"{what} cannot both be"))  # fmt: skip
    more = len(window.contradictions) - _SHOWN
    if more > 0:
        lines.append(labelled("", f"and {more}{'' if window.complete else ' or more'} others: see --json"))
    if window.doubtful:
        again = ", ".join(str(trial.line) for trial in window.doubtful[:20])
        lines.append(labelled("repeat", f"first line {again}: without the others agree"
                              if len(window.doubtful) == 1 else f"first lines {again}: without them the others agree"))
    for bound in window.bounds:
        key, end = bound.key.split(".")
        lines.append(labelled("least" if end == "min" else "most", f"{key}: {_bound(bound)}"))
    return lines


def _bound(bound: "Bound") -> str:
    low, high = bound.ends
    least = bound.key.endswith("min")
    if low is None:
        if high is None:
            return "no trial tells"
        return f"{'below' if bound.inside else 'at most'} {number(high)} {bound.unit}; " + (
            "nothing sputtered yet: try less air" if least else "no trial was good")  # fmt: skip
    if high is None:
        return f"{'at least' if not least and not bound.inside else 'above'} {number(low)} {bound.unit}; " + (
            "no trial was good" if least else "nothing fogged yet: try more air")  # fmt: skip
    text = f"between {number(low)} and {number(high)} {bound.unit}, undecided over {number(known(bound.gap), 3)}"
    if bound.next is None:
        return f"{text}; the machine's settings cannot narrow it"
    n = bound.next
    at = n.ratio_L_per_mL if bound.unit == "L/mL" else n.flow_L_per_min
    return (f"{text}; next try {number(n.rate_per_min, 6)}/min, mark {n.mark}, {n.turns:g} turns "
            f"({number(at)} {bound.unit})")  # fmt: skip


def _ending(found: "Weighings | Trials") -> list[str]:
    lines = [labelled("warning", text) for text in found.warnings]
    lines += [labelled("refused" if n == 0 else "", text) for n, text in enumerate(found.refused)]
    lines += [labelled("note" if n == 0 else "", text) for n, text in enumerate(found.notes)]
    return lines


def _pasted(found: "Weighings | Trials") -> list[str]:
    pasted = ["", "to paste", *found.toml.splitlines()] if found.toml else []
    return [*pasted, "", *(labelled("caution" if n == 0 else "", text) for n, text in enumerate(found.cautions))]
