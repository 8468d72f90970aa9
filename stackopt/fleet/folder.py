"""A folder of answers: a file a machine, and a summary that tells only of what is there, at any moment."""

import csv
import hashlib
import io
import json
import math
import os
import unicodedata
from array import array
from collections.abc import Iterator, Sequence
from dataclasses import replace as with_fields
from pathlib import Path
from typing import Any

from stackopt.errors import Fault, ProblemError, known
from stackopt.fleet.answers import Answer, Machine, line_of
from stackopt.installed import decisive
from stackopt.problem.files import Source
from stackopt.writing import ANSWER, PAGE, make_folder, names_in, not_writable, place_of, real, replace, swept

COLUMNS = ("file", "status", "exit", "in_tolerance", "rate_per_min", "mean_error", "worst_error", "excess",
           "air_L_per_min", "air_share", "fluid_L_per_week", "conflicts", "faults", "changes", "seconds",
           "checksum")  # fmt: skip
SUMMARY = "summary.csv"
# The exit codes of what is not done again on resuming; 1 is what failed for reasons that may lie outside the file.
_DONE = ("0", "2", "3", "4", "5")
_FIGURES = ("air_L_per_min", "fluid_L_per_week")  # that are summed
_OURS = (b"file,status,exit,",)


def cell(value: Any) -> str:
    """A value as a cell of the summary, which no spreadsheet takes for a formula; empty where it is not known.

    >>> cell("=A1"), cell("drill, 2"), cell(0.5), cell(None), cell(True)
    ("'=A1", 'drill, 2', '0.5', '', 'true')
    >>> cell("a;=A1")  # where a spreadsheet takes semicolons for what parts cells
    "a;'=A1"
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    if not isinstance(value, str):
        return repr(value)
    text = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in value)
    return ";".join("'" + part if _begins_formula(part) else part for part in text.split(";"))


def _begins_formula(text: str) -> bool:
    first = unicodedata.normalize("NFKC", text).lstrip()[:1]  # wide signs begin formulas too
    return bool(first) and first in "=+-@"


def checksum(machine: Machine) -> str | None:
    """What an answer depends on, as SHA-256: the file, the CSV beside it, the version and what is asked for."""
    if not isinstance(machine.source, Source):
        return None
    wish = with_fields(machine.wish, page=None)
    parts = [repr(decisive()).encode(), repr((wish, machine.wish.page is not None)).encode(), machine.source.data]
    beside = machine.source.table
    parts += [b"" if beside is None else beside if isinstance(beside, bytes) else str(beside).encode(),
              machine.old or b""]  # fmt: skip
    whole = hashlib.sha256()
    for part in parts:
        whole.update(f"{len(part)} ".encode() + part)
    return whole.hexdigest()


class Folder:
    """Where the answers of a batch are kept.

    An answer is written first and its row of the summary after it; so whatever a row tells of is there. While the
    batch runs, rows stand in the order in which they came; at its end in the order of the files.
    """

    def __init__(self, place: str, files: Sequence[str], pages: str | None = None) -> None:
        """Make the folder where it is missing. Raises ProblemError where something of another kind is in the way."""
        self._files = files
        self.answers = names_in(place, files, ".json", "--out")
        self.pages = names_in(pages, files, ".html", "--report") if pages is not None else {}
        self._summary = str(Path(place) / SUMMARY)
        make_folder(place)
        if pages is not None:
            make_folder(pages)
        given = {real(file): file for file in files if file not in ("-", "")}
        faults: list[Fault] = []
        for names, ours, what in ((self.answers, ANSWER, "an older answer"), (self.pages, PAGE, "a page"),
                                  ({"": self._summary}, _OURS, "an older summary")):  # fmt: skip
            for name in names.values():
                if (problem := given.get(real(name))) is not None:
                    faults.append(Fault("--out", f"{name}, which is the problem file {problem}", "another folder"))
                    continue
                try:
                    place_of(name, ours, what)
                except ProblemError as error:
                    faults += [Fault(name, fault.found, fault.expected) for fault in error.faults]
        if faults:
            raise ProblemError(tuple(faults))
        self._places = array("q", [-1]) * (2 * len(files))  # where the row of each file begins, and its length
        self._end = 0
        self._rows: dict[str, list[str]] = {}
        self._stream: io.FileIO | None = None

    def begin(self, resume: bool) -> None:
        """Begin a new summary; with the rows of the old one that are of these files still, where it is resumed."""
        self._rows = self._old() if resume else {}
        for folder in {os.path.dirname(name) or "." for name in (*self.answers.values(), *self.pages.values())}:
            swept(folder)
        numbers = {cell(file): number for number, file in enumerate(self._files)}
        kept = [(numbers[name], _row_bytes(row)) for name, row in self._rows.items() if name in numbers]
        replace(self._summary, [_row_bytes(COLUMNS), *(row for _, row in kept)], _OURS, "an older summary")
        self._end = len(_row_bytes(COLUMNS))
        try:
            self._stream = open(self._summary, "ab", buffering=0)  # noqa: SIM115, closed when the batch ends
        except OSError as error:
            raise not_writable(error, self._summary) from None
        for number, row in kept:
            self._note(number, len(row))

    def row_of(self, number: int, known: str | None) -> dict[str, str] | None:
        """The row of a file that has its answer already, to what has that checksum; else None."""
        file = self._files[number]
        row = dict(zip(COLUMNS, self._rows.get(cell(file), ()), strict=False))
        if not row or known is None or row["exit"] not in _DONE:
            return None
        try:
            if row["checksum"] != _with_answer(known, Path(self.answers[file]).read_bytes()):
                return None  # something else was asked, or the answer was changed by others
        except (OSError, ValueError, RecursionError):
            return None
        if not all(_is_figure(row[name]) for name in _FIGURES):  # the summary was changed by others
            return None
        if row["exit"] != "2" and self.pages and not os.path.isfile(self.pages[file]):
            return None
        return row

    def keep(self, number: int, answer: Answer, checksum: str | None) -> None:
        """Write an answer, its page and then its row. Raises ProblemError where that cannot be."""
        file = self._files[number]
        told = answer.row | {"file": file, "checksum": checksum and _with_answer(checksum, answer.data)}
        row = _row_bytes([cell(told.get(name)) for name in COLUMNS])
        replace(self.answers[file], [answer.data], ANSWER, "an older answer")
        if answer.page is not None:
            replace(self.pages[file], [answer.page], PAGE, "a page")
        self._still_ours()
        try:
            if known(self._stream).write(row) != len(row):
                raise OSError("the disk is full")
        except OSError as error:
            raise not_writable(error, self._summary) from None
        self._note(number, len(row))

    def end(self) -> None:
        """Put the rows in the order of the files."""
        try:
            self._still_ours()
        finally:
            known(self._stream).close()
        replace(self._summary, self._in_order(), _OURS, "an older summary")

    def _still_ours(self) -> None:
        """Raise ProblemError where another batch has begun a summary in the place of this one's."""
        try:
            same = os.path.samestat(os.stat(self._summary), os.fstat(known(self._stream).fileno()))
        except OSError as error:
            raise not_writable(error, self._summary) from None
        if not same:
            raise ProblemError((Fault(None, "the summary of another batch", "a folder that no other one writes into"),),
                               self._summary)  # fmt: skip

    def _in_order(self) -> Iterator[bytes]:
        yield _row_bytes(COLUMNS)
        with open(self._summary, "rb") as stream:
            for number in range(len(self._files)):
                start, length = self._places[2 * number: 2 * number + 2]
                if start >= 0:
                    stream.seek(start)
                    yield stream.read(length)

    def _note(self, number: int, length: int) -> None:
        self._places[2 * number], self._places[2 * number + 1] = self._end, length
        self._end += length

    def _old(self) -> dict[str, list[str]]:
        """The rows of an older summary by their file, the last one of each; one that was cut off is none."""
        try:
            text = Path(self._summary).read_bytes().decode()
        except FileNotFoundError:
            return {}
        except (OSError, ValueError) as error:
            raise not_writable(error, self._summary, "a summary that can be read") from None
        rows = csv.reader(io.StringIO(text))
        try:
            return {row[0]: row for row in rows if len(row) == len(COLUMNS) and row[0] != COLUMNS[0]}
        except csv.Error:
            return {}  # no summary of ours any more: all is done again


def _is_figure(text: str) -> bool:
    try:
        return not text or math.isfinite(float(text))
    except ValueError:
        return False


def _with_answer(checksum: str, data: bytes) -> str:
    """The checksum of what is asked and of what came of it, but for how (`solve`), which no two runs share.

    Raises ValueError or RecursionError where the answer is not as it was written: cut off by a loss of power, say.
    """
    told = json.loads(data)
    if not isinstance(told, dict) or line_of(told) != data:
        raise ValueError("no answer")
    told.pop("solve", None)
    return f"{checksum}-{hashlib.sha256(line_of(told)).hexdigest()}"


def _row_bytes(row: Sequence[str]) -> bytes:
    stream = io.StringIO()
    csv.writer(stream, lineterminator="\n").writerow(row)
    return stream.getvalue().encode(errors="backslashreplace")
