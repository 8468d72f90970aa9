"""Answers as notebooks show them: a table, and the rate map where the picture library is installed."""

import importlib.util
from collections.abc import Iterable, Sequence
from html import escape
from typing import TYPE_CHECKING

from stackopt.words import number

if TYPE_CHECKING:
    from stackopt.bands import Rates
    from stackopt.result import Result


def result_html(result: "Result") -> str:
    """Status, rate and a row a point; every name is data, never markup."""
    rates = " and ".join(number(rate, 6) for rate in result.settings.generators) if result.settings else ""
    served = sum(point.in_tolerance for point in result.points)
    head = f"{result.status}: {rates} strokes/min, {served} of {len(result.points)} points in tolerance"
    rows = [("point", "pump", "mark", "turns", "dose mL/h", "needs mL/h", "error %", "air L/min", "spray")]
    rows += [(p.name, p.pump, p.mark, number(p.turns), number(p.dose_mL_per_h), number(p.required_mL_per_h),
              f"{100 * p.error:+z.1f}", number(p.air_L_per_min, 3), p.spray) for p in result.points]  # fmt: skip
    if not result.points:
        return _paragraphs([result.status, *(conflict["why"] for conflict in result.conflicts)])
    return _paragraphs([head]) + _table(rows) + _picture(result)


def rates_html(found: "Rates") -> str:
    """What is shared, the bands of each point, and the rate map."""
    told = found.to_dict()
    shared = ", ".join(f"{number(one['from_per_min'])} to {number(one['to_per_min'])}" for one in told["shared"])
    head = f"shared by all points: {shared} strokes/min" if shared else "no rate serves every point"
    rows = [("point", "strokes/min within tolerance")]
    rows += [(point["name"], ", ".join(f"{number(band['from_per_min'])} to {number(band['to_per_min'])} (mark "
              f"{band['mark']})" for band in point["bands"]) or "none") for point in told["points"]]  # fmt: skip
    return _paragraphs([head]) + _table(rows) + _picture(found)


def _paragraphs(texts: Iterable[str]) -> str:
    return "".join(f"<p>{escape(text)}</p>" for text in texts)


def _table(rows: Sequence[Sequence[str]]) -> str:
    """The first row is the head.

    >>> _table([("a",), ("<b>",)])
    '<table><thead><tr><th>a</th></tr></thead><tbody><tr><td>&lt;b&gt;</td></tr></tbody></table>'
    """
    head = "".join(f"<th>{escape(cell)}</th>" for cell in rows[0])
    body = ("".join(f"<td>{escape(cell)}</td>" for cell in row) for row in rows[1:])
    lines = "".join(f"<tr>{cells}</tr>" for cells in body)
    return f"<table><thead><tr>{head}</tr></thead><tbody>{lines}</tbody></table>"


def _picture(found: "Result | Rates") -> str:
    if importlib.util.find_spec("matplotlib") is None:
        return ""
    from stackopt.report.pictures import rate_map

    return rate_map(found)
