"""A machine in exact fractions of mL, min and L ANR, read from a validated problem; points in the order of the file."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any, NamedTuple, TypeGuard

from stackopt import units
from stackopt.errors import known
from stackopt.problem.constraints import BUILT_IN, Compare, Constraint, Distinct, Fix, Forbid, Ratio, Same, Total
from stackopt.problem.model import Point, Problem
from stackopt.verification.airflow import Branch, Element, branch_of, line_of

SLACK = Fraction(1, 10**9)  # of a miss that counts as none, of values that tie, of the capacity
ROUNDING = Fraction(1, 10**12)  # what a rate or pressure may part from a limit
BuiltIn = Total | Same | Fix | Forbid | Distinct | Compare | Ratio


class Stroke(NamedTuple):
    """A pump at a mark."""

    pump: str
    mark: str
    volume: Fraction  # of all pumps of the point, mL
    drive: Fraction  # of all pumps of the point, L
    top: Fraction | None  # 1/min
    barred: bool  # its seals do not take the fluid
    stalled: bool  # the supply's pressure is too low for it
    least: Fraction  # bar absolute; 0 where not given
    stray: Fraction  # drift and spread, share
    price: Fraction

    @property
    def out(self) -> bool:
        """Whether it cannot be used at any rate."""
        return self.barred or self.stalled


class Place(NamedTuple):
    """A point of the file."""

    name: str
    tags: tuple[str, ...]
    dose: Fraction  # D, mL/min
    below: Fraction
    above: Fraction
    weight: Fraction
    per_dose: tuple[Fraction, Fraction | None]  # L/mL
    flow: tuple[Fraction, Fraction | None]  # L/min
    cut: Fraction  # its lowest rate, 1/min; 0 where not given
    strokes: tuple[Stroke, ...]  # as written
    branch: Branch
    air: tuple[Fraction, ...]  # of each setting of the branch at the supply's pressure, L/min
    asked: bool = True  # whether its excess counts

    def window(self, dose: Fraction) -> tuple[Fraction, Fraction | None]:
        """L and U at a dose."""
        low, high = max(self.flow[0], self.per_dose[0] * dose), self.flow[1]
        if self.per_dose[1] is not None:
            most = self.per_dose[1] * dose
            high = most if high is None else min(high, most)
        return low, high


class Dial(NamedTuple):
    """The rates that can be set [1/min]; without a step, all from low to high."""

    low: Fraction
    high: Fraction
    step: Fraction | None

    @property
    def last(self) -> int:
        """The number of the last step, counted from 0."""
        return int((self.high - self.low) / known(self.step) + SLACK)

    def at(self, k: int) -> Fraction:
        """The rate of a step."""
        return min(self.low + k * known(self.step), self.high)

    def has(self, rate: Fraction) -> bool:
        """Whether a rate is on the dial, but for rounding."""
        if not self.low * (1 - ROUNDING) <= rate <= self.high * (1 + ROUNDING):
            return False
        if self.step is None:
            return True
        k = min(max(round((rate - self.low) / self.step), 0), self.last)
        return abs(rate - self.at(k)) <= SLACK * self.step


@dataclass(frozen=True)
class Machine:
    """What a problem file says, as far as settings are judged by it."""

    places: tuple[Place, ...]
    dial: Dial
    count: int  # of generators
    capacity: Fraction | None  # L/min; None where it is left out
    pressure: float  # of the supply, bar absolute
    line: Element | None
    air_weight: Fraction
    price_weight: Fraction
    worst: bool
    robust: bool
    rules: dict[str, Constraint]  # by name
    sizes: dict[str, float]

    @classmethod
    def of(cls, problem: Problem) -> "Machine":
        """The machine of a problem.

        >>> from stackopt.stack import _example
        >>> machine = Machine.of(_example())
        >>> [place.name for place in machine.places], machine.dial.last, float(machine.places[0].dose * 60)
        (['b', 'a'], 56, 22.0)
        """
        dial, air, solve = problem.generator.rate, problem.air, problem.solve
        step = Fraction(dial.step.number) if dial.step else None
        branches = {name: branch_of(nozzle, air.pressure.number) for name, nozzle in problem.nozzles.items()}
        return cls(
            places=tuple(_place(problem, point, branches[point.nozzle]) for point in problem.point),
            dial=Dial(Fraction(dial.min.number), Fraction(dial.max.number), step),
            count=problem.generator.count,
            capacity=Fraction(air.capacity.number),
            pressure=air.pressure.number,
            line=line_of(air.line) if air.line else None,
            air_weight=Fraction(solve.air_weight),
            price_weight=Fraction(solve.price_weight),
            worst=solve.objective == "worst",
            robust=solve.robust,
            rules=_named(problem.constraint),
            sizes=problem.sizes,
        )

    def covered(self, names: Iterable[str] | None) -> list[Place]:
        """The points that names and tags stand for; all for None."""
        wanted = None if names is None else set(names)
        return [p for p in self.places if wanted is None or p.name in wanted or wanted & set(p.tags)]

    def bound_of(self, rule: BuiltIn, key: str) -> Fraction | None:
        """An end of a rule in mL/min, L/min, 1/min or plain; None where it has none."""
        value = getattr(rule, key, None)
        if value is None:
            return None
        kind = {"air": "air flow", "dose": "dose", "rate": "rate"}.get(rule.of) if not isinstance(rule, Ratio) else None
        return Fraction(value) if kind is None else Fraction(units.read(value, kind).at(self.sizes))

    def asking(self, names: Iterable[str], **more: Any) -> "Machine":
        """The same machine where only the excess of these points counts, and with other keys changed."""
        wanted = set(names)
        places = tuple(p._replace(asked=p.name in wanted) for p in self.places)
        return replace(self, places=places, **more)


def built_in(rule: Constraint) -> TypeGuard[BuiltIn]:
    """Whether a rule is of a kind that is judged here: those of other packages are not."""
    return type(rule) in BUILT_IN.values()


def _named(rules: tuple[Constraint, ...]) -> dict[str, Constraint]:
    """The rules by name, or by their number where they have none."""
    taken, found = {rule.name for rule in rules}, {}
    for k, rule in enumerate(rules, 1):
        name = rule.name or f"constraint {k}"
        while rule.name is None and name in taken:
            name += " (without a name)"
        found[name] = rule
    return found


def _share(deviation: Any, dose: Fraction, sizes: dict[str, float]) -> Fraction:
    return Fraction(deviation) if isinstance(deviation, float) else Fraction(deviation.at(sizes)) / dose


def _window(part: Any, sizes: dict[str, float]) -> tuple[Fraction, Fraction | None]:
    low, high = (part.min, part.max) if part else (None, None)
    return Fraction(low.at(sizes)) if low else Fraction(0), Fraction(high.at(sizes)) if high else None


def _place(problem: Problem, point: Point, branch: Branch) -> Place:
    sizes = problem.sizes
    dose, pressure = Fraction(point.dose.at(sizes)), problem.air.pressure.number
    cut = Fraction(point.cut.strokes) / Fraction(point.cut.time.number) if point.cut else Fraction(0)
    return Place(
        point.name, point.tags, dose, _share(point.tolerance.below, dose, sizes),
        _share(point.tolerance.above, dose, sizes), Fraction(point.weight), _window(point.air_per_dose, sizes),
        _window(point.air_flow, sizes), cut, tuple(_strokes(problem, point)), branch,
        tuple(Fraction(branch.flow(k, pressure)) for k in range(len(branch.turns))),
    )  # fmt: skip


def _strokes(problem: Problem, point: Point) -> Iterable[Stroke]:
    drift, pressure = Fraction(problem.generator.drift), Fraction(problem.air.pressure.number)
    for name in point.pump:
        pump = problem.pumps[name]
        drive = problem.generator.stroke_air if pump.stroke_air is None else pump.stroke_air
        least = Fraction(pump.min_pressure.number) if pump.min_pressure else Fraction(0)
        barred = pump.fluids is not None and problem.fluid.kind not in pump.fluids
        spread = pump.spread or {}
        for mark, share in pump.marks.items():
            yield Stroke(
                name, mark, Fraction(pump.stroke_volume.at(problem.sizes)) * point.count * Fraction(share),
                Fraction(drive.number) * point.count, Fraction(pump.max_rate.number) if pump.max_rate else None,
                barred, least > pressure * (1 + ROUNDING), least,
                drift + Fraction(spread.get(mark, spread.get("*", 0.0))), Fraction(pump.price),
            )  # fmt: skip
