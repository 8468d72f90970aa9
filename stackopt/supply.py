"""The pressure at the stack: where a line lies before it, what the line lets through is what the stack takes."""

import numpy as np

from stackopt.errors import library
from stackopt.physics import air
from stackopt.problem.branches import OUTLET
from stackopt.stack import Array, Stack


def settled(stack: Stack, screws: tuple[int | None, ...], drive: float) -> tuple[float, Array]:
    """The pressure at the stack [bar absolute] that settings bring about, and the air of each nozzle [L/min ANR].

    Without a line the pressure is given. With one it is where the air of the nozzles and the drive air, which rise with
    the pressure, are what the line lets through, which falls; there is one such pressure. Where the drive air alone is
    more than the line lets through, it is that of the open air, and the nozzles get none.

    Args:
        stack: The machine.
        screws: The screw setting of each point; None where it is closed.
        drive: Drive air of all pumps [L/min ANR].

    >>> from dataclasses import replace
    >>> from stackopt.stack import _example
    >>> stack = replace(Stack.of(_example()), line=(0.5, 0.3))
    >>> pressure, flow = settled(stack, (1, 0), 0.12)
    >>> round(pressure, 4), flow.round(3).tolist()
    (6.5447, [59.724, 29.862])
    """
    point = np.array([i for i, screw in enumerate(screws) if screw is not None], dtype=int)
    opened = [screw for screw in screws if screw is not None]
    flow = np.zeros(len(stack.names))
    if stack.line is None:
        flow[point] = stack.flow[point, opened]
        return stack.pressure, flow
    keys = list(zip(stack.nozzle[point].tolist(), opened, strict=True))
    used = list(dict.fromkeys(keys))
    place = {key: k for k, key in enumerate(used)}
    of = np.array([place[key] for key in keys], dtype=int)
    many = np.bincount(of, minlength=len(used)).astype(float)
    rows = [(stack.branches[kind].conductance[screw], stack.branches[kind].critical_ratio) for kind, screw in used]
    length = np.array([len(ratios) for _, ratios in rows], dtype=int)
    conductance = np.array([*(c[0] for c, _ in rows), stack.line[0]])
    ratio = np.array([*(b[0] for _, b in rows), stack.line[1]])
    chains = [(of_length, np.array([rows[k][0] for k in of_length]), np.array([rows[k][1] for k in of_length]))
              for n in set(length.tolist()) - {1} for of_length in [np.flatnonzero(length == n)]]  # fmt: skip

    before, after = np.full(len(ratio), stack.pressure), np.full(len(ratio), OUTLET)

    def flows(pressure: float) -> Array:
        """Of each used setting, and last of the line."""
        before[:-1], after[-1] = pressure, pressure
        found = air.passed(conductance, ratio, before, after)
        for of_length, c, b in chains:
            found[of_length] = air.chain_flow(c, b, pressure, OUTLET)
        return found

    def short(pressure: float) -> float:
        found = flows(pressure)
        return float(many @ found[:-1]) + drive - float(found[-1])

    if short(OUTLET) >= 0:
        return OUTLET, flow
    if short(stack.pressure) <= 0:  # nothing flows
        return stack.pressure, flow
    with library("the search for the stack's pressure"):
        from scipy.optimize import brentq  # slow to load, and few files need it

        pressure = float(brentq(short, OUTLET, stack.pressure, xtol=1e-14, rtol=1e-14))
    flow[point] = flows(pressure)[:-1][of]
    return pressure, flow


def through(stack: Stack, pressure: float) -> float:
    """What the line lets through at a pressure at the stack [L/min ANR]; `pressure` in bar absolute."""
    if stack.line is None:
        return np.inf
    conductance, ratio = stack.line
    return float(air.passed(conductance, ratio, stack.pressure, pressure))
