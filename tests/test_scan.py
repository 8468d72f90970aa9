"""The rates that are looked at on a free dial, by machines whose best rate is worked out by hand."""

import numpy as np
import pytest
from strategies import raw
from test_judge import MACHINE, POINT

import stackopt
from stackopt.optimise.scan import misses, options, rates, scan
from stackopt.stack import Stack


@pytest.mark.parametrize("dose,point", [
    # The nozzle gives 20 L/min, a stroke 0.1 mL. Least 30 L/min, most 10 L/mL: 20 is 10 too few, and from 1 mL/min on,
    # above the dose asked for, too many by no more than that.
    (54.0, {"air_flow": (30.0, None), "air_per_dose": (None, 10.0)}),
    # Least 30 L/mL, most 10 L/min: 20 is 10 too many, and up to 1 mL/min, below it, too few by no more than that.
    (66.0, {"air_flow": (None, 10.0), "air_per_dose": (30.0, None)}),
])  # fmt: skip
def test_where_no_air_fits_the_best_rate_is_where_too_little_is_as_bad_as_too_much(dose, point):
    flat = {"small": {"turns": [1.0], "flow": [20.0]}}
    points = [{**POINT, "dose": dose, "below": 0.5, "above": 0.5, **point}]
    result = stackopt.solve(stackopt.Problem(**raw({**MACHINE, "stroke_air": 0.0, "nozzles": flat, "points": points})))
    assert result.rate == pytest.approx(10.0, rel=1e-12)
    assert result.objective.excess == pytest.approx(10 / (30 if dose == 54.0 else 33), rel=1e-12)


def test_rates_that_take_too_much_air_leave_no_other_out():
    """9.5 to 10.5/min give the dose, but take 29.5 L/min and more, of 29; 8/min takes 28, 0.1 under the tolerance."""
    stack = Stack.of(stackopt.Problem(**raw({**MACHINE, "capacity": 29.0})))
    at = np.r_[8.0, np.linspace(9.5, 10.5, 20)]
    seen = scan(stack, at)
    assert seen.excess == pytest.approx(np.r_[0.1, np.zeros(20)], abs=1e-12)
    assert seen.air * 29.0 == pytest.approx(20.0 + at, rel=1e-12)
    assert seen.allowed.tolist() == [True] + [False] * 20


def test_the_air_of_a_robust_scan_is_that_of_the_settings_of_least_excess():
    """0.8 to 1.2 mL/min are 0.1 out of tolerance at both ends; 20 L/min suit both, 40 are 10 too many."""
    pump = {**MACHINE["pumps"]["standard"], "spread": {"1": 0.2}}
    point = {**POINT, "air_flow": (10.0, 30.0)}
    case = {**MACHINE, "pumps": {"standard": pump}, "points": [point], "robust": True}
    seen = scan(Stack.of(stackopt.Problem(**raw(case))), np.array([10.0]))
    assert seen.excess == pytest.approx([0.1], rel=1e-12)
    assert (seen.air * 100.0, seen.least_air * 100.0) == (pytest.approx([30.0]), pytest.approx([30.0]))


SPREAD = {**MACHINE["pumps"]["standard"], "spread": {"1": 0.2}}


def test_robust_both_ends_of_what_a_dose_may_be_count():
    """At 8/min 0.64 to 0.96 mL/min, at 12/min 0.96 to 1.44: of 0.9 to 1.1 that is 0.26 short and 0.34 over."""
    case = {**MACHINE, "stroke_air": 0.0, "pumps": {"standard": SPREAD}, "robust": True}
    seen = scan(Stack.of(stackopt.Problem(**raw(case))), np.array([8.0, 12.0]))
    assert seen.excess == pytest.approx([0.26, 0.34], rel=1e-12)


def test_robust_rates_are_compared_where_either_end_meets_the_tolerance():
    """0.9 and 1.1 mL/min by 0.08 or 0.12 mL a stroke, and 1 mL/min by 0.1."""
    case = {**MACHINE, "stroke_air": 0.0, "pumps": {"standard": SPREAD}, "robust": True}
    found = rates(Stack.of(stackopt.Problem(**raw(case))))
    for rate in (0.9 / 0.12, 0.9 / 0.08, 1.1 / 0.12, 1.1 / 0.08, 1 / 0.1):
        assert np.isclose(found, rate, rtol=1e-12).any(), rate


@pytest.mark.parametrize("objective,excess,each", [("mean", 0.075, [0.075, 0.0]), ("worst", 0.1, [0.1, 0.0])])
def test_the_worst_point_counts_without_its_weight(objective, excess, each):
    """At 8/min the first point is 0.1 short, of weight 3; the second, of weight 1, has its 0.8 mL/min."""
    points = [{**POINT, "weight": 3.0}, {**POINT, "name": "b", "dose": 48.0}]
    stack = Stack.of(stackopt.Problem(**raw({**MACHINE, "points": points, "objective": objective})))
    seen = scan(stack, np.array([8.0, 8.0, 8.0]))
    assert seen.excess == pytest.approx([excess] * 3, rel=1e-12)
    assert options(stack, np.array([8.0])).excess.min(axis=2)[0] == pytest.approx(each, rel=1e-12)


def test_robust_the_miss_of_a_dose_is_the_larger_of_both_ends():
    """As above: 0.26 short at 8/min, where the higher end is right; 0.34 over at 12/min, where the lower one is."""
    stack = Stack.of(stackopt.Problem(**raw({**MACHINE, "pumps": {"standard": SPREAD}, "robust": True})))
    assert misses(stack, np.array([8.0, 12.0]))[0].ravel() == pytest.approx([0.26, 0.34], rel=1e-12)


@pytest.mark.parametrize("marks", [{"1": 0.05, "2": 0.8}, {"2": 0.8, "3": 1.0}])
def test_robust_a_mark_that_strays_is_looked_at_beside_one_that_does_not(marks):
    """Mark 2 gives 0.08 mL a stroke and strays by 0.1; below 0.98 and above 1.06 are equally far from it at 1.02."""
    pump = {**MACHINE["pumps"]["standard"], "marks": marks, "spread": {"2": 0.1}}
    case = {**MACHINE, "stroke_air": 0.0, "pumps": {"standard": pump}, "robust": True,
            "points": [{**POINT, "below": 0.02, "above": 0.06}]}  # fmt: skip
    assert np.isclose(rates(Stack.of(stackopt.Problem(**raw(case)))), 12.75, rtol=1e-12).any()


def test_the_best_rate_is_where_the_most_air_by_dose_meets_the_most_air_at_all():
    """Of 50 L/min, 30 a mL suit: until 40 at 4/3 mL/min a share of 1.5 a mL less is too much, the dose 1 a mL over."""
    flat = {"small": {"turns": [1.0], "flow": [50.0]}}
    points = [{**POINT, "air_flow": (20.0, 40.0), "air_per_dose": (None, 30.0)}]
    result = stackopt.solve(stackopt.Problem(**raw({**MACHINE, "stroke_air": 0.0, "nozzles": flat, "points": points})))
    assert result.rate == pytest.approx(40 / 3, rel=1e-12)
    assert result.objective.excess == pytest.approx(10 / 20 + 4 / 3 - 1.1, rel=1e-12)


@pytest.mark.parametrize("flow,excess", [((10.0, 19.0, 30.0, 40.0), 1 / 20), ((10.0, 17.0, 27.0, 40.0), 2 / 20)])
def test_of_many_screw_settings_the_one_beside_the_window_is_taken(flow, excess):
    """Of 20 to 25 L/min, 19 is 1 too few and 30 is 5 too many; 17 is 3 too few and 27 is 2 too many."""
    nozzle = {"small": {"turns": [0.5, 1.0, 1.5, 2.0], "flow": list(flow)}}
    stack = Stack.of(stackopt.Problem(**raw({**MACHINE, "nozzles": nozzle,
                                             "points": [{**POINT, "air_flow": (20.0, 25.0)}]})))  # fmt: skip
    assert scan(stack, np.array([10.0])).excess == pytest.approx([excess], rel=1e-12)


def test_a_screw_setting_with_little_air_is_one():
    """0.9 L/min, in the window of 0.5 to 1."""
    nozzle = {"small": {"turns": [1.0, 2.0], "flow": [0.9, 40.0]}}
    case = {**MACHINE, "nozzles": nozzle, "points": [{**POINT, "air_flow": (0.5, 1.0)}]}
    found = options(Stack.of(stackopt.Problem(**raw(case))), np.array([10.0]))
    assert found.excess.ravel() == pytest.approx([0.0, 39.0 / 0.5], rel=1e-12)


def test_rates_that_are_avoided_leave_no_other_out():
    """9.5 to 10.5/min give the dose and are avoided; 8/min is 0.1 under the tolerance."""
    at = np.r_[8.0, np.linspace(9.5, 10.5, 20)]
    seen = scan(Stack.of(stackopt.Problem(**raw(MACHINE))), at, at > 9.0)
    assert seen.excess == pytest.approx(np.r_[0.1, np.zeros(20)], abs=1e-12)
    assert seen.air * 100.0 == pytest.approx(20.0 + at, rel=1e-12)
