"""Keys that measurements propose for a problem file: their digits, as TOML to paste, and in a new problem."""

import copy
import json
import math
import re
from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

from stackopt.errors import ProblemError
from stackopt.problem.model import Problem
from stackopt.problem.rules import Place, path

_MOST = 12  # significant digits of any figure that is written


class Key(NamedTuple):
    """A key of the problem, what stands there (None: nothing) and what to write."""

    place: Place
    before: Any
    after: Any

    def to_dict(self) -> dict[str, Any]:
        """The key as plain data."""
        return {"key": path(self.place), "from": self.before, "to": self.after}


def key_of(problem: Problem, place: Place, after: Any) -> Key:
    """A key with what stands there now."""
    return Key(place, value_at(problem.to_dict(), place), after)


def value_at(data: Any, place: Place) -> Any:
    """What stands at a place of a problem's plain data; None where nothing does.

    >>> value_at({"point": [{"name": "a"}]}, ("point", 0, "name")), value_at({}, ("air", "line"))
    ('a', None)
    """
    for step in place:
        if isinstance(data, dict) and step not in data:
            return None
        data = data[step]
    return data


def with_values(problem: Problem, values: Iterable[tuple[Place, Any]]) -> Problem:
    """The problem with values written at places; None takes out what stands there.

    Raises `ProblemError` where they do not fit it.

    >>> from stackopt.stack import _example
    >>> with_values(_example(), [(("air", "capacity"), "90 L/min")]).air.capacity.number
    90.0
    """
    data = copy.deepcopy(problem.to_dict())
    for place, value in values:
        inner: Any = data
        for step in place[:-1]:
            inner = inner[step]
        if value is None:
            inner.pop(place[-1], None)
        else:
            inner[place[-1]] = copy.deepcopy(value)
    return Problem.model_validate(data)


def changed(problem: Problem, keys: Iterable[Key]) -> Problem:
    """The problem with the keys written. Raises `ProblemError` where they do not fit it."""
    return with_values(problem, [(key.place, key.after) for key in keys])


def refusals(problem: Problem, keys: Sequence[Key]) -> list[str]:
    """Why a problem with these keys would be no problem; empty where it is one."""
    try:
        changed(problem, keys)
    except ProblemError as error:
        return [str(fault) for fault in error.faults]
    return []


def decimals(value: float, uncertainty: float | None, unsure: int = 5) -> int:
    """Decimal places that show two digits of the uncertainty, but three of the value; `unsure` digits without one.

    >>> decimals(0.0612, 0.0003), decimals(0.0612, None), decimals(12.0, 5.0)
    (5, 6, 1)
    """
    first = math.floor(math.log10(abs(value)))
    if not uncertainty:
        return max(unsure - 1 - first, 0)
    wanted = max(1 - math.floor(math.log10(uncertainty)), 2 - first)
    return max(min(wanted, _MOST - 1 - first), 0)


def bare(name: str) -> str:
    """A key as TOML writes it; marks in quotes, as in the starting file.

    >>> bare("standard"), bare("1"), bare("big one")
    ('standard', '"1"', '"big one"')
    """
    return name if re.fullmatch("[A-Za-z_][A-Za-z0-9_-]*", name) else json.dumps(name, ensure_ascii=False)


def inline(table: dict[str, Any]) -> str:
    """A flat table on one line of TOML.

    >>> inline({"min": "150 L/mL", "max": "400 L/mL"})
    '{ min = "150 L/mL", max = "400 L/mL" }'
    """
    return "{ " + ", ".join(f"{bare(key)} = {json.dumps(value, ensure_ascii=False)}"
                            for key, value in table.items()) + " }"  # fmt: skip
