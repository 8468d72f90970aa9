"""The file of a works: its supply of air, its machines by their problem files, and what holds for all of them."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import islice
from pathlib import Path, PurePosixPath
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationError

from stackopt import units
from stackopt.beside.stock import duty_of
from stackopt.errors import FAULTS_LIMIT, Fault, Faults, ProblemError
from stackopt.problem.constraints import Distinct
from stackopt.problem.files import parse_toml, placed, read, text_in
from stackopt.problem.keys import AirFlow, AirFlowOrNone, AtFirst, Name, Part, Pressure, Share, Time, Title, Volume
from stackopt.problem.model import Problem
from stackopt.problem.places import lines_of
from stackopt.problem.rules import found, path, raw_faults, read_part
from stackopt.stack import ROUNDING

MACHINES = 10_000  # tables of machines at most
_WEEK = 168 * 60.0  # min
_OFFERED = 6  # pumps that a machine under a rule may offer: each subset of them has plans of its own


class Supply(Part):
    """The shared air; `counted` says what counts against its capacity: the mean, or all spraying at once."""

    capacity: AirFlow
    pressure: Pressure
    others: AirFlowOrNone = units.Quantity("0 L/min", 0.0)
    counted: Literal["mean", "peak"] = "mean"


class MachineTable(Part):
    """Machines of one problem file that are all set alike."""

    file: Name
    name: Name | None = None
    count: Annotated[int, Field(ge=1, le=1000)] = 1
    running: Share = 1.0
    priority: Annotated[float, Field(ge=0.001, le=1000)] = 1.0
    tags: Annotated[tuple[Name, ...], AtFirst(), Field(strict=False)] = ()


class Tank(Part):
    """The central tank: its sizes, and how much working time it should last."""

    sizes: Annotated[tuple[Volume, ...], AtFirst(), Field(min_length=1, max_length=100, strict=False)]
    refill_every: Time | None = None


class Variants(Distinct):
    """At most so many kinds of pump over the machines named, or over all."""

    of: Literal["pump"]


class PlantFile(Part):
    """The keys of a plant file."""

    title: Title = ""
    supply: Supply
    machine: Annotated[tuple[MachineTable, ...], AtFirst(), Field(min_length=1, max_length=MACHINES, strict=False)]
    constraint: Annotated[tuple[Variants, ...], AtFirst(), Field(max_length=100, strict=False)] = ()
    hours: Time | None = None
    tank: Tank | None = None


@dataclass(frozen=True, eq=False)
class Machine:
    """Machines set alike: their name, their file as the plant file has it, and what it holds."""

    name: str
    file: str
    problem: Problem
    count: int
    running: float  # share of the working time
    priority: float

    @property
    def weight(self) -> float:
        """What they count in the errors of the works."""
        return self.priority * self.count

    def times(self, peak: bool) -> float:
        """With what one of them takes while spraying is multiplied: as a mean, or where all spray at once."""
        return float(self.count) if peak else self.count * self.running * duty_of(self.problem)

    @cached_property
    def offered(self) -> frozenset[str]:
        """The pumps that its points may have."""
        return frozenset(pump for point in self.problem.point for pump in point.pump)


@dataclass(frozen=True)
class Rule:
    """At most so many kinds of pump over some machines, by number."""

    name: str
    machines: frozenset[int]
    most: int


@dataclass(frozen=True, eq=False)
class Works:
    """A plant file that is right, in mL, min and L ANR."""

    file: str
    title: str
    capacity: float  # L/min
    others: float  # L/min
    pressure: float  # bar absolute
    peak: bool  # whether the air of all spraying at once counts, not the mean
    machines: tuple[Machine, ...]
    rules: tuple[Rule, ...]
    hours: float | None  # of work a week, h
    tanks: tuple[float, ...]  # mL
    refill_every: float | None  # of working time, h


def read_works(file: str | Path) -> Works:
    """Read a plant file and all its machines' files.

    Raises `ProblemError` with every fault of all of them; a key of a machine's file says which it is in.
    """
    name = str(file)
    try:
        if name == "-":
            raise ProblemError((Fault(None, "standard input", "a file: its machines lie in its folder"),))
        text = text_in(name)
        return _works(name, text, parse_toml(text))
    except ProblemError as error:
        raise ProblemError(error.faults, name) from None


def _works(name: str, text: str, data: dict[str, Any]) -> Works:
    faults, inside = Faults(), Faults()
    listed: tuple[Fault, ...] = ()  # where there are more than are listed
    try:
        plant, names, machines = _read(Path(name).resolve().parent, data, faults, inside)
    except ProblemError as error:
        listed = error.faults
    there = set(inside)
    own = [fault for fault in dict.fromkeys((*listed, *faults)) if fault not in there]
    if own or inside:
        lines = lines_of(text, False, {fault.key for fault in own if fault.key}, data)
        own = sorted((placed(fault, lines, {}) for fault in own), key=lambda f: f.line or 0)
        raise ProblemError((*own, *inside))
    rules = tuple(_rule(n, rule, plant.machine, names) for n, rule in enumerate(plant.constraint, 1))
    over = [path(("constraint", n)) for n, rule in enumerate(rules)
            if any(len(machines[m].offered) > _OFFERED for m in rule.machines)]  # fmt: skip
    if over:
        lines = lines_of(text, False, over)
        raise ProblemError(tuple(placed(Fault(
            key, f"a machine with more than {_OFFERED} pumps to choose from", "fewer, or a rule over other machines"),
            lines, {}) for key in over))  # fmt: skip
    supply, tank = plant.supply, plant.tank
    return Works(
        name, plant.title, supply.capacity.number, supply.others.number, supply.pressure.number,
        supply.counted == "peak", machines, rules, plant.hours.number / 60 if plant.hours else None,
        tuple(size.number for size in tank.sizes) if tank else (),
        tank.refill_every.number / 60 if tank and tank.refill_every else None,
    )  # fmt: skip


def _read(folder: Path, data: dict[str, Any], faults: Faults, inside: Faults
          ) -> tuple[PlantFile, list[str | None], tuple[Machine, ...]]:  # fmt: skip
    """What can be read of a plant file and of the machines' files; faults of the first, and `inside` of the others."""
    try:
        plant = PlantFile.model_validate(data)
    except ValidationError as error:
        plant = read_part(PlantFile, data, (), faults)
        faults += [] if faults else raw_faults(error)
    tables: list[MachineTable | None] = list(plant.machine or ())
    names = [(part.name or (PurePosixPath(part.file).stem if part.file else None)) if part else None for part in tables]
    for wrong in (_sense(plant), _doubles(tables, names), _unknown(plant, tables, names)):
        faults += wrong
    problems = _problems(folder, plant, faults, inside)
    machines = tuple(
        Machine(own, part.file, problems[part.file], part.count, part.running, part.priority)
        for own, part in zip(names, tables, strict=True) if own and part and part.file in problems
    )  # fmt: skip
    inside += _different_pumps(folder, machines)
    return plant, names, machines


def _sense(plant: PlantFile) -> Iterator[Fault]:
    """What is wrong between keys."""
    if plant.hours is not None and plant.hours.number > _WEEK:
        yield Fault("hours", found(plant.hours), "at most the 168 h of a week")
    supply = plant.supply
    if supply is not None and supply.capacity and supply.others and supply.others.number >= supply.capacity.number:
        yield Fault("supply.others", found(supply.others), f"less than the capacity, {supply.capacity}")
    for k, size in enumerate((plant.tank and plant.tank.sizes) or ()):
        if size.counts:
            yield Fault(path(("tank", "sizes", k)), found(size), "a volume, as in '200 L'")


def _doubles(tables: list[MachineTable | None], names: list[str | None]) -> Iterator[Fault]:
    first: dict[str, int] = {}
    for k, (own, part) in enumerate(zip(names, tables, strict=True)):
        if part and own is not None and first.setdefault(own, k) != k:
            key = path(("machine", k, "name" if part.name else "file"))
            other = path(("machine", first[own]))
            yield Fault(key, f"the name {found(own)} again", f"a name of its own: {other} has it")


def _unknown(plant: PlantFile, tables: list[MachineTable | None], names: list[str | None]) -> Iterator[Fault]:
    known = {*names, *(tag for part in tables if part for tag in part.tags or ())}
    for n, rule in enumerate(plant.constraint or ()):
        over = rule.over if rule is not None else None
        if over == ():
            yield Fault(path(("constraint", n, "over")), "an empty list", "at least one name")
        for name in over or ():
            if name not in known:
                yield Fault(path(("constraint", n, "over")), found(name), "the name or a tag of a machine")


def _rule(number: int, rule: Variants, tables: Sequence[MachineTable], names: list[str | None]) -> Rule:
    wanted = None if rule.over is None else set(rule.over)
    held = (m for m, (own, part) in enumerate(zip(names, tables, strict=True))
            if wanted is None or wanted & {own, *part.tags})  # fmt: skip
    return Rule(rule.name or f"constraint {number}", frozenset(held), rule.max)


def _problems(folder: Path, plant: PlantFile, faults: Faults, inside: Faults) -> dict[str, Problem]:
    """The problem of each file that can be read; `faults` of the places, and those that stand `inside` the files."""
    problems: dict[str, Problem] = {}
    places: dict[Path, Problem | None] = {}
    pressure = plant.supply.pressure if plant.supply else None
    for k, part in enumerate(plant.machine or ()):
        if part is None or part.file is None:
            continue
        key = path(("machine", k, "file"))
        place = _place(folder, part.file)
        if isinstance(place, str):
            faults.append(Fault(key, f"{found(part.file)}{place}", "a problem file in this file's folder or below it"))
            continue
        if place not in places:
            try:
                places[place] = read(place)
            except ProblemError as error:
                places[place] = None
                inside += (_inside(fault, part.file) for fault in error.faults)
        problem = places[place]
        if problem is None:
            continue
        problems[part.file] = problem
        asked = problem.air.pressure
        if pressure is not None and asked.number > pressure.number * (1 + ROUNDING):
            faults.append(Fault(key, f"{asked} as air.pressure in {part.file}", f"at most the supply's {pressure}"))
    return problems


def _place(folder: Path, file: str) -> Path | str:
    """The place of a machine's file, links followed, or in words why it is none."""
    parts = PurePosixPath(file).parts
    if "\\" in file or not parts or PurePosixPath(file).is_absolute() or ".." in parts or Path(file).is_absolute():
        return ""
    try:
        place = (folder / file).resolve(strict=True)
    except (OSError, RuntimeError) as error:
        return f": {getattr(error, 'strerror', None) or 'a loop of links'}"
    if not place.is_relative_to(folder):
        return ": a link out of it"
    return place if place.is_file() else ": no plain file"


def _inside(fault: Fault, file: str) -> Fault:
    """A fault of a machine's file as one of the plant."""
    return Fault(f"{fault.key} in {file}" if fault.key else file, fault.found, fault.expected, fault.line)


def _different_pumps(folder: Path, machines: tuple[Machine, ...]) -> Iterator[Fault]:
    """Pumps of one name that are not the same in two files: the works would count them as one variant."""
    first: dict[str, Machine] = {}
    seen = set()
    for machine in machines:
        if id(machine.problem) in seen:  # however its file is written
            continue
        seen.add(id(machine.problem))
        wrong: list[Fault] = []
        for name in sorted(machine.offered):
            other = first.setdefault(name, machine)
            mine, theirs = (one.problem.pumps[name] for one in (machine, other))
            volumes = [one.problem.pumps[name].stroke_volume.at(one.problem.sizes) for one in (machine, other)]
            for key, same in (("stroke_volume", abs(volumes[0] - volumes[1]) <= ROUNDING * volumes[1]),
                              ("marks", mine.marks == theirs.marks)):  # fmt: skip
                if not same and len(wrong) <= FAULTS_LIMIT:
                    wrong.append(Fault(path(("pumps", name, key)), _told(mine, key), f"{_told(theirs, key)}, as "
                                       f"pumps.{name} has in {other.file}: a pump of one name is one variant")
                                 )  # fmt: skip
        if wrong:
            text = text_in(str(folder / machine.file))
            lines = lines_of(text, machine.file.lower().endswith(".json"), {fault.key for fault in wrong if fault.key})
            yield from (_inside(placed(fault, lines, {}), machine.file) for fault in wrong)


def _told(pump: Any, key: str) -> str:
    if key == "stroke_volume":
        return found(pump.stroke_volume)
    shown = ", ".join(f"{mark} = {share:g}" for mark, share in islice(pump.marks.items(), 9))
    return shown + (", ..." if len(pump.marks) > 9 else "")
