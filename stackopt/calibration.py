"""What was measured at the machine, from a CSV file, turned into keys of its problem file."""

from pathlib import Path

from stackopt.errors import LIMITS, Fault, Faults, ProblemError, library
from stackopt.problem.files import text_in
from stackopt.problem.model import Problem
from stackopt.problem.sheet import read_rows, rows_of
from stackopt.stack import Stack
from stackopt.trials import COLUMNS as TRIAL_COLUMNS
from stackopt.trials import NEEDED as TRIAL_NEEDED
from stackopt.trials import Trials, read_trials
from stackopt.weighings import COLUMNS as WEIGHING_COLUMNS
from stackopt.weighings import NEEDED as WEIGHING_NEEDED
from stackopt.weighings import Weighings, read_runs

ROWS_LIMIT = 10_000  # what no one weighs or sprays
FORMS = ("weighings (pump or point, mark, strokes, mass) or spray trials (point, rate, mark, turns, seen)")


def calibrate(problem: Problem, csv_file: str | Path, rising: bool = False, water: bool = False
              ) -> Weighings | Trials:  # fmt: skip
    r"""Stroke volumes and shares from weighings, or windows of air from spray trials; the header tells which.

    Args:
        problem: The machine.
        csv_file: The rows (UTF-8, comma or semicolon), or "-" for standard input.
        rising: Fit shares that never fall from mark to mark to the weighings.
        water: The weighings are of water; the column temperature gives its Z factor.

    Raises `ProblemError` with every fault of the rows, each with its line and column.

    >>> import tempfile; from pathlib import Path; from stackopt.stack import _example
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = Path(folder) / "trials.csv"
    ...     _ = file.write_text("point,rate,mark,turns,seen\na,10/min,3,1,sputter\na,10/min,2,2,good\n")
    ...     answer = calibrate(_example(), file)
    >>> print(answer.toml)
    # point a
    air_per_dose = { min = "177.7 L/mL" }
    """
    name = str(csv_file)
    try:
        with library("calibrating", of=LIMITS):
            return _read(problem, name, rising, water)
    except ProblemError as error:
        raise ProblemError(error.faults, name) from None


def _read(problem: Problem, name: str, rising: bool, water: bool) -> Weighings | Trials:
    if name == "-" and problem.file == "-":
        raise ProblemError((Fault(None, "- for both files", "one of them by its name"),))
    table = rows_of(text_in(name), "a weighing or a trial", ROWS_LIMIT)
    line, header = table[0]
    weighed, sprayed = "mass" in header, "seen" in header
    if weighed == sprayed:
        what = "both mass and seen" if weighed else "neither mass nor seen"
        raise ProblemError((Fault("column", what, FORMS, line),))
    known, needed, of = (WEIGHING_COLUMNS, WEIGHING_NEEDED, "weighings") if weighed else (
        TRIAL_COLUMNS, TRIAL_NEEDED, "spray trials")  # fmt: skip
    faults = Faults()
    if sprayed:
        faults += [Fault(option, "spray trials", "weighings: that is all it is for")
                   for option, given in (("--rising", rising), ("--water", water)) if given]  # fmt: skip
    rows = read_rows(table, known, of, faults)
    faults += [Fault("column", f"no {column}", f"the column {column}: {FORMS}", line)
               for column in needed if column not in header]  # fmt: skip
    answer: Weighings | Trials
    if weighed:
        answer = Weighings(problem, name, read_runs(problem, rows, water, faults), water, rising)
    else:
        stack = Stack.of(problem)
        answer = Trials(problem, name, stack, read_trials(problem, stack, rows))
    if faults:
        raise ProblemError(tuple(sorted(faults, key=lambda fault: fault.line or 0)))
    return answer
