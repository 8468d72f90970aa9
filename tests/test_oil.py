"""Published values of oil in its tubes, each beside its source; and what must hold of them.

"From memory" stands where a source could not be opened when the test was written; "recomputed" where a value is the
published equation worked out apart from this code.
"""

import math
import warnings

import fluids
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from stackopt.errors import OutOfRange
from stackopt.physics import oil

PASCAL = 1e-5  # bar
PSI = 0.0689475729316836  # bar
FOOT = 0.3048  # m
GALLON = 3785.411784  # mL
POUND_PER_FOOT = 0.016018463  # lb/ft3 in g/mL

KNOWN = [((40, 100), (404, 28)), ((40, 80), (68, 14.85)), ((40, 100), (32, 5.4))]


# Viscosity by temperature


@pytest.mark.parametrize(
    ("temperatures", "viscosities", "at", "value", "within"),
    [
        # ASTM D341 through two calculation pages: a gear oil, an industrial oil; and a spreadsheet (0 degC as 273 K).
        (*KNOWN[0], 60, 132.126, 5e-4),
        (*KNOWN[1], 100, 8.8, 0.05),
        (*KNOWN[2], 80, 8.5, 0.05),
    ],
)
def test_viscosity_by_the_standard(temperatures, viscosities, at, value, within):
    assert oil.viscosity_at(at, temperatures, viscosities) == pytest.approx(value, abs=within)


def test_constants_of_the_standard():
    # The spreadsheet's constants, A = 9.5259 and B = 3.7449 with 0 degC taken as 273 K (hence the tolerance).
    temperature = np.array([50.0, 60.0, 70.0, 90.0])
    value = 10 ** 10 ** (9.5259 - 3.7449 * np.log10(temperature + 273)) - 0.7
    assert oil.viscosity_at(temperature, *KNOWN[2]) == pytest.approx(value, rel=5e-4)


@pytest.mark.parametrize(
    ("at_40", "at_100", "at_60"),
    [
        # Table of an open viscosity library: naphthenic and paraffinic spindle oil, solvent extract, polyglycol,
        # silicone, multigrade, ester, mineral oil. It takes 0.58 to 0.93 for the 0.7 of the standard.
        (30, 4.24, 13.1064),
        (30, 5.23, 14.525),
        (120, 8, 36.9947),
        (120, 20.9, 59.5139),
        (120, 50, 86.3819),
        (70, 11.1, 32.9198),
        (30, 5.81, 15.2728),
        (68, 8.6, 28.6455),
    ],
)
def test_viscosity_by_a_variant(at_40, at_100, at_60):
    assert oil.viscosity_at(60, (40, 100), (at_40, at_100)) == pytest.approx(at_60, rel=0.011)


@pytest.mark.parametrize(("temperatures", "viscosities"), KNOWN)
@pytest.mark.parametrize("at", [0, 20, 60, 90, 110])
def test_thin_liquids_alone_need_the_full_standard(temperatures, viscosities, at):
    """Z = nu + 0.7 + exp(-1.47 - 1.84 nu - 0.51 nu^2) of ASTM D341 adds nothing that counts from 2 mm2/s."""

    def full(nu):
        return math.log(math.log10(nu + 0.7 + math.exp(-1.47 - 1.84 * nu - 0.51 * nu * nu)))

    warm, cold = (math.log(t + 273.15) for t in temperatures)
    share = (math.log(at + 273.15) - warm) / (cold - warm)
    goal = full(viscosities[0]) + share * (full(viscosities[1]) - full(viscosities[0]))
    value = brentq(lambda nu: full(nu) - goal, 0.5, 1e6)
    assert oil.viscosity_at(at, temperatures, viscosities) == pytest.approx(value, rel=1e-3)


@given(st.floats(-20, 60), st.floats(40, 100), st.floats(2.5, 30), st.floats(1.2, 40), st.floats(-40, 160))
def test_viscosity_falls_with_temperature(cold, gap, thin, times, at):
    temperatures, viscosities = (cold, cold + gap), (thin * times, thin)
    assert oil.viscosity_at(np.array(temperatures), temperatures, viscosities) == pytest.approx(viscosities, rel=1e-11)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", OutOfRange)
        assert oil.viscosity_at(at, temperatures, viscosities) > oil.viscosity_at(at + 1, temperatures, viscosities)
        turned = oil.viscosity_at(at, temperatures[::-1], viscosities[::-1])
        assert turned == pytest.approx(oil.viscosity_at(at, temperatures, viscosities), rel=1e-9)


@pytest.mark.parametrize(
    ("at", "viscosities"), [(150, (20, 3)), (60, (5, 1.9)), (-270, (32, 5.4))], ids=["result", "known", "frozen"]
)
def test_viscosity_warns_outside_its_range(at, viscosities):
    with pytest.warns(OutOfRange, match="2 to 2e7") as caught:
        assert oil.viscosity_at(at, (40, 100), viscosities) > 0
    assert [w.filename for w in caught] == [__file__]


@pytest.mark.parametrize(
    ("temperatures", "viscosities"),
    [
        ((40, 40), (32, 5.4)),
        ((40, 100), (5.4, 32)),
        ((40, 100), (32, 32)),
        ((40, 100), (32, 0.3)),
        ((40, 100), (math.inf, 5.4)),
        ((40, -300), (5.4, 32)),
        ((40, 80, 100), (32, 10, 5.4)),
    ],
)
def test_impossible_viscosities(temperatures, viscosities):
    with pytest.raises(ValueError):
        oil.viscosity_at(60, temperatures, viscosities)


# Tubes


@pytest.mark.parametrize(
    ("viscosity", "length", "flow", "bore", "loss", "share"),
    [
        # White, Fluid Mechanics, problem 6.19 (solution: 0.292 Pa s): 0.071 m3/h through 5 mm, 375 kPa/m.
        (291.67, 1.0, 71000 / 60, 5.0, 3.75, 1e-4),
        (292.0, 1.0, 71000 / 60, 5.0, 3.75, 2e-3),
        # White, problem 6.20, soda straw: 3 cm3/s through 2 mm, 9980 Pa/m; recomputed 9984.74.
        (1.307, 0.2, 180.0, 2.0, 9980 * 0.2 * PASCAL, 1e-3),
        (1.307, 0.2, 180.0, 2.0, 9984.74 * 0.2 * PASCAL, 1e-6),
        # Oil tubes of 3 m at 50 mL/h, 0.92 g/mL: 40, 40 and 100 mm2/s; recomputed by closed form.
        (36.8, 3.0, 50 / 60, 2.0, 3904.6 * PASCAL, 1e-4),
        (36.8, 3.0, 50 / 60, 1.0, 62473.6 * PASCAL, 1e-4),
        (92.0, 3.0, 50 / 60, 2.0, 9761.5 * PASCAL, 1e-4),
        # Crane, Technical Paper 410, example 7-9 (as in the handbook of an open fluids library): SAE 30 oil, 400 gpm
        # through 5 in schedule 40 (5.047 in), 130 cP; 300 ft of straight pipe alone 6.56 psi.
        (130.0, 300 * FOOT, 400 * GALLON, 5.047 * 25.4, 6.56 * PSI, 2e-3),
    ],
)
def test_pressure_loss(viscosity, length, flow, bore, loss, share):
    assert oil.pressure_loss(viscosity, length, flow, bore) == pytest.approx(loss, rel=share)


@pytest.mark.parametrize(
    ("flow", "bore", "kinematic", "number", "share"),
    [
        # White, problem 6.19, with 900 kg/m3: about 16, recomputed 15.5; problem 6.20: 1460.
        (71000 / 60, 5.0, 291.67 / 0.9, 15.5, 5e-3),
        (180.0, 2.0, 1.307, 1460, 1e-3),
        # A course problem in chromatography: 1 mL/min of water (1 mm2/s) through 0.75 mm, 28.
        (1.0, 0.75, 1.0, 28, 0.02),
        # Crane, examples 7-9 and 7-24, as in that handbook: SAE 30 oil, 62.364 0.87 lb/ft3, 1676; SAE 10W oil, 88.01
        # gpm through 3 in schedule 40 (3.068 in), 40 cP, 53.6 lb/ft3, 1947.5.
        (400 * GALLON, 5.047 * 25.4, 130 / (62.364 * 0.87 * POUND_PER_FOOT), 1676, 1e-3),
        (88.01 * GALLON, 3.068 * 25.4, 40 / (53.6 * POUND_PER_FOOT), 1947.5, 1e-3),
        # From memory: Munson, Fundamentals of Fluid Mechanics, example 8.5: air at 50 m/s in 4 mm, 13,743 (13,700).
        (50 * math.pi * 4**2 / 4 * 60, 4.0, 1.79e-5 / 1.23 * 1e6, 13743, 1e-4),
    ],
)
def test_reynolds_number(flow, bore, kinematic, number, share):
    assert oil.reynolds(flow, bore, kinematic) == pytest.approx(number, rel=share)


def test_a_turbulent_flow_warns():
    """From memory: Munson, example 8.5, 0.1 m of 4 mm: 0.179 kPa if laminar, which it is not (then 1.076 kPa)."""
    with pytest.warns(OutOfRange) as caught:
        loss = oil.pressure_loss(0.0179, 0.1, 50 * math.pi * 4**2 / 4 * 60, 4.0, density=0.00123)
    assert loss == pytest.approx(179.0 * PASCAL, rel=1e-4)
    assert "Reynolds" in str(caught[0].message) and "too short" in str(caught[1].message)
    assert [w.filename for w in caught] == [__file__] * 2


def test_a_short_tube_warns():
    """White's straw (Re 1461) has fully developed flow after 0.06 Re d = 0.175 m (the 0.06 from memory: White)."""
    oil.pressure_loss(1.307, 0.177, 180.0, 2.0)
    with pytest.warns(OutOfRange, match="too short"):
        oil.pressure_loss(1.307, 0.173, 180.0, 2.0)


LENGTHS, FLOWS, BORES, VISCOSITIES = st.floats(0.5, 30), st.floats(0.01, 20), st.floats(0.8, 6), st.floats(5, 500)


@given(VISCOSITIES, LENGTHS, FLOWS, BORES, st.floats(1.1, 10))
def test_pressure_loss_by_powers(viscosity, length, flow, bore, times):
    """In proportion to flow, viscosity and length, and to the inverse fourth power of the bore; as in a library."""
    loss = oil.pressure_loss(viscosity, length, flow, bore)
    assert oil.pressure_loss(viscosity * times, length, flow, bore) == pytest.approx(loss * times)
    assert oil.pressure_loss(viscosity, length * times, flow, bore) == pytest.approx(loss * times)
    assert oil.pressure_loss(viscosity, length, flow / times, bore) == pytest.approx(loss / times)
    assert oil.pressure_loss(viscosity, length, flow, bore * times) == pytest.approx(loss / times**4)
    known = fluids.one_phase_dP(m=flow / 6e7 * 920, rho=920, mu=viscosity / 1e3, D=bore / 1e3, L=length)
    assert loss == pytest.approx(known * PASCAL, rel=1e-9)


def test_hold_up_of_a_tube():
    # Closed form: 4 mm bore holds 12.566 mL a metre; 2 mm a quarter of that.
    assert oil.hold_up(1.0, np.array([4.0, 2.0])) == pytest.approx([12.566371, 3.1415927])


def test_flow_during_a_stroke():
    # By definition: 60 uL in 0.1 s is 0.6 mL/s.
    assert oil.stroke_flow(0.06, np.array([0.1, 1.0])) == pytest.approx([36.0, 3.6])


@given(st.floats(0.01, 500), st.floats(0.001, 1), st.floats(1, 300))
def test_priming_fills_the_tube_and_no_more(hold_up, stroke, rate):
    strokes, minutes = oil.priming(hold_up, stroke, rate)
    assert strokes == int(strokes)
    assert strokes * stroke * (1 + 2e-9) >= hold_up > (strokes - 1) * stroke
    assert minutes * rate == pytest.approx(strokes)


@pytest.mark.parametrize(("hold_up", "stroke", "strokes"), [(1.1, 0.1, 11), (0.6, 0.2, 3), (0.61, 0.2, 4), (0, 0.1, 0)])
def test_priming_is_not_misled_by_rounding(hold_up, stroke, strokes):
    assert oil.priming(hold_up, stroke, 10.0) == (strokes, pytest.approx(strokes / 10))


@pytest.mark.parametrize(
    "call",
    [
        lambda: oil.reynolds(-1.0, 2.0, 40.0),
        lambda: oil.reynolds(1.0, 0.0, 40.0),
        lambda: oil.reynolds(1.0, 2.0, 0.0),
        lambda: oil.pressure_loss(36.8, -1.0, 1.0, 2.0),
        lambda: oil.pressure_loss(36.8, 1.0, 1.0, 2.0, density=0.0),
        lambda: oil.pressure_loss(np.nan, 1.0, 1.0, 2.0),
        lambda: oil.hold_up(-1.0, 2.0),
        lambda: oil.stroke_flow(0.03, 0.0),
        lambda: oil.stroke_flow(-0.03, 0.2),
        lambda: oil.priming(1.0, 0.0, 60.0),
        lambda: oil.priming(1.0, 0.03, 0.0),
        lambda: oil.priming(-1.0, 0.03, 60.0),
    ],
)
def test_impossible_tubes(call):
    with pytest.raises(ValueError):
        call()
