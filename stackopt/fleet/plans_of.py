"""The plans of one machine: what nothing beats in error and air, and, where air is short, at less air too.

`plans_of` is what worker processes run; what goes in and out is small and plain.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import combinations, pairwise

import numpy as np

from stackopt.errors import known
from stackopt.judge import Settings, judge
from stackopt.optimise.front import Front, trade
from stackopt.optimise.levels import SAME_AIR
from stackopt.problem.model import Problem
from stackopt.stack import Stack

PLANS = 20  # of a machine at its least excess
_LEVELS = 6  # steps down in air from these, to the least that the machine can run with
_AT_LEVEL = 4  # plans at each
_NO_LIMIT = 1e9  # above any dose or air, as shares of what is asked


@dataclass(frozen=True)
class Ask:
    """A machine, and what is to be known of it."""

    problem: Problem
    without: tuple[frozenset[str], ...] = (frozenset(),)  # pumps to do without, a list of plans for each
    lower: bool = False  # whether plans at less air, with more excess, are asked for too


@dataclass(frozen=True)
class Plan:
    """Settings, with the judge's figures: weighted excess X and error E, air while spraying [L/min ANR]."""

    settings: Settings
    excess: float
    error: float
    air: float
    pumps: frozenset[str]  # the kinds that it uses


@dataclass(frozen=True)
class Level:
    """The plans of least excess with at most so much air [L/min]."""

    most: float
    plans: tuple[Plan, ...]  # by rising air
    whole: bool  # whether there are no others


@dataclass(frozen=True)
class Plans:
    """What a machine can do, and what is proved of it."""

    status: str  # optimal | infeasible | time limit | interrupted | unproved
    lists: tuple[tuple[Level, ...], ...] = ()  # one for each set of pumps to do without; levels by falling air
    floor: float | None = None  # the least air that any settings take [L/min], where lower levels were asked for

    @cached_property
    def plans(self) -> tuple[Plan, ...]:
        """All plans, each once, by rising air."""
        every = {(plan.air, plan.error, plan.excess, plan.pumps): plan
                 for levels in self.lists for level in levels for plan in level.plans}  # fmt: skip
        return tuple(every[key] for key in sorted(every, key=lambda key: (*key[:3], sorted(key[3]))))

    @property
    def own(self) -> Plan:
        """What it would have alone: the least excess, then the least error, then the least air."""
        return self.lists[0][0].plans[-1]

    def error_corners(self) -> list[tuple[float, float]]:
        """Error and air that settings of the least excess may have at best: no worse than any, listed or not."""
        front = self.lists[0][0]
        corners = [(plan.error, plan.air) for plan in front.plans]
        if front.whole:
            return corners
        return [(error, air) for (_, air), (error, _) in pairwise(corners)] + corners[-1:]

    def excess_corners(self) -> list[tuple[float, float]]:
        """Excess and air that any settings may have at best; see `error_corners`."""
        levels = self.lists[0]
        corners = []
        for level, lower in zip(levels, (*levels[1:], None), strict=True):
            least = level.plans[0]
            corners.append((least.excess, least.air))
            below = known(self.floor) if lower is None else lower.most
            if below < least.air - 2 * SAME_AIR:  # what lies between has more excess, and may be so low in air
                corners.append((least.excess, below))
        return corners


def subsets(problem: Problem, most: int) -> tuple[frozenset[str], ...]:
    """The sets of pumps to do without so that at most so many kinds are left, the empty set first.

    >>> from stackopt.stack import _example
    >>> subsets(_example(), 1)
    (frozenset(),)
    """
    offered = sorted({pump for point in problem.point for pump in point.pump})
    found: list[frozenset[str]] = [frozenset()]
    for size in range(1, min(most, len(offered) - 1) + 1):
        for kept in combinations(offered, size):
            if all(set(point.pump) & set(kept) for point in problem.point):
                found.append(frozenset(offered) - frozenset(kept))
    return tuple(found)


def plans_of(ask: Ask) -> Plans:
    """The plans of a machine. Raises SolverError where a solver fails or the judge does not confirm a plan.

    >>> from stackopt.stack import _example
    >>> [(plan.settings.rate, round(plan.air, 2)) for plan in plans_of(Ask(_example())).plans]
    [(6.0, 128.12)]
    """
    whole = Stack.of(ask.problem)
    lists: list[tuple[Level, ...]] = []
    status, floor = "optimal", None
    for pumps in ask.without:
        stack = _without(whole, pumps)
        front = trade(stack, PLANS)
        if front.status == "infeasible":
            if not pumps:
                return Plans("infeasible")
            continue
        levels = [_level(whole, front, stack.capacity)] if front.plans else []
        if front.status == "optimal" and ask.lower:
            least = _least_air(stack)
            floor = least if floor is None else floor
            levels += _lower(whole, stack, levels[0].plans[0].air, least)
        lists += [tuple(levels)] if levels else []
        status = front.status if status == "optimal" else status
    return Plans(status, tuple(lists), floor)


def _without(stack: Stack, pumps: Iterable[str]) -> Stack:
    """The stack with some pumps barred, as those are whose seals do not take the fluid."""
    if not pumps:
        return stack
    width = stack.rate_max.shape[1]
    barred = np.array([[pump in pumps for pump in row] + [False] * (width - len(row)) for row in stack.pumps])
    return replace(stack, rate_max=np.where(barred, 0.0, stack.rate_max))


def _level(stack: Stack, front: Front, most: float) -> Level:
    return Level(most, tuple(_plan(stack, settings) for settings in front.plans),
                 front.complete and not front.segments)  # fmt: skip


def _plan(stack: Stack, settings: Settings) -> Plan:
    verdict = judge(stack, settings)
    pumps = frozenset(stack.pumps[i][s] for i, s in enumerate(settings.stroke))
    return Plan(settings, verdict.least, verdict.mean_error, verdict.air, pumps)


def _lower(whole: Stack, stack: Stack, air: float, floor: float) -> list[Level]:
    """Levels below some air [L/min], each of more excess, down to the least air that any settings take."""
    levels: list[Level] = []
    for k in range(_LEVELS):
        even = floor + (air - floor) * (_LEVELS - 1 - k) / (_LEVELS - k)
        # The next plans there are (on a free dial these are as near as can be), and, where they are near, others.
        for most in (air - SAME_AIR, even) if stack.step is not None else (even,):
            if air <= max(most, floor + SAME_AIR):
                continue
            front = trade(replace(stack, capacity=max(most, floor)), _AT_LEVEL)
            if front.status != "optimal":  # then what is below stays unlisted, and the bounds know it
                return levels
            levels.append(_level(whole, front, max(most, floor)))
            air = levels[-1].plans[0].air
    return levels


def _least_air(stack: Stack) -> float:
    """The least that any settings take which keep the hard rules [L/min]: with all doses and windows given up."""
    none = np.zeros(len(stack.names))
    loose = replace(stack, below=none + 1, above=none + _NO_LIMIT, ratio_min=none, ratio_max=none + np.inf,
                    flow_min=none, flow_max=none + np.inf, reference=none + 1, worst=False)  # fmt: skip
    return judge(loose, trade(loose, 2).plans[0]).air
