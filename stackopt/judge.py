"""The judge: what given settings do. Every figure that a user sees is computed here; it knows no solver."""

from dataclasses import dataclass

import numpy as np

from stackopt.physics import dosing, spray
from stackopt.problem.branches import OUTLET
from stackopt.problem.constraints import Chosen, holds
from stackopt.stack import ROUNDING, Array, Stack
from stackopt.supply import settled

ROOM = 1 + 1e-9  # the share of capacity that counts as within it
TIE = 1e-9  # values this close tie, and X may exceed its least by this much


@dataclass(frozen=True)
class Settings:
    """What is dialled in, for each point of the stack: the rate of its generator [1/min], which stroke, which screw."""

    rates: tuple[float, ...]
    stroke: tuple[int, ...]
    screw: tuple[int, ...]

    @classmethod
    def at(cls, rate: float, stroke: tuple[int, ...], screw: tuple[int, ...]) -> "Settings":
        """The settings of one generator.

        >>> Settings.at(6.0, (1, 0), (0, 1)).rates
        (6.0, 6.0)
        """
        return cls((float(rate),) * len(stroke), stroke, screw)

    @property
    def generators(self) -> tuple[float, ...]:
        """The different rates, rising [1/min]: one a generator."""
        return tuple(sorted(set(self.rates)))

    @property
    def rate(self) -> float:
        """The lowest rate [1/min], which is the only one where there is one generator."""
        return min(self.rates)


@dataclass(frozen=True, eq=False)
class Verdict:
    """What settings do, in mL, min and L ANR; arrays are [points] in the order of the stack."""

    dose: Array  # mL/min
    error: Array  # signed, share of the required dose
    flow: Array  # L/min
    pressure: float  # at the stack, bar absolute
    air_min: Array  # L at the delivered dose, L/min
    air_max: Array  # U at the delivered dose, L/min; infinity where there is none
    excess: Array  # x of each point
    dose_miss: Array  # its part by the dose; robust: at whichever end of the stray it is larger, as is the next
    air_miss: Array  # its part by the air: above 0 where there is too much, below 0 where there is too little
    stray: Array  # how far the dose may stray, share
    may_leave: np.ndarray  # whether dose or spray is out of tolerance at an end of the stray
    air: float  # nozzle and drive air of all, L/min
    least: float  # X: the weighted mean of the excess, or its largest
    mean_error: float
    worst_error: float
    price: float  # mean price of the pumps
    value: float
    broken: tuple[str, ...]  # names of the file's rules that do not hold
    allowed: bool  # capacity, rate range, cut, max_rate, min_pressure, fluids, generators and the file's rules hold

    @property
    def in_tolerance(self) -> bool:
        """Whether every point has its dose and its spray."""
        return not self.excess.any()


def judge(stack: Stack, settings: Settings) -> Verdict:
    """Compute what `settings` do on `stack`.

    >>> from stackopt.stack import Stack, _example
    >>> verdict = judge(Stack.of(_example()), Settings.at(6.0, (1, 0), (0, 1)))
    >>> (verdict.dose * 60).round(6).tolist(), verdict.error.round(6).tolist()
    ([12.96, 21.6], [0.08, -0.018182])
    >>> verdict.in_tolerance, round(verdict.air, 6)
    (False, 96.12)
    """
    point = np.arange(len(stack.names))
    stroke = list(settings.stroke)
    rate = np.array(settings.rates)
    dose = dosing.dose(rate, stack.stroke[point, stroke])
    drive = float((rate * stack.drive[point, stroke]).sum())
    pressure, flow = settled(stack, settings.screw, drive)
    stray = stack.stray[point, stroke]
    now, slow, fast = (_misses(stack, end, flow) for end in (dose, dose * (1 - stray), dose * (1 + stray)))
    ends = (slow, fast) if stack.robust else (now,)
    excess = np.max([miss + np.abs(air_miss) for miss, air_miss in ends], axis=0)
    low, high = _window(stack, dose)
    air = float(flow.sum()) + drive
    error = dose / stack.dose - 1.0
    mean_error, worst_error = float(stack.weight @ np.abs(error)), float(np.abs(error).max())
    price = float(stack.price[point, stroke].mean())
    broken = _broken(stack, settings, flow)
    return Verdict(
        dose=dose,
        error=error,
        flow=flow,
        pressure=pressure,
        air_min=low,
        air_max=high,
        excess=excess,
        dose_miss=np.max([miss for miss, _ in ends], axis=0),
        air_miss=np.where(np.abs(slow[1]) > np.abs(fast[1]), slow[1], fast[1]) if stack.robust else now[1],
        stray=stray,
        may_leave=np.any([miss + np.abs(air_miss) > 0 for miss, air_miss in (slow, fast)], axis=0),
        air=air,
        least=float(excess.max()) if stack.worst else float(stack.weight @ excess),
        mean_error=mean_error,
        worst_error=worst_error,
        price=price,
        value=(worst_error if stack.worst else mean_error) + stack.air_weight * air / stack.capacity
        + stack.price_weight * price,
        broken=broken,
        allowed=air <= stack.capacity * ROOM and pressure > OUTLET
        and not stack.stalls(pressure)[point, stroke].any()
        and not broken and _keeps(stack, settings),
    )


def _window(stack: Stack, dose: Array) -> tuple[Array, Array]:
    return spray.window(dose, stack.ratio_min, stack.ratio_max, stack.flow_min, stack.flow_max)


def _misses(stack: Stack, dose: Array, flow: Array) -> tuple[Array, Array]:
    """By how much doses [mL/min] and air miss, as shares; air with its sign, see `Verdict`."""
    low, high = _window(stack, dose)
    miss = spray.air_miss(flow, low, high, stack.reference)
    signed = np.where(low - flow >= flow - high, -miss, miss)
    return dosing.dose_miss(dose / stack.dose, stack.below, stack.above), signed


def _keeps(stack: Stack, settings: Settings) -> bool:
    """Whether the rates are on the dial and keep number, cut, max_rate and fluids."""
    point, rate = np.arange(len(stack.names)), np.array(settings.rates)
    slower, faster = rate * (1 - ROUNDING), rate * (1 + ROUNDING)
    on_dial = bool((stack.low <= faster).all() and (slower <= stack.high).all())
    if stack.step is not None:
        on_dial = on_dial and all((np.abs(stack.steps - r) <= 1e-9 * stack.step).any() for r in settings.generators)
    return (
        on_dial
        and len(settings.generators) <= stack.count
        and bool((faster >= stack.rate_min).all())
        and bool((slower <= stack.rate_max[point, list(settings.stroke)]).all())
    )


def _broken(stack: Stack, settings: Settings, flow: Array) -> tuple[str, ...]:
    """The file's rules that settings do not keep."""
    if not stack.rules:
        return ()
    answer = {
        name: Chosen(stack.pumps[i][s], stack.marks[i][s], stack.turns[i][z],
                     float(dosing.dose(rate, stack.stroke[i, s])), float(flow[i]), rate)
        for i, (name, rate, s, z) in enumerate(
            zip(stack.names, settings.rates, settings.stroke, settings.screw, strict=True))
    }  # fmt: skip
    return tuple(name for name, rule in stack.rules.items() if not holds(rule, stack.machine, answer))
