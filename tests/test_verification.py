"""Answers held against their problems: true ones hold, tampered ones never do, and the bound is that of the oracle."""

import ast
import copy
import json
import math
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import oracle
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from strategies import cases, coupled_cases, coupled_settings, crossed_cases, line_cases, raw
from test_judge import MACHINE, POINT

import stackopt
from stackopt.judge import Settings, judge
from stackopt.optimise.outcome import Outcome
from stackopt.problem.branches import Branch
from stackopt.problem.model import Nozzle
from stackopt.result import Result
from stackopt.stack import Stack
from stackopt.verification import airflow, conflicting
from stackopt.verification import answer as verifying
from stackopt.verification.bound import Claim, Search
from stackopt.verification.machine import Machine
from stackopt.verification.sums import Work, possible

MANY = settings().max_examples
DRAW = {"phases": [Phase.explicit, Phase.generate]}
FOLDER = Path(__file__).parent.parent / "problems"
NEAR = 1e-6  # far above what a figure or bound may be off by
BEYOND = "long-line.toml"  # behind a line the bound on the value is out of reach
SLOW = {"head-32.toml", "rules.toml", "short-air.toml", "sizing-24.toml"}  # the same ways, only longer
FILES = sorted({f.name for kind in ("*.toml", "*.json") for f in FOLDER.glob(kind) if ".answer." not in f.name} - SLOW)
# What is not looked at: words, the file's name, and what goes beyond the keys that are fixed.
ASIDE = {"file", "advice", "warnings", "cautions", "solve", "oil_line", "reservoir", "energy", "room", "weigh_plan",
         "why", "stray", "may_leave", "drops_per_min", "air_liquid_ratio", "mean_drop_um",
         "needed_L_per_min"}  # fmt: skip


TWO_POINTS = {
    "fluid": {"kind": "neat oil"},
    "generator": {"rate": {"min": "4/min", "max": "60/min", "step": "1/min"}},
    "pumps": {"standard": {"stroke_volume": "0.06 mL", "marks": {"1": 0.2, "2": 0.6, "3": 1.0}}},
    "nozzles": {"small": {"turns": [1, 2], "flow": ["32 L/min", "64 L/min"]}},
    "point": [{"name": name, "dose": dose, "tolerance": "10 %", "pump": "standard", "nozzle": "small",
               "air_per_dose": {"min": "150 L/mL"}} for name, dose in (("b", "22 mL/h"), ("a", "12 mL/h"))],
}  # fmt: skip


def stored(file):
    return json.loads((FOLDER / f"{Path(file).stem}.answer.json").read_text("ascii"))


def solved(case, explained=True):
    """The problem of a case and its answer as JSON carries it; without advice, which is slow and not looked at."""
    problem = stackopt.Problem(**raw(case))
    result = stackopt.solve(problem)
    result = result if explained else result.unexplained()
    vars(result)["advice"] = []
    return problem, json.loads(json.dumps(result.to_dict()))


def wrong(held):
    return [check for check in held.checks if check.status == "wrong"]


# True answers hold


@pytest.mark.parametrize("file", FILES)
def test_the_stored_answers_hold(file):
    """Each of problems/ is verified whole, but for one whose bound is out of reach, which says so."""
    held = stackopt.verify(stackopt.read(FOLDER / file), stored(file))
    assert held.exit_code == (5 if file == BEYOND else 0), str(held)


@settings(max_examples=MANY // 4, **DRAW)
@given(st.one_of(cases(free=False), cases(free=False, near_ties=True), crossed_cases()))
def test_answers_of_plain_stepped_machines_are_verified_whole(case):
    problem, answer = solved(case)
    held = stackopt.verify(problem, answer)
    assert held.exit_code == 0 or (case["rate"]["step"] is None and not wrong(held)), str(held)


@settings(max_examples=MANY // 8, **DRAW)
@given(st.one_of(cases(max_points=2, free=True), coupled_cases(max_points=2)))
def test_no_true_answer_is_called_wrong(case):
    """On free dials, with rules or several generators it may stay undecided."""
    held = stackopt.verify(*solved(case, explained=False))
    assert not wrong(held), str(held)


@settings(max_examples=max(1, MANY // 20), **DRAW)
@given(line_cases(max_points=2))
def test_no_true_answer_behind_a_line_is_called_wrong(case):
    held = stackopt.verify(*solved(case, explained=False))
    assert not wrong(held), str(held)


def test_a_true_answer_at_hardly_any_pressure_is_not_called_wrong():
    """The supply has 1 mbar, of which a narrow line leaves 0.3 ubar: of that the last digits of a pressure are much."""
    problem = stackopt.Problem(**{**TWO_POINTS, "air": {"pressure": "0.001 bar", "capacity": "240 L/min",
                                                    "line": {"conductance": "0.5 L/(s bar)", "critical_ratio": 0.3}}})
    answer = json.loads(json.dumps(stackopt.solve(problem).to_dict()))
    assert 0 < answer["air"]["stack_pressure_bar"] < 1e-6
    assert not wrong(stackopt.verify(problem, answer))


# Tampered answers do not


def leaves(part, place=()):
    """The place of every value that is looked at."""
    if isinstance(part, dict | list):
        items = part.items() if isinstance(part, dict) else enumerate(part)
        found = [leaf for key, inner in items if key not in ASIDE for leaf in leaves(inner, (*place, key))]
        return [place, *found] if place else found
    return [place]


def put(answer, place, value):
    changed = copy.deepcopy(answer)
    part = changed
    for key in place[:-1]:
        part = part[key]
    part[place[-1]] = value
    return changed


def at(answer, place):
    for key in place:
        answer = answer[key]
    return answer


@st.composite
def others(draw, value, texts):
    """Another value than this one, by more than figures may be off."""
    kinds = [None, True, "x", 1.5, -1, [], {}, math.nan, math.inf, 10**400, draw(st.sampled_from(texts))]
    if isinstance(value, int | float) and not isinstance(value, bool):
        size = NEAR * max(1.0, abs(value))
        kinds += [value + size, value - size, 2 * value + 1, -value - 1, 0.5 * value - 1, value + 1] * 2
    if isinstance(value, bool):
        kinds += [not value] * 6
    if isinstance(value, list) and value:
        kinds += [value[1:], [*value, value[0]], [*value[1:], value[0], value[0]], value * 2] * 2
    found = draw(st.sampled_from(kinds))
    same = found == value and isinstance(found, bool) == isinstance(value, bool)
    return draw(others(value, texts)) if same else found


@settings(max_examples=MANY // 4, **DRAW)
@given(st.one_of(cases(free=False), crossed_cases(max_points=4)), st.data())
def test_a_tampered_answer_never_holds(case, data):
    """Ten times: any one value that is looked at is another one, is gone, or has another type."""
    problem, answer = solved(case)
    texts = [*"123", "standard", "small", "p1", "a", "in window", "too little air", "too much air", "optimal",
             "infeasible", "time limit", "interrupted", "unproved", "capacity"]  # fmt: skip
    for _ in range(10):
        place = data.draw(st.sampled_from(leaves(answer)))
        changed = put(answer, place, data.draw(others(at(answer, place), texts)))
        if place == ("format",):
            with pytest.raises(stackopt.ProblemError):
                stackopt.verify(problem, changed)
        else:
            assert stackopt.verify(problem, changed).exit_code in (3, 5), place


@pytest.mark.parametrize("file", ["drill-and-tap.toml", "two-generators.toml", "clash.toml"])
def test_an_answer_without_one_of_its_keys_is_wrong(file):
    problem, answer = stackopt.read(FOLDER / file), stored(file)
    for place in leaves(answer):
        if place[-1] != "format" and isinstance(place[-1], str):
            changed = copy.deepcopy(answer)
            del at(changed, place[:-1])[place[-1]]
            assert stackopt.verify(problem, changed).exit_code == 3, place


@settings(max_examples=MANY // 4, **DRAW)
@given(st.one_of(cases(free=False), coupled_cases(max_points=2, free=False)), st.data())
def test_worse_settings_told_as_best_are_caught_by_the_bound(case, data):
    """Their figures are the judge's own and consistent; only that they are best is a lie."""
    problem = stackopt.Problem(**raw(case))
    true = stackopt.solve(problem)
    rates, choice = data.draw(coupled_settings(case))
    stack = Stack.of(problem)
    strokes = [list(zip(p, m, strict=True)).index(choice[name][:2])
               for name, p, m in zip(stack.names, stack.pumps, stack.marks, strict=True)]  # fmt: skip
    screws = [turns.index(choice[name][2]) for name, turns in zip(stack.names, stack.turns, strict=True)]
    false = Settings(tuple(rates[name] for name in stack.names), tuple(strokes), tuple(screws))
    verdict = judge(stack, false)
    outcome = replace(true.outcome, status="optimal", settings=false, excess_bound=verdict.least,
                      value_bound=verdict.value)  # fmt: skip
    held = stackopt.verify(problem, Result(problem, stack, outcome, 0.0).unexplained().to_dict())
    best = true.objective
    if not verdict.allowed:
        assert "rules" in {check.what for check in wrong(held)}
    elif verdict.least > best.excess + NEAR or verdict.value > best.value + NEAR:
        assert {"bound on the excess", "bound on the value"} & {c.what for c in held.checks if c.status != "holds"}
        if "constraints" not in case and case.get("generators", 1) == 1:
            assert held.exit_code == 3


@pytest.mark.parametrize("rate", range(5, 30))
@pytest.mark.parametrize("drift", [None, "3 %"])
def test_where_too_little_air_is_as_bad_as_too_much_either_is_true(rate, drift):
    """A window of one number, half of it too much below and above; robust: at both ends of the drift as well."""
    point = {"name": "a", "dose": f"{1.2 * rate:.1f} mL/h", "tolerance": 0.2, "pump": "p", "nozzle": "n",
             "air_per_dose": {"min": "50 L/mL", "max": "50 L/mL"}}  # fmt: skip
    data = {"fluid": {"kind": "neat oil"}, "pumps": {"p": {"stroke_volume": "0.02 mL", "marks": {"1": 1.0}}},
            "generator": {"rate": {"min": f"{rate}/min", "max": f"{rate}/min", "step": "1/min"}},
            "nozzles": {"n": {"turns": [1], "flow": [f"{rate} L/min"]}}, "point": [point],
            "air": {"pressure": "6 bar", "capacity": "99 L/min"}}  # fmt: skip
    if drift:
        data["generator"]["drift"], data["solve"] = drift, {"robust": True}
    answer = stackopt.solve(stackopt.Problem(**data)).to_dict()
    held = stackopt.verify(stackopt.Problem(**data), answer)
    assert held.exit_code == 0, str(held)
    told = answer["points"][0]["spray"]
    assert told == "in window" if not drift else told in ("too little air", "too much air")
    assert not drift or stackopt.verify(stackopt.Problem(**data), put(answer, ("points", 0, "spray"), "in window")
                                        ).exit_code == 3  # fmt: skip


def test_a_verification_is_of_80_columns_whatever_the_answer_says():
    problem, answer = stackopt.read(FOLDER / "saw-blade.json"), stored("saw-blade.json")
    for place, value in ((("rate_per_min",), 10**299), (("generators", 0, "rate_per_min"), 5e-324),
                         (("points", 0, "turns"), 10**299), (("title",), "x" * 999), (("status",), "y" * 999),
                         (("points", 0, "name"), "z" * 999), (("gap",), 3.0)):  # fmt: skip
        held = stackopt.verify(problem, put(copy.deepcopy(answer), place, value))
        assert held.exit_code == 3 and max(map(len, str(held).splitlines())) <= 80
        assert len(str(held)) < 3000


@pytest.mark.parametrize("below", [1.05e-9, 1.5e-9, 1.9e-9, 5e-9, 1e-8])
@pytest.mark.parametrize("step,second", [("1/min", False), ("1/min", True), (None, False), (None, True)])
def test_a_bound_on_the_excess_that_nothing_reaches_proves_no_value(step, second, below):
    """The best up to 9/min told as the best of all; at 10/min the dose is right. A second point misses its air."""
    point = {"name": "a", "dose": "9 mL/h", "tolerance": 0.2, "pump": "p", "nozzle": "n",
             "air_flow": {"min": "5 L/min", "max": "20 L/min"}}  # fmt: skip
    other = {**point, "name": "b", "air_flow": {"min": "20 L/min", "max": "20 L/min"}}
    dial = {"min": "5/min", "max": "20/min", **({"step": step} if step else {})}
    data = {"fluid": {"kind": "neat oil"}, "pumps": {"p": {"stroke_volume": "0.03 mL", "marks": {"1": 0.5}}},
            "nozzles": {"n": {"turns": [1], "flow": ["10 L/min"]}},
            "air": {"pressure": "6 bar", "capacity": "99 L/min"},
            "point": [point, other] if second else [point]}  # fmt: skip
    whole, part = (stackopt.Problem(**data, generator={"rate": rate})
                   for rate in (dial, {**dial, "max": "9/min", "min": "8/min"}))  # fmt: skip
    answer = stackopt.solve(part).to_dict()
    assert answer["rate_per_min"] == 9.0
    assert stackopt.verify(part, answer).exit_code == 0 and stackopt.verify(whole, answer).exit_code == 3
    assert stackopt.verify(whole, put(answer, ("bound", "excess"), answer["bound"]["excess"] - below)).exit_code != 0


def test_another_mark_of_the_same_share_is_not_the_one_to_take():
    """Of settings that tie the one written first is taken; all figures of the other are the same."""
    data = {"fluid": {"kind": "neat oil"}, "generator": {"rate": {"min": "4/min", "max": "9/min", "step": "1/min"}},
            "pumps": {"p": {"stroke_volume": "0.06 mL", "marks": {"1": 0.5, "2": 0.5}}},
            "nozzles": {"n": {"turns": [1], "flow": ["30 L/min"]}},
            "air": {"pressure": "6 bar", "capacity": "99 L/min"},
            "point": [{"name": "a", "dose": "9 mL/h", "tolerance": "10 %", "pump": "p", "nozzle": "n",
                       "air_flow": {"min": "20 L/min"}}]}  # fmt: skip
    problem = stackopt.Problem(**data)
    answer = stackopt.solve(problem).to_dict()
    assert (answer["points"][0]["mark"], stackopt.verify(problem, answer).exit_code) == ("1", 0)
    held = stackopt.verify(problem, put(answer, ("points", 0, "mark"), "2"))
    assert [check.what for check in wrong(held)] == ["order of ties"]


# Each check by hand


def told(case, settings):
    """The answer that tells settings, with the judge's own figures, as the best of a machine."""
    problem = stackopt.Problem(**raw(case))
    stack = Stack.of(problem)
    verdict = judge(stack, settings)
    outcome = Outcome("optimal", settings, verdict.least, verdict.value)
    return problem, Result(problem, stack, outcome, 0.0).unexplained().to_dict()


def said(held, what):
    return "; ".join(check.why for check in held.checks if check.what == what and check.status == "wrong")


ALONE = {**MACHINE, "rate": {"min": 5.0, "max": 20.0, "step": 1.0}}
PUMP = MACHINE["pumps"]["standard"]
TWO = {**ALONE, "points": [POINT, {**POINT, "name": "b", "tags": ["t"]}],
       "pumps": {"standard": {**PUMP, "marks": {"1": 0.5, "2": 1.0}}}}  # fmt: skip


@pytest.mark.parametrize("changes,settings,words", [
    ({}, Settings.at(10.5, (0,), (0,)), "10.5/min is no rate of the dial"),
    ({"rate": MACHINE["rate"]}, Settings.at(20.5, (0,), (0,)), "20.5/min is no rate of the dial"),
    ({"capacity": 29.9}, Settings.at(10.0, (0,), (0,)), "the air of 30.0 L/min is above the capacity"),
    ({"points": [{**POINT, "cut": (0.4, 3)}]}, Settings.at(7.0, (0,), (0,)), "a: the rate is too low for its cut"),
    ({"pumps": {"standard": {**PUMP, "max_rate": 15.0}}}, Settings.at(16.0, (0,), (0,)), "a: the rate is above"),
    ({"pumps": {"standard": {**PUMP, "fluids": ["water mix"]}, "other": PUMP},
      "points": [{**POINT, "pump": ["standard", "other"]}]}, Settings.at(10.0, (0,), (0,)), "a: standard cannot be"),
    (TWO, Settings((9.0, 10.0), (1, 1), (0, 0)), "2 rates, and 1 of them may be used"),
], ids=["steps", "end", "capacity", "cut", "max_rate", "fluids", "generators"])  # fmt: skip
def test_what_the_machine_does_not_allow_is_wrong(changes, settings, words):
    held = stackopt.verify(*told({**ALONE, **changes}, settings))
    assert words in said(held, "rules") and held.exit_code == 3


@pytest.mark.parametrize("rule,good,bad", [
    ({"kind": "same", "of": "mark"}, "22", "12"),
    ({"kind": "distinct", "of": "mark", "max": 1}, "11", "12"),
    ({"kind": "fix", "of": "mark", "at": "2"}, "22", "12"),
    ({"kind": "forbid", "of": "mark", "at": ["1"]}, "22", "12"),
    ({"kind": "total", "of": "dose", "max": 90.0}, "12", "22"),
    ({"kind": "total", "of": "dose", "times": {"t": 2.0}, "max": 120.0}, "21", "12"),
    ({"kind": "compare", "of": "dose", "first": "a", "second": "b", "min": 10.0}, "21", "12"),
    ({"kind": "ratio", "of": "dose", "first": "a", "second": "b", "min": 1.5, "max": 2.5}, "21", "12"),
], ids=lambda value: f"{value['kind']}-{value['of']}" if isinstance(value, dict) else "")  # fmt: skip
def test_rules_of_the_file_are_looked_at(rule, good, bad):
    """At 10/min mark 1 gives 30 and mark 2 60 mL/h; strokes stand in the order of their size, the largest first."""
    for marks in (good, bad):
        settings = Settings.at(10.0, tuple(2 - int(mark) for mark in marks), (0, 0))
        held = stackopt.verify(*told({**TWO, "constraints": [rule]}, settings))
        assert (said(held, "rules") != "") == (marks == bad), str(held)


@pytest.mark.parametrize("rule,rate,broken", [
    ({"kind": "fix", "of": "rate", "at": 10.0}, 10.0, False), ({"kind": "fix", "of": "rate", "at": 10.0}, 11.0, True),
    ({"kind": "total", "of": "air", "min": 40.0}, 10.0, False),
    ({"kind": "total", "of": "air", "min": 40.1}, 10.0, True),
])  # fmt: skip
def test_rules_about_rate_and_air_are_looked_at(rule, rate, broken):
    """Each nozzle lets 20 L/min through."""
    held = stackopt.verify(*told({**TWO, "constraints": [rule]}, Settings.at(rate, (0, 0), (0, 0))))
    assert (said(held, "rules") != "") == broken, str(held)


def changed(answer, changes):
    for place, value in changes.items():
        answer = put(answer, place, value)
    return answer


@pytest.mark.parametrize("changes,what,words", [
    ({("status",): "infeasible"}, "status", "what is infeasible has no points"),
    ({("status",): "done"}, "status", "'done' is no status"),
    ({("bound",): None}, "status", "bound is null"),
    ({("status",): "time limit", ("bound",): None, ("gap",): 0.5}, "status", "a gap without a bound"),
    ({("status",): "time limit", ("gap",): 0.5}, "status", "gap is 0.5 instead of 0.0"),
    ({("status",): "time limit", ("bound", "value"): None, ("gap",): 0.0}, "status", "gap is 0.0 instead of null"),
    ({("objective",): None}, "figures", "objective is null"),
    ({("objective", "value"): None}, "shape", "objective.value is null instead of a number"),
    ({("bound", "excess"): 0.25}, "status", "a bound is above what was reached"),
    ({("gap",): 0.25}, "status", "which is not proved best"),
    ({("points",): []}, "status", "an optimal answer has points"),
    ({("conflicts",): [{"points": [], "rules": [], "why": ""}]}, "conflicts", "an answer in tolerance has none"),
    ({("generators", 0, "rate_per_min"): -1.0}, "settings", "not those of rising rates"),
    ({("rate_per_min",): None}, "settings", "rate_per_min is null instead of"),
    ({("generators", 0, "points"): []}, "settings", "are not those that name it"),
    ({("points", 0, "generator"): 2}, "settings", "the points of generator 1 are not those that name it"),
])  # fmt: skip
def test_what_does_not_go_together_is_told(changes, what, words):
    problem, answer = stackopt.read(FOLDER / "saw-blade.json"), stored("saw-blade.json")
    held = stackopt.verify(problem, changed(answer, changes))
    assert words in said(held, what) and held.exit_code == 3, str(held)


def test_a_search_that_was_stopped_is_not_verified_to_be_the_best():
    problem, answer = stackopt.read(FOLDER / "saw-blade.json"), stored("saw-blade.json")
    stopped = {("status",): "time limit", ("bound", "value"): None, ("gap",): None}
    held = stackopt.verify(problem, changed(answer, stopped))
    assert held.exit_code == 0, str(held)  # a bound on the excess of 0, and nothing more is said
    held = stackopt.verify(problem, changed(answer, {("status",): "interrupted"}))
    assert held.exit_code == 5 and "nothing is left open" in str(held)


@pytest.mark.parametrize("file,changes,words", [
    ("clash.toml", {("bound",): {"excess": 0.0, "value": None}}, "what is infeasible has no bound"),
    ("clash.toml", {("in_tolerance",): True}, "an answer without points has no rate"),
    ("clash.toml", {("gap",): 0.0}, "an answer without points has no rate"),
    ("clash.toml", {("conflicts", 0, "points"): []}, "does not name the points that its rules concern"),
    ("drill-and-tap.toml", {("conflicts", 0, "rules"): ["none"]}, "names rules that are none"),
    ("drill-and-tap.toml", {("conflicts", 0, "points"): ["none"]}, "does not name points of the file in its order"),
    ("drill-and-tap.toml", {("conflicts",): [{"points": [], "rules": [], "why": ""}] * 21}, "at most 20 are named"),
])  # fmt: skip
def test_conflicts_that_are_none_are_told(file, changes, words):
    held = stackopt.verify(stackopt.read(FOLDER / file), changed(stored(file), changes))
    assert words in "; ".join(check.why for check in wrong(held)), str(held)


def test_a_conflict_twice_is_wrong_and_none_where_there_must_be_one_is_not_verified():
    problem, answer = stackopt.read(FOLDER / "drill-and-tap.toml"), stored("drill-and-tap.toml")
    twice = put(answer, ("conflicts",), answer["conflicts"] + answer["conflicts"][:1])
    assert stackopt.verify(problem, twice).exit_code == 3
    assert stackopt.verify(problem, put(answer, ("conflicts",), [])).exit_code == 5


# The bound


@settings(max_examples=MANY // 4, **DRAW)
@given(st.one_of(cases(free=False), coupled_cases(free=False, max_points=2)))
def test_the_bound_is_that_of_the_oracle(case):
    """Nothing is below what the slow oracle finds best, and something is below a little more."""
    machine, best = Machine.of(stackopt.Problem(**raw(case))), oracle.best(case)
    search = Search(machine)
    if best is None:
        assert search.better(Claim()).better is False
        return
    excess, value, near = Fraction(best["excess"]), Fraction(best["value"]), Fraction(2, 10**9)
    for what, least in (("excess", excess), ("value", value)):
        most = excess + Fraction(1, 10**9)
        assert search.better(Claim(what, least - near, least - near, most)).better is False
        assert search.better(Claim(what, least + near, least + near, most)).better is True


@settings(max_examples=MANY, **DRAW)
@given(st.lists(st.lists(st.tuples(*[st.integers(0, 9)] * 3), min_size=1, max_size=4), min_size=1, max_size=4),
       st.integers(0, 30), st.integers(0, 30), st.integers(0, 30))  # fmt: skip
def test_sums_are_those_of_trying_all(rows, below, first, second):
    """Whether a choice keeps the sums is what trying every choice says, with a test of the choice and without."""
    from itertools import product

    found = [sums for sums in ([sum(part) for part in zip(*some, strict=True)] for some in product(*rows))
             if sums[0] < below and sums[1] <= first and sums[2] <= second]  # fmt: skip
    named = [[(*o, k) for k, o in enumerate(row)] for row in rows]
    assert possible(named, below, [first, second], Work(10**9)) == bool(found)
    assert possible(named, below, [first, second], Work(10**9), lambda chosen: True) == bool(found)
    assert not possible(named, below, [first, second], Work(10**9), lambda chosen: False)


def test_beyond_its_size_a_bound_is_not_verified_and_never_verified():
    """With no work allowed the verdict is open, whether the claim is true or not."""
    search = Search(Machine.of(stackopt.read(FOLDER / "short-air.toml")), work=10)
    for value in (Fraction(0), Fraction(1)):
        assert search.better(Claim("value", value, value, Fraction(1))).better is None


def test_rates_that_no_pump_reaches_are_not_searched():
    """A free dial that is twenty times as wide as the pumps follow: only its lowest rate is of use."""
    points = [{"name": f"a{n}", "dose": f"{dose} mL/h", "tolerance": 0.1, "pump": "p", "nozzle": "n",
               "air_flow": {"min": "1 L/min", "max": "20 L/min"}}
              for n, dose in enumerate((0.082571, 0.045, 0.166016, 0.743271, 0.448161))]  # fmt: skip
    pump = {"stroke_volume": "0.03 mL", "marks": {"1": 0.2, "2": 0.25, "3": 0.75}, "max_rate": "0.1 /min"}
    problem = stackopt.Problem(
        fluid={"kind": "neat oil"}, generator={"rate": {"min": "0.1 /min", "max": "2 /min"}, "count": 2},
        pumps={"p": pump}, nozzles={"n": {"turns": [1, 2], "flow": ["10 L/min", "25 L/min"]}},
        air={"pressure": "6 bar", "capacity": "125 L/min"}, point=points, solve={"objective": "worst"})  # fmt: skip
    held = stackopt.verify(problem, stackopt.solve(problem).to_dict())
    assert held.exit_code == 0, str(held)


@pytest.mark.parametrize("work", [0, 10, 1000])
@pytest.mark.parametrize("file", FILES)
def test_an_answer_beyond_the_size_of_any_bound_is_not_wrong(monkeypatch, file, work):
    """What the bounds leave open is told, and what needs none is looked at all the same."""
    monkeypatch.setattr(verifying, "Search", lambda machine: Search(machine, work))
    monkeypatch.setattr(verifying, "ALL_WORK", work)
    if work == 0:
        monkeypatch.setattr(conflicting, "BANDS", 0)
    held = stackopt.verify(stackopt.read(FOLDER / file), stored(file))
    assert held.exit_code in ((5,) if work == 0 else (0, 5)) and not wrong(held), str(held)


@pytest.mark.parametrize("keys", [
    {"flow": ["0 L/min", "5 L/min", "30 L/min", "31 L/min"], "measured_at": "4 bar"},
    {"flow": ["0 L/min", "5 L/min", "30 L/min", "31 L/min"], "measured_at": "4 bar", "critical_ratio": 0.3},
    {"conductance": ["0 L/(s bar)", "0.02 L/(s bar)", "0.03 L/(s bar)", "0.2 L/(s bar)"], "critical_ratio": 0.2},
    {"bore": "2 mm", "discharge": 0.8, "screw": {"bore": "4 mm", "open": [0, 0.1, 0.4, 1]},
     "tube": {"length": "3 m", "bore": "4 mm"}}])  # fmt: skip
def test_the_air_is_that_of_the_package(keys):
    """Two computations of one branch, which share no code, agree at choked and at subsonic pressures."""
    nozzle = Nozzle(turns=[0, 0.3, 1, 2], interpolate=True, **keys)
    own, theirs = airflow.branch_of(nozzle, 7.01325), Branch.of(nozzle, 7.01325)
    assert own.turns == theirs.turns
    for pressure in (1.2, 1.7, 3.0, 7.01325):
        flows = [own.flow(k, pressure) for k in range(len(own.turns))]
        assert flows == pytest.approx(theirs.flow(pressure).tolist(), rel=1e-12)


def test_it_shares_no_code_with_what_it_checks():
    """Its modules import the problem, the units and one another only."""
    for file in (Path(stackopt.__file__).parent / "verification").glob("*.py"):
        for node in ast.walk(ast.parse(file.read_text())):
            names = [node.module] if isinstance(node, ast.ImportFrom) else (
                [alias.name for alias in node.names] if isinstance(node, ast.Import) else [])  # fmt: skip
            for name in names:
                if name.split(".")[0] in ("stackopt", "numpy", "scipy"):
                    own = ("stackopt.problem.", "stackopt.errors", "stackopt.verification.")
                    assert name == "stackopt" or name.startswith(own), (file.name, name)
                    assert name != "stackopt.problem.branches"


# From the command line

HOSTILE = {
    "nothing": "", "no JSON": "{", "a number": "3", "a list": "[]", "text": '"a"', "null": "null", "a table": "{}",
    "another format": '{"format": "stackopt.fault/1"}', "NaN": '{"format": NaN}', "infinity": '{"gap": -Infinity}',
    "deep": "[" * 100_000, "deep tables": '{"a":' * 100_000, "digits": "9" * 5000,
    "twice": '{"format": "stackopt.result/1", "format": "stackopt.result/1"}', "a list of formats": '{"format": []}',
}  # fmt: skip


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE)
def test_what_is_no_answer_is_a_fault(run, text):
    """Exit 2 with one list of faults that names RESULT, never a traceback."""
    got = run("verify", str(FOLDER / "saw-blade.json"), "-", "--json", stdin=text)
    assert (got.code, got.json["format"], got.json["file"]) == (2, "stackopt.fault/1", "-")


@pytest.mark.parametrize("value", ["1e999", "-1e999", "1" + "0" * 400, '"\\ud800"', "[[[[]]]]", "1e-400"])
def test_odd_values_in_an_answer_are_wrong(run, value):
    text = json.dumps(stored("saw-blade.json")).replace('"rate_per_min": ', f'"rate_per_min": {value}, "was": ', 1)
    got = run("verify", str(FOLDER / "saw-blade.json"), "-", stdin=text)
    assert got.code == 3 and "wrong" in got.out


def test_verify_from_the_command_line(run):
    """The exit code is that of the verdict, and what was found stands in the text and in the JSON."""
    problem, answer = str(FOLDER / "saw-blade.json"), stored("saw-blade.json")
    got = run("verify", problem, str(FOLDER / "saw-blade.answer.json"))
    assert got.code == 0 and got.out.startswith("The answer holds.\n")
    got = run("verify", problem, "-", "--json", stdin=json.dumps(put(answer, ("points", 0, "error"), 0.5)))
    assert (got.code, got.json["verdict"]) == (3, "wrong")
    assert [c["what"] for c in got.json["checks"] if c["status"] == "wrong"] == ["figures"]
    got = run("verify", problem, str(FOLDER / "drill-head.answer.json"))
    assert got.code == 3 and "the points are not those of the file" in got.out
    assert run("verify", problem, "none.json").code == run("verify", "-", "-").code == 2
    assert run("verify", str(FOLDER / "long-line.toml"), str(FOLDER / "long-line.answer.json")).code == 5
