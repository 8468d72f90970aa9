"""The limits: how much of its tolerance and window each point uses, and how much of the capacity all do."""

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from stackopt.errors import known
from stackopt.physics.spray import window
from stackopt.report.pictures.canvas import BAND, DARK, GREY, INK, LIGHT, WIDE, Pen, draw, nothing
from stackopt.report.pictures.layout import Lanes, axis, foot, foot_height, lane_height
from stackopt.report.pictures.names import NAME, Rows, percent, plain, width
from stackopt.report.pictures.points import NO_SETTINGS, missed_of, thinned, thinned_words
from stackopt.report.pictures.scale import Scale

if TYPE_CHECKING:
    from stackopt.result import Result

EDGE = 0.95  # share of what is allowed from which a point counts as at its edge


@dataclass(frozen=True)
class _Use:
    """How much of what is allowed a point uses: 0 in the middle, 1 at an edge; None where nothing limits."""

    name: str
    dose: float
    air: float | None
    dose_out: bool
    air_out: bool


def _uses(result: "Result") -> list[_Use]:
    """By the judge's figures; robust ones at the worst end of the stray. In the order of the file."""
    stack, verdict = result.stack, known(result.verdict)
    dose_out, air_out = missed_of(result)
    ends = [1 - verdict.stray, 1 + verdict.stray] if stack.robust else [np.ones(len(stack.names))]
    found = []
    for n, i in enumerate(stack.in_file):
        errors = [float((1 + verdict.error[i]) * end[i] - 1) for end in ends]
        windows = [window(float(verdict.dose[i] * end[i]), stack.ratio_min[i], stack.ratio_max[i], stack.flow_min[i],
                          stack.flow_max[i]) for end in ends]  # fmt: skip
        found.append(_Use(
            name=stack.names[i],
            dose=max(_part(abs(e), float((stack.above if e > 0 else stack.below)[i])) for e in errors),
            air=_air_use(float(verdict.flow[i]), max(float(w[0]) for w in windows), min(float(w[1]) for w in windows)),
            dose_out=dose_out[n],
            air_out=air_out[n],
        ))  # fmt: skip
    return found


def _part(used: float, allowed: float) -> float:
    """A share of what is allowed; rounding alone uses nothing of nothing."""
    if allowed > 0:
        return used / allowed
    return 0.0 if used <= 1e-9 else math.inf


def _air_use(flow: float, low: float, high: float) -> float | None:
    """How much of its window an air flow uses: from the middle to an edge, or, with one edge, of that.

    >>> _air_use(30.0, 20.0, 60.0), _air_use(25.0, 20.0, math.inf), _air_use(25.0, 0.0, 50.0)
    (0.5, 0.8, 0.5)
    """
    if math.isinf(high):
        return None if low <= 0 else low / flow if flow > 0 else math.inf
    if low <= 0:
        return _part(flow, high)
    return _part(abs(flow - (low + high) / 2), max((high - low) / 2, 0.0))


def limits_rows(result: "Result") -> Rows:
    """The figures of `limits`, a header first, in % of what is allowed; empty without settings.

    >>> from stackopt.stack import _example
    >>> from stackopt.result import solve
    >>> limits_rows(solve(_example()))[2:4]
    [('a', '80.0', '50.6', ''), ('capacity', '', '91.5', '')]
    """
    if not result.points:
        return []
    rows: Rows = [("limit", "dose, % of its tolerance", "air, % of its window", "")]
    rows += [(use.name, _used(use.dose), "" if use.air is None else _used(use.air), _edge_words(use))
             for use in _uses(result)]  # fmt: skip
    share = known(result.objective).air_share
    rows.append(("capacity", "", percent(share), "at the edge" if share >= EDGE else ""))
    if result.pins:
        rows += [("a lower rate", "", "", result.pins[0]), ("a higher rate", "", "", result.pins[1])]
    return rows


def _pins(result: "Result") -> list[tuple[str, str]]:
    """What stands against a lower and a higher rate, long names cut; nothing where the answer does not say."""
    found = []
    for side, why in zip(("lower", "higher"), result.pins or (), strict=False):
        for name in sorted(result.stack.names, key=len, reverse=True):
            why = why.replace(name, plain(name, NAME)) if len(name) > NAME else why
        found.append((side, plain(why)))
    return found


def _wrapped(text: str) -> list[str]:
    """A text in two lines at most that fit the sheet; what is more is left out."""
    lines = [""]
    for word in plain(text).split():
        longer = f"{lines[-1]} {word}".lstrip()
        if width(longer, 11) <= WIDE - 28 or not lines[-1]:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines if len(lines) <= 2 else [lines[0], lines[1] + " .."]


def _used(share: float) -> str:
    return "over 1000" if share > 10 else percent(share)


def _edge_words(use: _Use) -> str:
    """What of a point is outside, else what is at its edge."""
    outside = [what for what, out in (("dose", use.dose_out), ("air", use.air_out)) if out]
    if outside:
        return f"{' and '.join(outside)} outside"
    near = [what for what, share in (("dose", use.dose), ("air", use.air)) if share is not None and share >= EDGE]
    return f"{' and '.join(near)} at the edge" if near else ""


def limits(result: "Result") -> str:
    """How much of its tolerance and window each point uses, and the capacity, as SVG: what is at 100 % limits.

    A dose on target uses nothing, one at the end of its tolerance all of it; air in the middle of its window uses
    nothing, at an end all of it; where a window has one end, the air is measured against that (end / air from below,
    air / end from above). Raises StackoptError where matplotlib is not installed.

    >>> from stackopt.stack import _example
    >>> from stackopt.result import solve
    >>> "What limits the answer" in limits(solve(_example()))
    True
    """
    title = "What limits the answer"
    if not result.points:
        return nothing("limits", title, NO_SETTINGS)
    uses = _uses(result)
    tight = [max(use.dose, use.air or 0.0) for use in uses]
    shown = thinned(len(uses), [n for n in np.argsort([-t for t in tight], kind="stable").tolist()
                                 if tight[n] >= EDGE])  # fmt: skip
    names = [*(uses[n].name for n in shown), "capacity"]
    tall = lane_height(len(shown)) + 3
    lanes = Lanes.of(names, [tall] * len(names), 26, 142)
    share = known(result.objective).air_share
    top = min(max([1.1, share, *(tight[n] for n in shown if math.isfinite(tight[n]))]), 1.6)
    scale = Scale(0.0, 104 * top, lanes.left, lanes.right)
    legend = [("dose", "dose in its tolerance"), ("air", "air in its window"), ("edge", "the edge: nothing is left")]
    legend += [("near", f"uses {100 * EDGE:.0f} % or more")] if max(*tight, share) >= EDGE else []
    legend += [("out", "outside")] if any(use.dose_out or use.air_out for use in uses) else []
    notes, pins = thinned_words(len(uses)), _pins(result)
    for side, why in pins:
        notes += _wrapped(f"Against a {side} rate, settings kept: {why}.")
    height = lanes.bottom + 52 + foot_height(legend, notes)

    def sign(pen: Pen, kind: str, x: float, y: float) -> None:
        if kind == "edge":
            pen.line((x, y - 7), (x, y + 7), width=2)
        elif kind in ("near", "out"):
            pen.mark(x, y, "<" if kind == "near" else "X", 7)
        else:
            pen.box(x - 9, y - 4, x + 9, y + 4, DARK if kind == "dose" else LIGHT, INK)

    def bar(pen: Pen, y: float, half: float, value: float, fill: str) -> None:
        end = min(scale(100 * min(value, 100.0)), lanes.right)
        pen.box(lanes.left, y - half, max(end, lanes.left + 1), y + half, fill, INK)
        if value > top * 1.04:
            pen.beyond(lanes.right, y, 5)

    def entry(pen: Pen, x: float, y: float, value: float | None, out: bool) -> None:
        if value is None:
            pen.text(x, y, "-", lanes.size, GREY, "right")
            return
        near = out or value >= EDGE
        said = "> 999 %" if value > 9.99 else f"{100 * value:.0f} %"
        pen.text(x, y, said, lanes.size, side="right", bold=near)
        if near:
            pen.mark(x + 8, y, "X" if out else "<", 6)

    def paint(pen: Pen) -> None:
        bold = [k for k, n in enumerate(shown) if _edge_words(uses[n])] + ([len(shown)] if share >= EDGE else [])
        lanes.rule(pen, bold)
        axis(pen, scale, lanes.top, lanes.bottom, "used, % of what is allowed")
        pen.text(lanes.right + 58, 13, "dose", 11, GREY, "right")
        pen.text(WIDE - 26, 13, "air", 11, GREY, "right")
        half = 0.19 * tall
        for k, n in enumerate(shown):
            y, use = lanes.middle(k), uses[n]
            bar(pen, y - half - 0.5, half, use.dose, DARK)
            if use.air is not None:
                bar(pen, y + half + 0.5, half, use.air, LIGHT)
            entry(pen, lanes.right + 58, y, use.dose, use.dose_out)
            entry(pen, WIDE - 26, y, use.air, use.air_out)
        y = lanes.middle(len(shown))
        bar(pen, y, 1.4 * half, share, BAND)
        entry(pen, WIDE - 26, y, share, share > 1 + 1e-6)
        pen.line((scale(100), lanes.top), (scale(100), lanes.bottom), width=2)
        foot(pen, lanes.bottom + 50, legend, sign, notes)

    told = [f"{plain(use.name, NAME)}: {_edge_words(use)}." for use in uses if _edge_words(use)]
    more = [f"And {len(told) - 8} more."] if len(told) > 8 else []
    told = [*(told[:8] or ["No point is at the edge of its tolerance or window."]), *more,
            f"The air uses {percent(share)} % of the capacity.",
            *(f"Against a {side} rate: {why}." for side, why in pins)]  # fmt: skip
    return draw("limits", title, " ".join(told), height, paint)
