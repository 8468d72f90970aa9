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

from stackopt.errors import SolverError, library
from stackopt.judge import ROOM
from stackopt.optimise.rulerows import RuleRows
from stackopt.optimise.scan import BIG, Options
from stackopt.problem.constraints import Term
from stackopt.stack import Array


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


class Rules(RuleRows):
    """The rows of a stack's rules, and what bars or prices options by them."""

    def kept(self, part: Options, at: Array) -> Options:
        """The options without those that a rule bars at rates `at` [1/min]."""
        barred = np.zeros(part.excess.shape, dtype=bool)
        for row in self.alone:
            ((i, (fixed, slope)),) = row.points.items()
            barred[:, i] |= fixed + at[:, None] * slope > row.most
        if not barred.any():
            return part
        return Options(*(np.where(barred, BIG, values) for values in part))

    def prices(self, rate: float, part: Options, cost: Array, usable: np.ndarray,
               excess: float | None) -> Prices | None:  # fmt: skip
        """Good multipliers from one rate [1/min]: the duals of the linear relaxation there; None where it has none.

        `part` is of that rate alone; `cost` and `usable` are [points, options]; `excess` is the most that X may be.
        """
        with library("the solver of the relaxation", SolverError):
            from scipy.optimize import linprog  # half as long to load as all the rest; few machines need it
            from scipy.sparse import coo_array

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
        down, across, value = (np.concatenate(parts) for parts in zip(*entries, strict=True))
        upper = coo_array((value, (down, across)), shape=(len(bounds), width)).tocsr()
        whose = np.argwhere(usable)[:, 0]
        one = coo_array((np.ones(len(whose)), (whose, np.arange(len(whose)))), shape=(len(usable), width)).tocsr()
        with library("the solver of the relaxation", SolverError):
            found = linprog(np.r_[cost[usable], np.zeros(len(flags))], upper, bounds, one, np.ones(len(usable)),
                            (0, 1), method="highs")  # fmt: skip
        if found.status != 0:
            return None
        return self._as_prices(np.maximum(-found.ineqlin.marginals, 0.0) / np.array(scales), excess)

    def _as_prices(self, multipliers: Array, excess: float | None) -> Prices:
        size = self.stack.stroke.shape[1] * self.stack.screws
        fixed, slope = np.zeros((len(self.stack.names), size)), np.zeros((len(self.stack.names), size))
        flags: dict[Term, float] = defaultdict(float)
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
