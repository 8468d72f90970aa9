"""What must hold of answers: of machines that are the same, or can do more, of ties and of conflicts."""

import copy
from itertools import combinations, pairwise, product

import oracle
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from strategies import cases, crossed_cases, raw

import stackopt

MANY = settings().max_examples
TIE = 1e-9


def solved(case):
    return stackopt.solve(stackopt.Problem(**raw(case)))


def dialled(result):
    return {p.name: (p.pump, p.mark, p.turns) for p in result.points}


def same_answer(got, expected):
    assert got.status == expected.status
    if expected.rate is not None:
        assert got.rate == pytest.approx(expected.rate, rel=1e-12, abs=0)
        assert dialled(got) == dialled(expected)
        assert got.objective.excess == pytest.approx(expected.objective.excess, abs=TIE)
        assert got.objective.value == pytest.approx(expected.objective.value, abs=TIE)


# Machines that are the same


@settings(max_examples=MANY // 2)
@given(st.data())
def test_order_of_points_changes_nothing(data):
    case = data.draw(cases())
    other = {**case, "points": data.draw(st.permutations(case["points"]))}
    got, expected = solved(other), solved(case)
    same_answer(got, expected)
    if expected.rate is not None:
        assert [p.name for p in got.points] == [p["name"] for p in other["points"]]
        assert {p.name: p for p in got.points} == {p.name: p for p in expected.points}
        assert got.objective == expected.objective


# Other units: by that of `strategies.raw` those that a quantity may be written in, and how many make up one.
UNITS = {
    "mL/h": {
        "mL/min": 1 / 60, "L/day": 0.024, "mm^3/s": 1 / 3.6, "in^3/h": 1 / 16.387064, "cm3/d": 24,
        "US fl oz/day": 24 / 29.5735295625, "uL/min": 1000 / 60, "g/h": 0.8, "drop/min": 1 / 60 / 0.025,
        "mL/part": 0.2 / 60, "mg/part": 0.2 / 60 * 800,
    },
    "mL": {
        "mm^3": 1000, "in^3": 1 / 16.387064, "L": 1e-3, "US fl oz": 1 / 29.5735295625, "mg": 800, "drop": 40,
    },
    "L/min": {
        "m^3/h": 0.06, "L/s": 1 / 60, "Nm^3/h": 0.06 * 100 / 101.325 * 273.15 / 293.15,
        "Nl/min": 100 / 101.325 * 273.15 / 293.15, "scfm": 100 / (14.5 * 6.894757293168361) / 28.316846592,
    },
    "L/mL": {
        "m^3/L": 1, "L/in^3": 16.387064, "Nm^3/L": 100 / 101.325 * 273.15 / 293.15, "L/g": 1.25,
        "L/drop": 0.025,
    },
    "L": {"m^3": 1e-3, "Nl": 100 / 101.325 * 273.15 / 293.15},
    "/min": {"strokes/min": 1, "/s": 1 / 60, "1/h": 60},
    "min": {"s": 60, "h": 1 / 60},
}  # fmt: skip


def converted(draw, part, key=None):
    """The same with every quantity in a unit drawn for it."""
    if isinstance(part, dict):
        is_one = part.get("min") is not None and part.get("min") == part.get("max")
        found = {k: converted(draw, v, k) for k, v in part.items()}
        return {**found, "max": found["min"]} if is_one else found
    if isinstance(part, list):
        return [converted(draw, v, key) for v in part]
    number, space, unit = part.partition(" ") if isinstance(part, str) else ("", "", "")
    if not space or unit not in UNITS or key == "time_limit":
        return part
    other = draw(st.sampled_from([unit, *UNITS[unit]]))
    return part if other == unit else f"{float(number) * UNITS[unit][other]!r} {other}"


@settings(max_examples=MANY // 2)
@given(st.data())
def test_other_units_change_nothing(data):
    case = data.draw(cases())
    other = converted(data.draw, raw(case))
    other["fluid"] |= {"density": "0.8 g/mL", "drop": data.draw(st.sampled_from(["0.025 mL", "20 mg"]))}
    other["cycle"] = {"time": "20 s", "spray": "0.2 min"}
    same_answer(stackopt.solve(stackopt.Problem(**other)), solved(case))


@settings(max_examples=MANY // 2)
@given(cases(), st.sampled_from([2.0, 0.5, 3.0]))
def test_thinner_oil_changes_nothing(case, factor):
    other = copy.deepcopy(case)
    for point in other["points"]:
        point["dose"] *= factor
        point["air_per_dose"] = tuple(end and end / factor for end in point["air_per_dose"])
    for pump in other["pumps"].values():
        pump["stroke_volume"] *= factor
    same_answer(solved(other), solved(case))


@settings(max_examples=MANY // 4)
@given(cases(near_ties=True))
def test_two_solves_are_equal_and_change_no_problem(case):
    given_ = raw(case)
    problem = stackopt.Problem(**copy.deepcopy(given_))
    before = problem.model_copy(deep=True)
    first, second = (stackopt.solve(problem).to_dict() for _ in range(2))
    stackopt.rates(problem).to_dict()
    assert problem == before == stackopt.Problem(**given_)
    assert problem.to_dict() == before.to_dict()
    del first["solve"], second["solve"]
    assert first == second


# Machines that can do more


def not_worse(better, case):
    """Neither excess nor, if that is equal, value have become worse; both count air by the same capacity."""
    got, before = solved(better), solved(case)
    if before.rate is None:
        return
    assert got.rate is not None
    excess, least = got.objective.excess, before.objective.excess
    assert excess <= least + 2 * TIE
    if excess >= least - 2 * TIE:
        assert got.objective.value <= before.objective.value + 2 * TIE


def evenly(case):
    """The same without weights so small that a point may stray far within 1e-9 of the mean excess."""
    return {**case, "points": [{**p, "weight": min(max(p["weight"], 0.5), 2.0)} for p in case["points"]]}


@settings(max_examples=MANY // 2)
@given(cases(short=True), st.sampled_from([1.01, 1.1, 1.5, 3.0, 100.0]))
def test_more_capacity_is_not_worse(case, factor):
    case = evenly(case)
    # The value counts air by the old capacity: the weight of a share grows as the share shrinks.
    more = {"capacity": case["capacity"] * factor, "air_weight": case["air_weight"] * factor}
    not_worse({**case, **more}, case)


@settings(max_examples=MANY // 2)
@given(st.data())
def test_a_wider_tolerance_is_not_worse(data):
    case = evenly(data.draw(cases()))
    other = copy.deepcopy(case)
    for point in data.draw(st.lists(st.sampled_from(other["points"]), min_size=1)):
        point["below"] = min(0.99, point["below"] + data.draw(st.sampled_from([0.0, 0.01, 0.05, 0.2])))
        point["above"] += data.draw(st.sampled_from([0.0, 0.01, 0.05, 0.2]))
    not_worse(other, case)


@settings(max_examples=MANY // 2)
@given(st.data())
def test_another_mark_is_not_worse(data):
    case = evenly(data.draw(cases()))
    other = copy.deepcopy(case)
    pump = data.draw(st.sampled_from(sorted(other["pumps"])))
    marks = {**other["pumps"][pump]["marks"], "new": data.draw(st.sampled_from([0.3, 0.1, 0.6, 0.85, 1.0]))}
    other["pumps"][pump]["marks"] = dict(sorted(marks.items(), key=lambda mark: mark[1]))
    not_worse(other, case)


@settings(max_examples=MANY // 2)
@given(st.data())
def test_another_screw_setting_is_not_worse(data):
    case = evenly(data.draw(cases()))
    other = copy.deepcopy(case)
    nozzle = other["nozzles"][data.draw(st.sampled_from(sorted(other["nozzles"])))]
    turns, flow = nozzle["turns"], nozzle["flow"]
    place = data.draw(st.integers(0, len(turns)))
    low = (turns[place - 1], flow[place - 1]) if place else (0.0, 0.0)
    high = (turns[place], flow[place]) if place < len(turns) else (low[0] + 1, low[1] + 20)
    assume(low[0] < (low[0] + high[0]) / 2 < high[0])
    turns.insert(place, (low[0] + high[0]) / 2)
    flow.insert(place, (low[1] + high[1]) / 2)
    not_worse(other, case)


# Ties


def plain(*points, **changes):
    """A machine without drive air, on which air costs nothing unless `changes` say so."""
    case = {
        "rate": {"min": 10.0, "max": 40.0, "step": 10.0},
        "stroke_air": 0.0,
        "pumps": {"knob": {"stroke_volume": 0.1, "marks": {"1": 0.25, "2": 0.5, "3": 1.0}}},
        "nozzles": {"small": {"turns": [0.0, 1.0, 2.0], "flow": [0.0, 10.0, 20.0]}},
        "capacity": 1000.0,
        "air_weight": 0.1,
    }
    case |= changes
    case["pumps"] = {k: {"stroke_air": None, "max_rate": None, **v} for k, v in case["pumps"].items()}
    point = {"name": "p", "dose": 60.0, "below": 0.1, "above": 0.1, "pump": ["knob"], "count": 1}
    point |= {"weight": 1.0, "nozzle": "small", "air_flow": (10.0, None), "air_per_dose": (None, None)}
    point |= {"cut": None}
    return case | {"points": [{**point, **changed} for changed in points or ({},)]}


@pytest.mark.parametrize("step", [10.0, None])
def test_of_equal_values_at_three_rates_the_lowest_is_taken(step):
    case = plain(rate={"min": 10.0, "max": 40.0, "step": step})
    result = solved(case)
    assert (result.rate, dialled(result)) == (10.0, {"p": ("knob", "3", 1.0)})  # 20 and 40 give the same dose
    assert result.objective.mean_error == pytest.approx(0, abs=1e-12)
    case["points"][0]["cut"] = (0.1, 2)  # now 20 a minute at least
    result = solved(case)
    assert (result.rate, dialled(result)) == (20.0, {"p": ("knob", "2", 1.0)})


def test_a_value_better_by_more_than_a_tie_wins_over_a_lower_rate():
    marks = {"1": 0.25, "2": 0.5, "3": 1.0}
    for part, rate in ((0.9e-9, 10.0), (1.2e-9, 20.0)):
        exact = {"stroke_volume": 0.1, "marks": {**marks, "3": 1 - part}}
        assert solved(plain(pumps={"knob": exact})).rate == rate


def test_of_equal_marks_and_pumps_the_first_written_is_taken():
    equal = {"stroke_volume": 0.1, "marks": {"b": 0.5, "a": 0.5}}
    case = plain({"dose": 30.0}, rate={"min": 10.0, "max": 10.0, "step": 1.0}, pumps={"knob": equal})
    assert dialled(solved(case)) == {"p": ("knob", "b", 1.0)}

    # Equal but for rounding: 0.1 * 0.3 is not 0.03 in floats.
    pumps = {"second": {"stroke_volume": 0.03, "marks": {"x": 1.0}},
             "first": {"stroke_volume": 0.1, "marks": {"y": 0.3}}}  # fmt: skip
    for order in (["first", "second"], ["second", "first"]):
        case = plain({"dose": 18.0, "pump": order}, rate={"min": 10.0, "max": 10.0, "step": 1.0}, pumps=pumps)
        assert dialled(solved(case))["p"][0] == order[0]


def test_of_strokes_that_tie_the_larger_is_taken():
    marks = {"1": 0.4, "2": 0.6}  # at 10 a minute as much too little as too much for 0.5 mL a minute
    case = plain(
        {"dose": 30.0, "below": 0.3, "above": 0.3},
        pumps={"knob": {"stroke_volume": 0.1, "marks": marks}},
        rate={"min": 10.0, "max": 10.0, "step": 1.0},
    )
    assert dialled(solved(case)) == {"p": ("knob", "2", 1.0)}


def test_of_screw_settings_that_tie_fewer_turns_are_taken():
    flat = {"small": {"turns": [0.0, 1.0, 2.0, 3.0], "flow": [0.0, 5.0, 20.0, 20.0]}}
    assert dialled(solved(plain(nozzles=flat)))["p"] == ("knob", "3", 2.0)
    assert dialled(solved(plain(air_weight=0.0)))["p"] == ("knob", "3", 1.0)
    # A larger stroke comes before fewer turns: air costs nothing here, and only 2 turns suit the larger one.
    marks = {"1": 0.4, "2": 0.6}
    case = plain(
        {"dose": 30.0, "below": 0.3, "above": 0.3, "air_flow": (None, None), "air_per_dose": (30.0, None)},
        rate={"min": 10.0, "max": 10.0, "step": 1.0}, air_weight=0.0,
        pumps={"knob": {"stroke_volume": 0.1, "marks": marks}},
        nozzles={"small": {"turns": [1.0, 2.0], "flow": [12.0, 18.0]}},
    )  # fmt: skip
    assert dialled(solved(case)) == {"p": ("knob", "2", 2.0)}


def test_of_points_that_tie_the_first_by_name_has_the_larger_stroke():
    # One of both must take little for the supply to do; which one is the same for excess and value.
    windows = {"dose": 30.0, "below": 0.3, "above": 0.3, "air_flow": (None, None)}
    windows |= {"air_per_dose": (30.0, 30.0)}
    case = plain(
        {"name": "b", **windows}, {"name": "a", **windows}, {"name": "B", **windows},
        rate={"min": 10.0, "max": 10.0, "step": 1.0}, air_weight=0.0, capacity=48.0,
        pumps={"knob": {"stroke_volume": 0.1, "marks": {"1": 0.4, "2": 0.6}}},
        nozzles={"small": {"turns": [1.0, 2.0], "flow": [12.0, 18.0]}},
    )  # fmt: skip
    assert dialled(solved(case)) == {
        "B": ("knob", "2", 2.0),  # capitals come first
        "a": ("knob", "2", 2.0),
        "b": ("knob", "1", 1.0),
    }


# Rates and what conflicts

ALL = st.one_of(cases(max_points=4), crossed_cases())


def close(one, other):
    return abs(one - other) <= 1e-9 * max(abs(one), abs(other))


def close_ranges(got, expected):
    assert len(got) == len(expected), (got, expected)
    assert all(close(a, b) for row in zip(got, expected, strict=True) for a, b in zip(*row, strict=True))


def ends(row):
    return row["from_per_min"], row["to_per_min"]


def merged(ranges):
    """Ranges, those that overlap or touch as one, rising."""
    found = []
    for low, high in sorted(ranges):
        if found and low <= found[-1][1] * (1 + TIE):
            found[-1] = (found[-1][0], max(found[-1][1], high))
        else:
            found.append((low, high))
    return found


def plain_shared(case, bands):
    """The ranges of rates at which every point has its dose."""
    if case["rate"]["step"] is not None:
        return runs(case, bands, lambda served: len(served) == len(bands))
    shared = [(0.0, float("inf"))]
    for of_point in bands.values():
        mine = merged([(low, high) for _, _, low, high in of_point])
        both = [(max(a, c), min(b, d)) for (a, b), (c, d) in product(shared, mine)]
        shared = [(low, high) for low, high in both if low <= high * (1 + TIE)]
    return merged([(a, max(a, b)) for a, b in shared])


def served_at(case, bands, rate):
    """Who has its dose at a rate: by the bands, on a stepped dial by the dose itself."""
    if case["rate"]["step"] is None:
        return {
            name
            for name, of_point in bands.items()
            if any(low * (1 - TIE) <= rate <= high * (1 + TIE) for _, _, low, high in of_point)
        }
    return {
        p["name"]
        for p in case["points"]
        for pump in p["pump"]
        for mark in case["pumps"][pump]["marks"]
        if oracle.enough_strokes(p, rate) and oracle.pump_keeps_up(case, pump, rate)
        and oracle.dose_miss(p, rate * oracle.dose_per_stroke(case, p, pump, mark)) == 0
    }  # fmt: skip


def standing_for_all(case, bands):
    """Rates that stand for all: the steps, or the ends of bands and what lies between."""
    if case["rate"]["step"] is not None:
        return oracle.rates(case)
    at = sorted({end for of_point in bands.values() for _, _, *both in of_point for end in both})
    return sorted(at + [(a + b) / 2 for a, b in pairwise(at) if not close(a, b)])


def runs(case, bands, wanted):
    """First and last of all neighbouring rates with what is wanted of those served."""
    found, open_ = [], False
    for rate in standing_for_all(case, bands):
        if wanted(served_at(case, bands, rate)):
            found = [*found[:-1], (found[-1][0], rate)] if open_ else [*found, (rate, rate)]
            open_ = True
        else:
            open_ = False
    return found


@settings(max_examples=MANY)
@given(ALL)
def test_bands_and_shared_rates(case):
    found = stackopt.rates(stackopt.Problem(**raw(case)))
    answer = found.to_dict()
    bands = oracle.bands(case)
    assert [point["name"] for point in answer["points"]] == [p["name"] for p in case["points"]]
    for point in answer["points"]:
        got = {(b["pump"], b["mark"]): ends(b) for b in point["bands"]}
        expected = {(pump, mark): (low, high) for pump, mark, low, high in bands[point["name"]]}
        assert len(got) == len(point["bands"])
        assert got.keys() == expected.keys()
        close_ranges(list(got.values()), [expected[k] for k in got])

    shared = plain_shared(case, bands)
    close_ranges([ends(row) for row in answer["shared"]], shared)
    assert found.exit_code == (0 if shared else 3)

    most = max((len(served_at(case, bands, rate)) for rate in standing_for_all(case, bands)), default=0)
    assert answer["most"]["count"] == most
    if most == 0:
        assert answer["most"] == {"count": 0, "points": [], "from_per_min": None, "to_per_min": None}
        return
    best = next(s for rate in standing_for_all(case, bands) if len(s := served_at(case, bands, rate)) == most)
    assert answer["most"]["points"] == [p["name"] for p in case["points"] if p["name"] in best]
    close_ranges([ends(answer["most"])], runs(case, bands, lambda served: served == best)[:1])


@settings(max_examples=MANY)
@given(ALL)
def test_conflicts_are_the_smallest_and_all(case):
    answer = stackopt.rates(stackopt.Problem(**raw(case))).to_dict()
    got = [tuple(sorted(conflict["points"])) for conflict in answer["conflicts"]]
    assert len(set(got)) == len(got) <= 20
    assert [len(names) for names in got] == sorted(len(names) for names in got)
    expected = oracle.conflicts(case)
    if answer["conflicts_complete"]:
        assert set(got) == set(expected)
    else:
        assert len(got) == 20 < len(expected)
        assert set(got) < set(expected)
    order = [p["name"] for p in case["points"]]
    for conflict in answer["conflicts"]:
        assert conflict["points"] == sorted(conflict["points"], key=order.index)
        assert conflict["rules"] == []
        assert all(name in conflict["why"] for name in conflict["points"])


@settings(max_examples=MANY // 2)
@given(crossed_cases())
def test_a_solved_machine_names_the_same_conflicts(case):
    problem = stackopt.Problem(**raw(case))
    result, found = stackopt.solve(problem), stackopt.rates(problem).to_dict()
    assert result.to_dict()["conflicts"] == found["conflicts"]
    assert result.in_tolerance == bool(found["shared"])
    assert result.exit_code == (0 if found["shared"] else 3)


# Conflicts of air


def served_together(case):
    """All sets of points that some setting within the hard rules has in tolerance."""
    found = set()
    order = oracle.in_order(case)
    for rate in oracle.rates(case):
        if not oracle.rate_allowed(case, rate):
            continue
        tables = []
        for point in order:
            usable = [o for o in oracle.options(case, point) if oracle.pump_keeps_up(case, o[0], rate)]
            parts = [oracle.part(case, point, rate, option) for option in usable]
            tables.append(sorted({(p["air"], p["x"] == 0) for p in parts}))
        for row in product(*tables):
            if oracle.air_allowed(case, sum(air for air, _ in row)):
                found.add(frozenset(p["name"] for p, (_, good) in zip(order, row, strict=True) if good))
    return found


def smallest(names, served):
    """Whether no one serves all these points and each smaller part is served."""
    return not any(set(names) <= one for one in served) and all(
        any(set(part) <= one for one in served) for part in combinations(names, len(names) - 1)
    )


@settings(max_examples=MANY // 4)
@given(cases(free=False, short=True))
def test_a_conflict_of_air_is_a_smallest_one(case):
    result = solved(case)
    assume(result.status == "optimal" and not result.in_tolerance and result.objective.excess > TIE)
    assume(not result.rate_map.conflicts)
    (conflict,) = result.to_dict()["conflicts"]
    ample = served_together({**case, "capacity": 1e12})
    if not conflict["rules"]:  # however large the supply is; with it a part of them may lack air besides
        assert smallest(conflict["points"], ample), conflict
    else:
        assert conflict["rules"] == ["capacity"] and smallest(conflict["points"], served_together(case)), conflict
        assert any(set(conflict["points"]) <= one for one in ample)


@settings(max_examples=MANY // 3)
@given(cases(short=True))
def test_with_the_air_needed_all_are_in_tolerance(case):
    result = solved(case)
    assume(result.status == "optimal" and not result.in_tolerance and result.objective.excess > TIE)
    needed = result.to_dict()["air"]["needed_L_per_min"]
    possible = solved({**case, "capacity": 1e9}).in_tolerance
    if result.rate_map.conflicts or not possible:
        assert needed is None
        return
    assert needed > case["capacity"]
    assert solved({**case, "capacity": needed}).in_tolerance
    assert not solved({**case, "capacity": needed * 0.999}).in_tolerance


# Hard rules that clash


def possible(case, rules):
    """Whether some setting keeps these hard rules: the lowest rate is the easiest for pumps and air."""
    lowest, dial = 1e-9, case["rate"]
    for point in case["points"]:
        if f"cut of {point['name']}" in rules:
            lowest = max(lowest, point["cut"][1] / point["cut"][0])
    if "rate range" in rules:
        at = [dial["min"], lowest] if dial["step"] is None else oracle.rates(case)
        slack = oracle.ROUNDING * lowest
        at = [r for r in at if max(dial["min"], lowest) - slack <= r <= dial["max"] * (1 + oracle.ROUNDING)]
        if not at:
            return False
        lowest = min(at)
    air = 0.0
    for point in case["points"]:
        usable = [
            o
            for o in oracle.options(case, point)
            if f"max_rate of {o[0]}" not in rules or oracle.pump_keeps_up(case, o[0], lowest)
        ]
        if not usable:
            return False
        air += min(
            oracle.flow_at(case, point, o[2]) + lowest * oracle.stroke_air(case, point, o[0]) for o in usable
        )
    return "capacity" not in rules or oracle.air_allowed(case, air)


@st.composite
def impossible_cases(draw):
    """Machines of which some hard rules were made too hard."""
    case = draw(cases(short=True))
    dial = case["rate"]
    if draw(st.booleans()):
        case["capacity"] *= draw(st.sampled_from([0.9, 0.5, 0.1]))
    if draw(st.booleans()):
        for point in draw(st.lists(st.sampled_from(case["points"]), min_size=1)):
            point["cut"] = (1.0, dial["max"] * draw(st.sampled_from([1.0, 0.7, 1.1, 1.5])))
    if draw(st.booleans()):
        for pump in draw(st.lists(st.sampled_from(sorted(case["pumps"])), min_size=1)):
            case["pumps"][pump]["max_rate"] = dial["max"] * draw(st.sampled_from([1.0, 0.9, 0.4, 0.05]))
    rules = ["capacity", "rate range"]
    rules += [f"cut of {point['name']}" for point in case["points"] if point["cut"]]
    rules += [f"max_rate of {name}" for name, pump in case["pumps"].items() if pump["max_rate"]]
    assume(not possible(case, rules))
    # Not where the supply is just what the nozzles take at hardly any strokes: 0/min is no rate.
    flows = sum(
        min(oracle.flow_at(case, p, t) for _, _, t in oracle.options(case, p)) for p in case["points"]
    )
    assume(abs(flows / case["capacity"] - 1) > 1e-4)
    return case


@settings(max_examples=MANY // 2)
@given(impossible_cases())
def test_hard_rules_that_clash_are_a_smallest_set(case):
    result = solved(case)
    answer = result.to_dict()
    assert (answer["status"], result.exit_code) == ("infeasible", 4)
    assert (answer["points"], answer["rate_per_min"], answer["objective"]) == ([], None, None)
    (conflict,) = answer["conflicts"]
    rules = conflict["rules"]
    assert rules and len(set(rules)) == len(rules)
    assert not possible(case, rules), conflict
    for rule in rules:
        assert possible(case, [other for other in rules if other != rule]), (rule, conflict)

