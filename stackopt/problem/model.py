"""The problem as the user states it: frozen models with the file's own keys.

Quantities stay as written (`units.Quantity`); `stack.Stack` turns them into arrays. A problem is read in two
passes: pydantic's own, and, only where that finds something wrong, a slow one that tries every key alone so
that all faults are listed at once.
"""

import functools
import warnings
from typing import Annotated, Any, Literal, get_args

from pydantic import (
    BeforeValidator,
    Field,
    ModelWrapValidatorHandler,
    PlainValidator,
    PrivateAttr,
    SerializeAsAny,
    ValidationError,
    WithJsonSchema,
    model_validator,
)

from stackopt import units
from stackopt.errors import LIMITS, OutOfRange, ProblemError, library
from stackopt.physics import drops, exposure
from stackopt.problem.constraints import Constraint, read_constraint
from stackopt.problem.keys import (
    LIMIT_SCHEMA,
    AirFlow,
    AirFlowOrNone,
    AirPerDose,
    AirVolume,
    AtFirst,
    Bore,
    Conductance,
    ConductanceOrNone,
    Deviation,
    Dose,
    Length,
    Limit,
    Name,
    Names,
    Part,
    Pressure,
    Rate,
    Share,
    Temperature,
    Time,
    Title,
    Volume,
    ours,
    quantities_of,
    quantity_of,
)

Kind = Literal["neat oil", "water mix", "vanishing"]


class Fluid(Part):
    """What is metered."""

    kind: Kind
    name: Name | None = None
    density: Annotated[units.Quantity, *quantity_of("density")] | None = None
    drop: Annotated[units.Quantity, *quantity_of("drop volume")] | None = None
    viscosity: Annotated[tuple[units.Quantity, ...], *quantities_of("viscosity", 2)] | None = None
    viscosity_at: Annotated[tuple[units.Quantity, ...], *quantities_of("temperature", 2)] | None = None
    surface_tension: Annotated[units.Quantity, *quantity_of("surface tension")] | None = None
    tip: Bore | None = None
    flash_point: Temperature | None = None
    lower_flammable_limit: Annotated[Share, Field(lt=1)] | None = None
    molar_mass: Annotated[units.Quantity, *quantity_of("molar mass")] | None = None


class Dial(Part):
    """The rates that the generator can be set to; without a step the dial is free."""

    min: Rate
    max: Rate
    step: Rate | None = None


class Generator(Part):
    """The pulse generator that all pumps share."""

    rate: Dial
    drift: Limit = 0.0
    stroke_air: AirVolume = units.Quantity("0 L", 0.0)
    count: Annotated[int, Field(ge=1, le=1000)] = 1
    now: Rate | None = None


def _spread_reader(value: Any) -> Any:
    """One limit for all marks is that of the mark "*", which no knob has."""
    return value if isinstance(value, dict) else {"*": value}


_SPREAD_SCHEMA = {"anyOf": [LIMIT_SCHEMA, {"type": "object", "additionalProperties": LIMIT_SCHEMA}],
                  "description": "limit of repeatability, for each mark or one for all"}  # fmt: skip


def _fluids_reader(value: Any) -> tuple[Any, ...]:
    if not isinstance(value, list | tuple):
        raise ValueError("a list of kinds of fluid")
    if not value:
        raise ValueError("at least one kind of fluid")
    return tuple(value)


_Fluids = Annotated[
    tuple[Kind, ...], AtFirst(), Field(strict=False), BeforeValidator(ours(_fluids_reader)),
    WithJsonSchema({"type": "array", "items": {"enum": list(get_args(Kind))}, "minItems": 1})]  # fmt: skip


class Pump(Part):
    """A kind of pump: its displacement and what its stroke knob does."""

    stroke_volume: Volume
    marks: dict[Name, Share]
    spread: Annotated[dict[Name, Limit], BeforeValidator(_spread_reader), WithJsonSchema(_SPREAD_SCHEMA)] | None = None
    stroke_air: AirVolume | None = None
    max_rate: Rate | None = None
    min_pressure: Pressure | None = None
    fluids: _Fluids | None = None
    price: Annotated[float, Field(ge=0, le=1e6)] = 1.0


_Ratio = Annotated[float, Field(ge=0, lt=1)]  # critical pressure ratio b


class Tube(Part):
    """A round tube."""

    length: Length
    bore: Bore


class Screw(Part):
    """An air screw by its geometry: its hole, and which share of it is open at each of the nozzle's turns."""

    bore: Bore
    open: Annotated[tuple[Annotated[float, Field(ge=0, le=1)], ...], AtFirst(), Field(strict=False)]


class Nozzle(Part):
    """Air screw, line and nozzle as one branch: the screw settings that may be used, and their air.

    The air is given as flow, as conductance with its critical ratio (ISO 6358), or by geometry alone.
    """

    turns: Annotated[tuple[Annotated[float, Field(ge=0, le=1e12)], ...], AtFirst(), Field(strict=False)]
    flow: Annotated[tuple[AirFlowOrNone, ...], AtFirst(), Field(strict=False)] | None = None
    measured_at: Pressure | None = None
    conductance: Annotated[tuple[ConductanceOrNone, ...], AtFirst(), Field(strict=False)] | None = None
    critical_ratio: _Ratio | None = None
    bore: Bore | None = None
    discharge: Annotated[float, Field(gt=0, le=1)] | None = None
    tube: Tube | None = None
    screw: Screw | None = None
    interpolate: bool = False


class AirLine(Part):
    """What lies between supply and stack: by conductance and critical ratio, or a tube."""

    conductance: Conductance | None = None
    critical_ratio: _Ratio | None = None
    length: Length | None = None
    bore: Bore | None = None


class Air(Part):
    """The supply; with a line, its pressure is that before the line."""

    pressure: Pressure
    capacity: AirFlow
    line: AirLine | None = None


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


def _tolerance_reader(value: Any) -> Any:
    return value if isinstance(value, dict | Tolerance) else {"below": value, "above": value}


class Cut(Part):
    """At least this many strokes in the shortest cut."""

    time: Time
    strokes: Annotated[float, Field(gt=0, le=1e12)]


class Now(Part):
    """What a point is set to today; `pump` where several are offered."""

    mark: Name
    turns: Annotated[float, Field(ge=0, le=1e12)]
    pump: Name | None = None


class Point(Part):
    """A place that must be oiled: one nozzle and the pumps that feed it."""

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
    tags: Annotated[tuple[Name, ...], AtFirst(), Field(strict=False)] = ()
    now: Now | None = None


class Cycle(Part):
    """One part: how long it takes, and how long of that it sprays."""

    time: Time
    spray: Time | None = None


class OilLine(Part):
    """The inner tube that brings the oil of one pump to its nozzle."""

    kind: Literal["coaxial", "single"]
    length: Length
    bore: Bore
    stroke_time: Time | None = None
    temperature: Temperature | None = None
    cold: Temperature | None = None


class Reservoir(Part):
    """The sizes that it may have, how often someone will fill it, and how long before empty it should warn."""

    sizes: Annotated[tuple[Volume, ...], AtFirst(), Field(min_length=1, max_length=100, strict=False)]
    refill_every: Time | None = None
    notice: Time | None = None


class Room(Part):
    """The air of the room around the machine; `airborne` is the share of the oil that stays in it."""

    airflow: Annotated[units.Quantity, *quantity_of("ventilation")]
    airborne: Share
    limit: Annotated[units.Quantity, *quantity_of("concentration")] | None = None
    mixing: Annotated[float, Field(ge=1, le=100)] = 1.0


class Energy(Part):
    """What compressed air costs."""

    specific_power: Annotated[units.Quantity, *quantity_of("specific power")]
    price_per_kwh: Annotated[float, Field(ge=0, le=1e6)] | None = None
    hours: Time | None = None


class Weighing(Part):
    """How doses are checked: the limit of error of the balance, and the uncertainty that is asked for."""

    balance: Annotated[units.Quantity, *quantity_of("mass")]
    uncertainty: Annotated[Share, Field(lt=1)] = 0.02


class Solve(Part):
    """What counts besides the doses, and how long to look."""

    air_weight: Annotated[float, Field(ge=0, le=1000)] = 0.1
    price_weight: Annotated[float, Field(ge=0, le=1000)] = 0.0
    objective: Literal["mean", "worst"] = "mean"
    robust: bool = False
    time_limit: Time = units.Quantity("60 s", 1.0)


_Constraint = SerializeAsAny[Annotated[Constraint, PlainValidator(ours(read_constraint))]]


@functools.lru_cache(maxsize=256)
def _drop(surface_tension: float, density: float, tip: float) -> float:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", OutOfRange)  # the answer tells it, once
        return float(drops.drop_volume(surface_tension, density, tip))


class Problem(Part):
    """A machine and what is asked of it. Raises `ProblemError` with every fault at once.

    >>> try:
    ...     Problem(fluid={"kind": "oil"}, generator={"rate": {"min": "4", "max": "90/min"}})
    ... except ProblemError as error:
    ...     print(error.faults[0])
    fluid.kind: found 'oil'; expected 'neat oil', 'water mix' or 'vanishing'
    """

    title: Title = ""
    fluid: Fluid
    generator: Generator
    pumps: Annotated[dict[Name, Pump], Field(min_length=1)]
    nozzles: Annotated[dict[Name, Nozzle], Field(min_length=1)]
    air: Air
    point: Annotated[tuple[Point, ...], AtFirst(), Field(min_length=1, max_length=100_000, strict=False)]
    constraint: Annotated[tuple[_Constraint, ...], AtFirst(), Field(max_length=10_000, strict=False)] = ()
    cycle: Cycle | None = None
    oil_line: OilLine | None = None
    reservoir: Reservoir | None = None
    room: Room | None = None
    energy: Energy | None = None
    weighing: Weighing | None = None
    solve: Solve = Solve()
    _file: str | None = PrivateAttr(default=None)
    _checksums: tuple[tuple[str, str], ...] = PrivateAttr(default=())

    @model_validator(mode="wrap")
    @classmethod
    def _every_fault(cls, data: Any, handler: ModelWrapValidatorHandler["Problem"]) -> "Problem":
        from stackopt.problem import rules  # imports these models

        with library("reading the problem", of=LIMITS):
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
    def checksums(self) -> tuple[tuple[str, str], ...]:
        """Name and SHA-256 of the file that was read, and of its file of points; () where it came from no file."""
        return self._checksums

    @property
    def sizes(self) -> dict[str, float]:
        """What a gram and a drop are in mL and a part in minutes of spraying, as far as the file says."""
        sizes: dict[str, float] = {}
        if self.fluid.density is not None:
            sizes["g"] = 1 / self.fluid.density.number
        if self.fluid.drop is not None and (not self.fluid.drop.counts or "g" in sizes):
            sizes["drop"] = self.fluid.drop.at(sizes)
        elif self.fluid.surface_tension and self.fluid.tip and self.fluid.density:
            sizes["drop"] = _drop(self.fluid.surface_tension.number, self.fluid.density.number, self.fluid.tip.number)
        if self.fluid.molar_mass is not None:
            sizes["ppm"] = float(exposure.ppm_to_mg_per_m3(1.0, self.fluid.molar_mass.number))
        spray = (self.cycle.spray or self.cycle.time) if self.cycle else None
        if spray is not None:
            sizes["part"] = spray.number
        return sizes

    def to_dict(self) -> dict[str, Any]:
        """The problem in the file's own keys; `Problem(**problem.to_dict())` is equal to it."""
        return self.model_dump(mode="json", exclude_unset=True)
