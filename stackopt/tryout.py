"""Any rate tried: each point's own best settings there, capacity and rules left out and told as held or broken.

`data_of` is what a page needs to compute the same; `report/assets/page.js` does, operation by operation, and shows it
as `texts_of` writes it.
"""

import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from decimal import ROUND_HALF_UP, Context, Decimal
from functools import cached_property
from numbers import Real
from typing import Any

import numpy as np

from stackopt import units
from stackopt.errors import LIMITS, library
from stackopt.figures import PointResult, objective_of, points_of
from stackopt.judge import ROOM, TIE, Settings, Verdict, judge
from stackopt.optimise.scan import BIG, options
from stackopt.optimise.scan import rates as compared
from stackopt.physics import dosing
from stackopt.problem.branches import OUTLET
from stackopt.problem.constraints import (
    BUILT_IN,
    SLACK,
    Compare,
    Constraint,
    Distinct,
    Fix,
    Forbid,
    Ratio,
    Same,
    Total,
    rows_of,
)
from stackopt.problem.model import Problem
from stackopt.result import Result, solve
from stackopt.stack import ROUNDING, Array, Stack
from stackopt.today import broken_rules
from stackopt.words import in_file_order

EVEN = 300  # rates evenly over a free dial, besides those where something turns
DIGITS = 4  # of doses and air
FINE = 6  # digits of rates and turns, which are dialled in
Pin = str | tuple[str, str]  # a mark, or a pump and its mark


@dataclass(frozen=True, eq=False)
class Tried:
    """One rate, each point at its own best there unless pinned; all figures by the judge.

    >>> from stackopt.stack import _example
    >>> tried = at_rate(_example(), "10/min")
    >>> [(point.name, point.mark, point.turns) for point in tried.points], tried.broken
    ([('b', '2', 2.0), ('a', '1', 1.0)], [])
    """

    stack: Stack
    settings: Settings
    verdict: Verdict
    pinned: tuple[str, ...]  # the points whose mark was given, in the order of the file
    notes: tuple[str, ...]  # what to know of how this was computed

    @property
    def rate(self) -> float:
        """Strokes per minute."""
        return self.settings.rate

    @cached_property
    def points(self) -> tuple[PointResult, ...]:
        """The points in the order of the file."""
        return points_of(self.stack, self.settings, self.verdict)

    @property
    def totals(self) -> dict[str, Any]:
        """The air of all, and what the settings are worth."""
        return {
            "air_L_per_min": self.verdict.air,
            "capacity_L_per_min": self.stack.capacity,
            "points_in_tolerance": int((self.verdict.excess == 0).sum()),
            **vars(objective_of(self.stack, self.verdict)),
        }

    @cached_property
    def broken(self) -> list[str]:
        """The hard rules that these settings do not keep, as the file names them."""
        return broken_rules(self.stack, self.settings, self.verdict)

    @cached_property
    def held(self) -> list[str]:
        """The hard rules that they keep; those of a pump only where it is chosen."""
        stack, found = self.stack, ["dial", "capacity", *self.stack.rules]
        for i, stroke in enumerate(self.settings.stroke):
            if stack.rate_min[i] > 0:
                found.append(f"cut of {stack.names[i]}")
            if not stack.barred[i, stroke] and stack.pressure_min[i, stroke] > 0:
                found.append(f"min_pressure of {stack.pumps[i][stroke]}")
            if 0 < stack.rate_max[i, stroke] < np.inf:
                found.append(f"max_rate of {stack.pumps[i][stroke]}")
        return [name for name in dict.fromkeys(found) if name not in self.broken]

    def to_dict(self) -> dict[str, Any]:
        """The same as plain data."""
        return {
            "format": "stackopt.try/1",
            "rate_per_min": self.rate,
            "points": [{**vars(point), "pinned": point.name in self.pinned} for point in self.points],
            "totals": self.totals,
            "held": self.held,
            "broken": self.broken,
            "notes": list(self.notes),
        }


def at_rate(problem: Problem, rate: float | str, pins: Mapping[str, Pin] | None = None) -> Tried:
    """What each point could do at best at a rate, and which hard rules that breaks. Never changes `problem`.

    Own best: of the pumps that may run at that rate (of all, where none may) the least excess, then the least error
    with the cost of air and pumps, then the larger stroke, then fewer turns. Behind a line the air is that at the stack
    pressure of the best answer, which is solved for, and does not move with the settings.

    Args:
        problem: The machine.
        rate: Strokes per minute, or text such as "20/min"; all points run at it.
        pins: Marks that points are to have, by name: a mark, or a pump and its mark.

    Raises ValueError for a rate that is not on the dial, and for a point or mark that is not there.

    >>> from stackopt.stack import _example
    >>> tried = at_rate(_example(), 10, pins={"a": "3"})
    >>> [(point.name, point.mark, round(point.error, 6)) for point in tried.points]
    [('b', '2', -0.018182), ('a', '3', 2.0)]
    """
    with library("trying a rate", of=LIMITS):
        if problem.air.line is None:
            return try_rate(Stack.of(problem), rate, pins)
        return try_result(solve(problem), rate, pins)


def try_result(result: Result, rate: float | str, pins: Mapping[str, Pin] | None = None) -> Tried:
    """The same of a machine that is solved already."""
    return replace(try_rate(settled_stack(result), rate, pins), notes=tuple(notes_of(result)))


def settled_stack(result: Result) -> Stack:
    """The machine with its air as it is at the stack pressure of the answer; itself where there is no line."""
    stack = result.stack
    if stack.line is None:
        return stack
    pressure = stack.pressure if result.verdict is None else result.verdict.pressure
    return replace(stack, line=None, pressure=pressure, flow=stack.at(pressure),
                   rate_max=np.where(stack.stalls(pressure), 0.0, stack.rate_max))  # fmt: skip


def notes_of(result: Result) -> list[str]:
    """What to know of figures at one rate beside the answer."""
    found = []
    if result.stack.line is not None:
        pressure = settled_stack(result).pressure - OUTLET
        whose = "the supply's, for want of an answer" if result.verdict is None else "the answer's"
        found.append(f"The stack pressure is taken as {whose}, {shown(pressure)} bar, whatever is set here.")
    if result.settings and len(result.settings.generators) > 1:
        found.append(f"The answer uses {len(result.settings.generators)} generators; here all points run at one rate.")
    return found


def try_rate(stack: Stack, rate: float | str, pins: Mapping[str, Pin] | None = None) -> Tried:
    """The same of a machine without a line.

    >>> from stackopt.stack import _example
    >>> try_rate(Stack.of(_example()), 60.0).settings
    Settings(rates=(60.0, 60.0), stroke=(2, 2), screw=(1, 1))
    """
    rate, kept = _on_dial(stack, rate), _pinned(stack, pins or {})
    settings = Settings.at(rate, *_own_best(stack, rate, kept))
    pinned = tuple(in_file_order(stack, kept))
    return Tried(stack, settings, judge(stack, settings), pinned, ())


def _on_dial(stack: Stack, rate: Any) -> float:
    """A rate as a number [1/min], if the dial has it."""
    steps = "" if stack.step is None else f" in steps of {shown(stack.step, FINE)}/min"
    dial = f"a rate of the dial, {shown(stack.low, FINE)}/min to {shown(stack.high, FINE)}/min{steps}"
    number = rate
    if isinstance(rate, str):
        try:
            number = units.read(rate, "rate").number
        except ValueError as fault:
            raise ValueError(f"rate: found {rate[:60]!r}; expected {fault}") from None
    if isinstance(number, bool | np.bool_) or not isinstance(number, Real) or not math.isfinite(number):
        raise ValueError(f"rate: found {rate!r}; expected {dial}")
    number = float(number)
    if stack.step is None:
        on = stack.low * (1 - ROUNDING) <= number <= stack.high * (1 + ROUNDING)
    else:
        near = float(stack.steps[np.abs(stack.steps - number).argmin()])
        on, number = abs(near - number) <= 1e-9 * stack.step, near
    if not on:
        raise ValueError(f"rate: found {rate if isinstance(rate, str) else f'{float(rate):g}/min'}; expected {dial}")
    return number


def _pinned(stack: Stack, pins: Mapping[str, Pin]) -> dict[int, list[int]]:
    """Points and the strokes that are left to each."""
    found = {}
    for name, pin in pins.items():
        if name not in stack.names:
            raise ValueError(f"pins: found {name!r}; expected the name of a point")
        i = stack.names.index(name)
        pump, mark = pin if isinstance(pin, tuple | list) and len(pin) == 2 else (None, pin)
        strokes = list(zip(stack.pumps[i], stack.marks[i], strict=True))
        found[i] = [s for s, (of, its) in enumerate(strokes) if its == mark and pump in (None, of)]
        if not found[i]:
            known = ", ".join(repr(its if len(set(stack.pumps[i])) == 1 else (of, its)) for of, its in strokes)
            raise ValueError(f"pins: found {pin!r} for {name!r}; expected one of {known}")
    return found


def _own_best(stack: Stack, rate: float, kept: Mapping[int, list[int]]) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """The stroke and the screw of each point."""
    # What cut and pumps do not allow is priced like all else, and taken last.
    free = replace(stack, rate_min=np.zeros(len(stack.names)),
                   rate_max=np.where(np.isnan(stack.rate_max), np.nan, np.inf))  # fmt: skip
    priced = options(free, np.array([rate]))
    unfit = stack.barred.astype(float) + stack.stalled
    rank = 2.0 * unfit + (rate * (1 - ROUNDING) > stack.rate_max)
    left = priced.excess[0] < BIG / 2
    for i, strokes in kept.items():
        left[i] &= np.isin(np.arange(left.shape[1]) // stack.screws, strokes)
    for cost in (rank.repeat(stack.screws, axis=1), priced.excess[0], priced.value[0]):
        left &= cost <= np.where(left, cost, np.inf).min(axis=1, keepdims=True) + TIE
    best = left.argmax(axis=1)
    return tuple((best // stack.screws).tolist()), tuple((best % stack.screws).tolist())


# What is shown, and how


def shown(value: float, digits: int = DIGITS) -> str:
    """A figure to read: so many digits, none of those before the point lost, no zeros at the end; halves away from 0.

    Python's own formats round exact halves to even, a browser's away from 0. Twelve digits first, so that the order of
    a sum never shows.

    >>> shown(26.666666), shown(123456.5), shown(0.03125, 3), shown(0.00001234567), shown(-20.0)
    ('26.67', '123457', '0.0313', '0.00001235', '-20')
    """
    exact = _rounded(value)
    if exact == 0:
        return "0"
    last = Context(prec=digits, rounding=ROUND_HALF_UP).plus(exact).adjusted() - digits + 1
    text = _fixed(exact, max(0, -last))
    return text.rstrip("0").rstrip(".") if "." in text else text


def shown_error(share: float) -> str:
    """A signed share in percent, one digit after the point.

    >>> shown_error(0.03125), shown_error(-0.2), shown_error(-0.0001)
    ('+3.1 %', '-20.0 %', '0.0 %')
    """
    text = _fixed(_rounded(abs(100.0 * share)), 1)
    return f"{'' if text == '0.0' else '-' if share < 0 else '+'}{text} %"


def _rounded(value: float) -> Decimal:
    """The float next to a value of twelve digits, exactly."""
    return Decimal(float(Context(prec=12, rounding=ROUND_HALF_UP).plus(Decimal(value))))


def _fixed(exact: Decimal, places: int) -> str:
    with_all = Context(prec=400, rounding=ROUND_HALF_UP)
    return f"{exact.quantize(Decimal(1).scaleb(-places), context=with_all):f}"


def texts_of(tried: Tried) -> dict[str, Any]:
    """What the page shows of it: `rate`, `total`, `rules` (a line each) and `points` (a text for each cell).

    >>> from stackopt.stack import _example
    >>> texts = texts_of(at_rate(_example(), 10))
    >>> texts["rate"], texts["points"][0]["error"], texts["rules"]
    ('10 strokes/min', '-1.8 %', ['held: dial, capacity'])
    """
    dose_miss = dict(zip(tried.stack.names, tried.verdict.dose_miss.tolist(), strict=True))
    rows = [{
        "pump": point.pump,
        "mark": point.mark,
        "turns": shown(point.turns, FINE),
        "dose": shown(point.dose_mL_per_h),
        "error": shown_error(point.error) + (", out of tolerance" if dose_miss[point.name] else ""),
        "air": shown(point.air_L_per_min),
        "spray": point.spray,
    } for point in tried.points]  # fmt: skip
    totals, unchecked = tried.totals, [n for n, rule in tried.stack.rules.items() if not _known(rule)]
    lines = [f"broken: {name}" for name in tried.broken if name not in unchecked]
    held = [name for name in tried.held if name not in unchecked]
    lines += [f"held: {', '.join(held)}"] if held else []
    return {
        "rate": f"{shown(tried.rate, FINE)} strokes/min",
        "total": f"Air {shown(totals['air_L_per_min'])} of {shown(totals['capacity_L_per_min'])} L/min, drive air "
        f"included; {totals['points_in_tolerance']} of {len(rows)} points in tolerance; mean error "
        f"{shown_error(totals['mean_error']).lstrip('+')}, worst {shown_error(totals['worst_error']).lstrip('+')}.",
        "rules": [*lines, *(f"not checked here: {name}" for name in unchecked)],
        "points": rows,
    }


# What a page needs


def rates_of(stack: Stack, also: Iterable[float] = ()) -> Array:
    """The rates of the slider [1/min], rising: the steps; on a free dial even ones, where something turns, and `also`.

    >>> from stackopt.stack import _example
    >>> rates_of(Stack.of(_example())).size, rates_of(replace(Stack.of(_example()), step=None)).size
    (57, 319)
    """
    if stack.step is not None:
        return stack.steps
    return np.unique(np.concatenate([np.linspace(stack.low, stack.high, EVEN), compared(stack), [*also]]))


def data_of(result: Result) -> dict[str, Any]:
    """All that `page.js` computes with, as plain data; null stands where nothing limits. `json_of` writes it.

    Points are in the order of the file and refer by number to rows of `strokes` (the largest first) and `screws`; rules
    to points by their number in that order. `by_name` is the order in which rules of points are told.

    >>> from stackopt.stack import _example
    >>> data = data_of(solve(_example()))
    >>> data["dial"], data["proved"]["index"]
    ({'min_per_min': 4.0, 'max_per_min': 60.0, 'step_per_min': 1.0, 'steps': 57, 'rates_per_min': None}, 2)
    """
    stack, settings = settled_stack(result), result.settings
    at = rates_of(stack, settings.generators if settings else ())
    strokes, screws = _Table(), _Table()
    points = [{
        "name": stack.names[i],
        "dose_mL_per_min": float(stack.dose[i]),
        "below": float(stack.below[i]),
        "above": _limit(stack.above[i]),
        "weight": float(stack.weight[i]),
        "ratio_min_L_per_mL": float(stack.ratio_min[i]),
        "ratio_max_L_per_mL": _limit(stack.ratio_max[i]),
        "flow_min_L_per_min": float(stack.flow_min[i]),
        "flow_max_L_per_min": _limit(stack.flow_max[i]),
        "reference_L_per_min": float(stack.reference[i]),
        "rate_min_per_min": float(stack.rate_min[i]),
        "strokes": strokes.row([{
            "pump": pump,
            "mark": mark,
            "stroke_mL": float(stack.stroke[i, s]),
            "drive_L": float(stack.drive[i, s]),
            "rate_max_per_min": _limit(stack.rate_max[i, s]),
            "barred": bool(stack.barred[i, s]),
            "pressure_min_bar_absolute": float(stack.pressure_min[i, s]),
            "stray": float(stack.stray[i, s]),
            "price": float(stack.price[i, s]),
        } for s, (pump, mark) in enumerate(zip(stack.pumps[i], stack.marks[i], strict=True))]),
        "screws": screws.row([{"turns": turns, "flow_L_per_min": float(flow)}
                              for turns, flow in zip(stack.turns[i], stack.flow[i], strict=False)]),
    } for i in stack.in_file]  # fmt: skip
    return {
        "format": "stackopt.tryout/1",
        "dial": {
            "min_per_min": stack.low,
            "max_per_min": stack.high,
            "step_per_min": stack.step,
            "steps": len(at),
            "rates_per_min": None if stack.step is not None else at.tolist(),
        },
        "capacity_L_per_min": stack.capacity,
        "pressure_bar_absolute": stack.pressure,
        "air_weight": stack.air_weight,
        "price_weight": stack.price_weight,
        "worst": stack.worst,
        "robust": stack.robust,
        "slack": dosing.SLACK,
        "rule_slack": SLACK,
        "tie": TIE,
        "room": ROOM,
        "rounding": ROUNDING,
        "pressure_rounding": 1 + ROUNDING,
        "digits": DIGITS,
        "fine_digits": FINE,
        "points": points,
        "strokes": strokes.rows,
        "screws": screws.rows,
        "by_name": list(stack.place),
        "rules": [_rule(name, rule, stack) for name, rule in stack.rules.items()],
        "proved": _proved(result, stack, at),
        "notes": notes_of(result),
    }


def json_of(data: dict[str, Any]) -> str:
    r"""Data as JSON that may stand inside a script element of a page.

    >>> json_of({"name": "</script>"})
    '{"name":"\\u003c/script\\u003e"}'
    """
    text = json.dumps(data, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


class _Table:
    """Rows that are kept once."""

    def __init__(self) -> None:
        self.rows: list[list[dict[str, Any]]] = []
        self._places: dict[str, int] = {}

    def row(self, row: list[dict[str, Any]]) -> int:
        """The place of a row."""
        place = self._places.setdefault(json.dumps(row), len(self.rows))
        if place == len(self.rows):
            self.rows.append(row)
        return place


def _limit(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _proved(result: Result, stack: Stack, at: Array) -> dict[str, Any] | None:
    """The answer's settings, with a text for each point."""
    settings = result.settings
    if settings is None:
        return None
    several = len(settings.generators) > 1
    rows = []
    for i in stack.in_file:
        stroke, screw, rate = settings.stroke[i], settings.screw[i], settings.rates[i]
        pump = f"{stack.pumps[i][stroke]}, " if len(set(stack.pumps[i])) > 1 else ""
        text = f"{pump}mark {stack.marks[i][stroke]}, {shown(stack.turns[i][screw], FINE)} turns"
        text += f" at {shown(rate, FINE)}/min" if several else ""
        rows.append({"rate_per_min": rate, "stroke": stroke, "screw": screw, "text": text})
    return {"optimal": result.status == "optimal", "index": int(np.abs(at - settings.rate).argmin()), "points": rows}


def _known(rule: Constraint) -> bool:
    """Whether the page can check a rule: those of other packages it cannot."""
    return type(rule) in BUILT_IN.values()


def _rule(name: str, rule: Constraint, stack: Stack) -> dict[str, Any]:
    """A rule as tests that must all hold; null for one of a kind that the page does not know."""
    number = dict(zip(stack.names, stack.place, strict=True))
    if not _known(rule):
        return {"name": name, "tests": None}
    over = [number[point] for point in stack.machine.points(rule.over)] if hasattr(rule, "over") else []
    tests: list[dict[str, Any]]
    match rule:
        case Same() | Distinct():
            most = rule.max if isinstance(rule, Distinct) else 1
            tests = [{"test": "few", "of": rule.of, "points": over, "most": most}]
        case Fix(of="rate"):
            tests = [{"test": "sum", "of": "rate", "terms": [[1.0, n]], "min": rule.rate, "max": rule.rate}
                     for n in over]  # fmt: skip
        case Fix():
            tests = [{"test": "only", "of": rule.of, "points": over, "labels": [rule.at]}]
        case Forbid():
            tests = [{"test": "never", "of": rule.of, "points": over, "labels": list(rule.at)}]
        case Total() | Compare() | Ratio():  # one sum, or two: their rows in the model are their test
            tests = [{"test": "sum", "of": rule.of, "terms": [[factor, number[point]] for factor, (_, point) in terms],
                      "min": low, "max": high} for terms, low, high in rows_of(rule, stack.machine)]  # fmt: skip
    return {"name": name, "tests": tests}
