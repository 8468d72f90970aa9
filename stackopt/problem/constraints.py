"""Kinds of constraints: their keys, their rows in the model, and their test on a finished answer.

A row is plain: low <= sum of coefficient times term <= high, a term being one of

    ("dose", point) mL/min   ("air", point) L/min   ("turns", point)   ("rate", point) 1/min
    ("is", point, of, label)   1 where the point's mark, pump or turns (of) is that label, else 0
    ("any", key)               a 0/1 variable of the constraint's own

An installed package adds a kind by a class under the entry-point group `stackopt.constraints`.
"""

import functools
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Annotated, Any, Literal, NamedTuple, get_args

from pydantic import BeforeValidator, ConfigDict, Field, PlainValidator, WithJsonSchema

from stackopt import units
from stackopt.errors import StackoptError
from stackopt.problem.keys import NEEDS, AtFirst, Name, Names, Part, given_in, ours

SLACK = 1e-9  # of a sum's size: what rounding may part it from its bound
GROUP = "stackopt.constraints"
_KIND_OF = {"air": "air flow", "dose": "dose", "rate": "rate"}
Fault3 = tuple[str, str, str]  # key, found, expected
Label = float | str  # a mark, a pump or turns
Term = tuple[Any, ...]


class Row(NamedTuple):
    """low <= sum of coefficient times term <= high; an end may be None."""

    terms: list[tuple[float, Term]]
    low: float | None = None
    high: float | None = None


class Chosen(NamedTuple):
    """What a finished answer gives a point: dose in mL/min, nozzle air in L/min ANR, rate in 1/min."""

    pump: str
    mark: str
    turns: float
    dose: float
    air: float
    rate: float


@dataclass(frozen=True)
class Machine:
    """What a constraint may ask of the machine that it belongs to."""

    labels: Mapping[str, Mapping[str, tuple[Label, ...]]]  # [point][pump | mark | turns] what can be chosen there
    tags: Mapping[str, tuple[str, ...]]  # the points of each tag
    sizes: Mapping[str, float]  # what grams, drops and parts are, for units
    _choices: dict[tuple[tuple[str, ...] | None, str], dict[Label, None]] = field(
        default_factory=dict, init=False, repr=False, compare=False)  # fmt: skip

    def choices(self, names: tuple[str, ...] | None, of: str) -> dict[Label, None]:
        """What can be chosen at any of the points that names and tags stand for, rising; kept, as many rules ask."""
        if (names, of) not in self._choices:
            self._choices[names, of] = dict.fromkeys(_all_labels(self, self.points(names), of))
        return self._choices[names, of]

    def points(self, names: Iterable[str] | None) -> tuple[str, ...]:
        """The points that names and tags stand for, each once, in the order of their names; None: all."""
        if names is None:
            return tuple(sorted(self.labels))
        found = {p for name in names for p in ((name,) if name in self.labels else self.tags.get(name, ()))}
        return tuple(sorted(found & set(self.labels)))


def _number_or_text(value: Any) -> float | int | str:
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise ValueError("a number, or text such as '120 L/min'")
    if not isinstance(value, str) and not units.possible(value):
        raise ValueError("a number that a machine can have")
    return value


def _labels(value: Any) -> tuple[Any, ...]:
    values = value if isinstance(value, list | tuple) else [value]
    if not values:
        raise ValueError("at least one of them")
    return tuple(values)


_ONE = [{"type": "number"}, {"type": "string"}]
Amount = Annotated[float | int | str, PlainValidator(ours(_number_or_text)), WithJsonSchema({"anyOf": _ONE})]
Labels = Annotated[tuple[Amount, ...], AtFirst(), BeforeValidator(ours(_labels)), Field(strict=False), WithJsonSchema(
    {"anyOf": [*_ONE, {"type": "array", "items": {"anyOf": _ONE}, "minItems": 1}]})]  # fmt: skip


class Constraint(Part):
    """A hard rule of the file. A kind says its `rows` and whether a finished answer `holds` it."""

    kind: str
    name: Name | None = None

    def names(self) -> tuple[str, ...]:
        """The points and tags that it names."""
        lists = [getattr(self, key, None) for key in ("over", "times")]
        ones = [getattr(self, key, None) for key in ("first", "second")]
        return tuple(name for part in lists for name in part or ()) + tuple(one for one in ones if one is not None)

    def faults(self, machine: Machine) -> Iterator[Fault3]:
        """What is wrong between its keys, or with them on that machine, as (key, found, expected)."""
        if getattr(self, "over", None) == ():
            yield "over", "an empty list", "at least one name"
        for name in self.names():
            if name not in machine.labels and name not in machine.tags:
                yield ("over" if name in (getattr(self, "over", None) or ()) else "first" if
                       name == getattr(self, "first", None) else "second" if name == getattr(self, "second", None)
                       else "times"), repr(name)[:60], "the name or a tag of a point"  # fmt: skip

    def rows(self, machine: Machine) -> Iterator[Row]:
        """Its rows in the model."""
        raise NotImplementedError

    def holds(self, machine: Machine, answer: Mapping[str, Chosen]) -> bool:
        """Whether a finished answer keeps it, by its own sums."""
        raise NotImplementedError


def within(parts: Iterable[float], low: float | None, high: float | None) -> bool:
    """Whether a sum lies between its bounds, but for rounding: 1e-9 of the size of its parts and bound.

    >>> within([0.1, 0.2], 0.3, 0.3), within([0.1, 0.2], None, 0.29)
    (True, False)
    """
    parts = list(parts)
    size, total = sum(map(abs, parts)), sum(parts)
    return (low is None or total >= low - SLACK * (size + abs(low))) and (
        high is None or total <= high + SLACK * (size + abs(high)))  # fmt: skip


class _Bounded(Constraint):
    """With min, max or both, in the unit of `of`."""

    model_config = ConfigDict(json_schema_extra={"anyOf": [{"required": ["min"]}, {"required": ["max"]}]})
    of: str
    min: Amount | None = None
    max: Amount | None = None

    def _unit(self) -> str | None:
        return _KIND_OF.get(self.of)

    def _number(self, value: Any, machine: Machine) -> float:
        kind = self._unit()
        return float(value) if kind is None else units.read(value, kind).at(machine.sizes)

    def _bound(self, key: str, machine: Machine) -> float | None:
        value = getattr(self, key)
        return None if value is None else self._number(value, machine)

    def faults(self, machine: Machine) -> Iterator[Fault3]:
        yield from super().faults(machine)
        if not given_in(self) & {"min", "max"}:
            yield "", "neither min nor max", "one of them at least"
        ends = []
        for key in ("min", "max"):
            value, kind = getattr(self, key), self._unit()
            if value is None:
                continue
            if kind is None and isinstance(value, str):
                yield key, repr(value)[:60], "a number"
            elif kind is not None and not isinstance(value, str):
                yield key, repr(value), f"a text with its unit, as in '{units.KINDS[kind].example}'"
            else:
                try:
                    ends.append(self._number(value, machine))
                except ValueError as fault:
                    yield key, repr(value)[:60], str(fault)
                except KeyError as lacking:
                    yield key, repr(value)[:60], NEEDS[lacking.args[0]]
        if len(ends) == 2 and ends[1] < ends[0]:
            yield "max", repr(self.max), f"at least min, {self.min!r}"


class Total(_Bounded):
    """Bounds on a sum over points, each `times` a factor where one is given."""

    kind: Literal["total"]
    of: Literal["air", "dose", "turns"]
    over: Names | None = None
    times: dict[Name, Annotated[float, Field(ge=-1e6, le=1e6)]] | None = None

    def _factors(self, machine: Machine) -> dict[str, float]:
        times = self.times or {}
        factors = dict.fromkeys(machine.points(self.over), 1.0)
        for name in sorted(times, key=lambda name: name in machine.labels):  # a point's own factor counts
            factors |= dict.fromkeys(set(machine.points((name,))) & set(factors), times[name])
        return factors

    def rows(self, machine: Machine) -> Iterator[Row]:
        terms = [(factor, (self.of, point)) for point, factor in self._factors(machine).items()]
        yield Row(terms, self._bound("min", machine), self._bound("max", machine))

    def holds(self, machine: Machine, answer: Mapping[str, Chosen]) -> bool:
        parts = [factor * getattr(answer[point], self.of) for point, factor in self._factors(machine).items()]
        return within(parts, self._bound("min", machine), self._bound("max", machine))


class Same(Constraint):
    """All set alike."""

    kind: Literal["same"]
    of: Literal["mark", "turns", "pump"]
    over: Names | None = None

    def rows(self, machine: Machine) -> Iterator[Row]:
        points = machine.points(self.over)
        for label in _all_labels(machine, points, self.of):
            for first, second in pairwise(points):
                yield Row([(1.0, ("is", first, self.of, label)), (-1.0, ("is", second, self.of, label))], 0.0, 0.0)

    def holds(self, machine: Machine, answer: Mapping[str, Chosen]) -> bool:
        return len({getattr(answer[point], self.of) for point in machine.points(self.over)}) <= 1


class Fix(Constraint):
    """Set to this."""

    kind: Literal["fix"]
    of: Literal["mark", "turns", "pump", "rate"]
    at: Amount
    over: Names | None = None

    def faults(self, machine: Machine) -> Iterator[Fault3]:
        yield from super().faults(machine)
        if self.of != "rate":
            yield from _unknown_labels(machine, self, (self.at,), "at")
        else:
            try:
                units.read(self.at, "rate")
            except ValueError as fault:
                yield "at", repr(self.at)[:60], str(fault)

    @property
    def rate(self) -> float:
        """The rate that is asked for [1/min]."""
        return units.read(self.at, "rate").number

    def rows(self, machine: Machine) -> Iterator[Row]:
        for point in machine.points(self.over):
            if self.of == "rate":
                yield Row([(1.0, ("rate", point))], self.rate, self.rate)
            else:
                yield Row([(1.0, ("is", point, self.of, self.at))], 1.0)

    def holds(self, machine: Machine, answer: Mapping[str, Chosen]) -> bool:
        chosen = [getattr(answer[point], self.of) for point in machine.points(self.over)]
        if self.of == "rate":
            return all(within([rate], self.rate, self.rate) for rate in chosen)
        return all(label == self.at for label in chosen)


class Forbid(Constraint):
    """Never these."""

    kind: Literal["forbid"]
    of: Literal["mark", "turns", "pump"]
    at: Labels
    over: Names | None = None

    def faults(self, machine: Machine) -> Iterator[Fault3]:
        yield from super().faults(machine)
        yield from _unknown_labels(machine, self, self.at, "at")

    def rows(self, machine: Machine) -> Iterator[Row]:
        for point in machine.points(self.over):
            terms = [(1.0, ("is", point, self.of, label)) for label in self.at
                     if label in machine.labels[point][self.of]]  # fmt: skip
            if terms:
                yield Row(terms, None, 0.0)

    def holds(self, machine: Machine, answer: Mapping[str, Chosen]) -> bool:
        return not any(getattr(answer[point], self.of) in self.at for point in machine.points(self.over))


class Distinct(Constraint):
    """At most so many different ones."""

    kind: Literal["distinct"]
    of: Literal["mark", "turns", "pump"]
    max: Annotated[int, Field(ge=1, le=100_000)]
    over: Names | None = None

    def rows(self, machine: Machine) -> Iterator[Row]:
        points = machine.points(self.over)
        labels = _all_labels(machine, points, self.of)
        for label in labels:
            for point in points:
                if label in machine.labels[point][self.of]:
                    yield Row([(1.0, ("any", label)), (-1.0, ("is", point, self.of, label))], 0.0)
        yield Row([(1.0, ("any", label)) for label in labels], None, float(self.max))

    def holds(self, machine: Machine, answer: Mapping[str, Chosen]) -> bool:
        return len({getattr(answer[point], self.of) for point in machine.points(self.over)}) <= self.max


class _Pair(_Bounded):
    """Two points, or tags that stand for the sum of theirs."""

    first: Name
    second: Name
    def _sides(self, machine: Machine, factor: float = 1.0) -> list[tuple[float, str]]:
        return [(1.0, point) for point in machine.points((self.first,))] + [
            (-factor, point) for point in machine.points((self.second,))]  # fmt: skip


class Compare(_Pair):
    """Bounds on first minus second."""

    kind: Literal["compare"]
    of: Literal["dose", "air", "turns"]
    def rows(self, machine: Machine) -> Iterator[Row]:
        terms = [(factor, (self.of, point)) for factor, point in self._sides(machine)]
        yield Row(terms, self._bound("min", machine), self._bound("max", machine))

    def holds(self, machine: Machine, answer: Mapping[str, Chosen]) -> bool:
        parts = [factor * getattr(answer[point], self.of) for factor, point in self._sides(machine)]
        return within(parts, self._bound("min", machine), self._bound("max", machine))


class Ratio(_Pair):
    """First between min and max times second."""

    kind: Literal["ratio"]
    of: Literal["dose", "air"]

    def _unit(self) -> None:
        return None

    def rows(self, machine: Machine) -> Iterator[Row]:
        for key, bounds in (("min", (0.0, None)), ("max", (None, 0.0))):
            factor = self._bound(key, machine)
            if factor is not None:
                yield Row([(c, (self.of, point)) for c, point in self._sides(machine, factor)], *bounds)

    def holds(self, machine: Machine, answer: Mapping[str, Chosen]) -> bool:
        for key, bounds in (("min", (0.0, None)), ("max", (None, 0.0))):
            factor = self._bound(key, machine)
            if factor is not None and not within(
                    [c * getattr(answer[p], self.of) for c, p in self._sides(machine, factor)], *bounds):  # fmt: skip
                return False
        return True


def _all_labels(machine: Machine, points: Iterable[str], of: str) -> list[Label]:
    lists = {id(labels): labels for point in points for labels in (machine.labels[point][of],)}  # many share one
    return sorted({label for labels in lists.values() for label in labels})


def _unknown_labels(machine: Machine, rule: Any, labels: Iterable[Label], key: str) -> Iterator[Fault3]:
    known = machine.choices(rule.over, rule.of)
    for label in labels:
        if known and label not in known:
            yield key, repr(label)[:60], f"{rule.of} of its points: {', '.join(map(str, [*known][:9]))}"


BUILT_IN: dict[str, type[Constraint]] = {
    "total": Total, "same": Same, "fix": Fix, "forbid": Forbid, "distinct": Distinct, "compare": Compare,
    "ratio": Ratio,
}  # fmt: skip


@functools.cache
def installed() -> dict[str, type[Constraint]]:
    """The kinds that other packages bring. Raises StackoptError where one cannot be used."""
    from importlib.metadata import entry_points  # slow to load, and few files need it

    found: dict[str, type[Constraint]] = {}
    for entry in entry_points(group=GROUP):
        try:
            kind = entry.load()
        except (Exception, SystemExit) as error:
            raise StackoptError(f"the constraint kind {entry.name!r} cannot be loaded: {error}") from error
        if entry.name in {*BUILT_IN, *found} or not (isinstance(kind, type) and issubclass(kind, Constraint)):
            raise StackoptError(f"the constraint kind {entry.name!r} of {entry.value} is no new kind of Constraint")
        if entry.name not in get_args(kind.model_fields["kind"].annotation):
            raise StackoptError(f"the constraint kind {entry.name!r} of {entry.value} has another name in its class")
        found[entry.name] = kind
    return found


def rows_of(rule: Constraint, machine: Machine) -> list[Row]:
    """The rows of a rule. Raises StackoptError where a kind of another package fails or writes what is no row."""
    if type(rule) in BUILT_IN.values():
        return list(rule.rows(machine))
    try:
        rows = [Row(*row) for row in rule.rows(machine)]
        for row in rows:
            for factor, term in row.terms:
                float(factor)
                _check(term, machine)
        return rows
    except Exception as error:
        raise _failed(rule, error) from error


def holds(rule: Constraint, machine: Machine, answer: Mapping[str, Chosen]) -> bool:
    """Whether a finished answer keeps a rule. Raises StackoptError where a kind of another package fails."""
    if type(rule) in BUILT_IN.values():
        return rule.holds(machine, answer)
    try:
        return bool(rule.holds(machine, answer))
    except Exception as error:
        raise _failed(rule, error) from error


def _check(term: Term, machine: Machine) -> None:
    kind, *rest = term
    sizes = {"dose": 1, "air": 1, "turns": 1, "rate": 1, "is": 3, "any": 1}
    if sizes.get(kind) != len(rest) or (kind != "any" and rest[0] not in machine.labels) or (
            kind == "is" and rest[1] not in ("mark", "turns", "pump")):  # fmt: skip
        raise ValueError(f"{term!r} is no term of a row")


def _failed(rule: Constraint, error: Exception) -> StackoptError:
    return StackoptError(f"the constraint kind {rule.kind!r} failed: {type(error).__name__}: {error}")


def kind_named(name: Any) -> type[Constraint] | None:
    """The class of a kind, or None. Other packages are asked only for what is not built in.

    >>> kind_named("total").__name__, kind_named("sum")
    ('Total', None)
    """
    return (BUILT_IN.get(name) or installed().get(name)) if isinstance(name, str) else None


def kinds() -> dict[str, type[Constraint]]:
    """All kinds by name."""
    return BUILT_IN | installed()


def read_constraint(value: Any) -> Constraint:
    """A constraint from its table; ValueError where the kind is unknown."""
    if isinstance(value, Constraint):
        return value
    kind = kind_named(value.get("kind")) if isinstance(value, dict) else None
    if kind is None:
        raise ValueError(f"a table with a kind: {', '.join(kinds())}")
    return kind.model_validate(value)
