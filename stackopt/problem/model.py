"""The problem as the user states it: frozen models with the file's own keys.

Quantities stay as written (`units.Quantity`); `stack.Stack` turns them into arrays. A problem is read in two
passes: pydantic's own, and, only where that finds something wrong, a slow one that tries every key alone so
that all faults are listed at once.
"""

import unicodedata
from typing import Annotated, Any, ClassVar, Literal

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainSerializer,
    PlainValidator,
    PrivateAttr,
    ValidationError,
    WithJsonSchema,
    model_validator,
)
from pydantic_core import PydanticCustomError

from stackopt import units
from stackopt.errors import ProblemError

LATER = "not supported yet"


def _ours(reader):
    """Turn a reader's ValueError into the one kind of error whose text is ours."""

    def read(value):
        try:
            return reader(value)
        except ValueError as fault:
            raise PydanticCustomError("ours", "{expected}", {"expected": str(fault)}) from None

    return read


def _quantity(kind: str, zero: bool = False):
    """The annotated type of a quantity of `kind`: above zero, or (zero) not below it."""

    def reader(value):
        quantity = units.read(value.text if isinstance(value, units.Quantity) else value, kind)
        if quantity.number < 0 or (quantity.number == 0 and not zero):
            least = "at least 0" if zero else "above 0"
            raise ValueError(f"{least}, as in '{units.KINDS[kind].example}'")
        return quantity

    schema = {"type": "string", "examples": [units.KINDS[kind].example], "description": f"{kind}, with its unit"}
    return Annotated[
        units.Quantity, PlainValidator(_ours(reader)), PlainSerializer(str), WithJsonSchema(schema)
    ]


def _share_reader(value):
    share = units.read_share(value)
    if share < 0:
        raise ValueError("a share of at least 0, as in '10 %' or 0.1")
    return share


def _mark_reader(value):
    share = _share_reader(value)
    if not units.possible(share):
        raise ValueError("a share that a knob can have, as in '10 %' or 0.1")
    return share


def _deviation_reader(value):
    """One side of a tolerance: a share, or an amount of the dose."""
    if isinstance(value, units.Quantity):
        return value
    if isinstance(value, str) and not value.strip().endswith("%"):
        quantity = units.read(value, "dose")
        if quantity.number < 0:
            raise ValueError("an amount of at least 0, as in '1.2 mL/h'")
        return quantity
    return _share_reader(value)


def _only(default):
    """A key of which only the default can be computed so far."""

    def reader(value):
        if type(value) is bool or type(default) is bool or isinstance(default, str):
            same = type(value) is type(default) and value == default
        else:
            same = isinstance(value, int | float) and value == default
        if not same:
            shown = str(default).lower() if type(default) is bool else repr(default)
            raise ValueError(f"{shown}: other values are {LATER}")
        return default

    return Annotated[type(default), PlainValidator(_ours(reader)), WithJsonSchema({"const": default})]


def _name_reader(value):
    if not isinstance(value, str) or not value.strip() or len(value) > 1000:
        raise ValueError("a name of 1 to 1000 characters")
    if any(unicodedata.category(c) in ("Cc", "Cs") for c in value):
        raise ValueError("a name without control characters")
    return value


def _listed(value):
    if isinstance(value, str):
        return (value,)
    if not isinstance(value, list | tuple):
        raise ValueError("a name or a list of names")
    return tuple(value)


SIDE_SCHEMA = {
    "anyOf": [{"type": "number", "minimum": 0}, {"type": "string"}],
    "examples": ["10 %", 0.1, "1.2 mL/h"],
    "description": "a share, or an amount of the dose",
}
_NAME_SCHEMA = {"type": "string", "minLength": 1, "maxLength": 1000}
Name = Annotated[str, PlainValidator(_ours(_name_reader)), WithJsonSchema(_NAME_SCHEMA)]
Deviation = Annotated[
    float | units.Quantity,
    PlainValidator(_ours(_deviation_reader)),
    PlainSerializer(lambda v: v if isinstance(v, float) else str(v)),
    WithJsonSchema(SIDE_SCHEMA),
]
Share = Annotated[float, Field(gt=0, le=1), BeforeValidator(_ours(_mark_reader)), WithJsonSchema(
    {"anyOf": [{"type": "number", "exclusiveMinimum": 0, "maximum": 1}, {"type": "string"}]})]  # fmt: skip
Dose = _quantity("dose")
Volume = _quantity("volume")
Rate = _quantity("rate")
AirVolume = _quantity("air volume", zero=True)
AirFlow = _quantity("air flow")
AirFlowOrNone = _quantity("air flow", zero=True)
AirPerDose = _quantity("air per dose")
Time = _quantity("time")
Names = Annotated[tuple[Name, ...], BeforeValidator(_ours(_listed)), WithJsonSchema(
    {"anyOf": [_NAME_SCHEMA, {"type": "array", "items": _NAME_SCHEMA, "minItems": 1}]})]  # fmt: skip


class Part(BaseModel):
    """A table of the problem file. `later` names the keys that are known but not computed yet."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)
    later: ClassVar[tuple[str, ...]] = ()


class Fluid(Part):
    """What is metered."""

    later = ("viscosity", "viscosity_at", "surface_tension", "tip", "flash_point", "lower_flammable_limit",
             "molar_mass")  # fmt: skip
    kind: Literal["neat oil", "water mix", "vanishing"]
    name: Name | None = None
    density: _quantity("density") | None = None
    drop: _quantity("drop volume") | None = None


class Dial(Part):
    """The rates that the generator can be set to; without a step the dial is free."""

    min: Rate
    max: Rate
    step: Rate | None = None


class Generator(Part):
    """The pulse generator that all pumps share."""

    later = ("drift", "now")
    rate: Dial
    stroke_air: AirVolume = units.Quantity("0 L", 0.0)
    count: _only(1) = 1


class Pump(Part):
    """A kind of pump: its displacement and what its stroke knob does."""

    later = ("spread", "min_pressure", "fluids", "price")
    stroke_volume: Volume
    marks: dict[Name, Share]
    stroke_air: AirVolume | None = None
    max_rate: Rate | None = None


class Nozzle(Part):
    """Air screw, line and nozzle as one branch: the screw settings that may be used, and their air."""

    later = ("conductance", "critical_ratio", "interpolate")
    turns: Annotated[tuple[Annotated[float, Field(ge=0, le=1e12)], ...], Field(strict=False)]
    flow: Annotated[tuple[AirFlowOrNone, ...], Field(strict=False)]


class Air(Part):
    """The supply."""

    later = ("line",)
    pressure: _quantity("pressure")
    capacity: AirFlow


class DoseWindow(Part):
    """Air per oil: below `min` the spray sputters, above `max` it fogs."""

    min: AirPerDose | None = None
    max: AirPerDose | None = None


class FlowWindow(Part):
    """The same on the flow itself."""

    min: AirFlow | None = None
    max: AirFlow | None = None


class Tolerance(Part):
    """How far the dose may fall short or exceed."""

    below: Deviation
    above: Deviation


def _tolerance_reader(value):
    return value if isinstance(value, dict | Tolerance) else {"below": value, "above": value}


class Cut(Part):
    """At least this many strokes in the shortest cut."""

    time: Time
    strokes: Annotated[float, Field(gt=0, le=1e12)]


class Point(Part):
    """A place that must be oiled: one nozzle and the pumps that feed it."""

    later = ("now",)
    name: Name
    dose: Dose
    tolerance: Annotated[Tolerance, BeforeValidator(_tolerance_reader)]
    pump: Names
    nozzle: Name
    count: Annotated[int, Field(ge=1, le=1000)] = 1
    air_per_dose: DoseWindow | None = None
    air_flow: FlowWindow | None = None
    weight: Annotated[float, Field(ge=0.001, le=1000)] = 1.0
    cut: Cut | None = None
    tags: Annotated[tuple[Name, ...], Field(strict=False)] = ()


class Cycle(Part):
    """One part: how long it takes, and how long of that it sprays."""

    time: Time
    spray: Time | None = None


class Solve(Part):
    """What counts besides the doses, and how long to look."""

    air_weight: Annotated[float, Field(ge=0, le=1000)] = 0.1
    price_weight: _only(0.0) = 0.0
    objective: _only("mean") = "mean"
    robust: _only(False) = False
    time_limit: Time = units.Quantity("60 s", 1.0)


class Problem(Part):
    """A machine and what is asked of it. Raises `ProblemError` with every fault at once.

    >>> try:
    ...     Problem(fluid={"kind": "oil"}, generator={"rate": {"min": "4", "max": "90/min"}})
    ... except ProblemError as error:
    ...     print(error.faults[0])
    fluid.kind: found 'oil'; expected 'neat oil', 'water mix' or 'vanishing'
    """

    later = ("constraint", "oil_line", "reservoir", "room", "energy")
    title: Annotated[str, Field(max_length=1000)] = ""
    fluid: Fluid
    generator: Generator
    pumps: Annotated[dict[Name, Pump], Field(min_length=1)]
    nozzles: Annotated[dict[Name, Nozzle], Field(min_length=1)]
    air: Air
    point: Annotated[tuple[Point, ...], Field(min_length=1, max_length=100_000, strict=False)]
    cycle: Cycle | None = None
    solve: Solve = Solve()
    _file: str | None = PrivateAttr(default=None)

    @model_validator(mode="wrap")
    @classmethod
    def _every_fault(cls, data: Any, handler):
        from stackopt.problem import rules  # imports these models

        try:
            problem = handler(data)
        except ValidationError as error:
            faults = rules.every_fault(data) or rules.raw_faults(error)
        else:
            faults = rules.broken(problem)
        if faults:
            raise ProblemError(tuple(faults))
        return problem

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Problem) and self.__dict__ == other.__dict__  # wherever they were read from

    @property
    def file(self) -> str | None:
        """The file that the problem was read from, as it was named."""
        return self._file

    @property
    def sizes(self) -> dict[str, float]:
        """What a gram and a drop are in mL and a part in minutes of spraying, as far as the file says."""
        sizes = {}
        if self.fluid.density is not None:
            sizes["g"] = 1 / self.fluid.density.number
        if self.fluid.drop is not None and (not self.fluid.drop.counts or "g" in sizes):
            sizes["drop"] = self.fluid.drop.at(sizes)
        spray = self.cycle and (self.cycle.spray or self.cycle.time)
        if spray is not None:
            sizes["part"] = spray.number
        return sizes

    def to_dict(self) -> dict[str, Any]:
        """The problem in the file's own keys; `Problem(**problem.to_dict())` is equal to it."""
        return self.model_dump(mode="json", exclude_unset=True)
