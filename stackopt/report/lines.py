"""Lines of text, of 80 columns unless asked otherwise: labelled ones, and tables."""

import textwrap
from collections.abc import Sequence
from typing import Any

from rich.cells import cell_len, set_cell_size

WIDTH = 80
_LABEL = 9
_CONFLICTS = 5  # printed


def labelled(label: str, text: str, width: int = WIDTH) -> str:
    """A label, right-aligned, and its text, wrapped under itself."""
    indent = " " * (_LABEL + 2)
    return textwrap.fill(text, width, initial_indent=f"{label:>{_LABEL}}  ", subsequent_indent=indent,
                         break_on_hyphens=False).replace("\xa0", " ")  # fmt: skip


def conflict_lines(conflicts: list[dict[str, Any]], every: bool = False, width: int = WIDTH) -> list[str]:
    """What conflicts, numbered; of many only some."""
    shown = len(conflicts) if every else _CONFLICTS
    if len(conflicts) == 1:
        return [labelled("conflict", conflicts[0]["why"], width)]
    lines = [labelled("conflict" if n == 1 else "", f"{n}: {c['why']}", width)
             for n, c in enumerate(conflicts[:shown], 1)]  # fmt: skip
    more = len(conflicts) - shown
    return lines + ([labelled("", f"and {more} more: see stackopt rates, or --json", width)] if more > 0 else [])


def fitted(text: str, width: int, right: bool = False) -> str:
    """Text in so many columns of a terminal, of which a wide letter takes two: filled with spaces, or cut.

    >>> fitted("left", 6), fitted("x", 3, right=True), fitted("left 12", 6), fitted("刀具一", 5)
    ('left  ', '  x', 'left..', '刀 ..')
    """
    if cell_len(text) > width:
        return set_cell_size(text, max(width - 2, 1)) + ".."
    space = " " * (width - cell_len(text))
    return space + text if right else text + space


def table(rows: Sequence[Sequence[str]], flexible: Sequence[int], left: Sequence[int]) -> list[str]:
    """Rows as aligned text of at most 80 columns: the flexible columns are cut to what is left.

    >>> table([("name", "x"), ("a", "1.5")], flexible=(0,), left=(0,))
    ['name    x', 'a     1.5']
    """
    widths = [max(cell_len(row[k]) for row in rows) for k in range(len(rows[0]))]
    spare = WIDTH - sum(w for k, w in enumerate(widths) if k not in flexible) - 2 * (len(widths) - 1)
    gap = "  "
    if spare < sum(widths[k] for k in flexible):
        gap, spare = " ", spare + len(widths) - 1
    while sum(widths[k] for k in flexible) > spare and max(widths[k] for k in flexible) > 3:
        widest = max(flexible, key=lambda k: widths[k])
        widths[widest] -= 1
    return [gap.join(fitted(cell, widths[k], k not in left) for k, cell in enumerate(row)).rstrip() for row in rows]
