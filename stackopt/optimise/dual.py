"""Prices of the file's rules, the air and the excess: what bounds many rates at once where rules couple the points.

Each row  sum of coefficient times choice <= bound  gets a multiplier m >= 0 and moves into the cost, which leaves the
points apart: for whatever multipliers, no choice that keeps the rows costs less than

    sum over points of min over options of (cost + sum of m coefficient)  -  sum of m bound

(Lagrangian relaxation). Good multipliers are the duals of the linear relaxation at one rate; the bound is sound even if
the solver that gives them is wrong. Coefficients are constant or grow with the rate, so one set serves all rates.
"""

from collections import defaultdict
from dataclasses import dataclass

import numpy as np
from scipy.optimize import linprog
from scipy.sparse import coo_array

from stackopt.judge import ROOM
from stackopt.optimise.scan import BIG, Options
from stackopt.problem.constraints import SLACK, rows_of
from stackopt.stack import Array, Stack


@dataclass(frozen=True, eq=False)
class _Row:
    """sum of (fixed + rate slope)[option] over points, plus flags, <= most."""

    points: dict[int, tuple[Array, Array]]  # fixed and slope [options] of each point that it touches
    flags: dict[tuple, float]  # coefficients of the rule's own 0/1 variables
    most: float


@dataclass(frozen=True, eq=False)
class Prices:
    """Multipliers as additions to the cost: (fixed + rate slope) [points, options] + air + excess - const."""

    fixed: Array
    slope: Array
    air: float  # a share of capacity
    excess: float
    const: float

    def of(self, part: Options, at: Array) -> Array:
        """What they add to the cost of options at rates `at` [rates, points, options]."""
        added = self.fixed + at[:, None, None] * self.slope + self.air * part.air
        return added + self.excess * part.excess if self.excess else added


class Rules:
    """The rows of a stack's rules, all as "at most": those of one point `alone`, which bar its options, and others.

    >>> from dataclasses import replace
    >>> from stackopt.problem.constraints import Fix
    >>> from stackopt.stack import Stack, _example
    >>> stack = replace(Stack.of(_example()), rules={"r": Fix(kind="fix", of="mark", at="2", over=("a",))})
    >>> len(Rules(stack).alone), len(Rules(stack).rows)
    (1, 0)
    """

    def __init__(self, stack: Stack) -> None:
        self.stack = stack
        self.rows: list[_Row] = []
        self.alone: list[_Row] = []
        for name, rule in stack.rules.items():
            for row in rows_of(rule, stack.machine):
                for sign, end in ((1.0, row.high), (-1.0, None if row.low is None else -row.low)):
                    if end is not None:
                        made = self._row(name, row.terms, sign, end)
                        (self.alone if len(made.points) == 1 and not made.flags else self.rows).append(made)

    def _row(self, name: str, terms: list, sign: float, most: float) -> _Row:
        size = len(self.stack.stroke[0]) * self.stack.screws
        points: dict[int, tuple[Array, Array]] = defaultdict(lambda: (np.zeros(size), np.zeros(size)))
        flags: dict[tuple, float] = defaultdict(float)
        for factor, (kind, *rest) in terms:
            if kind == "any":
                flags[name, *rest] += sign * factor
                continue
            i = self.stack.names.index(rest[0])
            grows = kind in ("dose", "rate")
            points[i][grows][:] += sign * factor * self._values(i, kind, *rest[1:])
        slack = SLACK * (abs(most) + sum(float(np.abs(np.nan_to_num(part)).max()) for pair in points.values()
                                         for part in pair))  # fmt: skip
        return _Row(dict(points), dict(flags), most + slack)

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

    def kept(self, part: Options, at: Array, inside: bool = False) -> Options:
        """The options at rates `at` without those that a rule bars; inside an interval, at all of its rates."""
        barred = np.zeros(part.excess.shape, dtype=bool)
        for row in self.alone:
            ((i, (fixed, slope)),) = row.points.items()
            if not (inside and slope.any()):
                barred[:, i] |= fixed + at[:, None] * slope > row.most
        if not barred.any():
            return part
        return Options(*(np.where(barred, BIG, values) for values in part))

    def prices(self, rate: float, part: Options, cost: Array, usable: np.ndarray,
               excess: float | None) -> Prices | None:  # fmt: skip
        """Good multipliers from one rate [1/min]: the duals of the linear relaxation there; None where it has none.

        `part` is of that rate alone; `cost` and `usable` are [points, options]; `excess` is the most that X may be.
        """
        place = np.cumsum(usable.ravel()).reshape(usable.shape) - 1
        flags = {flag: n for n, flag in enumerate(dict.fromkeys(f for row in self.rows for f in row.flags))}
        width = int(usable.sum()) + len(flags)
        entries: list[tuple[Array, Array, Array]] = []
        bounds: list[float] = []

        def add(columns: Array, values: Array, most: float) -> None:
            scale = float(np.abs(values).max(initial=0.0)) or 1.0
            entries.append((np.full(len(columns), len(bounds)), columns, values / scale))
            bounds.append(most / scale)
            scales.append(scale)

        scales: list[float] = []
        for row in self.rows:
            columns, values = [np.array([int(usable.sum()) + flags[f] for f in row.flags], dtype=int)], [
                np.array(list(row.flags.values()), dtype=float)]  # fmt: skip
            for i, (fixed, slope) in row.points.items():
                columns.append(place[i, usable[i]])
                values.append((fixed + rate * slope)[usable[i]])
            add(np.concatenate(columns), np.concatenate(values), row.most)
        add(place[usable], part.air[0][usable], ROOM)
        if excess is not None:
            add(place[usable], part.excess[0][usable], excess)
        rows, columns, values = (np.concatenate(parts) for parts in zip(*entries, strict=True))
        upper = coo_array((values, (rows, columns)), shape=(len(bounds), width)).tocsr()
        whose = np.argwhere(usable)[:, 0]
        one = coo_array((np.ones(len(whose)), (whose, np.arange(len(whose)))), shape=(len(usable), width)).tocsr()
        found = linprog(np.r_[cost[usable], np.zeros(len(flags))], upper, bounds, one, np.ones(len(usable)), (0, 1),
                        method="highs")  # fmt: skip
        if found.status != 0:
            return None
        return self._as_prices(np.maximum(-found.ineqlin.marginals, 0.0) / np.array(scales), excess)

    def _as_prices(self, multipliers: Array, excess: float | None) -> Prices:
        size = self.stack.stroke.shape[1] * self.stack.screws
        fixed, slope = np.zeros((len(self.stack.names), size)), np.zeros((len(self.stack.names), size))
        flags: dict[tuple, float] = defaultdict(float)
        const = 0.0
        for m, row in zip(multipliers.tolist(), self.rows, strict=False):
            if m:
                for i, (one, other) in row.points.items():
                    fixed[i] += m * one
                    slope[i] += m * other
                for flag, coefficient in row.flags.items():
                    flags[flag] += m * coefficient
                const += m * row.most
        air = float(multipliers[len(self.rows)])
        by_excess = 0.0 if excess is None else float(multipliers[len(self.rows) + 1])
        const += air * ROOM + (by_excess * excess if excess is not None else 0.0)
        # A variable of the rule's own takes whichever of 0 and 1 costs less.
        return Prices(fixed, slope, air, by_excess, const - sum(min(0.0, c) for c in flags.values()))
