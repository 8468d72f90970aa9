"""Sets of rules and points that clash: each is held to trying all settings, whole and with any one member left out."""

from itertools import product

import oracle
import pytest
from hypothesis import Phase, assume, given, settings
from hypothesis import strategies as st
from strategies import coupled_cases, crossed_cases, raw

import stackopt
from stackopt import words
from stackopt.optimise import clash, cover, trial
from stackopt.optimise.clash import groups_conflict, hard_clash, irreducible, tolerance_clash
from stackopt.optimise.conflicts import rate_map
from stackopt.stack import Stack

MANY = settings().max_examples
DRAW = {"phases": [Phase.explicit, Phase.generate]}  # to make a failing one small takes minutes
AMPLE = 1e9


def stack_of(case):
    return Stack.of(stackopt.Problem(**raw(case)))


# The filter itself


@given(st.lists(st.integers(0, 9), min_size=1, max_size=12), st.integers(0, 40))
def test_what_is_left_of_a_sum_that_is_too_large_needs_all_its_parts(numbers, most):
    assume(sum(numbers) > most)
    found = irreducible(list(enumerate(numbers)), lambda some: sum(n for _, n in some) <= most)
    left = sum(n for _, n in found)
    assert left > most
    assert all(left - n <= most for _, n in found)
    assert [place for place, _ in found] == sorted(place for place, _ in found)


@given(st.data())
def test_the_one_clash_among_many_is_found(data):
    size = data.draw(st.integers(1, 40))
    wrong = data.draw(st.sets(st.integers(0, size - 1), min_size=1, max_size=4))
    asked = []

    def may_hold(some):
        asked.append(some)
        return not wrong <= set(some)

    assert irreducible(list(range(size)), may_hold) == sorted(wrong)
    assert len(asked) <= 2 * len(wrong) * (1 + size.bit_length())


BOUNDS = {
    # Chinneck, Feasibility and Infeasibility in Optimization (2008): x1 + x2 >= 10, x1 + x3 <= 4, 4 <= x2 + x3 <= 5
    "con1": lambda x1, x2, x3: x1 + x2 >= 10,
    "con2": lambda x1, x2, x3: x1 + x3 <= 4,
    "con3, lower": lambda x1, x2, x3: x2 + x3 >= 4,
    "con3, upper": lambda x1, x2, x3: x2 + x3 <= 5,
    "x1 >= 0": lambda x1, x2, x3: x1 >= 0,
    "x2 >= 0": lambda x1, x2, x3: x2 >= 0,
    "x3 >= 0": lambda x1, x2, x3: x3 >= 0,
    "x3 <= 3": lambda x1, x2, x3: x3 <= 3,
}


def test_the_published_example_of_four_rows_that_clash():
    grid = list(product(range(-12, 13), repeat=3))  # its rows have whole numbers: where they can hold, whole ones do

    def may_hold(some):
        return any(all(BOUNDS[name](*x) for name in some) for x in grid)

    assert irreducible(list(BOUNDS), may_hold) == ["con1", "con2", "con3, upper", "x3 >= 0"]


# Hard rules


def with_rules(case, rules):
    """The case with these hard rules alone; the dial stays."""
    kept = set(rules)
    cut = any(kind == "cut" for kind, _ in kept)

    def has_cut(point):  # of one generator the highest cut stands for all
        return ("cut", point["name"]) in kept or (cut and case.get("generators", 1) == 1)

    def pump(name, values):
        values = {**values, "max_rate": values["max_rate"] if ("max_rate", name) in kept else None}
        return {**values, "fluids": values.get("fluids") if ("fluids", name) in kept else None}

    return {
        **case,
        "capacity": case["capacity"] * (1 if ("capacity", "") in kept else AMPLE),
        "pumps": {name: pump(name, values) for name, values in case["pumps"].items()},
        "points": [{**p, "cut": p["cut"] if has_cut(p) else None} for p in case["points"]],
        "constraints": [c for k, c in enumerate(case.get("constraints") or [], 1) if ("rule", f"rule {k}") in kept],
    }


@settings(max_examples=2 * MANY, **DRAW)
@given(st.data())
def test_hard_rules_that_clash_do_and_none_of_them_can_be_spared(data):
    several = data.draw(st.sampled_from((False, False, True)))
    case = data.draw(coupled_cases(constraints=True, short=True, generators=several))
    assume(oracle.best(case) is None)
    stack = stack_of(case)
    found = hard_clash(stack)
    assert found.proved and found.rules
    dial = ("rate range", "")
    if dial in found.rules or case.get("generators", 1) == 1:
        assert oracle.best(with_rules(case, found.rules)) is None
    for one in found.rules:
        rest = [rule for rule in found.rules if rule != one]
        if one != dial and dial in rest and found.smallest:  # the oracle knows this dial alone
            assert oracle.best(with_rules(case, rest)) is not None
    said = words.hard_words(stack, found)
    assert len(said["rules"]) == len(found.rules) and said["why"]
    assert [name for kind, name in found.rules if kind == "rule"] == [n for n in said["rules"] if n in stack.rules]


MACHINE = {
    "rate": {"min": 10.0, "max": 20.0, "step": 5.0},
    "stroke_air": 0.0,
    "pumps": {"standard": {"stroke_volume": 0.1, "marks": {"1": 0.5, "2": 1.0}, "stroke_air": None, "max_rate": None}},
    "nozzles": {"small": {"turns": [1.0, 2.0], "flow": [10.0, 20.0]}},
    "capacity": 100.0,
    "air_weight": 0.1,
}


def point(name, dose=60.0, **changed):
    return {"name": name, "dose": dose, "below": 0.1, "above": 0.1, "pump": ["standard"], "count": 1,
            "nozzle": "small", "air_flow": (10.0, None), "air_per_dose": (None, None), "weight": 1.0,
            "cut": None} | changed  # fmt: skip


def machine(points, **changed):
    return stack_of({**MACHINE, "points": points, **changed})


ABC = [point("a"), point("b"), point("c")]
# Air is 10 or 20 a point: 20 to 40 of two. In fractions 35 can be had, in whole settings not.
BETWEEN = {"kind": "total", "of": "air", "over": ["a", "b"], "min": 33.0, "max": 38.0}


def test_a_rule_that_only_fractions_keep_clashes_alone():
    stack = machine(ABC, constraints=[{"kind": "forbid", "of": "mark", "over": ["c"], "at": ["1"]}, BETWEEN])
    found = hard_clash(stack)
    assert (found.rules, found.proved, found.smallest) == ((("rule", "rule 2"),), True, True)
    said = words.hard_words(stack, found)
    assert said["rules"] == ["rule 2"]
    assert said["why"] == "rule 2 asks for a total air of a, b of at least 33.0 L/min and at most 38.0 L/min"


def test_two_rules_that_only_fractions_keep_clash():
    rules = [{"kind": "total", "of": "air", "over": ["a", "b"], "min": 23.0},
             {"kind": "same", "of": "turns", "over": ["b", "c"]},
             {"kind": "total", "of": "air", "over": ["a", "b"], "max": 27.0}]  # fmt: skip
    found = hard_clash(machine(ABC, constraints=rules))
    assert (found.rules, found.proved, found.smallest) == ((("rule", "rule 1"), ("rule", "rule 3")), True, True)


def test_a_fluid_and_a_cut_can_clash_with_others():
    pumps = {"standard": {**MACHINE["pumps"]["standard"], "fluids": ["vanishing"]}}
    stack = machine(ABC, pumps=pumps)
    found = hard_clash(stack)
    assert found.rules == (("fluids", "standard"),) and found.points == (0, 1, 2)
    assert words.hard_words(stack, found)["rules"] == ["fluids of standard"]
    stack = machine([point("a", cut=(0.1, 3)), point("b")])
    assert set(hard_clash(stack).rules) == {("cut", "a"), ("rate range", "")}


def test_rates_fixed_apart_clash_for_one_generator_and_not_for_two():
    rules = [{"kind": "fix", "of": "rate", "over": [name], "at": rate} for name, rate in (("a", 10.0), ("b", 20.0))]
    assert hard_clash(machine(ABC, constraints=rules)).rules == (("rule", "rule 1"), ("rule", "rule 2"))
    assert cover.possible(machine(ABC, constraints=rules, generators=2), machine(ABC).dose == 0, 1e18) is not None


def test_a_clash_that_nothing_confirms_is_called_not_proved(monkeypatch):
    def unsure(*_):
        raise trial.Unsure

    monkeypatch.setattr(clash, "possible", unsure)
    stack = machine(ABC, constraints=[BETWEEN])
    found = hard_clash(stack)
    assert not found.proved and not found.smallest
    assert "not proved" in words.hard_words(stack, found)["why"]
    assert tolerance_clash(stack) is None


# Points in tolerance under rules


def can_be(case, points, rules):
    """Whether points can be in tolerance while some rules and dial, cuts and pumps hold, by trying all."""
    trying = {
        **case,
        "capacity": case["capacity"] * (1 if ("capacity", "") in rules else AMPLE),
        "constraints": [c for k, c in enumerate(case.get("constraints") or [], 1) if ("rule", f"rule {k}") in rules],
        "objective": "mean",
        "points": [{**p, "loose": p["name"] not in points} for p in case["points"]],
    }
    part = oracle.part

    def lenient(case, point, *at):
        return part(case, point, *at) | ({"x": 0.0} if point["loose"] else {})

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(oracle, "part", lenient)
        best = oracle.best(trying)
    return best is not None and best["excess"] == 0


@settings(max_examples=2 * MANY, **DRAW)
@given(st.data())
def test_points_that_clash_with_rules_do_and_none_can_be_spared(data):
    case = data.draw(coupled_cases(generators=data.draw(st.booleans())))
    best = oracle.best(case)
    assume(best is not None and best["excess"] > 0)
    stack = stack_of(case)
    found = tolerance_clash(stack)
    assume(found is not None)
    names = [stack.names[i] for i in found.points]
    assert not can_be(case, names, found.rules)
    if found.smallest:
        for one in found.rules:
            assert can_be(case, names, [rule for rule in found.rules if rule != one])
        for one in names:
            assert can_be(case, [name for name in names if name != one], found.rules)
    said = words.tolerance_words(stack, found)
    assert sorted(said["points"]) == sorted(names) and len(said["rules"]) == len(found.rules)


@settings(max_examples=MANY, **DRAW)
@given(st.data())
def test_where_every_point_can_be_in_tolerance_nothing_clashes(data):
    case = data.draw(coupled_cases())
    best = oracle.best(case)
    assume(best is not None and best["excess"] == 0)
    assert tolerance_clash(stack_of(case)) is None


def test_a_rule_and_two_points_that_clash_are_named():
    # at 20/min a takes mark 1 and b mark 2, at 10/min only a is served
    stack = machine([point("a"), point("b", 120.0), point("c")],
                    constraints=[{"kind": "same", "of": "mark", "over": ["a", "b"]}])  # fmt: skip
    found = tolerance_clash(stack)
    said = words.tolerance_words(stack, found)
    assert (said["points"], said["rules"], found.smallest) == (["a", "b"], ["rule 1"], True)
    assert said["why"] == ("no setting brings a and b into tolerance together at any rate while these hold: "
                           "rule 1 asks for the same mark for a, b")  # fmt: skip


# Several generators


@settings(max_examples=MANY)
@given(crossed_cases(), st.integers(1, 3))
def test_points_that_too_few_rates_serve_are_a_smallest_set(case, count):
    case = {**case, "generators": count}
    stack = stack_of(case)
    band = oracle.bands(case)
    tests = oracle._test_rates(case, band)

    def served(names):
        some = [{name for name in names if oracle._serves(band[name], rate)} for rate in tests]
        return any(set(names) <= set().union(*rates) for rates in product(some, repeat=count))

    found = [[stack.names[i] for i in points] for points in groups_conflict(stack)]
    assert bool(found) == (not served(list(band)))
    for names in found:
        assert not served(names)
        assert all(served([name for name in names if name != one]) for one in names)
        assert words.groups_words(stack, rate_map(stack), [stack.names.index(name) for name in names])["points"]
