"""What must hold between the keys of a problem, and every fault of one that is wrong."""

import bisect
import functools
import math
from collections.abc import Iterable, Iterator
from itertools import islice, pairwise
from typing import Annotated, Any, get_args, get_origin

from pydantic import BeforeValidator, ConfigDict, PlainValidator, TypeAdapter, ValidationError

from stackopt import units
from stackopt.errors import FAULTS_LIMIT, Fault, Faults, nearest
from stackopt.physics.atmospheres import ATMOSPHERE
from stackopt.problem.branches import most_of, turns_of
from stackopt.problem.constraints import Constraint, Fix, Label, Machine, kind_named, kinds
from stackopt.problem.keys import NEEDS, PARTLY, Name, Part, alike, given_in
from stackopt.problem.model import Dial, Problem

Place = tuple[str | int, ...]  # where a key stands, step by step

TURNS = 100.0  # between the first and the last of a screw that is interpolated
OIL = (-100.0, 400.0)  # temperatures at which there is oil, degC
THINNEST = 0.3  # mm^2/s, below which no viscosity at another temperature is computed
YEAR = 8760.0 * 60  # min
STEPS_LIMIT = POINTS_LIMIT = 100_000
FURTHEST = 1e5  # times a dose, or a window's least air, that a machine may give; misses of more leave ties no digits
_LIMITS = {"greater_than": ("above", "gt"), "greater_than_equal": ("of at least", "ge"),
           "less_than": ("below", "lt"), "less_than_equal": ("of at most", "le")}  # fmt: skip
_TYPES = {"float_type": "a number", "int_type": "a whole number", "int_from_float": "a whole number",
          "string_type": "text", "string_unicode": "text of whole characters",
          "finite_number": "a finite number", "bool_type": "true or false", "dict_type": "a table",
          "tuple_type": "a list"}  # fmt: skip


def path(parts: Place) -> str:
    """A place in a problem as text; list items count from 1.

    >>> path(("point", 2, "air_flow", "min"))
    'point[3].air_flow.min'
    """
    return functools.reduce(under, parts, "")


def under(place: str, part: str | int) -> str:
    """The place of a key or list item in that of its table or list; of a key too long for a name, its start."""
    return f"{place}[{part + 1}]" if isinstance(part, int) else f"{place}{'.' if place else ''}{part[:1000]}"


def found(value: object) -> str:
    """What stands in a file, short enough for a message.

    >>> found({"a": 1}), found("x" * 100)[-8:]
    ('a table of 1', 'xxxxx...')
    """
    if isinstance(value, dict | list | tuple):
        return f"a {'table' if isinstance(value, dict) else 'list'} of {len(value)}"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int) and abs(value) > 10**30:
        return "a number of more than 30 digits"
    if value is None:
        return "null"
    text = repr(value) if isinstance(value, str | float | int) else str(value)
    return text if len(text) <= 60 else text[:57] + "..."


def every_fault(data: Any) -> list[Fault]:
    """All faults of `data`: those of single keys, then those between the keys that can be read."""
    faults = Faults()
    problem = read_part(Problem, data, (), faults)
    faults += broken(problem) if problem else []
    return list(faults)


def raw_faults(error: ValidationError) -> list[Fault]:
    """Faults that only the first pass finds."""
    errors = error.errors(include_url=False)
    return [Fault(path(tuple(e["loc"])) or None, found(e["input"]), e["msg"]) for e in errors]


def read_part(part: type[Part], data: Any, place: Place, faults: Faults) -> Any:
    """As much of `part` as can be read, each key alone, with None for what cannot."""
    if isinstance(data, part):
        return data
    if not isinstance(data, dict):
        faults.append(Fault(path(place) or None, found(data), "a table of keys"))
        return None
    if part is Constraint:
        kind = kind_named(data.get("kind"))
        if kind is None:
            what = found(data["kind"]) if "kind" in data else "nothing"
            faults.append(Fault(path((*place, "kind")), what, f"one of {', '.join(kinds())}"))
            return None
        part = kind
    if part is not Problem:
        try:
            return part.model_validate(data)  # most are right
        except ValidationError:
            pass
    faults += (_unknown(part, key, value, place) for key, value in data.items() if key not in part.model_fields)
    values = {}
    for name, field in part.model_fields.items():
        if name in data and not (data[name] is None and field.default is None):
            values[name] = _read_value(field, data[name], (*place, name), faults)
        else:
            if field.is_required():
                faults.append(Fault(path((*place, name)), "nothing", f"the key '{name}'"))
            values[name] = None if field.is_required() else field.default
    written = {name for name in values if data.get(name) is not None}
    return part.model_construct(_fields_set=written | {PARTLY}, **values)


def _read_value(field: Any, value: Any, place: Place, faults: Faults) -> Any:
    container, part = _parts_in(field.annotation)
    if part is None:
        return _read_plain(field, value, place, faults)
    if container is None:
        readers: list[Any] = [item.func for item in field.metadata if isinstance(item, BeforeValidator)]
        full = readers[0](value) if readers else value
        inner = Faults()
        read = read_part(part, full, place, inner)
        # A value that was written short has no keys of its own to point at.
        faults += inner if full is value else {Fault(path(place), f.found, f.expected): 0 for f in inner}
        return read
    if not isinstance(value, dict if container is dict else list | tuple):
        faults.append(Fault(path(place), found(value), "tables" if container is tuple else "a table of tables"))
        return None
    if not value and field.is_required():
        faults.append(Fault(path(place), found(value), "at least one"))
    most = next((m.max_length for m in field.metadata if hasattr(m, "max_length")), POINTS_LIMIT)
    if len(value) > most:
        faults.append(Fault(path(place), found(value), f"at most {most:,}"))
        return None
    if container is tuple:
        return tuple(read_part(part, item, (*place, i), faults) for i, item in enumerate(value))
    value = dict(value)
    for key in value:
        try:
            _validate(Name, key)
        except ValidationError as error:
            faults += [_translate(one, key, (*place, key)) for one in error.errors(include_url=False)]
    return {key: read_part(part, item, (*place, key), faults) for key, item in value.items()}


def _read_plain(field: Any, value: Any, place: Place, faults: Faults) -> Any:
    """A value that holds no parts; a long one some at a time, so that few more faults are made than are listed."""
    kind = Annotated[(field.annotation, *field.metadata)] if field.metadata else field.annotation
    item = _item_in(kind)
    before = len(faults)
    if isinstance(value, dict) or (item is not None and isinstance(value, list | tuple)):
        for start in range(0, len(value), FAULTS_LIMIT):
            faults += _wrong_items(kind, item, value, start, place)
    if len(faults) > before:
        return None
    try:
        return _validate(kind, value)
    except ValidationError as error:
        faults += (_translate(one, value, place) for one in error.errors(include_url=False))
        return None


def _wrong_items(kind: Any, item: Any, value: Any, start: int, place: Place) -> Iterator[Fault]:
    """What is wrong with some items of a table or, each alone, of a list."""
    try:
        if isinstance(value, dict):
            _validate(kind, dict(islice(value.items(), start, start + FAULTS_LIMIT)))
        else:
            _adapter(item).validate_python([*value[start: start + FAULTS_LIMIT]])
    except ValidationError as error:
        for one in error.errors(include_url=False):
            step, *rest = one["loc"]
            at = one["loc"] if isinstance(value, dict) else (0, start + int(step), *rest)
            yield _translate({**one, "loc": at}, value, place)


def _item_in(annotation: Any) -> Any:
    """What the items of a list are; None where it is none, or read as a whole."""
    origin, inner = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        return None if any(isinstance(how, PlainValidator) for how in inner[1:]) else _item_in(inner[0])
    if origin is tuple:
        return inner[0]
    inner = tuple(one for one in inner if one is not type(None))
    return _item_in(inner[0]) if len(inner) == 1 else None


def _parts_in(annotation: Any) -> tuple[type | None, type[Part] | None]:
    """The container (dict, tuple or None) and the Part that a field is made of, as far as it is."""
    origin, inner = get_origin(annotation), [a for a in get_args(annotation) if a is not type(None)]
    if origin is Annotated:
        return _parts_in(inner[0])
    if isinstance(annotation, type) and issubclass(annotation, Part):
        return None, annotation
    if origin in (dict, tuple):
        part = _parts_in(inner[1] if origin is dict else inner[0])[1]
        return (origin, part) if part else (None, None)
    return _parts_in(inner[0]) if len(inner) == 1 else (None, None)


@functools.cache
def _adapter(annotation: Any) -> TypeAdapter[Any]:
    # Inside a list, since the settings of an adapter do not reach the bare dataclass of a quantity.
    return TypeAdapter(list[annotation], config=ConfigDict(strict=True, allow_inf_nan=False))


def _validate(annotation: Any, value: Any) -> Any:
    return _adapter(annotation).validate_python([value])[0]


def _translate(error: Any, value: Any, place: Place) -> Fault:
    """A fault in our words from one of pydantic's, whose own place is kept where it exists in the file."""
    for step in error["loc"][1:]:
        if step in value if isinstance(value, dict) else (
            isinstance(value, list | tuple) and isinstance(step, int) and step < len(value)):  # fmt: skip
            value, place = value[step], (*place, step)
    if error["loc"][-1:] == ("[key]",):
        value = place[-1]
    kind, context = error["type"], error.get("ctx", {})
    if kind in _LIMITS:
        word, limit = _LIMITS[kind]
        expected = f"a number {word} {context[limit]:g}"
    elif kind == "string_too_long":
        expected = f"at most {context['max_length']} characters"
    elif kind == "too_long":
        expected = f"at most {context['max_length']:,}"
    else:
        expected = str(context.get("expected") or _TYPES.get(kind) or error["msg"])
    return Fault(path(place), found(value), expected)


def _unknown(part: type[Part], key: Any, value: Any, place: Place) -> Fault:
    return Fault(path((*place, str(key))), "an unknown key", f"perhaps '{nearest(str(key), part.model_fields)}'")


def broken(problem: Problem) -> list[Fault]:
    """What contradicts between the keys of a problem; parts that could not be read are None and passed over."""
    faults = Faults()
    for rule in (_generator, _marks, _nozzles, _line, _fluid, _points, _references, _measures, _reach, _today,
                 _constraints):
        faults += rule(problem)
    return list(faults)


def _generator(problem: Problem) -> Iterator[Fault]:
    dial = problem.generator.rate if problem.generator else None
    if dial and dial.min and dial.max:
        if dial.max.number < dial.min.number:
            yield Fault("generator.rate.max", f"'{dial.max}'", f"at least the lowest rate, '{dial.min}'")
        elif dial.step and (dial.max.number - dial.min.number) / dial.step.number > STEPS_LIMIT:
            yield Fault("generator.rate.step", f"'{dial.step}'", f"a dial of at most {STEPS_LIMIT:,} steps")
    now = problem.generator.now if problem.generator else None
    if now and dial and not on_dial(dial, now.number):
        yield Fault("generator.now", f"'{now}'", "a rate of the dial")
    cycle = problem.cycle
    if cycle and cycle.time and cycle.spray and cycle.spray.number > cycle.time.number:
        yield Fault("cycle.spray", f"'{cycle.spray}'", f"at most the cycle's time, '{cycle.time}'")


def _marks(problem: Problem) -> Iterator[Fault]:
    for name, pump in (problem.pumps or {}).items():
        if pump and pump.marks is not None:
            shares = list(pump.marks.values())
            if not shares:
                yield Fault(path(("pumps", name, "marks")), "no mark", "at least one, as in { \"1\" = 0.22 }")
            for label, (before, share) in zip(list(pump.marks)[1:], pairwise(shares), strict=True):
                if share < before:
                    yield Fault(path(("pumps", name, "marks", label)), f"{share:g}", f"at least {before:g}: "
                                "marks are written from the smallest output to the largest")  # fmt: skip
            if "*" in pump.marks:
                yield Fault(path(("pumps", name, "marks", "*")), "'*'", "another name: spread means all marks by it")
            drift = (problem.generator.drift if problem.generator else None) or 0.0
            some = ", ".join(islice(pump.marks, 9))
            for label, spread in (pump.spread or {}).items():
                place = path(("pumps", name, "spread")) + ("" if label == "*" else f".{label}")
                if label != "*" and label not in pump.marks:
                    yield Fault(place, found(label), f"a mark of the pump: {some}")
                elif spread is not None and drift + spread >= 1:
                    yield Fault(place, f"{spread:g}", f"under 100 % together with the drift of {drift:g}")


def on_dial(dial: Dial, rate: float) -> bool:
    """Whether a dial can be set to `rate` [1/min]; a dial that could not be read takes any."""
    if not (dial.min and dial.max):
        return True
    if not dial.min.number * (1 - 1e-12) <= rate <= dial.max.number * (1 + 1e-12):
        return False
    if dial.step is None:
        return True
    steps = (rate - dial.min.number) / dial.step.number
    return abs(steps - round(steps)) <= 1e-9


def _nozzles(problem: Problem) -> Iterator[Fault]:
    for name, nozzle in (problem.nozzles or {}).items():
        if not nozzle or nozzle.turns is None:
            continue
        place, given = ("nozzles", name), given_in(nozzle)
        for i, (before, turns) in enumerate(pairwise(nozzle.turns), 1):
            if turns <= before:
                yield Fault(path((*place, "turns", i)), f"{turns:g}", f"more than {before:g}: turns rise")
        if nozzle.interpolate and nozzle.turns and nozzle.turns[-1] - nozzle.turns[0] > TURNS:
            yield Fault(path((*place, "interpolate")), "true", f"turns within {TURNS:.0f} of each other")
            continue
        ways = [key for key in ("flow", "conductance", "bore") if key in given]
        if len(ways) != 1:
            yield Fault(path(place), " and ".join(ways) or "no air", "one of flow, conductance or bore (its geometry)")
            continue
        way = ways[0]
        for key, of in (("measured_at", "flow"), ("discharge", "bore"), ("tube", "bore"), ("screw", "bore")):
            if key in given and of != way:
                yield Fault(path((*place, key)), "a key that belongs to " + of, f"no such key beside {way}")
        if way == "conductance" and "critical_ratio" not in given:
            yield Fault(path((*place, "critical_ratio")), "nothing", "the critical ratio, as in critical_ratio = 0.3")
        if way == "bore":
            yield from _by_geometry(nozzle, place)
            yield from _rising(nozzle, (*place, "screw", "open"), nozzle.screw and nozzle.screw.open, "shares")
        else:
            yield from _rising(nozzle, (*place, way), getattr(nozzle, way), f"{way}s")
    pressure = problem.air.pressure if problem.air else None
    for name, nozzle in (problem.nozzles or {}).items():
        if nozzle and nozzle.measured_at and nozzle.measured_at.number <= ATMOSPHERE:
            yield Fault(path(("nozzles", name, "measured_at")), f"'{nozzle.measured_at}'",
                        "a pressure above that of the open air")  # fmt: skip
    if pressure and pressure.number <= ATMOSPHERE:
        yield Fault("air.pressure", f"'{pressure}'", "a pressure above that of the open air")


def _by_geometry(nozzle: Any, place: Place) -> Iterator[Fault]:
    given = given_in(nozzle)
    if "discharge" not in given:
        yield Fault(path((*place, "discharge")), "nothing", "how much of the ideal flow passes: about 0.97 where well "
                    "rounded, 0.65 where sharp-edged; it is never assumed")  # fmt: skip
    if "screw" not in given:
        yield Fault(path((*place, "screw")), "nothing", "the air screw, as in { bore = \"2 mm\", open = [0, 0.5, 1] }")
    if "critical_ratio" in given:
        yield Fault(path((*place, "critical_ratio")), "a critical ratio", "no such key beside bore: it is computed")


def _rising(nozzle: Any, place: Place, values: Any, what: str) -> Iterator[Fault]:
    """One value for each of the turns, never falling, and one above zero."""
    if values is None:
        return
    if len(nozzle.turns) != len(values):
        yield Fault(path(place), f"{len(values)} {what}", f"one for each of the {len(nozzle.turns)} turns")
    numbers = [value if isinstance(value, float) else value.number for value in values]
    written = [found(value if isinstance(value, float) else str(value)) for value in values]
    for i, (before, number) in enumerate(pairwise(numbers), 1):
        if number < before:
            yield Fault(path((*place, i)), written[i],
                        f"at least {written[i - 1]}: the flow never falls as turns rise")  # fmt: skip
    if not any(number > 0 for number in numbers):
        yield Fault(path(place), "no flow at any turns", "a setting with flow")


def _line(problem: Problem) -> Iterator[Fault]:
    line = problem.air.line if problem.air else None
    if not line:
        return
    given = given_in(line)
    if not (given == {"conductance", "critical_ratio"} or given == {"length", "bore"}):
        yield Fault("air.line", ", ".join(sorted(given)) or "nothing",
                    "conductance and critical_ratio, or length and bore")  # fmt: skip


def _fluid(problem: Problem) -> Iterator[Fault]:
    fluid = problem.fluid
    if not fluid:
        return
    given = given_in(fluid)
    for one, other in (("viscosity", "viscosity_at"), ("surface_tension", "tip"),
                       ("lower_flammable_limit", "molar_mass")):  # fmt: skip
        if one in given and other not in given:
            yield Fault(f"fluid.{other}", "nothing", f"{other} too, where {one} is given")
        if other in given and one not in given and other != "molar_mass":
            yield Fault(f"fluid.{one}", "nothing", f"{one} too, where {other} is given")
    if fluid.viscosity and fluid.viscosity_at:
        if len(fluid.viscosity) != len(fluid.viscosity_at):
            yield Fault("fluid.viscosity_at", f"{len(fluid.viscosity_at)} temperatures",
                        f"one for each of the {len(fluid.viscosity)} viscosities")  # fmt: skip
        elif len(fluid.viscosity) == 2:
            thick, thin = (v.number for v in fluid.viscosity)
            cold, hot = (v.number for v in fluid.viscosity_at)
            if min(thick, thin) <= THINNEST:
                yield Fault("fluid.viscosity", f"'{min(fluid.viscosity, key=lambda v: v.number)}'",
                            f"more than {THINNEST} mm^2/s, where two are given")  # fmt: skip
            elif (thin - thick) * (hot - cold) >= 0:
                yield Fault("fluid.viscosity", " and ".join(f"'{v}'" for v in fluid.viscosity),
                            "the smaller viscosity at the higher temperature")  # fmt: skip
    line = problem.oil_line
    at: list[tuple[str, units.Quantity | None]] = [("fluid.viscosity_at", t) for t in fluid.viscosity_at or ()]
    at += [("oil_line.temperature", line.temperature), ("oil_line.cold", line.cold)] if line else []
    for place, t in at:
        if t is not None and not OIL[0] <= t.number <= OIL[1]:
            yield Fault(place, f"'{t}'", f"{OIL[0]:.0f} to {OIL[1]:.0f} degC, at which there is oil")
    needing = [word for word, need in (("surface_tension", "surface_tension" in given), ("[room]", problem.room),
                                       ("[weighing]", problem.weighing)) if need]  # fmt: skip
    if needing and "density" not in given:
        yield Fault("fluid.density", "nothing", f"a density too, where {' or '.join(needing)} is given")
    energy = problem.energy
    if energy and energy.hours and energy.hours.number > YEAR:
        yield Fault("energy.hours", f"'{energy.hours}'", "at most the 8760 h of a year")


def _points(problem: Problem) -> Iterator[Fault]:
    for i, point in enumerate(problem.point or ()):
        if not point:
            continue
        windows = [("air_per_dose", point.air_per_dose), ("air_flow", point.air_flow)]
        if all(window is None or (window.min is None and window.max is None) for _, window in windows) or not any(
            window and window.min for _, window in windows
        ):
            yield Fault(path(("point", i)), "no least air", "air_per_dose.min or air_flow.min (or both)")
        for key, window in windows:
            if window and window.min and window.max and window.min.counts == window.max.counts \
                    and window.max.number < window.min.number * (1 - 1e-12):  # fmt: skip
                yield Fault(path(("point", i, key, "max")), f"'{window.max}'", f"at least min, '{window.min}'")


def _references(problem: Problem) -> Iterator[Fault]:
    points = [(i, point) for i, point in enumerate(problem.point or ()) if point]
    first: dict[str, int] = {}
    for table, named in (("pumps", problem.pumps), ("nozzles", problem.nozzles)):
        yield from _lookalikes(((table, name), name) for name in map(str, named or ()))
    for name, pump in (problem.pumps or {}).items():
        yield from _lookalikes((("pumps", name, "marks", mark), mark) for mark in map(str, (pump and pump.marks) or ()))
    yield from _lookalikes((("point", i, "name"), point.name) for i, point in points if point.name is not None)
    for i, point in points:
        if point.name is not None and first.setdefault(point.name, i) != i:
            yield Fault(path(("point", i, "name")), found(point.name),
                        f"a name of its own: point {first[point.name] + 1} has this one")  # fmt: skip
    for i, point in points:
        for tag in point.tags or ():
            if tag in first:
                yield Fault(path(("point", i, "tags")), found(tag), "a tag that is not the name of a point")
        for key, names, known in (
            ("pump", point.pump, problem.pumps),
            ("nozzle", point.nozzle and (point.nozzle,), problem.nozzles),
        ):
            if names is not None and not names:
                yield Fault(path(("point", i, key)), "an empty list", "at least one name")
            for name in names or ():
                if known is not None and name not in known:
                    near = nearest(name, known)
                    yield Fault(path(("point", i, key)), found(name), f"a name under [{key}s]"
                                + (f", perhaps '{near}'" if near else ""))  # fmt: skip
            if names and len(set(names)) < len(names):
                yield Fault(path(("point", i, key)), found(names), "each name once")


def _lookalikes(named: Iterable[tuple[Place, str]]) -> Iterator[Fault]:
    """Names that no one can tell apart; names that are equal are another fault."""
    looks: dict[str, str] = {}
    for place, name in named:
        if looks.setdefault(alike(name), name) != name:
            yield Fault(path(place), ascii(name)[:60], f"a name that can be told from {ascii(looks[alike(name)])[:60]}")


def _measures(problem: Problem) -> Iterator[Fault]:
    """Drops, grams and parts need what says how large they are; a tolerance below must stay under the dose."""
    sizes = problem.sizes if problem.fluid else None
    if sizes is None:
        return
    # A size that stands in the file but could not be read has its own fault already.
    unread = {name for name, part, key in (
        ("g", problem.fluid, "density"), ("drop", problem.fluid, "drop"), ("drop", problem.fluid, "surface_tension"),
        ("ppm", problem.fluid, "molar_mass"), ("part", problem, "cycle"),
    ) if key in given_in(part) and name not in sizes}  # fmt: skip
    quantities: list[tuple[Place, Any]] = [(("fluid", "drop"), problem.fluid.drop)]
    quantities += [(("reservoir", "sizes", i), size)
                   for i, size in enumerate(problem.reservoir.sizes or () if problem.reservoir else ())]
    quantities += [(("room", "limit"), problem.room.limit)] if problem.room else []
    quantities += [(("pumps", name, "stroke_volume"), pump.stroke_volume)
                   for name, pump in (problem.pumps or {}).items() if pump]  # fmt: skip
    for i, point in enumerate(problem.point or ()):
        if point:
            window, tolerance = point.air_per_dose, point.tolerance
            quantities += [(("point", i, "dose"), point.dose)]
            quantities += [(("point", i, "tolerance", side), getattr(tolerance, side))
                           for side in ("below", "above") if tolerance]  # fmt: skip
            quantities += [(("point", i, "air_per_dose", end), getattr(window, end))
                           for end in ("min", "max") if window]  # fmt: skip
    for place, quantity in quantities:
        lacking = [name for name, _ in getattr(quantity, "counts", ()) if name not in sizes and name not in unread]
        yield from (Fault(path(place), f"'{quantity}'", NEEDS[name]) for name in lacking)
        if getattr(quantity, "counts", ()) and all(name in sizes for name, _ in quantity.counts):
            try:
                usable = units.possible(quantity.at(sizes))
            except (OverflowError, ZeroDivisionError):
                usable = False
            if not usable:
                yield Fault(path(place), f"'{quantity}'", "with the density, drop or cycle given: a number that a "
                            "machine can have")  # fmt: skip
    for i, point in enumerate(problem.point or ()):
        if point and point.dose and point.tolerance and point.tolerance.below is not None:
            try:
                below = share_of(point.tolerance.below, point.dose, sizes)
            except (KeyError, OverflowError, ZeroDivisionError):
                continue  # listed above
            if not below < 1 or not math.isfinite(below):
                yield Fault(path(("point", i, "tolerance")), found(str(point.tolerance.below)),
                            "less than the dose itself (under 100 %)")  # fmt: skip


def _reach(problem: Problem) -> Iterator[Fault]:
    """Doses and least air that are next to nothing for this machine.

    By how much they are missed is counted in shares of them, and compared to an absolute 1e-9.
    """
    sizes = problem.sizes if problem.fluid else {}
    nozzles = problem.nozzles or {}

    @functools.cache
    def oil(name: str) -> float:
        """The most that one pump gives [mL/min]."""
        pump, fastest = problem.pumps[name], problem.generator.rate.max.number
        fastest = min(fastest, pump.max_rate.number) if pump.max_rate else fastest
        return fastest * pump.stroke_volume.at(sizes) * max(pump.marks.values())

    @functools.cache
    def air(name: str) -> float:
        """The most that a nozzle takes [L/min]."""
        return most_of(nozzles[name], problem.air.pressure.number) if _usable(nozzles.get(name)) else 0.0

    for i, point in enumerate(problem.point or ()):
        try:
            dose, given = point.dose.at(sizes), point.count * max(map(oil, point.pump))
            windows = {"air_per_dose": point.air_per_dose, "air_flow": point.air_flow}
            feet = {key: window.min.at(sizes) * (dose if key == "air_per_dose" else 1.0)
                    for key, window in windows.items() if window and window.min}  # fmt: skip
            foot = max(feet, key=lambda key: feet[key])
            taken = air(point.nozzle) if any(window and window.max for window in windows.values()) else 0.0
        except (AttributeError, KeyError, TypeError, ValueError, ArithmeticError):
            continue  # a part that could not be read has its own fault
        if given > FURTHEST * dose:
            least = _above(60 * given / FURTHEST)
            yield Fault(path(("point", i, "dose")), f"'{point.dose}'", f"at least {least} mL/h: its pumps "
                        f"give up to {FURTHEST:,.0f} times that")  # fmt: skip
        elif taken > FURTHEST * feet[foot]:
            least = str(getattr(windows[foot], "min"))  # noqa: B009, of a window that is there
            yield Fault(path(("point", i, foot, "min")), f"'{least}'", "where there is a most too, a least of at least "
                        f"{_above(taken / FURTHEST)} L/min: its nozzle takes up to {FURTHEST:,.0f} times that")


def _above(value: float) -> str:
    """A number with three digits, rounded up."""
    return f"{1.005 * value:.3g}"


def _today(problem: Problem) -> Iterator[Fault]:
    """What is set today must be something that can be set."""
    turns = functools.cache(lambda name: _usable((problem.nozzles or {}).get(name)))
    for i, point in enumerate(problem.point or ()):
        now = point and point.now
        if not now or not point.pump or any(name not in (problem.pumps or {}) for name in point.pump):
            continue
        place = ("point", i, "now")
        pump = now.pump or point.pump[0]
        if now.pump is None and len(point.pump) > 1:
            yield Fault(path((*place, "pump")), "nothing", f"which of its pumps is mounted: {', '.join(point.pump)}")
        elif pump not in point.pump:
            yield Fault(path((*place, "pump")), found(pump), f"one of its pumps: {', '.join(point.pump)}")
        elif now.mark is not None and problem.pumps[pump]:
            marks = problem.pumps[pump].marks or (now.mark,)
            if now.mark not in marks:
                some = ", ".join(islice(marks, 9))
                yield Fault(path((*place, "mark")), found(now.mark), f"a mark of pump {pump}: {some}")
        usable = turns(point.nozzle)
        if usable and now.turns is not None and not _among(usable, now.turns):
            yield Fault(path((*place, "turns")), f"{now.turns:g}", f"turns of nozzle {point.nozzle} with flow: "
                        + ", ".join(f"{turns:g}" for turns in usable[:9]))  # fmt: skip


def _among(rising: tuple[float, ...], value: float) -> bool:
    at = bisect.bisect_left(rising, value)
    return at < len(rising) and rising[at] == value


def _usable(nozzle: Any) -> tuple[float, ...]:
    """The turns of a nozzle with flow; none where it could not be read or is wrong in itself."""
    if not nozzle or not nozzle.turns or (nozzle.interpolate and nozzle.turns[-1] - nozzle.turns[0] > TURNS):
        return ()
    try:
        return turns_of(nozzle)
    except (AttributeError, TypeError, ValueError):  # a part that is missing or wrong has its own fault
        return ()


def _constraints(problem: Problem) -> Iterator[Fault]:
    names: dict[str, int] = {}
    if not problem.constraint:
        return
    turns = functools.cache(lambda name: bool(_usable(problem.nozzles[name])))
    whole = all(problem.point or (None,)) and problem.fluid and problem.pumps and problem.nozzles and all(
        point.name and point.pump and point.tags is not None and point.nozzle in problem.nozzles and all(
            problem.pumps.get(pump) and problem.pumps[pump].marks for pump in point.pump)
        and turns(point.nozzle) for point in problem.point)  # fmt: skip
    machine = machine_of(problem) if whole else None
    dial = problem.generator.rate if problem.generator else None
    for i, rule in enumerate(problem.constraint):
        if rule is None:
            continue
        place = path(("constraint", i))
        if rule.name is not None and names.setdefault(rule.name, i) != i:
            yield Fault(f"{place}.name", found(rule.name), f"a name of its own: constraint {names[rule.name] + 1} has "
                        "this one")  # fmt: skip
        if machine is None or any(getattr(rule, key) is None and field.is_required()
                                  for key, field in type(rule).model_fields.items()):  # fmt: skip
            continue  # what it refers to, or a key of its own, could not be read and is listed already
        wrong = [Fault(f"{place}.{key}" if key else place, what, expected)
                 for key, what, expected in islice(rule.faults(machine), FAULTS_LIMIT + 1)]  # fmt: skip
        yield from wrong
        if isinstance(rule, Fix) and rule.of == "rate" and not wrong and dial and not on_dial(dial, rule.rate):
            yield Fault(f"{place}.at", found(rule.at), "a rate of the dial")


def machine_of(problem: Problem) -> Machine:
    """What a problem offers to constraints."""
    labels: dict[str, dict[str, tuple[Label, ...]]] = {}
    tags: dict[str, list[str]] = {}
    turns = functools.cache(lambda name: turns_of(problem.nozzles[name]))
    marks = functools.cache(lambda pumps: tuple(dict.fromkeys(m for name in pumps for m in problem.pumps[name].marks)))
    for point in problem.point:
        pumps = tuple(point.pump)
        labels[point.name] = {"pump": pumps, "mark": marks(pumps), "turns": turns(point.nozzle)}
        for tag in dict.fromkeys(point.tags):
            tags.setdefault(tag, []).append(point.name)
    return Machine(labels, {tag: tuple(names) for tag, names in tags.items()}, problem.sizes)


def share_of(deviation: Any, dose: Any, sizes: dict[str, float]) -> float:
    """One side of a tolerance as a share of the dose."""
    return deviation if isinstance(deviation, float) else deviation.at(sizes) / dose.at(sizes)
