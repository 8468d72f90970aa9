"""What a model proves: only whole-number choices are taken from a solver.

The rate is then found exactly for that choice, and every figure is recomputed by the judge.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from stackopt.errors import SolverError
from stackopt.judge import TIE, Settings, Verdict, judge
from stackopt.optimise.mip import NoProof
from stackopt.optimise.models import Model, Settled, Sliding, changes_by_option, same_rate
from stackopt.optimise.scan import BIG, options, rates
from stackopt.stack import Stack

_NEAR = 3e-8  # an answer this close to the solver's bound meets it
_CONTRADICTS = 1e-5  # an answer that beats the solver's bound by this much shows that the bound is wrong
_TRIES = 50  # answers that the judge refuses before the model is given up


@dataclass(frozen=True)
class Proved:
    """What a model found: settings, their X and value by the judge, and the solver's bound on what was asked."""

    settings: Settings
    excess: float
    value: float
    bound: float


def count_changes(stack: Stack, settings: Settings) -> int:
    """How many of today's settings change, where they are known: rates, each point's pump, mark and turns."""
    count = sum(stack.now_rate is not None and not same_rate(rate, stack.now_rate) for rate in settings.generators)
    option = np.array(settings.stroke) * stack.screws + np.array(settings.screw)
    return count + int(changes_by_option(stack)[np.arange(len(stack.names)), option].sum())


def _measured(stack: Stack, goal: str, settings: Settings, verdict: Verdict) -> float:
    """A goal by the judge."""
    if goal == "changes":
        return float(count_changes(stack, settings))
    error = verdict.worst_error if stack.worst else verdict.mean_error
    return {"excess": verdict.least, "value": verdict.value, "error": error, "air": verdict.air / stack.capacity}[goal]


def least(model: Model, goal: str, limits: Mapping[str, float], solver: str = "highs",
          deadline: float = np.inf) -> Proved | None:  # fmt: skip
    """What a model has least of `goal` with other goals at most a tie above `limits`; None where nothing holds them.

    Of what the solver finds only the choice counts. Where the judge does not agree with it, that choice is cut off and
    the rest looked at. Raises NoProof, SolverError.
    """
    for other, most in limits.items():
        model.hold(other, most + TIE - (model.changes if other == "changes" else 0))
    best: Proved | None = None
    best_key: tuple[float, ...] = (np.inf,)
    near = 0.5 if goal == "changes" else _NEAR
    for _ in range(_TRIES):
        try:
            bound = model.rows.minimise(model.goals[goal], solver, deadline)
        except NoProof as stop:
            raise NoProof(stop.status, _incumbent(model) or (best.settings if best else None)) from None
        if bound is None:
            return best
        bound += model.changes if goal == "changes" else 0
        if best is not None and best_key[0] <= bound + near:
            return best
        found = []
        for settings in model.found():
            verdict = judge(model.stack, settings)
            if verdict.allowed and all(_measured(model.stack, other, settings, verdict) <= most + TIE
                                       for other, most in limits.items()):  # fmt: skip
                key = (_measured(model.stack, goal, settings, verdict), verdict.value, settings.rate)
                found.append((key, settings, verdict))
        if found and min(found, key=lambda f: f[0])[0] < best_key:
            best_key, settings, verdict = min(found, key=lambda f: f[0])
            best = Proved(settings, verdict.least, verdict.value, min(bound, best_key[0]))
            if best_key[0] < bound - _CONTRADICTS:
                raise SolverError(f"the solver {solver} says that nothing is better than {bound:g}, yet its answer is")
        if best is not None and best_key[0] <= bound + near:
            return best
        model.refuse()  # what the solver took for that good is not, at any rate that is compared
    raise NoProof("unproved")


def _incumbent(model: Model) -> Settings | None:
    """What a solver that was stopped had found, if the judge allows it."""
    if any(pick.value() is None for pick in model.picked()):
        return None
    allowed = [(verdict.least, verdict.value, settings.rates, settings) for settings in model.found()
               if (verdict := judge(model.stack, settings)).allowed]  # fmt: skip
    return min(allowed)[3] if allowed else None


def solve(stack: Stack, low: float | None = None, high: float | None = None, solver: str = "highs",
          deadline: float = np.inf, excess: float | None = None) -> Proved | None:  # fmt: skip
    """The best settings of one generator between two rates [1/min]: least X, or, given X, the least value.

    None where no setting keeps the hard rules (and, given `excess`, that X). Proved to the solver's tolerance, about
    1e-8, not to a tie. Raises NoProof, SolverError.

    >>> from stackopt.stack import Stack, _example
    >>> solve(Stack.of(_example())).settings.rate
    6.0
    """
    goal, limits = ("excess", {}) if excess is None else ("value", {"excess": excess})
    return least(Sliding(stack, low, high), goal, limits, solver, deadline)


def choose(stack: Stack, at: Sequence[float], goal: str, limits: Mapping[str, float], deadline: float = np.inf,
           usable: np.ndarray | None = None, solver: str = "highs", avoid: Sequence[Sequence[float]] = (),
           apart: float = TIE) -> Proved | None:  # fmt: skip
    """The settings with the least of `goal` at some of the rates `at` [1/min], as `least` has it.

    None has all the rates of a set of `avoid`, each to within a share `apart`.

    >>> from stackopt.stack import Stack, _example
    >>> choose(Stack.of(_example()), [5.0, 6.0], "value", {"excess": 0.0}).settings.rates
    (6.0, 6.0)
    """
    parts = options(stack, np.array(at, dtype=float))
    some = parts.excess < BIG / 2 if usable is None else usable & (parts.excess < BIG / 2)
    if not some.any(axis=(0, 2)).all():
        return None
    model = Settled(stack, at, usable)
    for rates_of_one in avoid:
        model.avoid(rates_of_one, apart)
    return least(model, goal, limits, solver, deadline)


def one_shot(stack: Stack, solver: str = "highs", deadline: float = np.inf) -> tuple[Proved, Proved] | None:
    """Both stages on the whole dial: what has the least X, and what of those has the least value."""

    def model() -> Model:
        return Sliding(stack) if stack.count == 1 else Settled(stack, rates(stack).tolist())

    first = least(model(), "excess", {}, solver, deadline)
    if first is None:
        return None
    second = least(model(), "value", {"excess": first.excess}, solver, deadline)
    if second is None:
        raise SolverError(f"the solver {solver} lost the settings of its first stage")
    return first, second


def preferred(stack: Stack, rate: float, excess: float, value: float, deadline: float,
              solver: str = "highs") -> Settings | None:  # fmt: skip
    """Settings at `rate` that tie with `excess` and `value`: point by point the larger stroke, then fewer turns.

    None where the solver finds none (it is looser than a tie).
    """
    model = Settled(stack, [rate])
    model.hold("excess", excess + TIE)
    model.hold("value", value + TIE)
    for picks in model.picks:
        order = [(float(place), pick) for place, pick in enumerate(picks.values())]
        if model.rows.minimise(order, solver, deadline) is None:
            return None
        best = max(picks, key=lambda key: picks[key].value())
        model.rows.row([(1.0, picks[best])], low=1.0)
    return next(model.found())


def written(stack: Stack) -> str:
    r"""The model of the whole dial as a text in LP format; remarks say what each variable and row stands for.

    >>> from stackopt.stack import Stack, _example
    >>> print(written(Stack.of(_example())).splitlines()[2])
    \ v1: step of the dial
    """
    model = Sliding(stack) if stack.count == 1 else Settled(stack, rates(stack).tolist())
    rows = model.rows
    rows.problem.setObjective(rows.total(model.goals["excess"]))
    remarks = [f"{name}: {meaning}" for name, meaning in rows.meaning.items()]
    head = ["the least excess; then, with it held, the least of the value:",
            " + ".join(f"{c:.12g} {v.name}" for c, v in model.goals["value"]), *remarks]  # fmt: skip
    return "".join(f"\\ {line}\n" for line in head) + rows.lp()
