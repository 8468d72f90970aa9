"""The file's rules as arrays over the options of each point."""

from collections import defaultdict
from dataclasses import dataclass

import numpy as np

from stackopt.problem.constraints import SLACK, Term, rows_of
from stackopt.stack import Array, Stack


@dataclass(frozen=True, eq=False)
class Row:
    """sum of (fixed + rate slope)[option] over points, plus flags, <= most."""

    points: dict[int, tuple[Array, Array]]  # fixed and slope [options] of each point that it touches
    flags: dict[Term, float]  # coefficients of the rule's own 0/1 variables
    bound: float
    slack: float

    @property
    def most(self) -> float:
        """The bound with what rounding may part a sum from it."""
        return self.bound + self.slack


class RuleRows:
    """The rows of a stack's rules, all as "at most": those of one point `alone`, which bar its options, and others.

    >>> from dataclasses import replace
    >>> from stackopt.problem.constraints import Fix
    >>> from stackopt.stack import _example
    >>> stack = replace(Stack.of(_example()), rules={"r": Fix(kind="fix", of="mark", at="2", over=("a",))})
    >>> len(RuleRows(stack).alone), len(RuleRows(stack).rows)
    (1, 0)
    """

    def __init__(self, stack: Stack) -> None:
        self.stack = stack
        self.rows: list[Row] = []
        self.alone: list[Row] = []
        for name, rule in stack.rules.items():
            for row in rows_of(rule, stack.machine):
                for sign, end in ((1.0, row.high), (-1.0, None if row.low is None else -row.low)):
                    if end is not None:
                        made = self._row(name, row.terms, sign, end)
                        (self.alone if len(made.points) == 1 and not made.flags else self.rows).append(made)

    def _row(self, name: str, terms: list[tuple[float, Term]], sign: float, most: float) -> Row:
        size = len(self.stack.stroke[0]) * self.stack.screws
        points: dict[int, tuple[Array, Array]] = defaultdict(lambda: (np.zeros(size), np.zeros(size)))
        flags: dict[Term, float] = defaultdict(float)
        for factor, (kind, *rest) in terms:
            if kind == "any":
                flags[name, *rest] += sign * factor
                continue
            i = self.stack.names.index(rest[0])
            grows = kind in ("dose", "rate")
            points[i][grows][:] += sign * factor * self._values(i, kind, *rest[1:])
        slack = SLACK * (abs(most) + sum(float(np.abs(np.nan_to_num(part)).max()) for pair in points.values()
                                         for part in pair))  # fmt: skip
        return Row(dict(points), dict(flags), most, slack)

    def _values(self, i: int, kind: str, of: str = "", label: object = None) -> Array:
        stack, screws, strokes = self.stack, self.stack.screws, self.stack.stroke.shape[1]
        if kind == "is" and of != "turns":
            labels = (stack.marks if of == "mark" else stack.pumps)[i]
            return np.array([float(k < len(labels) and labels[k] == label) for k in range(strokes)]).repeat(screws)
        if kind in ("is", "turns"):
            turns = [*stack.turns[i], *[0.0] * (screws - len(stack.turns[i]))]
            return np.tile([float(t == label) for t in turns] if kind == "is" else turns, strokes)
        if kind == "air":
            return np.tile(np.nan_to_num(stack.flow[i]), strokes)
        return np.nan_to_num(stack.stroke[i]).repeat(screws) if kind == "dose" else np.ones(strokes * screws)

    def turning(self) -> Array:
        """Rates at which a row of one point begins or ends to bar an option [1/min]."""
        found = [np.empty(0)]
        for row in self.alone:
            ((fixed, slope),) = row.points.values()
            grows = slope != 0
            found.append((row.bound - fixed[grows]) / slope[grows])
        return np.concatenate(found)
