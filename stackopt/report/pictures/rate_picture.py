"""The rate map: at which rates each mark of each point gives its dose, and what all points share."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from stackopt.report.pictures.canvas import BAND, DARK, GREY, INK, WASH, WIDE, Pen, draw
from stackopt.report.pictures.layout import Lanes, axis, by_count, foot, foot_height
from stackopt.report.pictures.names import Rows, counted, figure, listed, plain, width
from stackopt.report.pictures.points import thinned, thinned_words
from stackopt.report.pictures.scale import Scale
from stackopt.words import in_file_order, rate_words

if TYPE_CHECKING:
    from stackopt.bands import Rates
    from stackopt.optimise.conflicts import Band, RateMap
    from stackopt.result import Result

_TOLD = 9  # clashing sets told to a screen reader
_LABEL = 14  # letters of a mark
_ROWS = 4  # of bars in a lane, beyond which labels are left out


def _map_of(found: "Result | Rates") -> "RateMap":
    return found.map if hasattr(found, "map") else found.rate_map


def _chosen(found: "Result | Rates") -> Any:
    """The settings of an answer; None where there are none."""
    return getattr(found, "settings", None)


def _clashes(found: "Result | Rates") -> list[tuple[int, ...]]:
    """Sets of points of the stack that no rate serves together, numbered as the answer numbers them."""
    whole, stack = _map_of(found), found.stack
    if whole.shared:
        return []
    if stack.count == 1 or hasattr(found, "map"):
        return list(whole.conflicts)
    if found.in_tolerance:
        return []
    return [tuple(stack.names.index(name) for name in one["points"]) for one in found.conflicts if not one["rules"]]


def _numbers(clashes: Sequence[Sequence[int]], i: int) -> list[int]:
    return [n for n, points in enumerate(clashes, 1) if i in points]


def rate_map_rows(found: "Result | Rates") -> Rows:
    """The figures of `rate_map`, a header first: rates in strokes/min, a row a band, then what all points share.

    >>> from stackopt.bands import rates
    >>> from stackopt.stack import _example
    >>> rate_map_rows(rates(_example()))[-2:]
    [('a', 'standard', '1', '15', '18', '', ''), ('all points', '', '', '6', '6', 'shared', '')]
    """
    whole, stack, settings, clashes = _map_of(found), found.stack, _chosen(found), _clashes(found)
    rows: Rows = [("point", "pump", "mark", "from, strokes/min", "to, strokes/min", "set", "clash")]
    for i in stack.in_file:
        clash = ", ".join(map(str, _numbers(clashes, i)))
        for band in whole.bands[i]:
            here = settings is not None and settings.stroke[i] == band.stroke
            said = f"at {figure(settings.rates[i])}" if here else ""
            said += ", not its dose" if here and not _within(settings.rates[i], band) else ""
            rows.append((stack.names[i], stack.pumps[i][band.stroke], stack.marks[i][band.stroke],
                         figure(band.low), figure(band.high), said, clash))  # fmt: skip
        if settings is not None and settings.stroke[i] not in {band.stroke for band in whole.bands[i]}:
            s = settings.stroke[i]
            rows.append((stack.names[i], stack.pumps[i][s], stack.marks[i][s], "", "",
                         f"at {figure(settings.rates[i])}, not its dose", clash))  # fmt: skip
        elif not whole.bands[i]:
            rows.append((stack.names[i], "", "", "no rate", "no rate", "", clash))
    rows += [("all points", "", "", figure(a), figure(b), "shared", "") for a, b in whole.shared]
    if not whole.shared and whole.most_range:
        rows.append((f"{len(whole.most)} of {counted(len(stack.names))}", "", "", figure(whole.most_range[0]),
                     figure(whole.most_range[1]), "the most that share a rate", ""))  # fmt: skip
    return rows


def _within(rate: float, band: "Band") -> bool:
    return band.low * (1 - 1e-9) <= rate <= band.high * (1 + 1e-9)


@dataclass(frozen=True)
class _Bar:
    """One band of a lane, or a setting outside of all: where it is drawn [px] and where its label stands."""

    kind: str  # band | set | outside
    left: float
    right: float
    row: int
    label: str
    beside: float | None  # where a label starts that does not fit into the bar; None: inside


def _bars(stack: Any, whole: "RateMap", i: int, scale: Scale, size: float, settings: Any) -> list[_Bar]:
    """The bands of a point and how it is set, those that would touch each other in rows of their own."""
    several = len(set(stack.pumps[i])) > 1
    own, rate = (settings.stroke[i], settings.rates[i]) if settings is not None else (None, 0.0)
    drawn = [("set" if b.stroke == own and _within(rate, b) else "band", b.stroke, scale(b.low), scale(b.high), 2)
             for b in whole.bands[i]]  # fmt: skip
    if own is not None and all(kind == "band" for kind, *_ in drawn):
        drawn.append(("outside", own, scale(rate), scale(rate), 5))
    ends: list[float] = []
    found = []
    for kind, stroke, left, right, least in drawn:
        if right - left < 2 * least:
            left, right = (left + right) / 2 - least, (left + right) / 2 + least
        label = plain(stack.marks[i][stroke], _LABEL)
        if several:
            label += " " + plain(stack.pumps[i][stroke], _LABEL)
        wide = width(label, size)
        fits = kind != "outside" and wide + 4 <= right - left
        start, end = (left, right) if fits else (left, right + 2 + wide)
        beside = None if fits else right + 2
        if end > WIDE - 6:
            start, end, beside = left - 2 - wide, right, left - 2 - wide
        row = next((k for k, last in enumerate(ends) if last + 3 <= start), len(ends))
        if row >= _ROWS:
            row, label = _ROWS - 1, ""
        elif row == len(ends):
            ends.append(0.0)
        ends[row] = max(ends[row], end)
        found.append(_Bar(kind, left, right, row, label, beside))
    return found


def _scale(found: "Result | Rates", left: float, right: float) -> Scale:
    """The dial, linear or logarithmic: whichever makes the narrowest band (or gap, of single rates) wider."""
    stack = found.stack
    low, high = stack.low, stack.high
    if high <= low * (1 + 1e-9):
        return Scale(low * 0.9, high * 1.1, left, right)
    both = [Scale(low, high, left, right, log) for log in (False, True)]
    rows = _map_of(found).bands
    spans = {(b.low, b.high) for row in rows for b in row if b.high > b.low}
    starts = [sorted({b.low for b in row}) for row in rows]
    spans = spans or {pair for row in starts for pair in pairwise(row)}
    return max(both, key=lambda scale: min((scale(b) - scale(a) for a, b in spans), default=0.0))


def rate_map(found: "Result | Rates") -> str:
    """The rates at which each mark of each point gives its dose, what all share, and the rates that are set, as SVG.

    Cuts and `max_rate` are held, air is left out. Raises StackoptError where matplotlib is not installed.

    >>> from stackopt.stack import _example
    >>> from stackopt.result import solve
    >>> picture = rate_map(solve(_example()))
    >>> picture.startswith("<svg"), "<desc" in picture, "style=" in picture
    (True, True, False)
    """
    whole, stack, settings, clashes = _map_of(found), found.stack, _chosen(found), _clashes(found)
    order = stack.in_file
    shown = [order[n] for n in thinned(len(order), [order.index(i) for one in clashes for i in one])]
    names = [stack.names[i] for i in shown]
    aside = 74 if clashes else 8
    columns = Lanes.of(names, [1.0] * len(names), 0, aside)
    scale = _scale(found, columns.left, columns.right)
    size = columns.size - 1
    bars = [_bars(stack, whole, i, scale, size, settings) for i in shown]
    tall = by_count(len(shown), 18, 14, 12)
    heights = [tall * max([1, *(bar.row + 1 for bar in row)]) + 6 for row in bars]
    rates = settings.generators if settings is not None else ()
    most = whole.most_range if clashes else None
    spots = _head(scale, rates, most, f"serves {len(whole.most)} of {len(stack.names)}")
    lanes = Lanes.of(names, heights, 18 + 15 * max([1, *(row for _, _, row in spots)]), aside)
    kinds = {bar.kind for row in bars for bar in row}
    legend = _legend(kinds, bool(whole.shared), bool(clashes))
    notes = thinned_words(len(order))
    height = lanes.bottom + 48 + foot_height(legend, notes)

    def paint(pen: Pen) -> None:
        spans = whole.shared or ((most,) if most else ())
        for low, high in spans:
            pad = max(0.0, 4 - (scale(high) - scale(low))) / 2
            pen.box(scale(low) - pad, lanes.top, scale(high) + pad, lanes.bottom,
                    WASH if whole.shared else "none", INK, dashed=True)  # fmt: skip
        lanes.rule(pen, [n for n, i in enumerate(shown) if _numbers(clashes, i)])
        axis(pen, scale, lanes.top, lanes.bottom, "strokes/min" + (", logarithmic" if scale.log else ""))
        for rate in rates:
            pen.line((scale(rate), lanes.top), (scale(rate), lanes.bottom), width=1.5)
        for x, said, row in spots:
            pen.text(x, lanes.top - 15 * row + 5, said, 12 if row == 1 and rates else 11, side="center",
                     bold=said.endswith("/min"))  # fmt: skip
        for n, i in enumerate(shown):
            _lane(pen, lanes, n, tall, bars[n], [scale(rate) for rate in rates])
            if not bars[n]:
                pen.text((lanes.left + lanes.right) / 2, lanes.middle(n), "no rate and mark gives the dose",
                         size, side="center")  # fmt: skip
            if of := _numbers(clashes, i):
                pen.mark(lanes.right + 20, lanes.middle(n), "X", 9)
                said = ", ".join(map(str, of[:3])) + (" .." if len(of) > 3 else "")
                pen.text(lanes.right + 30, lanes.middle(n), said, size)
        if clashes:
            pen.text(lanes.right + 14, lanes.top - 10, "clash", 11, GREY)
        foot(pen, lanes.bottom + 50, legend, _sign, notes)

    return draw("rate-map", "Rates that give each point its dose", _told(found, clashes), height, paint)


def _head(scale: Scale, rates: Sequence[float], most: tuple[float, float] | None,
          serves: str) -> list[tuple[float, str, int]]:  # fmt: skip
    """What is written above the lanes: place [px], text and line above them, no two on each other."""
    said = [(scale(rate), f"{figure(rate)}/min") for rate in rates]
    if most:
        said.append(((scale(most[0]) + scale(most[1])) / 2, serves))
    found: list[tuple[float, str, int]] = []
    taken: list[tuple[float, float, int]] = []
    for x, text in said:
        half = width(text, 12) / 2 + 4
        x = min(max(x, half), WIDE - half)
        row = 1
        while any(line == row and a < x + half and x - half < b for a, b, line in taken):
            row += 1
        taken.append((x - half, x + half, row))
        found.append((x, text, row))
    return found


def _lane(pen: Pen, lanes: Lanes, n: int, tall: float, bars: Sequence[_Bar],
          lines: Sequence[float]) -> None:  # fmt: skip
    for bar in bars:
        top = lanes.tops[n] + 4 + tall * bar.row
        bottom = top + tall - 3
        here = bar.kind != "band"
        if bar.kind == "outside":
            pen.mark((bar.left + bar.right) / 2, (top + bottom) / 2, "D", 7, "white")
        else:
            pen.box(bar.left, top, bar.right, bottom, DARK if here else BAND, INK if here else GREY)
        if bar.beside is None:
            pen.text((bar.left + bar.right) / 2, (top + bottom) / 2, bar.label, lanes.size - 1,
                     "#ffffff" if here else INK, "center", bold=here)  # fmt: skip
        elif bar.label:
            end = bar.beside + width(bar.label, lanes.size - 1)
            if any(bar.beside - 2 <= x <= end for x in lines):  # a line through the letters would hide them
                pen.box(bar.beside - 1, top, end, bottom, "white")
            pen.text(bar.beside, (top + bottom) / 2, bar.label, lanes.size - 1, bold=here)


def _legend(kinds: set[str], shared: bool, clash: bool) -> list[tuple[str, str]]:
    parts = [("band", "rates at which a mark gives the dose")] if kinds & {"band", "set"} else []
    parts += [("set", "the mark that is set")] if "set" in kinds else []
    parts += [("outside", "set to this mark, but not its dose")] if "outside" in kinds else []
    parts += [("rate", "rate that is set")] if kinds & {"set", "outside"} else []
    parts += [("shared", "shared by all points")] if shared else [("most", "serves the most points")] if clash else []
    parts += [("clash", "clash: no rate serves all points with this number")] if clash else []
    return parts


def _sign(pen: Pen, kind: str, x: float, y: float) -> None:
    if kind == "rate":
        pen.line((x, y - 7), (x, y + 7), width=1.5)
    elif kind == "clash":
        pen.mark(x, y, "X", 9)
    elif kind == "outside":
        pen.mark(x, y, "D", 7, "white")
    else:
        fill, edge = {"band": (BAND, GREY), "set": (DARK, INK), "shared": (WASH, INK),
                      "most": ("none", INK)}[kind]  # fmt: skip
        pen.box(x - 9, y - 6, x + 9, y + 6, fill, edge, dashed=kind in ("shared", "most"))


def _told(found: "Result | Rates", clashes: Sequence[Sequence[int]]) -> str:
    whole, stack, settings = _map_of(found), found.stack, _chosen(found)
    parts = [f"{counted(len(stack.names))}, a lane each, with the rates at which each mark gives the dose."]
    if whole.shared:
        ranges = [rate_words(a, b) for a, b in whole.shared]
        more = f" and {len(ranges) - 8} more ranges" if len(ranges) > 8 else ""
        parts.append(f"All points share {' and '.join(ranges[:8])}{more} strokes/min.")
    else:
        parts.append("No rate serves every point.")
        if whole.most_range:
            parts.append(f"The most, {counted(len(whole.most))}, share {rate_words(*whole.most_range)} strokes/min.")
    if settings is not None:
        parts.append(f"Set: {' and '.join(figure(rate) for rate in settings.generators)} strokes/min.")
    parts += [f"Clash {n}: {listed(in_file_order(stack, one))}." for n, one in enumerate(clashes[:_TOLD], 1)]
    return " ".join(parts)
