"""Problem files: TOML, JSON and points from CSV, with the line of every fault; and the JSON Schema."""

import gc
import hashlib
import json
import os
import re
import stat
import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import tomli  # compiled; the standard library's tomllib takes three times as long

from stackopt.errors import LIMITS, Fault, Faults, ProblemError, library
from stackopt.problem.constraints import kinds
from stackopt.problem.keys import SIDE_SCHEMA
from stackopt.problem.model import Problem
from stackopt.problem.places import TEXT_OR_REMARK, lines_of, twice_in
from stackopt.problem.rules import found, path
from stackopt.problem.sheet import PLAIN_NUMBER, header_faults, rows_of

SIZE_LIMIT = 64 * 2**20
PATIENCE = 5.0  # s, with a pipe that no one opens to write
DOTS_LIMIT = 10  # in a key: tomli takes time with their square
VALUES_LIMIT = 100_000  # of one key
TABLES_LIMIT = 120_000  # in double brackets: more than all points and rules that there may be
_DOTTED = re.compile(r"[A-Za-z0-9_-]++(?:[ \t]*+\.[ \t]*+[A-Za-z0-9_-]++)*+")
# A key that may be "points"; any escape might spell it.
_MAY_NAME_POINTS = re.compile(rb"points[\"']?[ \t\r\n]*[=:.\]]|\\[uUx]")
_NESTING = "tables or lists nested less deeply"


def read(file: str | Path) -> Problem:
    r"""Read a problem from a TOML or JSON file, or from standard input where `file` is "-".

    Raises `ProblemError` with every fault of the file, each with its line and key.

    >>> from pathlib import Path; import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = Path(folder) / "bad.toml"
    ...     _ = file.write_text("[fluid]\nkind = 'neat oil'\ndrip = 3\n")
    ...     try:
    ...         read(file)
    ...     except ProblemError as error:
    ...         print(error.faults[-1])
    line 3, fluid.drip: found an unknown key; expected perhaps 'drop'
    """
    return problem_in(source_at(str(file)))


@dataclass(frozen=True)
class Source:
    """A problem file as it was found: what is read from it later is what was there then.

    `table` are the bytes of the CSV file that it names, or why there are none; None until that is asked for.
    """

    name: str
    data: bytes
    table: bytes | ProblemError | None = None

    def whole(self) -> "Source":
        """The same with its CSV file, to be read where the file is not."""
        if not _MAY_NAME_POINTS.search(self.data):
            return self
        try:
            data = _parse(self.name, _decode(self.data))
            named = data["points"] if isinstance(data, dict) and "points" in data else None
            return self if named is None else replace(self, table=_beside(self.name, named))
        except ProblemError as error:
            return replace(self, table=error)

    def points(self, named: Any) -> bytes:
        """The bytes of the CSV file of that name."""
        if isinstance(self.table, ProblemError):
            raise self.table
        return _beside(self.name, named) if self.table is None else self.table


def source_at(name: str) -> Source:
    """The bytes of a file, or of standard input. Raises ProblemError where they cannot be read."""
    try:
        return Source(name, _bytes_of(name))
    except ProblemError as error:
        raise ProblemError(error.faults, name) from None


def problem_in(source: Source) -> Problem:
    """The problem that a file holds. Raises as `read` does."""
    collects = gc.isenabled()
    gc.disable()  # of a million small things that all stay, nothing is to be collected
    try:
        with library("reading the problem", of=LIMITS):
            return _problem(source)
    except ProblemError as error:
        raise ProblemError(error.faults, source.name) from None
    finally:
        if collects:
            gc.enable()


def _problem(source: Source) -> Problem:
    name = source.name
    text = _decode(source.data)
    data = written = _parse(name, text)
    faults: list[Fault] = []
    rows: dict[str, int] = {}
    points_file = None
    sums = [(Path(name).name, hashlib.sha256(source.data).hexdigest())]
    if isinstance(data, dict) and "points" in data:
        data = {**data}
        points_file = data.pop("points")
        data["point"], rows = _points(source, points_file, "point" in data, faults, sums)
    try:
        problem = Problem.model_validate(data)
    except ProblemError as error:
        # Where the points' own file could not be read, that they lack is no fault of its own.
        faults += [f for f in error.faults if not (faults and f.key == "point")]
    if faults:
        keys = {fault.key for fault in faults if fault.key and not (rows and fault.key.startswith("point"))}
        lines = lines_of(text, _is_json(name, text), keys, written)
        in_place = [placed(fault, lines, rows, points_file) for fault in faults]
        raise ProblemError(tuple(sorted(in_place, key=lambda f: (" in " in (f.key or ""), f.line or 0))))
    problem._file = name
    problem._checksums = () if name == "-" else tuple(sums)
    return problem


def _is_json(name: str, text: str) -> bool:
    return name.lower().endswith(".json") or (name == "-" and text.lstrip()[:1] == "{")


def _parse(name: str, text: str) -> Any:
    return parse_json(text) if _is_json(name, text) else parse_toml(text)


def _refuse(line: int | None, what: str, expected: str, key: str | None = None) -> ProblemError:
    return ProblemError((Fault(key, what, expected, line),))


def text_in(name: str) -> str:
    """A file's text, or that of standard input; UTF-8, with or without a byte order mark."""
    return _decode(_bytes_of(name))


def _bytes_of(name: str) -> bytes:
    try:
        if name == "-":
            if sys.stdin is None:
                raise _refuse(None, "standard input closed", "a file on it")
            return sys.stdin.buffer.read(SIZE_LIMIT + 1)
        if stat.S_ISFIFO(os.stat(name).st_mode):
            return _from_pipe(name)
        with open(name, "rb") as stream:
            return stream.read(SIZE_LIMIT + 1)
    except (OSError, ValueError) as error:
        raise _refuse(None, getattr(error, "strerror", None) or "no file", "a file that can be read") from None


def _from_pipe(name: str) -> bytes:
    """All that is written to a pipe, however long that takes; but one that no one opens is not waited for."""
    until = time.monotonic() + PATIENCE
    with open(os.open(name, os.O_RDONLY | os.O_NONBLOCK), "rb", buffering=0) as pipe:
        while (first := pipe.read(SIZE_LIMIT + 1)) == b"":  # None where someone has it open and has not written yet
            if time.monotonic() > until:
                raise _refuse(None, "a pipe that nothing writes to", "a file that can be read")
            time.sleep(0.02)
        os.set_blocking(pipe.fileno(), True)
        parts = [first or b""]
        while (more := SIZE_LIMIT + 1 - sum(map(len, parts))) and (part := pipe.read(more)):
            parts.append(part)
    return b"".join(parts)


def _decode(raw: bytes) -> str:
    if len(raw) > SIZE_LIMIT:
        raise _refuse(None, f"more than {SIZE_LIMIT // 2**20} MiB", "a smaller file")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise _refuse(line, f"the byte 0x{raw[error.start]:02x}", "text in UTF-8") from None


def parse_toml(text: str) -> dict[str, Any]:
    """The tables of a TOML text. Raises ProblemError with the line where it cannot be read.

    >>> parse_toml("a = 1")
    {'a': 1}
    """
    bare = TEXT_OR_REMARK.sub(lambda match: "x" + "\n" * match[0].count("\n"), text)
    for dotted in _DOTTED.finditer(bare):
        if dotted[0].count(".") > DOTS_LIMIT:
            line = bare.count("\n", 0, dotted.start()) + 1
            raise _refuse(line, f"a key of more than {DOTS_LIMIT} dots", "a shorter key")
    if max(part.count(",") for part in bare.split("=")) > VALUES_LIMIT:
        raise _refuse(None, f"a list of more than {VALUES_LIMIT:,} values", "shorter lists")
    if bare.count("[[") > TABLES_LIMIT:
        raise _refuse(None, f"more than {TABLES_LIMIT:,} tables", "fewer tables")
    try:
        return tomli.loads(text)
    except tomli.TOMLDecodeError as error:
        message, _, place = str(error).partition(" (at ")
        told = re.match(r"line (\d+)", place)
        at = int(told[1]) if told else text.count("\n") + 1
        raise _refuse(at, message[:1].lower() + message[1:], "TOML as in 'key = \"value\"'") from None
    except RecursionError:
        raise _refuse(None, "deep nesting", _NESTING) from None
    except ValueError:  # an integer of thousands of digits
        raise _refuse(None, "a number of thousands of digits", "numbers that a machine can have") from None


def parse_json(text: str, expected: str = "JSON", constant: Callable[[str], Any] | None = None) -> Any:
    """What a JSON text holds; `constant` is called with NaN and the like, which JSON does not have.

    Raises ProblemError, with every key that its table has already.

    >>> parse_json('{"a": [1]}')
    {'a': [1]}
    """
    doubles: list[str] = []

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        doubles.extend(key for key, count in Counter(key for key, _ in pairs).items() if count > 1)
        return dict(pairs)

    try:
        data = json.loads(text, object_pairs_hook=once, parse_constant=constant)
    except json.JSONDecodeError as error:
        raise _refuse(error.lineno, error.msg[:1].lower() + error.msg[1:], expected) from None
    except RecursionError:
        raise _refuse(None, "deep nesting", _NESTING) from None
    except ValueError:
        raise _refuse(None, "a number of thousands of digits", "numbers that a machine can have") from None
    if doubles:
        faults = Faults()
        faults += (Fault(key[-2000:], "the same key twice", "each key once", at) for key, at in twice_in(text))
        raise ProblemError(tuple(faults))
    return data


# Points from a spreadsheet

_COLUMNS = ("name", "dose", "tolerance", "tolerance.below", "tolerance.above", "pump", "nozzle", "count",
            "air_per_dose.min", "air_per_dose.max", "air_flow.min", "air_flow.max", "weight", "cut.time",
            "cut.strokes", "tags", "now.mark", "now.turns", "now.pump")  # fmt: skip
_NUMBERS = {"count", "weight", "cut.strokes", "now.turns"}
_LISTS = {"pump", "tags"}


def _points(source: Source, points_file: Any, given_twice: bool, faults: list[Fault], sums: list[tuple[str, str]]
            ) -> tuple[list[dict[str, Any]] | None, dict[str, int]]:  # fmt: skip
    """The rows of the points' file as tables, and the line of each place in it."""
    own = Faults()
    try:
        if given_twice:
            raise _refuse(None, "both 'points' and [[point]]", "one of them", "points")
        table = source.points(points_file)
        sums.append((points_file, hashlib.sha256(table).hexdigest()))
        tables = _tables(rows_of(_decode(table)), points_file, own)
        faults += own
        return tables
    except ProblemError as error:
        faults += [replace(f, key=f.key or f"points in {found(points_file)}") for f in error.faults]
        return None, {}


def _beside(name: str, points_file: Any) -> bytes:
    """The bytes of the points' file, which must lie in the problem file's own folder."""
    if not isinstance(points_file, str) or not points_file or re.search(r"[/\\\x00]", points_file) \
            or points_file in (".", ".."):  # fmt: skip
        raise _refuse(None, found(points_file), "the bare name of a CSV file beside this one", "points")
    if name == "-":
        raise _refuse(None, found(points_file), "[[point]] tables: standard input has no folder", "points")
    folder = Path(name).resolve().parent
    try:
        file = (folder / points_file).resolve(strict=True)
        if file.parent != folder or not file.is_file():
            raise _refuse(None, found(points_file), "a plain file in the problem file's own folder", "points")
        with file.open("rb") as stream:
            return stream.read(SIZE_LIMIT + 1)
    except (OSError, RuntimeError) as error:
        reason = getattr(error, "strerror", None) or "a loop of links"
        raise _refuse(None, f"{found(points_file)}: {reason}", "a file that can be read", "points") from None


def _tables(rows: list[tuple[int, list[str]]], points_file: str, faults: Faults
            ) -> tuple[list[dict[str, Any]], dict[str, int]]:  # fmt: skip
    (_, header), *body = rows
    place = f" in {points_file}"
    while header and not header[-1]:
        header.pop()
    faults += header_faults(header, _COLUMNS, rows[0][0], "points", f"column{place}")
    columns = {column: header.index(column) for column in dict.fromkeys(header) if column in _COLUMNS}
    tables, lines = [], {}
    for i, (line, cells) in enumerate(body):
        lines[path(("point", i))] = line
        if any(cells[len(header):]):
            expected = f"{len(header)}, as the header has (is a decimal comma among them?)"
            faults.append(Fault(path(("point", i)) + place, f"{len(cells)} cells", expected, line))
        table: dict[str, Any] = {}
        for column, k in columns.items():
            if cell := cells[k] if k < len(cells) else "":
                first, _, second = column.partition(".")
                if second and isinstance(inner := table.setdefault(first, {}), dict):
                    inner[second] = _cell(column, cell)
                elif first in table:
                    faults.append(Fault(path(("point", i, first)) + place, "both one tolerance and its two sides",
                                        "one of them", line))  # fmt: skip
                else:
                    table[first] = _cell(column, cell)
        tables.append(table)
    return tables, lines


def _cell(column: str, cell: str) -> Any:
    if column in _LISTS:
        return [part.strip() for part in cell.split("|") if part.strip()]
    if (column in _NUMBERS or column.startswith("tolerance")) and PLAIN_NUMBER.fullmatch(cell):
        return int(cell) if re.fullmatch("[+-]?[0-9]+", cell) else float(cell)
    return cell


# Where a key stands

def placed(fault: Fault, lines: dict[str, int], rows: dict[str, int], points_file: Any = None) -> Fault:
    """The fault with its line: in the points' file where it comes from there.

    >>> placed(Fault("air.pressure", "nothing", "a pressure"), {"air": 3}, {}).line
    3
    """
    if fault.line is not None or fault.key is None:
        return fault
    row = re.match(r"point\[\d+\]", fault.key)
    if row and row[0] in rows:
        return Fault(f"{fault.key} in {points_file}", fault.found, fault.expected, rows[row[0]])
    key = fault.key
    while key and key not in lines:
        key = key[: max(key.rfind("."), key.rfind("["), 0)]
    return Fault(fault.key, fault.found, fault.expected, lines.get(key))


def text_of(problem: Problem, file: str) -> str:
    """A problem as the text of a file of that name: TOML, or JSON where it ends in .json.

    >>> from stackopt.stack import _example
    >>> text_of(_example(), "a.toml").splitlines()[:2]
    ['[fluid]', 'kind = "neat oil"']
    """
    data = problem.to_dict()
    if file.lower().endswith(".json"):
        return json.dumps(data, indent=2, ensure_ascii=False) + "\n"
    with library("writing TOML"):
        import tomli_w

        return tomli_w.dumps(data)


# The schema

def schema() -> dict[str, Any]:
    """The JSON Schema of a problem file.

    >>> schema()["properties"]["points"]["type"]
    'string'
    """
    with library("writing the schema"):
        whole = Problem.model_json_schema()
    whole = {"$schema": "https://json-schema.org/draft/2020-12/schema", **whole, "title": "stackopt problem"}
    tolerance = whole["$defs"]["Point"]["properties"]["tolerance"]
    whole["$defs"]["Point"]["properties"]["tolerance"] = {"anyOf": [tolerance, SIDE_SCHEMA]}
    whole["properties"]["constraint"] = {"type": "array", "items": {"oneOf": [
        kind.model_json_schema() for kind in kinds().values()]}}  # fmt: skip
    whole["properties"]["points"] = {
        "type": "string",
        "pattern": r"^[^/\\]+$",
        "description": "instead of point: the bare name of a CSV file in this file's folder",
    }
    whole["required"].remove("point")
    whole["oneOf"] = [{"required": ["point"]}, {"required": ["points"]}]
    return whole
