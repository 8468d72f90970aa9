"""What can go wrong, as exceptions that carry their parts and their exit code."""

import difflib
import functools
import os
import re
import traceback
import warnings
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import islice, pairwise
from typing import Any, TypeVar

T = TypeVar("T")

# What a terminal obeys, or what hides or turns round other letters; halves of letters.
HIDDEN = re.compile("[\0-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ufeff\ud800-\udfff]")


def legible(text: str) -> str:
    r"""A text for a terminal: what would not be seen as it is stands there as its escape.

    >>> print(legible("red \x1b[31m"))
    red \x1b[31m
    """
    return HIDDEN.sub(lambda hidden: hidden[0].encode("unicode_escape").decode(), text)


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault of an input: where it stands, what stands there and what is expected instead.

    >>> print(Fault(key="point[2].dose", found="'12'", expected="a unit, as in '12 mL/h'", line=14))
    line 14, point[2].dose: found '12'; expected a unit, as in '12 mL/h'
    """

    key: str | None
    found: str
    expected: str
    line: int | None = None

    def __str__(self) -> str:
        place = ", ".join(
            part for part in (f"line {self.line}" if self.line else None, self.key) if part is not None
        )
        return legible(f"{place + ': ' if place else ''}found {self.found}; expected {self.expected}")


FAULTS_LIMIT = 1000  # that are listed of one file
_LIKE = 40  # letters that are compared of a name


class Faults:
    """Faults as they are found. More than anyone reads raise `ProblemError`, with as many as are listed."""

    def __init__(self) -> None:
        self._noted: list[Fault] = []

    def __iter__(self) -> Iterator[Fault]:
        return iter(self._noted)

    def __len__(self) -> int:
        return len(self._noted)

    def append(self, fault: Fault) -> None:
        """Note one."""
        if len(self) == FAULTS_LIMIT:
            raise ProblemError((*self, Fault(None, f"more than {FAULTS_LIMIT:,} faults", "these put right first")))
        self._noted.append(fault)

    def __iadd__(self, faults: Iterable[Fault]) -> "Faults":
        for fault in faults:
            self.append(fault)
        return self


def nearest(word: str, known: Iterable[str], alike: float = 0.0) -> str | None:
    """The name most like a word; of long names their start counts, of many names the first 200.

    >>> nearest("drip", ["density", "drop", "tip"])
    'drop'
    """
    names = {name[:_LIKE]: name for name in map(str, islice(known, 200))}
    pairs = _pairs(word[:_LIKE])
    some = sorted(names, key=lambda name: -len(pairs & _pairs(name)))[:3]  # to compare all of them takes long
    near = difflib.get_close_matches(word[:_LIKE], some, n=1, cutoff=alike)
    return names[near[0]] if near else None


@functools.lru_cache(maxsize=1024)
def _pairs(text: str) -> frozenset[tuple[str, str]]:
    return frozenset(pairwise(text))


# What any code may meet, as words.
LIMITS = (MemoryError, RecursionError)
_LIMITS: dict[type[Exception], str] = {MemoryError: "out of memory", RecursionError: "nested too deeply"}


class StackoptError(Exception):
    """Any failure that stackopt foresees; `exit_code` is what the command line ends with."""

    exit_code = 1
    faults: tuple[Fault, ...] = ()

    def to_dict(self, file: str | None) -> dict[str, Any]:
        """The failure as plain data, in the place of an answer to `file`."""
        faults = self.faults or (Fault(None, str(self), "an answer"),)
        return {"format": "stackopt.fault/1", "file": file, "exit": self.exit_code, "faults": [
            {"line": f.line, "key": f.key, "found": f.found, "expected": f.expected} for f in faults]}  # fmt: skip


class ProblemError(StackoptError):
    """A problem file (or the keys given to `Problem`) is wrong; `faults` lists every fault at once."""

    exit_code = 2

    def __init__(self, faults: tuple[Fault, ...], file: str | None = None) -> None:
        super().__init__(faults, file)
        self.faults = faults
        self.file = file

    def __str__(self) -> str:
        where = legible(f"{self.file}: ") if self.file else ""
        return "\n".join(f"{where}{fault}" for fault in self.faults)


class SolverError(StackoptError):
    """A solver failed, or gave an answer that the judge does not confirm."""


def known(value: T | None) -> T:
    """What must be known here, since something before depends on it. Raises StackoptError where it is not.

    >>> known(0.0)
    0.0
    """
    if value is None:
        raise StackoptError("a figure is missing that must be known here")
    return value


def foreseen(error: Exception) -> StackoptError:
    """Any failure as one of ours, in words; what is none of ours already is a fault of the program, or a limit.

    Raises KeyboardInterrupt where it is one that pydantic met while it built a model, and made an error of.

    >>> foreseen(MemoryError())
    StackoptError('out of memory')
    """
    if isinstance(error, StackoptError):
        return error
    for kind, words in _LIMITS.items():
        if isinstance(error, kind):
            return StackoptError(words)
    if isinstance(error, OSError):  # of the system: a limit on open files, a disk that fails
        return StackoptError(f"the system refused something: {legible(str(error))}")
    if type(error).__name__ == "SchemaError" and "KeyboardInterrupt" in str(error):
        raise KeyboardInterrupt from error
    return StackoptError(f"a fault of the program, {placed_error(error)}; please report it with what "
                         "'stackopt --version' says")  # fmt: skip


def placed_error(error: Exception) -> str:
    """An error in words, with the place that it comes from.

    >>> placed_error(KeyError("b"))
    "KeyError: 'b'"
    """
    at = traceback.extract_tb(error.__traceback__)[-1:]
    return _told(error) + "".join(f" ({os.path.basename(step.filename)}, line {step.lineno})" for step in at)


@contextmanager
def library(what: str, ours: type[StackoptError] = StackoptError, of: tuple[type[Exception], ...] = (Exception,)
            ) -> Iterator[None]:  # fmt: skip
    """Turn what a library raises into one of our errors, with the library's as its cause; ours pass.

    >>> with library("the table"):
    ...     {}["b"]
    Traceback (most recent call last):
    stackopt.errors.StackoptError: the table failed: KeyError: 'b'
    """
    try:
        yield
    except of as error:
        if type(error).__module__.partition(".")[0] == "stackopt":
            raise
        raise ours(f"{what} failed: {_LIMITS.get(type(error)) or _told(error)}") from error


def _told(error: Exception) -> str:
    return f"{type(error).__name__}: {error}".removesuffix(": ")


class OutOfRange(UserWarning):
    """An equation is used outside the range that its source states; its value is a guide at best."""


@contextmanager
def noting(notes: list[str]) -> Iterator[None]:
    """Collect the words of `OutOfRange` warnings in `notes`, each once, instead of showing them.

    >>> notes = []
    >>> with noting(notes):
    ...     warnings.warn("a drop too small", OutOfRange)
    >>> notes
    ['a drop too small']
    """
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", OutOfRange)
        yield
    for one in caught:
        if not issubclass(one.category, OutOfRange):
            warnings.warn_explicit(one.message, one.category, one.filename, one.lineno)
        elif str(one.message) not in notes:
            notes.append(str(one.message))
