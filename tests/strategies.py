"""Hypothesis strategies for machines as bare numbers, for the same as problem files, and for settings.

Rates in strokes/min, strokes in mL, doses asked for in mL/h, air in L ANR, shares and weights without unit.
Numbers come from grids of nice ones mostly, and from all floats of a range now and then.
"""

import oracle_line
from hypothesis import strategies as st
from oracle import best, covered, flow_at, in_order, judge, keeps, options, part, rates, stroke_air

NAMES = ("p1", "p2", "p10", "B", "a", "Z9", "p3", "p20", "b")
# Points -> the most pumps, marks and screw settings with air; what the oracle tries grows fast.
LIMITS = {1: (3, 4, 4), 2: (3, 3, 3), 3: (2, 3, 2), 4: (2, 2, 2)}
MORE_POINTS = (1, 2, 2)
# Next to 1, within and beyond the 1e-9 that counts as the same; odd, so that no mean of them is just that.
NEAR = (1.07e-10, 0.83e-9, 1.19e-9, 0.97e-8)
NUDGES = (1.0, *(1 + x for x in NEAR), *(1 - x for x in NEAR))
# The same where constraints or several generators couple the points, by (number of points, kind of dial).
COUPLED_LIMITS = {
    "stepped": {1: (3, 4, 4), 2: (2, 3, 3), 3: (2, 2, 2)},
    "free": {1: (3, 3, 3), 2: (2, 2, 2), 3: (1, 2, 2)},
    "several": {1: (2, 3, 3), 2: (2, 2, 2), 3: (1, 2, 2)},
}
COUPLED_STEPS = {1: 7, 2: 7, 3: 4}  # of a dial with several generators, at most
MOSTLY = (True, True, True, False)
RARELY = (False, False, False, True)


@st.composite
def cases(draw, max_points=3, free=None, short=None, windows=None, near_ties=False, limits=LIMITS, steps=None):
    """A machine: stepped or free dial, ample or short air, with or without `air_flow`; None is either.

    Every dose is drawn around what a mark gives at one rate, every window around what a screw setting gives,
    so that good settings exist. A short capacity is drawn around the need of a setting: it may bind or be too
    little for any. With `near_ties` all these meet exactly or miss by 1e-10 to 1e-8 of themselves; points,
    marks and flows repeat. `limits` as LIMITS; `steps`, by the number of points, the most steps of the dial.
    """
    free, short = (draw(st.booleans()) if choice is None else choice for choice in (free, short))
    count = draw(_up_to(max_points))
    most_pumps, most_marks, most_screws = limits.get(count, MORE_POINTS)
    dial, rate = draw(_dials(free, 11 if steps is None else steps[count]))
    drive = draw(st.sampled_from(MOSTLY))
    case = {
        "rate": dial,
        "stroke_air": draw(st.sampled_from((0.01, 0.1, 0.3, 1.0))) if drive else 0.0,
        "pumps": draw(_pumps(most_pumps, most_marks, dial, rate, drive, near_ties)),
        "nozzles": {
            name: draw(_nozzles(most_screws, near_ties))
            for name in ("small", "large")[: draw(_up_to(min(2, count)))]
        },
        "air_weight": draw(st.sampled_from((0.1, 0.0, 0.01, 0.5, 1.0))),
        "points": [],
    }
    for name in draw(st.permutations(NAMES))[:count]:
        if near_ties and case["points"] and draw(st.booleans()):
            point = dict(draw(st.sampled_from(case["points"])))
            point["dose"] *= draw(st.sampled_from(NUDGES))
        else:
            point = draw(_points(case, rate, windows, near_ties))
        case["points"].append({**point, "name": name})
    case["capacity"] = draw(_capacities(case, rate, short, near_ties))
    return case


@st.composite
def crossed_cases(draw, max_points=6):
    """A machine whose points are each served at some of four rates only (1/min): conflicts of many points."""
    count = draw(_up_to(max_points))
    served = st.sets(st.sampled_from((10.0, 20.0, 30.0, 40.0)), min_size=draw(st.integers(1, 3)), max_size=3)
    case = {
        "rate": {"min": 5.0, "max": 45.0, "step": draw(st.sampled_from((5.0, None)))},
        "stroke_air": 0.0,
        "pumps": {},
        "nozzles": {"small": {"turns": [1.0], "flow": [10.0]}},
        "capacity": 1000.0,
        "air_weight": 0.1,
        "points": [],
    }
    for name in draw(st.permutations(NAMES))[:count]:
        shares = [5 / rate for rate in sorted(draw(served), reverse=True)]
        case["pumps"][f"of {name}"] = {
            "stroke_volume": 0.1,
            "marks": dict(zip("123", shares, strict=False)),
            "stroke_air": None,
            "max_rate": None,
        }
        point = {"name": name, "dose": 30.0, "below": 0.1, "above": 0.1, "pump": [f"of {name}"], "count": 1}
        point |= {"nozzle": "small", "air_flow": (10.0, None), "air_per_dose": (None, None)}
        case["points"].append({**point, "weight": 1.0, "cut": None})
    return case


@st.composite
def coupled_cases(
    draw, max_points=3, free=None, short=None, windows=None, constraints=None, generators=None, robust=None,
    worst=None, priced=None, now=None,
):  # fmt: skip
    """A machine of `cases` with what a file may ask for besides; small enough to try every setting. None is either.

    `constraints`: one to three, most of them around what one setting does, so that they bind and can be kept together,
    some not to be kept; `generators`: two or three on a stepped dial, else one; `robust`: doses that may stray count;
    they may stray without it too; `worst`: the objective; `priced`: prices and their weight; `now`: a setting of today.
    Some points have tags, some pumps do not take the fluid. Several generators have points made for other rates.
    """
    asked = (constraints, generators, robust, worst, priced, now)
    constraints, generators, robust, worst, priced, now = (draw(st.booleans()) if a is None else a for a in asked)
    if free is None:
        free = not generators and draw(st.booleans())
    kind = "several" if generators else "free" if free else "stepped"
    steps = COUPLED_STEPS if generators else None
    case = draw(cases(max_points, free, short, windows, limits=COUPLED_LIMITS[kind], steps=steps))
    easier = draw(st.sampled_from((0.0, 0.2, 0.5)))
    case["points"] = [_eased(point, easier) for point in case["points"]]
    if generators:
        case["points"] = [draw(_moved(case, point)) for point in case["points"]]
    case["generators"] = draw(st.sampled_from((2, 2, 3))) if generators else 1
    case["objective"], case["robust"] = "worst" if worst else "mean", robust
    if robust or draw(st.booleans()):
        case["drift"] = draw(st.sampled_from((0.03, 0.01, 0.05, 0.1, 0.0)))
        for pump in case["pumps"].values():
            pump["spread"] = draw(_spreads(pump))
    if priced:
        case["price_weight"] = draw(st.sampled_from((0.05, 0.2, 1.0, 0.01)))
        for pump in case["pumps"].values():
            pump["price"] = draw(st.sampled_from((1.0, 0.5, 1.5, 2.0, 0.8)))
    if len(case["pumps"]) > 1 and draw(st.sampled_from(RARELY)):
        draw(_fluids(case))
    for point in case["points"]:
        point["tags"] = draw(st.sampled_from(([], ["left"], ["tap"], ["left", "tap"])))
    if now:
        draw(_todays(case))
    if constraints:
        case["constraints"] = draw(_constraints(case))
    return case


@st.composite
def line_cases(
    draw, max_points=3, short=None, constraints=None, generators=None, robust=None, worst=None, priced=None,
    windows=None, stalling=None,
):  # fmt: skip
    """A machine of `coupled_cases` with a stepped dial whose supply reaches the stack through a line that matters.

    Choked, the line lets through half to five times what one setting asks for. A short capacity is drawn around what
    a setting takes through the line; `constraints` are drawn around what one does there; `stalling`: pumps need a
    pressure around that of some setting. Supply, and the critical ratios of line and nozzles, differ.
    """
    asked = (short, constraints, generators, stalling)
    short, constraints, generators, stalling = (draw(st.booleans()) if a is None else a for a in asked)
    case = draw(coupled_cases(max_points, False, False, windows, False, generators, robust, worst, priced, False))
    case["pressure"] = draw(_numbers((6.0, 6.0, 4.0, 2.0, 0.7), 0.2, 9.0))
    for nozzle in case["nozzles"].values():
        nozzle["critical_ratio"] = draw(_numbers((None, 0.3, 0.1, 0.5, 0.2), 0.0, 0.6))
    at, choice = draw(coupled_settings(case))
    choked = judge(case, at, choice)["air"] * draw(_numbers((1.0, 0.5, 1.5, 2.0, 3.0, 5.0), 0.5, 5.0))
    ratio = draw(_numbers((0.3, 0.35, 0.1, 0.5, 0.2), 0.0, 0.6))
    case["line"] = {"conductance": _nice(choked / 60 / oracle_line.supply(case)), "critical_ratio": ratio}
    if short:
        judged = oracle_line.judge(case, *draw(coupled_settings(case)))
        factor = draw(_numbers((1.0, 1.02, 0.97, 1.1, 0.9, 0.7), 0.5, 1.2))
        case["capacity"] = _nice(factor * judged["air"])
    if stalling:
        for pump in case["pumps"].values():
            pressure = oracle_line.pressure(case, *draw(coupled_settings(case)))
            if pressure is not None and draw(st.sampled_from(MOSTLY)):
                least = draw(_numbers((1.0, 0.9, 1.05, 0.7, 1.2), 0.5, 1.3)) * pressure
                pump["min_pressure"] = max(oracle_line.OPEN, _nice(least))
    if constraints:
        case["constraints"] = draw(_line_constraints(case))
    return case


@st.composite
def _line_constraints(draw, case):
    """One to three constraints, mostly kept by a setting that may be used, and not by the best without them."""
    top = oracle_line.best(case)
    some = [draw(coupled_settings(case)) for _ in range(4)]
    reference = min(some, key=lambda setting: not oracle_line.judge(case, *setting)["feasible"])
    pressure = oracle_line.pressure(case, *reference)
    there = case if pressure is None else oracle_line.at_pressure(case, pressure)
    found = []
    for _ in range(draw(_up_to(3))):
        constraint = draw(_constraint(there, *reference))
        if top is not None:
            best_there = oracle_line.at_pressure(case, oracle_line.pressure(case, top["rates"], top["choice"]))
            if keeps(best_there, constraint, top["rates"], top["choice"]):
                constraint = draw(_constraint(there, *reference))
        found.append(constraint)
    return [{key: value for key, value in constraint.items() if value is not None} for constraint in found]


@st.composite
def coupled_settings(draw, case):
    """As `settings`, with a rate a point, no more different ones than generators: ({name: rate}, {name: option})."""
    some = [draw(settings(case))[0] for _ in range(case.get("generators", 1))]
    at = {point["name"]: draw(st.sampled_from(some)) for point in case["points"]}
    return at, {point["name"]: draw(st.sampled_from(options(case, point))) for point in case["points"]}


@st.composite
def settings(draw, case):
    """A rate of the dial and an option for every point: (rate, {name: (pump, mark, turns)})."""
    dial = case["rate"]
    rate = st.sampled_from(rates(case))
    if dial["step"] is None:
        rate = st.one_of(rate, st.floats(dial["min"], dial["max"]))
    return draw(rate), {
        point["name"]: draw(st.sampled_from(options(case, point))) for point in case["points"]
    }


def raw(case):
    """The same machine in the keys and units of a problem file; nothing is lost on the way."""
    generator = _given(
        {
            "rate": _given({key: _quantity(case["rate"][key], "/min") for key in ("min", "max", "step")}),
            "stroke_air": _quantity(case["stroke_air"], "L"),
            "drift": case.get("drift"),
            "count": case.get("generators"),
            "now": _quantity(case.get("now"), "/min"),
        }
    )
    pumps = {
        name: _given(
            {
                "stroke_volume": _quantity(pump["stroke_volume"], "mL"),
                "marks": dict(pump["marks"]),
                "stroke_air": _quantity(pump["stroke_air"], "L"),
                "max_rate": _quantity(pump["max_rate"], "/min"),
                "min_pressure": _quantity(pump.get("min_pressure"), "bar_a"),
                "spread": pump.get("spread") and dict(pump["spread"]),
                "fluids": pump.get("fluids") and list(pump["fluids"]),
                "price": pump.get("price"),
            }
        )
        for name, pump in case["pumps"].items()
    }
    nozzles = {
        name: _given(
            {
                "turns": list(nozzle["turns"]),
                "flow": [_quantity(flow, "L/min") for flow in nozzle["flow"]],
                "critical_ratio": nozzle.get("critical_ratio"),
            }
        )
        for name, nozzle in case["nozzles"].items()
    }
    constraints = [_raw_constraint(k, constraint) for k, constraint in enumerate(case.get("constraints") or [], 1)]
    return _given(
        {
            "title": "drawn at random",
            "fluid": {"kind": case.get("fluid", "neat oil")},
            "generator": generator,
            "pumps": pumps,
            "nozzles": nozzles,
            "air": _given(
                {
                    "pressure": _quantity(case.get("pressure", 6), "bar"),
                    "capacity": _quantity(case["capacity"], "L/min"),
                    "line": case.get("line") and {
                        "conductance": _quantity(case["line"]["conductance"], "L/(s bar)"),
                        "critical_ratio": case["line"]["critical_ratio"],
                    },
                }
            ),
            "point": [_raw_point(point) for point in case["points"]],
            "constraint": constraints or None,
            "solve": _given(
                {
                    "air_weight": case["air_weight"],
                    "price_weight": case.get("price_weight"),
                    "objective": case.get("objective"),
                    "robust": case.get("robust"),
                    "time_limit": "60 s",
                }
            ),
        }
    )


def _raw_constraint(number, constraint):
    """A constraint in the units of a problem file; a ratio has none, nor have turns."""
    of, written = constraint["of"], {"name": f"rule {number}", **constraint}
    unit = {"dose": "mL/h", "air": "L/min"}.get(of)
    for key in ("min", "max"):
        if written.get(key) is not None and unit and constraint["kind"] in ("total", "compare"):
            written[key] = _quantity(written[key], unit)
    if of == "rate":
        written["at"] = _quantity(written["at"], "/min")
    return _given(written)


def _raw_point(point):
    minutes, strokes = point["cut"] or (None, None)
    return _given(
        {
            "name": point["name"],
            "dose": _quantity(point["dose"], "mL/h"),
            "tolerance": {"below": point["below"], "above": point["above"]},
            "pump": list(point["pump"]),
            "count": point["count"],
            "nozzle": point["nozzle"],
            "air_flow": _raw_window(point["air_flow"], "L/min"),
            "air_per_dose": _raw_window(point["air_per_dose"], "L/mL"),
            "weight": point["weight"],
            "cut": point["cut"] and {"time": _quantity(minutes, "min"), "strokes": strokes},
            "tags": point.get("tags") and list(point["tags"]),
            "now": point.get("now") and dict(point["now"]),
        }
    )


def _raw_window(window, unit):
    low, high = window
    return _given({"min": _quantity(low, unit), "max": _quantity(high, unit)}) or None


def _quantity(number, unit):
    return None if number is None else f"{number!r} {unit}"


def _given(table):
    return {key: value for key, value in table.items() if value is not None}


def _nice(number):
    """A number to three digits."""
    return float(f"{number:.3g}")


def _up_to(most):
    """1 to most, the most more often."""
    return st.sampled_from((*range(1, most + 1), most, most))


def _numbers(grid, low, high):
    """One of the grid mostly, else any float of the range."""
    return st.sampled_from(MOSTLY).flatmap(
        lambda on_grid: st.sampled_from(grid) if on_grid else st.floats(low, high)
    )


@st.composite
def _factors(draw, grid, low, high, near_ties):
    """What to multiply a number with to be around it, or next to it."""
    next_to = near_ties and draw(st.sampled_from(MOSTLY))
    return draw(st.sampled_from(NUDGES) if next_to else _numbers(grid, low, high))


@st.composite
def _dials(draw, free, most_steps):
    """A dial (1/min), and a rate on it to build the machine around."""
    low = draw(_numbers((4.0, 5.0, 10.0, 20.0, 1.5), 1.0, 40.0))
    step = draw(_numbers((1.0, 5.0, 2.5, 0.1, 10.0), 0.05, 20.0))
    steps = draw(st.integers(0, most_steps))
    over = draw(st.sampled_from((0.0, 0.0, 0.5)))  # of a step, up to the end of the dial
    dial = {"min": low, "max": low + (steps + over) * step, "step": None if free else step}
    rate = low + draw(st.integers(0, steps)) * step
    if free and draw(st.booleans()):
        rate = draw(st.floats(dial["min"], dial["max"]))
    return dial, rate


@st.composite
def _pumps(draw, most_pumps, most_marks, dial, rate, drive, near_ties):
    """Pumps by name, built around a rate (1/min); with `near_ties` some strokes are those of other marks."""
    pumps = {}
    strokes = []  # mL, of all marks so far
    for name in ("standard", "mini", "big")[: draw(_up_to(most_pumps))]:
        volume = draw(_numbers((0.06, 0.03, 0.12, 0.015, 0.1), 0.01, 0.2))
        shares = []
        for _ in range(draw(_up_to(most_marks))):
            share = draw(_numbers((1.0, 0.5, 0.25, 0.58, 0.22, 0.75), 0.1, 1.0))
            if near_ties and strokes and draw(st.booleans()):
                share = min(1.0, draw(st.sampled_from(strokes)) / volume * draw(st.sampled_from(NUDGES)))
            shares.append(share)
            strokes.append(volume * share)
        pumps[name] = {
            "stroke_volume": volume,
            "marks": dict(zip("1234", sorted(shares), strict=False)),
            "stroke_air": draw(st.sampled_from((None, 0.0, 0.02, 0.5))) if drive else None,
            "max_rate": None,
        }
        if draw(st.sampled_from(RARELY)):
            highest = rate * draw(st.sampled_from((1.0, 1.2, 0.9, 1.5)))
            highest = highest if near_ties else _nice(highest)
            pumps[name]["max_rate"] = min(max(highest, dial["min"]), dial["max"])
    return pumps


@st.composite
def _nozzles(draw, most_screws, near_ties):
    """Screw settings, turns and flow (L/min) rising; often closed at first."""
    turns, flows = [], []
    if draw(st.booleans()):
        turns, flows = [0.0], [0.0]
    for _ in range(draw(_up_to(most_screws))):
        turns.append(turns[-1] + draw(st.sampled_from((0.5, 0.25, 1.0))) if turns else 0.5)
        more = draw(_numbers((10.0, 5.0, 20.0, 12.0, 50.0), 1.0, 80.0))
        flow = flows[-1] + more if flows else more
        if near_ties and flows and flows[-1] > 0 and draw(st.booleans()):
            flow = max(flows[-1], flows[-1] * draw(st.sampled_from(NUDGES)))
        flows.append(flow)
    return {"turns": turns, "flow": flows}


@st.composite
def _points(draw, case, rate, windows, near_ties):
    """A point, without name, that one mark and one screw setting suit at a rate (1/min), or nearly so."""
    names = list(case["pumps"])
    point = {
        "pump": draw(st.permutations(names))[: draw(_up_to(len(names)))],
        "count": draw(st.sampled_from((1, 1, 2, 3))),
        "nozzle": draw(st.sampled_from(list(case["nozzles"]))),
        "below": draw(_numbers((0.1, 0.1, 0.05, 0.2, 0.3, 0.0), 0.0, 0.5)),
        "above": draw(_numbers((0.1, 0.1, 0.05, 0.2, 0.5, 0.0), 0.0, 0.5)),
        "weight": draw(_numbers((1.0, 1.0, 2.0, 0.5, 0.1, 10.0, 0.001, 1000.0), 0.001, 1000.0)),
        "cut": draw(_cuts(case["rate"], rate, near_ties)),
    }
    pump, mark, turns = draw(st.sampled_from(options(case, point)))
    nozzle = case["nozzles"][point["nozzle"]]
    flow = nozzle["flow"][nozzle["turns"].index(turns)]

    pump = case["pumps"][pump]
    given = rate * pump["stroke_volume"] * point["count"] * pump["marks"][mark]  # mL/min
    point["dose"] = 60 * given * draw(_factors((1.0, 1.0, 0.95, 1.08, 0.85, 1.2), 0.7, 1.5, near_ties))
    if near_ties:
        at_edge = draw(st.sampled_from((1.0, 1 / (1 - point["below"]), 1 / (1 + point["above"]))))
        point["dose"] *= at_edge
    else:
        point["dose"] = _nice(point["dose"])

    with_flow = draw(st.booleans()) if windows is None else windows
    needs_flow_min = with_flow and draw(st.sampled_from(MOSTLY))
    needs_dose_min = not needs_flow_min or draw(st.booleans())
    needs_flow_max = with_flow and (not needs_flow_min or draw(st.booleans()))
    needs_dose_max = draw(st.booleans())
    per_dose = flow / given
    point["air_flow"] = draw(_windows(flow, needs_flow_min, needs_flow_max, near_ties))
    point["air_per_dose"] = draw(_windows(per_dose, needs_dose_min, needs_dose_max, near_ties))
    return point


@st.composite
def _windows(draw, about, with_min, with_max, near_ties):
    """(min, max), either None, about an air flow (L/min) or an air per dose (L/mL)."""
    low = about * draw(_factors((0.8, 0.5, 0.9, 1.0, 1.1), 0.3, 1.2, near_ties)) if with_min else None
    high = about * draw(_factors((1.2, 1.0, 1.5, 3.0, 0.9), 0.8, 3.0, near_ties)) if with_max else None
    if not near_ties:
        low, high = (None if end is None else _nice(end) for end in (low, high))
    if with_min and with_max:
        high = max(low, high)
    return low, high


@st.composite
def _cuts(draw, dial, rate, near_ties):
    """None, or (minutes, strokes) with the lowest rate about this one (1/min) and within the dial."""
    if not draw(st.sampled_from(RARELY)):
        return None
    strokes = draw(st.integers(1, 4))
    if near_ties:
        return strokes / rate, strokes
    lowest = min(rate * draw(st.sampled_from((0.5, 0.8, 0.95, 1.2))), 0.99 * dial["max"])
    return _nice(strokes / lowest), strokes


@st.composite
def _capacities(draw, case, rate, short, near_ties):
    """L/min: more than any setting uses or, if short, about what a setting uses at a rate (1/min)."""
    if not short:
        most = sum(
            max(case["nozzles"][point["nozzle"]]["flow"])
            + case["rate"]["max"] * max(stroke_air(case, point, pump) for pump in point["pump"])
            for point in case["points"]
        )
        return _nice(most * draw(st.sampled_from((1.1, 2.0, 10.0))))
    if draw(st.booleans()):
        rate = draw(st.sampled_from(rates(case)))
    need = 0.0
    for point in sorted(case["points"], key=lambda point: point["name"]):
        pump, _, turns = draw(st.sampled_from(options(case, point)))
        nozzle = case["nozzles"][point["nozzle"]]
        need += nozzle["flow"][nozzle["turns"].index(turns)] + rate * stroke_air(case, point, pump)
    factor = draw(_factors((1.0, 1.02, 0.97, 1.1, 0.9, 1.3, 0.7), 0.5, 1.5, near_ties))
    return need * factor if near_ties or draw(st.booleans()) else _nice(need * factor)


def _eased(point, share):
    """The point with at least this tolerance, and windows wider by that, so that more settings serve more points."""
    windows = {}
    for key in ("air_flow", "air_per_dose"):
        low, high = point[key]
        low, high = low and low * (1 - share), high and high * (1 + 2 * share)
        windows[key] = (low and _nice(low), high and _nice(high))
    return {**point, "below": max(point["below"], share), "above": max(point["above"], share), **windows}


@st.composite
def _moved(draw, case, point):
    """The point, or as well one that at another rate needs what this one does at a first."""
    if draw(st.booleans()):
        return point
    factor = draw(st.sampled_from(rates(case))) / draw(st.sampled_from(rates(case)))
    low, high = point["air_per_dose"]
    per_dose = (None if low is None else low / factor, None if high is None else high / factor)
    return {**point, "dose": point["dose"] * factor, "air_per_dose": per_dose}


@st.composite
def _spreads(draw, pump):
    """None, or {mark: share}: less at larger marks."""
    if draw(st.sampled_from(RARELY)):
        return None
    shares = [draw(st.sampled_from((0.03, 0.01, 0.02, 0.06, 0.1))) for _ in pump["marks"]]
    return dict(zip(pump["marks"], sorted(shares, reverse=True), strict=True))


@st.composite
def _fluids(draw, case):
    """Write a fluid and the kinds that pumps take into a case; every point keeps a pump that takes it."""
    kinds = ("neat oil", "water mix", "vanishing")
    case["fluid"] = draw(st.sampled_from(kinds))
    for name in sorted(case["pumps"]):
        others = [kind for kind in kinds if kind != case["fluid"]]
        taken = draw(st.sampled_from(([*kinds], others, [case["fluid"]], others[:1])))
        case["pumps"][name]["fluids"] = taken
        if not all(options(case, point) for point in case["points"]):
            case["pumps"][name]["fluids"] = [*taken, case["fluid"]]


@st.composite
def _todays(draw, case):
    """Write a setting of today into a case: the rate mostly, and that of most points."""
    if draw(st.sampled_from(MOSTLY)):
        case["now"] = draw(st.sampled_from(rates(case)))
    for point in case["points"]:
        if draw(st.sampled_from(MOSTLY)):
            pump, mark, turns = draw(st.sampled_from(options(case, point)))
            point["now"] = {"mark": mark, "turns": turns}
            if len(point["pump"]) > 1:
                point["now"]["pump"] = pump


@st.composite
def _constraints(draw, case):
    """One to three constraints that one setting keeps mostly, and the best without them does not; some that clash."""
    top = best(case)
    reference = draw(_references(case, top))
    if top is None and draw(st.sampled_from(MOSTLY)):
        case["capacity"] = max(case["capacity"], _nice(1.05 * judge(case, *reference)["air"]))
    found = []
    for _ in range(draw(_up_to(3))):
        constraint = draw(_constraint(case, *reference))
        if top is not None and keeps(case, constraint, top["rates"], top["choice"]):
            constraint = draw(_constraint(case, *reference))
        found.append(constraint)
    if draw(st.sampled_from((False,) * 11 + (True,))):
        over = draw(_overs(case))
        level = _nice(sum(_does(case, *reference, "air", point) for point in covered(case, over)))
        clash = {"kind": "total", "of": "air", "over": over}
        found = [*found[:1], {**clash, "max": level}, {**clash, "min": _nice(1.2 * level)}]
    return [{key: value for key, value in constraint.items() if value is not None} for constraint in found]


@st.composite
def _references(draw, case, top):
    """A setting to draw constraints around: the best one without something of the very best, or any that is allowed."""
    if top is not None and draw(st.sampled_from(MOSTLY)):
        name = draw(st.sampled_from(sorted(top["choice"])))
        of = draw(st.sampled_from(("mark", "turns", "pump", "mark", "turns")))
        used = top["choice"][name][("pump", "mark", "turns").index(of)]
        second = best({**case, "constraints": [{"kind": "forbid", "of": of, "over": [name], "at": [used]}]})
        if second is not None:
            return second["rates"], second["choice"]
    found = [draw(coupled_settings(case)) for _ in range(4)]
    return min(found, key=lambda setting: not judge(case, *setting)["feasible"])


def _does(case, at, choice, of, point):
    """What a point does in a setting: dose (mL/h), air (L/min), turns, mark, pump or rate (1/min)."""
    pump, mark, turns = choice[point["name"]]
    rate = at[point["name"]]
    if of == "dose":
        return 60 * part(case, point, rate, choice[point["name"]])["dose"]
    found = {"air": flow_at(case, point, turns), "turns": turns, "mark": mark, "pump": pump, "rate": rate}
    return found[of]


def _all_overs(case):
    """Every `over` to draw from: all points, a tag, a name, two names, a tag and a name."""
    names = [point["name"] for point in in_order(case)]
    tags = sorted({tag for point in case["points"] for tag in point["tags"]})
    pairs = [[one, other] for k, one in enumerate(names) for other in names[:k]]
    return [None, *([tag] for tag in tags), *([name] for name in names), *pairs,
            *([tag, name] for tag in tags for name in names)]  # fmt: skip


@st.composite
def _overs(draw, case, alike=None):
    """An `over`; with `alike`, a function of a point, of points for which it is the same, several if there are any."""
    found = _all_overs(case)
    if alike is not None:
        same = [over for over in found if len({alike(point) for point in covered(case, over)}) == 1]
        several = [over for over in same if len(covered(case, over)) > 1]
        found = several or same
    return draw(st.sampled_from(found))


@st.composite
def _constraint(draw, case, at, choice):
    """A constraint that a setting keeps, but for one in twelve."""
    kinds = ["total", "total", "same", "fix", "forbid", "distinct"]
    if len(case["points"]) > 1:
        kinds += ["compare", "ratio"]
    kind, wrong = draw(st.sampled_from(kinds)), draw(st.sampled_from((False,) * 11 + (True,)))

    def does(of):
        return lambda point: _does(case, at, choice, of, point)

    if kind == "total":
        return draw(_totals(case, does, wrong))
    if kind in ("compare", "ratio"):
        return draw(_sides(case, kind, does, wrong))
    of = draw(st.sampled_from(("mark", "turns", "pump", "rate") if kind == "fix" else ("mark", "turns", "pump")))
    if kind == "same":
        return {"kind": kind, "of": of, "over": draw(_overs(case, None if wrong else does(of)))}
    if kind == "fix":
        over = draw(_overs(case, does(of)))
        value = does(of)(covered(case, over)[0])
        return {"kind": kind, "of": of, "over": over, "at": draw(_others(case, over, of, value)) if wrong else value}
    over = draw(_overs(case))
    used = {does(of)(point) for point in covered(case, over)}
    if kind == "distinct":
        return {"kind": kind, "of": of, "over": over, "max": max(1, len(used) - wrong)}
    unused = sorted(_known(case, over, of) - used)
    if not unused and not wrong:
        return draw(_totals(case, does, wrong))
    never = draw(st.lists(st.sampled_from(unused), min_size=1, unique=True)) if unused and not wrong else []
    return {"kind": kind, "of": of, "over": over, "at": never or [draw(st.sampled_from(sorted(used)))]}


def _known(case, over, of):
    """Every mark, turns or pump that these points could be set to, or every rate."""
    if of == "rate":
        return set(rates(case))
    place = ("pump", "mark", "turns").index(of)
    return {option[place] for point in covered(case, over) for option in options(case, point)}


@st.composite
def _others(draw, case, over, of, value):
    """Another value than this one to fix, where there is another."""
    return draw(st.sampled_from(sorted(_known(case, over, of) - {value}) or [value]))


@st.composite
def _bounds(draw, value, wrong):
    """(min, max), either None, with a value just between or some way from it; if wrong, beyond it."""
    if wrong:
        below = 0.6 * value if value > 0 else 1.4 * value - 0.1
        above = 1.4 * value if value > 0 else 0.6 * value + 0.1
        return draw(st.sampled_from(((_nice(above), None), (None, _nice(below)))))
    low, high = (value - abs(value) * draw(st.sampled_from((0.0, 0.001, 0.02, 0.1, 0.3))) for _ in range(2))
    high = 2 * value - high
    return draw(st.sampled_from(((None, high), (low, None), (low, high))))


@st.composite
def _totals(draw, case, does, wrong):
    of, over = draw(st.sampled_from(("air", "dose", "air", "dose", "turns"))), draw(_overs(case))
    points, times = covered(case, over), None
    if draw(st.sampled_from(RARELY)):
        chosen = draw(st.lists(st.sampled_from([p["name"] for p in points]), min_size=1, unique=True))
        times = {name: draw(st.sampled_from((0.5, 2.0, 3.0, 1.5))) for name in chosen}
    low, high = draw(_bounds(sum((times or {}).get(p["name"], 1.0) * does(of)(p) for p in points), wrong))
    return {"kind": "total", "of": of, "over": over, "min": low, "max": high, "times": times}


@st.composite
def _sides(draw, case, kind, does, wrong):
    of = draw(st.sampled_from(("dose", "air") if kind == "ratio" else ("dose", "air", "turns")))
    first, second = draw(st.permutations([over[0] for over in _all_overs(case)[1:] if len(over) == 1]))[:2]
    one, other = (sum(does(of)(point) for point in covered(case, [side])) for side in (first, second))
    low, high = draw(_bounds(one / other if kind == "ratio" else one - other, wrong))
    return {"kind": kind, "of": of, "first": first, "second": second, "min": low, "max": high}
