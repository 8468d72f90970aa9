"""Quantities as users write them, "<number> <unit>", and what they are in mL, min, g, L ANR and bar.

The number is read by a pattern of our own and the unit looked up in a short, case-sensitive list;
pint only ever sees the names below, in a registry without prefixes. (Given free text, pint evaluates it,
drops a typographic minus and reads "2,5 mL/h" as 25.)

Air in litres or cubic metres is at ANR (ISO 8778: 20 degC, 100 kPa); normal litres and cubic metres
(DIN 1343: 273.15 K, 101.325 kPa) and standard cubic feet (14.5 psi absolute, 68 F) are converted by
amount of gas, p V / T. Pressures are gauge against 101.325 kPa unless the unit says absolute.
"""

import functools
import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from stackopt.errors import library, nearest
from stackopt.physics.atmospheres import ATMOSPHERE

if TYPE_CHECKING:
    import pint

# One registry line a unit: pint's own syntax, each dimension with its base unit first.
_REGISTRY = f"""
mL = [oil]
uL = 0.001 mL
L = 1000 mL
m3 = 1e6 mL
in3 = 16.387064 mL
us_fl_oz = 29.5735295625 mL
drop = [drop]
g = [mass]
mg = 0.001 g
kg = 1000 g
min = [time]
s = min / 60
h = 60 min
day = 1440 min
part = [part]
stroke = [stroke]
air_L = [air]
air_m3 = 1000 air_L
normal_L = 101.325 / 273.15 * 293.15 / 100 * air_L
normal_m3 = 1000 normal_L
standard_ft3 = 28.316846592 * 14.5 * 6.894757293168361 / 100 * air_L
bar_absolute = [pressure]
kPa_absolute = 0.01 bar_absolute
MPa_absolute = 10 bar_absolute
psi_absolute = 0.06894757293168361 bar_absolute
bar_gauge = bar_absolute; offset: {ATMOSPHERE}
kPa_gauge = 0.01 bar_absolute; offset: {ATMOSPHERE}
MPa_gauge = 10 bar_absolute; offset: {ATMOSPHERE}
psi_gauge = 0.06894757293168361 bar_absolute; offset: {ATMOSPHERE}
celsius = [temperature]
fahrenheit = 5 / 9 * celsius; offset: -160 / 9
kelvin = celsius; offset: -273.15
metre = [length]
millimetre = [bore]
centistokes = [viscosity]
millinewton_per_metre = [tension]
L_per_s_bar = [conductance]
m3_per_h = [ventilation]
mg_per_m3 = [concentration]
ppm = [ratio]
g_per_mol = [molar_mass]
kW_per_m3_per_min = [specific_power]
"""

_DEFINITIONS = dict(line.split(" = ") for line in _REGISTRY.strip().splitlines())

# What a user may write, by group: spelling -> registry name. The first of a group is the inside unit.
_SPELLINGS: dict[str, dict[str, str]] = {
    "oil": {"mL": "mL", "ml": "mL", "uL": "uL", "L": "L", "l": "L", "mm^3": "uL", "mm3": "uL",
            "cm^3": "mL", "cm3": "mL", "in^3": "in3", "in3": "in3", "US fl oz": "us_fl_oz", "m^3": "m3",
            "m3": "m3"},
    "drop": {"drop": "drop", "drops": "drop"},
    "mass": {"g": "g", "mg": "mg", "kg": "kg"},
    "time": {"min": "min", "ms": "0.001 s", "s": "s", "h": "h", "day": "day", "d": "day"},
    "part": {"part": "part"},
    "stroke": {"": "stroke", "1": "stroke", "stroke": "stroke", "strokes": "stroke"},
    "air": {"L": "air_L", "l": "air_L", "m^3": "air_m3", "m3": "air_m3", "Nl": "normal_L",
            "NL": "normal_L", "Nm^3": "normal_m3", "Nm3": "normal_m3", "scf": "standard_ft3"},
    "pressure": {"bar": "bar_gauge", "barg": "bar_gauge", "bar_g": "bar_gauge", "kPa": "kPa_gauge",
                 "MPa": "MPa_gauge", "psi": "psi_gauge", "psig": "psi_gauge", "bar_a": "bar_absolute",
                 "bara": "bar_absolute", "kPa_a": "kPa_absolute", "MPa_a": "MPa_absolute",
                 "psia": "psi_absolute", "psi_a": "psi_absolute"},
    "temperature": {"degC": "celsius", "degF": "fahrenheit", "K": "kelvin"},
    "length": {"m": "metre", "mm": "0.001 metre", "cm": "0.01 metre", "in": "0.0254 metre", "ft": "0.3048 metre"},
    "bore": {"mm": "millimetre", "cm": "10 millimetre", "m": "1000 millimetre", "in": "25.4 millimetre"},
    "viscosity": {"mm^2/s": "centistokes", "mm2/s": "centistokes", "cSt": "centistokes",
                  "m^2/s": "1e6 centistokes", "m2/s": "1e6 centistokes"},
    "surface tension": {"mN/m": "millinewton_per_metre", "N/m": "1000 millinewton_per_metre",
                        "dyn/cm": "millinewton_per_metre"},
    "conductance": {"L/(s bar)": "L_per_s_bar", "l/(s bar)": "L_per_s_bar", "dm^3/(s bar)": "L_per_s_bar",
                    "dm3/(s bar)": "L_per_s_bar", "L/(min bar)": "1 / 60 L_per_s_bar",
                    "m^3/(s Pa)": "1e8 L_per_s_bar", "m3/(s Pa)": "1e8 L_per_s_bar"},
    "ventilation": {"m^3/h": "m3_per_h", "m3/h": "m3_per_h", "m^3/min": "60 m3_per_h", "m3/min": "60 m3_per_h",
                    "m^3/s": "3600 m3_per_h", "m3/s": "3600 m3_per_h", "L/s": "3.6 m3_per_h",
                    "ft^3/min": "1.69901079552 m3_per_h", "ft3/min": "1.69901079552 m3_per_h"},
    "concentration": {"mg/m^3": "mg_per_m3", "mg/m3": "mg_per_m3", "ug/m^3": "0.001 mg_per_m3",
                      "ug/m3": "0.001 mg_per_m3", "g/m^3": "1000 mg_per_m3", "g/m3": "1000 mg_per_m3"},
    "ppm": {"ppm": "ppm"},
    "molar mass": {"g/mol": "g_per_mol", "kg/kmol": "g_per_mol", "kg/mol": "1000 g_per_mol"},
    "specific power": {"kW/(m^3/min)": "kW_per_m3_per_min", "kW/(m3/min)": "kW_per_m3_per_min",
                       "W/(L/min)": "kW_per_m3_per_min"},
}  # fmt: skip
_BASE = {group: next(iter(names.values())) for group, names in _SPELLINGS.items()}
_WHOLE = {"scfm": "scf/min"}  # units in one word that stand for a quotient
# Groups whose size only the file knows, and the key that gives it.
_NEEDS = {"drop": "drop", "mass": "g", "part": "part", "ppm": "ppm"}


@dataclass(frozen=True)
class Kind:
    """A kind of quantity: a right example, and the groups its unit may be made of."""

    example: str
    over: tuple[str, ...]
    under: tuple[str, ...] = ()


KINDS: dict[str, Kind] = {
    "dose": Kind("12 mL/h", ("oil", "mass", "drop"), ("time", "part")),
    "volume": Kind("0.06 mL", ("oil", "mass", "drop")),
    "drop volume": Kind("0.021 mL", ("oil", "mass")),
    "rate": Kind("20/min", ("stroke",), ("time",)),
    "air volume": Kind("0.01 L", ("air",)),
    "air flow": Kind("300 L/min", ("air",), ("time",)),
    "air per dose": Kind("150 L/mL", ("air",), ("oil", "mass", "drop")),
    "time": Kind("8 s", ("time",)),
    "density": Kind("0.92 g/mL", ("mass",), ("oil",)),
    "pressure": Kind("6 bar", ("pressure",)),
    "mass": Kind("0.85 g", ("mass",)),
    "temperature": Kind("40 degC", ("temperature",)),
    "length": Kind("3 m", ("length",)),
    "bore": Kind("2 mm", ("bore",)),
    "viscosity": Kind("38 mm^2/s", ("viscosity",)),
    "surface tension": Kind("32 mN/m", ("surface tension",)),
    "conductance": Kind("2.5 L/(s bar)", ("conductance",)),
    "ventilation": Kind("2000 m^3/h", ("ventilation",)),
    "concentration": Kind("0.5 mg/m^3", ("concentration", "ppm")),
    "molar mass": Kind("60.1 g/mol", ("molar mass",)),
    "specific power": Kind("6.4 kW/(m^3/min)", ("specific power",)),
}

_TEXT_LIMIT = 60
_NUMBER = r"[+-]?(?:[0-9]{1,25}(?:\.[0-9]{0,25})?|\.[0-9]{1,25})(?:[eE][+-]?[0-9]{1,3})?(?![0-9.])"
LARGEST = 1e12  # inside units; nothing but 0 is nearer to 0 than its inverse
_QUANTITY = re.compile(rf"({_NUMBER})[ \t]*(.*)", re.ASCII)
_ADVICE = {
    "cfm": "scfm (14.5 psi absolute, 68 F), L/min (ANR) or Nm^3/h, as in '10 scfm': which reference is meant?",
    "fl oz": "US fl oz (other fluid ounces are not read), as in '0.4 US fl oz/h'",
    "gal": "mL, L, in^3 or US fl oz, as in '12 mL/h'",
    "rpm": "strokes per minute, as in '20/min'",
    "Hz": "strokes per second, as in '0.5/s'",
}


@dataclass(frozen=True)
class Quantity:
    """A number with its unit, read and checked.

    `text` is what was written. `number` is in mL, min, L ANR and bar (absolute), except that drops, grams
    and parts are still counted as such: `counts` says which, with their powers.

    >>> read("30 mL/h", "dose")
    Quantity(text='30 mL/h', number=0.5, counts=())
    >>> read("9.2 g/h", "dose").at({"g": 1 / 0.92})
    0.16666666666666666
    """

    text: str
    number: float
    counts: tuple[tuple[str, int], ...] = ()

    def at(self, sizes: Mapping[str, float]) -> float:
        """The number with drops, grams and parts resolved: `sizes` in mL, mL and min. KeyError if one lacks."""
        if not self.counts:
            return self.number
        return self.number * math.prod(sizes[name] ** power for name, power in self.counts)

    def __str__(self) -> str:
        return self.text


@functools.cache
def _registry() -> "pint.UnitRegistry[float]":
    import pint  # when the first unit is read, so that `import stackopt` stays light

    return pint.UnitRegistry(None, cache_folder=None)


@functools.cache
def _define(name: str) -> None:
    """Put a unit, and those it is made of, into the registry: a run needs few of them, and each costs a millisecond."""
    definition = _DEFINITIONS[name]
    for other in re.findall(r"[A-Za-z_]\w*", definition):
        if other in _DEFINITIONS and other != name:
            _define(other)
    _registry().define(f"{name} = {definition}")


@functools.cache
def _convert_one(name: str, base: str) -> tuple[float, float]:
    """Factor and offset from registry unit `name`, or a multiple of one as in "0.001 metre", to `base`."""
    factor, _, single = name.rpartition(" ")
    if factor:
        top, _, bottom = factor.partition(" / ")
        return float(top) / float(bottom or 1) * _convert_one(single, base)[0], 0.0
    with library("the conversion of units"):
        _define(name)
        _define(base)
        zero, one = (_registry().Quantity(x, name).to(base).magnitude for x in (0.0, 1.0))
    return one - zero, zero


def _half(text: str, groups: tuple[str, ...]) -> tuple[str, str] | None:
    """The group and registry name of one half of a unit."""
    for group in groups:
        if (name := _SPELLINGS[group].get(text)) is not None:
            return group, name
    return None


@functools.lru_cache(maxsize=1024)
def _unit(unit: str, kind: str) -> tuple[float, float, float, tuple[tuple[str, int], ...]] | None:
    """Factor, divisor, offset and counts of `unit`, or None where it is not a unit of that kind."""
    shape = KINDS[kind]
    unit = _WHOLE.get(unit, unit)
    top, slash, bottom = (unit, "", "") if not shape.under else unit.partition("/")
    if bool(slash) != bool(shape.under):
        return None
    over = _half(top.strip(" "), shape.over)
    under = _half(bottom.strip(" "), shape.under)
    if over is None or (slash and under is None):
        return None
    base = "bar_absolute" if kind == "pressure" else _BASE[over[0]]
    factor, offset = _convert_one(over[1], base)
    # A mass or density is one; oil in grams is counted until the density is known.
    counts = [(_NEEDS[over[0]], 1)] if over[0] in _NEEDS and shape.over != ("mass",) else []
    divisor = 1.0
    if under is not None:
        divisor = _convert_one(under[1], _BASE[under[0]])[0]
        if under[0] in _NEEDS:
            counts.append((_NEEDS[under[0]], -1))
    return factor, divisor, offset, tuple(counts)


def units_of(kind: str) -> Iterator[str]:
    """Every accepted spelling of a unit of that kind.

    >>> "mm^3/s" in set(units_of("dose")), "cfm" in set(units_of("air flow"))
    (True, False)
    """
    shape = KINDS[kind]
    for top in (t for group in shape.over for t in _SPELLINGS[group]):
        if not shape.under:
            yield top
        for bottom in (b for group in shape.under for b in _SPELLINGS[group]):
            yield f"{top}/{bottom}"
    if kind == "air flow":
        yield from _WHOLE


def read(text: object, kind: str) -> Quantity:
    """The quantity that `text` writes; ValueError says what is expected, with a right example.

    >>> read("1 scfm", "air flow").number
    28.309...
    >>> read("2,5 mL/h", "dose")
    Traceback (most recent call last):
    ValueError: a decimal point, not a comma, as in '12 mL/h'
    """
    if not isinstance(text, str):
        raise ValueError(f"text with a number and a unit of {kind}, as in '{KINDS[kind].example}'")
    return _read(text, kind)


@functools.lru_cache(maxsize=4096)  # the points of a machine, and the machines of a works, share most of their texts
def _read(text: str, kind: str) -> Quantity:
    example = f"as in '{KINDS[kind].example}'"
    body = text.strip(" \t")
    if len(body) > _TEXT_LIMIT:
        raise ValueError(f"at most {_TEXT_LIMIT} characters, {example}")
    match = _QUANTITY.fullmatch(body)
    if match is None:
        if re.match(r"[+-]?[0-9.]*,[0-9]", body):
            raise ValueError(f"a decimal point, not a comma, {example}")
        raise ValueError(f"a number in plain digits and a unit of {kind}, {example}")
    number, unit = float(match[1]), match[2]
    if unit.startswith(","):
        raise ValueError(f"a decimal point, not a comma, {example}")
    if not unit:
        raise ValueError(f"a unit of {kind}, {example}")
    known = _unit(unit, kind)
    if known is None:
        raise UnknownUnit(unit, kind, example)
    factor, divisor, offset, counts = known
    value = number * factor / divisor + offset
    if abs(value) < 1e-12 * abs(offset):  # as 32 degF
        value = 0.0
    if not possible(value) or (number == 0 and re.match("[^eE]*[1-9]", match[1])):  # too small for a float
        raise ValueError(f"a number that a machine can have, {example}")
    return Quantity(text, value, counts)


def to(number: float, unit: str, kind: str) -> float:
    """A number in inside units as one in `unit`, the inverse of `read`. KeyError where it is no unit of that kind.

    >>> round(to(7.01325, "psi", "pressure"), 2)
    87.02
    """
    known = _unit(unit, kind) if unit == unit.strip() else None
    if known is None:
        raise KeyError(unit)
    factor, divisor, offset, _ = known
    return (number - offset) * divisor / factor


def possible(value: float) -> bool:
    """Whether a number in inside units is one that a machine can have: 0, or 1e-12 to 1e12.

    >>> possible(0.0), possible(1e-300), possible(float("inf"))
    (True, False, False)
    """
    return value == 0 or 1 / LARGEST <= abs(value) <= LARGEST


class UnknownUnit(ValueError):
    """No unit of that kind; what was meant is looked for only when the words are asked for."""

    def __str__(self) -> str:
        return _what_instead(*self.args)


@functools.lru_cache(maxsize=64)  # each is asked for twice
def _what_instead(unit: str, kind: str, example: str) -> str:
    for word, advice in _ADVICE.items():
        if re.search(rf"(?<![A-Za-z]){word}(?![A-Za-z])", unit) and word not in _all_units(kind):
            return advice
    spellings = _all_units(kind)
    near = next((s for s in spellings if s.lower() == unit.lower()), None) or nearest(unit, spellings, 0.75)
    return f"a unit of {kind}, {example}" + (f"; did you mean '{near}'?" if near else "")


@functools.cache
def _all_units(kind: str) -> list[str]:
    return list(units_of(kind))


_SHARE = re.compile(rf"({_NUMBER})[ \t]*%", re.ASCII)


def read_share(value: object) -> float:
    """A share: a number, or text in percent.

    >>> read_share("12.5 %"), read_share(0.1)
    (0.125, 0.1)
    """
    if isinstance(value, str) and len(value) <= _TEXT_LIMIT and (match := _SHARE.fullmatch(value.strip(" \t"))):
        value = float(match[1]) / 100
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) <= LARGEST:
        comma = isinstance(value, str) and "," in value
        raise ValueError("a decimal point, not a comma, as in '10 %'" if comma else "a share, as in '10 %' or 0.1")
    return float(value)
