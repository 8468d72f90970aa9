"""Our own plain drawings for a setting sheet: a knob with its marks, a screw with its turns; SVG without style."""

import math
from collections.abc import Sequence
from html import escape

from stackopt.words import number

_MOST = 12  # marks that a knob is drawn with; of more only the chosen one and its neighbours can be told apart


def knob(marks: Sequence[str], chosen: str) -> str:
    """A knob whose marks stand as dots around it in the order given, the chosen one filled and pointed at.

    Where the marks of the true knob stand is not known: the drawing tells their order alone.

    >>> drawn = knob(["A", "B", "C"], "B")
    >>> drawn.count("<circle"), "mark B, the 2nd of 3" in drawn
    (4, True)
    """
    parts = ['<circle cx="24" cy="25" r="11" fill="none" stroke="currentColor" stroke-width="1.5"/>']
    place = list(marks).index(chosen)
    from_left = [0.5] if len(marks) == 1 else [k / (len(marks) - 1) for k in range(len(marks))]
    for k, share in enumerate(from_left):
        angle = math.radians(-225 + 270 * share)  # from lower left over the top to lower right
        x, y = 24 + 17 * math.cos(angle), 25 + 17 * math.sin(angle)
        if k == place:
            tip_x, tip_y = 24 + 11 * math.cos(angle), 25 + 11 * math.sin(angle)
            parts.append(f'<line x1="24" y1="25" x2="{tip_x:.1f}" y2="{tip_y:.1f}" stroke="currentColor" '
                         'stroke-width="2.5"/>')  # fmt: skip
            parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4" fill="currentColor"/>')
        elif len(marks) <= _MOST or abs(k - place) == 1 or k in (0, len(marks) - 1):
            parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="2" fill="none" stroke="currentColor"/>')
    return _svg(parts, f"mark {chosen}, the {_counted(place + 1)} of {len(marks)}")


def dial(turns: float) -> str:
    """A screw from above: whole turns from closed as the figure inside, the rest of a turn as an arc from the top.

    The arc runs anticlockwise, as a screw of the usual right-hand thread opens.

    >>> drawn = dial(2.5)
    >>> "2.5 turns from closed" in drawn, ">2<" in drawn, "<path" in drawn, "<path" in dial(2.0)
    (True, True, True, False)
    """
    whole = math.floor(turns + 1e-9)
    rest = max(turns - whole, 0.0)
    parts = ['<circle cx="24" cy="25" r="16" fill="none" stroke="currentColor" stroke-width="1"/>']
    for quarter in range(4):
        x, y = math.sin(quarter * math.pi / 2), math.cos(quarter * math.pi / 2)
        parts.append(f'<line x1="{24 + 16 * x:.1f}" y1="{25 - 16 * y:.1f}" x2="{24 + 20 * x:.1f}" '
                     f'y2="{25 - 20 * y:.1f}" stroke="currentColor"/>')  # fmt: skip
    x, y = 24 - 16 * math.sin(2 * math.pi * rest), 25 - 16 * math.cos(2 * math.pi * rest)
    if rest > 1e-9:
        parts.append(f'<path d="M24 9 A16 16 0 {int(rest > 0.5)} 0 {x:.1f} {y:.1f}" fill="none" stroke="currentColor" '
                     'stroke-width="4"/>')  # fmt: skip
    parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3.5" fill="currentColor"/>')
    parts.append(f'<text x="24" y="30.5" text-anchor="middle" font-size="16" fill="currentColor">{whole}</text>')
    return _svg(parts, f"{number(turns)} turns from closed")


def _counted(place: int) -> str:
    """1st, 2nd, 3rd, 4th ... 11th ... 21st."""
    ending = "th" if place % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(place % 10, "th")
    return f"{place}{ending}"


def _svg(parts: Sequence[str], told: str) -> str:
    """One drawing, with what it shows as its text alternative."""
    label = escape(told, quote=True)
    return (f'<svg class="drawing" viewBox="0 0 48 48" width="40" height="40" role="img" aria-label="{label}">'
            f'{"".join(parts)}</svg>')  # fmt: skip
