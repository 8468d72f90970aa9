"""Published values, each beside its source, through the code that computes machines.

"From memory" stands where the source itself could not be opened when the test was written.
"""

from itertools import product
from math import inf

import numpy as np
import pytest

import stackopt
from stackopt.optimise import mip
from stackopt.optimise.merge import Limits, merge, preferred
from stackopt.optimise.price import price

# Multiple-choice knapsack test instance I01 of Khan et al. 2002, Studia Informatica Universalis 2(1) 161-182,
# as kept in a public data repository: five classes, of which one item each is taken; value, then what it uses
# of five resources.
I01 = (
    ((7, 1, 3, 1, 1, 6), (17, 1, 4, 9, 9, 3), (25, 4, 3, 9, 8, 2), (35, 4, 5, 8, 0, 6), (36, 6, 8, 3, 0, 7)),
    ((9, 0, 0, 4, 4, 2), (10, 0, 0, 1, 8, 7), (10, 1, 1, 6, 0, 6), (39, 9, 1, 2, 2, 4), (44, 8, 7, 0, 8, 2)),
    ((15, 2, 0, 5, 5, 5), (19, 2, 3, 2, 6, 2), (20, 3, 1, 6, 4, 7), (44, 6, 7, 5, 6, 9), (50, 9, 5, 9, 2, 2)),
    ((5, 0, 1, 3, 8, 0), (25, 2, 2, 7, 0, 8), (32, 5, 5, 6, 1, 9), (37, 6, 3, 6, 9, 1), (37, 7, 9, 7, 2, 3)),
    ((24, 4, 0, 7, 0, 2), (30, 4, 8, 9, 0, 0), (32, 5, 2, 7, 2, 0), (43, 5, 5, 9, 5, 2), (44, 9, 2, 2, 2, 3)),
)
VALUE = np.array(I01)[:, :, 0]
USE = np.array(I01)[:, :, 1:]
TOP = VALUE.max()
# The same items with the first resource alone, by its capacity; all 3125 choices tried.
SINGLE = pytest.mark.parametrize(("capacity", "best"), [(10, 114), (15, 139), (20, 164), (25, 191)])
SOLVERS = pytest.mark.parametrize("solver", ["highs", "cbc"])


@SINGLE
def test_knapsack_by_pricing_and_merging(capacity, best):
    cost, share = (TOP - VALUE).astype(float), USE[:, :, 0] / capacity
    priced = price(cost[None], share[None])
    whole = len(I01) * TOP
    assert priced.bound[0] <= whole - best + 1e-9 <= priced.cost[0] + 2e-9
    assert np.take_along_axis(share, priced.choice[0][:, None], axis=1).sum() <= 1 + 1e-9

    m = priced.multiplier[0]
    limits = Limits(
        np.array([[[1, m]], [[0, 1.0]]]), np.array([[priced.cost[0] + m * (1 + 1e-9)], [1 + 1e-9]])
    )
    merged = merge(np.stack((cost, share), axis=-1), limits, goal=0, offset=m * (1 + 1e-9))
    assert merged.labels[:, 0].min() == pytest.approx(whole - best, abs=1e-9)

    limits = Limits(np.array([[[1, 0.0]], [[0, 1.0]]]), np.array([[whole - best + 1e-9], [1 + 1e-9]]))
    choice = preferred(merge(np.stack((cost, share), axis=-1), limits), limits)
    assert VALUE[range(5), choice].sum() == best
    assert USE[range(5), choice, 0].sum() <= capacity


def knapsack(capacities):
    """The model's rows for the first resources of I01, and its picks."""
    rows = mip.Rows()
    picks = [rows.choice([""] * len(items)) for items in I01]
    for k, capacity in enumerate(capacities):
        pairs = product(range(5), range(5))
        rows.row([(float(USE[i, j, k]), picks[i][j]) for i, j in pairs if USE[i, j, k]], high=capacity)
    return rows, picks, [(-float(VALUE[i, j]), picks[i][j]) for i, j in product(range(5), range(5))]


@SOLVERS
@SINGLE
def test_knapsack_by_the_model(capacity, best, solver):
    rows, picks, goal = knapsack([capacity])
    assert rows.minimise(goal, solver, inf) == pytest.approx(-best, abs=1e-6)
    choice = [max(range(5), key=lambda j: of[j].value()) for of in picks]
    assert VALUE[range(5), choice].sum() == best
    assert USE[range(5), choice, 0].sum() <= capacity


@SOLVERS
def test_knapsack_of_five_resources_by_the_model(solver):
    # Optimum 173 of I01, capacity 25 of each resource: from memory; it is reached by one choice alone.
    rows, picks, goal = knapsack([25] * 5)
    assert rows.minimise(goal, solver, inf) == pytest.approx(-173, abs=1e-6)
    choice = [max(range(5), key=lambda j: of[j].value()) for of in picks]
    assert choice == [3, 4, 1, 2, 3]
    assert USE[range(5), choice].sum(axis=0).tolist() == [24, 25, 25, 20, 21]


@SOLVERS
@pytest.mark.parametrize(("b", "least", "most"), [(0.5, 1, 3.5), (0, 0, 0), (1, 4.5, 4.5)])
def test_rows_of_a_product_with_a_choice(b, least, most, solver):
    # z = b x with L <= x <= U by z <= U b, z >= L b, z <= x - L (1 - b), z >= x - U (1 - b). From memory:
    # Glover 1975, Management Science 22(4) 455-460; McCormick 1976, Mathematical Programming 10, 147-175.
    # For a whole b it is exact. For b = 0.5 the hull of x = 4.5, L = 2, U = 7 is left, by closed form.
    for sign, end in ((1, least), (-1, most)):
        rows = mip.Rows()
        x = rows.variable(2, 7)
        picks = rows.choice(["", ""], relaxed=True)
        z, _ = rows.products(x, 2, [7, 7], picks)
        rows.row([(1, x)], 4.5, 4.5)
        rows.row([(1, picks[0])], b, b)
        assert rows.minimise([(sign, z)], solver, inf) is not None
        assert z.value() == pytest.approx(end, abs=1e-7)


def machine(capacity="300 L/min", dose="12 mL/h", fluid=(), stroke_volume="0.06 mL"):
    point = {"tolerance": "10 %", "pump": "standard", "nozzle": "small", "air_per_dose": {"min": "150 L/mL"}}
    return stackopt.Problem(
        fluid={"kind": "neat oil", **dict(fluid)},
        generator={"rate": {"min": "4/min", "max": "60/min", "step": "1/min"}, "stroke_air": "0.5 L"},
        pumps={"standard": {"stroke_volume": stroke_volume, "marks": {"1": 0.2, "2": 0.6, "3": 1.0}}},
        nozzles={"small": {"turns": [0, 1, 2, 3], "flow": ["0 L/min", "32 L/min", "48 L/min", "64 L/min"]}},
        air={"pressure": "6 bar", "capacity": capacity},
        point=[{"name": "b", "dose": "22 mL/h", **point}, {"name": "a", "dose": dose, **point}],
    )


def dialled(result):
    return result.rate, [(p.name, p.pump, p.mark, p.turns) for p in result.points]


# Reference atmospheres. Litres at ANR: ISO 8778:2003, 20 C and 100 kPa; Nm^3: DIN 1343, 273.15 K and
# 101.325 kPa (both standards through secondary texts, recomputed as ideal gas); scfm: the CAGI reference of
# 14.5 psi absolute and 68 F (from memory).
REFERENCES = {
    "10 Nm^3/h": 181.24,
    "5 Nm^3/h": 90.62,
    "0.1 Nm^3/min": 108.744,  # 1 Nm^3 is 1.08744 m^3 at ANR
    "10 scfm": 283.095,
    "4 scfm": 113.238,
}


@pytest.mark.parametrize("capacity", REFERENCES)
def test_capacity_at_other_references(capacity):
    litres = REFERENCES[capacity]
    got, expected = (stackopt.solve(machine(c)) for c in (capacity, f"{litres} L/min"))
    assert got.to_dict()["air"]["capacity_L_per_min"] == pytest.approx(litres, rel=1e-5)
    assert dialled(got) == dialled(expected)
    assert got.objective.excess == pytest.approx(expected.objective.excess, abs=1e-9)
    assert got.objective.value == pytest.approx(expected.objective.value, rel=1e-5)


def test_a_thousand_litres_a_minute_in_normal_cubic_metres():
    # 1000 L/min at ANR = 55.2 Nm^3/h and 1 scfm = 1.56199 Nm^3/h, as above.
    litres, normal, standard = (
        stackopt.solve(machine(c)).to_dict()["air"]["share"]
        for c in ("1000 L/min", "55.1755 Nm^3/h", f"{55.1755 / 1.56199} scfm")
    )
    assert normal == pytest.approx(litres, rel=1e-5)
    assert standard == pytest.approx(litres, rel=1e-5)


# Drop volume by the tip's outer radius: V = 2 pi r sigma psi / (rho g), psi after Heertjes et al. 1971
# (through lecture slides of the University of Washington, T.-J. Lin), computed for r = 1.5 mm and 20 C.
DROPS = {"water": (47.5, 998.2), "isopropanol": (16.3, 785), "ethanol": (17.1, 789), "ester": (21.3, 920)}


@pytest.mark.parametrize("liquid", DROPS)
@pytest.mark.parametrize("by_mass", [False, True])
def test_doses_in_drops(liquid, by_mass):
    volume, density = DROPS[liquid]  # uL, kg/m^3
    # As a mass: the drop of water weighs 47.4 mg, within the 45 to 55 mg of the dropper of USP <1101>.
    drop = f"{volume * density / 1000} mg" if by_mass else f"{volume} uL"
    fluid = {"drop": drop, "density": f"{density / 1000} g/mL"}
    in_drops, by_hand = (
        stackopt.solve(machine(dose=dose, fluid=fluid.items(), stroke_volume=stroke))
        for dose, stroke in (
            ("5 drop/min", "1.25 drop"),
            (f"{5 * 60 * volume / 1000} mL/h", f"{1.25 * volume / 1000} mL"),
        )
    )
    required = {p.name: p.required_mL_per_h for p in in_drops.points}
    assert required["a"] == pytest.approx(5 * 60 * volume / 1000, rel=1e-12)
    assert dialled(in_drops) == dialled(by_hand)
    assert in_drops.objective.value == pytest.approx(by_hand.objective.value, abs=1e-9)


def test_a_drop_of_water():
    # 47.5 uL: 20 drops a minute are 0.95 mL/min, that is 57 mL/h.
    problem = machine(dose="20 drop/min", fluid={"drop": "47.5 uL"}.items())
    assert stackopt.solve(problem).points[1].required_mL_per_h == pytest.approx(57, rel=1e-12)


def test_a_conflict_of_three_points():
    # An example of ours: of three points each two have a rate in common, all three have none.
    shares = {"a": (1.0, 0.5), "b": (0.5, 0.25), "c": (1.0, 0.25)}  # right at 10, 20 and 40 strokes/min
    problem = stackopt.Problem(
        fluid={"kind": "neat oil"},
        generator={"rate": {"min": "5/min", "max": "50/min", "step": "5/min"}},
        pumps={
            name: {"stroke_volume": "0.1 mL", "marks": {"1": low, "2": high}}
            for name, (high, low) in shares.items()
        },
        nozzles={"small": {"turns": [1], "flow": ["10 L/min"]}},
        air={"pressure": "6 bar", "capacity": "100 L/min"},
        point=[
            {"name": name, "dose": "60 mL/h", "tolerance": "5 %", "pump": name, "nozzle": "small",
             "air_flow": {"min": "5 L/min"}}
            for name in shares
        ],
    )  # fmt: skip
    answer = stackopt.rates(problem).to_dict()
    assert [conflict["points"] for conflict in answer["conflicts"]] == [["a", "b", "c"]]
    assert answer["conflicts_complete"]
