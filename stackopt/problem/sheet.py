"""Tables from spreadsheets: rows of a CSV file, each cell with its line and column for what is wrong with it."""

import csv
import io
import re
from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from stackopt import units
from stackopt.errors import Fault, Faults, ProblemError, nearest
from stackopt.problem.model import Point, Problem
from stackopt.problem.rules import found

PLAIN_NUMBER = re.compile(r"[+-]?[0-9]{1,25}(\.[0-9]{1,25})?([eE][+-]?[0-9]{1,3})?", re.ASCII)


def rows_of(text: str, of: str = "a point", most: int = 100_000) -> list[tuple[int, list[str]]]:
    r"""The rows that are not empty, each with the line that it starts on; the first is the header.

    Commas or semicolons part the cells, as in the header. `of` says what a row holds, `most` how many are read.

    >>> rows_of("mark;mass\n1; 2 g\n;;\n")
    [(1, ['mark', 'mass']), (2, ['1', '2 g'])]
    """
    header = text.lstrip("\r\n").split("\n", 1)[0]
    delimiter = ";" if ";" in re.sub('"[^"]*"', "", header) else ","
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    rows = []
    line = 1
    try:
        for row in reader:
            cells = [cell.strip() for cell in row]
            if any(cells):
                rows.append((line, cells))
                if len(rows) > most + 1:
                    raise ProblemError((Fault(None, f"more than {most:,} rows", f"at most {most:,}", line),))
            line = reader.line_num + 1
    except csv.Error as error:
        expected = "quotes that close, and cells without line breaks outside them"
        raise ProblemError((Fault(None, str(error), expected, line),)) from None
    if len(rows) < 2:
        raise ProblemError((Fault(None, f"no row of {of}", f"a header line and one row {of}", line),))
    return rows


def header_faults(header: Sequence[str], known: Sequence[str], line: int, of: str, key: str = "column"
                  ) -> Iterator[Fault]:  # fmt: skip
    """Columns that are not known, or there more than once.

    >>> print(*header_faults(["mark", "mas"], ["mark", "mass"], 1, "weighings"))
    line 1, column: found 'mas'; expected a column of weighings, perhaps 'mass'
    """
    for column, count in Counter(header).items():
        if column not in known:
            yield Fault(key, found(column), f"a column of {of}, perhaps '{nearest(column, known)}'", line)
        if count > 1:
            yield Fault(key, f"{found(column)} {count} times", "each column once", line)


@dataclass(frozen=True)
class Row:
    """One row: cells by column, those that are not empty; what is wrong is put on the list of faults."""

    line: int
    cells: dict[str, str]
    columns: Collection[str]
    faults: Faults = field(repr=False)

    def wrong(self, column: str, expected: str, what: str | None = None) -> None:
        """Note a fault of a cell."""
        self.faults.append(Fault(column, what or found(self.cells.get(column, "nothing")), expected, self.line))

    def text(self, column: str, example: str | None = None) -> str | None:
        """What stands there; with an example it must not be empty (a column that lacks is told once, elsewhere)."""
        cell = self.cells.get(column)
        if cell is None and example is not None and column in self.columns:
            self.wrong(column, example, "nothing")
        return cell

    def one_of(self, column: str, known: Collection[str], what: str, needed: bool = True) -> str | None:
        """One of the known names."""
        cell = self.text(column, what if needed else None)
        if cell is None or cell in known:
            return cell
        some = f"{what}: {', '.join(known)}" if len(known) < 10 else f"{what}, perhaps '{nearest(cell, known)}'"
        self.wrong(column, some)
        return None

    def quantity(self, column: str, kind: str, least: float | None = None, needed: bool = True) -> float | None:
        """A quantity of that kind in inside units: above zero, or at least `least`."""
        example = f"as in '{units.KINDS[kind].example}'"
        cell = self.text(column, f"a {kind}, {example}" if needed else None)
        if cell is None:
            return None
        try:
            number = units.read(cell, kind).number
        except ValueError as fault:
            self.wrong(column, str(fault))
            return None
        if number <= 0 if least is None else number < least:
            self.wrong(column, f"{'above 0' if least is None else f'at least {least:g}'}, {example}")
            return None
        return number

    def number(self, column: str, example: str) -> float | None:
        """A plain number of a machine's size."""
        cell = self.text(column, f"a number, as in {example}")
        if cell is None:
            return None
        if not PLAIN_NUMBER.fullmatch(cell) or not units.possible(float(cell)):
            comma = re.fullmatch("[+-]?[0-9.]*,[0-9]+", cell)
            self.wrong(column, f"a decimal point, not a comma, as in {example}" if comma else
                       f"a number, as in {example}")  # fmt: skip
            return None
        return float(cell)


def read_rows(rows: list[tuple[int, list[str]]], known: Sequence[str], of: str, faults: Faults) -> list[Row]:
    """The rows under the header, cells by column; faults of the header and of rows that are too long are noted.

    >>> read_rows([(1, ["mark", "mass"]), (2, ["1", "2 g"])], ["mark", "mass"], "weighings", [])[0].cells
    {'mark': '1', 'mass': '2 g'}
    """
    (line, header), *body = rows
    header = header[: max(k for k, cell in enumerate(header, 1) if cell)]
    faults += header_faults(header, known, line, of)
    found_rows = []
    for at, cells in body:
        if any(cells[len(header):]):
            expected = f"{len(header)}, as the header has (is a decimal comma among them?)"
            faults.append(Fault(None, f"{len(cells)} cells", expected, at))
            continue  # its cells may have slipped into wrong columns
        named = zip(header, cells, strict=False)
        found_rows.append(Row(at, {column: cell for column, cell in named if cell}, header, faults))
    return found_rows


def place_of(problem: Problem, points: Mapping[str, Point], row: Row) -> tuple[str | None, str | None, int]:
    """Pump, point (None: not by point) and number of pumps that a row speaks of; pump None where that is wrong.

    `points` are those of the problem by name.
    """
    named = row.one_of("point", points, "a point", needed=False)
    pump = row.one_of("pump", problem.pumps, "a name under [pumps]", needed=False)
    if "point" not in row.cells:
        if "pump" not in row.cells and {"pump", "point"} & set(row.columns):
            row.wrong("pump" if "pump" in row.columns else "point", "a pump or a point", "nothing")
        return pump, None, 1
    if named is None:
        return None, None, 1
    point = points[named]
    if "pump" not in row.cells and len(point.pump) > 1:
        row.wrong("pump", f"which of its pumps {named} had: {', '.join(point.pump)}", "nothing")
        return None, None, 1
    if pump is not None and pump not in point.pump:
        row.wrong("pump", f"a pump of {named}: {', '.join(point.pump)}")
        return None, None, 1
    return pump if "pump" in row.cells else point.pump[0], named, point.count
