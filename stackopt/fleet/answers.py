"""One machine of many: what is asked of it, its answer as bytes, and its row of the summary."""

import json
import time
from dataclasses import dataclass
from datetime import date
from typing import Any

from stackopt.beside.stock import weekly_fluid
from stackopt.errors import StackoptError, foreseen
from stackopt.fleet.against import Change, change_of
from stackopt.problem.files import Source, problem_in
from stackopt.result import Result, data_of, solve
from stackopt.today import keep


@dataclass(frozen=True)
class Wish:
    """What is asked of every machine."""

    keep: bool = False
    alternatives: int = 0
    what_if: bool = False
    page: date | None = None  # the day that a page says; None for no page


@dataclass(frozen=True)
class Machine:
    """One machine: its file, or why that cannot be read, and its older answer where it is held against one."""

    source: Source | StackoptError
    wish: Wish
    old: bytes | None = None


@dataclass(frozen=True)
class Answer:
    """What one machine came to: the exit code, its JSON in a line, its page, and its row of the summary."""

    exit_code: int
    data: bytes
    row: dict[str, Any]
    page: bytes | None = None


def answered(machine: Machine) -> Answer:
    """Read, solve and explain one machine; a failure that is foreseen is an answer too."""
    start = time.perf_counter()
    file = None
    try:
        if isinstance(machine.source, StackoptError):
            raise machine.source
        file = machine.source.name
        wish = machine.wish
        result = (keep if wish.keep else solve)(problem_in(machine.source))
        data = data_of(result, wish.alternatives, wish.what_if)
        change = None
        if machine.old is not None:
            change = change_of(result, machine.old)
            data["against"] = change.to_dict()
        page = None
        if wish.page is not None:
            from stackopt.report.page import page as page_of

            page = page_of(result, wish.page).encode()
    except Exception as error:
        return failed(foreseen(error), getattr(error, "file", None) or file, time.perf_counter() - start)
    row = _row(result, change) | {"seconds": time.perf_counter() - start}
    return Answer(result.exit_code, line_of(data), row, page)


def failed(error: StackoptError, file: str | None, seconds: float | None) -> Answer:
    """The answer of a machine that has none."""
    data = error.to_dict(file)
    faults = [str(fault) for fault in error.faults] or [str(error)]
    told = "; ".join(faults[:3]) + (f"; and {len(faults) - 3} more" if len(faults) > 3 else "")
    row = {"status": "wrong" if error.exit_code == 2 else "failed", "exit": error.exit_code,
           "faults": told, "seconds": seconds}  # fmt: skip
    return Answer(error.exit_code, line_of(data), row)


def line_of(data: dict[str, Any]) -> bytes:
    r"""An answer as it is written: one line of JSON.

    >>> line_of({"exit": 2})
    b'{"exit": 2}\n'
    """
    return (json.dumps(data, allow_nan=False) + "\n").encode()


def _row(result: Result, change: "Change | None") -> dict[str, Any]:
    objective, verdict = result.objective, result.verdict
    clashes = [", ".join([*clash["points"], *clash["rules"]]) for clash in result.conflicts]
    row = {"status": result.status, "exit": result.exit_code, "in_tolerance": result.in_tolerance,
           "conflicts": "; ".join(clashes)}  # fmt: skip
    if objective is not None and verdict is not None and result.settings is not None:
        row |= {"rate_per_min": " | ".join(repr(rate) for rate in result.settings.generators),
                "mean_error": objective.mean_error, "worst_error": objective.worst_error, "excess": objective.excess,
                "air_L_per_min": verdict.air, "air_share": objective.air_share,
                "fluid_L_per_week": weekly_fluid(result.problem, verdict)}  # fmt: skip
    if change is not None:
        row["changes"] = change.count
    return row
