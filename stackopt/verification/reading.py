"""An answer read from a file: JSON as `stackopt solve --json` writes it, and what shape it must have."""

import math
from collections.abc import Iterator
from typing import Any

from stackopt.errors import Fault, ProblemError
from stackopt.problem.files import parse_json, text_in
from stackopt.problem.rules import Place, found, path

FORMAT = "stackopt.result/1"
_LARGEST = 1e300
_TEXT, _FLAG, _NUMBER, _WHOLE = "text", "true or false", "a number", "a whole number"
_POINT = {"name": _TEXT, "generator": _WHOLE, "pump": _TEXT, "mark": _TEXT, "turns": _NUMBER, "dose_mL_per_h": _NUMBER,
          "required_mL_per_h": _NUMBER, "error": _NUMBER, "in_tolerance": _FLAG, "excess": _NUMBER,
          "air_L_per_min": _NUMBER, "air_min_L_per_min": [_NUMBER, None], "air_max_L_per_min": [_NUMBER, None],
          "spray": _TEXT}  # fmt: skip


class _Many(list[Any]):
    """A list of any number of these."""


_SHAPE = {
    "file": [_TEXT, None], "title": _TEXT, "status": _TEXT, "in_tolerance": _FLAG, "rate_per_min": [_NUMBER, None],
    "generators": _Many([{"rate_per_min": _NUMBER, "points": _Many([_TEXT])}]),
    "points": _Many([_POINT]),
    "air": {"total_L_per_min": [_NUMBER, None], "capacity_L_per_min": _NUMBER, "share": [_NUMBER, None],
            "needed_L_per_min": [_NUMBER, None], "supply_pressure_bar": _NUMBER, "stack_pressure_bar": [_NUMBER, None]},
    "objective": [{"excess": _NUMBER, "mean_error": _NUMBER, "worst_error": _NUMBER, "air_share": _NUMBER,
                   "value": _NUMBER, "mean_price": _NUMBER}, None],
    "bound": [{"excess": _NUMBER, "value": [_NUMBER, None]}, None],
    "gap": [_NUMBER, None],
    "conflicts": _Many([{"points": _Many([_TEXT]), "rules": _Many([_TEXT]), "why": _TEXT}]),
    "advice": _Many([{"change": _TEXT, "serves_all": _FLAG}]),
    "warnings": _Many([_TEXT]),
}  # fmt: skip


def read_answer(file: str) -> Any:
    """What a JSON file holds, or standard input where it is "-". Raises ProblemError where it is no JSON."""

    def no_number(text: str) -> None:
        raise ProblemError((Fault(None, text, "a number or null: JSON has no such thing"),))

    try:
        return parse_json(text_in(file), "JSON, as stackopt solve --json writes it", no_number)
    except ProblemError as error:
        raise ProblemError(error.faults, file) from None


def misshapen(answer: dict[str, Any]) -> Iterator[str]:
    """What of an answer has another shape than answers have.

    >>> next(misshapen({"file": None, "title": 3}))
    'title is 3 instead of text'
    """
    yield from _apart(answer, _SHAPE, ())


def _apart(value: Any, shape: Any, place: Place) -> Iterator[str]:
    if isinstance(shape, _Many):
        if not isinstance(value, list):
            yield f"{path(place)} is {found(value)} instead of a list"
            return
        for k, item in enumerate(value):
            yield from _apart(item, shape[0], (*place, k))
    elif isinstance(shape, list):
        if value is not None:
            yield from _apart(value, shape[0], place)
    elif isinstance(shape, dict):
        if not isinstance(value, dict):
            yield f"{path(place)} is {found(value)} instead of a table"
            return
        for key, inner in shape.items():
            if key not in value:
                yield f"{path((*place, key))} is missing"
            else:
                yield from _apart(value[key], inner, (*place, key))
    elif not _is(value, shape):
        yield f"{path(place)} is {found(value)} instead of {shape}"


def _is(value: Any, shape: str) -> bool:
    if shape == _TEXT:
        return isinstance(value, str)
    if shape == _FLAG:
        return isinstance(value, bool)
    if isinstance(value, bool) or not isinstance(value, int if shape == _WHOLE else int | float):
        return False
    return abs(value) <= _LARGEST and math.isfinite(value)
