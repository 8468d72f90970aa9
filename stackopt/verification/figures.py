"""What settings do, in exact fractions: doses, air, excess, value, and the rules that they break."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple

from stackopt.errors import known
from stackopt.problem.constraints import Compare, Distinct, Fix, Forbid, Label, Ratio, Same
from stackopt.verification.airflow import OUTLET, halved, series
from stackopt.verification.machine import ROUNDING, SLACK, BuiltIn, Machine, Place, Stroke, built_in


class Set(NamedTuple):
    """What a point is set to: rate [1/min], and the numbers of its stroke and screw setting."""

    rate: Fraction
    stroke: int
    screw: int


@dataclass(frozen=True)
class PointFigures:
    """What a point gets; mL/min and L/min."""

    dose: Fraction
    error: Fraction  # signed
    flow: Fraction
    low: Fraction  # L at the dose; 0 where not given
    high: Fraction | None  # U at the dose
    excess: Fraction
    spray: frozenset[str]  # in words; more than one where they are as good as equal


@dataclass(frozen=True)
class Figures:
    """What settings do; points in the order of the file."""

    points: tuple[PointFigures, ...]
    pressure: float  # at the stack, bar absolute
    air: Fraction  # L/min
    excess: Fraction  # X
    mean_error: Fraction
    worst_error: Fraction
    price: Fraction
    value: Fraction
    broken: tuple[str, ...]  # hard rules that do not hold, in words
    unknown: tuple[str, ...]  # rules of kinds of other packages, which are not judged here


def counted(miss: Fraction) -> Fraction:
    """A miss, or 0 where it counts as none."""
    return miss if miss > SLACK else Fraction(0)


def figures_of(machine: Machine, settings: Sequence[Set]) -> Figures:
    """What settings, one a point, do on a machine.

    >>> from stackopt.stack import _example
    >>> found = figures_of(Machine.of(_example()), [Set(Fraction(6), 2, 1), Set(Fraction(6), 1, 0)])
    >>> round(float(found.air), 6), [*map(sorted, (point.spray for point in found.points))]
    (96.12, [['in window'], ['too little air']])
    """
    strokes = [place.strokes[s.stroke] for place, s in zip(machine.places, settings, strict=True)]
    drive = sum((s.rate * stroke.drive for s, stroke in zip(settings, strokes, strict=True)), Fraction(0))
    pressure, flows = _air(machine, settings, drive)
    points = tuple(_point(machine, *one) for one in zip(machine.places, settings, strokes, flows, strict=True))
    weights = [place.weight for place in machine.places]
    mean_error = _mean(weights, [abs(p.error) for p in points])
    worst_error = max(abs(p.error) for p in points)
    price = sum((stroke.price for stroke in strokes), Fraction(0)) / len(strokes)
    air = sum(flows) + drive
    share = air / known(machine.capacity)
    return Figures(
        points=points,
        pressure=pressure,
        air=air,
        excess=max(p.excess for p in points) if machine.worst else _mean(weights, [p.excess for p in points]),
        mean_error=mean_error,
        worst_error=worst_error,
        price=price,
        value=(worst_error if machine.worst else mean_error) + machine.air_weight * share
        + machine.price_weight * price,
        broken=(*_hard(machine, settings, strokes, pressure, air), *(
            f"{name} does not hold" for name, rule in machine.rules.items()
            if built_in(rule) and not kept(machine, rule, settings, flows))),
        unknown=tuple(name for name, rule in machine.rules.items() if not built_in(rule)),
    )  # fmt: skip


def _mean(weights: Sequence[Fraction], values: Sequence[Fraction]) -> Fraction:
    return sum((w * value for w, value in zip(weights, values, strict=True)), Fraction(0)) / sum(weights)


def _air(machine: Machine, settings: Sequence[Set], drive: Fraction) -> tuple[float, list[Fraction]]:
    """The pressure at the stack [bar absolute] and the air of each nozzle [L/min]."""
    if machine.line is None:
        return machine.pressure, [p.air[s.screw] for p, s in zip(machine.places, settings, strict=True)]
    line, used = machine.line, [(place.branch, s.screw) for place, s in zip(machine.places, settings, strict=True)]

    def flows(pressure: float) -> list[float]:
        every = {(id(b), k): (b, k) for b, k in used}
        through = {key: b.flow(k, pressure) for key, (b, k) in every.items()}
        return [through[id(b), k] for b, k in used]

    def enough(pressure: float) -> bool:
        return sum(flows(pressure)) + float(drive) <= series((line,), machine.pressure, pressure)

    if not enough(OUTLET):
        return OUTLET, [Fraction(0)] * len(used)
    pressure = halved(OUTLET, machine.pressure, enough)
    return pressure, [Fraction(flow) for flow in flows(pressure)]


def _point(machine: Machine, place: Place, setting: Set, stroke: Stroke, flow: Fraction) -> PointFigures:
    dose = setting.rate * stroke.volume
    ends = [dose * (1 - stroke.stray), dose * (1 + stroke.stray)] if machine.robust else [dose]
    misses = [_misses(place, end, flow) for end in ends]
    most = max(air for _, air, _ in misses)
    ways = frozenset[str]().union(*(way for _, air, way in misses if air >= most * (1 - SLACK)))
    return PointFigures(dose, dose / place.dose - 1, flow, *place.window(dose),
                        max(by_dose + air for by_dose, air, _ in misses), ways if most else frozenset(("in window",)))


def _misses(place: Place, dose: Fraction, flow: Fraction) -> tuple[Fraction, Fraction, frozenset[str]]:
    """How far a dose and its air miss, as shares, and which way the air does: either, where both are as bad."""
    share = dose / place.dose
    low, high = place.window(dose)
    by = {"too little air": low - flow} | ({} if high is None else {"too much air": flow - high})
    most = max(by.values())
    return (counted(max(1 - place.below - share, share - 1 - place.above)),
            counted(most / place.window(place.dose)[0]),
            frozenset(way for way, miss in by.items() if miss >= most - SLACK * flow))  # fmt: skip


def _hard(machine: Machine, settings: Sequence[Set], strokes: Sequence[Stroke], pressure: float, air: Fraction
          ) -> Iterator[str]:  # fmt: skip
    """What the machine itself does not allow."""
    rates = {s.rate for s in settings}
    for rate in sorted(rates):
        if not machine.dial.has(rate):
            yield f"{float(rate)!r}/min is no rate of the dial"
    if len(rates) > machine.count:
        yield f"{len(rates)} rates, and {machine.count} of them may be used"
    if air > known(machine.capacity) * (1 + SLACK):
        yield f"the air of {float(air)!r} L/min is above the capacity"
    if machine.line is not None and pressure <= OUTLET:
        yield "the line lets through less than the settings take"
    for place, setting, stroke in zip(machine.places, settings, strokes, strict=True):
        if setting.rate * (1 + ROUNDING) < place.cut:
            yield f"{place.name}: the rate is too low for its cut"
        if stroke.top is not None and setting.rate * (1 - ROUNDING) > stroke.top:
            yield f"{place.name}: the rate is above the max_rate of {stroke.pump}"
        if stroke.out or stroke.least > Fraction(pressure) * (1 + ROUNDING):
            yield f"{place.name}: {stroke.pump} cannot be used (fluids, min_pressure)"


def kept(machine: Machine, rule: BuiltIn, settings: Sequence[Set], flows: Sequence[Fraction]) -> bool:
    """Whether settings keep a rule of the file."""
    what: dict[str, Label | Fraction] = {}
    for place, setting, flow in zip(machine.places, settings, flows, strict=True):
        stroke = place.strokes[setting.stroke]
        every: dict[str, Label | Fraction] = {
            "pump": stroke.pump, "mark": stroke.mark, "turns": place.branch.turns[setting.screw],
            "dose": setting.rate * stroke.volume, "air": flow, "rate": setting.rate}  # fmt: skip
        what[place.name] = every[rule.of]

    def chosen(names: Sequence[str] | None) -> list[Label | Fraction]:
        return [what[place.name] for place in machine.covered(names)]

    if isinstance(rule, Forbid):
        return not any(one in rule.at for one in chosen(rule.over))
    if isinstance(rule, Same | Distinct):
        return len(set(chosen(rule.over))) <= (rule.max if isinstance(rule, Distinct) else 1)
    if isinstance(rule, Fix):
        if rule.of != "rate":
            return all(one == rule.at for one in chosen(rule.over))
        at = machine.bound_of(rule, "at")
        return all(_within([Fraction(one)], at, at) for one in chosen(rule.over))
    low, high = machine.bound_of(rule, "min"), machine.bound_of(rule, "max")
    if not isinstance(rule, Compare | Ratio):
        factors = [_factor(rule.times or {}, place) for place in machine.covered(rule.over)]
        parts = [f * Fraction(one) for f, one in zip(factors, chosen(rule.over), strict=True)]
        return _within(parts, low, high)
    first, second = ([Fraction(one) for one in chosen([name])] for name in (rule.first, rule.second))
    if isinstance(rule, Compare):
        return _within([*first, *(-one for one in second)], low, high)
    zero = Fraction(0)
    return (low is None or _within([*first, *(-low * one for one in second)], zero, None)) and (
        high is None or _within([*first, *(-high * one for one in second)], None, zero))  # fmt: skip


def _factor(times: dict[str, float], place: Place) -> Fraction:
    """What a total counts a point with: its own factor, else that of one of its tags."""
    given = [times[name] for name in times if name == place.name] or [times[t] for t in times if t in place.tags][-1:]
    return Fraction(given[0]) if given else Fraction(1)


def _within(parts: Sequence[Fraction], low: Fraction | None, high: Fraction | None) -> bool:
    """Whether a sum is between its bounds, but for 1e-9 of the size of its parts and bound."""
    total, size = sum(parts), sum(map(abs, parts))
    return (low is None or total >= low - SLACK * (size + abs(low))) and (
        high is None or total <= high + SLACK * (size + abs(high)))  # fmt: skip
