"""The problem files that come with the package: solved, compared with what is stored, and judged anew.

The machine of each file is read here a second time, by a small parser of our own for the units the files use,
so that the figures of the answers are computed twice from the text of the file.
"""

import csv
import json
import tomllib
from itertools import product
from math import log, log10, pi, prod
from pathlib import Path

import oracle
import oracle_line
import pytest
from oracle import asked, bands, best, conflicts, least_air, may_leave, most_air
from test_branches import by_drawing, eighths, falling_drop

import stackopt

FOLDER = Path(__file__).parent.parent / "problems"
EXITS = {
    "clash.toml": 4,
    "drill-and-tap.toml": 3,
    "drill-head.toml": 0,
    "free-dial.toml": 0,
    "from-spreadsheet.toml": 0,
    "head-32.toml": 0,
    "long-line.toml": 0,
    "per-part-and-drops.toml": 0,
    "robust.toml": 0,
    "rules.toml": 0,
    "saw-blade.json": 0,
    "short-air.toml": 3,
    "sizing-24.toml": 0,
    "today.toml": 0,
    "two-generators.toml": 0,
    "two-sizes.toml": 0,
    "vanishing.toml": 0,
}
SHARED = {  # whether some rate gives every point its dose
    "clash.toml": False,
    "drill-and-tap.toml": False,
    "short-air.toml": True,
    "two-generators.toml": False,
}
OPEN = oracle_line.OPEN
TO_TRY_ALL = 3  # points, at most
TO_MAP = 7
FILES = pytest.mark.parametrize("file", sorted(EXITS))


def files():
    found = [f for kind in ("*.toml", "*.json") for f in FOLDER.glob(kind)]
    return [f.name for f in found if not f.name.endswith(".answer.json")]


def stored(file):
    return json.loads((FOLDER / f"{Path(file).stem}.answer.json").read_text("ascii"))


def same(got, expected, place="answer"):
    """Equal, floats but for 1e-9 of themselves."""
    assert type(got) is type(expected), place
    if isinstance(expected, dict):
        assert list(got) == list(expected), place
        for key in expected:
            same(got[key], expected[key], f"{place}.{key}")
    elif isinstance(expected, list):
        assert len(got) == len(expected), place
        for i, (one, other) in enumerate(zip(got, expected, strict=True)):
            same(one, other, f"{place}[{i}]")
    elif isinstance(expected, float):
        assert got == pytest.approx(expected, rel=1e-9, abs=1e-12), place
    else:
        assert got == expected, place


# The second reader

# mL, min, bar, m, g, mN/m; air in L, conductances in L/(s bar)
SIZES = {"mL": 1.0, "mm^3": 1e-3, "L": 1.0, "strokes": 1.0, "min": 1.0, "s": 1 / 60, "h": 60.0, "bar": 1.0, "m": 1.0,
         "mm": 1e-3, "g": 1.0, "mN": 1.0, "(s bar)": 1.0}  # fmt: skip


def number(text, sizes=SIZES):
    """What "<number> <unit>" is in mL, min and L; a unit is one name or `a/b`."""
    if "/" in text and " " not in text:  # 4/min
        text = text.replace("/", " strokes/")
    value, unit = text.split(" ", 1)
    over, *under = unit.split("/")
    return float(value) * sizes[over] / prod(sizes[u] for u in under)


def share(value, dose, sizes):
    if isinstance(value, float):
        return value
    return float(value[:-1]) / 100 if value.endswith("%") else number(value, sizes) / dose


def pair(table, sizes):
    table = table or {}
    return tuple(number(table[end], sizes) if end in table else None for end in ("min", "max"))


def nozzle_of(table, pressure):
    """A nozzle's turns and flows at the supply's pressure, in bar over the open air."""
    if "flow" in table:
        ratio = {"critical_ratio": table["critical_ratio"]} if "critical_ratio" in table else {}
        return {"turns": table["turns"], "flow": [number(flow) for flow in table["flow"]], **ratio}
    screw, tube = table["screw"], table["tube"]
    turns, shares = table["turns"], screw["open"]
    if table.get("interpolate"):
        turns, shares = eighths(turns, shares)
    flow = [by_drawing(number(screw["bore"]), share_open, table["discharge"], number(table["bore"]), pressure,
                       (number(tube["length"]), number(tube["bore"]))) for share_open in shares]  # fmt: skip
    return {"turns": turns, "flow": flow}


def portion(value):
    """A share, as a number or in per cent."""
    return float(value[:-1]) / 100 if isinstance(value, str) else float(value)


def names(value):
    return [value] if isinstance(value, str) else value


def rule(table):
    """A constraint in the oracle's numbers: mL/h, L/min and 1/min."""
    factor = 60 if table["of"] == "dose" else 1
    plain_one = {**table, "over": names(table["over"]) if "over" in table else None}
    for key in ("min", "max", "at"):
        if isinstance(table.get(key), str) and " " in table[key]:
            plain_one[key] = number(table[key]) * factor
        elif key == "at" and table["of"] == "rate":
            plain_one[key] = number(table[key])
    return plain_one


def rows(name):
    """The points of a spreadsheet, as tables."""
    with open(FOLDER / name, encoding="utf-8", newline="") as stream:
        for row in csv.DictReader(stream, delimiter=";"):
            point = {}
            for key, cell in row.items():
                if cell:
                    outer, _, inner = key.partition(".")
                    (point.setdefault(outer, {}) if inner else point)[inner or outer] = cell
            yield {**point, "pump": point["pump"].split("|")}


def plain(file):
    """The machine of a problem file in bare numbers, as the oracle takes it."""
    text = (FOLDER / file).read_text("utf-8")
    data = json.loads(text) if file.endswith(".json") else tomllib.loads(text)
    sizes = dict(SIZES)
    if "drop" in data["fluid"]:
        sizes["drop"] = number(data["fluid"]["drop"])
    elif "surface_tension" in data["fluid"]:
        fluid = data["fluid"]
        sizes["drop"] = falling_drop(*(number(fluid[key]) for key in ("surface_tension", "density", "tip")))
    if "cycle" in data:
        sizes["part"] = number(data["cycle"]["spray"])
    rate, pressure = data["generator"]["rate"], number(data["air"]["pressure"])
    case = {
        "rate": {end: number(rate[end]) if end in rate else None for end in ("min", "max", "step")},
        "stroke_air": number(data["generator"].get("stroke_air", "0 L")),
        "pumps": {
            name: {
                "stroke_volume": number(pump["stroke_volume"]),
                "marks": pump["marks"],
                "stroke_air": number(pump["stroke_air"]) if "stroke_air" in pump else None,
                "max_rate": number(pump["max_rate"]) if "max_rate" in pump else None,
                "price": pump.get("price", 1.0),
                "fluids": pump.get("fluids"),
                **({"min_pressure": number(pump["min_pressure"]) + OPEN} if "min_pressure" in pump else {}),
                "spread": {mark: portion(limit) for mark, limit in pump.get("spread", {}).items()},
            }
            for name, pump in data["pumps"].items()
        },
        "nozzles": {name: nozzle_of(nozzle, pressure) for name, nozzle in data["nozzles"].items()},
        "pressure": pressure,
        "capacity": number(data["air"]["capacity"]),
        "air_weight": data.get("solve", {}).get("air_weight", 0.1),
        "price_weight": data.get("solve", {}).get("price_weight", 0.0),
        "objective": data.get("solve", {}).get("objective", "mean"),
        "robust": data.get("solve", {}).get("robust", False),
        "fluid": data["fluid"]["kind"],
        "drop": sizes.get("drop"),
        "drift": portion(data["generator"].get("drift", 0.0)),
        "generators": data["generator"].get("count", 1),
        "now": number(data["generator"]["now"]) if "now" in data["generator"] else None,
        "constraints": [rule(table) for table in data.get("constraint", [])],
        "points": [],
    }
    if "line" in data["air"]:
        line = data["air"]["line"]
        case["line"] = {"conductance": number(line["conductance"]), "critical_ratio": line["critical_ratio"]}
    for point in rows(data["points"]) if "points" in data else data["point"]:
        dose = number(point["dose"], sizes)
        tolerance, pump, cut = point["tolerance"], point["pump"], point.get("cut")
        sides = tolerance if isinstance(tolerance, dict) else {"below": tolerance, "above": tolerance}
        case["points"].append({
            "name": point["name"],
            "dose": dose * 60,
            "below": share(sides["below"], dose, sizes),
            "above": share(sides["above"], dose, sizes),
            "pump": [pump] if isinstance(pump, str) else pump,
            "count": int(point.get("count", 1)),
            "nozzle": point["nozzle"],
            "air_flow": pair(point.get("air_flow"), sizes),
            "air_per_dose": pair(point.get("air_per_dose"), sizes),
            "weight": float(point.get("weight", 1)),
            "cut": (number(cut["time"]), float(cut["strokes"])) if cut else None,
            "tags": point.get("tags", []),
            "now": point.get("now"),
        })  # fmt: skip
    return case


def judge(case, rates, choice):
    """By the oracle of a line where there is one."""
    return (oracle_line if "line" in case else oracle).judge(case, rates, choice)


def settings(answer):
    return {p["name"]: (p["pump"], p["mark"], p["turns"]) for p in answer["points"]}


def rates_of(answer):
    """The rate of every point by name."""
    each = [generator["rate_per_min"] for generator in answer["generators"]]
    return {p["name"]: each[p["generator"] - 1] for p in answer["points"]}


def close(value):
    return pytest.approx(value, rel=1e-9, abs=1e-12)


# The tests


def test_every_file_has_an_exit_code_and_a_stored_answer():
    assert len(EXITS) >= 8
    assert sorted(files()) == sorted(EXITS)
    answers = sorted(f.name for f in FOLDER.glob("*.answer.json"))
    assert answers == sorted(f"{Path(file).stem}.answer.json" for file in EXITS)


@FILES
def test_the_answer_is_the_stored_one(file):
    result = stackopt.solve(stackopt.read(FOLDER / file))
    answer = json.loads(json.dumps(result.to_dict(), allow_nan=False))
    del answer["solve"]
    same({**answer, "file": file}, stored(file))
    assert result.exit_code == EXITS[file]


@FILES
def test_the_stored_answer_holds_by_the_oracle(file):
    case, answer = plain(file), stored(file)
    assert answer["file"] == file
    if EXITS[file] == 4:
        assert answer["status"] == "infeasible" and not answer["points"] and answer["conflicts"]
        return
    verdict = judge(case, rates_of(answer), settings(answer))
    assert verdict["feasible"]
    there = oracle_line.at_pressure(case, verdict["pressure"]) if "line" in case else case
    assert answer["air"]["supply_pressure_bar"] == close(case["pressure"])
    assert answer["air"]["stack_pressure_bar"] == close(verdict.get("pressure", case["pressure"] + OPEN) - OPEN)
    each = [generator["rate_per_min"] for generator in answer["generators"]]
    assert each == sorted(set(each)) and len(each) <= case["generators"]
    assert answer["rate_per_min"] == (each[0] if len(each) == 1 else None)
    for number_of, generator in enumerate(answer["generators"], 1):
        assert generator["points"] == [p["name"] for p in answer["points"] if p["generator"] == number_of]
    assert [p["name"] for p in answer["points"]] == [p["name"] for p in case["points"]]
    for point, row in zip(case["points"], answer["points"], strict=True):
        name, dose = point["name"], verdict["dose"][point["name"]]
        assert row["dose_mL_per_h"] == close(dose * 60), name
        assert row["required_mL_per_h"] == close(asked(point) * 60), name
        assert row["error"] == close(dose / asked(point) - 1), name
        assert abs(row["error"]) == close(verdict["e"][name]), name
        assert row["excess"] == close(verdict["x"][name]), name
        assert row["in_tolerance"] == (verdict["x"][name] == 0), name
        assert row["air_min_L_per_min"] == close(least_air(point, dose)), name
        assert (row["air_max_L_per_min"] or float("inf")) == close(most_air(point, dose)), name
        nozzle = there["nozzles"][point["nozzle"]]
        assert row["air_L_per_min"] == close(nozzle["flow"][nozzle["turns"].index(row["turns"])]), name
        assert row["drops_per_min"] == (None if case["drop"] is None else close(dose / case["drop"])), name
    assert answer["air"]["total_L_per_min"] == close(verdict["air"])
    assert answer["air"]["capacity_L_per_min"] == case["capacity"]
    assert answer["objective"]["excess"] == close(verdict["excess"])
    assert answer["objective"]["value"] == close(verdict["value"])
    assert answer["objective"]["worst_error"] == close(max(verdict["e"].values()))
    assert answer["in_tolerance"] == (not any(verdict["x"].values())) == (EXITS[file] == 0)


SMALL = [file for file in sorted(EXITS) if len(plain(file)["points"]) <= TO_TRY_ALL and "line" not in plain(file)]


def test_some_files_are_small():
    assert len(SMALL) >= 3


@pytest.mark.parametrize("file", SMALL)
def test_no_setting_beats_the_stored_answer(file):
    case, answer = plain(file), stored(file)
    expected = best(case)
    if expected is None:
        assert answer["status"] == "infeasible"
        return
    assert answer["status"] == "optimal"
    assert answer["rate_per_min"] == close(expected["rate"])
    assert settings(answer) == expected["choice"]
    assert answer["objective"]["excess"] == pytest.approx(expected["excess"], abs=1e-9)
    assert answer["objective"]["value"] == pytest.approx(expected["value"], abs=1e-9)


@pytest.mark.parametrize("file", [f for f in sorted(EXITS) if len(plain(f)["points"]) <= TO_MAP])
def test_the_rates_are_those_of_the_oracle(file):
    case = plain(file)
    found = stackopt.rates(stackopt.read(FOLDER / file)).to_dict()
    expected = bands(case)
    assert [p["name"] for p in found["points"]] == [p["name"] for p in case["points"]]
    for point in found["points"]:
        got = sorted((b["pump"], b["mark"], b["from_per_min"], b["to_per_min"]) for b in point["bands"])
        assert [g[:2] for g in got] == [e[:2] for e in sorted(expected[point["name"]])]
        for one, other in zip(got, sorted(expected[point["name"]]), strict=True):
            assert one[2:] == close(other[2:]), (point["name"], one)
    sets = conflicts(case)
    assert found["conflicts_complete"]
    assert sorted(tuple(sorted(c["points"])) for c in found["conflicts"]) == sorted(sets)
    assert bool(found["shared"]) == (not sets) == SHARED.get(file, True)


def test_no_setting_beats_the_stored_answer_behind_a_line():
    """With no excess to be had, only doses in tolerance can be as good: all of those are tried at every rate."""
    case, answer = plain("long-line.toml"), stored("long-line.toml")
    assert answer["objective"]["excess"] == 0 and answer["status"] == "optimal"
    order, found = oracle.in_order(case), []
    for rate in oracle.rates(case):
        served = [[o for o in oracle.options(case, p) if oracle.allowed(case, p, rate, o)
                   and not oracle.dose_miss(p, rate * oracle.dose_per_stroke(case, p, *o[:2]))] for p in order]
        for row in product(*served):
            choice = {point["name"]: option for point, option in zip(order, row, strict=True)}
            verdict = judge(case, rate, choice)
            if verdict["feasible"] and verdict["excess"] <= oracle.SLACK:
                found.append((verdict["value"], rate, choice))
    value, rate, choice = min(found, key=lambda one: one[:2])
    assert answer["objective"]["value"] == pytest.approx(value, abs=1e-9)
    assert (answer["rate_per_min"], settings(answer)) == (rate, choice)


# What each file is there to show


def test_a_pair_and_a_triple_conflict_in_the_drilling_and_tapping_head():
    found = [set(c["points"]) for c in stored("drill-and-tap.toml")["conflicts"]]
    assert found == [{"drill 3", "tap M6"}, {"drill 1", "drill 3", "tap M8"}]


def test_the_air_that_the_face_mills_need_would_do():
    """With just the air that is called for every point is in tolerance, with less not."""
    raw = stackopt.read(FOLDER / "short-air.toml").to_dict()
    needed = stored("short-air.toml")["air"]["needed_L_per_min"]
    assert needed > stored("short-air.toml")["air"]["capacity_L_per_min"]
    for factor, code in ((1.000001, 0), (0.999999, 3)):
        raw["air"]["capacity"] = f"{needed * factor!r} L/min"
        assert stackopt.solve(stackopt.Problem(**raw)).exit_code == code


def test_the_air_supply_sets_the_free_dial():
    answer = stored("free-dial.toml")
    assert answer["air"]["share"] == close(1)
    raw = stackopt.read(FOLDER / "free-dial.toml").to_dict()
    raw["air"]["capacity"] = "200 L/min"
    assert stackopt.solve(stackopt.Problem(**raw)).rate > answer["rate_per_min"] * 1.01


def test_both_sizes_are_chosen_where_both_are_listed():
    listed = {p["name"] for p in plain("two-sizes.toml")["points"] if len(p["pump"]) > 1}
    assert {p["pump"] for p in stored("two-sizes.toml")["points"] if p["name"] in listed} == {"P10", "P30"}


def test_few_strokes_in_a_part_are_warned_of():
    assert any("strokes" in warning for warning in stored("per-part-and-drops.toml")["warnings"])
    others = set(EXITS) - {"per-part-and-drops.toml", "sizing-24.toml", "saw-blade.json", "long-line.toml",
                           "vanishing.toml"}  # fmt: skip
    assert not any(stored(file)["warnings"] for file in others)


def test_the_hard_clash_names_its_rules():
    assert stored("clash.toml")["conflicts"][0]["rules"] == ["cut of tap M5", "max_rate of micro"]


def changed(file, change):
    """The answer to a file with something changed in its plain data."""
    data = stackopt.read(FOLDER / file).to_dict()
    change(data)
    return stackopt.solve(stackopt.Problem(**data))


def value_of(file):
    return stored(file)["objective"]["value"]


def test_the_pumps_to_order_are_of_two_kinds_and_none_that_the_fluid_ruins():
    case, answer = plain("sizing-24.toml"), stored("sizing-24.toml")
    assert len(case["points"]) == 24 and all(len(point["pump"]) == 4 for point in case["points"])
    mounted = {p["pump"] for p in answer["points"]}
    assert len(mounted) == 2 and "P30" not in mounted
    assert any("P30" in warning and "water mix" in warning for warning in answer["warnings"])


def test_stock_seals_and_prices_decide_which_pumps_to_order():
    value, mounted = value_of("sizing-24.toml"), [p["pump"] for p in stored("sizing-24.toml")["points"]]
    stocked = changed("sizing-24.toml", lambda data: data["constraint"][0].update(max=3))
    assert stocked.objective.value < value - 1e-6
    oil = changed("sizing-24.toml", lambda data: data["fluid"].update(kind="neat oil"))
    assert oil.objective.value < value - 1e-6 and "P30" in {p.pump for p in oil.points}
    free = changed("sizing-24.toml", lambda data: data["solve"].update(price_weight=0))
    prices = {name: pump["price"] for name, pump in plain("sizing-24.toml")["pumps"].items()}
    assert sum(prices[p.pump] for p in free.points) > sum(map(prices.get, mounted)) + 0.1


def test_every_rule_of_the_shop_costs_something():
    rules = plain("rules.toml")["constraints"]
    assert {one["kind"] for one in rules} == {"total", "same", "fix", "forbid", "distinct", "compare", "ratio"}
    for k, one in enumerate(rules):
        without = changed("rules.toml", lambda data, k=k: data["constraint"].pop(k))
        assert without.exit_code == 0 and without.objective.value < value_of("rules.toml") - 1e-6, one["name"]


def test_doses_that_hold_under_drift_cost_something():
    case, answer = plain("robust.toml"), stored("robust.toml")
    nominal = changed("robust.toml", lambda data: data["solve"].update(robust=False))
    assert nominal.objective.value < value_of("robust.toml") - 1e-6
    loose = {p.name: (p.pump, p.mark, p.turns) for p in nominal.points}
    assert any(leaves for _, leaves in may_leave(case, nominal.rate, loose).values())
    assert not any(leaves for _, leaves in may_leave(case, rates_of(answer), settings(answer)).values())


def test_what_is_set_today_is_judged_and_half_kept():
    case, problem = plain("today.toml"), stackopt.read(FOLDER / "today.toml")
    now = {p["name"]: (p["pump"][0], p["now"]["mark"], p["now"]["turns"]) for p in case["points"]}
    today = judge(case, case["now"], now)
    assert today["feasible"] and [name for name, x in today["x"].items() if x > 0] == ["drill right"]
    best, kept = stored("today.toml"), stackopt.keep(problem).to_dict()

    def changes(answer):
        return (answer["rate_per_min"] != case["now"]) + sum(
            (one[1] != today_one[1]) + (one[2] != today_one[2])
            for one, today_one in ((settings(answer)[name], now[name]) for name in now))  # fmt: skip

    assert changes(kept) < changes(best)
    assert best["objective"]["value"] < judge(case, rates_of(kept), settings(kept))["value"] < today["value"]
    assert not any(judge(case, rates_of(kept), settings(kept))["x"].values())


def test_one_generator_does_not_do_for_mills_and_micro_drills():
    groups = [set(generator["points"]) for generator in stored("two-generators.toml")["generators"]]
    assert groups == [{"micro drill 1", "micro drill 2", "micro drill 3"}, {"face mill", "shell mill"}]
    assert changed("two-generators.toml", lambda data: data["generator"].update(count=1)).exit_code == 3


# What goes with the settings, anew from the text of the files


def test_what_looks_after_the_long_line():
    case, answer = plain("long-line.toml"), stored("long-line.toml")
    rates = rates_of(answer)
    hours, spraying = 3400, 3400 * 30 / 45
    oil = answer["oil_line"]
    hold = pi / 4 * 0.2**2 * 250
    assert oil["hold_up_mL"] == close(hold)

    def thickness(celsius):  # ASTM D341: log log (nu + 0.7) over log T is a straight line
        (t1, n1), (t2, n2) = (40, 41), (100, 8.4)
        share = log((celsius + 273.15) / (t1 + 273.15)) / log((t2 + 273.15) / (t1 + 273.15))
        return 10 ** (10 ** ((1 - share) * log10(log10(n1 + 0.7)) + share * log10(log10(n2 + 0.7)))) - 0.7

    def loss(nu, flow):  # Hagen-Poiseuille in SI, bar; mL/min
        return 8 * nu * 1e-6 * 920 * 2.5 * flow * 1e-6 / 60 / (pi * 0.001**4) / 1e5

    assert oil["viscosity_mm2_per_s"] == close(thickness(22))
    assert oil["cold_viscosity_mm2_per_s"] == close(thickness(8))
    for row in oil["points"]:
        mark = settings(answer)[row["name"]][1]
        stroke = 0.04 * case["pumps"]["P40"]["marks"][mark]
        assert row["mean_loss_bar"] == close(loss(thickness(22), stroke * rates[row["name"]]))
        assert row["stroke_loss_bar"] == close(loss(thickness(22), stroke / 0.15 * 60))
        assert row["cold_stroke_loss_bar"] == close(loss(thickness(8), stroke / 0.15 * 60))
        strokes = next(n for n in range(1, 5000) if n * stroke >= hold)
        assert row["at_settings"] == {"strokes": strokes, "minutes": close(strokes / rates[row["name"]])}
        full = next(n for n in range(1, 5000) if n * 0.04 >= hold)
        assert row["fastest"] == {"strokes": full, "minutes": close(full / 90)}
        assert row["strokes_to_refill"] == close(hold / stroke)
    assert any("longer than the first part" in warning for warning in answer["warnings"])

    dose = sum(row["dose_mL_per_h"] for row in answer["points"])
    stock = answer["reservoir"]
    assert stock["oil_mL_per_h"] == close(dose) and stock["duty"] == close(2 / 3)
    assert stock["oil_L_per_year"] == close(dose * spraying / 1000)
    assert [size["lasts_spraying_h"] for size in stock["sizes"]] == close([500 / dose, 1500 / dose])
    assert [size["lasts_h"] for size in stock["sizes"]] == close([750 / dose, 2250 / dose])
    assert [size["refills_per_week"] for size in stock["sizes"]] == close(
        [dose * spraying * 7 / 365 / 500, dose * spraying * 7 / 365 / 1500])  # fmt: skip
    assert [size["enough"] for size in stock["sizes"]] == [500 / dose >= 30, 1500 / dose >= 30] == [False, True]
    assert stock["low_level_mL"] == close(4 * dose)

    air, used = answer["air"]["total_L_per_min"], answer["energy"]
    assert used["power_kW"] == close(6.6 * air / 1000)
    assert used["air_m3_per_year"] == close(air * 60 * spraying / 1000)
    assert used["kWh_per_year"] == close(6.6 * air / 1000 * hours * 2 / 3)
    assert used["cost_per_year"] == close(0.21 * used["kWh_per_year"])
    # p V ln(p2/p1) of 1 m^3 at 1 bar, from 1.01325 to 7.01325 bar; 3.6e6 J are 1 kWh.
    assert used["floor_kWh_per_year"] == close(1e5 * log(7.01325 / 1.01325) / 3.6e6 * used["air_m3_per_year"])

    room = answer["room"]
    assert room["airborne_mg_per_h"] == close(dose * 0.92 * 1000 * 0.015)
    assert room["concentration_mg_per_m3"] == close(room["airborne_mg_per_h"] / 3500)
    assert room["needed_m3_per_h"] == close(room["airborne_mg_per_h"] / 0.5)
    assert room["governs"] == "exposure" and room["share_of_flammable"] is None


def test_what_evaporates_at_the_forming_press():
    answer = stored("vanishing.toml")
    room, dose = answer["room"], sum(row["dose_mL_per_h"] for row in answer["points"])
    limit = 400 * 60.1 / 24.45  # mg/m^3: 24.45 L/mol at 25 degC
    assert room["airborne_mg_per_h"] == close(dose * 785)
    assert room["concentration_mg_per_m3"] == close(3 * dose * 785 / 900)
    assert room["limit_mg_per_m3"] == close(limit)
    assert room["air_for_limit_m3_per_h"] == room["needed_m3_per_h"] == close(3 * dose * 785 / limit)
    # A quarter of 2 % are 5000 ppm (OSHA letter of 1991-12-02 on NFPA 30, for isopropyl alcohol).
    assert room["air_for_flammable_m3_per_h"] == close(3 * dose * 785 / (5000 * 60.1 / 24.45))
    assert room["governs"] == "exposure"
    for row in answer["points"]:  # 1.185 g of air in a litre at ANR
        oil = row["dose_mL_per_h"] / 60 * 0.785
        assert row["air_liquid_ratio"] == close(row["air_L_per_min"] * 1.185 / oil)
    words = " ".join(answer["warnings"])
    assert "computed from its geometry, not measured" in words and "flammable liquid" in words
    assert "a trend" in words and "guess" not in words


def test_a_fluid_that_vanishes_wants_its_flash_point():
    (warning,) = stored("saw-blade.json")["warnings"]
    assert "flash point" in warning
