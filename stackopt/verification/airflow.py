"""The air of nozzles and of the line, a second time: ISO 6358 by halving, and tables read between their points."""

import math
from collections.abc import Callable
from itertools import pairwise
from typing import NamedTuple

from stackopt.errors import known
from stackopt.problem.model import AirLine, Nozzle

OUTLET = 1.01325  # the open air, bar absolute
_EIGHTH = 0.125  # between the table's points where a nozzle may be interpolated, turns
_IDEAL_RATIO, _IDEAL_FLOW = 0.528282, 0.0404149  # of an ideal nozzle in air; mass flow in SI units
_DENSITY, _GAS, _KELVINS = 1.185, 287.05, 293.15  # of air at ANR: kg/m3, J/(kg K), K
_FRICTION, _MOUTH = 0.02, 0.5  # of a tube: Darcy factor, velocity heads lost at its mouth
_HALVINGS = 200


class Element(NamedTuple):
    """Conductance [L/(s bar)] and critical ratio of what air passes through."""

    conductance: float
    ratio: float


class Branch(NamedTuple):
    """A nozzle's settings with flow: turns, and the elements that the air of each meets one after the other."""

    turns: tuple[float, ...]
    elements: tuple[tuple[Element, ...], ...]
    measured_at: float  # bar absolute; 0 where no flow was measured
    measured: tuple[float, ...]  # L/min there

    def flow(self, screw: int, pressure: float) -> float:
        """Air of a setting at a pressure before it [bar absolute; L/min ANR]."""
        return self.measured[screw] if pressure == self.measured_at else series(self.elements[screw], pressure)


def halved(low: float, high: float, holds: Callable[[float], bool]) -> float:
    """The largest number from `low` on at which `holds`, which it does up to there and not beyond.

    >>> round(halved(0.0, 2.0, lambda x: x * x <= 2), 9)
    1.414213562
    """
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        if middle in (low, high):
            break
        low, high = (middle, high) if holds(middle) else (low, middle)
    return low


def series(elements: tuple[Element, ...], before: float, after: float = OUTLET) -> float:
    """Air through elements one after the other [L/min ANR]; pressures in bar absolute.

    Each passes up to 60 C p1, and at a share y of that the pressure after it is p1 (b + (1 - b) sqrt(1 - y^2)).

    >>> round(series((Element(1.0, 0.0), Element(1.0, 0.0)), 7.0, 1.0), 4)  # 60 sqrt(24)
    293.9388
    """
    if before <= after or min(element.conductance for element in elements) <= 0:
        return 0.0
    if len(elements) == 1:
        (c, b), = elements
        u = min((before - after) / (before * (1 - b)), 1.0)
        return 60 * c * before * math.sqrt(u * (2 - u))

    def reaches(flow: float) -> bool:
        pressure = before
        for c, b in elements:
            share = flow / (60 * c * pressure)
            if share > 1:
                return False
            pressure *= b + (1 - b) * math.sqrt((1 - share) * (1 + share))
        return pressure >= after

    return halved(0.0, 60 * before * min(element.conductance for element in elements), reaches)


def line_of(line: AirLine) -> Element:
    """What lies between supply and stack."""
    if line.conductance is not None:
        return Element(line.conductance.number, known(line.critical_ratio))
    return _tube(known(line.length).number, known(line.bore).number)


def branch_of(nozzle: Nozzle, pressure: float) -> Branch:
    """A nozzle whose flow was measured at `pressure` [bar absolute] unless it says where.

    >>> branch_of(Nozzle(turns=[0, 1, 2], flow=["0 L/min", "32 L/min", "64 L/min"]), 7.01325).turns
    (1.0, 2.0)
    """
    turns, at = _settings(nozzle), 0.0
    measured: list[float] = []
    chains: list[tuple[Element, ...]]
    if nozzle.flow is not None:
        at = nozzle.measured_at.number if nozzle.measured_at else pressure
        ratio = _IDEAL_RATIO if nozzle.critical_ratio is None else nozzle.critical_ratio
        measured = _between(nozzle.turns, [flow.number for flow in nozzle.flow], turns)
        whole = series((Element(1.0, ratio),), at)
        chains = [(Element(flow / whole, ratio),) for flow in measured]
    elif nozzle.conductance is not None:
        table = [c.number for c in nozzle.conductance]
        chains = [(Element(c, known(nozzle.critical_ratio)),) for c in _between(nozzle.turns, table, turns)]
    else:
        tube = [_tube(nozzle.tube.length.number, nozzle.tube.bore.number)] if nozzle.tube else []
        discharge, screw = known(nozzle.discharge), known(nozzle.screw)
        tip = Element(_orifice(known(nozzle.bore).number, discharge), _IDEAL_RATIO)
        whole = _orifice(screw.bore.number, discharge)
        chains = [(Element(whole * share, _IDEAL_RATIO), *tube, tip)
                  for share in _between(nozzle.turns, list(screw.open), turns)]  # fmt: skip
    used = [k for k, chain in enumerate(chains) if min(element.conductance for element in chain) > 0]
    return Branch(tuple(turns[k] for k in used), tuple(chains[k] for k in used), at,
                  tuple(measured[k] for k in used) if measured else ())  # fmt: skip


def _orifice(bore: float, discharge: float) -> float:
    """Conductance of a hole of so many mm."""
    return discharge * math.pi * bore * bore / 4 * 100 * _IDEAL_FLOW / (_DENSITY * math.sqrt(_KELVINS))


def _tube(length: float, bore: float) -> Element:
    """A tube of so many m and mm: it chokes where y - ln y = 1 + f L/d + K, y being (p1/p2)^2."""
    goal = 1 + _FRICTION * length / (bore / 1000) + _MOUTH
    ratio = 1 / math.sqrt(halved(1.0, 2 * goal, lambda y: y - math.log(y) <= goal))
    return Element(math.pi * bore * bore / 4 * 100 * ratio / (_DENSITY * math.sqrt(_GAS * _KELVINS)), ratio)


def _settings(nozzle: Nozzle) -> tuple[float, ...]:
    """The turns that may be used, with or without flow."""
    if not nozzle.interpolate:
        return nozzle.turns
    first, last = (math.ceil(nozzle.turns[0] / _EIGHTH), math.floor(nozzle.turns[-1] / _EIGHTH))
    return tuple(sorted({*nozzle.turns, *(k * _EIGHTH for k in range(first, last + 1))}))


def _between(at: tuple[float, ...], values: list[float], turns: tuple[float, ...]) -> list[float]:
    """A table's values at `turns`, between its points by cubics that rise where they do (Fritsch and Butland 1984)."""
    table = dict(zip(at, values, strict=True))
    if all(t in table for t in turns):
        return [table[t] for t in turns]
    slopes = _slopes(at, values)
    found = []
    for t in turns:
        if t in table:
            found.append(table[t])
            continue
        k = next(k for k, (a, b) in enumerate(pairwise(at)) if a < t < b)
        width, s = at[k + 1] - at[k], (t - at[k]) / (at[k + 1] - at[k])
        found.append(values[k] * (1 + 2 * s) * (1 - s) ** 2 + values[k + 1] * s * s * (3 - 2 * s)
                     + width * (slopes[k] * s * (1 - s) ** 2 - slopes[k + 1] * s * s * (1 - s)))  # fmt: skip
    return found


def _slopes(at: tuple[float, ...], values: list[float]) -> list[float]:
    """Of the cubics at the table's points: weighted harmonic means of the chords, from three points at the ends."""
    wide = [b - a for a, b in pairwise(at)]
    chord = [(b - a) / h for (a, b), h in zip(pairwise(values), wide, strict=True)]
    if len(chord) == 1:
        return chord * 2

    def end(h: float, other_h: float, m: float, other_m: float) -> float:
        slope = ((2 * h + other_h) * m - h * other_m) / (h + other_h)
        return max(0.0, min(slope, 3 * m)) if other_m <= 0 else max(0.0, slope)

    inside = []
    for (h, after_h), (m, after_m) in zip(pairwise(wide), pairwise(chord), strict=True):
        one, two = 2 * after_h + h, after_h + 2 * h
        inside.append((one + two) / (one / m + two / after_m) if m > 0 and after_m > 0 else 0.0)
    return [end(wide[0], wide[1], chord[0], chord[1]), *inside, end(wide[-1], wide[-2], chord[-1], chord[-2])]
