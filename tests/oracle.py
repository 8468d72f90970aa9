"""A slow, plain oracle of the goal: every setting at every rate, in plain loops.

A case is a machine as bare numbers: rates in strokes/min, strokes in mL, doses asked for in mL/h and air in L
at ANR.

The goal: of all settings that meet the hard rules (dial, `cut`, `max_rate`, capacity), first the mean excess
over the points is made as small as possible, then the value, which is the mean error plus `air_weight` times
the share of the capacity that is used. Of values that tie the lowest rate is taken, of settings that tie at
that rate the one with the larger strokes and then the fewer turns, point by point in name order.
"""

from itertools import combinations, pairwise, product
from math import floor, inf

SLACK = 1e-9  # values, mean excesses and misses (shares) that differ by no more than this are the same
ROUNDING = 1e-12  # relative; numbers that differ by no more than this are the same but for rounding


def in_order(case):
    """The points in the order of their names."""
    return sorted(case["points"], key=lambda point: point["name"])


def options(case, point):
    """Every (pump, mark, turns) of a point, in the order written; a screw setting without flow is none."""
    nozzle = case["nozzles"][point["nozzle"]]
    turns = [t for t, flow in zip(nozzle["turns"], nozzle["flow"], strict=True) if flow > 0]
    return [(pump, mark, t) for pump in point["pump"] for mark in case["pumps"][pump]["marks"] for t in turns]


def flow_at(case, point, turns):
    """Air of the point's nozzle, L/min, at so many turns of its screw."""
    nozzle = case["nozzles"][point["nozzle"]]
    return nozzle["flow"][nozzle["turns"].index(turns)]


def stroke_air(case, point, pump):
    """Drive air of the point's pumps, L per stroke of the generator."""
    own = case["pumps"][pump]["stroke_air"]
    return (case["stroke_air"] if own is None else own) * point["count"]


def dose_per_stroke(case, point, pump, mark):
    """Oil of the point's pumps, mL per stroke of the generator."""
    return case["pumps"][pump]["stroke_volume"] * point["count"] * case["pumps"][pump]["marks"][mark]


def asked(point):
    """The dose asked for, mL/min."""
    return point["dose"] / 60


def edges(point):
    """The least and the largest dose in tolerance, mL/min."""
    return asked(point) * (1 - point["below"]), asked(point) * (1 + point["above"])


def least_air(point, dose):
    """The least air allowed, L/min, at a dose in mL/min."""
    return max(point["air_flow"][0] or 0, (point["air_per_dose"][0] or 0) * dose)


def most_air(point, dose):
    """The most air allowed, L/min, at a dose in mL/min."""
    flow, per_dose = point["air_flow"][1], point["air_per_dose"][1]
    return min(inf if flow is None else flow, inf if per_dose is None else per_dose * dose)


def dose_miss(point, dose):
    """How far a dose in mL/min is out of tolerance, as a share of the dose asked for."""
    low, high = edges(point)
    miss = max(0, low - dose, dose - high) / asked(point)
    return miss if miss > SLACK else 0.0


def air_miss(point, dose, flow):
    """How far a flow in L/min is out of its window, as a share of the least air at the dose asked for."""
    miss = max(0, least_air(point, dose) - flow, flow - most_air(point, dose))
    miss /= least_air(point, asked(point))
    return miss if miss > SLACK else 0.0


def part(case, point, rate, option):
    """What one point has and adds: dose (mL/min), x and e (shares), air with drive air (L/min)."""
    pump, mark, turns = option
    dose = rate * dose_per_stroke(case, point, pump, mark)
    flow = flow_at(case, point, turns)
    return {
        "dose": dose,
        "x": dose_miss(point, dose) + air_miss(point, dose, flow),
        "e": abs(dose - asked(point)) / asked(point),
        "air": flow + rate * stroke_air(case, point, pump),
        "weight": point["weight"],
    }


def whole(case, parts):
    """Air (L/min), mean excess and value of all points together; `parts` in the order of their names."""
    air = excess = error = weight = 0.0
    for p in parts:
        air += p["air"]
        excess += p["weight"] * p["x"]
        error += p["weight"] * p["e"]
        weight += p["weight"]
    return air, excess / weight, error / weight + case["air_weight"] * air / case["capacity"]


def enough_strokes(point, rate):
    """Whether a rate gives the point's shortest cut its strokes."""
    return point["cut"] is None or rate >= point["cut"][1] / point["cut"][0] * (1 - ROUNDING)


def pump_keeps_up(case, pump, rate):
    """Whether a rate is not above the pump's highest."""
    highest = case["pumps"][pump]["max_rate"]
    return highest is None or rate <= highest * (1 + ROUNDING)


def rate_allowed(case, rate):
    """Whether a rate is on the dial and enough for every cut."""
    dial = case["rate"]
    on_dial = dial["min"] * (1 - ROUNDING) <= rate <= dial["max"] * (1 + ROUNDING)
    return on_dial and all(enough_strokes(point, rate) for point in case["points"])


def air_allowed(case, air):
    """Whether an air consumption in L/min is within the capacity."""
    return air <= case["capacity"] * (1 + SLACK)


def rates(case):
    """The steps of the dial, 1/min; on a free dial the rates to compare, except those of the capacity."""
    dial = case["rate"]
    if dial["step"] is not None:
        steps = floor((dial["max"] - dial["min"]) / dial["step"] + SLACK)
        return [dial["min"] + k * dial["step"] for k in range(steps + 1)]
    found = {dial["min"], dial["max"]}
    for point in case["points"]:
        if point["cut"] is not None:
            found.add(point["cut"][1] / point["cut"][0])
        for pump in point["pump"]:
            if case["pumps"][pump]["max_rate"] is not None:
                found.add(case["pumps"][pump]["max_rate"])
            for mark in case["pumps"][pump]["marks"]:
                stroke = dose_per_stroke(case, point, pump, mark)
                found |= {dose / stroke for dose in _turning_doses(case, point)}
    return sorted(rate for rate in found if dial["min"] <= rate <= dial["max"])


def _turning_doses(case, point):
    """The doses, mL/min, where the error or the excess of a point may turn."""
    flow_min, flow_max = point["air_flow"]
    dose_min, dose_max = point["air_per_dose"]
    doses = [asked(point), *edges(point)]
    if flow_min is not None and dose_min is not None:
        doses.append(flow_min / dose_min)
    if flow_max is not None and dose_max is not None:
        doses.append(flow_max / dose_max)
    for flow in case["nozzles"][point["nozzle"]]["flow"]:
        if flow > 0:
            doses += _doses_at_window(point, flow) + _doses_at_middle(point, flow)
    return doses


def _doses_at_window(point, flow):
    """The doses, mL/min, at which the least or the most air is this flow and grows with the dose."""
    dose_min, dose_max = point["air_per_dose"]
    doses = []
    if dose_min is not None and _same(least_air(point, flow / dose_min), flow):
        doses.append(flow / dose_min)
    if dose_max is not None and _same(most_air(point, flow / dose_max), flow):
        doses.append(flow / dose_max)
    return doses


def _doses_at_middle(point, flow):
    """The doses, mL/min, at which the least air is above the most and this flow is halfway between."""
    flow_min, flow_max = point["air_flow"]
    dose_min, dose_max = point["air_per_dose"]
    doses = []
    for low_fixed, low_slope in ((flow_min or 0, 0), (0, dose_min or 0)):
        for high_fixed, high_slope in ((flow_max, 0), (0, dose_max)):
            if high_fixed is None or high_slope is None or low_slope + high_slope == 0:
                continue
            dose = (2 * flow - low_fixed - high_fixed) / (low_slope + high_slope)
            if dose > 0 and least_air(point, dose) > most_air(point, dose):
                middle = (least_air(point, dose) + most_air(point, dose)) / 2
                if _same(middle, flow):
                    doses.append(dose)
    return doses


def _same(a, b):
    return abs(a - b) <= ROUNDING * max(abs(a), abs(b))


def judge(case, rate, choice):
    """What a setting gives: dose (mL/min), x and e per point, air (L/min), excess, value, and `feasible`.

    `choice` maps the name of each point to its (pump, mark, turns). Feasible is what meets the hard rules;
    whether the rate is a step of the dial is not asked.
    """
    order = in_order(case)
    parts = [part(case, point, rate, choice[point["name"]]) for point in order]
    air, excess, value = whole(case, parts)
    feasible = rate_allowed(case, rate) and air_allowed(case, air)
    for point in order:
        option = choice[point["name"]]
        feasible = feasible and option in options(case, point) and pump_keeps_up(case, option[0], rate)
    names = [point["name"] for point in order]
    found = {key: dict(zip(names, [p[key] for p in parts], strict=True)) for key in ("dose", "x", "e")}
    return {**found, "air": air, "excess": excess, "value": value, "feasible": feasible}


def _settings(case, rate, only=None):
    """Every (excess, value, options in order) at a rate that meets the hard rules; `only` these if given."""
    if not rate_allowed(case, rate):
        return
    tables = []
    for i, point in enumerate(in_order(case)):
        usable = options(case, point) if only is None else [only[i]]
        usable = [option for option in usable if pump_keeps_up(case, option[0], rate)]
        tables.append([(option, part(case, point, rate, option)) for option in usable])
    for row in product(*tables):
        air, excess, value = whole(case, [p for _, p in row])
        if air_allowed(case, air):
            yield excess, value, [option for option, _ in row]


def _capacity_rates(case):
    """On a free dial with drive air: every (rate, options in order) that uses just the capacity."""
    if case["rate"]["step"] is not None:
        return
    order = in_order(case)
    for chosen in product(*(options(case, point) for point in order)):
        flow = sum(flow_at(case, point, option[2]) for point, option in zip(order, chosen, strict=True))
        drive = sum(stroke_air(case, point, option[0]) for point, option in zip(order, chosen, strict=True))
        if drive > 0 and case["rate"]["min"] <= (case["capacity"] - flow) / drive <= case["rate"]["max"]:
            yield (case["capacity"] - flow) / drive, chosen


def _preference(case, chosen):
    """Sorts options that tie: point by point the larger stroke, then the order written, then fewer turns."""
    key = []
    for point, (pump, mark, turns) in zip(in_order(case), chosen, strict=True):
        kind = case["pumps"][pump]
        stroke = float(f"{kind['stroke_volume'] * kind['marks'][mark]:.12g}")  # equal but for rounding is equal
        key += [-stroke, point["pump"].index(pump), list(kind["marks"]).index(mark), turns]
    return key


def best(case):
    """The best setting by trying all, or None where none meets the hard rules.

    `excess` is the least mean excess of all settings, `value` the least value of those with that excess;
    `rate` (1/min) and `choice` are the setting to take of those that tie.
    """
    tries = [(rate, None) for rate in rates(case)] + list(_capacity_rates(case))
    least = [min((x for x, _, _ in _settings(case, *attempt)), default=inf) for attempt in tries]
    excess = min(least)
    if excess == inf:
        return None

    tries = [attempt for attempt, x in zip(tries, least, strict=True) if x <= excess + SLACK]
    least = [min(v for x, v, _ in _settings(case, *attempt) if x <= excess + SLACK) for attempt in tries]
    value = min(least)

    rate = min(attempt[0] for attempt, v in zip(tries, least, strict=True) if v <= value + SLACK)
    ties = [c for x, v, c in _settings(case, rate) if x <= excess + SLACK and v <= value + SLACK]
    chosen = min(ties, key=lambda c: _preference(case, c))
    choice = {point["name"]: option for point, option in zip(in_order(case), chosen, strict=True)}
    return {"excess": excess, "value": value, "rate": rate, "choice": choice}


def bands(case):
    """By point name, every (pump, mark, from, to): the rates, 1/min, with the dose in tolerance.

    Within the dial, the point's own cut and the pump's max_rate; other points and air are left out.
    On a stepped dial `from` and `to` are the first and the last step in the band.
    """
    found = {}
    for point in case["points"]:
        found[point["name"]] = []
        for pump in point["pump"]:
            for mark in case["pumps"][pump]["marks"]:
                band = _band(case, point, pump, mark)
                if band is not None:
                    found[point["name"]].append((pump, mark, *band))
    return found


def _band(case, point, pump, mark):
    """The first and last rate, 1/min, at which a pump at a mark gives a dose in tolerance, or None."""
    stroke = dose_per_stroke(case, point, pump, mark)
    if case["rate"]["step"] is not None:
        inside = [
            rate
            for rate in rates(case)
            if enough_strokes(point, rate)
            and pump_keeps_up(case, pump, rate)
            and dose_miss(point, rate * stroke) == 0
        ]
        return (inside[0], inside[-1]) if inside else None
    lowest, highest = case["rate"]["min"], case["rate"]["max"]
    if point["cut"] is not None:
        lowest = max(lowest, point["cut"][1] / point["cut"][0])
    if case["pumps"][pump]["max_rate"] is not None:
        highest = min(highest, case["pumps"][pump]["max_rate"])
    low, high = edges(point)
    first, last = max(low / stroke, lowest), min(high / stroke, highest)
    if first > last * (1 + SLACK):
        return None
    if first > last:  # but for rounding they touch: the hard end is the band
        first = last = min(first, highest)
    return first, last


def conflicts(case):
    """All sets of points that no one rate serves and of which every smaller set has one.

    Tuples of names in order, small sets first; a rate serves a point if it is in one of its bands.
    """
    band = bands(case)
    served = [{name for name in band if _serves(band[name], rate)} for rate in _test_rates(case, band)]
    found = []
    for size in range(1, len(band) + 1):
        for names in combinations(sorted(band), size):
            minimal = not any(set(smaller) <= set(names) for smaller in found)
            if minimal and not any(set(names) <= together for together in served):
                found.append(names)
    return found


def _test_rates(case, band):
    """Rates, 1/min, of which one lies in every overlap of bands."""
    if case["rate"]["step"] is not None:
        return rates(case)
    ends = sorted({end for of_point in band.values() for _, _, *both in of_point for end in both})
    return ends + [(a + b) / 2 for a, b in pairwise(ends)]


def _serves(of_point, rate):
    return any(first * (1 - SLACK) <= rate <= last * (1 + SLACK) for _, _, first, last in of_point)
