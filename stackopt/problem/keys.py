"""What the models of a problem are made of: quantities, shares and names as users write them."""

import re
import unicodedata
from collections.abc import Callable
from typing import Annotated, Any

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    FailFast,
    Field,
    PlainSerializer,
    PlainValidator,
    WithJsonSchema,
)
from pydantic_core import PydanticCustomError

from stackopt import units
from stackopt.errors import HIDDEN

_COLDEST = -273.15  # degC
NEEDS = {"g": "a density under [fluid], to know what a gram is in mL",
         "drop": "a drop volume under [fluid], as in drop = '0.021 mL' (or surface_tension, tip and density): it is "
                 "never assumed",
         "part": "a [cycle], to know how long a part is sprayed",
         "ppm": "a molar_mass under [fluid], to know what a ppm is in mg/m^3"}  # fmt: skip


def ours(reader: Callable[[Any], Any]) -> Callable[[Any], Any]:
    """Turn a reader's ValueError into the one kind of error whose text is ours."""

    def read(value: Any) -> Any:
        try:
            return reader(value)
        except ValueError as fault:
            raise PydanticCustomError("ours", "{expected}", {"expected": fault}) from None

    return read


def _quantity_reader(kind: str, zero: bool) -> Callable[[Any], units.Quantity]:
    def reader(value: Any) -> units.Quantity:
        quantity = units.read(value.text if isinstance(value, units.Quantity) else value, kind)
        if kind == "temperature":
            if quantity.number <= _COLDEST:
                raise ValueError(f"a temperature above absolute zero, as in '{units.KINDS[kind].example}'")
        elif quantity.number < 0 or (quantity.number == 0 and not zero):
            least = "at least 0" if zero else "above 0"
            raise ValueError(f"{least}, as in '{units.KINDS[kind].example}'")
        return quantity

    return reader


def _quantity_schema(kind: str) -> dict[str, Any]:
    return {"type": "string", "examples": [units.KINDS[kind].example], "description": f"{kind}, with its unit"}


def quantity_of(kind: str, zero: bool = False) -> tuple[PlainValidator, PlainSerializer, WithJsonSchema]:
    """How a quantity of `kind` is read: above zero, or (zero) not below it; a temperature may be negative."""
    return PlainValidator(ours(_quantity_reader(kind, zero))), PlainSerializer(str), WithJsonSchema(
        _quantity_schema(kind))  # fmt: skip


def quantities_of(kind: str, most: int) -> tuple[PlainValidator, PlainSerializer, WithJsonSchema]:
    """How one quantity of `kind`, or a list of up to `most`, is read."""
    one = _quantity_reader(kind, False)

    def reader(value: Any) -> tuple[units.Quantity, ...]:
        values = value if isinstance(value, list | tuple) else [value]
        if not 1 <= len(values) <= most:
            raise ValueError(f"1 to {most} quantities, as in '{units.KINDS[kind].example}'")
        return tuple(one(part) for part in values)

    def written(values: tuple[units.Quantity, ...]) -> list[str] | str:
        return [str(part) for part in values] if len(values) > 1 else str(values[0])

    schema = _quantity_schema(kind)
    return PlainValidator(ours(reader)), PlainSerializer(written), WithJsonSchema(
        {"anyOf": [schema, {"type": "array", "items": schema, "minItems": 1, "maxItems": most}]})  # fmt: skip


def share_reader(value: Any) -> float:
    """A share of at least 0; ValueError says what is expected."""
    share = units.read_share(value)
    if share < 0:
        raise ValueError("a share of at least 0, as in '10 %' or 0.1")
    return share


def _mark_reader(value: Any) -> float:
    share = share_reader(value)
    if not units.possible(share):
        raise ValueError("a share that a knob can have, as in '10 %' or 0.1")
    return share


def _limit_reader(value: Any) -> float:
    share = share_reader(value)
    if share >= 1:
        raise ValueError("a share under 100 %, as in '3 %' or 0.03")
    return share


def _deviation_reader(value: Any) -> float | units.Quantity:
    """One side of a tolerance: a share, or an amount of the dose."""
    if isinstance(value, units.Quantity):
        return value
    if isinstance(value, str) and not value.strip().endswith("%"):
        quantity = units.read(value, "dose")
        if quantity.number < 0:
            raise ValueError("an amount of at least 0, as in '1.2 mL/h'")
        return quantity
    return share_reader(value)


def _name_reader(value: Any) -> str:
    if not isinstance(value, str) or not value.strip() or len(value) > 1000:
        raise ValueError("a name of 1 to 1000 characters")
    if HIDDEN.search(value):
        raise ValueError("a name without control characters")
    if not alike(value):
        raise ValueError("a name that can be seen")
    return value


def _title_reader(value: Any) -> Any:
    if isinstance(value, str) and HIDDEN.search(value.translate(_BREAKS)):
        raise ValueError("text without control characters")
    return value


def alike(name: str) -> str:
    """What is the same for names that look the same, whatever their accents, blanks and unseen letters.

    >>> alike("Du\u0308se  1") == alike("D\u00fcse\u00a01 "), alike("a") == alike("A"), alike("\u200b")
    (True, False, '')
    """
    if name.isascii() and "  " not in name:
        return name.strip()
    return " ".join(_UNSEEN.sub("", unicodedata.normalize("NFC", name)).replace("\u2800", " ").split())


def _listed(value: Any) -> tuple[Any, ...]:
    if isinstance(value, str):
        return (value,)
    if not isinstance(value, list | tuple):
        raise ValueError("a name or a list of names")
    return tuple(value)


class AtFirst(FailFast):
    """A list is given up at its first fault; pydantic's own cannot stand in an optional key."""

    __hash__ = object.__hash__


# Letters without a sign of their own. Source: Unicode, DerivedCoreProperties, Default_Ignorable_Code_Point, by memory.
_UNSEEN = re.compile(
    "[\xad\u034f\u061c\u115f\u1160\u17b4\u17b5\u180b-\u180f\u200b-\u200f\u202a-\u202e\u2060-\u206f\u3164"
    "\ufe00-\ufe0f\ufeff\uffa0\ufff0-\ufff8\U0001bca0-\U0001bca3\U0001d173-\U0001d17a\U000e0000-\U000e0fff]")
_BREAKS = str.maketrans("", "", "\n\r\t")  # which a title of several lines may have
SIDE_SCHEMA = {
    "anyOf": [{"type": "number", "minimum": 0}, {"type": "string"}],
    "examples": ["10 %", 0.1, "1.2 mL/h"],
    "description": "a share, or an amount of the dose",
}
NAME_SCHEMA = {"type": "string", "minLength": 1, "maxLength": 1000}
Title = Annotated[str, Field(max_length=1000), AfterValidator(ours(_title_reader))]
Name = Annotated[str, PlainValidator(ours(_name_reader)), WithJsonSchema(NAME_SCHEMA)]
Deviation = Annotated[
    float | units.Quantity,
    PlainValidator(ours(_deviation_reader)),
    PlainSerializer(lambda v: v if isinstance(v, float) else str(v)),
    WithJsonSchema(SIDE_SCHEMA),
]
Share = Annotated[float, Field(gt=0, le=1), BeforeValidator(ours(_mark_reader)), WithJsonSchema(
    {"anyOf": [{"type": "number", "exclusiveMinimum": 0, "maximum": 1}, {"type": "string"}]})]  # fmt: skip

LIMIT_SCHEMA = {"anyOf": [{"type": "number", "minimum": 0, "exclusiveMaximum": 1}, {"type": "string"}]}
Limit = Annotated[float, PlainValidator(ours(_limit_reader)), WithJsonSchema(LIMIT_SCHEMA)]
Dose = Annotated[units.Quantity, *quantity_of("dose")]
Volume = Annotated[units.Quantity, *quantity_of("volume")]
Rate = Annotated[units.Quantity, *quantity_of("rate")]
AirVolume = Annotated[units.Quantity, *quantity_of("air volume", zero=True)]
AirFlow = Annotated[units.Quantity, *quantity_of("air flow")]
AirFlowOrNone = Annotated[units.Quantity, *quantity_of("air flow", zero=True)]
AirPerDose = Annotated[units.Quantity, *quantity_of("air per dose")]
Time = Annotated[units.Quantity, *quantity_of("time")]
Pressure = Annotated[units.Quantity, *quantity_of("pressure")]
Temperature = Annotated[units.Quantity, *quantity_of("temperature")]
Length = Annotated[units.Quantity, *quantity_of("length")]
Conductance = Annotated[units.Quantity, *quantity_of("conductance")]
ConductanceOrNone = Annotated[units.Quantity, *quantity_of("conductance", zero=True)]
Bore = Annotated[units.Quantity, *quantity_of("bore")]
Names = Annotated[tuple[Name, ...], AtFirst(), BeforeValidator(ours(_listed)), WithJsonSchema(
    {"anyOf": [NAME_SCHEMA, {"type": "array", "items": NAME_SCHEMA, "minItems": 1}]})]  # fmt: skip


class Part(BaseModel):
    """A table of the problem file."""

    # Built when first used, and then once as part of the whole problem: that halves the time to load.
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False, defer_build=True)


PARTLY = "?"  # among the keys of a table that was read key by key, since some of it could not be read


def given_in(part: Part) -> set[str]:
    """The keys of a table that are written and not null; None among their values is what could not be read."""
    written = part.model_fields_set
    return written - {PARTLY} if PARTLY in written else {key for key in written if getattr(part, key) is not None}
