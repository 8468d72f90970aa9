"""Dose error against air as text: a table and a small chart, 60 to 200 columns, no colour, ASCII alone."""

from typing import TYPE_CHECKING

from stackopt.report.lines import labelled
from stackopt.words import number

if TYPE_CHECKING:
    from stackopt.plans import Tradeoff

_LABEL = 9  # columns of the figures left of the chart
_HEIGHT = 14  # rows of the chart


def tradeoff_text(found: "Tradeoff", width: int = 80) -> str:
    """What there is to choose from, how it lies, and whether it is all; no line is longer than `width`."""
    lines = [labelled("machine", found.problem.title, width)] if found.problem.title else []
    lines.append(labelled("status", _status(found), width))
    if found.plans:
        lines.append(labelled("front", _extent(found), width))
        if found.knee is not None:
            plan = found.plans[found.knee]
            lines.append(labelled("knee", f"plan {found.knee + 1}, {_percent(plan.mean_error)} with "
                               f"{plan.air_L_per_min:.1f} L/min: with less air the error grows fast, more air wins "
                               "little; a suggestion", width))  # fmt: skip
    lines += [labelled("warning", warning, width) for warning in found.warnings]
    if found.plans:
        lines += ["", *_table(found)]
    if len(found.plans) > 1:
        pairs = [(plan.air_L_per_min, 100 * plan.mean_error) for plan in found.plans]
        lines += ["", *chart(pairs, found.segments, found.knee, width)]
    return "\n".join(lines)


def _percent(share: float) -> str:
    return f"{100 * share:.2f}\xa0%"


def _status(found: "Tradeoff") -> str:
    if found.status == "infeasible":
        return "the hard rules cannot be met together"
    if found.status != "optimal":
        return "not proved; the best found so far"
    if found.front.excess:
        return f"no setting serves every point; all plans have the least excess, {_percent(found.front.excess)}"
    if not all(point.in_tolerance for plan in found.plans for point in plan.points):
        return "every point in tolerance in all plans, but for what counts as a tie"
    return "every point in tolerance in all plans"


def _extent(found: "Tradeoff") -> str:
    """How many plans, and whether these are all."""
    count = "1 plan" if len(found.plans) == 1 else f"{len(found.plans)} plans"
    if found.complete:
        lines = "; settings on the lines between are as good" if found.segments else ""
        return f"{count}: the whole front{lines}"
    if found.status != "optimal":
        return f"{count}; whether there are more is not known"
    return f"{count} spread by air: not the whole front, which has more"


def _table(found: "Tradeoff") -> list[str]:
    rows = [("plan", "strokes/min", "mean error", "air L/min", "capacity", "")]
    for n, plan in enumerate(found.plans):
        rate = "several" if plan.rate_per_min is None else number(plan.rate_per_min, 6)
        share = f"{100 * plan.air_L_per_min / found.stack.capacity:.1f} %"
        mark = "* knee" if n == found.knee else ""
        rows.append((f"{n + 1}", rate, f"{100 * plan.mean_error:.3f} %", f"{plan.air_L_per_min:.2f}", share, mark))
    widths = [max(len(row[k]) for row in rows) for k in range(5)]
    return ["  ".join([*(f"{cell:>{w}}" for cell, w in zip(row, widths, strict=False)), row[5]]).rstrip()
            for row in rows]  # fmt: skip


def chart(pairs: list[tuple[float, float]], segments: tuple[tuple[int, int], ...] = (), knee: int | None = None,
          width: int = 80) -> list[str]:  # fmt: skip
    r"""Pairs of air [L/min] and error [%] as lines of text at most `width` long; several at one place are one `o`.

    >>> print("\n".join(chart([(10.0, 4.0), (20.0, 1.0), (40.0, 0.0)], knee=1, width=60)[:3]))
    error, %
         4.00 |o
              |
    """
    wide = max(width - _LABEL - 2, 10)
    left, right = min(a for a, _ in pairs), max(a for a, _ in pairs)
    low, high = min(e for _, e in pairs), max(e for _, e in pairs)

    def place(air: float, error: float) -> tuple[int, int]:
        across = (air - left) / (right - left) if right > left else 0.0
        down = (high - error) / (high - low) if high > low else 0.0
        return round(down * (_HEIGHT - 1)), round(across * (wide - 1))

    field = [[" "] * wide for _ in range(_HEIGHT)]
    for i, j in segments:
        for step in range(2 * wide + 1):
            part = step / (2 * wide)
            row, column = place(*(a + part * (b - a) for a, b in zip(pairs[i], pairs[j], strict=True)))
            field[row][column] = "."
    for pair in pairs:
        row, column = place(*pair)
        field[row][column] = "o"
    if knee is not None:
        row, column = place(*pairs[knee])
        field[row][column] = "*"
    high_text, low_text = _apart(high, low, 2)
    labels = {0: high_text, _HEIGHT - 1: low_text}
    lines = ["error, %"]
    lines += [f"{labels.get(n, ''):>{_LABEL}} |{''.join(row)}".rstrip() for n, row in enumerate(field)]
    start, end = _apart(left, right, 1)
    end += " L/min"
    lines.append(" " * (_LABEL + 1) + "+" + "-" * wide)
    lines.append(" " * (_LABEL + 2) + start + " " * max(wide - len(start) - len(end), 1) + end)
    legend = ["o plan", *(["* knee, a suggestion"] if knee is not None else []),
              *([". straight line of the front"] if segments else [])]  # fmt: skip
    return [*lines, *labelled("", "; ".join(part.replace(" ", "\xa0") for part in legend), width).splitlines()]


def _apart(first: float, last: float, digits: int) -> tuple[str, str]:
    """Two figures with as many decimals, up to 6, as tell them apart."""
    while digits < 6 and first != last and f"{first:.{digits}f}" == f"{last:.{digits}f}":
        digits += 1
    return f"{first:.{digits}f}", f"{last:.{digits}f}"
