"""Nozzles in each of the ways a file may give them, the pressure that pumps need, and the faults of these keys."""

import copy
import json
from itertools import pairwise
from math import floor, log, pi, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from oracle_line import IDEAL, OPEN, let_through
from test_files import PLACES, at, faults_of, full, named, put

import stackopt
from stackopt.errors import ProblemError
from stackopt.problem import model
from stackopt.problem.files import read
from stackopt.problem.model import Problem

# Free air of a handbook table: 0.07494 lb in a cubic foot; a litre at ANR has 1.185 g (ISO 6358). The table's air has
# 530 degrees Rankine, ours 20 degC, and more of the colder air passes.
FREE = 0.07494 * 453.59237 / 1.185 * sqrt(530 / 1.8 / 293.15)

# A second computation, from the text of the standards


def hole(bore):
    """Conductance of an ideal nozzle, L/(s bar): m = 0.0404149 S p/sqrt(T) over 1.185 kg/m^3 (ISO 6358); bore in m."""
    return 0.0404149 * pi / 4 * bore**2 / (1.185 * sqrt(293.15)) * 1e8


def tube_of(length, bore):
    """Conductance and critical ratio of a tube that chokes, f = 0.02 and a sharp mouth; m."""
    heads, low, high = 0.02 * length / bore + 0.5, 1.0, 1e6
    while high - low > 1e-13 * high:
        middle = (low + high) / 2
        low, high = (low, middle) if middle - log(middle) > 1 + heads else (middle, high)
    ratio = low**-0.5
    return pi / 4 * bore**2 * ratio / (1.185 * sqrt(287.05 * 293.15)) * 1e8, ratio


def chain(elements, before, after):
    """Air through elements (C, b) in series, L/min, by halving what passes all of them."""
    low, high = 0.0, min(60 * c * before for c, _ in elements)
    for _ in range(200):
        middle = (low + high) / 2
        pressure = before
        for c, b in elements[:-1]:
            choked = 60 * c * pressure
            if middle > choked:
                pressure = 0.0
                break
            pressure *= b + (1 - b) * sqrt(1 - (middle / choked) ** 2)
        if pressure > after and let_through(*elements[-1], pressure, after) >= middle:
            low = middle
        else:
            high = middle
    return low


def by_drawing(screw, open_share, discharge, bore, pressure, tube=None):
    """Air through screw, tube and tip, L/min; bores and the tube's (length, bore) in m, pressure in bar gauge."""
    if open_share == 0:
        return 0.0
    elements = [(discharge * hole(screw) * open_share, IDEAL), (discharge * hole(bore), IDEAL)]
    if tube:
        elements.insert(1, tube_of(*tube))
    return chain(elements, OPEN + pressure, OPEN)


def eighths(turns, values):
    """The points of a table with every 1/8 turn between: by hand, the curve of Fritsch and Butland (1984)."""
    between = [k / 8 for k in range(8 * floor(turns[-1]) + 8) if turns[0] <= k / 8 <= turns[-1]]
    every = sorted({*map(float, turns), *between})
    return every, [dict(zip(turns, values, strict=True)).get(t, curve(turns, values, t)) for t in every]


def curve(x, y, t):
    """Cubic pieces whose slope at a point is the weighted harmonic mean of those beside it, 0 where one is."""
    if len(x) == 2:
        return y[0] + (y[1] - y[0]) * (t - x[0]) / (x[1] - x[0])
    h = [b - a for a, b in pairwise(x)]
    d = [(b - a) / step for (a, b), step in zip(pairwise(y), h, strict=True)]

    def end(h0, h1, d0, d1):  # three points, held back so that the curve keeps the direction
        slope = ((2 * h0 + h1) * d0 - h0 * d1) / (h0 + h1)
        return 0.0 if slope * d0 <= 0 else 3 * d0 if d0 * d1 <= 0 and abs(slope) > 3 * abs(d0) else slope

    slopes = [end(h[0], h[1], d[0], d[1])]
    for (h0, h1), (d0, d1) in zip(pairwise(h), pairwise(d), strict=True):
        one, other = 2 * h1 + h0, h1 + 2 * h0
        slopes.append(0.0 if d0 * d1 <= 0 else (one + other) / (one / d0 + other / d1))
    slopes.append(end(h[-1], h[-2], d[-1], d[-2]))
    k = max(i for i in range(len(h)) if x[i] <= t)
    s = (t - x[k]) / h[k]
    return ((1 + 2 * s) * (1 - s) ** 2 * y[k] + s * (1 - s) ** 2 * h[k] * slopes[k]
            + s * s * (3 - 2 * s) * y[k + 1] + s * s * (s - 1) * h[k] * slopes[k + 1])  # fmt: skip


def falling_drop(tension, density, tip):
    """Volume of a drop, mL, of mN/m, g/mL and m: V = r sigma/(F rho g), F of Heertjes et al. 1971, by halving."""
    r, low, high = tip / 2, 1e-10, 1e-6
    for _ in range(200):
        middle = (low + high) / 2
        x = r / middle ** (1 / 3)
        fraction = 0.14782 + 0.27896 * x - 0.1662 * x * x
        bigger = fraction > 0 and r * tension / 1000 / (fraction * density * 1000 * 9.80665) > middle
        low, high = (middle, high) if bigger else (low, middle)
    return low * 1e6


# Machines of one point, whose pump has just the dose


def machine(nozzle, pressure="6 bar", turns=None, least="0.001 L/min", **more):
    data = {
        "fluid": {"kind": "neat oil"},
        "generator": {"rate": {"min": "10/min", "max": "10/min", "step": "1/min"}},
        "pumps": {"P": {"stroke_volume": "0.1 mL", "marks": {"1": 1.0}}},
        "nozzles": {"tip": nozzle},
        "air": {"pressure": pressure, "capacity": "1e6 L/min"},
        "point": [{"name": "a", "dose": "60 mL/h", "tolerance": "10 %", "pump": "P", "nozzle": "tip",
                   "air_flow": {"min": least}}],
        **more,
    }  # fmt: skip
    if turns is not None:
        data["constraint"] = [{"kind": "fix", "of": "turns", "over": "a", "at": turns}]
    return data


def solved(data):
    result = stackopt.solve(Problem(**data))
    assert result.status == "optimal" and result.in_tolerance
    json.dumps(result.to_dict(), allow_nan=False)
    return result


def air_of(nozzle, pressure="6 bar", turns=None):
    return solved(machine(nozzle, pressure, turns)).points[0].air_L_per_min


# Conductance


@pytest.mark.parametrize(
    ("conductance", "ratio", "pressure", "air", "share"),
    [
        ("2 L/(s bar)", 0.3, "7.013 bar_a", 842, 1e-3),  # ISO 6358-1:2013 through a pneumatics study wiki
        ("2 L/(s bar)", 0.3, "6 bar", 842, 1e-3),
        ("1.5 L/(s bar)", 0.3, "6.013 bar_a", 541, 1e-3),  # the same
        ("3 L/(s bar)", 0.3, "6.013 bar_a", 1082, 1e-3),  # the same
        ("1e-8 m^3/(s Pa)", 0.35, "700 kPa_a", 0.008295 / 1.185 * 60000, 2e-5),  # worked example of an equation solver
        # Share of the choked flow at p2/p1 = 0.5, 0.7, 0.85, 0.95, b = 0.3: 95.83, 82.07, 61.86, 37.12 %; the same wiki
        ("1 L/(s bar)", 0.3, "2.0265 bar_a", 60 * 2.0265 * 0.9583, 2e-4),
        ("1 L/(s bar)", 0.3, "1.4475 bar_a", 60 * 1.4475 * 0.8207, 2e-4),
        ("1 L/(s bar)", 0.3, "119.20588 kPa_a", 60 * 1.1920588 * 0.6186, 2e-4),
        ("60 L/(min bar)", 0.3, "1.0665789 bar_a", 60 * 1.0665789 * 0.3712, 2e-4),
        # Handbook table "Discharge of Air Through an Orifice", 1/32 in at 60 psig: 1.06 cfm of free air (14.7 psia,
        # 70 F); C as recomputed from the ideal nozzle.
        ("0.0986 L/(s bar)", 0.528, "60 psi", 1.06 * FREE, 6e-3),
    ],
)
def test_air_of_a_conductance(conductance, ratio, pressure, air, share):
    nozzle = {"turns": [1], "conductance": [conductance], "critical_ratio": ratio}
    assert air_of(nozzle, pressure) == pytest.approx(air, rel=share)


def test_conductances_by_turns():
    nozzle = {"turns": [0, 1, 2], "conductance": ["0 L/(s bar)", "0.1 L/(s bar)", "0.3 L/(s bar)"],
              "critical_ratio": 0.3}  # fmt: skip
    assert [air_of(nozzle, "9 bar_a", t) for t in (1, 2)] == pytest.approx([54, 162])  # 60 C p
    with pytest.raises(ProblemError, match="turns"):  # closed is no setting
        Problem(**machine(nozzle, turns=0))


# Geometry

# Handbook table "Discharge of Air Through an Orifice": bores in inches, psig, cfm of free air at 14.7 psia and 70 F.
# It takes the whole of the ideal flow; well-rounded holes pass 0.97 and sharp-edged ones 0.65 of it.
HOLES = {
    "1/64": {60: 0.264, 70: 0.300, 80: 0.335, 90: 0.370, 100: 0.406, 110: 0.441, 120: 0.476, 125: 0.494},
    "1/32": {60: 1.06, 70: 1.20, 80: 1.34, 90: 1.48, 100: 1.62, 110: 1.76, 120: 1.91, 125: 1.98},
    "1/16": {5: 0.993, 9: 1.32, 60: 4.23, 70: 4.79, 80: 5.36, 90: 5.92, 100: 6.49, 110: 7.05, 120: 7.62, 125: 7.90},
    "1/8": {12: 6.07, 15: 6.72, 60: 16.9, 70: 19.2, 80: 21.4, 90: 23.7, 100: 26.0, 110: 28.2, 120: 30.5, 125: 31.6},
}


@pytest.mark.parametrize(("bore", "gauge"), [(bore, gauge) for bore in HOLES for gauge in HOLES[bore]])
def test_holes_of_a_handbook(bore, gauge):
    inches = 1 / float(bore[2:])
    nozzle = {"turns": [1], "bore": f"{inches} in", "discharge": 1.0, "screw": {"bore": "2 in", "open": [1]}}
    assert air_of(nozzle, f"{gauge} psi") == pytest.approx(HOLES[bore][gauge] * FREE, rel=6e-3)  # printed in 3 digits


@pytest.mark.parametrize("discharge", [0.97, 0.65])  # rounded and sharp-edged, by the same table
def test_edges_of_a_hole(discharge):
    nozzle = {"turns": [1], "bore": "0.03125 in", "discharge": discharge, "screw": {"bore": "2 in", "open": [1]}}
    assert air_of(nozzle, "60 psi") == pytest.approx(discharge * 1.06 * FREE, rel=6e-3)


DRAWN = {"turns": [0, 1, 2, 3], "bore": "0.8 mm", "discharge": 0.9,
         "screw": {"bore": "1.2 mm", "open": [0, 0.1, 0.4, 1]}}  # fmt: skip
TUBES = [None, (2.0, 0.004), (0.3, 0.0015), (20.0, 0.002)]


@pytest.mark.parametrize("tube", TUBES)
@pytest.mark.parametrize("pressure", [0.05, 0.5, 2.0, 6.0, 10.0])
def test_screw_tube_and_tip_pass_the_same_air(tube, pressure):
    nozzle = dict(DRAWN)
    if tube:
        nozzle["tube"] = {"length": f"{tube[0]} m", "bore": f"{tube[1] * 1000} mm"}
    got = [air_of(nozzle, f"{pressure} bar", t) for t in (1, 2, 3)]
    expected = [by_drawing(0.0012, share, 0.9, 0.0008, pressure, tube) for share in (0.1, 0.4, 1)]
    assert got == pytest.approx(expected, rel=1e-8)
    assert got == sorted(got)


def test_equal_holes_in_series():
    # Two equal elements (C, b), the second choked, pass k of what one passes: with r = k before the second,
    # k = sqrt(1 - ((k - b)/(1 - b))^2), a quadratic. For b = 0.3 it is 0.7572, as recomputed for ISO 6358 elements.
    def part(b):
        return (b + sqrt(b * b - ((1 - b) ** 2 + 1) * (2 * b - 1))) / ((1 - b) ** 2 + 1)

    assert part(0.3) == pytest.approx(0.7572, abs=5e-5)
    one = {"turns": [1], "bore": "1 mm", "discharge": 1.0, "screw": {"bore": "1000 mm", "open": [1]}}
    both = {**one, "screw": {"bore": "1 mm", "open": [1]}}
    assert air_of(both) / air_of(one) == pytest.approx(part(IDEAL), rel=1e-8)


def test_what_is_drawn_is_said_to_be_computed():
    warnings = solved(machine(DRAWN)).warnings
    assert any("tip" in w and "computed from its geometry, not measured" in w for w in warnings)
    measured = {"turns": [1], "conductance": ["1 L/(s bar)"], "critical_ratio": 0.3}
    assert not any("geometry" in w for w in solved(machine(measured)).warnings)


def test_a_short_tube_is_said_to_be_outside_its_range():
    nozzle = {**DRAWN, "tube": {"length": "20 mm", "bore": "4 mm"}}
    assert any(w.startswith("nozzle tip: tube:") for w in solved(machine(nozzle)).warnings)


# Measured at another pressure


@pytest.mark.parametrize(
    ("ratio", "at", "pressure", "share"),
    [
        (0.3, "7 bar_a", "5 bar_a", 5 / 7),  # choked at both: by absolute pressure
        (0.3, "5 bar_a", "7 bar_a", 7 / 5),
        (None, "6 bar", "3 bar", 4.01325 / 7.01325),
        # At p2/p1 = 0.5 and 0.85 with b = 0.3 95.83 and 61.86 % of the choked flow pass: a pneumatics study wiki
        (0.3, "2.0265 bar_a", "1.1920588 bar_a", 1.1920588 * 0.6186 / (2.0265 * 0.9583)),
        (0.3, "6 bar_a", "1.1920588 bar_a", 1.1920588 * 0.6186 / 6),
        (0.3, "6 bar", "6 bar", 1.0),
    ],
)
def test_flow_measured_at_another_pressure(ratio, at, pressure, share):
    nozzle = {"turns": [0, 1, 2], "flow": ["0 L/min", "20 L/min", "60 L/min"], "measured_at": at}
    if ratio is not None:
        nozzle["critical_ratio"] = ratio
    assert [air_of(nozzle, pressure, t) for t in (1, 2)] == pytest.approx([20 * share, 60 * share], rel=3e-4)


def test_flow_measured_at_the_supply_is_as_written():
    nozzle = {"turns": [1], "flow": ["33.3 L/min"], "critical_ratio": 0.3}
    assert air_of(nozzle, "87 psi") == air_of({**nozzle, "measured_at": "87 psi"}, "87 psi") == 33.3


@pytest.mark.parametrize(("ratio", "pressure", "warned"), [(None, "1 bar", True), (None, "3 bar", False),
                                                            (0.3, "1 bar", False)])  # fmt: skip
def test_scaling_without_a_critical_ratio_is_warned_of_at_low_pressure(ratio, pressure, warned):
    nozzle = {"turns": [1], "flow": ["30 L/min"], "measured_at": "6 bar"}
    result = solved(machine(nozzle if ratio is None else {**nozzle, "critical_ratio": ratio}, pressure))
    assert any("scaled as that of an ideal nozzle" in w for w in result.warnings) == warned


# Between the points of a table

TABLE = {"turns": [0, 0.25, 0.8, 2, 3.1], "flow": ["0 L/min", "5 L/min", "6 L/min", "40 L/min", "40 L/min"],
         "interpolate": True}  # fmt: skip


def settings_of(nozzle, pressure="6 bar"):
    stack = solved(machine(nozzle, pressure)).stack
    return stack.turns[0], stack.flow[0].tolist()


def test_every_eighth_of_a_turn():
    turns, flow = settings_of(TABLE)
    every, expected = eighths(TABLE["turns"], [0, 5, 6, 40, 40])
    assert list(turns) == every[1:] and 0.8 in turns and 3.1 in turns and 0.125 in turns and len(turns) == 26
    assert flow == pytest.approx(expected[1:], rel=1e-12)
    known = dict(zip(turns, flow, strict=True))
    assert [known[t] for t in (0.25, 0.8, 2, 3.1)] == [5, 6, 40, 40]
    assert all(low <= high for low, high in pairwise(flow))
    assert all(flow_at == 40 for t, flow_at in known.items() if t >= 2)


@pytest.mark.parametrize(
    ("turns", "expected"),
    [([0, 1], [0.125, 0.25, 0.375, 0.5, 0.625, 0.75, 0.875, 1]), ([0.3, 0.5], [0.3, 0.375, 0.5]), ([0.3], [0.3]),
     ([0, 0.1], [0.1]), ([0.125, 0.25], [0.125, 0.25])],
)  # fmt: skip
def test_short_tables(turns, expected):
    flow = [80 * t for t in turns]
    nozzle = {"turns": turns, "flow": [f"{q} L/min" for q in flow], "interpolate": True}
    found, between = settings_of(nozzle)
    assert list(found) == expected and between == pytest.approx([80 * t for t in expected], rel=1e-12)


def test_conductances_and_shares_between_their_points():
    # Choked, the air is 60 C p, so that it lies on the curve of the conductances.
    valve = {"turns": [0, 1, 3], "conductance": ["0 L/(s bar)", "0.1 L/(s bar)", "0.4 L/(s bar)"],
             "critical_ratio": 0.3, "interpolate": True}  # fmt: skip
    turns, flow = settings_of(valve, "7 bar_a")
    every, expected = eighths([0, 1, 3], [0, 0.1, 0.4])
    assert list(turns) == every[1:] and flow == pytest.approx([420 * c for c in expected[1:]], rel=1e-12)
    turns, flow = settings_of({**DRAWN, "interpolate": True})
    every, shares = eighths([0, 1, 2, 3], [0, 0.1, 0.4, 1])
    assert list(turns) == every[1:]
    assert flow == pytest.approx([by_drawing(0.0012, share, 0.9, 0.0008, 6) for share in shares[1:]], rel=1e-8)


@given(st.lists(st.tuples(st.integers(1, 30), st.integers(0, 50)), min_size=2, max_size=6))
@settings(max_examples=40, deadline=None)
def test_between_the_points_the_air_never_falls(steps):
    turns, flow = np.cumsum([t / 10 for t, _ in steps]).tolist(), np.cumsum([1 + q for _, q in steps]).tolist()
    table = {"turns": turns, "flow": [f"{q} L/min" for q in flow], "interpolate": True}
    found, between = settings_of(table)
    every, expected = eighths(turns, flow)
    assert list(found) == every and between == pytest.approx(expected, rel=1e-9)
    assert all(low <= high * (1 + 1e-12) for low, high in pairwise(between))
    known = dict(zip(found, between, strict=True))
    assert [known[t] for t in turns] == flow


def test_the_answer_may_lie_between_the_points():
    """The least eighth with enough air; without `interpolate` the next point of the table."""
    nozzle = {"turns": [0, 1, 2, 3], "flow": ["0 L/min", "20 L/min", "50 L/min", "60 L/min"]}
    every, flow = eighths([0, 1, 2, 3], [0, 20, 50, 60])
    least = next(t for t, q in zip(every, flow, strict=True) if q >= 30)
    assert 1 < least < 2
    assert solved(machine({**nozzle, "interpolate": True}, least="30 L/min")).points[0].turns == least
    assert solved(machine(nozzle, least="30 L/min")).points[0].turns == 2


def test_turns_without_end_are_refused_and_not_cut_into_eighths():
    nozzle = {"turns": [0, 1, 1e9], "flow": ["0 L/min", "1 L/min", "2 L/min"], "interpolate": True}
    with pytest.raises(ProblemError, match=r"turns|interpolate"):
        Problem(**machine(nozzle))


# The pressure that a pump needs


def pumps(*least):
    return {f"P{k}": {"stroke_volume": "0.1 mL", "marks": {"1": 1.0}, **({} if bar is None else {"min_pressure": bar})}
            for k, bar in enumerate(least)}  # fmt: skip


def offered(*least, pressure="4 bar"):
    data = machine({"turns": [1], "flow": ["30 L/min"]}, pressure, pumps=pumps(*least))
    data["point"][0]["pump"] = list(data["pumps"])
    return stackopt.solve(Problem(**data))


@pytest.mark.parametrize(("least", "code"), [("3.9 bar", 0), ("4 bar", 0), ("58 psi", 0), ("4.001 bar", 4),
                                             ("5.01326 bar_a", 4), ("5.01325 bar_a", 0)])  # fmt: skip
def test_a_pump_that_needs_more_than_the_supply_has(least, code):
    result = offered(least)
    assert result.exit_code == code
    if code:
        (conflict,) = result.conflicts
        assert conflict["rules"] == ["min_pressure of P0"]
        assert "pump P0 needs at least" in str(result)


def test_a_pump_left_out_is_told_where_another_serves():
    result = offered("5 bar", None)
    assert result.exit_code == 0 and result.points[0].pump == "P1"
    (warning,) = [w for w in result.warnings if "min_pressure" in w]
    assert "P0" in warning and "left out" in warning
    assert not any("min_pressure" in w for w in offered("4 bar", None).warnings)


def test_all_of_the_pumps_need_more():
    result = offered("5 bar", "6 bar")
    assert result.exit_code == 4
    assert result.conflicts[0]["rules"] == ["min_pressure of P0", "min_pressure of P1"]


# Faults of the keys

TEXT = """\
[fluid]
kind = "neat oil"
density = "0.92 g/mL"
viscosity = ["38 mm^2/s", "8 mm^2/s"]
viscosity_at = ["40 degC", "100 degC"]
surface_tension = "32 mN/m"
tip = "3 mm"
flash_point = "210 degC"
lower_flammable_limit = "2.0 %"
molar_mass = "60.1 g/mol"
[generator]
rate = { min = "4/min", max = "60/min", step = "1/min" }
[pumps.P]
stroke_volume = "0.06 mL"
marks = { "1" = 0.2, "2" = 1.0 }
min_pressure = "3 bar"
[nozzles.table]
turns = [0, 1, 2]
flow = ["0 L/min", "32 L/min", "64 L/min"]
measured_at = "5 bar"
critical_ratio = 0.3
interpolate = true
[nozzles.valve]
turns = [1, 2]
conductance = ["0.1 L/(s bar)", "0.2 L/(s bar)"]
critical_ratio = 0.4
[nozzles.drawn]
turns = [0, 1, 2]
bore = "0.8 mm"
discharge = 0.9
tube = { length = "2 m", bore = "4 mm" }
screw = { bore = "2 mm", open = [0, 0.5, 1] }
[air]
pressure = "6 bar"
capacity = "140 L/min"
line = { conductance = "2.5 L/(s bar)", critical_ratio = 0.35 }
[oil_line]
kind = "coaxial"
length = "3 m"
bore = "2.5 mm"
stroke_time = "80 ms"
temperature = "20 degC"
cold = "-5 degC"
[reservoir]
sizes = ["0.5 L", "1 L"]
refill_every = "40 h"
notice = "8 h"
[room]
airflow = "2000 m^3/h"
airborne = "1 %"
limit = "400 ppm"
mixing = 3
[energy]
specific_power = "6.4 kW/(m^3/min)"
price_per_kwh = 0.18
hours = "2000 h"
[weighing]
balance = "0.01 g"
uncertainty = "2.1 %"
[[point]]
name = "a"
dose = "12 mL/h"
tolerance = "10 %"
pump = "P"
nozzle = "table"
air_flow = { min = "15 L/min" }
"""
GONE = "# gone"


def test_the_text_without_a_fault(tmp_path):
    assert read(put(tmp_path, TEXT)) == Problem(**json.loads(json.dumps(read(put(tmp_path, TEXT)).to_dict())))


FAULTS = [
    # what is replaced, by what; the line by the text in it (None: none is told), the key, words of what is expected
    ("critical_ratio = 0.4", GONE, "[nozzles.valve]", "nozzles.valve.critical_ratio", "critical_ratio = 0.3"),
    ('conductance = ["0.1', 'flow = ["1 L/min", "2 L/min"]\nconductance = ["0.1', "[nozzles.valve]", "nozzles.valve",
     "one of flow, conductance or bore"),
    ('flow = ["0 L', 'bore = "1 mm"\nflow = ["0 L', "[nozzles.table]", "nozzles.table", "one of flow"),
    ('flow = ["0 L/min", "32 L/min", "64 L/min"]\nmeasured_at = "5 bar"', "", "[nozzles.table]", "nozzles.table",
     "one of flow"),
    ('["0.1 L/(s bar)"', '["0.3 L/(s bar)"', 'conductance = ["0.3', "nozzles.valve.conductance[2]",
     "the flow never falls"),
    ('["0.1 L/(s bar)", "0.2 L/(s bar)"]', '["0.1 L/(s bar)"]', 'conductance = ["0.1', "nozzles.valve.conductance",
     "one for each of the 2 turns"),
    ('["0.1 L/(s bar)", "0.2 L/(s bar)"]', '["0 L/(s bar)", "0 L/(s bar)"]', 'conductance = ["0 ',
     "nozzles.valve.conductance", "a setting with flow"),
    ('"0.2 L/(s bar)"', '"0.2 L/min"', 'conductance = ["0.1', "nozzles.valve.conductance[2]", "unit of conductance"),
    ("critical_ratio = 0.4", "critical_ratio = 1", "critical_ratio = 1", "nozzles.valve.critical_ratio", "below 1"),
    ("critical_ratio = 0.4", "critical_ratio = -0.1", "critical_ratio = -0.1", "nozzles.valve.critical_ratio",
     "at least 0"),
    ('measured_at = "5 bar"', 'measured_at = "0 bar"', 'measured_at = "0', "nozzles.table.measured_at",
     "above that of the open air"),
    ('measured_at = "5 bar"', 'measured_at = "0.9 bar_a"', 'measured_at = "0.9', "nozzles.table.measured_at",
     "above that of the open air"),
    ("critical_ratio = 0.4", 'critical_ratio = 0.4\nmeasured_at = "5 bar"', 'measured_at = "5 bar"\n[nozzles.drawn]',
     "nozzles.valve.measured_at", "no such key beside conductance"),
    ("critical_ratio = 0.4", "critical_ratio = 0.4\ndischarge = 0.9", "discharge = 0.9\n[nozzles.drawn]",
     "nozzles.valve.discharge", "no such key beside conductance"),
    ("interpolate = true", "interpolate = 1", "interpolate = 1", "nozzles.table.interpolate", "true or false"),
    ("discharge = 0.9", GONE, "[nozzles.drawn]", "nozzles.drawn.discharge", "never assumed"),
    ("discharge = 0.9", "discharge = 1.01", "discharge = 1.01", "nozzles.drawn.discharge", "at most 1"),
    ("discharge = 0.9", "discharge = 0", "discharge = 0", "nozzles.drawn.discharge", "above 0"),
    ("discharge = 0.9", "discharge = 0.9\ncritical_ratio = 0.5", "critical_ratio = 0.5",
     "nozzles.drawn.critical_ratio", "it is computed"),
    ('screw = { bore = "2 mm", open = [0, 0.5, 1] }', GONE, "[nozzles.drawn]", "nozzles.drawn.screw", "the air screw"),
    ("[0, 0.5, 1]", "[0, 0.5, 0.4]", "open = [0, 0.5, 0.4]", "nozzles.drawn.screw.open[3]", "never falls"),
    ("[0, 0.5, 1]", "[0, 0.5]", "open = [0, 0.5]", "nozzles.drawn.screw.open", "one for each of the 3 turns"),
    ("[0, 0.5, 1]", "[0, 0, 0]", "open = [0, 0, 0]", "nozzles.drawn.screw.open", "a setting with flow"),
    ("[0, 0.5, 1]", "[0, 0.5, 1.1]", "open = [0, 0.5, 1.1]", "nozzles.drawn.screw.open[3]", "at most 1"),
    (', open = [0, 0.5, 1]', "", 'screw = { bore = "2 mm" }', "nozzles.drawn.screw.open", "the key 'open'"),
    ('{ length = "2 m", bore = "4 mm" }', '{ length = "2 m" }', 'tube = { length = "2 m" }', "nozzles.drawn.tube.bore",
     "the key 'bore'"),
    ('bore = "0.8 mm"', 'bore = "0 mm"', 'bore = "0 mm"', "nozzles.drawn.bore", "above 0"),
    (', critical_ratio = 0.35 }', " }", "line = {", "air.line", "conductance and critical_ratio, or length and bore"),
    (', critical_ratio = 0.35 }', ', critical_ratio = 0.35, length = "5 m", bore = "4 mm" }', "line = {", "air.line",
     "conductance and critical_ratio, or length and bore"),
    ('{ conductance = "2.5 L/(s bar)", critical_ratio = 0.35 }', '{ length = "5 m" }', "line = {", "air.line",
     "or length and bore"),
    ('{ conductance = "2.5 L/(s bar)", critical_ratio = 0.35 }', "{}", "line = {", "air.line", "or length and bore"),
    ('conductance = "2.5 L/(s bar)"', 'conductance = "0 L/(s bar)"', "line = {", "air.line.conductance", "above 0"),
    ('viscosity_at = ["40 degC", "100 degC"]', GONE, "[fluid]", "fluid.viscosity_at", "where viscosity is given"),
    ('viscosity = ["38 mm^2/s", "8 mm^2/s"]', GONE, "[fluid]", "fluid.viscosity", "where viscosity_at is given"),
    ('["38 mm^2/s", "8 mm^2/s"]', '"38 mm^2/s"', "viscosity_at", "fluid.viscosity_at", "one for each of the 1"),
    ('["38 mm^2/s", "8 mm^2/s"]', '["8 mm^2/s", "38 mm^2/s"]', 'viscosity = ["8', "fluid.viscosity",
     "the smaller viscosity at the higher temperature"),
    ('["40 degC", "100 degC"]', '["40 degC", "40 degC"]', 'viscosity = ["38', "fluid.viscosity", "the smaller"),
    ('["38 mm^2/s", "8 mm^2/s"]', '["38 mm^2/s", "8 mm^2/s", "4 mm^2/s"]', 'viscosity = ["38', "fluid.viscosity",
     "1 to 2"),
    ('"8 mm^2/s"', '"8 mPa s"', 'viscosity = ["38', "fluid.viscosity", "unit of viscosity"),
    ('"100 degC"', '"-300 degC"', "viscosity_at = ", "fluid.viscosity_at", "absolute zero"),
    ('tip = "3 mm"', GONE, "[fluid]", "fluid.tip", "where surface_tension is given"),
    ('surface_tension = "32 mN/m"', GONE, "[fluid]", "fluid.surface_tension", "where tip is given"),
    ('surface_tension = "32 mN/m"', 'surface_tension = "32 mN"', 'surface_tension = "32 mN"', "fluid.surface_tension",
     "unit of surface tension"),
    ('flash_point = "210 degC"', 'flash_point = "210"', 'flash_point = "210"', "fluid.flash_point", "temperature"),
    ('lower_flammable_limit = "2.0 %"', 'lower_flammable_limit = "0 %"', "lower_flammable_limit",
     "fluid.lower_flammable_limit", "above 0"),
    ('lower_flammable_limit = "2.0 %"', 'lower_flammable_limit = "101 %"', "lower_flammable_limit",
     "fluid.lower_flammable_limit", "at most 1"),
    ('molar_mass = "60.1 g/mol"', 'molar_mass = "0 g/mol"', "molar_mass", "fluid.molar_mass", "above 0"),
    ('min_pressure = "3 bar"', 'min_pressure = "3 mm"', 'min_pressure = "3 mm"', "pumps.P.min_pressure",
     "unit of pressure"),
    ('kind = "coaxial"', 'kind = "double"', 'kind = "double"', "oil_line.kind", "'coaxial' or 'single'"),
    ('kind = "coaxial"', GONE, "[oil_line]", "oil_line.kind", "the key 'kind'"),
    ('length = "3 m"', 'length = "3"', 'length = "3"', "oil_line.length", "unit of length"),
    ('bore = "2.5 mm"', GONE, "[oil_line]", "oil_line.bore", "the key 'bore'"),
    ('stroke_time = "80 ms"', 'stroke_time = "0 ms"', "stroke_time", "oil_line.stroke_time", "above 0"),
    ('cold = "-5 degC"', 'cold = "-5 C"', 'cold = "-5 C"', "oil_line.cold", "unit of temperature"),
    ('cold = "-5 degC"', 'colder = "-5 degC"', "colder", "oil_line.colder", "perhaps 'cold'"),
    ('["0.5 L", "1 L"]', "[]", "sizes = []", "reservoir.sizes", ""),
    ('["0.5 L", "1 L"]', '["0.5 L", "1"]', 'sizes = ["0.5 L", "1"]', "reservoir.sizes[2]", "unit of volume"),
    ('refill_every = "40 h"', "refill_every = 40", "refill_every = 40", "reservoir.refill_every", "unit of time"),
    ('notice = "8 h"', 'notice = "0 h"', 'notice = "0 h"', "reservoir.notice", "above 0"),
    ('airflow = "2000 m^3/h"', 'airflow = "2000 L"', 'airflow = "2000 L"', "room.airflow", "unit of ventilation"),
    ('airborne = "1 %"', 'airborne = "0 %"', 'airborne = "0 %"', "room.airborne", "above 0"),
    ('airborne = "1 %"', GONE, "[room]", "room.airborne", "the key 'airborne'"),
    ("mixing = 3", "mixing = 0.5", "mixing = 0.5", "room.mixing", "at least 1"),
    ('limit = "400 ppm"', 'limit = "400 %"', 'limit = "400 %"', "room.limit", "unit of concentration"),
    ('specific_power = "6.4 kW/(m^3/min)"', 'specific_power = "6.4 kW"', "specific_power", "energy.specific_power",
     "unit of specific power"),
    ("price_per_kwh = 0.18", "price_per_kwh = -1", "price_per_kwh", "energy.price_per_kwh", "at least 0"),
    ("price_per_kwh = 0.18", 'price_per_kwh = "0.18 EUR"', "price_per_kwh", "energy.price_per_kwh", "a number"),
    ('hours = "2000 h"', "hours = 2000", "hours = 2000", "energy.hours", "unit of time"),
    ('hours = "2000 h"', 'hours = "-1 h"', 'hours = "-1 h"', "energy.hours", "above 0"),
    ('balance = "0.01 g"', 'balance = "0 g"', 'balance = "0 g"', "weighing.balance", "above 0"),
    ('balance = "0.01 g"', GONE, "[weighing]", "weighing.balance", "the key 'balance'"),
    ('uncertainty = "2.1 %"', 'uncertainty = "100 %"', "uncertainty", "weighing.uncertainty", "below 1"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "place", "key", "words"), FAULTS,
                         ids=[f"{key}-{k}" for k, (_, _, _, key, _) in enumerate(FAULTS)])  # fmt: skip
def test_one_fault_with_its_line_and_key(tmp_path, old, new, place, key, words):
    assert TEXT.count(old) == 1
    text = TEXT.replace(old, new)
    assert text.count(place) == 1
    (fault,) = faults_of(put(tmp_path, text))
    assert fault.key == key and words in fault.expected, fault
    assert fault.line == text[: text.index(place)].count("\n") + 1


# What lacks the density or the molar mass that it is counted by.
NO_DENSITY = TEXT.replace('density = "0.92 g/mL"', GONE)
PARTS = {"tension": 'surface_tension = "32 mN/m"\ntip = "3 mm"\n',
         "room": TEXT[TEXT.index("[room]"): TEXT.index("[energy]")],
         "weighing": TEXT[TEXT.index("[weighing]"): TEXT.index("[[point]]")]}  # fmt: skip


@pytest.mark.parametrize(("left", "words"), [("tension", "surface_tension"), ("room", "[room]"),
                                             ("weighing", "[weighing]")])  # fmt: skip
def test_a_density_is_needed(tmp_path, left, words):
    text = NO_DENSITY
    for part in PARTS:
        text = text if part == left else text.replace(PARTS[part], "")
    (fault,) = faults_of(put(tmp_path, text))
    assert (fault.key, fault.line) == ("fluid.density", 1) and words in fault.expected


def test_a_molar_mass_is_needed(tmp_path):
    bare = TEXT.replace('molar_mass = "60.1 g/mol"\n', "")
    (fault,) = faults_of(put(tmp_path, bare.replace('limit = "400 ppm"', 'limit = "5 mg/m^3"')))
    assert (fault.key, fault.line) == ("fluid.molar_mass", 1) and "lower_flammable_limit" in fault.expected
    text = bare.replace('lower_flammable_limit = "2.0 %"\n', "")
    (fault,) = faults_of(put(tmp_path, text))
    assert (fault.key, fault.found) == ("room.limit", "'400 ppm'") and "molar_mass" in fault.expected
    assert fault.line == text[: text.index("400 ppm")].count("\n") + 1
    assert read(put(tmp_path, text.replace('limit = "400 ppm"', 'limit = "5 mg/m^3"'))).room is not None


OPTIONAL = [
    (part, key) for part in ("Fluid", "Pump", "Nozzle", "Tube", "Screw", "AirLine", "Air", "OilLine", "Reservoir",
                             "Room", "Energy", "Weighing", "Problem") for key in getattr(model, part).model_fields
    if part != "Problem" or key in ("oil_line", "reservoir", "room", "energy", "weighing")]  # fmt: skip


@pytest.mark.parametrize(("part", "key"), OPTIONAL, ids=lambda value: value)
def test_null_is_as_good_as_not_there(part, key):
    """Where a key may be left out without a default; elsewhere it is one fault at that key."""
    field = getattr(model, part).model_fields[key]
    for place in [PLACES[part], *([("nozzles", "drawn"), ("nozzles", "valve")] if part == "Nozzle" else [])]:
        data = full()
        if key not in at(data, place):
            continue
        outcomes = []
        for null in (True, False):
            data = copy.deepcopy(full())
            at(data, place)[key] = None
            if not null:
                del at(data, place)[key]
            try:
                outcomes.append(Problem(**data))
            except ProblemError as error:
                outcomes.append([fault.key for fault in error.faults])
        if field.is_required() or field.default is None:
            assert outcomes[0] == outcomes[1], place
        else:
            assert outcomes[0] == [named(place, key)]
