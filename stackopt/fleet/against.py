"""What changes against an older answer: which settings, and what that saves, by the machine as it is now."""

import json
from dataclasses import dataclass, replace
from math import isfinite
from typing import Any

from stackopt.judge import Settings, Verdict, judge
from stackopt.problem.model import Dial
from stackopt.problem.rules import found, on_dial
from stackopt.result import Result
from stackopt.stack import Stack
from stackopt.today import broken_rules, changes_of


@dataclass(frozen=True)
class Change:
    """What an answer changes against an older one.

    `unknown` says what of the older settings has no place in the machine as it is now; then nothing else is known.
    """

    changes: tuple[dict[str, Any], ...]
    unknown: tuple[str, ...] = ()
    broken: tuple[str, ...] = ()  # hard rules that the older settings do not keep now
    saves: dict[str, float] | None = None  # older less new; errors and excess are shares

    @property
    def count(self) -> int | None:
        """How many settings change; None where that is not known."""
        return None if self.unknown else len(self.changes)

    def to_dict(self) -> dict[str, Any]:
        """The change as plain data."""
        return {"changes": list(self.changes), "unknown": list(self.unknown), "broken": list(self.broken),
                "saves": self.saves}  # fmt: skip


def change_of(result: Result, old: bytes) -> Change:
    """What changes against an older answer's bytes, both judged by the machine as it is now.

    >>> from stackopt.result import solve
    >>> from stackopt.stack import _example
    >>> result = solve(_example())
    >>> change_of(result, json.dumps(result.to_dict()).encode()).count
    0
    """
    if not old:
        return Change((), ("there is no older answer",))
    try:
        data = json.loads(old)
    except (ValueError, RecursionError):
        return Change((), ("the older answer is not JSON",))
    stack = result.stack
    settings = _settings_in(stack, result.problem.generator.rate, data)
    if not isinstance(settings, Settings):
        return Change((), settings)
    if result.settings is None or result.verdict is None:
        return Change((), ("there are no settings now",))
    before, now = judge(stack, settings), result.verdict
    worth = _worth(before)
    saves = {key: worth[key] - new for key, new in _worth(now).items()}
    return Change(tuple(_changes(stack, settings, result.settings)),
                  broken=tuple(broken_rules(stack, settings, before)), saves=saves)  # fmt: skip


def _worth(verdict: Verdict) -> dict[str, float]:
    return {"excess": verdict.least, "mean_error": verdict.mean_error, "value": verdict.value,
            "air_L_per_min": verdict.air, "fluid_mL_per_h": 60 * float(verdict.dose.sum())}  # fmt: skip


def _settings_in(stack: Stack, dial: Dial, data: Any) -> "Settings | tuple[str, ...]":
    """The settings of an older answer as the stack has them, or what of them has no place in it."""
    if not isinstance(data, dict) or data.get("format") != "stackopt.result/1":
        return ("it is no answer of solve",)
    if not data.get("points"):
        return ("the older answer has no settings",)
    try:
        rates = {n: one["rate_per_min"] for n, one in enumerate(data["generators"], 1)}
        old = {one["name"]: (rates[one["generator"]], one["pump"], one["mark"], one["turns"]) for one in data["points"]}
        texts = [one[key] for one in data["points"] for key in ("name", "pump", "mark")]
        numbers = [*rates.values(), *(one[key] for one in data["points"] for key in ("generator", "turns"))]
        as_written = all(type(text) is str for text in texts) and all(
            type(number) in (int, float) and isfinite(number) for number in numbers)  # true is no number
    except (KeyError, TypeError, OverflowError):
        as_written = False
    if not as_written:
        return ("the older answer has other keys",)
    if len(old) < len(data["points"]):
        return ("the older answer has two points of one name",)
    places: list[tuple[float, int, int]] = []
    unknown = [f"the dial has no {rate:g}/min now" for rate in rates.values() if not on_dial(dial, rate)]
    for i, name in enumerate(stack.names):
        if name not in old:
            unknown.append(f"{name}: a new point")
            continue
        rate, pump, mark, turns = old[name]
        strokes = list(zip(stack.pumps[i], stack.marks[i], strict=True))
        if (pump, mark) not in strokes:
            unknown.append(f"{name}: no mark {found(mark)} of {found(pump)} now")
        elif turns not in stack.turns[i]:
            unknown.append(f"{name}: no {turns:g} turns now")
        else:
            places.append((rate, strokes.index((pump, mark)), list(stack.turns[i]).index(turns)))
    unknown += [f"{found(name)}: gone" for name in old if name not in stack.names]
    if unknown:
        return tuple(unknown)
    by_point = tuple(zip(*places, strict=True))
    return Settings(*by_point)


def _changes(stack: Stack, old: Settings, new: Settings) -> list[dict[str, Any]]:
    one = len(old.generators) == len(new.generators) == 1
    now = tuple(zip(old.stroke, old.screw, strict=True))
    found = changes_of(replace(stack, now=now, now_rate=old.rate if one else None), new)
    if not one:
        found += [{"point": stack.names[i], "key": "rate_per_min", "from": old.rates[i], "to": new.rates[i]}
                  for i in stack.in_file if old.rates[i] != new.rates[i]]  # fmt: skip
    return found
