"""How pictures are laid out: lanes, one a point, with their names and axis; legend and notes under them."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from stackopt.report.pictures.canvas import GREY, PALE, WIDE, Pen
from stackopt.report.pictures.names import NAME, plain, width
from stackopt.report.pictures.scale import Scale


@dataclass(frozen=True)
class Lanes:
    """Where lanes and columns of a picture stand [px]; one lane a name."""

    names: tuple[str, ...]
    tops: tuple[float, ...]
    bottoms: tuple[float, ...]
    left: float
    right: float
    size: float  # of the text

    @classmethod
    def of(cls, names: Sequence[str], heights: Sequence[float], top: float, aside: float) -> "Lanes":
        """Lanes under each other from `top` on, with room `aside` right of them [px]."""
        size = by_count(len(names), 12, 11, 10)
        left = 12 + max(60.0, *(width(plain(name, NAME), size) for name in names)) + 10
        ends = np.cumsum([top, *heights]).tolist()
        return cls(tuple(names), tuple(ends[:-1]), tuple(ends[1:]), min(left, 250), WIDE - 16 - aside, size)

    @property
    def top(self) -> float:
        """Where the first lane begins [px]."""
        return self.tops[0]

    @property
    def bottom(self) -> float:
        """Where the last lane ends [px]."""
        return self.bottoms[-1]

    def middle(self, n: int) -> float:
        """The middle of a lane [px]."""
        return (self.tops[n] + self.bottoms[n]) / 2

    def rule(self, pen: Pen, bold: Iterable[int] = ()) -> None:
        """Draw names, and a hairline between lanes."""
        bold = set(bold)
        for n, name in enumerate(self.names):
            pen.line((12, self.bottoms[n]), (WIDE - 12, self.bottoms[n]), colour=PALE, width=0.6)
            pen.text(self.left - 10, self.middle(n), plain(name, NAME), self.size, side="right", bold=n in bold)


def by_count(count: int, few: float, many: float, most: float) -> float:
    """A size where there are so many lanes.

    >>> [by_count(count, 12, 11, 10) for count in (16, 17, 33)]
    [12, 11, 10]
    """
    return few if count <= 16 else many if count <= 32 else most


def lane_height(count: int) -> float:
    """The height of a lane that holds one row, where there are so many [px]."""
    return by_count(count, 25, 20, 16)


def axis(pen: Pen, scale: Scale, top: float, bottom: float, called: str) -> None:
    """Ticks with hairlines through the lanes and, under them, what is shown."""
    pen.line((scale.left, bottom), (scale.right, bottom), colour=GREY, width=0.8)
    for value, said in scale.ticks():
        x = scale(value)
        pen.line((x, top), (x, bottom), colour=PALE, width=0.6)
        pen.line((x, bottom), (x, bottom + 4), colour=GREY, width=0.8)
        pen.text(x, bottom + 13, said, 11, GREY, "center")
    pen.text((scale.left + scale.right) / 2, bottom + 30, called, 11, GREY, "center")


# Under a picture: a legend of pairs, a kind of sign and what it stands for, and notes, a line each.

Sign = Callable[[Pen, str, float, float], None]  # draws a kind of sign about a place
Legend = Sequence[tuple[str, str]]


def foot_height(legend: Legend, notes: Sequence[str]) -> float:
    """The height of legend and notes [px]."""
    return 18.0 * max([1, *(line + 1 for _, line in _places(legend))]) + 16 * len(notes)


def foot(pen: Pen, y: float, legend: Legend, sign: Sign, notes: Sequence[str]) -> None:
    """Draw the legend from y on, in as many lines as it takes, and the notes at the end of the sheet."""
    for (kind, said), (x, line) in zip(legend, _places(legend), strict=True):
        sign(pen, kind, x + 9, y + 18 * line)
        pen.text(x + 24, y + 18 * line, said, 11, GREY)
    for n, note in enumerate(notes):
        pen.text(14, pen.height - 16 * (len(notes) - n), note, 11, GREY)


def _places(legend: Legend) -> Iterator[tuple[float, int]]:
    """Where each sign of a legend starts [px], and in which line."""
    x, line = 14.0, 0
    for _, said in legend:
        wide = 26 + width(said, 11) + 10
        if x > 14 and x + wide > WIDE - 6:
            x, line = 14.0, line + 1
        yield x, line
        x += wide
