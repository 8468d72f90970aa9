"""Reasons in words that a fitter understands."""

from collections.abc import Iterable
from typing import Any

import numpy as np

from stackopt.errors import known
from stackopt.optimise.clash import HardClash, ToleranceClash
from stackopt.optimise.conflicts import AirConflict, RateMap
from stackopt.problem.branches import OUTLET
from stackopt.stack import Stack
from stackopt.supply import through

MIST = ("Oil mist harms lungs and skin and can burn: extraction, limits and fire protection follow local codes and "
        "licensed practice.")  # fmt: skip
UNDECIDED = {  # why a search has no proof
    "time limit": "the time limit came before the proof", "interrupted": "interrupted before the proof",
    "unproved": "the solver gave no proof",
}  # fmt: skip
VANISHING = "Fluids that vanish are often flammable: no ignition sources, no hot work; ask the safety officer."


def number(value: float, digits: int = 4) -> str:
    """A figure to read, not to compute with.

    >>> number(20.0), number(26.666666), number(0.00012345)
    ('20', '26.67', '0.0001234')
    """
    return f"{value:.{digits}g}" if abs(value) < 10**digits else f"{value:.0f}"


def rate_words(low: float, high: float) -> str:
    """A range of rates.

    >>> rate_words(18, 22), rate_words(20, 20)
    ('18 to 22', '20')
    """
    return number(low) if number(low) == number(high) else f"{number(low)} to {number(high)}"


def in_file_order(stack: Stack, points: Iterable[int]) -> list[str]:
    """Names of points given by number, in the order of the file."""
    return [stack.names[i] for i in sorted(points, key=lambda i: stack.place[i])]


def needs(stack: Stack, found: RateMap, i: int) -> str:
    """What one point needs: "spindle 3 needs 18 to 22 strokes/min at mark 1 or 3.6 to 4.4 at mark 2"."""
    name, bands = stack.names[i], found.bands[i]
    if not bands:
        return f"{name} gets its dose at no rate and mark of its pump{_nearest(stack, i)}"
    several = len(set(stack.pumps[i])) > 1
    parts = []
    for n, band in enumerate(sorted(bands, key=lambda b: b.stroke)):
        pump = f" of {stack.pumps[i][band.stroke]}" if several else ""
        unit = " strokes/min" if n == 0 else ""
        parts.append(f"{rate_words(band.low, band.high)}{unit} at mark {stack.marks[i][band.stroke]}{pump}")
    return f"{name} needs {' or '.join(parts)}"


def _nearest(stack: Stack, i: int) -> str:
    """The dose that comes nearest within dial, cut and max_rate, as a bracketed remark."""
    low = max(stack.low, stack.rate_min[i])
    nearest = None
    for s in range(len(stack.pumps[i])):
        high = min(stack.high, stack.rate_max[i, s])
        if low > high:
            continue
        ends = [stack.steps[(stack.steps >= low) & (stack.steps <= high)]] if stack.step is not None else [[low, high]]
        for rate in np.concatenate(ends).tolist():
            dose = rate * stack.stroke[i, s]
            miss = abs(dose / stack.dose[i] - 1)
            if nearest is None or miss < nearest[0] - 1e-12:
                nearest = (miss, rate, dose, s)
    if nearest is None:
        return " (its cut or its pump's max_rate leaves no rate)"
    _, rate, dose, s = nearest
    pump = f" of {stack.pumps[i][s]}" if len(set(stack.pumps[i])) > 1 else ""
    return (f" (nearest: {number(dose * 60)} mL/h instead of {number(stack.dose[i] * 60)}, "
            f"at {number(rate)}/min, mark {stack.marks[i][s]}{pump})")  # fmt: skip


def conflict_words(stack: Stack, found: RateMap, points: Iterable[int], air: AirConflict | None = None
                   ) -> dict[str, Any]:  # fmt: skip
    """A conflict of points as JSON carries it: points, rules and the reason."""
    rules: list[str] = []
    ordered = sorted(points, key=lambda i: stack.place[i])
    if air is None:
        why = "; ".join(needs(stack, found, i) for i in ordered)
        if len(ordered) > 1:
            why += "; nothing overlaps" if len(ordered) == 2 else "; no rate is in all of them"
    elif air.by_capacity:
        rules = ["capacity"]
        who = ", ".join(stack.names[i] for i in ordered)
        rest = " and the others at their least air" if len(ordered) < len(stack.names) else ""
        need = "more than that at any rate" if air.needed is None else (
            f"at least {number(known(air.needed))} L/min (at {number(known(air.rate))}/min)")
        why = f"{who} in tolerance{rest} need {need}; the supply gives {number(stack.capacity)}"
    else:
        who = " and ".join(stack.names[i] for i in ordered)
        why = (f"at no rate that gives {who} the dose does a screw setting bring the air into the window"
               + (" of each" if len(ordered) > 1 else ""))  # fmt: skip
    return {"points": [stack.names[i] for i in ordered], "rules": rules, "why": why}


def groups_words(stack: Stack, found: RateMap, points: tuple[int, ...]) -> dict[str, Any]:
    """Points that the generators there may be cannot serve together, as JSON carries them."""
    words = conflict_words(stack, found, points)
    if len(points) > 1:
        ordered = sorted(points, key=lambda i: stack.place[i])
        words["why"] = "; ".join(needs(stack, found, i) for i in ordered) + f"; no {stack.count} rates serve them all"
    return words


def hard_words(stack: Stack, clash: HardClash) -> dict[str, Any]:
    """Hard rules that clash, as JSON carries them."""
    parts = []
    for kind, name in clash.rules:
        least = "" if clash.least_air is None or kind != "capacity" else (
            f"; any setting takes at least {number(clash.least_air)}")
        parts.append(rule_words(stack, kind, name) + least)
    if stack.count == 1 and len(parts) > 1 and all(kind == "rule" for kind, _ in clash.rules):
        parts.append("no setting at any rate keeps all of them" if len(parts) > 2 else "no setting keeps both")
    return {"points": in_file_order(stack, clash.points), "rules": _rule_names(clash.rules),
            "why": "; ".join(parts) + _doubt(clash.proved, clash.smallest)}  # fmt: skip


def tolerance_words(stack: Stack, clash: ToleranceClash) -> dict[str, Any]:
    """Points that rules, capacity and number of generators keep out of tolerance, as JSON carries them."""
    names = in_file_order(stack, clash.points)
    who = ", ".join(names[:-1]) + f" and {names[-1]}" if len(names) > 1 else names[0] if names else "the points"
    rates = "at any rate" if stack.count == 1 else f"with any {stack.count} rates"
    why = f"no setting brings {who} into tolerance{' together' if len(names) > 1 else ''} {rates}"
    if clash.rules:
        why += " while these hold: " + "; ".join(rule_words(stack, *rule) for rule in clash.rules)
    return {"points": names, "rules": _rule_names(clash.rules), "why": why + _doubt(True, clash.smallest)}


def _rule_names(rules: Iterable[tuple[str, str]]) -> list[str]:
    return [name if kind == "rule" else f"{kind} of {name}" if name else kind for kind, name in rules]


def _doubt(proved: bool, smallest: bool) -> str:
    if not proved:
        return " (not proved: the search for a setting was given up)"
    return "" if smallest else " (perhaps fewer of these clash already: that is not proved)"


def rule_words(stack: Stack, kind: str, name: str) -> str:
    """What a hard rule asks: the capacity, the dial, a cut, a pump's limits or, by name, a rule of the file.

    >>> from stackopt.stack import _example
    >>> rule_words(Stack.of(_example()), "rate range", "")
    'the dial gives 4 to 60 strokes/min'
    """
    if kind == "capacity":
        return f"the supply gives {number(stack.capacity)} L/min"
    if kind == "rate range":
        return f"the dial gives {rate_words(stack.low, stack.high)} strokes/min"
    if kind == "cut":
        lowest = float(stack.rate_min[stack.names.index(name)])
        return f"the cut of {name} needs at least {number(lowest)} strokes/min"
    if kind == "fluids":
        return f"pump {name} does not take the fluid"
    if kind == "line":
        return f"the line to the stack lets through at most {number(through(stack, OUTLET))} L/min"
    if kind == "min_pressure":
        least = max(stack.pressure_min[i, s] for i, row in enumerate(stack.pumps) for s, p in enumerate(row)
                    if p == name)  # fmt: skip
        return (f"pump {name} needs at least {number(float(least) - OUTLET, 6)} bar (min_pressure), and the supply has "
                f"{number(stack.pressure - OUTLET, 6)}")  # fmt: skip
    if kind == "max_rate":
        top = min(stack.rate_max[i, s] for i, row in enumerate(stack.pumps) for s, p in enumerate(row)
                  if p == name and not stack.barred[i, s] and not stack.stalled[i, s])  # fmt: skip
        return f"pump {name} makes at most {number(float(top))} strokes/min"
    return f"{name} asks for {_asked(stack.rules[name])}"


def _asked(rule: Any) -> str:
    """What a rule of the file asks for; of a kind that we do not know only which."""
    of, over = getattr(rule, "of", ""), getattr(rule, "over", None)
    who = "every point" if over is None else ", ".join(over)
    ends = " and ".join(f"at {end} {bound}" for end, bound in
                        (("least", getattr(rule, "min", None)), ("most", getattr(rule, "max", None)))
                        if bound is not None)  # fmt: skip
    if rule.kind == "total":
        return f"a{' weighted' if rule.times else ''} total {of} of {who} of {ends}"
    if rule.kind == "same":
        return f"the same {of} for {who}"
    if rule.kind == "fix":
        return f"{of} {rule.at} for {who}"
    if rule.kind == "forbid":
        return f"never {of} {', '.join(map(str, rule.at))} for {who}"
    if rule.kind == "distinct":
        return f"at most {rule.max} different {of} among {who}"
    if rule.kind == "compare":
        return f"the {of} of {rule.first} less that of {rule.second} to be {ends}"
    if rule.kind == "ratio":
        return f"the {of} of {rule.first} to be {ends} times that of {rule.second}"
    return f"what its kind {rule.kind} asks"
