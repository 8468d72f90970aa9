"""The mixed-integer model, through PuLP; nothing else imports it.

The model is the general one: the rate r is a variable, a binary y picks each point's stroke and z its screw, and
w = r y is written exactly by  sum w = r,  lo y <= w <= hi y  (Glover 1975, Management Science 22(4) 455-460).
Excess and error are the largest of linear rows. Only whole-number choices are taken from a solver: the rate is then
found exactly for that choice, and every figure is recomputed by the judge.
"""

import time
import warnings
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from stackopt.errors import SolverError
from stackopt.judge import ROOM, TIE, Settings, judge
from stackopt.optimise.scan import rates
from stackopt.physics.dosing import SLACK
from stackopt.stack import Array, Stack

SHARP = 1e3  # rows that hold an excess or a value to 1e-9 are scaled by this; solvers are looser than that
_DIGITS = 1e-7
_NEAR = 3e-8  # an answer this close to the solver's bound meets it
_TRIES = 50  # answers that the judge refuses before the model is given up


class NoProof(Exception):
    """The solver gave no proof; `status` says why: "time limit", or "unproved" where it gave up."""

    def __init__(self, status: str = "time limit") -> None:
        super().__init__(status)
        self.status = status


@dataclass(frozen=True)
class Proved:
    """What the model found: settings, their X and value by the judge, and the solver's bound on what was asked."""

    settings: Settings
    excess: float
    value: float
    bound: float


class Rows:
    """A small model made row by row; names are by number, since PuLP cleans names until some are equal."""

    def __init__(self) -> None:
        import pulp

        self._pulp = pulp
        self.problem = pulp.LpProblem("stackopt", pulp.LpMinimize)
        self._count = 0

    def variable(self, low: float | None = None, high: float | None = None, whole: bool = False) -> Any:
        """A new variable between `low` and `high`."""
        self._count += 1
        return self.problem.add_variable(f"v{self._count}", low, high, "Integer" if whole else "Continuous")

    def row(self, terms: Iterable[tuple[float, Any]], low: float | None = None, high: float | None = None) -> None:
        """Hold low <= sum of coefficient times variable <= high, an end at a time (PuLP loses one of two)."""
        terms = list(terms)
        for bound, above in ((low, True), (high, False)):
            if bound is not None:
                self._count += 1
                total = self._pulp.lpSum(c * v for c, v in terms)
                self.problem.addConstraint(total >= bound if above else total <= bound, f"r{self._count}")

    def choice(self, count: int, relaxed: bool = False) -> list[Any]:
        """Binaries of which exactly one is 1."""
        picks = [self.variable(0, 1, whole=not relaxed) for _ in range(count)]
        self.row([(1.0, pick) for pick in picks], 1, 1)
        return picks

    def products(self, factor: Any, low: float, highs: Sequence[float], picks: Sequence[Any]) -> list[Any]:
        """Variables w = factor * pick for a choice, where factor >= low, and <= highs[i] where pick i is 1."""
        products = [self.variable(0, None) for _ in picks]
        for product, high, pick in zip(products, highs, picks, strict=True):
            self.row([(1.0, product), (-low, pick)], low=0.0)
            self.row([(1.0, product), (-high, pick)], high=0.0)
        self.row([*((1.0, product) for product in products), (-1.0, factor)], 0.0, 0.0)
        return products

    def minimise(self, terms: Iterable[tuple[float, Any]], solver: str, deadline: float) -> float | None:
        """Solve; the bound that the solver proved, or None where it finds no solution. NoProof at the deadline."""
        self.problem.setObjective(self._pulp.lpSum(SHARP * c * v for c, v in terms))
        # Presolve calls some feasible models infeasible: only without it that is believed.
        for presolve in (True, False) if solver == "highs" else (True,):
            proved, found = self._solved(solver, presolve, deadline)
            if proved and found:
                break
        if not proved:
            raise NoProof("unproved")
        if not found:
            return None
        model = getattr(self.problem, "solverModel", None)
        if solver == "highs" and model is not None:
            return float(model.getInfo().mip_dual_bound) / SHARP
        return float(self.problem.objective.value()) / SHARP

    def _solved(self, solver: str, presolve: bool, deadline: float) -> tuple[bool, bool]:
        left = deadline - time.monotonic()
        if left <= 0:
            raise NoProof
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", DeprecationWarning)  # of PuLP 3.3 about its own next version
                stats = self.problem.solve(_engine(self._pulp, solver, left, presolve))
        except self._pulp.PulpSolverError as error:
            raise SolverError(f"the solver {solver} failed: {error}") from error
        if time.monotonic() >= deadline:
            raise NoProof
        return self._verdict(stats)

    def _verdict(self, stats: Any) -> tuple[bool, bool]:
        """Whether the solver ended by itself, and whether it has a solution. The two PuLPs tell differently."""
        if isinstance(stats, int):  # PuLP 3: a status that reads "optimal" at a time limit too, and sol_status
            pulp = self._pulp
            optimal = self.problem.sol_status == pulp.LpSolutionOptimal
            none = stats in (pulp.LpStatusInfeasible, pulp.LpStatusUndefined)
            return optimal or none, optimal
        name = stats.status.name.lower()
        # PuLP 4 reads CBC's objective with eight digits, and takes what these leave open for a gap.
        optimal = name == "optimal" or (name == "gaplimit" and stats.gap_rel is not None and stats.gap_rel <= _DIGITS)
        return optimal or name in ("infeasible", "undefined"), optimal


def _engine(pulp: Any, solver: str, seconds: float, presolve: bool) -> Any:
    common = {"msg": False, "timeLimit": max(seconds, 0.01), "gapRel": 0.0, "threads": 1}
    if solver == "highs":
        return pulp.HiGHS(**common, presolve="on" if presolve else "off", primal_feasibility_tolerance=1e-9,
                          mip_feasibility_tolerance=1e-9, mip_abs_gap=1e-10)  # fmt: skip
    if solver != "cbc":
        raise SolverError(f"no such solver: {solver!r}; there are 'highs' and 'cbc'")
    try:
        import cbcbox  # not the one that comes with PuLP 3.3: it calls some feasible models infeasible
    except ImportError:
        raise SolverError("CBC is not installed; \"pip install 'pulp[cbc]'\" brings it") from None
    return pulp.COIN_CMD(**common, path=str(cbcbox.cbc_bin_path()), gapAbs=1e-10,
                         options=["primalTolerance 1e-9", "integerTolerance 1e-9"])  # fmt: skip


class StackModel:
    """The rows of a stack with the rate between `low` and `high`."""

    def __init__(self, stack: Stack, low: float | None = None, high: float | None = None) -> None:
        self.stack = stack
        self.rows = rows = Rows()
        low = stack.low if low is None else low
        high = stack.high if high is None else high
        self.range = low, high
        self.rate = self._rate(low, high)
        self.strokes: list[dict[int, Any]] = []
        self.screws: list[dict[int, Any]] = []
        self.excess: list[tuple[float, Any]] = []
        self.value: list[tuple[float, Any]] = []
        air: list[tuple[float, Any]] = []
        for i in range(len(stack.names)):
            air += self._point(i, low, high)
        self.value += [(stack.air_weight / stack.capacity * c, v) for c, v in air]
        rows.row(air, high=stack.capacity * ROOM)

    def _rate(self, low: float, high: float) -> Any:
        if self.stack.step is None or low == high:
            return self.rows.variable(low, high)
        inside = np.flatnonzero((self.stack.steps >= low) & (self.stack.steps <= high))
        step = self.rows.variable(int(inside[0]), int(inside[-1]), whole=True)
        rate = self.rows.variable(low, high)
        self.rows.row([(1.0, rate), (-self.stack.step, step)], self.stack.low, self.stack.low)
        return rate

    def _point(self, i: int, low: float, high: float) -> list[tuple[float, Any]]:
        """Rows of point `i`; the terms of its air."""
        stack, rows = self.stack, self.rows
        usable = [s for s in range(len(stack.pumps[i])) if stack.rate_max[i, s] >= low]
        tops = [min(high, stack.rate_max[i, s]) for s in usable]
        picks = rows.choice(len(usable))
        flows = stack.flow[i][~np.isnan(stack.flow[i])]
        screws = rows.choice(len(flows))
        products = rows.products(self.rate, low, tops, picks)
        if stack.rate_min[i] > low:
            rows.row([(1.0, self.rate)], low=stack.rate_min[i])
        self.strokes.append(dict(zip(usable, picks, strict=True)))
        self.screws.append(dict(enumerate(screws)))
        dose = [(stack.stroke[i, s] / stack.dose[i], w) for s, w in zip(usable, products, strict=True)]
        less_dose = [(-c, w) for c, w in dose]
        miss, air_miss, error = rows.variable(0), rows.variable(0), rows.variable(0)
        # Up to 1e-9 of a miss counts as none: the rows give it away, so that the model's X is never above the judge's.
        rows.row([(1.0, miss), *dose], low=1 - stack.below[i] - SLACK)
        rows.row([(1.0, miss), *less_dose], low=-(1 + stack.above[i]) - SLACK)
        rows.row([(1.0, error), *dose], low=1.0)
        rows.row([(1.0, error), *less_dose], low=-1.0)
        foot = stack.reference[i]
        flow = [(q / foot, z) for q, z in zip(flows, screws, strict=True)]
        less_flow = [(-c, z) for c, z in flow]
        if stack.flow_min[i] > 0:
            rows.row([(1.0, air_miss), *flow], low=stack.flow_min[i] / foot - SLACK)
        if stack.ratio_min[i] > 0:
            scale = stack.ratio_min[i] * stack.dose[i] / foot
            rows.row([(1.0, air_miss), *flow, *((scale * c, w) for c, w in less_dose)], low=-SLACK)
        if np.isfinite(stack.flow_max[i]):
            rows.row([(1.0, air_miss), *less_flow], low=-stack.flow_max[i] / foot - SLACK)
        if np.isfinite(stack.ratio_max[i]):
            scale = stack.ratio_max[i] * stack.dose[i] / foot
            rows.row([(1.0, air_miss), *less_flow, *((scale * c, w) for c, w in dose)], low=-SLACK)
        weight = stack.weight[i]
        self.excess += [(weight, miss), (weight, air_miss)]
        self.value.append((weight, error))
        drive = [(stack.drive[i, s], w) for s, w in zip(usable, products, strict=True) if stack.drive[i, s]]
        return [*zip(flows, screws, strict=True), *drive]

    def hold(self, terms: list[tuple[float, Any]], most: float) -> None:
        """Keep a sum at or below `most`, sharply."""
        self.rows.row([(SHARP * c, v) for c, v in terms], high=SHARP * most)

    def minimise(self, terms: list[tuple[float, Any]], solver: str, deadline: float):
        """The bound and the choice (strokes, screws) of a best solution, or None where there is none."""
        bound = self.rows.minimise(terms, solver, deadline)
        return None if bound is None else (bound, self._picked(self.strokes), self._picked(self.screws))

    def _picked(self, picks: list[dict[int, Any]]) -> tuple[int, ...]:
        return tuple(max(row, key=lambda k: row[k].value()) for row in picks)

    def refuse(self, strokes: Sequence[int], screws: Sequence[int]) -> None:
        """Cut one choice off."""
        chosen = [row[k] for part, ks in ((self.strokes, strokes), (self.screws, screws))
                  for row, k in zip(part, ks, strict=True)]  # fmt: skip
        self.rows.row([(1.0, pick) for pick in chosen], high=len(chosen) - 1)


def _rates_of(stack: Stack, every: Array, settings: Settings) -> list[float]:
    """The rates at which a choice is compared [1/min], rising: `every`, and where it meets capacity."""
    low, high = every[0], every[-1]
    point = np.arange(len(stack.names))
    drive = float(stack.drive[point, list(settings.stroke)].sum())
    full = (stack.capacity - float(stack.flow[point, list(settings.screw)].sum())) / drive if drive else np.inf
    inside = stack.step is None and low < full < high
    return sorted({*every.tolist(), full}) if inside else every.tolist()


def solve(stack: Stack, low: float | None = None, high: float | None = None, solver: str = "highs",
          deadline: float = np.inf, excess: float | None = None) -> Proved | None:  # fmt: skip
    """The best settings between two rates [1/min] by the model: least X, or, given X, the least value.

    None where no setting keeps the hard rules (and, given `excess`, that X). Proved to the solver's tolerance, about
    1e-8, not to a tie. Raises NoProof, SolverError.

    >>> from stackopt.stack import Stack, _example
    >>> solve(Stack.of(_example())).settings.rate
    6.0
    """
    model = StackModel(stack, low, high)
    every = rates(stack)
    every = every[(every >= model.range[0]) & (every <= model.range[1])]
    every = np.unique(np.r_[every, model.range]) if stack.step is None else every
    goal = model.excess
    if excess is not None:
        model.hold(model.excess, excess + TIE)
        goal = model.value
    best, best_key = None, (np.inf,)
    for _ in range(_TRIES):
        answer = model.minimise(goal, solver, deadline)
        if answer is None:
            return best
        bound, strokes, screws = answer
        if best is not None and best_key[0] <= bound + _NEAR:
            return best
        found = []
        for rate in _rates_of(stack, every, Settings(0.0, strokes, screws)):
            settings = Settings(rate, strokes, screws)
            verdict = judge(stack, settings)
            if verdict.allowed and (excess is None or verdict.least <= excess + TIE):
                key = (verdict.least, verdict.value) if excess is None else (verdict.value,)
                found.append((key, rate, settings, verdict))
        if found and min(found, key=lambda f: f[:2])[0] < best_key:
            best_key, _, settings, verdict = min(found, key=lambda f: f[:2])
            best = Proved(settings, verdict.least, verdict.value, min(bound, best_key[0]))
        if best is not None and best_key[0] <= bound + _NEAR:
            return best
        # What the solver took for that good is not, at any rate that is compared: try without it.
        model.refuse(strokes, screws)
    raise NoProof("unproved")


def one_shot(stack: Stack, solver: str = "highs", deadline: float = np.inf) -> tuple[Proved, Proved] | None:
    """Both stages on the whole dial: what has the least X, and what of those has the least value."""
    first = solve(stack, solver=solver, deadline=deadline)
    if first is None:
        return None
    second = solve(stack, solver=solver, deadline=deadline, excess=first.excess)
    if second is None:
        raise SolverError(f"the solver {solver} lost the settings of its first stage")
    return first, second


def preferred(stack: Stack, rate: float, excess: float, value: float, deadline: float,
              solver: str = "highs") -> Settings | None:  # fmt: skip
    """Settings at `rate` that tie with `excess` and `value`: point by point the larger stroke, then fewer turns.

    None where the solver finds none (it is looser than a tie).
    """
    model = StackModel(stack, rate, rate)
    model.hold(model.excess, excess + TIE)
    model.hold(model.value, value + TIE)
    for i in range(len(stack.names)):
        for picks in (model.strokes[i], model.screws[i]):
            order = [(float(place), pick) for place, pick in enumerate(picks.values())]
            answer = model.minimise(order, solver, deadline)
            if answer is None:
                return None
            best = max(picks, key=lambda k: picks[k].value())
            model.rows.row([(1.0, picks[best])], low=1.0)
    _, strokes, screws = answer
    return Settings(rate, strokes, screws)


def smallest_cover(rows: np.ndarray, avoid: Sequence[Sequence[int]], deadline: float = np.inf) -> list[int] | None:
    """Fewest columns of `rows` [rows, columns] whose sum reaches 1 in every row; none contains a set of `avoid`.

    >>> smallest_cover(np.array([[1.0, 0, 1], [0, 1, 1]]), [])
    [2]
    >>> smallest_cover(np.array([[1.0, 0, 1], [0, 1, 1]]), [[2]])
    [0, 1]
    """
    model = Rows()
    picks = [model.variable(0, 1, whole=True) for _ in range(rows.shape[1])]
    for row in rows:
        model.row([(float(c), picks[k]) for k, c in enumerate(row) if c], low=1.0)
    for one in avoid:
        model.row([(1.0, picks[k]) for k in one], high=len(one) - 1)
    if model.minimise([(1.0, pick) for pick in picks], "highs", deadline) is None:
        return None
    return [k for k, pick in enumerate(picks) if pick.value() > 0.5]
