"""Which rates serve which point, as text: the bands in words, and a lane a point along the dial."""

import math
import textwrap
from typing import TYPE_CHECKING

from rich.cells import cell_len

from stackopt.errors import known
from stackopt.report.lines import WIDTH, conflict_lines, fitted, labelled
from stackopt.words import number, rate_words

if TYPE_CHECKING:
    from stackopt.bands import Rates

_NAME = 24  # columns of a name, at most
_ROWS = 4  # of a lane, where bands overlap
_LOGARITHMIC = 8.0  # highest rate over lowest, from which on the dial is drawn so


def rates_text(found: "Rates", width: int = WIDTH) -> str:
    """The bands of each point, what they share and what conflicts; no line is longer than `width`."""
    stack, rates = found.stack, found.map
    lines = [labelled("machine", found.problem.title, width)] if found.problem.title else []
    if rates.shared:
        shared = " and ".join(rate_words(a, b) for a, b in rates.shared)
        lines.append(labelled("shared", f"{shared} strokes/min", width))
    else:
        lines.append(labelled("shared", "no rate serves every point", width))
        if rates.most:
            lines.append(labelled("most", f"{len(rates.most)} of {len(stack.names)} points at "
                                  f"{rate_words(*known(rates.most_range))} strokes/min", width))  # fmt: skip
    lines += conflict_lines(found.to_dict()["conflicts"], every=True, width=width)
    if not rates.complete:
        lines.append(labelled("", "(there may be more conflicts)", width))
    lines += ["", "strokes/min at which a mark gives the dose in tolerance"]
    rows = []
    for i in stack.in_file:
        bands = sorted(rates.bands[i], key=lambda b: (b.low, b.high))
        several = len(set(stack.pumps[i])) > 1
        texts = [f"{rate_words(b.low, b.high)} (mark {stack.marks[i][b.stroke]}"
                 + (f" of {stack.pumps[i][b.stroke]})" if several else ")") for b in bands]  # fmt: skip
        texts = [text.replace(" ", "\xa0") for text in texts]  # lines break between bands alone
        rows.append((stack.names[i], ", ".join(texts) or "none"))
    wide = _name_width(found)
    indent = " " * (wide + 2)
    for name, text in rows:
        wrapped = textwrap.fill(text, width, initial_indent=indent, subsequent_indent=indent)
        lines.append(fitted(name, wide) + wrapped[wide:].replace("\xa0", " "))
    return "\n".join([*lines, "", *lanes(found, width)])


def lanes(found: "Rates", width: int = WIDTH) -> list[str]:
    r"""A lane a point along the dial: where each mark gives the dose, and (=) where every point has its dose.

    >>> from stackopt.bands import rates
    >>> from stackopt.stack import _example
    >>> print("\n".join(lanes(rates(_example()), 60)[:3]))
    b               3        2--                 1---
    a           2----                1---
    shared          =
    """
    stack, rates, wide = found.stack, found.map, _name_width(found)
    across = width - wide - 2
    low, high = stack.low, stack.high
    bends = high > _LOGARITHMIC * low

    def column(rate: float) -> int:
        if high <= low:
            return 0
        share = math.log(rate / low) / math.log(high / low) if bends else (rate - low) / (high - low)
        return min(max(round(share * (across - 1)), 0), across - 1)

    lines = []
    for i in stack.in_file:
        rows: list[list[str]] = [[" "] * across]
        for band in sorted(rates.bands[i], key=lambda b: (b.low, b.high)):
            first, last = column(band.low), column(band.high)
            free = [row for row in rows if all(c == " " for c in row[max(first - 1, 0) : last + 2])]
            if not free and len(rows) < _ROWS:
                rows.append([" "] * across)
                free = rows[-1:]
            if free:
                size = last - first + 1
                label = stack.marks[i][band.stroke]
                text = label if cell_len(label) == len(label) <= size and label.isprintable() else "#"
                free[0][first : last + 1] = f"{text:-<{size}}"
        lines += [f"{fitted('' if n else stack.names[i], wide)}  {''.join(row)}".rstrip() for n, row in enumerate(rows)]
    common = [" "] * across
    for start, end in rates.shared:
        first, last = column(start), column(end)
        common[first : last + 1] = "=" * (last - first + 1)
    if rates.shared:
        lines.append(f"{'shared':<{wide}}  {''.join(common)}".rstrip())
    left, right = number(low), f"{number(high)}/min"
    lines.append(f"{'':<{wide}}  {left}{' ' * max(across - len(left) - len(right), 1)}{right}")
    legend = "a mark from the first to the last rate at which it gives the dose; # where its name is too long"
    if bends:
        legend += "; the dial is drawn by ratios"
    return [*lines, *textwrap.wrap(legend, width)]


def _name_width(found: "Rates") -> int:
    return min(max(*(cell_len(name) for name in found.stack.names), len("shared")), _NAME)
