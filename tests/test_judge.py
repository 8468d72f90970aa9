"""The judge, held to figures worked by hand: what is on the dial, in the air, and on which side a window is missed."""

import pytest
from strategies import raw

import stackopt
from stackopt.judge import Settings, judge
from stackopt.stack import Stack

# One pump of 0.1 mL and one nozzle of 20 or 40 L/min: at 10/min 1 mL/min is asked for, and 10 L/min of drive air.
POINT = {"name": "a", "dose": 60.0, "below": 0.1, "above": 0.1, "pump": ["standard"], "count": 1, "nozzle": "small",
         "air_flow": (20.0, 50.0), "air_per_dose": (None, None), "weight": 1.0, "cut": None}  # fmt: skip
MACHINE = {
    "rate": {"min": 5.0, "max": 20.0, "step": None},
    "stroke_air": 1.0,
    "pumps": {"standard": {"stroke_volume": 0.1, "marks": {"1": 1.0}, "stroke_air": None, "max_rate": None}},
    "nozzles": {"small": {"turns": [1.0, 2.0], "flow": [20.0, 40.0]}},
    "air_weight": 0.1,
    "capacity": 100.0,
    "points": [POINT],
}


def judged(at, point=None, **changes):
    """The verdict on the one point at a rate and 20 L/min, with changes of point and machine."""
    case = {**MACHINE, **changes, "points": [{**POINT, **(point or {})}]}
    return judge(Stack.of(stackopt.Problem(**raw(case))), Settings.at(at, (0,), (0,)))


@pytest.mark.parametrize("rate,allowed", [(4.99, False), (5.0, True), (12.3, True), (20.0, True), (20.01, False)])
def test_a_free_dial_has_two_ends(rate, allowed):
    assert judged(rate).allowed == allowed


@pytest.mark.parametrize("step", [0.001, 0.25, 5.0])
def test_a_rate_beside_a_step_is_not_on_the_dial_however_fine_the_steps(step):
    dial = {"min": 5.0, "max": 20.0, "step": step}
    assert judged(5.0 + 3 * step, rate=dial).allowed
    for aside in (-1e-4, 1e-4, 0.5):
        assert not judged(5.0 + (3 + aside) * step, rate=dial).allowed


@pytest.mark.parametrize("short,allowed", [(-1e-6, True), (0.0, True), (0.9e-9, True), (1.2e-9, False), (1e-6, False)])
def test_the_air_may_reach_capacity_and_a_billionth_of_it_more(short, allowed):
    verdict = judged(10.0, capacity=30.0 * (1 - short))
    assert (verdict.air, verdict.allowed) == (30.0, allowed)


@pytest.mark.parametrize("rate,allowed", [(7.49, False), (7.5, True), (15.0, True), (15.01, False)])
def test_a_cut_bounds_the_rate_from_below_and_a_pump_from_above(rate, allowed):
    pump = {**MACHINE["pumps"]["standard"], "max_rate": 15.0}
    assert judged(rate, point={"cut": (0.4, 3)}, pumps={"standard": pump}).allowed == allowed  # 3 strokes in 0.4 min


def test_where_the_drive_air_is_more_than_the_line_lets_through_nothing_is_allowed():
    # A sonic conductance of 0.01 L/(s bar) lets through 0.6 L/min a bar, 4.2 of 7 bar; the pump takes 10 L/min.
    verdict = judged(10.0, line={"conductance": 0.01, "critical_ratio": 0.3})
    assert verdict.flow.tolist() == [0.0]
    assert not verdict.allowed


@pytest.mark.parametrize("window,robust,miss", [
    # At the dose of 1 mL/min the shares are of 20 L/min, the least air there.
    ((20.0, 50.0), False, 0.0),
    ((24.0, 50.0), False, -4 / 24),  # 20 L/min are 4 too few
    ((10.0, 15.0), False, 5 / 10),  # and 5 too many
    ((26.0, 15.0), False, -6 / 26),  # no air fits: the larger miss counts
    ((22.0, 15.0), False, 5 / 22),
    ((24.0, 50.0), True, -4 / 24),
])  # fmt: skip
def test_air_is_missed_on_the_side_where_more_is_missing(window, robust, miss):
    # A least above the most is no window of a file: it comes about by the dose.
    low, high = window
    point = {"air_flow": (None, high), "air_per_dose": (low, None)} if low > high else {"air_flow": window}
    verdict = judged(10.0, point=point, robust=robust)
    assert verdict.air_miss.tolist() == [pytest.approx(miss, rel=1e-12)]
    assert verdict.dose_miss.tolist() == [0.0]


def test_robust_misses_are_those_at_the_worse_end_of_the_stray():
    """Doses of 0.8 and 1.2 mL/min: 0.1 under and 0.1 over the tolerance; the air is out of its window at one end."""
    spread = {**MACHINE["pumps"]["standard"], "spread": {"1": 0.2}}
    for per_dose, miss in (((24.0, None), -8.8 / 24), ((None, 15.0), 8 / 10)):
        # 24 L/mL of 1.2 mL are 28.8 L/min, 8.8 above the flow; 15 L/mL of 0.8 mL are 12, 8 below it.
        point = {"air_per_dose": per_dose, "air_flow": (10.0, None)}
        verdict = judged(10.0, point=point, robust=True, pumps={"standard": spread})
        assert verdict.dose_miss.tolist() == [pytest.approx(0.1, rel=1e-12)]
        assert verdict.air_miss.tolist() == [pytest.approx(miss, rel=1e-12)]
