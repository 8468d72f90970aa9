"""The fewest generators: held to a plain oracle, and to what must hold of any split."""

from dataclasses import replace
from itertools import combinations

import numpy as np
import oracle
import oracle_plans
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from strategies import coupled_cases, crossed_cases, raw

import stackopt
from stackopt import groups
from stackopt.groups import split
from stackopt.judge import ROOM
from stackopt.optimise import cover as covering
from stackopt.optimise.cover import Ask, by_models, cover
from stackopt.optimise.trial import Patience, Unsure
from stackopt.stack import Stack

MANY = settings().max_examples
STEPPED = {
    "plain": {"free": False, "constraints": False, "generators": False, "short": False},
    "short of air": {"free": False, "constraints": False, "short": True},
    "rules": {"free": False, "constraints": True},
    "moved": {"free": False, "constraints": False, "generators": True, "short": False},
    "moved, rules": {"free": False, "constraints": True, "generators": True, "short": False},
    "robust": {"free": False, "robust": True},
}


def problem_of(case):
    return stackopt.Problem(**raw(case))


def said(found):
    """The text of an answer as one line."""
    return " ".join(str(found).split())


def is_a_split(case, found):
    """Hold an answer to its own words: nobody is lost, groups share a rate, all of it holds by the oracle."""
    answer, served = found.to_dict(), []
    for group in answer["groups"]:
        served += group["points"]
        rates = {found.settings.rates[found.stack.names.index(name)] for name in group["points"]}
        assert rates == {group["rate_per_min"]}
    rates = [group["rate_per_min"] for group in answer["groups"]]
    assert rates == sorted(rates)
    assert answer["count"] in (None, len(answer["groups"]))
    in_file = [point["name"] for point in case["points"]]
    assert answer["never"] == [name for name in in_file if name in answer["never"]]
    if answer["count"] is not None:
        assert sorted(served + answer["never"]) == sorted(in_file)
        assert [point["name"] for point in answer["settings"]] == [n for n in in_file if n not in answer["never"]]
        assert all(point["in_tolerance"] for point in answer["settings"])
    for line in str(found).splitlines():
        assert len(line) <= 80
    if answer["settings"]:
        left = {**case, "points": [p for p in case["points"] if p["name"] not in answer["never"]],
                "constraints": [c for c in case.get("constraints") or []
                                if not oracle_plans.concerns(case, c, answer["never"])],
                "generators": answer["count"]}  # fmt: skip
        plain = oracle.judge(left, {p["name"]: rates[p["generator"] - 1] for p in answer["settings"]},
                             {p["name"]: (p["pump"], p["mark"], p["turns"]) for p in answer["settings"]})  # fmt: skip
        assert plain["feasible"] and plain["excess"] == 0
    return answer


@pytest.mark.parametrize("flavour", STEPPED)
@settings(max_examples=MANY)
@given(st.data())
def test_a_split_is_the_oracle(flavour, data):
    case = data.draw(coupled_cases(**STEPPED[flavour]))
    found = split(problem_of(case))
    answer, expected = is_a_split(case, found), oracle_plans.split(case)
    assert answer["proved"]
    assert sorted(answer["never"]) == sorted(expected["never"])
    assert answer["count"] == expected["count"]
    assert [group["rate_per_min"] for group in answer["groups"]] == list(expected["rates"] or ())
    if found.can_run:
        assert found.exit_code == (3 if answer["never"] or answer["count"] is None else 0)


@settings(max_examples=MANY)
@given(crossed_cases())
def test_a_split_of_many_crossed_points_is_the_oracle(case):
    answer = is_a_split(case, split(problem_of(case)))
    stepped = {**case, "rate": {**case["rate"], "step": 5.0}}
    expected = oracle_plans.split(stepped)
    assert answer["proved"] and answer["count"] == expected["count"]
    if case["rate"]["step"] is not None:
        assert [group["rate_per_min"] for group in answer["groups"]] == list(expected["rates"])


@settings(max_examples=MANY)
@given(st.data())
def test_a_free_dial_needs_no_more_and_no_higher_rates_than_its_steps(data):
    case = data.draw(coupled_cases(free=False, short=data.draw(st.booleans()), generators=data.draw(st.booleans())))
    fixed = any(rule["kind"] == "fix" and rule["of"] == "rate" for rule in case.get("constraints") or [])
    stepped, free = split(problem_of(case)), split(problem_of({**case, "rate": {**case["rate"], "step": None}}))
    is_a_split(case, free)
    assert free.proved or any(rule["of"] == "dose" for rule in case["constraints"])
    assume(free.proved and set(free.never) == set(stepped.never))
    if stepped.count is not None:
        assert free.count is not None and free.count <= stepped.count
        if free.count == stepped.count and not fixed:
            nearly = [rate * (1 + 1e-9) for rate in stepped.settings.generators] if stepped.settings else []
            assert list(free.settings.generators if free.settings else ()) <= nearly


@settings(max_examples=MANY)
@given(st.data())
def test_more_air_never_needs_more_generators(data):
    case = data.draw(coupled_cases(free=False, short=True, generators=data.draw(st.booleans())))
    less, more = split(problem_of(case)), split(problem_of({**case, "capacity": 1.3 * case["capacity"]}))
    assume(less.never == more.never and less.count is not None)
    assert more.count is not None and more.count <= less.count


@settings(max_examples=MANY)
@given(st.data())
def test_a_set_of_rates_is_found_just_where_there_is_one(data):
    """`cover` against trying all sets."""
    draw = data.draw
    rates, points, count = draw(st.integers(1, 7)), draw(st.integers(1, 5)), draw(st.integers(1, 4))
    share = st.sampled_from((0.1, 0.2, 0.25, 0.5, 9.0))
    cost = np.array(draw(st.lists(share, min_size=rates * points, max_size=rates * points))).reshape(rates, points)
    must = tuple(range(draw(st.integers(0, min(1, rates)))))
    some = [s for k in range(1, min(count, rates) + 1) for s in combinations(range(rates), k) if set(must) <= set(s)]
    good = [s for s in some if cost[list(s)].min(axis=0).sum() <= ROOM]
    found = cover(cost, count, must)
    assert (found is not None) == bool(good)
    assert found is None or tuple(sorted(found)) in good


@settings(max_examples=MANY // 2)
@given(st.data())
def test_where_our_search_gives_up_the_models_agree_with_the_oracle(data):
    case = data.draw(coupled_cases(free=False, constraints=True, generators=data.draw(st.booleans())))
    stack = Stack.of(problem_of(case))
    best = oracle.best(case)
    for wanted in (np.zeros(len(stack.names), dtype=bool), np.ones(len(stack.names), dtype=bool)):
        expected = best is not None and (not wanted.any() or best["excess"] == 0)
        ask = Ask(stack, wanted, Patience())
        assert (ask.settings() is not None) == expected
        try:
            found = by_models(ask, np.inf)
        except Unsure:
            continue  # no is said only where both agree
        assert (found is not None) == expected


def test_without_patience_an_answer_is_not_called_proved(monkeypatch):
    case = {"points": [point(name, rate) for name, rate in zip("abc", (10.0, 20.0, 30.0), strict=True)]} | MACHINE
    monkeypatch.setattr(groups, "Patience", lambda deadline: Patience(deadline, nodes=1))
    found = split(problem_of(case))
    assert (found.count, found.proved, found.exit_code) == (3, False, 5)
    assert is_a_split(case, found)["proved"] is False
    assert "is not proved" in said(found)


MACHINE = {
    "rate": {"min": 5.0, "max": 40.0, "step": 5.0},
    "stroke_air": 0.0,
    "pumps": {"standard": {"stroke_volume": 0.1, "marks": {"1": 1.0}, "stroke_air": None, "max_rate": None}},
    "nozzles": {"small": {"turns": [1.0, 2.0], "flow": [10.0, 20.0]}},
    "capacity": 100.0,
    "air_weight": 0.1,
}


def point(name, rate, **changed):
    """A point that `rate` [1/min] alone serves."""
    return {"name": name, "dose": 6.0 * rate, "below": 0.1, "above": 0.1, "pump": ["standard"], "count": 1,
            "nozzle": "small", "air_flow": (10.0, None), "air_per_dose": (None, None), "weight": 1.0,
            "cut": None} | changed  # fmt: skip


def answer_of(points, **changed):
    return split(problem_of({**MACHINE, "points": points, **changed}))


def test_every_point_has_the_rate_of_its_least_error():
    # b's dose is met at 20/min; at 15/min it is within its tolerance
    found = answer_of([point("a", 15.0), point("b", 20.0, below=0.3), point("c", 20.0, below=0.04)])
    groups = found.to_dict()["groups"]
    assert groups == [{"rate_per_min": 15.0, "points": ["a"]}, {"rate_per_min": 20.0, "points": ["b", "c"]}]
    assert found.exit_code == 0


def test_where_a_rule_forbids_that_the_total_error_is_least():
    # the total of the doses keeps b at the lower rate
    rule = {"kind": "total", "of": "dose", "over": ["a", "b", "c"], "max": 6.0 * 51.0}
    found = answer_of([point("a", 15.0), point("b", 20.0, below=0.3), point("c", 20.0, below=0.04)], constraints=[rule])
    assert found.to_dict()["groups"][0]["points"] == ["a", "b"]


def test_a_point_that_no_rate_serves_is_left_out_with_the_rules_that_name_it():
    rules = [{"kind": "same", "of": "turns", "over": ["tap"]},
             {"kind": "total", "of": "air", "over": ["lost"], "max": 1.0}]  # fmt: skip
    found = answer_of([point("a", 15.0, tags=["tap"]), point("lost", 100.0, tags=["tap"])], constraints=rules)
    assert (found.never, found.count, found.exit_code) == (("lost",), 1, 3)
    assert "every other point" in said(found)


def test_capacity_may_forbid_any_number():
    found = answer_of([point("a", 15.0), point("b", 20.0)], capacity=19.0)
    assert (found.count, found.proved, found.exit_code, found.to_dict()["groups"]) == (None, True, 3, [])


def test_rules_may_forbid_any_number():
    rules = [{"kind": "fix", "of": "rate", "over": ["a"], "at": 30.0}]
    found = answer_of([point("a", 15.0), point("b", 20.0)], constraints=rules)
    assert (found.count, found.proved, found.exit_code) == (None, True, 3)


def test_no_point_that_can_run_is_no_split():
    pumps = {"standard": {**MACHINE["pumps"]["standard"], "fluids": ["vanishing"]}}
    found = answer_of([point("a", 15.0)], pumps=pumps)
    assert (found.can_run, found.exit_code, found.count) == (False, 4, 0)
    assert "no point can run" in said(found)


def test_a_free_dial_with_a_rule_on_doses_is_proved_only_where_the_rule_changes_nothing():
    points, dial = [point("a", 15.0), point("b", 30.0)], {"min": 5.0, "max": 40.0, "step": None}
    loose = {"kind": "total", "of": "dose", "max": 10_000.0}
    found = answer_of(points, rate=dial, constraints=[loose])
    assert (found.count, found.proved) == (2, True)
    tight = {"kind": "total", "of": "dose", "over": ["a"], "min": 87.0}
    found = answer_of(points, rate=dial, constraints=[tight])
    assert (found.count, found.proved, found.exit_code) == (2, False, 5)


def test_what_the_judge_does_not_confirm_is_no_answer(monkeypatch):
    monkeypatch.setattr(groups, "_assigned", lambda stack, found, deadline: (replace(found, rates=(5.0,)), True))
    with pytest.raises(stackopt.errors.SolverError, match="judge"):
        answer_of([point("a", 15.0)])


def test_the_count_of_the_file_does_not_matter():
    points = [point("a", 15.0), point("b", 30.0)]
    one, two = answer_of(points, generators=1), answer_of(points, generators=2)
    assert one.to_dict() == two.to_dict()


def test_a_table_that_is_too_large_is_not_begun(monkeypatch):
    monkeypatch.setattr(covering, "_LARGE", 1)
    with pytest.raises(Unsure):
        covering.possible(Stack.of(problem_of({**MACHINE, "points": [point("a", 15.0)]})), np.array([True]), np.inf)


@pytest.mark.parametrize("calls", [0, 1])
def test_a_split_of_a_table_that_is_too_large_is_unproved(monkeypatch, calls):
    """Where it is too large for each point alone, and where rules of the file make it so."""
    asked = iter([*(Ask,) * calls, None])

    def ask(*args):
        if (kind := next(asked)) is None:
            raise Unsure
        return kind(*args)

    monkeypatch.setattr(groups, "Ask", ask)
    found = answer_of([point("a", 15.0), point("b", 30.0)])
    assert (found.count, found.never, found.proved, found.exit_code) == (None, (), False, 5)


def test_a_split_found_roughly_that_fails_by_a_hair_is_none(monkeypatch):
    def unsure(*_):
        raise Unsure

    monkeypatch.setattr(Ask, "at_rates", unsure)
    found = answer_of([point("a", 15.0), point("b", 30.0)])
    assert (found.count, found.settings, found.proved, found.exit_code) == (None, None, False, 5)
