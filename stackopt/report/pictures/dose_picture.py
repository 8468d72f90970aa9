"""The doses: what each point gets beside its tolerance, in % of what is required."""

from typing import TYPE_CHECKING

from stackopt.report.pictures.canvas import GREY, WIDE, Pen, draw, nothing
from stackopt.report.pictures.layout import Lanes, axis, foot, foot_height, lane_height
from stackopt.report.pictures.names import NAME, Rows, figure, percent, plain
from stackopt.report.pictures.points import NO_SETTINGS, missed_of, missed_words, thinned, thinned_words
from stackopt.report.pictures.scale import Scale
from stackopt.words import number

if TYPE_CHECKING:
    from stackopt.result import Result

_RANGE = "#d9dfe8"


def _edges(result: "Result") -> list[tuple[float, float]]:
    """Least and most dose of each point, in the order of the file, as shares of what is required."""
    stack = result.stack
    return [(1 - float(stack.below[i]), 1 + float(stack.above[i])) for i in stack.in_file]


def doses_rows(result: "Result") -> Rows:
    """The figures of `doses`, a header first; empty without settings.

    >>> from stackopt.stack import _example
    >>> from stackopt.result import solve
    >>> doses_rows(solve(_example()))[1]
    ('b', '21.6', '22', '98.2', '90.0', '110.0', 'in tolerance')
    """
    if not result.points:
        return []
    rows: Rows = [("point", "delivered, mL/h", "required, mL/h", "delivered, % of required", "at least, %",
                   "at most, %", "dose")]  # fmt: skip
    for point, (low, high), miss in zip(result.points, _edges(result), missed_of(result)[0], strict=True):
        said = "out of tolerance" if miss else "in tolerance"
        rows.append((point.name, figure(point.dose_mL_per_h), figure(point.required_mL_per_h),
                     percent(1 + point.error), percent(low), percent(high), said))  # fmt: skip
    return rows


def doses(result: "Result") -> str:
    """Each point's dose beside its tolerance, in % of what is required, as SVG.

    Raises StackoptError where matplotlib is not installed.

    >>> from stackopt.stack import _example
    >>> from stackopt.result import solve
    >>> "98.2 %" in doses(solve(_example()))
    True
    """
    title = "Doses against what is required"
    if not result.points:
        return nothing("doses", title, NO_SETTINGS)
    missed, edges = missed_of(result)[0], _edges(result)
    shown = thinned(len(result.points), [n for n, miss in enumerate(missed) if miss])
    points = [result.points[n] for n in shown]
    lanes = Lanes.of([point.name for point in points], [lane_height(len(shown))] * len(shown), 26, 168)
    spread = [(point.stray or 0.0) * (1 + point.error) for point in points]
    ends = [edge for n in shown for edge in edges[n]]
    ends += [1 + p.error + sign * s for p, s in zip(points, spread, strict=True) for sign in (-1, 1)]
    low, high = max(min(ends), 0.0), min(max(*ends, 1.02), 2.5)
    pad = max(0.04 * (high - low), 0.01)
    scale = Scale(100 * max(low - pad, 0.0), 100 * (high + pad), lanes.left, lanes.right)
    legend = [("range", "tolerance"), ("in", "dose within it")]
    legend += [("out", "dose outside")] if any(missed) else []
    legend += [("stray", "how far drift and spread may take it")] if any(spread) else []
    notes = thinned_words(len(result.points))
    height = lanes.bottom + 48 + foot_height(legend, notes)

    def sign(pen: Pen, kind: str, x: float, y: float) -> None:
        if kind == "range":
            pen.box(x - 9, y - 5, x + 9, y + 5, _RANGE, GREY)
        elif kind == "stray":
            _whisker(pen, x - 9, x + 9, y)
        else:
            pen.dot(x, y, kind == "out")

    def paint(pen: Pen) -> None:
        lanes.rule(pen, [k for k, n in enumerate(shown) if missed[n]])
        axis(pen, scale, lanes.top, lanes.bottom, "% of the required dose")
        pen.text(lanes.right + 66, 13, "% of required", 11, GREY, "right")
        pen.text(WIDE - 14, 13, "mL/h", 11, GREY, "right")
        half = 0.28 * (lanes.bottoms[0] - lanes.tops[0])
        for k, n in enumerate(shown):
            y = lanes.middle(k)
            left, right = (min(max(scale(100 * edge), lanes.left), lanes.right) for edge in edges[n])
            pen.box(left, y - half, right, y + half, _RANGE, GREY)
            if scale(100 * edges[n][1]) > lanes.right:
                pen.beyond(lanes.right, y - half / 2, 4)
        pen.line((scale(100), lanes.top), (scale(100), lanes.bottom), colour=GREY, width=0.9)
        for k, n in enumerate(shown):
            y, point = lanes.middle(k), points[k]
            x = scale(100 * (1 + point.error))
            if spread[k]:
                _whisker(pen, max(scale(100 * (1 + point.error - spread[k])), lanes.left),
                         min(scale(100 * (1 + point.error + spread[k])), lanes.right), y)  # fmt: skip
            if x > lanes.right:
                pen.beyond(lanes.right, y, 8)
            else:
                pen.dot(max(x, lanes.left), y, missed[n])
            pen.text(lanes.right + 66, y, f"{percent(1 + point.error)} %", lanes.size, side="right", bold=missed[n])
            pen.text(WIDE - 14, y, f"{number(point.dose_mL_per_h)} of {number(point.required_mL_per_h)}",
                     lanes.size, side="right", bold=missed[n])  # fmt: skip
        foot(pen, lanes.bottom + 50, legend, sign, notes)

    worst = max(result.points, key=lambda point: abs(point.error))
    told = missed_words([point.name for point in result.points], missed, "tolerance", "every dose in tolerance")
    told += f". The largest error is {percent(abs(worst.error))} %, of {plain(worst.name, NAME)}."
    return draw("doses", title, told, height, paint)


def _whisker(pen: Pen, left: float, right: float, y: float) -> None:
    pen.line((left, y), (right, y), width=1.2)
    for x in (left, right):
        pen.line((x, y - 4), (x, y + 4), width=1.2)
