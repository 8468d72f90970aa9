"""The search itself: which argument closes how many rates, what it has when it is stopped, what it will not take."""

from collections import Counter
from dataclasses import replace
from random import Random

import oracle
import pytest
from hypothesis import Phase, assume, example, given, settings
from strategies import cases, raw
from test_judge import MACHINE, POINT

import stackopt
from stackopt.judge import judge
from stackopt.optimise import merge as merging
from stackopt.optimise import mip, proving
from stackopt.optimise import search as searching
from stackopt.optimise.outcome import Stopped
from stackopt.stack import Stack

MANY = settings().max_examples
DRAW = {"phases": [Phase.explicit, Phase.generate]}
TIE = 1e-9


def stack_of(case):
    return Stack.of(stackopt.Problem(**raw(case)))


def head(seed):
    """Eighteen points with one mark and three screw settings, short of air."""
    rng = Random(seed)
    points = [{**POINT, "name": f"p{n:02}", "dose": rng.uniform(50.0, 70.0), "below": 0.08, "above": 0.08,
               "air_flow": (rng.choice((15.0, 25.0, 35.0)), None), "weight": rng.choice((1.0, 2.0, 3.0))}
              for n in range(18)]  # fmt: skip
    return {**MACHINE, "rate": {"min": 9.0, "max": 11.0, "step": 1.0}, "stroke_air": 0.0, "points": points,
            "nozzles": {"small": {"turns": [1.0, 2.0, 3.0], "flow": [18.0 + seed, 27.0, 40.0]}},
            "capacity": 420.0 + 10 * seed}  # fmt: skip


def shop(points, step, air, tolerance):
    """So many points of five marks and four screw settings, with so much air each; doses differ by four times."""
    rng = Random(1)
    points = [{**POINT, "name": f"p{n:02}", "dose": rng.uniform(20.0, 90.0), "below": tolerance, "above": tolerance,
               "air_flow": (None, None), "weight": rng.choice((1.0, 2.0, 3.0)),
               "air_per_dose": (rng.choice((15.0, 20.0, 30.0)), rng.choice((60.0, 80.0)))}
              for n in range(points)]  # fmt: skip
    pump = {**MACHINE["pumps"]["standard"], "marks": {"1": 0.2, "2": 0.35, "3": 0.6, "4": 0.8, "5": 1.0}}
    return {**MACHINE, "rate": {"min": 4.0, "max": 40.0, "step": step}, "stroke_air": 0.3, "points": points,
            "nozzles": {"small": {"turns": [0.5, 1.0, 1.5, 2.0], "flow": [10.0, 17.0, 25.0, 40.0]}},
            "pumps": {"standard": pump}, "capacity": air * len(points)}  # fmt: skip


def least_air_fits(case, rate):
    """Whether every point has an option at a rate and those of least air fit the capacity."""
    if not oracle.rate_allowed(case, rate):
        return False
    air = 0.0
    for point in case["points"]:
        parts = [oracle.part(case, point, rate, option) for option in oracle.options(case, point)
                 if oracle.pump_keeps_up(case, option[0], rate)]  # fmt: skip
        if not parts:
            return False
        air += min(part["air"] for part in parts)
    return oracle.air_allowed(case, air)


@pytest.mark.parametrize("labels", [merging.LABELS, 0], ids=["merged", "modelled"])
@settings(max_examples=MANY // 2)
@given(cases(free=False, short=True))
def test_every_rate_that_may_be_is_closed_by_one_argument(labels, case):
    """At least: where the model decides, it is asked for the value of the best rates too."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(merging, "LABELS", labels)
        closed = searching.search(stack_of(case)).closed
    asked = closed.get("the mixed-integer model (to its solver's tolerance)", 0)
    rates = sum(least_air_fits(case, rate) for rate in oracle.rates(case))
    assert sum(closed.values()) - asked <= rates <= sum(closed.values()) and (labels == 0 or asked == 0)


@pytest.mark.parametrize(("machine", "most"), [
    ((3, 1.0, 18.0, 0.05), (19, 7, 0, 0, 2, 1)),
    ((3, 1.0, 22.0, 0.4), (27, 27, 0, 0, 0, 0)),
    ((8, 1.0, 18.0, 0.4), (23, 7, 0, 0, 3, 3)),
    ((20, 1.0, 18.0, 0.15), (26, 11, 0, 0, 7, 271)),
    ((20, 1.0, 22.0, 0.4), (19, 6, 0, 0, 4, 4)),
    ((20, 1.0, 26.0, 0.15), (18, 7, 0, 0, 6, 6)),
    ((20, 1.0, 32.0, 0.05), (1, 1, 0, 0, 0, 0)),
    ((3, None, 18.0, 0.05), (168, 9, 51, 6, 3, 2)),
    ((8, None, 18.0, 0.15), (352, 86, 111, 2, 3, 15)),
    ((8, None, 22.0, 0.15), (529, 73, 128, 52, 43, 163)),
    ((20, None, 22.0, 0.05), (743, 84, 229, 14, 25, 475)),
    ((20, None, 18.0, 0.4), (671, 47, 214, 5, 6, 6)),
    ((20, None, 26.0, 0.4), (531, 172, 174, 4, 6, 31)),
])  # fmt: skip
def test_a_search_looks_at_no_more_than_it_did(machine, most, monkeypatch):
    """What it once took: a bound that is looser or a cell that is closed late costs work, and no answer shows it.

    Counted are the rates whose options are looked at and those that are priced, the intervals priced and searched,
    the merges and the sums they kept; some more may come of the last digit of another processor.
    """
    done = Counter()

    def counted(name, size):
        real = getattr(searching, name)

        def call(*args, **kwargs):
            found = real(*args, **kwargs)
            done[name] += size(found, *args)
            return found

        monkeypatch.setattr(searching, name, call)

    def kept(merged, *_):
        done["sums"] += 0 if merged is None else sum(map(len, merged.levels))
        return 1

    counted("options", lambda _, stack, at, *within: len(at))
    counted("price", lambda _, cost, air: len(cost))
    counted("price_between", lambda *_: 1)
    counted("meeting", lambda *_: 1)
    counted("merge", kept)
    assert searching.search(stack_of(shop(*machine))).status == "optimal"
    names = ("options", "price", "price_between", "meeting", "merge", "sums")
    assert all(done[name] <= 1.05 * once for name, once in zip(names, most, strict=True)), done


@pytest.mark.parametrize("why", ["time limit", "interrupted", "unproved"])
def test_a_model_without_a_proof_stops_the_search_with_its_reason(why, monkeypatch):
    """Eighteen points whose sums are too many: what was found before is there, and a bound that holds."""
    stack, best = stack_of(head(0)), searching.search(stack_of(head(0)))

    def none(*_, **__):
        raise mip.NoProof(why)

    monkeypatch.setattr(merging, "LABELS", 0)
    monkeypatch.setattr(mip.Rows, "minimise", none)
    outcome = searching.search(stack)
    assert outcome.status == why and judge(stack, outcome.settings).allowed
    assert outcome.excess_bound <= best.excess_bound <= judge(stack, outcome.settings).least + TIE


def test_preferring_by_a_model_without_a_proof_stops_the_search_with_its_reason(monkeypatch):
    def none(*_):
        raise mip.NoProof("time limit")

    monkeypatch.setattr(merging, "LABELS", 0)
    monkeypatch.setattr(proving, "preferred", none)
    outcome = searching.search(stack_of(head(0)))
    assert outcome.status == "time limit" and judge(stack_of(head(0)), outcome.settings).allowed


def stopped(case):
    """What a search has that is stopped at its first look at the clock, at its second, and so on to its end."""
    for looks in range(200):
        left = iter(range(looks))

        def tick(hunt, left=left):
            if next(left, None) is None:
                raise Stopped("interrupted")

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(searching._Hunt, "_tick", tick)
            outcome = searching.search(stack_of(case))
        if outcome.status != "interrupted":
            return
        yield outcome
    pytest.fail("it does not end")


@settings(max_examples=MANY, **DRAW)
@given(cases(short=True, max_points=2))
def test_wherever_it_is_stopped_its_settings_are_allowed_and_its_bounds_hold(case):
    best = oracle.best(case)
    for outcome in stopped(case):
        if best is None:
            assert outcome.settings is None
            continue
        if outcome.excess_bound is not None:
            assert outcome.excess_bound <= best["excess"] + TIE
        if outcome.value_bound is not None:
            assert outcome.value_bound <= best["value"] + TIE
            assert outcome.excess_bound == pytest.approx(best["excess"], abs=TIE)
        if outcome.settings is not None:
            verdict = judge(stack_of(case), outcome.settings)
            assert verdict.allowed and verdict.least >= max(best["excess"], outcome.excess_bound) - TIE


def test_of_what_it_has_when_it_is_stopped_the_settings_of_less_excess_are_given():
    """At 10/min 20 L/min are in the window and 40 beside it; the other point's air leaves room for both."""
    points = [{**POINT, "air_flow": (15.0, 30.0)}, {**POINT, "name": "b", "air_flow": (35.0, None)}]
    case = {**MACHINE, "rate": {"min": 10.0, "max": 10.0, "step": 1.0}, "points": points}
    *_, last = stopped(case)
    assert last.settings.screw == (0, 1)
    assert judge(stack_of(case), last.settings).least == last.excess_bound == 0.0


def test_of_settings_of_equal_excess_those_of_less_value_are_given():
    """Both marks are in tolerance at 10/min; the smaller one, second in the order of preference, gives the dose."""
    pump = {**MACHINE["pumps"]["standard"], "marks": {"1": 0.95, "2": 1.0}}
    case = {**MACHINE, "rate": {"min": 10.0, "max": 10.0, "step": 1.0}, "pumps": {"standard": pump},
            "points": [{**POINT, "dose": 57.0}]}  # fmt: skip
    *_, last = stopped(case)
    assert last.settings.stroke == (1,)


def test_the_best_rate_inside_an_interval_is_where_the_air_is_used_up():
    """One point at 20 + r L/min of 29.5: 9.5/min gives 0.95 of 1 mL/min. Rates compared: 5, 9, 10, 11, 20."""
    outcome = searching.search(stack_of({**MACHINE, "capacity": 29.5}))
    assert outcome.settings.rate == pytest.approx(9.5, rel=1e-8)
    assert outcome.excess_bound == 0.0
    assert outcome.value_bound == pytest.approx(0.05 + 0.1, rel=1e-7)


@pytest.mark.parametrize("highest", [9.6, 15.0])
def test_inside_an_interval_a_pump_keeps_its_highest_rate(highest):
    pump = {**MACHINE["pumps"]["standard"], "max_rate": highest}
    outcome = searching.search(stack_of({**MACHINE, "capacity": 29.5, "pumps": {"standard": pump}}))
    assert outcome.settings.rate == pytest.approx(9.5, rel=1e-8)


def test_an_interval_is_looked_at_though_lower_rates_are_too_slow_for_a_cut():
    """As above, with a cut that wants 8/min: 5/min, the lowest rate compared, is none that may be."""
    outcome = searching.search(stack_of({**MACHINE, "capacity": 29.5, "points": [{**POINT, "cut": (1.0, 8)}]}))
    assert outcome.settings.rate == pytest.approx(9.5, rel=1e-8)


def test_inside_an_interval_too_the_least_excess_comes_first():
    """At 28.5 L/min 8.5/min is the most: 0.85 mL/min, 0.05 below the tolerance."""
    outcome = searching.search(stack_of({**MACHINE, "capacity": 28.5}))
    assert outcome.settings.rate == pytest.approx(8.5, rel=1e-8)
    assert outcome.excess_bound == pytest.approx(0.05, rel=1e-7)
    assert outcome.value_bound == pytest.approx(0.15 + 0.1, rel=1e-7)


@pytest.mark.parametrize("capacity,avoid,rate", [
    (100.0, (), 10.0), (100.0, ((10.0,),), 9.99999), (100.0, ((10.0,), (9.99999,)), 10.00001),
    (29.5, ((9.5,),), 9.4999905), (29.5, ((9.0,),), 9.5),
])  # fmt: skip
def test_rates_that_are_avoided_are_not_taken(capacity, avoid, rate):
    """10/min gives the dose, of which a millionth less takes less air; of 29.5 L/min all is used up at 9.5/min."""
    outcome = searching.search(stack_of({**MACHINE, "capacity": capacity}), avoid, 1e-6)
    assert outcome.settings.rate == pytest.approx(rate, rel=1e-8)


@pytest.mark.parametrize("apart,rate", [(0.05, 9.0), (0.1, 8.0), (0.15, 8.0), (0.25, 7.0)])
def test_how_far_from_avoided_rates_is_a_share_of_them(apart, rate):
    stepped = {"min": 5.0, "max": 20.0, "step": 1.0}
    assert searching.search(stack_of({**MACHINE, "rate": stepped}), ((10.0,),), apart).settings.rate == rate


@pytest.mark.parametrize("labels", [merging.LABELS, 0], ids=["merged", "modelled"])
@pytest.mark.parametrize("seed", range(4))
def test_heads_of_many_points_are_those_of_the_model(seed, labels, monkeypatch):
    """Short of air: merged quickly first, then wholly; or decided by the model at each rate."""
    monkeypatch.setattr(merging, "LABELS", labels)
    stack = stack_of(head(seed))
    outcome, model = searching.search(stack), proving.one_shot(stack)
    verdict = judge(stack, outcome.settings)
    assert outcome.status == "optimal" and verdict.allowed
    assert verdict.least == pytest.approx(model[0].excess, abs=1e-8) and verdict.least > 0
    assert verdict.value == pytest.approx(model[1].value, abs=1e-7)
    how = "merging the points" if labels else "the mixed-integer model (to its solver's tolerance)"
    assert outcome.closed[how] == (1 if labels else 2)  # the model is asked for the excess of a rate and for its value


@pytest.mark.parametrize("price_weight", [0.0, 2.0])
@pytest.mark.parametrize("seed", range(4))
def test_heads_in_tolerance_share_the_air_by_what_it_is_worth(seed, price_weight):
    """A pump that gives the dose takes 20 L/min of drive air, one that strays 5: eighteen points, and air for some.

    Both pumps have one price: with a weight on it, all values are greater by that.
    """
    rng = Random(seed)
    points = [{**POINT, "name": f"p{n:02}", "dose": rng.uniform(54.0, 66.0), "below": 0.3, "above": 0.3,
               "pump": ["right", "thrifty"], "air_flow": (15.0, None), "weight": rng.uniform(1.0, 3.0)}
              for n in range(18)]  # fmt: skip
    pumps = {name: {**MACHINE["pumps"]["standard"], "stroke_volume": volume, "stroke_air": air}
             for name, volume, air in (("right", 0.1, 2.0), ("thrifty", 0.085, 0.5))}  # fmt: skip
    stack = stack_of({**MACHINE, "rate": {"min": 10.0, "max": 10.0, "step": 1.0}, "points": points, "pumps": pumps,
                      "nozzles": {"small": {"turns": [1.0], "flow": [20.0]}}, "air_weight": 0.01,
                      "price_weight": price_weight,
                      "capacity": 18 * 25.0 + 7.4 * 15.0})  # fmt: skip
    outcome, model = searching.search(stack), proving.one_shot(stack)
    verdict = judge(stack, outcome.settings)
    assert (outcome.status, verdict.allowed, verdict.least) == ("optimal", True, 0.0)
    assert verdict.value == pytest.approx(model[1].value, abs=1e-7)


def test_what_the_judge_does_not_confirm_is_no_answer(monkeypatch):
    for worse in ({"allowed": False}, {"least": 1.0}, {"value": 9.0}):
        def changed(stack, found, worse=worse):
            return replace(judge(stack, found), **worse)

        monkeypatch.setattr(searching, "judge", changed)
        with pytest.raises(stackopt.SolverError, match="does not confirm"):
            searching.search(stack_of(MACHINE))


@settings(max_examples=MANY // 2, **DRAW)
@given(cases(short=True, max_points=2))
@example({**MACHINE, "capacity": 29.5})
@example({**MACHINE, "capacity": 28.5})
def test_where_the_model_decides_its_bounds_and_settings_are_those_of_merging(case):
    merged = searching.search(stack_of(case))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(merging, "LABELS", 0)
        modelled = searching.search(stack_of(case))
    assert modelled.status == merged.status
    if merged.settings is not None:
        assert modelled.excess_bound == pytest.approx(merged.excess_bound, abs=1e-7)
        assert modelled.value_bound == pytest.approx(merged.value_bound, abs=1e-5)


def beside(dial, rate, share):
    """The two parts of a dial that lie apart from a rate."""
    parts = ((dial["min"], rate * (1 - share) * (1 - 1e-12)), (rate * (1 + share) * (1 + 1e-12), dial["max"]))
    return [{**dial, "min": low, "max": high} for low, high in parts if low < high]


@settings(max_examples=MANY // 2, **DRAW)
@given(cases(free=True, max_points=2))
def test_the_next_best_of_a_free_dial_is_the_best_of_the_dials_beside_the_best_rate(case):
    stack = stack_of(case)
    best = searching.search(stack)
    assume(best.settings is not None)
    found = searching.search(stack, (best.settings.generators,), 0.01)
    dials = beside(case["rate"], best.settings.rate, 0.01)
    parts = [searching.search(stack_of({**case, "rate": dial})) for dial in dials]
    expected = min(((part.excess_bound, part.value_bound) for part in parts if part.settings is not None), default=None)
    if expected is None:
        assert found.settings is None
    else:
        assert (found.excess_bound, found.value_bound) == pytest.approx(expected, abs=1e-8)


def test_next_to_a_rate_a_free_dial_is_as_good_as_it_is_there():
    """Ample air and one mark: 1 % off the dose at 9.9 and 10.1/min, whose air is the less at 9.9."""
    result = stackopt.solve(stackopt.Problem(**raw({**MACHINE, "air_weight": 0.0})))
    assert [other.rate for other in result.alternatives(2)] == pytest.approx([9.9, 10.1], rel=1e-9)
    assert [other.objective.value for other in result.alternatives(2)] == pytest.approx([0.01, 0.01], rel=1e-6)
