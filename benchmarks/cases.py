"""Seeded benchmark cases: one stepped dial of 148 rates, 3 or 4 marks, 9 screw settings with flow.

A case is a dict of bare numbers (1/min, mL, L/min, mL/h, L/mL, minutes); `raw` turns it into a problem file.
"""

import json
import math
import random

import numpy as np

# points, does a rate serve every point?, is air short?
CLASSES = [
    (5, True, False),
    (12, True, False),
    (12, False, True),
    (32, True, False),
    (32, False, False),
    (32, False, True),
]
TINY = 1e-9  # a miss within this counts as none
LITRES = 20.0  # L/min, a usual flow of one point: prices air while the capacity is not known yet


def generate(points, shared, short, seed):
    """A case: `shared` - some rate serves every dose and window; `short` - too little air for that."""
    rng = random.Random(f"{points} {shared} {short} {seed}")
    case = _machine(rng)
    # the rate about which the large pump gives at most 30 to 60 mL/h
    centre = rng.uniform(0.5, 1.0) / case["pumps"]["large"]["stroke_volume"]
    case["points"] = _points(rng, case, points, shared, centre)
    while not shared and _some_rate_serves(case):
        case["points"] = _points(rng, case, points, shared, centre)
    least, used = _air(case)
    case["capacity"] = round(0.8 * used if short else 3.0 * used, 3)
    if case["capacity"] < 1.02 * least:
        raise ValueError("the capacity is below the least possible air")
    return case


def _machine(rng):
    volume = rng.choice([0.015, 0.02, 0.03, 0.06])
    turns = [0.5 * i for i in range(10)]
    nozzles = {
        name: {"turns": turns, "flow": [round(top * (i / 9) ** power, 1) for i in range(10)]}
        for name, top, power in [("small", 24.0, 0.7), ("medium", 40.0, 0.8), ("large", 64.0, 0.9)]
    }
    small = {"stroke_volume": volume / 2, "marks": {"1": 0.3, "2": 0.58, "3": 1.0}}
    large = {"stroke_volume": volume, "marks": {"1": 0.22, "2": 0.45, "3": 0.7, "4": 1.0}}
    rest = {"stroke_air": None, "max_rate": None}
    return {
        "rate": {"min": 3.0, "max": 150.0, "step": 1.0},
        "stroke_air": 0.01,
        "pumps": {"small": small | rest, "large": large | rest},
        "nozzles": nozzles,
        "capacity": math.inf,
        "air_weight": 0.1,
    }


def _points(rng, case, count, shared, centre):
    common = max(3, min(150, round(centre)))
    made = []
    while len(made) < count:
        rate = common if shared else max(3, min(150, round(centre * rng.uniform(0.6, 1.6))))
        pump = rng.choice(sorted(case["pumps"]))
        share = rng.choice(list(case["pumps"][pump]["marks"].values()))
        below, above = (round(rng.uniform(0.05, 0.15), 3) for _ in range(2))
        given = rate * case["pumps"][pump]["stroke_volume"] * share  # mL/min
        dose = round(60 * given / (1 + rng.uniform(-0.9 * below, 0.9 * above)), 2)
        if not 4 <= dose <= 60:
            continue
        nozzle = rng.choice(sorted(case["nozzles"]))
        flow = rng.choice(case["nozzles"][nozzle]["flow"][1:])
        low, high = flow * rng.uniform(0.6, 0.95), flow * rng.uniform(1.05, 1.4)
        kind = rng.choice(["flow", "dose", "both"])
        wide = (0.8, 1.2) if kind == "both" else (1.0, 1.0)
        by_flow = (round(low * wide[0], 2), round(high * wide[1], 2))
        by_dose = (round(low / given, 2), round(high / given, 2))
        made.append({
            "name": f"p{len(made) + 1}", "dose": dose, "below": below, "above": above,
            "pump": [pump], "count": 1, "nozzle": nozzle,
            "air_flow": (None, None) if kind == "dose" else by_flow,
            "air_per_dose": (None, None) if kind == "flow" else by_dose,
            "weight": round(rng.uniform(0.5, 2.0), 2), "cut": None,
        })
    return made


def rates(case):
    """Every rate of the stepped dial that the shortest cut allows."""
    dial = case["rate"]
    steps = math.floor((dial["max"] - dial["min"]) / dial["step"] + TINY)
    every = dial["min"] + dial["step"] * np.arange(steps + 1)
    least = max([p["cut"][1] / p["cut"][0] for p in case["points"] if p["cut"]], default=0.0)
    return every[every >= least * (1 - 1e-12)]


def options(case, point):
    """A point's marks (pump, mark, mL and L of air a stroke, fastest rate) and screws (turns, L/min)."""
    pumps = [(name, case["pumps"][name]) for name in point["pump"]]
    marks = [
        (name, mark, pump["stroke_volume"] * point["count"] * share,
         (case["stroke_air"] if pump["stroke_air"] is None else pump["stroke_air"]) * point["count"],
         math.inf if pump["max_rate"] is None else pump["max_rate"])
        for name, pump in pumps for mark, share in pump["marks"].items()
    ]
    nozzle = case["nozzles"][point["nozzle"]]
    return marks, [(t, q) for t, q in zip(nozzle["turns"], nozzle["flow"], strict=True) if q > 0]


def window(point):
    """Least and largest flow and air per dose, with a missing end replaced by one that never binds."""
    (low, high), (thin, thick) = point["air_flow"], point["air_per_dose"]
    return low or 0.0, math.inf if high is None else high, thin or 0.0, math.inf if thick is None else thick


def table(case, point, at):
    """Excess, error and air of each (rate, mark, screw): arrays of that shape, infinite where not allowed."""
    marks, screws = options(case, point)
    at = np.asarray(at, float)[:, None, None]
    volume, stroke_air, fastest = (np.array([m[k] for m in marks])[None, :, None] for k in (2, 3, 4))
    flow = np.array([q for _, q in screws])[None, None, :]
    low, high, thin, thick = window(point)
    need = point["dose"] / 60
    dose = at * volume
    lower, upper = np.maximum(low, thin * dose), np.minimum(high, thick * dose)
    miss = np.maximum(need * (1 - point["below"]) - dose, dose - need * (1 + point["above"])) / need
    air_miss = np.maximum(lower - flow, flow - upper) / max(low, thin * need)
    excess = np.where(miss <= TINY, 0.0, miss) + np.where(air_miss <= TINY, 0.0, air_miss)
    excess = np.where(at <= fastest, excess, np.inf)
    error = np.broadcast_to(np.abs(dose - need) / need, excess.shape)
    return excess, error, flow + at * stroke_air


def _some_rate_serves(case):
    """Whether some rate brings every dose into its tolerance."""
    at = rates(case)
    left = np.ones(len(at), bool)
    for point in case["points"]:
        need = point["dose"] / 60
        dose = at[:, None] * np.array([mark[2] for mark in options(case, point)[0]])
        fits = (dose >= need * (1 - point["below"]) - TINY) & (dose <= need * (1 + point["above"]) + TINY)
        left &= fits.any(axis=1)
        if not left.any():
            return False
    return True


def _air(case):
    """The least possible air, and the air of the best settings when nothing limits it."""
    at = rates(case)
    least, totals = np.zeros(len(at)), np.zeros((3, len(at)))
    weights = sum(point["weight"] for point in case["points"])
    price = case["air_weight"] / (LITRES * len(case["points"]))
    for point in case["points"]:
        excess, error, air = (part.reshape(len(at), -1) for part in table(case, point, at))
        share = point["weight"] / weights
        value = share * error + price * air
        best = np.lexsort((value, excess))[:, :1]
        for total, part in zip(totals, (share * excess, value, air), strict=True):
            total += np.take_along_axis(part, best, 1)[:, 0]
        least += air.min(axis=1)
    best = np.lexsort((totals[1], np.round(totals[0], 9)))[0]
    return float(least.min()), float(totals[2, best])


def raw(case):
    """The problem file of a case, as nested dicts of strings with units."""
    def pair(ends, unit):
        named = zip(("min", "max"), ends, strict=True)
        return {key: f"{end!r} {unit}" for key, end in named if end is not None}

    dial = case["rate"]
    rate = {key: f"{dial[key]!r}/min" for key in ("min", "max", "step") if dial[key] is not None}
    pumps = {}
    for name, pump in case["pumps"].items():
        pumps[name] = {"stroke_volume": f"{pump['stroke_volume']!r} mL", "marks": dict(pump["marks"])}
        if pump["stroke_air"] is not None:
            pumps[name]["stroke_air"] = f"{pump['stroke_air']!r} L"
        if pump["max_rate"] is not None:
            pumps[name]["max_rate"] = f"{pump['max_rate']!r}/min"
    points = []
    for p in case["points"]:
        point = {
            "name": p["name"], "dose": f"{p['dose']!r} mL/h",
            "tolerance": {"below": p["below"], "above": p["above"]},
            "pump": list(p["pump"]), "count": p["count"], "nozzle": p["nozzle"], "weight": p["weight"],
            "air_flow": pair(p["air_flow"], "L/min"), "air_per_dose": pair(p["air_per_dose"], "L/mL"),
        }
        if p["cut"]:
            point["cut"] = {"time": f"{p['cut'][0]!r} min", "strokes": p["cut"][1]}
        points.append({key: part for key, part in point.items() if part != {}})
    return {
        "title": f"benchmark of {len(points)} points",
        "fluid": {"kind": "neat oil"},
        "generator": {"rate": rate, "stroke_air": f"{case['stroke_air']!r} L"},
        "pumps": pumps,
        "nozzles": {
            name: {"turns": nozzle["turns"], "flow": [f"{q!r} L/min" for q in nozzle["flow"]]}
            for name, nozzle in case["nozzles"].items()
        },
        "air": {"pressure": "6 bar", "capacity": f"{case['capacity']!r} L/min"},
        "point": points,
        "solve": {"air_weight": case["air_weight"], "time_limit": "60 s"},
    }


def toml(raw):
    """A problem file as TOML text."""
    lines = []
    for section, body in raw.items():
        if isinstance(body, str):
            lines.insert(0, f"{section} = {json.dumps(body)}")
        for part in body if isinstance(body, list) else [body] if isinstance(body, dict) else []:
            lines.append(f"\n[[{section}]]" if isinstance(body, list) else f"\n[{section}]")
            lines += [f"{json.dumps(key)} = {_inline(item)}" for key, item in part.items()]
    return "\n".join(lines) + "\n"


def _inline(item):
    if isinstance(item, dict):
        return "{" + ", ".join(f"{json.dumps(key)} = {_inline(part)}" for key, part in item.items()) + "}"
    if isinstance(item, list):
        return "[" + ", ".join(map(_inline, item)) + "]"
    return json.dumps(item)
