"""The air: what each point gets in its window of good spray, and the total against the capacity."""

from typing import TYPE_CHECKING

from stackopt.errors import known
from stackopt.report.pictures.canvas import DARK, GREY, INK, LIGHT, WASH, WIDE, Pen, draw, nothing
from stackopt.report.pictures.layout import Lanes, axis, foot, foot_height, lane_height
from stackopt.report.pictures.names import Rows, figure, percent
from stackopt.report.pictures.points import NO_SETTINGS, missed_of, missed_words, thinned, thinned_words
from stackopt.report.pictures.scale import Scale
from stackopt.words import number

if TYPE_CHECKING:
    from stackopt.figures import PointResult
    from stackopt.result import Result


def air_rows(result: "Result") -> Rows:
    """The figures of `air`, a header first, in L/min ANR; then nozzle air, drive air, total and capacity.

    >>> from stackopt.stack import _example
    >>> from stackopt.result import solve
    >>> air_rows(solve(_example()))[-2:]
    [('total', '128.12', '', '', '91.5 % of capacity'), ('capacity', '140', '', '', '')]
    """
    verdict, capacity = result.verdict, result.stack.capacity
    if verdict is None:
        return []
    rows: Rows = [("point", "air, L/min", "at least, L/min", "at most, L/min", "spray")]
    rows += [(p.name, figure(p.air_L_per_min), figure(p.air_min_L_per_min), figure(p.air_max_L_per_min), p.spray)
             for p in result.points]  # fmt: skip
    drive = _drive(result)
    rows += [("nozzle air of all", figure(verdict.air - drive), "", "", ""),
             ("drive air", figure(drive), "", "", f"{percent(drive / verdict.air)} % of the total"
              if verdict.air else ""),
             ("total", figure(verdict.air), "", "", f"{percent(verdict.air / capacity)} % of capacity"),
             ("capacity", figure(capacity), "", "", "")]  # fmt: skip
    return rows


def _drive(result: "Result") -> float:
    """Drive air of all pumps [L/min]; what a sum leaves by rounding alone is none."""
    verdict = known(result.verdict)
    drive = verdict.air - float(verdict.flow.sum())
    return drive if drive > 1e-9 * verdict.air else 0.0


def _window_words(point: "PointResult") -> str:
    low, high = point.air_min_L_per_min, point.air_max_L_per_min
    if low is not None and high is not None:
        return f"{number(low)} to {number(high)}"
    return f"from {number(low)}" if low is not None else f"to {number(high)}" if high is not None else "any"


def air(result: "Result") -> str:
    """Each point's air in its window, and under them the total against the capacity, as SVG.

    Raises StackoptError where matplotlib is not installed.

    >>> from stackopt.stack import _example
    >>> from stackopt.result import solve
    >>> "91.5 % of the capacity" in air(solve(_example()))
    True
    """
    title = "Air of each point, and the total against the capacity"
    if not result.points:
        return nothing("air", title, NO_SETTINGS)
    missed = missed_of(result)[1]
    shown = thinned(len(result.points), [n for n, miss in enumerate(missed) if miss])
    points = [result.points[n] for n in shown]
    lanes = Lanes.of([point.name for point in points], [lane_height(len(shown))] * len(shown), 26, 176)
    most = max([p.air_L_per_min for p in points] + [p.air_min_L_per_min or 0.0 for p in points]) or 1.0
    ends = [p.air_max_L_per_min for p in points if p.air_max_L_per_min is not None]
    top = min(max([most, *ends]), 2.2 * most)
    scale = Scale(0.0, 1.06 * top, lanes.left, lanes.right)
    opens = any(p.air_max_L_per_min is None or p.air_max_L_per_min > scale.high for p in points)
    unfit = [p.air_max_L_per_min is not None and (p.air_min_L_per_min or 0.0) > p.air_max_L_per_min * (1 + 1e-9)
             for p in points]  # fmt: skip
    legend = [("range", "window of good spray"), ("in", "air within it")]
    legend += [("out", "air outside")] if any(missed) else []
    legend += [("open", "the window goes on")] if opens else []
    legend += [("none", "no air fits: at least more than at most")] if any(unfit) else []
    legend += [("drive", "drive air")] if _drive(result) else []
    notes = thinned_words(len(result.points))
    bar = lanes.bottom + 58
    height = bar + 74 + foot_height(legend, notes)

    def sign(pen: Pen, kind: str, x: float, y: float) -> None:
        if kind in ("in", "out"):
            pen.dot(x, y, kind == "out")
        elif kind == "open":
            pen.mark(x, y, ">", 7, "white")
        else:
            fill = {"range": WASH, "none": "white", "drive": LIGHT}[kind]
            pen.box(x - 9, y - 5, x + 9, y + 5, fill, GREY if kind == "range" else INK,
                    hatch="xxxx" if kind == "none" else None)  # fmt: skip

    def paint(pen: Pen) -> None:
        lanes.rule(pen, [k for k, n in enumerate(shown) if missed[n]])
        axis(pen, scale, lanes.top, lanes.bottom, "air of the nozzle, L/min ANR")
        pen.text(lanes.right + 50, 13, "L/min", 11, GREY, "right")
        pen.text(WIDE - 14, 13, "window", 11, GREY, "right")
        half = 0.28 * (lanes.bottoms[0] - lanes.tops[0])
        for k, n in enumerate(shown):
            y, point = lanes.middle(k), points[k]
            _window_bar(pen, scale, point, y, half, unfit[k])
            pen.dot(scale(point.air_L_per_min), y, missed[n])
            pen.text(lanes.right + 50, y, number(point.air_L_per_min), lanes.size, side="right", bold=missed[n])
            pen.text(WIDE - 14, y, _window_words(point), lanes.size, side="right")
        _supply(pen, result, bar)
        foot(pen, bar + 70, legend, sign, notes)

    told = missed_words([point.name for point in result.points], missed, "their window",
                        "the air of each is in its window")  # fmt: skip
    total, capacity = known(result.verdict).air, result.stack.capacity
    told += (f". Total {number(total)} of {number(capacity)} L/min, {percent(total / capacity)} % of the capacity, "
             f"of it drive air {number(_drive(result))} L/min.")  # fmt: skip
    return draw("air", title, told, height, paint)


def _window_bar(pen: Pen, scale: Scale, point: "PointResult", y: float, half: float, unfit: bool) -> None:
    low, high = point.air_min_L_per_min or 0.0, point.air_max_L_per_min
    if unfit and high is not None:
        pen.box(scale(high), y - half, min(scale(low), scale.right), y + half, "white", INK, hatch="xxxx")
        return
    left = scale(low)
    open_ended = high is None or high > scale.high
    right = scale.right if high is None or open_ended else scale(high)
    pen.box(left, y - half, right, y + half, WASH)
    for side in (-1, 1):
        pen.line((left, y + side * half), (right, y + side * half), colour=GREY, width=0.8, dashed=high is None)
    if point.air_min_L_per_min is not None:
        pen.line((left, y - half), (left, y + half), colour=GREY, width=0.8)
    if open_ended:
        pen.beyond(scale.right, y)
    else:
        pen.line((right, y - half), (right, y + half), colour=GREY, width=0.8)


def _supply(pen: Pen, result: "Result", y: float) -> None:
    """The total as a bar, drive air at its end, against the capacity."""
    total, capacity, drive = known(result.verdict).air, result.stack.capacity, _drive(result)
    scale = Scale(0.0, max(total, capacity), 14, WIDE - 14)
    pen.text(14, y, f"total {number(total)} of {number(capacity)} L/min: {percent(total / capacity)} % of the capacity",
             12, bold=True)  # fmt: skip
    said = f"nozzles {number(total - drive)}, drive air {number(drive)} L/min"
    pen.text(WIDE - 14, y, said, 11, GREY, "right")
    top, bottom = y + 12, y + 32
    pen.box(scale(0), top, scale(capacity), bottom, "white", GREY)
    pen.box(scale(0), top, scale(total - drive), bottom, DARK, INK)
    if drive:
        pen.box(scale(total - drive), top, scale(total), bottom, LIGHT, INK)
    pen.line((scale(capacity), top - 4), (scale(capacity), bottom + 4), width=2)
    pen.text(scale(0), bottom + 12, "0", 11, GREY)
    side = "right" if scale(capacity) > WIDE / 2 else "left"
    pen.text(scale(capacity), bottom + 12, f"capacity {number(capacity)} L/min", 11, GREY, side)
