"""What couples the points besides air: rules, several generators, the worst point; and drift, prices and fluids."""

import oracle
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from strategies import coupled_cases, coupled_settings, raw

import stackopt
from stackopt.judge import Settings, judge
from stackopt.optimise.search import search
from stackopt.stack import Stack

MANY = settings().max_examples
TIE = 1e-9
MODEL = 1e-7  # what a solver's tolerances may cost
FLAVOURS = {
    "rules": {"constraints": True, "generators": False, "robust": False, "worst": False},
    "rules, free dial": {"constraints": True, "free": True, "generators": False, "robust": False, "worst": False},
    "worst": {"constraints": False, "generators": False, "worst": True},
    "worst, free dial": {"constraints": False, "free": True, "generators": False, "worst": True},
    "robust": {"constraints": False, "generators": False, "robust": True, "worst": False},
    "robust, free dial": {"constraints": False, "free": True, "generators": False, "robust": True, "worst": False},
    "generators": {"constraints": False, "generators": True, "worst": False},
    "generators, short": {"constraints": False, "generators": True, "short": True},
    "priced": {"constraints": False, "generators": False, "priced": True},
    "all": {},
}


def stack_of(case):
    return Stack.of(stackopt.Problem(**raw(case)))


def named(stack, dialled):
    """Settings of a stack as rates and choice of the oracle."""
    rates = dict(zip(stack.names, dialled.rates, strict=True))
    return rates, {
        name: (stack.pumps[i][s], stack.marks[i][s], stack.turns[i][t])
        for i, (name, s, t) in enumerate(zip(stack.names, dialled.stroke, dialled.screw, strict=True))
    }


def dialled(stack, rates, choice):
    """Rates and choice of the oracle as settings of a stack."""
    stroke, screw = [], []
    for i, name in enumerate(stack.names):
        pump, mark, turns = choice[name]
        stroke.append(list(zip(stack.pumps[i], stack.marks[i], strict=True)).index((pump, mark)))
        screw.append(stack.turns[i].index(turns))
    return Settings(tuple(rates[name] for name in stack.names), tuple(stroke), tuple(screw))


def tied(case):
    """Whether a tie is decided as written: one generator, no rules, a dial with the oracle's rates."""
    return not case.get("constraints") and case.get("generators", 1) == 1 and case["rate"]["step"] is not None


@pytest.mark.parametrize("flavour", FLAVOURS)
@settings(max_examples=2 * MANY, phases=[Phase.explicit, Phase.generate])  # to make a failing one small takes minutes
@given(st.data())
def test_the_search_is_the_oracle(flavour, data):
    case = data.draw(coupled_cases(**FLAVOURS[flavour]))
    stack, expected = stack_of(case), oracle.best(case)
    outcome = search(stack)
    if expected is None:
        assert outcome.status == "infeasible"
        return
    assert outcome.status == "optimal"
    rates, choice = named(stack, outcome.settings)
    plain, verdict = oracle.judge(case, rates, choice), judge(stack, outcome.settings)
    assert plain["feasible"] and verdict.allowed
    assert verdict.least == pytest.approx(plain["excess"], abs=1e-12)
    assert verdict.value == pytest.approx(plain["value"], rel=1e-12)
    near = TIE if tied(case) else MODEL
    assert plain["excess"] == pytest.approx(expected["excess"], abs=near)
    assert plain["value"] == pytest.approx(expected["value"], abs=near)
    assert outcome.excess_bound <= plain["excess"] + 1e-12 and outcome.value_bound <= plain["value"] + 1e-12
    if tied(case):
        assert (rates, choice) == (expected["rates"], expected["choice"])


@settings(max_examples=5 * MANY)
@given(st.data())
def test_the_judge_is_the_oracle(data):
    case = data.draw(coupled_cases())
    stack = stack_of(case)
    rates, choice = data.draw(coupled_settings(case))
    plain, verdict = oracle.judge(case, rates, choice), judge(stack, dialled(stack, rates, choice))
    assert verdict.least == pytest.approx(plain["excess"], abs=1e-12)
    assert verdict.value == pytest.approx(plain["value"], rel=1e-12)
    assert verdict.air == pytest.approx(plain["air"], rel=1e-12)
    assert [list(stack.rules).index(name) for name in verdict.broken] == plain["broken"]
    assert verdict.allowed == plain["feasible"]
    leave = oracle.may_leave(case, rates, choice)
    assert dict(zip(stack.names, verdict.may_leave.tolist(), strict=True)) == {n: m for n, (_, m) in leave.items()}
