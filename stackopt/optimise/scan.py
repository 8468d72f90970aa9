"""Every rate at once, with capacity left out: the rates to look at, and what each point could do at them.

At a given rate the points share nothing but air. So at each rate every point's options (a stroke and a
screw setting) are priced alone: their weighted excess x, value v and share a of the capacity.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from stackopt.judge import ROOM, ROUNDING
from stackopt.physics import dosing, spray
from stackopt.stack import Array, Stack

BIG = 1e12  # cost of an option that is not allowed: far above any real cost, far below overflow
_SOME = 16  # rates looked at closely together, at first
BATCH = 1_000_000  # numbers in one working array, to bound the memory


def rates(stack: Stack) -> Array:
    """The rates at which an uncoupled best can lie [1/min], rising.

    All steps of a stepped dial. On a free dial, where some option's cost bends upward: a dose meets its
    target or a tolerance edge, an end of the window meets a screw setting, the two limits of an end are
    equal, too little and too much air are equally bad; and the ends of what cut, max_rate and dial allow.

    >>> from stackopt.stack import Stack, _example
    >>> rates(Stack.of(_example()))[[0, 1, -1]]
    array([ 4.,  5., 60.])
    """
    if stack.step is not None:
        return stack.steps
    stroke = stack.stroke
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
        doses = np.hstack(targets)
        crossings = (doses[:, :, None] / stroke[:, None, :]).ravel()
    ends = [stack.low, stack.high]
    found = np.concatenate([crossings, stack.rate_min, stack.rate_max.ravel(), ends])
    found = np.unique(found[(found >= stack.low) & (found <= stack.high)])  # nan and infinity compare false
    # Neighbours that rounding alone parts are one rate.
    apart = np.r_[True, np.diff(found) > ROUNDING / 10 * found[1:]]
    return found[apart]


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
    where = (at if within is None else within)[:, None, None]
    share = dosing.dose(at[:, None, None], stack.stroke / stack.dose[:, None])
    miss = dosing.dose_miss(share, stack.below[:, None], stack.above[:, None])
    slower, faster = where * (1 - ROUNDING), where * (1 + ROUNDING)
    allowed = (slower <= stack.rate_max) & (faster >= stack.rate_min[:, None])  # nan compares false
    return np.where(allowed, miss, BIG), share


def _windows(stack: Stack, share: Array) -> tuple[Array, Array]:
    """The window of air at each dose [rates, points, strokes]."""
    columns = (part[:, None] for part in (stack.ratio_min, stack.ratio_max, stack.flow_min, stack.flow_max))
    return spray.window(share * stack.dose[:, None], *columns)


def _by_doses(stack: Stack, at: Array, tick: Callable[[], None]) -> Array:
    """Weighted mean of the least dose misses [rates]: no X is smaller."""
    tick()
    return _mean(stack, misses(stack, at)[0].min(axis=2))


def _mean(stack: Stack, least: Array) -> Array:
    excess = least @ stack.weight
    excess[(least >= BIG / 2).any(axis=1)] = BIG
    return excess


def _closely(stack: Stack, at: Array) -> tuple[Array, Array, Array]:
    """Excess, air and least air of `Scan` at rates [rates]."""
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
    return _mean(stack, least), air.sum(axis=1) / stack.capacity, lowest.sum(axis=1) / stack.capacity


def options(stack: Stack, at: Array, within: Array | None = None):
    """Weighted excess, value and air share of every option at each rate, each [rates, points, options].

    Option o is stroke o // screws with screw o % screws, so options stand in the order of preference.
    What is not allowed costs BIG in all three.
    """
    miss, share = misses(stack, at, within)
    low, high = _windows(stack, share)
    flow = stack.flow[:, None, :]
    air_miss = spray.air_miss(flow, low[..., None], high[..., None], stack.reference[:, None, None])
    weight = stack.weight[:, None, None]
    excess = weight * (miss[..., None] + air_miss)
    air = (flow + at[:, None, None, None] * stack.drive[..., None]) / stack.capacity
    value = weight * np.abs(share - 1.0)[..., None] + stack.air_weight * air
    shape = (len(at), len(stack.names), -1)
    with np.errstate(invalid="ignore"):
        barred = ~((miss[..., None] < BIG / 2) & (flow > 0))
    return tuple(np.where(barred, BIG, part).reshape(shape) for part in (excess, value, air))
