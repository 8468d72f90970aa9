"""Behind a line: the trade-off, next best rates, fewest changes and fewest generators, with every setting tried."""

from dataclasses import replace

import oracle
import oracle_line
import pytest
from hypothesis import Phase, assume, given, settings
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
ALONE = {"generators": False, "robust": False}


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


@settings(max_examples=MANY // 8, phases=ONCE)
@given(line_cases(max_points=2, **ALONE))
def test_the_whole_front_is_the_oracle(case):
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


@settings(max_examples=MANY // 8, phases=ONCE)
@given(line_cases(max_points=2, **ALONE))
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


@settings(max_examples=MANY // 8, phases=ONCE)
@given(line_cases(max_points=2, **ALONE))
def test_the_fewest_changes_are_the_oracle(case):
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


@settings(max_examples=MANY // 8, phases=ONCE)
@given(line_cases(max_points=2, generators=False, robust=False, constraints=False, worst=False))
def test_the_fewest_generators_are_the_oracle(case):
    found = stackopt.split(stackopt.Problem(**raw(case)))
    never = [point["name"] for point in oracle.in_order(case)
             if not any(x == 0 for x, *_ in oracle_line.everything({**case, "points": [point]}))]  # fmt: skip
    assert sorted(found.never) == never
    left = {**case, "points": [p for p in case["points"] if p["name"] not in never], "generators": len(case["points"])}
    if not left["points"]:
        return
    served = [at for x, _, at, _ in oracle_line.everything(left) if x == 0]
    if not served:
        assert found.count is None and found.exit_code == 3
        return
    count = min(len(set(at.values())) for at in served)
    lowest = min(tuple(sorted(set(at.values()))) for at in served if len(set(at.values())) == count)
    assert found.proved and found.count == count
    assert found.settings.generators == pytest.approx(lowest)
    rates, choice = named(found.stack, found.settings)
    judged = oracle_line.judge(left, rates, choice)
    assert judged["feasible"] and judged["excess"] == 0
