"""The judge: what given settings do. Every figure that a user sees is computed here; it knows no solver."""

from dataclasses import dataclass

import numpy as np

from stackopt.physics import dosing, spray
from stackopt.stack import Array, Stack

ROOM = 1 + 1e-9  # the share of capacity that counts as within it
TIE = 1e-9  # values this close tie, and X may exceed its least by this much
ROUNDING = 1e-12  # of a rate: what rounding alone may part from a limit of the dial, a cut or a pump


@dataclass(frozen=True)
class Settings:
    """What is dialled in: the rate [1/min] and, for each point of the stack, which stroke and which screw."""

    rate: float
    stroke: tuple[int, ...]
    screw: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class Verdict:
    """What settings do, in mL, min and L ANR; arrays are [points] in the order of the stack."""

    dose: Array  # mL/min
    error: Array  # signed, share of the required dose
    flow: Array  # L/min
    air_min: Array  # L at the delivered dose, L/min
    air_max: Array  # U at the delivered dose, L/min; infinity where there is none
    excess: Array  # x of each point
    dose_miss: Array  # its part by the dose
    air: float  # nozzle and drive air of all, L/min
    least: float  # X, the weighted mean of the excess
    mean_error: float
    worst_error: float
    value: float
    allowed: bool  # capacity, rate range, cut and max_rate hold

    @property
    def in_tolerance(self) -> bool:
        """Whether every point has its dose and its spray."""
        return not self.excess.any()


def judge(stack: Stack, settings: Settings) -> Verdict:
    """Compute what `settings` do on `stack`.

    >>> from stackopt.stack import Stack, _example
    >>> verdict = judge(Stack.of(_example()), Settings(6.0, (1, 0), (0, 1)))
    >>> (verdict.dose * 60).round(6).tolist(), verdict.error.round(6).tolist()
    ([12.96, 21.6], [0.08, -0.018182])
    >>> verdict.in_tolerance, round(verdict.air, 6)
    (False, 96.12)
    """
    point = np.arange(len(stack.names))
    stroke, screw = list(settings.stroke), list(settings.screw)
    rate = settings.rate
    dose = dosing.dose(rate, stack.stroke[point, stroke])
    share = dose / stack.dose
    flow = stack.flow[point, screw]
    low, high = spray.window(dose, stack.ratio_min, stack.ratio_max, stack.flow_min, stack.flow_max)
    dose_miss = dosing.dose_miss(share, stack.below, stack.above)
    excess = dose_miss + spray.air_miss(flow, low, high, stack.reference)
    air = float(flow.sum() + rate * stack.drive[point, stroke].sum())
    error = share - 1.0
    mean_error = float(stack.weight @ np.abs(error))
    slower, faster = rate * (1 - ROUNDING), rate * (1 + ROUNDING)
    on_dial = stack.low <= faster and slower <= stack.high
    if stack.step is not None:
        on_dial = on_dial and bool((np.abs(stack.steps - rate) <= 1e-9 * stack.step).any())
    allowed = (
        on_dial
        and air <= stack.capacity * ROOM
        and bool((faster >= stack.rate_min).all())
        and bool((slower <= stack.rate_max[point, stroke]).all())
    )
    return Verdict(
        dose=dose,
        error=error,
        flow=flow,
        air_min=low,
        air_max=high,
        excess=excess,
        dose_miss=dose_miss,
        air=air,
        least=float(stack.weight @ excess),
        mean_error=mean_error,
        worst_error=float(np.abs(error).max()),
        value=mean_error + stack.air_weight * air / stack.capacity,
        allowed=allowed,
    )
