"""Every rate at once, with capacity left out: the rates to look at, and what each point could do at them.

At a given rate the points share nothing but air. So at each rate every point's options (a stroke and a
screw setting) are priced alone: their weighted excess x, value v and share a of the capacity.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import reduce
from typing import NamedTuple

import numpy as np

from stackopt.judge import ROOM
from stackopt.optimise.rulerows import RuleRows
from stackopt.physics import dosing, spray
from stackopt.stack import ROUNDING, Array, Stack

BIG = 1e12  # cost of an option that is not allowed: far above any real cost, far below overflow
_SOME = 16  # rates looked at closely together, at first
BATCH = 1_000_000  # numbers in one working array, to bound the memory


def rates(stack: Stack, also: Iterable[float] = ()) -> Array:
    """The rates at which an uncoupled best can lie [1/min], rising.

    All steps of a stepped dial. On a free dial, where some option's cost bends upward: a dose meets its
    target or a tolerance edge, an end of the window meets a screw setting, the two limits of an end are
    equal, too little and too much air are equally bad; and the ends of what cut, max_rate and dial allow. With
    `also` these too, where the dial has them.

    >>> from stackopt.stack import Stack, _example
    >>> rates(Stack.of(_example()))[[0, 1, -1]]
    array([ 4.,  5., 60.])
    """
    if stack.step is not None:
        return stack.steps
    doses = _turning_doses(stack)[:, :, None]
    found = [doses / stack.stroke[:, None, :]]
    if stack.robust:
        found += [doses / (stack.stroke * (1 + side * stack.stray))[:, None, :] for side in (-1, 1)]
        found += [_equally_bad(stack)]
    ends = [stack.low, stack.high, *stack.also, *also]
    if stack.rules:
        found.append(RuleRows(stack).turning())
    at = np.concatenate([*(part.ravel() for part in found), stack.rate_min, stack.rate_max.ravel(), ends])
    at = np.unique(at[(at >= stack.low) & (at <= stack.high)])  # nan and infinity compare false
    # Neighbours that rounding alone parts are one rate.
    apart = np.r_[True, np.diff(at) > ROUNDING / 10 * at[1:]]
    return at[apart]


def beside(avoid: Iterable[float], apart: float) -> list[float]:
    """Rates just beyond a share `apart` of those to avoid [1/min]: with these barred, a free dial may be best there.

    >>> [round(rate, 6) for rate in beside([10.0], 0.01)]
    [9.9, 10.1]
    """
    return [rate * (1 + side * (apart + ROUNDING)) for rate in avoid for side in (-1, 1)]


def _turning_doses(stack: Stack) -> Array:
    """Doses [points, many] at which the error or the excess of an option may bend [mL/min]; nan in between."""
    dose = stack.dose[:, None]
    targets = [dose, dose * (1 - stack.below[:, None]), dose * (1 + stack.above[:, None])]
    with np.errstate(divide="ignore", invalid="ignore"):
        # Doses at which an end of the window meets a screw setting, or its own other limit.
        for ratio, flow in ((stack.ratio_min, stack.flow_min), (stack.ratio_max, stack.flow_max)):
            targets += [stack.flow / ratio[:, None], (flow / ratio)[:, None]]
        # L + U = 2 q where L > U: each end is one of its two lines, slope times dose plus flow.
        none = np.zeros(len(stack.names))
        for low_slope, low_flow in ((stack.ratio_min, none), (none, stack.flow_min)):
            for high_slope, high_flow in ((stack.ratio_max, none), (none, stack.flow_max)):
                rest = 2 * stack.flow - (low_flow + high_flow)[:, None]
                targets.append(rest / (low_slope + high_slope)[:, None])
    return np.hstack(targets)


def _equally_bad(stack: Stack) -> Array:
    """Rates at which both ends of the stray are equally bad for some option [1/min].

    Between neighbouring turning doses of both ends the difference of the two is linear, so that its zero is found
    from its values there.
    """
    doses = _turning_doses(stack)
    found = []
    for i in range(len(stack.names)):
        flow = stack.flow[i][~np.isnan(stack.flow[i])]
        at = doses[i][np.isfinite(doses[i]) & (doses[i] > 0)]
        for stroke, stray in zip(stack.stroke[i], stack.stray[i], strict=True):
            if np.isnan(stroke) or not stray:
                continue
            turns = np.unique(np.r_[at / (1 - stray), at / (1 + stray)]) / stroke
            ends = [_excess_of(stack, i, turns * stroke * (1 + side * stray), flow) for side in (-1, 1)]
            apart = ends[1] - ends[0]  # [screws, turns]
            before, after = apart[:, :-1], apart[:, 1:]
            crossed = before * after < 0
            part = np.where(crossed, before, 0.0) / np.where(crossed, before - after, 1.0)
            found.append((turns[:-1] + part * np.diff(turns))[crossed])
    return np.concatenate(found) if found else np.empty(0)


def _excess_of(stack: Stack, i: int, dose: Array, flow: Array) -> Array:
    """Excess [flows, doses] of point i, without the slack within which it counts as none."""
    low, high = spray.window(dose, stack.ratio_min[i], stack.ratio_max[i], stack.flow_min[i], stack.flow_max[i])
    share = dose / stack.dose[i]
    miss = np.maximum(0.0, np.maximum(1 - stack.below[i] - share, share - 1 - stack.above[i]))
    air = np.maximum(0.0, np.maximum(low - flow[:, None], flow[:, None] - high))
    excess: Array = miss + air / stack.reference[i]
    return excess


@dataclass(frozen=True, eq=False)
class Scan:
    """What the points could do at each rate if the air were ample; all [rates].

    Rates that the doses alone show to be worse than another one are not looked at further: their excess is a bound
    from below, their air infinite and their least air 0.
    """

    excess: Array  # the least X; BIG where some point has no allowed stroke
    air: Array  # share of capacity that this takes at least
    least_air: Array  # share of capacity below which no setting goes

    @property
    def allowed(self) -> np.ndarray:
        """Where some setting may keep every hard rule."""
        return (self.excess < BIG / 2) & (self.least_air <= ROOM)


def scan(stack: Stack, at: Array, skip: np.ndarray | None = None, tick: Callable[[], None] = lambda: None) -> Scan:
    """Look at all rates `at` [1/min], points uncoupled; none of `skip` [rates] is taken for better than another.

    >>> from stackopt.stack import Stack, _example
    >>> seen = scan(Stack.of(_example()), np.array([4.0, 6.0]))
    >>> seen.excess.round(4).tolist(), seen.air.round(4).tolist()
    ([0.1727, 0.0], [0.9149, 0.9151])
    """
    batch = max(1, BATCH // stack.stroke.size)
    excess = np.concatenate([_by_doses(stack, at[k : k + batch], tick) for k in range(0, len(at), batch)])
    air, least_air = np.full(len(at), np.inf), np.zeros(len(at))
    order = np.argsort(excess, kind="stable")
    best, start, some = np.inf, 0, _SOME
    while start < len(order) and excess[order[start]] <= best + dosing.SLACK:
        tick()  # may stop the search
        # As many as are equally good by their doses, and some more where those are few.
        size = int((excess[order[start:]] <= excess[order[start]] + dosing.SLACK).sum())
        part = order[start : start + min(max(size, some), batch)]
        excess[part], air[part], least_air[part] = _closely(stack, at[part])
        fits = part[air[part] <= ROOM] if skip is None else part[(air[part] <= ROOM) & ~skip[part]]
        best = min(best, float(excess[fits].min(initial=np.inf)))
        start, some = start + len(part), 2 * some
    return Scan(excess, air, least_air)


def misses(stack: Stack, at: Array, within: Array | None = None) -> tuple[Array, Array]:
    """Dose miss (BIG where not allowed) and dose as a share of what is required; each [rates, points, strokes].

    With `within`, a stroke must be allowed at those rates (one for each of `at`) instead.
    """
    share = dosing.dose(at[:, None, None], stack.stroke / stack.dose[:, None])
    ends = _ends(stack, share)
    miss = dosing.dose_miss(ends[0], stack.below[:, None], stack.above[:, None])
    for end in ends[1:]:
        miss = np.maximum(miss, dosing.dose_miss(end, stack.below[:, None], stack.above[:, None]))
    return np.where(_allowed(stack, at if within is None else within), miss, BIG), share


def _allowed(stack: Stack, at: Array) -> np.ndarray:
    """Where cut and pump allow a stroke [rates, points, strokes]."""
    slower, faster = at[:, None, None] * (1 - ROUNDING), at[:, None, None] * (1 + ROUNDING)
    return (slower <= stack.rate_max) & (faster >= stack.rate_min[:, None])  # nan compares false


def _ends(stack: Stack, share: Array) -> tuple[Array, ...]:
    """The doses at which an excess is looked at: as set, or, robust, at both ends of the stray."""
    return (share * (1 - stack.stray), share * (1 + stack.stray)) if stack.robust else (share,)


def _windows(stack: Stack, share: Array) -> tuple[Array, Array]:
    """The window of air at each dose [rates, points, strokes]."""
    columns = (part[:, None] for part in (stack.ratio_min, stack.ratio_max, stack.flow_min, stack.flow_max))
    return spray.window(share * stack.dose[:, None], *columns)


def _by_doses(stack: Stack, at: Array, tick: Callable[[], None]) -> Array:
    """X of the least dose misses [rates]: no X is smaller."""
    tick()
    return _whole(stack, misses(stack, at)[0].min(axis=2))


def _whole(stack: Stack, least: Array) -> Array:
    """X from the excess of each point [rates, points]."""
    excess = least.max(axis=1) if stack.worst else least @ stack.weight
    excess[(least >= BIG / 2).any(axis=1)] = BIG
    return excess


def _closely(stack: Stack, at: Array) -> tuple[Array, Array, Array]:
    """Excess, air and least air of `Scan` at rates [rates]."""
    if stack.robust:
        excess, _, _, air = options(stack, at)
        least = excess.min(axis=2)
        taken = np.where(excess <= least[:, :, None] + 1e-12, air, np.inf).min(axis=2)
        whole = _whole(stack, least if stack.worst else least / stack.weight)
        return whole, taken.sum(axis=1), air.min(axis=2).sum(axis=1)
    miss, share = misses(stack, at)
    low, high = _windows(stack, share)
    # The miss of air is convex in the flow, so the best screw is one of two around the foot of the window
    # (or around its middle, where the window is turned inside out).
    reference = stack.reference[:, None]
    target = np.where(low <= high, low - dosing.SLACK * reference, (low + high) / 2)
    upper, lower = np.empty_like(miss), np.empty_like(miss)
    for of, flows in stack.nozzles:
        place = np.searchsorted(flows, target[:, of])
        upper[:, of] = flows[np.minimum(place, len(flows) - 1)]
        lower[:, of] = flows[np.maximum(place - 1, 0)]
    low_miss = spray.air_miss(lower, low, high, reference)
    high_miss = spray.air_miss(upper, low, high, reference)
    fewer = low_miss <= high_miss
    total = miss + np.where(fewer, low_miss, high_miss)
    drive = at[:, None, None] * stack.drive
    least = total.min(axis=2)
    air = np.where(total <= least[:, :, None] + 1e-12, np.where(fewer, lower, upper) + drive, np.inf).min(axis=2)
    lowest = np.where(miss < BIG / 2, drive, np.inf).min(axis=2) + stack.flow[:, 0]
    return _whole(stack, least), air.sum(axis=1) / stack.capacity, lowest.sum(axis=1) / stack.capacity


class Options(NamedTuple):
    """What every option of every point brings at each rate, each [rates, points, options].

    Option o is stroke o // screws with screw o % screws, so options stand in the order of preference. Excess and
    error are weighted, to be summed; under the objective "worst" they are the points' own, of which the largest counts.
    What is not allowed costs BIG in all four.
    """

    excess: Array
    error: Array
    cost: Array  # the rest of the value: its shares of the air's and the pumps' cost
    air: Array  # share of capacity

    @property
    def value(self) -> Array:
        """Error and cost."""
        return self.error + self.cost


def options(stack: Stack, at: Array, within: Array | None = None,
            flows: tuple[Array, Array] | None = None) -> Options:  # fmt: skip
    """All options at rates `at` [1/min]; with `within`, a stroke must be allowed at those rates instead.

    With `flows`, two arrays like `stack.flow`, the air of a setting lies anywhere from the first to the second, and
    excess, cost and air are the least that they may be.
    """
    share = dosing.dose(at[:, None, None], stack.stroke / stack.dose[:, None])
    flow, most = (part[:, None, :] for part in (flows or (stack.flow, stack.flow)))
    weight = np.ones((len(stack.names), 1, 1)) if stack.worst else stack.weight[:, None, None]
    missed = []
    for end in _ends(stack, share):
        low, high = _windows(stack, end)
        air_miss = spray.air_miss(flow, low[..., None], high[..., None], stack.reference[:, None, None], most)
        missed.append(dosing.dose_miss(end, stack.below[:, None], stack.above[:, None])[..., None] + air_miss)
    excess = reduce(np.maximum, missed)
    air = (flow + at[:, None, None, None] * stack.drive[..., None]) / stack.capacity
    cost = stack.air_weight * air + (stack.price_weight / len(stack.names)) * stack.price[..., None]
    error = weight * np.abs(share - 1.0)[..., None]
    with np.errstate(invalid="ignore"):
        barred = ~(_allowed(stack, at if within is None else within)[..., None] & (most > 0))
    shape = (len(at), len(stack.names), -1)
    parts = (weight * excess, np.broadcast_to(error, excess.shape), cost, air)
    return Options(*(np.where(barred, BIG, part).reshape(shape) for part in parts))
