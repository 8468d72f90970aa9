"""Which rates and marks serve which point: the answer of `stackopt rates`, with its plain data for JSON."""

from dataclasses import dataclass
from typing import Any

from stackopt.errors import LIMITS, library
from stackopt.optimise.conflicts import RateMap, rate_map
from stackopt.problem.model import Problem
from stackopt.stack import Stack
from stackopt.words import conflict_words, in_file_order


@dataclass(frozen=True, eq=False)
class Rates:
    """Which rates and marks serve which point, and what conflicts.

    >>> from stackopt.stack import _example
    >>> rates(_example()).to_dict()["shared"]
    [{'from_per_min': 6.0, 'to_per_min': 6.0}]
    """

    problem: Problem
    stack: Stack
    map: RateMap

    def unexplained(self) -> "Rates":
        """The same: all of it is known already."""
        return self

    @property
    def exit_code(self) -> int:
        """0 where some rate is shared by all points, else 3."""
        return 0 if self.map.shared else 3

    def to_dict(self) -> dict[str, Any]:
        """The answer as plain data, as `stackopt rates --json` prints it."""
        stack, found = self.stack, self.map
        points = [
            {"name": stack.names[i], "bands": [
                {"mark": stack.marks[i][b.stroke], "pump": stack.pumps[i][b.stroke],
                 "from_per_min": b.low, "to_per_min": b.high} for b in found.bands[i]]}
            for i in stack.in_file
        ]  # fmt: skip
        start, end = found.most_range or (None, None)
        return {
            "format": "stackopt.rates/1",
            "file": self.problem.file,
            "title": self.problem.title,
            "points": points,
            "shared": [{"from_per_min": a, "to_per_min": b} for a, b in found.shared],
            "most": {"count": len(found.most), "points": in_file_order(stack, found.most),
                     "from_per_min": start, "to_per_min": end},
            "conflicts": [conflict_words(stack, found, points) for points in found.conflicts],
            "conflicts_complete": found.complete,
        }  # fmt: skip

    def text(self, width: int = 80) -> str:
        """The answer to read, in lines of at most `width` columns, 60 to 200."""
        from stackopt.report.lanes import rates_text

        return rates_text(self, width)

    def __str__(self) -> str:
        return self.text()

    def _repr_html_(self) -> str:
        from stackopt.report.notebook import rates_html

        return rates_html(self)


def rates(problem: Problem) -> Rates:
    """Which rates and marks give which point its dose; `cut` and `max_rate` held, air left out."""
    with library("looking at the rates", of=LIMITS):
        stack = Stack.of(problem)
        return Rates(problem, stack, rate_map(stack))
