"""Why this rate and no other, and what to be warned of."""

import math
from dataclasses import replace

import numpy as np

from stackopt.judge import ROOM, TIE, Settings, Verdict, judge
from stackopt.problem.model import Problem
from stackopt.stack import Stack
from stackopt.words import in_file_order, number


def pin(stack: Stack, settings: Settings, now: Verdict, side: int) -> str:
    """What stands against turning the rate down (side -1) or up (+1) with the settings kept; `now` is their verdict.

    >>> from stackopt.stack import _example
    >>> stack = Stack.of(_example())
    >>> settings = Settings.at(6.0, (1, 0), (1, 1))
    >>> pin(stack, settings, judge(stack, settings), -1)
    'b would get too little oil'
    """
    if stack.step is not None:
        here = int(np.abs(stack.steps - settings.rate).argmin())
        if not 0 <= here + side < len(stack.steps):
            return "the dial ends"
        rate = float(stack.steps[here + side])
    else:
        rate = settings.rate * (1 + side * 1e-6)
        if not stack.low <= rate <= stack.high:
            return "the dial ends"
    moved = judge(stack, replace(settings, rates=(rate,) * len(stack.names)))
    point = list(range(len(stack.names)))
    stroke = list(settings.stroke)
    barred = (rate < stack.rate_min) | (rate > stack.rate_max[point, stroke])
    if barred.any():
        return f"{_names(stack, barred)}: {'cut' if side < 0 else 'max_rate'} forbids it"
    if set(moved.broken) - set(now.broken):
        return f"{', '.join(moved.broken)} forbids it"
    if moved.air > stack.capacity * ROOM >= now.air:
        return "the air supply would not do"
    out = moved.dose_miss > now.dose_miss + TIE
    if out.any():
        return f"{_names(stack, out)} would get too {'little' if side < 0 else 'much'} oil"
    spray = moved.excess > now.excess + TIE
    if spray.any():
        ways = {"would leave the air window": spray & (now.air_miss == 0),
                "would be further out of the air window": spray & (now.air_miss != 0)}  # fmt: skip
        return "; ".join(f"{_names(stack, points)} {what}" for what, points in ways.items() if points.any())
    worse = abs(moved.error) > abs(now.error) + TIE
    if moved.value > now.value + TIE:
        return f"{_names(stack, worse)} would stray further from the dose" if worse.any() else "more drive air"
    return "other marks do better there" if moved.value < now.value - TIE else "no difference"


def part_warnings(problem: Problem, rate: float) -> list[str]:
    """How far whole strokes make single parts differ, where fewer than 5 fall into one and doses are per part."""
    spray = problem.sizes.get("part")
    if spray is None or not any(("part", -1) in p.dose.counts for p in problem.point):
        return []
    strokes = rate * spray
    if strokes >= 5:
        return []
    few = math.floor(strokes + 1e-9)
    if abs(strokes - round(strokes)) <= 1e-9:
        return [f"{number(strokes)} strokes fall into one part, if they start together with it; else one "
                "more or less"]  # fmt: skip
    return [f"a part gets {few} or {few + 1} strokes (on average {number(strokes)}): single parts differ by "
            f"up to {100 / strokes:.0f} % of the mean dose"]  # fmt: skip


def _names(stack: Stack, mask: np.ndarray) -> str:
    names = in_file_order(stack, np.flatnonzero(mask))
    return ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")
