"""What the spray is like: air per oil by mass, and a mean drop size as a trend."""

import math
import warnings
from dataclasses import dataclass

import numpy as np

from stackopt.errors import OutOfRange
from stackopt.judge import Settings, Verdict
from stackopt.physics import air, atomising
from stackopt.physics.atmospheres import ANR_TEMPERATURE, GAS_CONSTANT, kelvin
from stackopt.physics.energy import GAMMA
from stackopt.problem.branches import OUTLET
from stackopt.problem.model import Problem
from stackopt.stack import Stack

TREND = ("the mean drop size is a trend at most: doses like these put over ten times less oil into the air than its "
         "correlation was made for, and true drops may be several times smaller")  # fmt: skip


@dataclass(frozen=True)
class Mist:
    """One point's spray; None where the file does not tell enough."""

    air_liquid_ratio: float | None  # mass of air over mass of oil
    mean_drop_um: float | None  # Sauter mean, a trend


def mist_of(problem: Problem, stack: Stack, settings: Settings, verdict: Verdict) -> list[Mist]:
    """The spray of each point of the stack.

    The ratio needs the density; the drop size surface tension, viscosity and the nozzle's bore too, for the speed of
    the air at its tip (that of sound where choked). By Nukiyama and Tanasawa, far outside its range: see `TREND`.

    >>> from stackopt.stack import _example
    >>> stack, settings = Stack.of(_example()), Settings.at(6.0, (1, 0), (0, 1))
    >>> from stackopt.judge import judge
    >>> mist_of(_example(), stack, settings, judge(stack, settings))[0]
    Mist(air_liquid_ratio=None, mean_drop_um=None)
    """
    fluid = problem.fluid
    if fluid.density is None:
        return [Mist(None, None)] * len(stack.names)
    density = fluid.density.number
    found = []
    for i in range(len(stack.names)):
        flow, dose = float(verdict.flow[i]), float(verdict.dose[i])
        ratio = float(atomising.air_liquid_ratio(flow, dose, density)) if flow > 0 else None
        size, speed = None, _speed(stack, i, settings.screw[i], verdict.pressure)
        if fluid.surface_tension and fluid.viscosity and speed and flow > 0:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", OutOfRange)  # said once, for all points, by TREND
                size = float(atomising.nukiyama_tanasawa(
                    speed, fluid.surface_tension.number, density, fluid.viscosity[0].number * density,
                    dose / 1000 / flow))  # fmt: skip
        found.append(Mist(ratio, size))
    return found


def _speed(stack: Stack, i: int, screw: int, pressure: float) -> float | None:
    """Air at the tip [m/s], by isentropic flow from what lies before it; None where the bore is not known."""
    branch = stack.branches[stack.nozzle[i]]
    if not branch.computed or pressure <= OUTLET:
        return None
    between = air.chain_pressures(branch.conductance[screw], branch.critical_ratio, pressure, OUTLET)
    before = float(np.append(pressure, between)[-2])
    share = max(OUTLET / before, air.IDEAL_RATIO) ** ((GAMMA - 1) / GAMMA)
    return math.sqrt(2 * GAMMA / (GAMMA - 1) * GAS_CONSTANT * kelvin(ANR_TEMPERATURE) * (1 - share))
