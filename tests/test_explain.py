"""What an answer says of itself: why this rate and no other, in words that are true."""

import pytest
from strategies import raw
from test_judge import MACHINE, POINT

import stackopt

ONE = {"fluid": {"kind": "neat oil"}, "generator": {"rate": {"min": "10/min", "max": "20/min", "step": "1/min"}},
       "pumps": {"a": {"stroke_volume": "0.02 mL", "marks": {"1": 1.0}}},
       "nozzles": {"n": {"turns": [1], "flow": ["10 L/min"]}}, "air": {"pressure": "6 bar", "capacity": "100 L/min"}}
POINT_OF_ONE = {"name": "x", "tolerance": 0.2, "pump": "a", "nozzle": "n", "air_flow": {"min": "1 L/min"}}


@pytest.mark.parametrize("rate", range(10, 20))
def test_a_rate_that_is_as_good_differs_in_nothing(rate):
    """1.2 mL/h a stroke a minute: a dose midway between two rates; the lower one is taken, the higher strays as far."""
    point = {**POINT_OF_ONE, "dose": f"{1.2 * (rate + 0.5):.1f} mL/h"}
    said = str(stackopt.solve(stackopt.Problem(**ONE, point=[point])))
    assert f"rate  {rate} strokes/min" in said and "higher: no difference" in " ".join(said.split())


def test_a_point_outside_its_air_window_is_not_said_to_leave_it():
    """10 L/min where 200 L/mL of 0.2 mL/min want 40; the best is the lowest dose in tolerance, 8/min: 9.6 mL/h."""
    point = {**POINT_OF_ONE, "dose": "12 mL/h", "air_per_dose": {"min": "200 L/mL"}}
    del point["air_flow"]
    dial = {"rate": {"min": "4/min", "max": "20/min", "step": "1/min"}}
    said = " ".join(str(stackopt.solve(stackopt.Problem(**{**ONE, "generator": dial}, point=[point]))).split())
    assert "rate 8 strokes/min" in said and "higher: x would be further out of the air window" in said


@pytest.mark.parametrize("dose", ["13.8 mL/h", "14.4 mL/h", "12.6 mL/h", "12.000000001 mL/h", "16.8 mL/h"])
def test_nothing_is_never_less_than_nothing_in_print(dose):
    said = str(stackopt.solve(stackopt.Problem(**ONE, point=[{**POINT_OF_ONE, "dose": dose}])))
    assert "+0.0" in said and "-0.0 " not in said and "-0.0000" not in said


@pytest.mark.parametrize("most", [20.0, 30.0])
def test_a_point_that_nothing_serves_alone_is_named_beside_a_conflict_of_doses(most):
    """At 10/min a has its dose, at 20 b: a conflict of rates. Of 30 L/min and up, a is to have `most`."""
    nozzle = {"small": {"turns": [1.0, 2.0], "flow": [30.0, 40.0]}}
    points = [{**POINT, "air_flow": (10.0, most)}, {**POINT, "name": "b", "dose": 120.0, "air_flow": (10.0, 60.0)}]
    case = {**MACHINE, "rate": {"min": 10.0, "max": 20.0, "step": 5.0}, "nozzles": nozzle, "points": points}
    result = stackopt.solve(stackopt.Problem(**raw(case)))
    assert [clash["points"] for clash in result.conflicts] == [["a", "b"]]
    named = [warning for warning in result.warnings if "even alone" in warning]
    assert [warning.split(":")[0] for warning in named] == (["a"] if most < 30.0 else [])
