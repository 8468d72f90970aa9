"""Numbers at the ends of what a file may hold: search, model and oracle agree, or the file is refused with a reason."""

import oracle
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from strategies import cases, raw
from test_agreement import is_best, one_shot_is_best, same_points
from test_judge import MACHINE, POINT

import stackopt

MANY = settings().max_examples
THREE = {"1": 0.22, "2": 0.58, "3": 1.0}
ONE = {"min": 10.0, "max": 10.0, "step": 1.0}
STEPS = {"min": 5.0, "max": 20.0, "step": 5.0}


def by_pump(*doses, step=5.0):
    """Points with a pump of their own each, whose mark 2 gives the dose [mL/h] at 10/min."""
    case = same_points(*(point(dose, pump=[f"of {dose!r}"]) for dose in doses), pumps={}, stroke_air=0.0,
                       capacity=100.0, rate=STEPS | {"step": step})  # fmt: skip
    case["pumps"] = {f"of {dose!r}": {"stroke_volume": dose / 60 / 10 / 0.58, "marks": THREE, "stroke_air": None,
                                      "max_rate": None} for dose in doses}  # fmt: skip
    return case


def point(dose, **given_):
    return {"dose": dose, "air_flow": (10.0, None), "air_per_dose": (None, None), **given_}


EXACT = point(0.06 * 0.58 * 10 * 60)  # what mark 2 gives at 10/min
SMALL = {"pumps": {"standard": THREE}, "stroke_air": 0.0, "capacity": 100.0}
CASES = {
    "doses over 12 orders of magnitude": by_pump(1e-6, 1.0, 1e6),
    "doses over 12 orders of magnitude on a free dial": by_pump(1e-6, 1.0, 1e6, step=None),
    "tolerance 0, met": same_points(EXACT | {"below": 0.0, "above": 0.0}, rate=STEPS, **SMALL),
    "tolerance 1e-12, met": same_points(EXACT | {"below": 1e-12, "above": 1e-12}, rate=STEPS, **SMALL),
    "tolerance 0, missed": same_points(point(21.0, below=0.0, above=0.0), rate=STEPS, **SMALL),
    "tolerance 0, two that cannot both be met": same_points(
        EXACT | {"below": 0.0, "above": 0.0}, point(13.0, below=0.0, above=0.0), rate=STEPS, **SMALL),
    "one rate": same_points(EXACT, point(30.0), rate=ONE, **SMALL),
    "one rate of a free dial": same_points(EXACT, point(30.0), rate=ONE | {"step": None}, **SMALL),
    "a step wider than the dial": same_points(EXACT, rate={"min": 10.0, "max": 15.0, "step": 1000.0}, **SMALL),
    "capacity exactly at the need": same_points(EXACT, EXACT, EXACT, rate=STEPS, **SMALL | {"capacity": 30.0}),
    "capacity exactly at the need with drive air": same_points(
        EXACT, EXACT, EXACT, rate=ONE, **SMALL | {"stroke_air": 0.1, "capacity": 33.0}),
    "capacity a hair below any need": same_points(
        EXACT, EXACT, EXACT, rate=STEPS, **SMALL | {"capacity": 30.0 * (1 - 1e-6)}),
    "marks with equal shares": same_points(
        EXACT, EXACT, rate=STEPS, **SMALL | {"pumps": {"standard": {"a": 0.58, "b": 0.58, "c": 0.58}}}),
    "a mark that hardly gives": same_points(
        EXACT, rate=STEPS, **SMALL | {"pumps": {"standard": {"a": 1e-12, "b": 0.58}}}),
    "weights a million apart": same_points(
        EXACT | {"weight": 0.001}, point(30.0, weight=1000.0), rate=STEPS, **SMALL),
    "the largest capacity": same_points(EXACT, EXACT, rate=STEPS, **SMALL | {"capacity": 1e12}),
    "fast and slow": same_points(point(0.06 * 6e5 * 60), rate={"min": 6e-3, "max": 6e5, "step": None}, **SMALL),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES.values(), ids=list(CASES))
def test_at_the_ends_of_the_numbers_the_search_is_the_oracle(case):
    is_best(case, near_ties=True)


@pytest.mark.parametrize("solver", ["highs", "cbc"])
@pytest.mark.parametrize("case", CASES.values(), ids=list(CASES))
def test_at_the_ends_of_the_numbers_the_model_is_the_oracle(case, solver):
    one_shot_is_best(case, solver)


@pytest.mark.parametrize("step", [5.0, None], ids=["stepped", "free"])
def test_hundreds_of_equal_points_are_set_as_one_of_them(step):
    """Capacity is exactly what they take; means over equal points are those of one, whose best the oracle knows."""
    count, rate = 300, STEPS | {"step": step}
    expected = oracle.best(same_points(EXACT, rate=rate, **SMALL | {"capacity": 10.0}))
    many = same_points(*[EXACT] * count, rate=rate, **SMALL | {"capacity": 10.0 * count})
    result = stackopt.solve(stackopt.Problem(**raw(many)))
    assert result.status == "optimal" and result.rate == pytest.approx(expected["rate"], rel=1e-12)
    assert {(p.pump, p.mark, p.turns) for p in result.points} == set(expected["choice"].values())
    assert result.objective.excess == pytest.approx(expected["excess"], abs=1e-12)
    assert result.objective.value == pytest.approx(expected["value"], rel=1e-9)


@st.composite
def stretched(draw):
    """A machine whose oil, air and rates are each a power of ten away from common ones, and tolerances perhaps 0."""
    case = draw(cases(max_points=2))
    oil, air, speed = (10.0 ** draw(st.sampled_from((-5, -3, 0, 3, 5))) for _ in range(3))
    case["rate"] = {key: value and value * speed for key, value in case["rate"].items()}
    case["stroke_air"], case["capacity"] = case["stroke_air"] * air / speed, case["capacity"] * air
    for pump in case["pumps"].values():
        pump["stroke_volume"] *= oil / speed
        pump["stroke_air"] = pump["stroke_air"] and pump["stroke_air"] * air / speed
        pump["max_rate"] = pump["max_rate"] and pump["max_rate"] * speed
    for nozzle in case["nozzles"].values():
        nozzle["flow"] = [flow * air for flow in nozzle["flow"]]
    for one in case["points"]:
        one["dose"] *= oil
        one["air_flow"] = tuple(end and end * air for end in one["air_flow"])
        one["air_per_dose"] = tuple(end and end * air / oil for end in one["air_per_dose"])
        one["cut"] = one["cut"] and (one["cut"][0] / speed, one["cut"][1])
        if draw(st.booleans()):
            one["below"] = one["above"] = draw(st.sampled_from((0.0, 1e-12)))
    return case


@settings(max_examples=MANY // 4, phases=[Phase.explicit, Phase.generate])
@given(stretched())
def test_machines_of_any_size_are_solved_as_by_the_oracle_or_refused(case):
    try:
        stackopt.Problem(**raw(case))
    except stackopt.ProblemError as error:
        assert all("machine can have" in fault.expected for fault in error.faults)
        return
    is_best(case, near_ties=True)
    one_shot_is_best(case, "highs")


def test_doses_that_no_float_tells_apart_from_nothing_are_refused():
    for text in ("1e-13 mL/min", "1e13 mL/min", "1e-400 mL/h", "1" * 26 + " mL/h"):
        data = raw(same_points(EXACT, rate=STEPS, **SMALL))
        data["point"][0]["dose"] = text
        with pytest.raises(stackopt.ProblemError, match="as in '12 mL/h'"):
            stackopt.Problem(**data)


@pytest.mark.parametrize("change,key,expected", [
    # 0.06 mL at 20/min give 72 mL/h at most, and the nozzle takes 20 L/min.
    ({"dose": "0.00071 mL/h"}, "point[1].dose", "at least 0.000724 mL/h"),
    ({"air_flow": {"min": "0.00019 L/min", "max": "15 L/min"}, "air_per_dose": {}}, "point[1].air_flow.min",
     "a least of at least 0.000201 L/min"),
    ({"air_flow": {"max": "15 L/min"}, "air_per_dose": {"min": "0.0003 L/mL"}}, "point[1].air_per_dose.min",
     "a least of at least 0.000201 L/min"),
    ({"dose": "0.00073 mL/h"}, None, None),
    ({"air_flow": {"min": "0.00021 L/min", "max": "15 L/min"}, "air_per_dose": {}}, None, None),
    ({"air_flow": {"min": "0.00019 L/min"}, "air_per_dose": {}}, None, None),  # nothing is too much
])  # fmt: skip
def test_what_is_next_to_nothing_for_the_machine_is_refused(change, key, expected):
    """It would be missed by so much that an excess has no digits left for 1e-9."""
    data = raw(same_points(EXACT, rate=STEPS, **SMALL))
    data["pumps"]["standard"] = {"stroke_volume": "0.06 mL", "marks": {"1": 0.5, "2": 1.0}}
    data["generator"]["rate"] = {"min": "10/min", "max": "20/min"}
    data["nozzles"] = {data["point"][0]["nozzle"]: {"turns": [1, 2], "flow": ["10 L/min", "20 L/min"]}}
    data["point"][0] = {**data["point"][0], "dose": "30 mL/h", **change}
    if key is None:
        assert stackopt.solve(stackopt.Problem(**data)).status == "optimal"
        return
    with pytest.raises(stackopt.ProblemError) as error:
        stackopt.Problem(**data)
    ((fault,),) = [error.value.faults]
    assert fault.key == key and expected in fault.expected


def test_a_miss_that_counts_as_a_tie_is_told_as_such():
    """10/min serves both, with 0.048 more mean error; 10.5 leaves b 0.0005 over its tolerance: 5e-10, weighted."""
    points = [{**POINT, "dose": 63.0, "below": 0.2, "above": 0.2, "weight": 1000.0},
              {**POINT, "name": "b", "below": 0.0495, "above": 0.0495, "weight": 0.001}]  # fmt: skip
    case = {**MACHINE, "rate": {"min": 10.0, "max": 10.5, "step": 0.5}, "stroke_air": 0.0, "points": points}
    problem = stackopt.Problem(**raw(case))
    result, front = stackopt.solve(problem), stackopt.tradeoff(problem)
    assert (result.rate, result.exit_code, result.advice) == (10.5, 3, [])
    assert "1 of 2 points in tolerance, the rest but for what counts as a tie" in " ".join(str(result).split())
    assert "b: out of tolerance by so little" in result.warnings[0]
    assert "in all plans, but for what counts as a tie" in str(front)
