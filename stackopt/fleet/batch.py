"""Many machines solved, wherever the work is done; every answer kept as soon as it is there."""

import os
import time
from collections import Counter
from collections.abc import Callable, Generator, Iterable, Iterator
from contextlib import closing
from dataclasses import dataclass, field
from itertools import count
from typing import Any

from stackopt.errors import StackoptError
from stackopt.fleet.answers import Machine, Wish, answered, failed
from stackopt.fleet.child import Lost
from stackopt.fleet.folder import Folder, checksum
from stackopt.problem.files import SIZE_LIMIT, Source, source_at

Spread = Callable[[Callable[[Any], Any], Iterable[Any]], Generator[tuple[int, Any], None, None]]


@dataclass
class Totals:
    """What a batch came to so far."""

    files: int
    codes: Counter[int] = field(default_factory=Counter)  # how many machines ended with which exit code
    kept: int = 0  # of them, answered before
    air: float = 0.0  # L/min, of all machines with settings
    fluid: float = 0.0  # L a week, of those that say their hours
    unsaid: int = 0  # machines with settings that do not say their hours
    start: float = field(default_factory=time.perf_counter)

    @property
    def done(self) -> int:
        """How many machines have an answer."""
        return self.codes.total()

    @property
    def seconds(self) -> float:
        """How long it has taken."""
        return time.perf_counter() - self.start

    @property
    def per_second(self) -> float | None:
        """Machines answered a second, those answered before left out; None before the first."""
        fresh = self.done - self.kept
        return fresh / self.seconds if fresh else None

    @property
    def left(self) -> float | None:
        """Seconds that the rest will take if it goes on as it did; None before the first."""
        rate = self.per_second
        return None if rate is None else (self.files - self.done) / rate

    def add(self, row: dict[str, Any], kept: bool = False) -> None:
        """Count a machine by its row of the summary."""
        self.codes[int(row["exit"])] += 1
        self.kept += kept
        if row.get("air_L_per_min") not in (None, ""):
            self.air += float(row["air_L_per_min"])
            if row.get("fluid_L_per_week") in (None, ""):
                self.unsaid += 1
            else:
                self.fluid += float(row["fluid_L_per_week"])


def run(files: list[str], folder: Folder, wish: Wish, spread: Spread, totals: Totals, resume: bool = False,
        against: str | None = None) -> Generator[int, None, None]:  # fmt: skip
    """Solve files and keep their answers in a folder; the number of each as it is done, in any order.

    `spread` does the work, as `pool.spread` does; with `resume` only what is new or has changed; `against` is a folder
    of older answers. However it ends, what is done is kept. Raises ProblemError where the folder cannot be written.
    """
    folder.begin(resume)
    orders = count()
    sent: dict[int, tuple[int, str | None]] = {}  # number and checksum of what is being worked on
    before: list[int] = []  # answered before, not yet told

    def machines() -> Iterator[Machine]:
        for number, file in enumerate(files):
            machine = Machine(_source(file), wish, None if against is None else _old(against, folder.answers[file]))
            known = checksum(machine)
            if row := folder.row_of(number, known):
                totals.add(row, kept=True)
                before.append(number)
            else:
                sent[next(orders)] = (number, known)
                yield machine

    try:
        with closing(spread(answered, machines())) as answers:
            for order, found in answers:
                number, known = sent.pop(order)
                answer = failed(StackoptError(found.why), files[number], None) if isinstance(found, Lost) else found
                folder.keep(number, answer, known)
                totals.add(answer.row)
                yield from [*before, number]
                before.clear()
        yield from before
        if totals.done != len(files):
            raise StackoptError(f"{len(files) - totals.done} machines came back without an answer")
    finally:
        folder.end()


def _source(file: str) -> Source | StackoptError:
    try:
        return source_at(file).whole()
    except StackoptError as error:
        return error


def _old(folder: str, name: str) -> bytes:
    """The older answer of that name; empty where there is none."""
    try:
        with open(os.path.join(folder, os.path.basename(name)), "rb") as stream:
            return stream.read(SIZE_LIMIT)
    except OSError:
        return b""
