"""Behind a line: the trade-off, next best rates, fewest changes and fewest generators, with every setting tried."""

from dataclasses import replace

import oracle
import oracle_line
import pytest
from hypothesis import Phase, assume, given, settings
from hypothesis import strategies as st
from oracle import SLACK
from strategies import line_cases, raw
from test_coupled import dialled, named

import stackopt
from stackopt.judge import judge
from stackopt.optimise.changes import fewest_changes
from stackopt.optimise.front import trade
from stackopt.optimise.proving import count_changes
from stackopt.optimise.search import search
from stackopt.stack import Stack

MANY = settings().max_examples
ONCE = [Phase.explicit, Phase.generate]
MODEL = 1e-7


def figures(case):
    """Of every setting: excess, value, mean error, air [L/min], {name: rate}, {name: option}."""
    for excess, value, at, choice in oracle_line.everything(case):
        found = oracle_line.judge(case, at, choice)
        weights = {point["name"]: point["weight"] for point in case["points"]}
        error = sum(weights[name] * abs(e) for name, e in found["e"].items()) / sum(weights.values())
        yield excess, value, error, found["air"], at, choice


def unbeaten(pairs):
    """Pairs of error and air that no other one beats, by rising air."""
    left = []
    for air, error in sorted((air, error) for error, air in pairs):
        if not left or error < left[-1][1] - 1e-9:
            left.append((air, error))
    return left


def front_is_the_oracle(case):
    stack = Stack.of(stackopt.Problem(**raw(case)))
    found = trade(stack, None)
    every = list(figures(case))
    assert (found.status == "infeasible") == (not every)
    if not every:
        return
    assert found.status == "optimal" and found.complete
    least = max(min(x for x, *_ in every), found.excess)
    expected = unbeaten([(error, air) for x, _, error, air, *_ in every if x <= least + SLACK])
    got = [judge(stack, plan) for plan in found.plans]
    for verdict in got:
        assert verdict.allowed and verdict.least <= least + MODEL
        assert not any(air < verdict.air - 1e-5 and error < verdict.mean_error - MODEL for air, error in expected)
    for air, error in expected:
        assert any(v.air <= air + 1e-5 and v.mean_error <= error + MODEL for v in got)


@pytest.mark.parametrize("several", [False, True])
@settings(max_examples=MANY // 8, phases=ONCE)
@given(st.data())
def test_the_whole_front_is_the_oracle(several, data):
    front_is_the_oracle(data.draw(line_cases(max_points=2, generators=several, robust=False)))


@settings(max_examples=MANY // 8, phases=ONCE)
@given(line_cases(max_points=2, generators=False, robust=False))
def test_the_next_best_rate_is_the_oracle(case):
    problem = stackopt.Problem(**raw(case))
    result = stackopt.solve(problem)
    assume(result.settings is not None)
    others = result.alternatives(1)
    every = [(x, v) for x, v, at, _ in oracle_line.everything(case)
             if all(abs(rate - result.rate) > 1e-9 * rate for rate in at.values())]  # fmt: skip
    assert bool(others) == bool(every)
    if every:
        excess = min(x for x, _ in every)
        verdict = others[0].verdict
        assert verdict.allowed and others[0].rate != result.rate
        assert verdict.least == pytest.approx(excess, abs=MODEL)
        limit = max(excess, verdict.least) + SLACK
        assert verdict.value == pytest.approx(min(v for x, v in every if x <= limit), abs=MODEL)


@pytest.mark.parametrize("several", [False, True])
@settings(max_examples=MANY // 8, phases=ONCE)
@given(st.data())
def test_the_fewest_changes_are_the_oracle(several, data):
    case = data.draw(line_cases(max_points=2, generators=several, robust=False))
    stack = Stack.of(stackopt.Problem(**raw(case)))
    outcome = search(stack)
    assume(outcome.settings is not None)
    today = next(iter(oracle_line.everything(case)))  # any setting that may be
    now = dialled(stack, today[2], today[3])
    stack = replace(stack, now_rate=now.rate, now=tuple(zip(now.stroke, now.screw, strict=True)))
    kept = fewest_changes(stack, outcome.settings)
    best = judge(stack, outcome.settings)
    limit = best.value + max(0.01 * best.value, 0.001)
    counts = [count_changes(stack, dialled(stack, at, choice)) for x, v, at, choice in oracle_line.everything(case)
              if x <= best.least + SLACK and v <= limit - MODEL]  # fmt: skip
    assert kept.proved and kept.changes <= min(counts)
    verdict = judge(stack, kept.settings)
    assert verdict.allowed and verdict.least <= best.least + MODEL and verdict.value <= limit + MODEL
    assert count_changes(stack, kept.settings) == kept.changes


def split_is_the_oracle(case):
    found = stackopt.split(stackopt.Problem(**raw(case)))
    never = [point["name"] for point in oracle.in_order(case)
             if not any(x == 0 for x, *_ in oracle_line.everything({**case, "points": [point]}))]  # fmt: skip
    assert sorted(found.never) == never
    left = {**case, "points": [p for p in case["points"] if p["name"] not in never], "generators": len(case["points"])}
    if not left["points"]:
        can_run = any(any(oracle_line.everything({**case, "points": [point]})) for point in case["points"])
        assert found.can_run == can_run and found.exit_code == (3 if can_run else 4)
        return
    served = [at for x, _, at, _ in oracle_line.everything(left) if x == 0]
    if not served:
        assert found.count is None and found.exit_code == 3
        return
    count = min(len(set(at.values())) for at in served)
    lowest = min(tuple(sorted(set(at.values()))) for at in served if len(set(at.values())) == count)
    assert found.proved and found.count == count
    assert found.settings.generators == pytest.approx(lowest)
    errors = [error for x, _, error, _, at, _ in figures(left) if x == 0 and set(at.values()) == set(lowest)]
    assert judge(found.stack, found.settings).mean_error == pytest.approx(min(errors), abs=MODEL)
    rates, choice = named(found.stack, found.settings)
    judged = oracle_line.judge(left, rates, choice)
    assert judged["feasible"] and judged["excess"] == 0


@settings(max_examples=MANY // 8, phases=ONCE)
@given(line_cases(max_points=2, generators=False, robust=False, constraints=False, worst=False))
def test_the_fewest_generators_are_the_oracle(case):
    split_is_the_oracle(case)


def machine(points, rate, flows, **changed):
    """A machine whose nozzles "1", "2" have settings of some flows [L/min], with a line before its stack."""
    return {
        "rate": dict(zip(("min", "max", "step"), rate, strict=True)), "stroke_air": 0.0, "air_weight": 0.1,
        "pumps": {"a": {"stroke_volume": 0.02, "marks": {"1": 0.5, "2": 1.0}, "stroke_air": None, "max_rate": None}},
        "nozzles": {name: {"turns": [k + 1.0 for k in range(len(row))], "flow": row, "critical_ratio": None}
                    for name, row in zip("12", flows, strict=True)},
        "capacity": 70.0, "line": {"conductance": 1.7, "critical_ratio": 0.5},
        "points": [{"below": 0.05, "above": 0.05, "pump": ["a"], "count": 1, "air_flow": (None, None),
                    "air_per_dose": (None, None), "weight": 1.0, "cut": None, **point} for point in points],
        **changed,
    }  # fmt: skip


@pytest.mark.parametrize("flows", [([5.0, 10.0, 30.0], [20.0, 40.0]), ([20.0, 40.0], [5.0, 10.0, 30.0])])
@pytest.mark.parametrize("dose", [24.0, 33.0, 300.0])
def test_nozzles_of_a_split_may_have_different_numbers_of_turns(flows, dose):
    split_is_the_oracle(machine([{"name": "x", "dose": 12.0, "nozzle": "1", "air_flow": (8.0, None)},
                                 {"name": "y", "dose": dose, "nozzle": "2", "air_flow": (20.0, None)}],
                                (10.0, 60.0, 5.0), flows))  # fmt: skip


def split_of(dose, step=None, **solve):
    """A split of x, 12 mL/h, and y; a stroke is 0.01 or 0.02 mL, the dial 10 to 60/min: 6 to 72 mL/h."""
    points = [{"name": name, "dose": own, "nozzle": "1", "air_flow": (10.0, None)}
              for name, own in (("x", 12.0), ("y", dose))]  # fmt: skip
    file = raw(machine(points, (10.0, 60.0, step), ([20.0, 40.0, 50.0], [1.0])))
    return stackopt.split(stackopt.Problem(**{**file, "solve": {**file["solve"], **solve}}))


def test_on_a_free_dial_a_split_that_is_not_found_is_said_not_to_be_proved():
    found = split_of(300.0)
    assert (found.count, found.settings, found.never, found.proved, found.exit_code) == (None, None, (), False, 5)
    assert "not proved" in " ".join(str(found).split())


def test_on_a_free_dial_more_generators_are_looked_at_where_one_is_not_found():
    """y's dose, 31.35 to 34.65 mL/h, asks for 26.1 to 28.9/min at 0.02 mL; x, at most 12.6 mL/h, for 21/min at most."""
    found = split_of(33.0)
    assert (found.count, found.proved, found.exit_code) == (2, False, 5)
    assert found.verdict.allowed and found.verdict.in_tolerance


def test_a_time_limit_leaves_a_split_unproved():
    found = split_of(33.0, 1.0, time_limit="1e-9 s")
    assert (found.count, found.proved, found.exit_code) == (None, False, 5)


@pytest.mark.parametrize("count", [1, 2, 5])
def test_there_may_be_more_generators_than_rates(count):
    """One rate, one mark: x gets 30 mL/h for 13.5, and no nozzle gives it as little air and as much for its oil."""
    case = machine([{"name": "x", "dose": 13.5, "nozzle": "1", "below": 0.0, "above": 5.0, "air_flow": (None, 0.1),
                     "air_per_dose": (0.4, None)},
                    {"name": "y", "dose": 7.5, "nozzle": "2", "below": 0.3, "above": 5.0, "air_flow": (4.0, None)}],
                   (5.0, 5.0, 1.0), ([0.1, 20.0], [5.0, 15.0]), capacity=38.0, generators=count,
                   line={"conductance": 0.9, "critical_ratio": 0.5})  # fmt: skip
    case["pumps"]["a"] |= {"stroke_volume": 0.1, "marks": {"1": 1.0}}
    front_is_the_oracle(case)
