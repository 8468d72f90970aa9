"""Weighings: published values of metrology, a pump whose truth is known, and every fault of the file by its place."""

import json
import math
import random
import re
import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import stackopt
from stackopt.errors import OutOfRange, ProblemError
from stackopt.physics import weighing

# Published values

# ISO 8655-6:2002, table of Z [uL/mg] at 101.3 kPa and, of two temperatures, at 95 kPa (through a secondary text).
Z = [
    (20.0, 1.013, 1.0029), (20.5, 1.013, 1.0030), (21.0, 1.013, 1.0031), (21.5, 1.013, 1.0032),
    (22.0, 1.013, 1.0033), (22.5, 1.013, 1.0034), (23.0, 1.013, 1.0035), (23.5, 1.013, 1.0036),
    (20.0, 0.95, 1.0028), (23.5, 0.95, 1.0036),
]  # fmt: skip


@pytest.mark.parametrize(("temperature", "pressure", "z"), Z)
def test_z_factors_of_water(temperature, pressure, z):
    assert float(weighing.z_factor(temperature, pressure)) == pytest.approx(z, abs=6e-5)


def test_water_at_20_degrees():
    # Tanaka et al. 2001, Metrologia 38, 301-309: 998.2067 kg/m^3; the Z that goes with it at 101.3 kPa, 50 % humidity.
    assert float(weighing.water_density(20.0)) == pytest.approx(0.9982067, abs=5e-8)
    assert float(weighing.z_factor(20.0)) == pytest.approx(1.00285, abs=5e-6)


def test_density_of_air():
    # OIML R 111-1:2004, annex E: 1.2 kg/m^3 is the conventional value at 20 degC; from memory.
    assert float(weighing.air_density(20.0)) * 1000 == pytest.approx(1.2, abs=2e-3)


def test_a_standard_solution():
    # Eurachem/CITAC guide on uncertainty, example A1: 1002.7 mg/L, u 0.8 (inputs from its text, recomputed).
    volume = math.sqrt(weighing.triangular(0.1) ** 2 + 0.02**2 + weighing.rectangular(0.084) ** 2)
    assert volume == pytest.approx(0.06647, abs=1e-5)
    values, unsure = [100.28, 0.9999, 100.0], [0.05, float(weighing.rectangular(0.0001)), volume]

    def content(mass, purity, volume):
        return 1000 * mass * purity / volume

    assert content(*values) == pytest.approx(1002.700, abs=5e-4)
    assert weighing.combined(content, values, unsure) == pytest.approx(0.8352, abs=5e-5)
    relative = weighing.relative_uncertainty([1, 1, -1], [u / x for u, x in zip(unsure, values, strict=True)])
    assert 1002.700 * relative == pytest.approx(0.8352, abs=5e-5)


# Powers of a product, JCGM 100:2008 (GUM) 5.1.6, recomputed: 1, 0.5 and 2 % multiply; 1 % of a diameter to the fourth.
@pytest.mark.parametrize(("powers", "relatives", "whole"), [
    ([1, 1, 1], [0.01, 0.005, 0.02], 0.022913), ([4], [0.01], 0.04)])  # fmt: skip
def test_relative_uncertainties(powers, relatives, whole):
    assert weighing.relative_uncertainty(powers, relatives) == pytest.approx(whole, rel=1e-4)


# Two sensors of one temperature difference, u 0.2 and 0.3 (the worked examples of an open equation solver, no. 13).
@pytest.mark.parametrize(("correlation", "u"), [(0.5, 2.645751), (0.0, 3.605551), (1.0, 1.0)])
def test_correlated_sensors(correlation, u):
    related = [[1, correlation], [correlation, 1]]
    assert weighing.combined(lambda a, b: 10 * (a - b), [25.0, 20.0], [0.2, 0.3], related) == pytest.approx(u, abs=1e-6)


def test_mass_of_a_gas():
    # m = p V / (208.1 T) of the same worked examples, no. 15: 0.1519115523 and u 0.0070786806.
    values, unsure = [934e3, 0.010, 295.45], [22e3, 0.0004, 1.2]

    def mass(p, v, t):
        return p * v / (208.1 * t)

    assert mass(*values) == pytest.approx(0.1519115523, abs=1e-10)
    assert weighing.combined(mass, values, unsure) == pytest.approx(0.0070786806, abs=1e-9)


# JCGM 100:2008 (GUM) H.2, resistance and reactance of one element from V, I and the phase, correlated; from memory.
@pytest.mark.parametrize(("function", "value", "u"), [
    (lambda v, i, phase: v / i * math.cos(phase), 127.732, 0.071),
    (lambda v, i, phase: v / i * math.sin(phase), 219.847, 0.295),
    (lambda v, i, phase: v / i, 254.260, 0.236)])  # fmt: skip
def test_simultaneous_resistance_and_reactance(function, value, u):
    values, unsure = [4.9990, 19.6610e-3, 1.04446], [0.0032, 0.0095e-3, 0.00075]
    related = [[1, -0.36, 0.86], [-0.36, 1, -0.65], [0.86, -0.65, 1]]
    assert function(*values) == pytest.approx(value, abs=1.5e-3)
    assert weighing.combined(function, values, unsure, related) == pytest.approx(u, abs=1.5e-3)


def test_effective_degrees_of_freedom():
    # JCGM 100:2008 (GUM) G.4.1, example: 0.25, 0.57 and 0.82 % of 10, 5 and 15 readings give 1.03 % with 19.0;
    # from memory.
    assert math.hypot(0.25, 0.57, 0.82) == pytest.approx(1.03, abs=5e-3)
    assert weighing.effective_freedom([0.25, 0.57, 0.82], [9, 4, 14]) == pytest.approx(19.0, abs=0.05)


# Type B limits, JCGM 100:2008 (GUM) 4.3.7 (copper, a voltmeter) and a triangle of +-0.1 (Eurachem/CITAC); from memory.
@pytest.mark.parametrize(("shape", "limit", "u"), [
    (weighing.rectangular, 0.40e-6, 0.23e-6), (weighing.rectangular, 15e-6, 8.7e-6),
    (weighing.triangular, 0.1, 0.0408)])  # fmt: skip
def test_limits_of_error(shape, limit, u):
    assert float(shape(limit)) == pytest.approx(u, rel=6e-3)


# Grubbs 1969, Technometrics 11(1), limits of an outlier on either side, 5 %; from memory.
@pytest.mark.parametrize(("count", "limit"), [
    (3, 1.155), (4, 1.481), (5, 1.715), (6, 1.887), (7, 2.020), (8, 2.126), (9, 2.215), (10, 2.290)])  # fmt: skip
def test_limits_of_outliers(count, limit):
    assert weighing.grubbs_limit(count) == pytest.approx(limit, abs=1.1e-3)


def test_twenty_temperatures():
    # JCGM 100:2008 (GUM) 4.4.3, table 1: mean 100.145 degC, s 1.489, u 0.333; from memory.
    read = [96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07,
            100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72]  # fmt: skip
    scatter = weighing.variation(read) * 100.145
    assert scatter == pytest.approx(1.489, abs=5e-4) and scatter / math.sqrt(20) == pytest.approx(0.333, abs=5e-4)
    assert weighing.systematic_error(read, 100.0) == pytest.approx(0.145, abs=5e-4)


def test_outside_its_range_a_function_warns():
    for call in (lambda: weighing.water_density(50.0), lambda: weighing.air_density(20.0, 0.2),
                 lambda: weighing.z_factor(35.0)):  # fmt: skip
        with pytest.warns(OutOfRange):
            call()


@pytest.mark.parametrize("call", [
    lambda: weighing.variation([1.0]), lambda: weighing.grubbs_limit(2), lambda: weighing.pooled([1.0], [0]),
    lambda: weighing.combined(math.sin, [1.0], [-1.0]), lambda: weighing.combined(math.sin, [1.0], [])])  # fmt: skip
def test_what_cannot_be_is_refused(call):
    with pytest.raises(ValueError):
        call()


# A machine

POINT = {"dose": "12 mL/h", "tolerance": "10 %", "nozzle": "small", "air_per_dose": {"min": "150 L/mL"}}
DATA = {
    "fluid": {"kind": "neat oil", "density": "0.9 g/mL"},
    "generator": {"rate": {"min": "4/min", "max": "60/min", "step": "1/min"}},
    "pumps": {
        "standard": {"stroke_volume": "0.06 mL", "marks": {"1": 0.2, "2": 0.6, "3": 1.0}},
        "big one": {"stroke_volume": "0.1 mL", "marks": {"low": 0.5, "high": 1.0}},
        "partial": {"stroke_volume": "0.05 mL", "marks": {"1": 0.2, "2": 0.9}},
    },
    "nozzles": {"small": {"turns": [0, 1], "flow": ["0 L/min", "32 L/min"]}},
    "air": {"pressure": "6 bar", "capacity": "300 L/min"},
    "point": [
        {"name": "a", "pump": "standard", **POINT},
        {"name": "b", "pump": "standard", "count": 2, **POINT},
        {"name": "c", "pump": ["standard", "big one"], **POINT},
    ],
}  # fmt: skip
HEAD = ["pump", "point", "mark", "strokes", "mass", "tare", "balance", "temperature", "run"]


def machine(**changes):
    return stackopt.Problem(**{**DATA, **changes})


def sheet(rows, delimiter=",", head=HEAD):
    return "\n".join(delimiter.join(line) for line in [head, *([row.get(key, "") for key in head] for row in rows)])


def put(folder, text, name="w.csv"):
    file = folder / name
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    return str(file)


def row(mark, mass, strokes=100, pump="standard", **more):
    return {"pump": pump, "mark": mark, "strokes": str(strokes), "mass": f"{mass} g", **more}


def answer(folder, rows, problem=None, **options):
    return stackopt.calibrate(problem or machine(), put(folder, sheet(rows)), **options)


# Worked by hand: density 0.9, 100 strokes: 5.4 g are 6 mL, so 0.06 mL a stroke; 1.08 g are 0.012 mL.
HAND = [row("1", 1.08), row("2", 3.24), row("3", 5.40), row("3", 5.58), row("3", 5.49)]


def test_figures_worked_by_hand(tmp_path):
    found = answer(tmp_path, HAND)
    (pump,) = found.pumps
    assert pump.stroke_volume_mL == pytest.approx(0.061, rel=1e-12) and pump.full_mark == "3"
    # s = 0.001 mL between three runs, so u = 0.001 / sqrt(3) with two degrees of freedom.
    assert pump.u_stroke_volume_mL == pytest.approx(0.001 / math.sqrt(3), rel=1e-9)
    assert pump.degrees_of_freedom == pytest.approx(2)
    one, two, three = pump.marks
    assert one.share == pytest.approx(0.012 / 0.061) and two.share == pytest.approx(0.036 / 0.061)
    assert (three.share, three.u_share) == (1.0, 0.0)
    # A single run borrows the relative scatter 1/61 of mark 3; the share adds that of the full mark.
    assert one.u_stroke_mL == pytest.approx(0.012 / 61, rel=1e-9) and one.scatter_from == "pooled"
    assert one.u_share == pytest.approx(one.share * math.sqrt(1 / 61**2 + 1 / 61**2 / 3), rel=1e-9)
    assert three.spread == pytest.approx(2 / 61)
    assert found.exit_code == 0 and not found.refused


def test_the_balance_counts_as_a_rectangle_twice_with_a_tare(tmp_path):
    rows = [row("3", 15.40, tare="10 g", balance="0.09 g"), row("3", 15.40, tare="10 g", balance="0.09 g")]
    (pump,) = answer(tmp_path, rows).pumps
    # 0.09 g / sqrt(3) sqrt(2) over 0.9 g/mL and 100 strokes; two equal runs do not make it less.
    assert pump.u_stroke_volume_mL == pytest.approx(0.001 * math.sqrt(2 / 3), rel=1e-9)
    assert pump.degrees_of_freedom is None  # a limit is known: infinitely many
    (pump,) = answer(tmp_path, [row("3", 5.40, balance="0.09 g")] * 2).pumps
    assert pump.u_stroke_volume_mL == pytest.approx(0.001 / math.sqrt(3), rel=1e-9)


def test_single_runs_alone_leave_the_uncertainty_unknown(tmp_path):
    found = answer(tmp_path, [row("1", 1.08), row("3", 5.40)])
    (pump,) = found.pumps
    assert pump.u_stroke_volume_mL is None and pump.marks[0].u_share is None
    assert any("no mark has two runs" in text for text in found.warnings)
    assert found.to_dict()["pumps"][0]["u_stroke_volume_mL"] is None
    assert "unknown" in str(found)


def test_marks_not_weighed_keep_the_share_of_the_file(tmp_path):
    found = answer(tmp_path, [row("3", 5.40), row("3", 5.58), row("3", 5.49)])
    assert [mark.share for mark in found.pumps[0].marks] == [0.2, 0.6, 1.0]
    assert any("mark 1, 2 not weighed" in text and "+1.7 %" in text for text in found.warnings)
    assert found.changed().pumps["standard"].marks == {"1": 0.2, "2": 0.6, "3": 1.0}


@pytest.mark.parametrize(("rows", "why"), [
    ([row("1", 1.08), row("1", 1.09)], "its full mark 3 was not weighed"),
    ([row("2", 4.05, pump="partial"), row("2", 4.06, pump="partial")], "no mark has the share 1")])  # fmt: skip
def test_without_the_full_mark_the_stroke_volume_stays(tmp_path, rows, why):
    found = answer(tmp_path, rows)
    (pump,) = found.pumps
    assert not pump.measured and pump.stroke_volume_mL == machine().pumps[pump.pump].stroke_volume.number
    weighed = next(mark for mark in pump.marks if mark.runs)
    assert weighed.share == pytest.approx(weighed.stroke_mL / pump.stroke_volume_mL, rel=1e-12)
    assert weighed.u_share == pytest.approx(weighed.u_stroke_mL / pump.stroke_volume_mL, rel=1e-12)
    assert "stroke_volume" not in pump.written and any(why in text for text in found.warnings)


def test_rows_by_point_count_its_pumps_and_name_its_pump(tmp_path):
    by_point = [{**row("3", 10.80), "pump": "", "point": "b"}, {**row("3", 5.40), "pump": "", "point": "a"}]
    (pump,) = answer(tmp_path, by_point).pumps
    assert pump.pump == "standard" and pump.stroke_volume_mL == pytest.approx(0.06, rel=1e-12)
    (pump,) = answer(tmp_path, [{**row("high", 9.0, pump="big one"), "point": "c"}]).pumps
    assert pump.pump == "big one" and pump.stroke_volume_mL == pytest.approx(0.1, rel=1e-12)


def test_points_that_differ_are_told(tmp_path):
    noise = (0.0, 0.01, -0.01, 0.005)
    rows = [{**row("3", 5.40 + e), "point": "a", "pump": ""} for e in noise]
    rows += [{**row("3", 2 * (5.94 + e)), "point": "b", "pump": ""} for e in noise]
    found = answer(tmp_path, rows)
    (pump,) = found.pumps
    assert [(d.point, d.exceeds) for d in pump.points] == [("a", True), ("b", True)]
    assert pump.points[1].difference == pytest.approx(0.1, abs=1e-3)
    assert any("b gives +9.9 %" in text or "b gives +10.0 %" in text for text in found.warnings)
    alike = [{**r, "mass": f"{5.40 + e} g"} for r, e in zip(rows[:4], noise, strict=True)]
    alike += [{**r, "mass": f"{2 * (5.40 + e)} g"} for r, e in zip(rows[4:], noise, strict=True)]
    assert not any(d.exceeds for d in answer(tmp_path, alike).pumps[0].points)


def test_outliers_are_named_and_not_dropped(tmp_path):
    masses = [5.40, 5.41, 5.39, 5.40, 6.50]
    found = answer(tmp_path, [row("3", m, run=f"r{k}") for k, m in enumerate(masses)])
    (outlier,) = found.outliers
    assert (outlier.line, outlier.run) == (6, "r4")
    assert outlier.mean_without_mL == pytest.approx(0.06, rel=1e-9)
    assert found.pumps[0].stroke_volume_mL == pytest.approx(sum(masses) / 5 / 90, rel=1e-12)
    assert "line 6" in found.warnings[0] and found.exit_code == 0


def test_falling_shares_are_told_refused_and_fitted_only_if_asked(tmp_path):
    rows = [row("1", 1.08), row("1", 1.09), row("2", 5.51), row("2", 5.49), row("3", 5.41), row("3", 5.39)]
    found = answer(tmp_path, rows)
    assert found.pumps[0].marks[1].share > 1 and any("--rising" in text for text in found.warnings)
    assert found.refused and any("pumps.standard.marks" in text for text in found.refused)
    with pytest.raises(ProblemError):
        found.changed()
    fitted = answer(tmp_path, rows, rising=True)
    shares = [mark.share for mark in fitted.pumps[0].marks]
    assert shares == sorted(shares) and shares[1:] == [1.0, 1.0] and not fitted.refused
    assert [mark.fitted for mark in fitted.pumps[0].marks] == [False, True, True]
    two, three = fitted.pumps[0].marks[1:]
    weights = [1 / two.u_stroke_mL**2, 1 / three.u_stroke_mL**2]
    assert fitted.pumps[0].stroke_volume_mL == pytest.approx(
        np.average([two.stroke_mL, three.stroke_mL], weights=weights), rel=1e-9)  # fmt: skip
    assert answer(tmp_path, HAND, rising=True).to_dict()["pumps"] == answer(tmp_path, HAND).to_dict()["pumps"]


def test_water_by_its_z_factor(tmp_path):
    # 6 g of water at 20 degC for 100 strokes, Z = 1.0029 of ISO 8655-6:2002.
    rows = [row("3", 6.0, temperature="20 degC"), row("3", 6.0, temperature="68 degF")]
    no_density = machine(fluid={"kind": "neat oil"})
    found = answer(tmp_path, rows, no_density, water=True)
    assert found.pumps[0].stroke_volume_mL == pytest.approx(0.06 * 1.0029, abs=6e-6)
    assert any("fewer than 10 runs" in text for text in found.warnings)
    assert not any("fewer than 10 runs" in text for text in answer(tmp_path, rows * 5, no_density, water=True).warnings)


def test_oil_of_unequal_temperature_is_told_and_not_corrected(tmp_path):
    rows = [row("3", 5.40, temperature="20 degC"), row("3", 5.40, temperature="30 degC")]
    found = answer(tmp_path, rows)
    assert found.pumps[0].stroke_volume_mL == pytest.approx(0.06, rel=1e-12)
    assert any("10 K" in text for text in found.warnings)


# Properties


def simulated(seed, runs, truth, scatter):
    """Weighings of a pump of known outputs: each run off by a share of its own."""
    chance = random.Random(seed)
    return [row(mark, 0.9 * 100 * output * (1 + chance.gauss(0, scatter)), 100)
            for mark, output in truth.items() for _ in range(runs)]  # fmt: skip


def test_the_truth_lies_within_three_uncertainties_nearly_always(tmp_path):
    truth = {"1": 0.0135, "2": 0.037, "3": 0.0613}
    inside, close = [], []
    for seed in range(60):
        pump = answer(tmp_path, simulated(seed, 8, truth, 0.01)).pumps[0]
        off = abs(pump.stroke_volume_mL - 0.0613) / pump.u_stroke_volume_mL
        inside += [off <= 3, *(abs(m.share - truth[m.mark] / 0.0613) <= 3 * m.u_share for m in pump.marks[:2])]
        close.append(off <= 1)
    # Three standard uncertainties with seven degrees of freedom hold 98 %.
    assert np.mean(inside) >= 0.95
    # And u is no larger than it must be: one standard uncertainty holds about two thirds.
    assert 0.45 <= np.mean(close) <= 0.85


_GRAMS = st.floats(0.05, 20).map(lambda m: round(m, 4))
_RUN = st.tuples(st.sampled_from(["1", "2", "3"]), _GRAMS, st.integers(1, 500), st.booleans(), st.booleans())
_RUNS = st.lists(_RUN, min_size=1, max_size=12)


def as_rows(runs):
    return [row(mark, mass + (3 if tare else 0), strokes, tare="3 g" if tare else "", balance="2 mg" if known else "")
            for mark, mass, strokes, tare, known in runs]  # fmt: skip


@given(runs=_RUNS, seed=st.integers(0, 99))
@settings(max_examples=settings().max_examples)
def test_order_changes_nothing_json_is_clean_and_what_is_written_reads_back(tmp_path_factory, runs, seed):
    folder = tmp_path_factory.mktemp("w")
    rows = as_rows(runs)
    found = answer(folder, rows)
    data = found.to_dict()
    json.loads(json.dumps(data, allow_nan=False))
    mixed = rows[:]
    random.Random(seed).shuffle(mixed)
    again = answer(folder, mixed).to_dict()
    assert again["pumps"] == data["pumps"] and again["toml"] == data["toml"] and again["refused"] == data["refused"]
    for one in answer(folder, rows, rising=True).pumps:
        outputs = [m.share for m in one.marks if m.runs]
        assert outputs == sorted(outputs)
    pasted = tomllib.loads(found.toml)["pumps"]["standard"]
    if found.refused:
        return
    read = found.changed().pumps["standard"]
    assert dict(read.marks) == pasted["marks"]
    (pump,) = found.pumps
    if pump.measured:
        assert read.stroke_volume.text == pasted["stroke_volume"]
        half = pump.u_stroke_volume_mL or pump.stroke_volume_mL * 1e-3
        assert abs(read.stroke_volume.number - pump.stroke_volume_mL) <= max(0.06 * half, 6e-3 * pump.stroke_volume_mL)
    for mark in pump.marks:
        allowed = 0.06 * mark.u_share if mark.u_share else 1e-3 * mark.share
        assert abs(read.marks[mark.mark] - mark.share) <= max(allowed, 6e-3 * mark.share)


# Faults, and the command line


def faults(folder, text, problem=None, **options):
    with pytest.raises(ProblemError) as caught:
        stackopt.calibrate(problem or machine(), put(folder, text), **options)
    assert caught.value.file == str(folder / "w.csv") and caught.value.exit_code == 2
    return [(f.line, f.key, f.found, f.expected) for f in caught.value.faults]


FAULTY = [
    (row("9", 5.4), "mark", "'9'", "a mark of pump standard: 1, 2, 3"),
    (row("3", 5.4, pump="standrd"), "pump", "'standrd'", "standard"),
    ({**row("3", 5.4), "pump": "", "point": "d"}, "point", "'d'", "a point: a, b, c"),
    ({**row("3", 5.4), "pump": "", "point": "c"}, "pump", "nothing", "which of its pumps c had: standard, big one"),
    ({**row("high", 5.4, pump="big one"), "point": "a"}, "pump", "'big one'", "a pump of a: standard"),
    ({**row("3", 5.4), "pump": ""}, "pump", "nothing", "a pump or a point"),
    (row("3", 5.4, 0), "strokes", "'0'", "a whole number of strokes, as in 200"),
    (row("3", 5.4, -5), "strokes", "'-5'", "a whole number"),
    (row("3", 5.4, 10.5), "strokes", "'10.5'", "a whole number"),
    (row("3", 5.4, "1e30"), "strokes", "'1e30'", "a number"),
    (row("3", 5.4, "100 strokes"), "strokes", "'100 strokes'", "a number, as in 200"),
    (row("3", 5.4, ""), "strokes", "nothing", "a number"),
    ({**row("3", 0), "mass": "1,5 g"}, "mass", "'1,5 g'", "a decimal point, not a comma"),
    ({**row("3", 0), "mass": "1.5"}, "mass", "'1.5'", "a unit of mass, as in '0.85 g'"),
    ({**row("3", 0), "mass": "1.5 mL"}, "mass", "'1.5 mL'", "a unit of mass"),
    ({**row("3", 0), "mass": ""}, "mass", "nothing", "a mass"),
    ({**row("3", 0), "mass": "1e300 g"}, "mass", "'1e300 g'", "a number that a machine can have"),
    ({**row("3", 0), "mass": "nan g"}, "mass", "'nan g'", "a number in plain digits"),
    (row("3", 0), "mass", "'0 g'", "above 0"),
    (row("3", -1), "mass", "'-1 g'", "above 0"),
    (row("3", 1e-11, 1000000), "mass", "'1e-11 g'", "an output that a pump can have"),
    (row("3", 5.4, tare="5.4 g"), "mass", "'5.4 g'", "more than the tare, 5.4 g"),
    (row("3", 5.4, tare="-1 g"), "tare", "'-1 g'", "at least 0"),
    (row("3", 5.4, balance="2"), "balance", "'2'", "a unit of mass"),
    (row("3", 5.4, temperature="20 C"), "temperature", "'20 C'", "a unit of temperature"),
    (row("3", 5.4, temperature="-300 degC"), "temperature", "'-300 degC'", "at least -273.15"),
]  # fmt: skip


@pytest.mark.parametrize(("bad", "key", "found", "expected"), FAULTY)
def test_a_fault_has_its_line_and_column(tmp_path, bad, key, found, expected):
    for delimiter in (",", ";"):
        if delimiter == "," and any("," in cell for cell in bad.values()):
            continue
        ((line, *rest),) = faults(tmp_path, sheet([row("3", 5.4), bad], delimiter))
        assert line == 3 and rest[:2] == [key, found] and expected in rest[2]


def test_every_fault_is_listed_at_once(tmp_path):
    assert [fault[:2] for fault in faults(tmp_path, sheet([bad for bad, *_ in FAULTY], ";"))] == [
        (n, key) for n, (_, key, *_) in enumerate(FAULTY, 2)]  # fmt: skip


@pytest.mark.parametrize(("text", "line", "found"), [
    ("", 1, "no row of a weighing or a trial"),
    ("\ufeff\n\n", 3, "no row of a weighing or a trial"),
    ("pump,mark,strokes,mass\n", 2, "no row of a weighing or a trial"),
    ("pump,mark\nstandard,1\n", 1, "neither mass nor seen"),
    ("pump,mark,mass,seen\nstandard,1,2 g,fog\n", 1, "both mass and seen"),
    ("pump,mark,strokes,mass,massa\nstandard,3,100,5.4 g,1\n", 1, "'massa'"),
    ("pump,mark,strokes,mass,mass\nstandard,3,100,5.4 g,1 g\n", 1, "'mass' 2 times"),
    ("pump,mark,mass\nstandard,3,5.4 g\n", 1, "no strokes"),
    ("mark,strokes,mass\n3,100,5.4 g\n", None, "neither pump nor point"),
    ("pump,mark,strokes,mass\nstandard,3,100,5,4 g\n", 2, "5 cells"),
    ('pump,mark,strokes,mass\nstandard,3,100,"5.4 g\n', 2, "unexpected end of data"),
    (b"pump,mark,strokes,mass\nstandard,3,100,5.4 \xff\n", 2, "the byte 0xff")])  # fmt: skip
def test_a_file_that_is_no_table_of_weighings(tmp_path, text, line, found):
    assert (line, found) in [(at, what) for at, _, what, _ in faults(tmp_path, text)]


def test_grams_need_a_density_and_water_its_temperature(tmp_path):
    no_density = machine(fluid={"kind": "neat oil"})
    ((line, key, found, expected),) = faults(tmp_path, sheet(HAND), no_density)
    assert (line, key) == (None, "mass") and "density" in found and "--water" in expected
    rows = [row("3", 6.0), row("3", 6.0, temperature="60 degC")]
    assert [f[:3] for f in faults(tmp_path, sheet(rows), no_density, water=True)] == [
        (2, "temperature", "nothing"), (3, "temperature", "'60 degC'")]  # fmt: skip
    head = [key for key in HEAD if key != "temperature"]
    ((_, key, found, _),) = faults(tmp_path, sheet(rows, head=head), no_density, water=True)
    assert (key, found) == ("temperature", "no such column")


def test_a_run_counts_once(tmp_path):
    rows = [row("3", 5.4, run="1"), row("2", 3.2, run="1"), row("3", 5.5, run="1")]
    ((line, key, _, expected),) = faults(tmp_path, sheet(rows))
    assert (line, key) == (4, "run") and "line 2" in expected


def test_a_missing_file(tmp_path):
    with pytest.raises(ProblemError, match="a file that can be read"):
        stackopt.calibrate(machine(), tmp_path / "none.csv")


@pytest.mark.parametrize("delimiter", [",", ";"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_files_from_spreadsheets(tmp_path, delimiter, mark, end):
    text = sheet(HAND, delimiter) + "\n" + delimiter * 8 + "\n\n"
    found = stackopt.calibrate(machine(), put(tmp_path, mark + text.replace("\n", end).encode()))
    assert found.pumps == answer(tmp_path, HAND).pumps


def files(folder, rows=HAND):
    return put(folder, json.dumps(DATA), "m.json"), put(folder, sheet(rows))


def test_the_command_prints_what_to_paste(run, tmp_path):
    code, out, err = run("calibrate", *files(tmp_path))
    assert (code, err) == (0, "") and all(len(line) <= 80 for line in out.splitlines() if "=" not in line)
    assert 'stroke_volume = "0.06100 mL"' in out and "caution" in out and "local codes" in out
    assert re.search(r'marks = \{ "1" = 0\.1967, "2" = 0\.5902, "3" = 1\.0 \}', out)
    code, out, err = run("calibrate", *files(tmp_path), "--json")
    data = json.loads(out)
    assert (code, err) == (0, "") and (data["format"], data["kind"]) == ("stackopt.calibration/1", "weighings")
    assert data == stackopt.calibrate(stackopt.read(tmp_path / "m.json"), tmp_path / "w.csv").to_dict()
    assert [key["key"] for key in data["keys"]] == ["pumps.standard.stroke_volume", "pumps.standard.marks"]
    assert data["keys"][0]["from"] == "0.06 mL"


def test_write_makes_a_new_file_and_touches_no_old_one(run, tmp_path):
    machine_file, csv_file = files(tmp_path)
    before = [Path(name).read_bytes() for name in (machine_file, csv_file)]
    new = str(tmp_path / "new.toml")
    code, out, err = run("calibrate", machine_file, csv_file, "--write", new, "--json")
    assert code == 0 and f"wrote {new}" in err and json.loads(out)
    written = stackopt.read(new)
    assert written == stackopt.calibrate(stackopt.read(machine_file), csv_file).changed()
    assert written.pumps["standard"].stroke_volume.number == pytest.approx(0.061, rel=1e-6)
    assert written.pumps["big one"] == machine().pumps["big one"] and written.point == machine().point
    after = Path(new).read_bytes()
    for target in (new, machine_file, csv_file):
        code, out, err = run("calibrate", machine_file, csv_file, "--write", target, "--json")
        assert code == 2 and "nothing is overwritten" in err and json.loads(out)["format"] == "stackopt.fault/1"
    assert [Path(name).read_bytes() for name in (machine_file, csv_file)] == before
    assert Path(new).read_bytes() == after


def test_write_says_why_it_refuses(run, tmp_path):
    rows = [row("2", 5.51), row("2", 5.49), row("3", 5.41), row("3", 5.39)]
    new = tmp_path / "new.toml"
    code, out, err = run("calibrate", *files(tmp_path, rows), "--write", str(new), "--json")
    assert code == 2 and not new.exists() and json.loads(out)["refused"]
    assert "is not written: pumps.standard.marks" in err
    assert run("calibrate", *files(tmp_path, rows), "--write", str(new), "--rising")[0] == 0
    assert new.exists()


def test_faults_on_the_command_line(run, tmp_path):
    machine_file, csv_file = files(tmp_path, [row("9", 5.4), row("3", 5.4, 0)])
    code, out, err = run("calibrate", machine_file, csv_file, "--json")
    data = json.loads(out)
    assert code == data["exit"] == 2 and data["file"] == csv_file
    assert [(f["line"], f["key"]) for f in data["faults"]] == [(2, "mark"), (3, "strokes")]
    assert err.splitlines()[0].startswith(f"{csv_file}: line 2, mark: found '9'; expected")
    assert run("calibrate", machine_file)[0] == 2
    assert run("calibrate", put(tmp_path, "{}", "bad.json"), csv_file)[0] == 2


def test_standard_input_for_either_file(run, tmp_path):
    machine_file, csv_file = files(tmp_path)
    assert run("calibrate", machine_file, "-", stdin=sheet(HAND))[0] == 0
    assert run("calibrate", "-", csv_file, stdin=json.dumps(DATA))[0] == 0
    code, _, err = run("calibrate", "-", "-", stdin=json.dumps(DATA))
    assert code == 2 and "- for both files" in err


def test_a_fluid_that_vanishes_brings_its_caution(tmp_path):
    found = answer(tmp_path, HAND, machine(fluid={"kind": "vanishing", "density": "0.9 g/mL"}))
    assert "flammable" in found.cautions[-1] and "closed vial" in found.cautions[-1]


def test_the_limit_of_the_balance_may_stand_in_the_problem_file(tmp_path):
    problem = machine(weighing={"balance": "0.09 g"})
    one, two = (answer(tmp_path, rows, problem).pumps[0] for rows in (
        [row("3", 5.40)] * 2, [row("3", 5.40, balance="0.18 g")] * 2))  # fmt: skip
    assert one.u_stroke_volume_mL == pytest.approx(0.001 / math.sqrt(3), rel=1e-9)
    assert two.u_stroke_volume_mL == pytest.approx(2 * one.u_stroke_volume_mL, rel=1e-9)


@pytest.mark.parametrize(("limits", "said"), [
    (("2 mg", "2 mg"), None), (("2 mg", ""), "pump big one: its runs have no limit"), (("", ""), None)])
def test_a_pump_whose_runs_have_no_limit_of_error_is_named_where_others_have(tmp_path, limits, said):
    rows = [{**row(mark, mass, pump=pump), "balance": limit} for pump, mark, limit in (
        ("standard", "3", limits[0]), ("big one", "high", limits[1])) for mass in (5.40, 5.41)]  # fmt: skip
    told = [text for text in answer(tmp_path, rows).warnings if "limit of error" in text]
    assert [text[: len(said)] for text in told] == [said] if said else told == []
