"""The settings of a nozzle's air screw, and the air that its branch lets through at any pressure."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stackopt.arrays import Array
from stackopt.errors import library, noting
from stackopt.physics import air
from stackopt.physics.atmospheres import ATMOSPHERE
from stackopt.problem.model import AirLine, Nozzle, Tube

TURN = 0.125  # settings between the table's points where a nozzle may be interpolated, turns
OUTLET = ATMOSPHERE  # what nozzles blow into, bar absolute


@dataclass(frozen=True, eq=False)
class Branch:
    """One nozzle: screw, line and tip, blowing into the open air.

    >>> branch = _example()
    >>> branch.turns, branch.flow(7.01325)
    ((1.0, 2.0), array([32., 64.]))
    >>> branch.flow(3.5).round(3)  # choked: by absolute pressure
    array([15.97, 31.94])
    """

    turns: tuple[float, ...]  # the settings with flow
    conductance: Array  # [screws, elements] of the elements in series, L/(s bar)
    critical_ratio: Array  # [elements]
    measured_at: float  # bar absolute; 0 where not measured as flow
    measured: Array  # [screws] flows measured there, L/min; empty where not measured
    computed: bool  # from geometry, not from a measurement
    assumed: bool  # the critical ratio is that of an ideal nozzle, for want of a measured one
    notes: tuple[str, ...] = ()  # where an equation is used outside its range

    def flow(self, pressure: float) -> Array:
        """Air of each setting at an absolute pressure before the screw [L/min ANR], never falling as turns rise."""
        if pressure == self.measured_at:
            return self.measured
        if len(self.critical_ratio) == 1:
            return air.flow(self.conductance[:, 0], self.critical_ratio[0], pressure, OUTLET)
        return air.chain_flow(self.conductance, self.critical_ratio, pressure, OUTLET)

    @classmethod
    def of(cls, nozzle: Nozzle, pressure: float) -> "Branch":
        """The branch of a nozzle whose flow was measured at `pressure` [bar absolute] unless it says where."""
        measured, at, elements, ratios = np.empty(0), 0.0, np.empty((0, 1)), np.empty(0)
        turns = _settings(nozzle)
        notes: list[str] = []
        if nozzle.flow is not None:
            at = nozzle.measured_at.number if nozzle.measured_at else pressure
            ratios = np.array([air.IDEAL_RATIO if nozzle.critical_ratio is None else nozzle.critical_ratio])
            measured = _between(nozzle, turns, [flow.number for flow in nozzle.flow])
            elements = (measured / air.flow(1.0, ratios[0], at, OUTLET))[:, None]
        elif nozzle.conductance is not None:
            ratios = np.array([nozzle.critical_ratio])
            elements = _between(nozzle, turns, [c.number for c in nozzle.conductance])[:, None]
        else:
            with noting(notes):
                elements, ratios = _geometry(nozzle, turns)
        usable = elements.min(axis=1) > 0
        return cls(tuple(t for t, use in zip(turns, usable, strict=True) if use), elements[usable], ratios, at,
                   measured[usable] if len(measured) else measured, nozzle.flow is None and nozzle.conductance is None,
                   nozzle.flow is not None and nozzle.critical_ratio is None, tuple(notes))  # fmt: skip


def turns_of(nozzle: Nozzle) -> tuple[float, ...]:
    """The settings of a nozzle with flow, turns from closed; with `interpolate` each eighth between the table's too.

    >>> turns_of(Nozzle(turns=[0, 0.25, 0.3], flow=["0 L/min", "5 L/min", "6 L/min"], interpolate=True))
    (0.125, 0.25, 0.3)
    """
    return Branch.of(nozzle, 2 * OUTLET).turns


def most_of(nozzle: Nozzle, pressure: float) -> float:
    """The most air that a nozzle lets through at an absolute pressure before it [L/min ANR].

    >>> most_of(Nozzle(turns=[1, 2], flow=["5 L/min", "6 L/min"]), 7.01325)
    6.0
    """
    return float(Branch.of(nozzle, pressure).flow(pressure).max(initial=0.0))


def line_of(line: AirLine, notes: list[str]) -> tuple[float, float]:
    """Conductance [L/(s bar)] and critical ratio of what lies between supply and stack; `notes` of ranges are added."""
    if line.conductance is not None:
        return line.conductance.number, line.critical_ratio or 0.0
    with noting(notes):
        return _tube(line)


def _settings(nozzle: Nozzle) -> tuple[float, ...]:
    if not nozzle.interpolate:
        return nozzle.turns
    first, last = nozzle.turns[0], nozzle.turns[-1]
    between = TURN * np.arange(np.ceil(first / TURN), np.floor(last / TURN) + 1)
    return tuple(sorted({*nozzle.turns, *between.tolist()}))


def _between(nozzle: Nozzle, turns: tuple[float, ...], values: Sequence[float]) -> Array:
    """The table's values at `turns`, between its points by a curve that rises where they do.

    Fritsch and Butland (1984), SIAM Journal on Scientific and Statistical Computing 5, 300-304.
    """
    if turns == nozzle.turns or len(values) < 2:
        return np.array(values, dtype=float)
    with library("the curve between turns"):
        from scipy.interpolate import PchipInterpolator  # slow to load, and few files need it

        curve = PchipInterpolator(nozzle.turns, values)(turns)
    known = dict(zip(nozzle.turns, values, strict=True))
    return np.array([known.get(t, at) for t, at in zip(turns, curve.tolist(), strict=True)])


def _geometry(nozzle: Nozzle, turns: tuple[float, ...]) -> tuple[Array, Array]:
    """Screw, tube and tip in series: conductances [screws, elements] and critical ratios [elements]."""
    if not (nozzle.bore and nozzle.discharge and nozzle.screw):
        raise ValueError("bore, discharge and screw")
    fixed = [(float(air.orifice_conductance(nozzle.bore.number, nozzle.discharge)), air.IDEAL_RATIO)]
    if nozzle.tube is not None:
        fixed.insert(0, _tube(nozzle.tube))
    whole = float(air.orifice_conductance(nozzle.screw.bore.number, nozzle.discharge))
    screw = whole * _between(nozzle, turns, nozzle.screw.open)
    rest = np.tile([c for c, _ in fixed], (len(turns), 1))
    return np.column_stack((screw, rest)), np.array([air.IDEAL_RATIO, *(b for _, b in fixed)])


def _tube(tube: Tube | AirLine) -> tuple[float, float]:
    """Conductance [L/(s bar)] and critical ratio of a tube."""
    if not (tube.length and tube.bore):
        raise ValueError("length and bore")
    conductance, ratio = air.tube_conductance(tube.length.number, tube.bore.number)
    return float(conductance), float(ratio)


def _example() -> Branch:
    nozzle = {"turns": [0, 1, 2], "flow": ["0 L/min", "32 L/min", "64 L/min"]}
    return Branch.of(Nozzle.model_validate(nozzle), 7.01325)
