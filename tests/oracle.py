"""A slow, plain oracle of the goal: every setting at every rate, in plain loops.

A case is a machine as bare numbers: rates in strokes/min, strokes in mL, doses asked for in mL/h and air in L
at ANR.

The goal: of all settings that meet the hard rules (dial, `cut`, `max_rate`, capacity, constraints), first the
mean excess over the points is made as small as possible, then the value, which is the mean error plus
`air_weight` times the share of the capacity that is used plus `price_weight` times the mean price. Of values
that tie the lowest rate is taken, of settings that tie at that rate the one with the larger strokes and then
the fewer turns, point by point in name order.

What a case may have besides, each as good as not there when it is absent:

- `fluid` (a kind) and `fluids` of a pump (the kinds it takes); `price` of a pump; `price_weight`
- `drift`, `spread` of a pump ({mark: share}) and `robust`: then a point's excess is the larger one of its dose
  at both ends of what drift and spread allow; it is convex in the dose, so nothing between is worse
- `objective`: "mean", or "worst": then the largest excess and the largest error count, without weights
- `generators`: how many different rates may be used; each point has one of them
- `tags` of a point and `constraints`: dicts with `kind`, `of`, `over` (names and tags), `min`, `max`, `times`, `at`,
  `first`, `second`; doses in mL/h, air (without drive air) in L/min, rates in 1/min
- `now`, a rate, and `now` of a point, {"pump", "mark", "turns"} with the pump where there is a choice
"""

from itertools import combinations, pairwise, product
from math import floor, inf

SLACK = 1e-9  # values, mean excesses and misses (shares) that differ by no more than this are the same
ROUNDING = 1e-12  # relative; numbers that differ by no more than this are the same but for rounding


def in_order(case):
    """The points in the order of their names."""
    return sorted(case["points"], key=lambda point: point["name"])


def takes_fluid(case, pump):
    """Whether a pump's seals take the fluid."""
    kinds = case["pumps"][pump].get("fluids")
    return kinds is None or case.get("fluid", "neat oil") in kinds


def options(case, point):
    """Every (pump, mark, turns) of a point, in the order written.

    A screw setting without flow is none, nor is a pump that does not take the fluid.
    """
    nozzle = case["nozzles"][point["nozzle"]]
    turns = [t for t, flow in zip(nozzle["turns"], nozzle["flow"], strict=True) if flow > 0]
    pumps = [pump for pump in point["pump"] if takes_fluid(case, pump)]
    return [(pump, mark, t) for pump in pumps for mark in case["pumps"][pump]["marks"] for t in turns]


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


def _dose_gap(point, dose):
    """How far a dose in mL/min is out of tolerance, as a share of the dose asked for, slack left out."""
    low, high = edges(point)
    return max(0, low - dose, dose - high) / asked(point)


def _air_gap(point, dose, flow):
    """How far a flow in L/min is out of its window, as a share of the least air, slack left out."""
    return max(0, least_air(point, dose) - flow, flow - most_air(point, dose)) / least_air(point, asked(point))


def dose_miss(point, dose):
    """How far a dose in mL/min is out of tolerance, as a share of the dose asked for."""
    miss = _dose_gap(point, dose)
    return miss if miss > SLACK else 0.0


def air_miss(point, dose, flow):
    """How far a flow in L/min is out of its window, as a share of the least air at the dose asked for."""
    miss = _air_gap(point, dose, flow)
    return miss if miss > SLACK else 0.0


def stray(case, pump, mark):
    """The share by which a dose may stray: the drift of the rate and the spread of the mark."""
    return (case.get("drift") or 0.0) + (case["pumps"][pump].get("spread") or {}).get(mark, 0.0)


def ends(case, pump, mark):
    """What to multiply a dose with to get those that are to be in tolerance: 1, or (robust) both ends."""
    share = stray(case, pump, mark)
    return (1 - share, 1 + share) if case.get("robust") else (1.0,)


def part(case, point, rate, option):
    """What one point has and adds: dose (mL/min), x and e (shares), air with drive air (L/min), price."""
    pump, mark, turns = option
    dose = rate * dose_per_stroke(case, point, pump, mark)
    flow = flow_at(case, point, turns)
    return {
        "dose": dose,
        "x": max(dose_miss(point, dose * f) + air_miss(point, dose * f, flow) for f in ends(case, pump, mark)),
        "e": abs(dose - asked(point)) / asked(point),
        "air": flow + rate * stroke_air(case, point, pump),
        "weight": point["weight"],
        "price": case["pumps"][pump].get("price", 1.0),
    }


def whole(case, parts):
    """Air (L/min), excess and value of all points together; `parts` in the order of their names."""
    air = excess = error = weight = price = 0.0
    for p in parts:
        air += p["air"]
        excess += p["weight"] * p["x"]
        error += p["weight"] * p["e"]
        weight += p["weight"]
        price += p["price"]
    excess, error = excess / weight, error / weight
    if case.get("objective") == "worst":
        excess, error = max(p["x"] for p in parts), max(p["e"] for p in parts)
    cost = case.get("price_weight", 0.0) * price / len(parts)
    return air, excess, error + case["air_weight"] * air / case["capacity"] + cost


def enough_strokes(point, rate):
    """Whether a rate gives the point's shortest cut its strokes."""
    return point["cut"] is None or rate >= point["cut"][1] / point["cut"][0] * (1 - ROUNDING)


def pump_keeps_up(case, pump, rate):
    """Whether a rate is not above the pump's highest."""
    highest = case["pumps"][pump]["max_rate"]
    return highest is None or rate <= highest * (1 + ROUNDING)


def on_dial(case, rate):
    """Whether a rate is within the dial; whether it is a step of it is not asked."""
    dial = case["rate"]
    return dial["min"] * (1 - ROUNDING) <= rate <= dial["max"] * (1 + ROUNDING)


def rate_allowed(case, rate):
    """Whether a rate is within the dial and enough for every cut."""
    return on_dial(case, rate) and all(enough_strokes(point, rate) for point in case["points"])


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
                found |= _turning_rates(case, point, pump, mark)
    return sorted(rate for rate in found if dial["min"] <= rate <= dial["max"])


def _turning_rates(case, point, pump, mark):
    """The rates, 1/min, where the error or the excess of a point with this mark may turn."""
    stroke = dose_per_stroke(case, point, pump, mark)
    factors = {1.0, *ends(case, pump, mark)}
    return {dose / (stroke * factor) for dose in _turning_doses(case, point) for factor in factors}


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


def by_name(case, rate):
    """The rate of every point, {name: 1/min}, of one rate for all or of just that."""
    return dict(rate) if isinstance(rate, dict) else {point["name"]: rate for point in case["points"]}


def different(numbers):
    """Numbers without those that are the same but for rounding, rising."""
    found = []
    for number in sorted(numbers):
        if not found or not _same(found[-1], number):
            found.append(number)
    return found


def covered(case, over):
    """The points, in the order of their names, with one of these names or tags; all if `over` is None."""
    return [p for p in in_order(case) if over is None or p["name"] in over or set(p.get("tags", ())) & set(over)]


def _what(case, constraint, rates, choice, point):
    """What a constraint looks at: the point's dose (mL/h), air (L/min), turns, mark, pump or rate (1/min)."""
    (pump, mark, turns), rate = choice[point["name"]], rates[point["name"]]
    if constraint["of"] == "dose":
        return rate * dose_per_stroke(case, point, pump, mark) * 60
    if constraint["of"] == "air":
        return flow_at(case, point, turns)
    return {"turns": turns, "mark": mark, "pump": pump, "rate": rate}[constraint["of"]]


def _factor(constraint, point):
    """What a total multiplies a point with: the factor of its name, else of its tags, else 1."""
    times = constraint.get("times") or {}
    listed = [times[key] for key in (point["name"], *point.get("tags", ())) if key in times]
    return listed[0] if listed else 1.0


def _within(terms, low, high):
    """Whether a sum is between bounds, either None, but for the slack of its numbers."""
    size = sum(abs(term) for term in terms)
    above = low is None or sum(terms) >= low - SLACK * (abs(low) + size)
    return above and (high is None or sum(terms) <= high + SLACK * (abs(high) + size))


def _sides(case, constraint, rates, choice):
    """The terms of `first` and those of `second`."""
    return [
        [_what(case, constraint, rates, choice, point) for point in covered(case, [constraint[side]])]
        for side in ("first", "second")
    ]


def keeps(case, constraint, rates, choice):
    """Whether a setting, {name: rate} and {name: (pump, mark, turns)}, keeps a constraint of the case."""
    kind, low, high = constraint["kind"], constraint.get("min"), constraint.get("max")
    if kind in ("compare", "ratio"):
        first, second = _sides(case, constraint, rates, choice)
        if kind == "compare":
            return _within(first + [-term for term in second], low, high)
        enough = low is None or _within(first + [-low * term for term in second], 0.0, None)
        return enough and (high is None or _within(first + [-high * term for term in second], None, 0.0))
    points = covered(case, constraint.get("over"))
    found = [_what(case, constraint, rates, choice, point) for point in points]
    if kind == "total":
        return _within([_factor(constraint, p) * term for p, term in zip(points, found, strict=True)], low, high)
    if kind == "fix" and constraint["of"] == "rate":
        return all(abs(rate - constraint["at"]) <= SLACK * rate for rate in found)
    if kind == "fix":
        return all(one == constraint["at"] for one in found)
    if kind == "forbid":
        return all(one not in constraint["at"] for one in found)
    return len(set(found)) <= {"same": 1, "distinct": high}[kind]


def broken(case, rates, choice):
    """The places in the list of the constraints that a setting does not keep."""
    constraints = case.get("constraints") or []
    return [k for k, constraint in enumerate(constraints) if not keeps(case, constraint, rates, choice)]


def judge(case, rate, choice):
    """What a setting gives: dose (mL/min), x and e per point, air (L/min), excess, value, and `feasible`.

    `rate` is one for all or {name: rate}; `choice` maps the name of each point to its (pump, mark, turns). Feasible
    is what meets the hard rules; whether a rate is a step of the dial is not asked. `broken` are the places of the
    constraints not kept.
    """
    order, rates = in_order(case), by_name(case, rate)
    parts = [part(case, point, rates[point["name"]], choice[point["name"]]) for point in order]
    air, excess, value = whole(case, parts)
    not_kept = broken(case, rates, choice)
    feasible = air_allowed(case, air) and not not_kept
    feasible = feasible and len(different(rates.values())) <= case.get("generators", 1)
    for point in order:
        feasible = feasible and allowed(case, point, rates[point["name"]], choice[point["name"]])
    names = [point["name"] for point in order]
    found = {key: dict(zip(names, [p[key] for p in parts], strict=True)) for key in ("dose", "x", "e")}
    return {**found, "air": air, "excess": excess, "value": value, "feasible": feasible, "broken": not_kept}


def may_leave(case, rate, choice):
    """By name (share, leaves): by how much the dose may stray, and whether x is above 0 at an end of that."""
    found, rates = {}, by_name(case, rate)
    for point in case["points"]:
        option = choice[point["name"]]
        x = part({**case, "robust": True}, point, rates[point["name"]], option)["x"]
        found[point["name"]] = (stray(case, *option[:2]), x > 0)
    return found


def allowed(case, point, rate, option):
    """Whether a point may have this option at this rate: dial, cut, `max_rate`, fluid and flow."""
    strokes = on_dial(case, rate) and enough_strokes(point, rate) and pump_keeps_up(case, option[0], rate)
    return strokes and option in options(case, point)


def _settings(case, rate, only=None):
    """Every (excess, value, options in order) at a rate that meets the hard rules; `only` these if given."""
    if not rate_allowed(case, rate):
        return
    order = in_order(case)
    tables = []
    for i, point in enumerate(order):
        usable = options(case, point) if only is None else [only[i]]
        usable = [option for option in usable if pump_keeps_up(case, option[0], rate)]
        tables.append([(option, part(case, point, rate, option)) for option in usable])
    rates = by_name(case, rate)
    for row in product(*tables):
        air, excess, value = whole(case, [p for _, p in row])
        if air_allowed(case, air) and _kept(case, order, rates, [option for option, _ in row]):
            yield excess, value, [option for option, _ in row]


def _kept(case, order, rates, chosen):
    """Whether options, in the order of the points, keep all constraints at these rates."""
    if not case.get("constraints"):
        return True
    return not broken(case, rates, {point["name"]: option for point, option in zip(order, chosen, strict=True)})


def settings_on_steps(case):
    """On a stepped dial: every (excess, value, {name: rate}, {name: option}) that meets the hard rules."""
    order = in_order(case)
    names, most = [point["name"] for point in order], min(case.get("generators", 1), len(order))
    for some in (some for count in range(1, most + 1) for some in combinations(rates(case), count)):
        tables = []
        for point in order:
            usable = [(rate, o) for rate, o in product(some, options(case, point)) if allowed(case, point, rate, o)]
            tables.append([(rate, option, part(case, point, rate, option)) for rate, option in usable])
        for row in product(*tables):
            used = [rate for rate, _, _ in row]
            air, excess, value = whole(case, [p for _, _, p in row])
            if len(set(used)) < len(some) or not air_allowed(case, air):  # fewer rates have their own turn
                continue
            at, chosen = dict(zip(names, used, strict=True)), [option for _, option, _ in row]
            if _kept(case, order, at, chosen):
                yield excess, value, at, dict(zip(names, chosen, strict=True))


def _own_rates(case):
    """On a free dial: every (rate, options in order) to look at because of what these options do together."""
    if case["rate"]["step"] is not None:
        return
    order = in_order(case)
    for chosen in product(*(options(case, point) for point in order)):
        found = [*_capacity_rates(case, chosen), *_constraint_rates(case, chosen), *_crossing_rates(case, chosen)]
        for rate in found:
            if case["rate"]["min"] <= rate <= case["rate"]["max"]:
                yield rate, chosen


def _capacity_rates(case, chosen):
    """The rate, 1/min, at which options with drive air use just the capacity."""
    order = in_order(case)
    flow = sum(flow_at(case, point, option[2]) for point, option in zip(order, chosen, strict=True))
    drive = sum(stroke_air(case, point, option[0]) for point, option in zip(order, chosen, strict=True))
    return [(case["capacity"] - flow) / drive] if drive > 0 else []


def _constraint_rates(case, chosen):
    """The rates, 1/min, at which options just keep a bound on doses, or that a constraint asks for.

    A ratio of doses is the same at every rate, and no other kind looks at the rate.
    """
    order, found = in_order(case), []
    choice = {point["name"]: option for point, option in zip(order, chosen, strict=True)}
    for constraint in case.get("constraints") or []:
        if constraint["kind"] == "fix" and constraint["of"] == "rate":
            found.append(constraint["at"])
        if constraint["of"] != "dose" or constraint["kind"] not in ("total", "compare"):
            continue
        each = by_name(case, 1.0)  # at one stroke a minute
        if constraint["kind"] == "compare":
            first, second = _sides(case, constraint, each, choice)
            per_stroke = sum(first) - sum(second)
        else:
            points = covered(case, constraint.get("over"))
            per_stroke = sum(_factor(constraint, p) * _what(case, constraint, each, choice, p) for p in points)
        bounds = [constraint[key] for key in ("min", "max") if constraint.get(key) is not None]
        found += [bound / per_stroke for bound in bounds if per_stroke != 0]
    return found


def _crossing_rates(case, chosen):
    """The rates, 1/min, where the larger of two excesses or of two errors is another one.

    They are the two ends of a point's drift (robust), or the points (worst). Between the rates where one of them turns
    all are straight, so where two cross follows from how far they are apart at both sides.
    """
    order, low, high = in_order(case), case["rate"]["min"], case["rate"]["max"]
    excesses, errors, grid = [], [], {low, high}
    for point, (pump, mark, turns) in zip(order, chosen, strict=True):
        grid |= {rate for rate in _turning_rates(case, point, pump, mark) if low < rate < high}
        stroke, flow = dose_per_stroke(case, point, pump, mark), flow_at(case, point, turns)
        excesses.append([(point, stroke * factor, flow) for factor in ends(case, pump, mark)])
        errors.append((point, stroke))
    grid = sorted(grid)

    def excess(rate, line):
        point, stroke, flow = line
        return _dose_gap(point, rate * stroke) + _air_gap(point, rate * stroke, flow)

    def error(rate, line):
        point, stroke = line
        return abs(rate * stroke - asked(point)) / asked(point)

    if case.get("objective") == "worst":
        of_excess = [[excess(rate, line) for rate in grid] for lines in excesses for line in lines]
        pairs = [*combinations(of_excess, 2), *combinations([[error(r, line) for r in grid] for line in errors], 2)]
    else:
        pairs = [[[excess(rate, line) for rate in grid] for line in lines] for lines in excesses if len(lines) == 2]
    found = []
    for one, other in pairs:
        apart = [a - b for a, b in zip(one, other, strict=True)]
        for (a, b), (before, after) in zip(pairwise(grid), pairwise(apart), strict=True):
            if before * after < 0:
                found.append(a + (b - a) * before / (before - after))
    return found


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

    `excess` is the least excess of all settings, `value` the least value of those with that excess; `rate` (1/min;
    None with several generators), `rates` (by name) and `choice` are the setting to take of those that tie. Where
    constraints or several generators couple the points, it is any of those. Several generators only on a stepped dial.
    """
    if case.get("generators", 1) > 1:
        return _best_of_several(case)
    tries = [(rate, None) for rate in rates(case)] + list(_own_rates(case))
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
    return {"excess": excess, "value": value, "rate": rate, "rates": by_name(case, rate), "choice": choice}


def _best_of_several(case):
    """The best setting of several generators on a stepped dial."""
    if case["rate"]["step"] is None:
        raise ValueError("several generators only on a stepped dial")
    found = list(settings_on_steps(case))
    excess = min((x for x, _, _, _ in found), default=inf)
    if excess == inf:
        return None
    value = min(v for x, v, _, _ in found if x <= excess + SLACK)
    at, choice = next((r, c) for x, v, r, c in found if x <= excess + SLACK and v <= value + SLACK)
    return {"excess": excess, "value": value, "rate": None, "rates": at, "choice": choice}


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
    found = sorted({end for of_point in band.values() for _, _, *both in of_point for end in both})
    return found + [(a + b) / 2 for a, b in pairwise(found)]


def _serves(of_point, rate):
    return any(first * (1 - SLACK) <= rate <= last * (1 + SLACK) for _, _, first, last in of_point)
