"""A slow, plain oracle of a machine whose supply reaches the stack through a line.

A case as that of `oracle`, with besides

- `line`, {"conductance" in L/(s bar), "critical_ratio"}, and `pressure`, that of the supply, bar over the open air (6)
- `critical_ratio` of a nozzle, else that of an ideal one; its flows are those at the supply's pressure
- `min_pressure` of a pump, bar absolute

Whatever is set, the stack has the pressure at which the air of all nozzles and pumps is what the line lets through; it
is found by halving. Then the nozzles' flows are replaced by those at that pressure, and `oracle` judges.
"""

from itertools import combinations, product
from math import inf, sqrt

import oracle

OPEN = 1.01325  # the open air, bar absolute
IDEAL = 0.528282  # critical ratio of an ideal nozzle
NEAR = 1e-7  # what a solver's tolerances may hide


def supply(case):
    """The pressure before the line, bar absolute."""
    return OPEN + case.get("pressure", 6.0)


def let_through(conductance, ratio, before, after):
    """Air through an element, L/min, by the pressures before and after it, bar absolute (ISO 6358)."""
    choked = 60 * conductance * before
    if after <= ratio * before:
        return choked
    if after >= before:
        return 0.0
    part = (after / before - ratio) / (1 - ratio)
    return choked * sqrt(1 - part * part)


def line(case, pressure):
    """What the line lets through while the stack is at a pressure, L/min."""
    return let_through(case["line"]["conductance"], case["line"]["critical_ratio"], supply(case), pressure)


def share(case, nozzle, pressure):
    """A nozzle's air at a pressure of the stack, as a share of that at the supply's."""
    ratio = case["nozzles"][nozzle].get("critical_ratio")
    ratio = IDEAL if ratio is None else ratio
    return let_through(1.0, ratio, pressure, OPEN) / let_through(1.0, ratio, supply(case), OPEN)


def drive(case, rate, choice):
    """Drive air of all pumps, L/min."""
    rates = oracle.by_name(case, rate)
    return sum(rates[p["name"]] * oracle.stroke_air(case, p, choice[p["name"]][0]) for p in oracle.in_order(case))


def asked_for(case, choice):
    """The air of the points on each nozzle at the supply's pressure, L/min by nozzle."""
    found = {}
    for point in oracle.in_order(case):
        flow = oracle.flow_at(case, point, choice[point["name"]][2])
        found[point["nozzle"]] = found.get(point["nozzle"], 0.0) + flow
    return found


def pressure(case, rate, choice):
    """The pressure at the stack, bar absolute, or None where the drive air alone is more than the line lets through."""
    driving, nozzles = drive(case, rate, choice), asked_for(case, choice)
    return halved(case, driving, tuple(sorted(nozzles.items())))


def halved(case, driving, nozzles):
    """As `pressure`, by the drive air and the nozzles' air at the supply's pressure, ((name, L/min), ...)."""
    low, high = OPEN, supply(case)
    if driving >= line(case, low):
        return None
    while high - low > 1e-14 * high:
        middle = (low + high) / 2
        if middle in (low, high):
            break
        taken = driving + sum(flow * share(case, name, middle) for name, flow in nozzles)
        if taken > line(case, middle):
            high = middle
        else:
            low = middle
    return (low + high) / 2


def at_pressure(case, stack):
    """The case with the nozzles' flows as they are at a pressure of the stack, bar absolute; none if it is None."""
    nozzles = {}
    for name, nozzle in case["nozzles"].items():
        part = 0.0 if stack is None else share(case, name, stack)
        nozzles[name] = {**nozzle, "flow": [flow * part for flow in nozzle["flow"]]}
    return {**case, "nozzles": nozzles}


def strong_enough(case, stack, pump):
    """Whether a pump works at a pressure of the stack, bar absolute."""
    least = case["pumps"][pump].get("min_pressure")
    return least is None or stack >= least * (1 - oracle.ROUNDING)


def judge(case, rate, choice):
    """As `oracle.judge`, with `pressure`, bar absolute (None where the line does not even carry the drive air)."""
    stack = pressure(case, rate, choice)
    found = oracle.judge(at_pressure(case, stack), rate, choice)
    works = stack is not None and all(strong_enough(case, stack, pump) for pump, _, _ in choice.values())
    return {**found, "pressure": stack, "feasible": found["feasible"] and works}


def everything(case):
    """On a stepped dial: every (excess, value, {name: rate}, {name: option}) that meets the hard rules."""
    order = oracle.in_order(case)
    names, most = [point["name"] for point in order], min(case.get("generators", 1), len(order))
    settled = {}  # by what is asked for: pressure, and the case there
    for some in (some for count in range(1, most + 1) for some in combinations(oracle.rates(case), count)):
        tables = []
        for point in order:
            usable = product(some, oracle.options(case, point))
            tables.append([(rate, o) for rate, o in usable if oracle.allowed(case, point, rate, o)])
        for row in product(*tables):
            if len({rate for rate, _ in row}) < len(some):  # fewer rates have their own turn
                continue
            at = {name: rate for name, (rate, _) in zip(names, row, strict=True)}
            choice = {name: option for name, (_, option) in zip(names, row, strict=True)}
            key = (drive(case, at, choice), tuple(sorted(asked_for(case, choice).items())))
            if key not in settled:
                found = halved(case, *key)
                settled[key] = (found, at_pressure(case, found))
            stack, there = settled[key]
            if stack is None or not all(strong_enough(case, stack, pump) for pump, _, _ in choice.values()):
                continue
            parts = [oracle.part(there, p, at[p["name"]], choice[p["name"]]) for p in order]
            air, excess, value = oracle.whole(there, parts)
            if oracle.air_allowed(case, air) and not oracle.broken(there, at, choice):
                yield excess, value, at, choice


def best(case, enough=0.0):
    """The best setting of a stepped dial by trying all, or None where none meets the hard rules.

    What misses no more than `enough` is as good as what misses least. `excess`, `value`, `rates` (by name; the lowest
    of those that tie), `choice` (any of those that tie there), and `clear`: whether no setting at other rates comes
    near it.
    """
    if case["rate"]["step"] is None:
        raise ValueError("only on a stepped dial")
    found = list(everything(case))
    excess = min((x for x, _, _, _ in found), default=inf)
    if excess == inf:
        return None
    excess = max(excess, enough)
    value = min(v for x, v, _, _ in found if x <= excess + oracle.SLACK)
    ties = [(at, c) for x, v, at, c in found if x <= excess + oracle.SLACK and v <= value + oracle.SLACK]
    at, choice = min(ties, key=lambda tie: sorted(set(tie[0].values())))
    near = [at for x, v, at, _ in found if x <= excess + NEAR and v <= value + NEAR]
    clear = len({tuple(sorted(set(other.values()))) for other in near}) == 1
    return {"excess": excess, "value": value, "rates": at, "choice": choice, "clear": clear}
