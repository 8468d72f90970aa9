"""Hypothesis strategies for machines as bare numbers, for the same as problem files, and for settings.

Rates in strokes/min, strokes in mL, doses asked for in mL/h, air in L ANR, shares and weights without unit.
Numbers come from grids of nice ones mostly, and from all floats of a range now and then.
"""

from hypothesis import strategies as st
from oracle import options, rates, stroke_air

NAMES = ("p1", "p2", "p10", "B", "a", "Z9", "p3", "p20", "b")
# Points -> the most pumps, marks and screw settings with air; what the oracle tries grows fast.
LIMITS = {1: (3, 4, 4), 2: (3, 3, 3), 3: (2, 3, 2), 4: (2, 2, 2)}
MORE_POINTS = (1, 2, 2)
# Next to 1, within and beyond the 1e-9 that counts as the same; odd, so that no mean of them is just that.
NEAR = (1.07e-10, 0.83e-9, 1.19e-9, 0.97e-8)
NUDGES = (1.0, *(1 + x for x in NEAR), *(1 - x for x in NEAR))
MOSTLY = (True, True, True, False)
RARELY = (False, False, False, True)


@st.composite
def cases(draw, max_points=3, free=None, short=None, windows=None, near_ties=False):
    """A machine: stepped or free dial, ample or short air, with or without `air_flow`; None is either.

    Every dose is drawn around what a mark gives at one rate, every window around what a screw setting gives,
    so that good settings exist. A short capacity is drawn around the need of a setting: it may bind or be too
    little for any. With `near_ties` all these meet exactly or miss by 1e-10 to 1e-8 of themselves; points,
    marks and flows repeat.
    """
    free, short = (draw(st.booleans()) if choice is None else choice for choice in (free, short))
    count = draw(_up_to(max_points))
    most_pumps, most_marks, most_screws = LIMITS.get(count, MORE_POINTS)
    dial, rate = draw(_dials(free))
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
    generator = {
        "rate": _given({key: _quantity(case["rate"][key], "/min") for key in ("min", "max", "step")}),
        "stroke_air": _quantity(case["stroke_air"], "L"),
    }
    pumps = {
        name: _given(
            {
                "stroke_volume": _quantity(pump["stroke_volume"], "mL"),
                "marks": dict(pump["marks"]),
                "stroke_air": _quantity(pump["stroke_air"], "L"),
                "max_rate": _quantity(pump["max_rate"], "/min"),
            }
        )
        for name, pump in case["pumps"].items()
    }
    nozzles = {
        name: {"turns": list(nozzle["turns"]), "flow": [_quantity(flow, "L/min") for flow in nozzle["flow"]]}
        for name, nozzle in case["nozzles"].items()
    }
    return {
        "title": "drawn at random",
        "fluid": {"kind": "neat oil"},
        "generator": generator,
        "pumps": pumps,
        "nozzles": nozzles,
        "air": {"pressure": "6 bar", "capacity": _quantity(case["capacity"], "L/min")},
        "point": [_raw_point(point) for point in case["points"]],
        "solve": {"air_weight": case["air_weight"], "time_limit": "60 s"},
    }


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
def _dials(draw, free):
    """A dial (1/min), and a rate on it to build the machine around."""
    low = draw(_numbers((4.0, 5.0, 10.0, 20.0, 1.5), 1.0, 40.0))
    step = draw(_numbers((1.0, 5.0, 2.5, 0.1, 10.0), 0.05, 20.0))
    steps = draw(st.integers(0, 11))
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
