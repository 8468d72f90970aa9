"""Reasons in words that a fitter understands."""

from typing import Any

import numpy as np

from stackopt.optimise.conflicts import AirConflict, HardConflict, RateMap
from stackopt.stack import Stack


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


def in_file_order(stack: Stack, points) -> list[str]:
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


def conflict_words(stack: Stack, found: RateMap, points, air: AirConflict | None = None) -> dict[str, Any]:
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
            f"at least {number(air.needed)} L/min (at {number(air.rate)}/min)")
        why = f"{who} in tolerance{rest} need {need}; the supply gives {number(stack.capacity)}"
    else:
        who = " and ".join(stack.names[i] for i in ordered)
        why = (f"at no rate that gives {who} the dose does a screw setting bring the air into the window"
               + (" of each" if len(ordered) > 1 else ""))  # fmt: skip
    return {"points": [stack.names[i] for i in ordered], "rules": rules, "why": why}


def hard_words(stack: Stack, clash: HardConflict) -> dict[str, Any]:
    """Hard rules that clash, as JSON carries them."""
    parts = []
    for kind, name in clash.rules:
        if kind == "capacity":
            least = "" if clash.least_air is None else f"; any setting takes at least {number(clash.least_air)}"
            parts.append(f"the supply gives {number(stack.capacity)} L/min{least}")
        elif kind == "rate range":
            parts.append(f"the dial gives {rate_words(stack.low, stack.high)} strokes/min")
        elif kind == "cut":
            lowest = float(stack.rate_min[stack.names.index(name)])
            parts.append(f"the cut of {name} needs at least {number(lowest)} strokes/min")
        else:
            top = min(stack.rate_max[i, s] for i, row in enumerate(stack.pumps) for s, p in enumerate(row) if p == name)
            parts.append(f"pump {name} makes at most {number(float(top))} strokes/min")
    rules = [f"{kind} of {name}" if name else kind for kind, name in clash.rules]
    return {"points": in_file_order(stack, clash.points), "rules": rules, "why": "; ".join(parts)}
