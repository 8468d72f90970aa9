"""Published values of oil and vapour in the air of a room, each beside its source; and what must hold of them.

"From memory" stands where a source could not be opened when the test was written; "recomputed" where a value is the
published equation worked out apart from this code.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from stackopt.errors import OutOfRange
from stackopt.physics import exposure

PINT = 473.176473  # mL
CUBIC_FOOT = 0.028316846592  # m3
AT_70_F = 294.26 / 298.15  # volume of a gas at 70 F over that at 25 degC
OIL = 0.92  # g/mL
# NIOSH Pocket Guide: molar mass [g/mol], exposure limit [ppm], lower flammable limit (isopropyl alcohol's at 200 F).
ISOPROPYL = (60.1, 400, 0.020)
ETHANOL = (46.1, 1000, 0.033)


# Limits

PUBLISHED = {
    # NIOSH 98-102 (1998), Criteria for a Recommended Standard: Occupational Exposure to Metalworking Fluids.
    "metalworking fluid mist, thoracic": 0.4,
    "metalworking fluid mist, total": 0.5,
    # OSHA, 29 CFR 1910.1000 Table Z-1, through a secondary text.
    "mineral oil mist": 5,
    "any particles, total": 15,
    # NIOSH Pocket Guide, and NIOSH 1994, Immediately Dangerous to Life or Health Concentrations.
    "isopropyl alcohol vapour (400 ppm)": 980,
    "ethanol vapour (1000 ppm)": 1900,
}


def test_limits_are_those_published():
    assert {limit.name: limit.value for limit in exposure.LIMITS} == PUBLISHED
    assert len(exposure.LIMITS) == len(PUBLISHED)
    assert all(any(year in limit.source for year in ("1998", "1993", "1994")) for limit in exposure.LIMITS)


@pytest.mark.parametrize(
    ("ppm", "molar_mass", "value", "within"),
    [
        (1, ISOPROPYL[0], 2.46, 0.005),  # NIOSH Pocket Guide
        (1, ETHANOL[0], 1.89, 0.005),
        (1, ISOPROPYL[0], 2.458, 5e-4),  # M/24.45, recomputed
        (1, 46.07, 1.884, 5e-4),
        (400, ISOPROPYL[0], 980, 5),  # NIOSH and OSHA, rounded there to 5 or 10
        (500, ISOPROPYL[0], 1225, 5),  # NIOSH 1994, short term
        (400, ISOPROPYL[0], 983, 0.5),  # list of the ACGIH of 1993, as quoted by NIOSH 1994
        (500, ISOPROPYL[0], 1230, 5),
        (1000, ETHANOL[0], 1900, 20),  # NIOSH and OSHA, from 1.89 rounded up
    ],
)
def test_ppm_and_mass(ppm, molar_mass, value, within):
    assert exposure.ppm_to_mg_per_m3(ppm, molar_mass) == pytest.approx(value, abs=within)
    assert exposure.mg_per_m3_to_ppm(value, molar_mass) == pytest.approx(ppm, rel=within / value)


@given(st.floats(0, 1e6), st.floats(1, 1000))
def test_ppm_there_and_back(ppm, molar_mass):
    there = exposure.ppm_to_mg_per_m3(ppm, molar_mass)
    assert exposure.mg_per_m3_to_ppm(there, molar_mass) == pytest.approx(ppm, rel=1e-12)


# Thinning by fresh air


@pytest.mark.parametrize(
    ("dose", "share", "limit", "air"),
    [
        # Recomputed, oil of 0.92 g/mL: all of 50 mL/h in the air at the limits of OSHA and NIOSH, and 1 % of it.
        (50, 1, 5, 9_200),
        (50, 1, 0.5, 92_000),
        (50, 0.01, 0.5, 920),
        # Doses by DGUV Information 209-024 (from 5 mL/h) and Rule 109-003 (to 150 mL/h and more for a short while).
        (5, 1, 5, 920),
        (150, 1, 5, 27_600),
    ],
)
def test_air_for_oil_mist(dose, share, limit, air):
    assert exposure.air_for(exposure.airborne(dose, OIL, share), limit) == pytest.approx(air, rel=1e-9)


def test_oil_of_the_largest_usual_dose():
    # 50 mL/h, the most by DGUV Rule 109-003 per process hour and machining point, weigh 46 g/h (recomputed).
    assert exposure.airborne(50, OIL, 1) == pytest.approx(46_000)


@pytest.mark.parametrize(
    ("molar_mass", "gravity", "limit", "feet"),
    [
        # Q[ft3/min] = 403e6 SG ER K/(M C), ER in pints/min, at 70 F, from a university's collection of formulas on
        # industrial ventilation; recomputed for 1 pint/h, K = 1.
        (60.1, 0.79, 400, 220.7),
        (46.1, 0.79, 1000, 115.1),
    ],
)
def test_air_by_the_formula_in_pints(molar_mass, gravity, limit, feet):
    air = exposure.air_for(exposure.airborne(PINT, gravity, 1), exposure.ppm_to_mg_per_m3(limit, molar_mass))
    assert air * AT_70_F / CUBIC_FOOT / 60 == pytest.approx(feet, rel=1e-3)


def test_vapour_of_a_pint():
    # 403.5 ft3 at 70 F from a pint of specific gravity 1 and molar mass 1, which the 403e6 above means; recomputed.
    volume = exposure.airborne(PINT, 1, 1) / exposure.ppm_to_mg_per_m3(1e6, 1)
    assert volume * AT_70_F / CUBIC_FOOT == pytest.approx(403.5, rel=1e-3)


@pytest.mark.parametrize(("changes", "share"), [(1, 0.632), (3, 0.950)])
def test_build_up(changes, share):
    # Recomputed from V dC = G dt - Q C dt: after t = V/Q and 3 V/Q.
    assert exposure.build_up(changes * 1200 / 800, 1200, 800) == pytest.approx(share, abs=5e-4)
    assert exposure.build_up(changes * 3 * 1200 / 800, 1200, 800, mixing=3) == pytest.approx(share, abs=5e-4)


def test_build_up_by_integrating_the_balance():
    """V dC/dt = G - Q C/K, step by step, gives the same concentration at any time."""
    emission, airflow, mixing, volume = 460.0, 900.0, 2.5, 1500.0
    times = np.array([0.1, 1.0, 4.0, 20.0])
    balance = solve_ivp(lambda _, c: (emission - airflow / mixing * c) / volume, (0, 20), [0.0], t_eval=times,
                        rtol=1e-10, atol=1e-12)  # fmt: skip
    steady = exposure.steady_concentration(emission, airflow, mixing)
    assert steady * exposure.build_up(times, volume, airflow, mixing) == pytest.approx(balance.y[0], rel=1e-7)


@given(st.floats(0, 1e7), st.floats(0.01, 1e4), st.floats(1, 10))
def test_thinning_there_and_back(emission, limit, mixing):
    """The air for a limit gives that limit; twice the air gives half; poor mixing takes K times the air."""
    air = exposure.air_for(emission + 1, limit, mixing)
    assert exposure.steady_concentration(emission + 1, air, mixing) == pytest.approx(limit, rel=1e-12)
    assert exposure.steady_concentration(emission + 1, 2 * air, mixing) == pytest.approx(limit / 2, rel=1e-12)
    assert air == pytest.approx(mixing * exposure.air_for(emission + 1, limit), rel=1e-12)


@given(st.floats(0, 100), st.floats(0, 100), st.floats(1, 1e5), st.floats(0, 1e5), st.floats(1, 10))
def test_build_up_in_two_steps(first, second, volume, airflow, mixing):
    """What is missing after two spells is the product of what is missing after each."""
    missing = [1 - exposure.build_up(t, volume, airflow, mixing) for t in (first, second, first + second)]
    assert missing[0] * missing[1] == pytest.approx(missing[2], abs=1e-12)
    assert 0 <= missing[2] <= min(missing[:2]) + 1e-15


# What may burn


@pytest.mark.parametrize(
    ("liquid", "ppm", "share"),
    [
        # NFPA 30 (1990), 5-3.3, in an OSHA letter of 2 December 1991: at most 25 % of the lower flammable limit.
        (ISOPROPYL, 5000, 0.25),
        (ETHANOL, 8250, 0.25),
        # NIOSH 1994, Immediately Dangerous to Life or Health Concentrations: 10 % of the limit, rounded for both.
        (ISOPROPYL, 2000, 0.10),
        (ETHANOL, 3300, 0.10),
        # The exposure limit is 2 % of the flammable one (from the same).
        (ISOPROPYL, 400, 0.02),
    ],
)
def test_shares_of_the_lower_flammable_limit(liquid, ppm, share):
    molar_mass, _, flammable = liquid
    found = exposure.flammable_share(exposure.ppm_to_mg_per_m3(ppm, molar_mass), molar_mass, flammable)
    assert found == pytest.approx(share, rel=1e-12)


def test_saturated_vapour_can_burn():
    # NIOSH Pocket Guide: isopropyl alcohol at 33 mmHg (68 F); 33/760 is 4.3 % or 2.2 times the limit (recomputed).
    vapour = exposure.ppm_to_mg_per_m3(33 / 760 * 1e6, ISOPROPYL[0])
    assert exposure.mg_per_m3_to_ppm(vapour, ISOPROPYL[0]) == pytest.approx(43_000, abs=500)
    assert exposure.flammable_share(vapour, ISOPROPYL[0], ISOPROPYL[2]) == pytest.approx(2.2, abs=0.05)


def test_air_for_a_fluid_that_vanishes():
    # Recomputed: 50 mL/h of isopropyl alcohol (0.785 g/mL) for 400 ppm, and for 25 % of the lower flammable limit.
    molar_mass, limit, flammable = ISOPROPYL
    emission = exposure.airborne(50, 0.785, 1)
    assert exposure.air_for(emission, exposure.ppm_to_mg_per_m3(limit, molar_mass)) == pytest.approx(39.9, abs=0.05)
    assert exposure.air_below_flammable(emission, molar_mass, flammable) == pytest.approx(3.19, abs=0.005)


@pytest.mark.parametrize(("liquid", "times"), [(ISOPROPYL, 12.5), (ETHANOL, 8.25)])
def test_the_exposure_limit_binds_first(liquid, times):
    # 5000/400 and 8250/1000, from the limits above: who keeps the limit of exposure is far from what may burn.
    molar_mass, limit, flammable = liquid
    healthy = exposure.air_for(1000, exposure.ppm_to_mg_per_m3(limit, molar_mass))
    assert healthy / exposure.air_below_flammable(1000, molar_mass, flammable) == pytest.approx(times, rel=1e-12)


def test_sources_differ_on_ethanol():
    # 3.3 % by the NIOSH Pocket Guide, 3.1 % by an open chemical library: the lower asks for 6.5 % more air.
    air = exposure.air_below_flammable(1000, ETHANOL[0], np.array([0.031, 0.033]))
    assert air[0] / air[1] == pytest.approx(1.0645, abs=1e-4)


@given(st.floats(1, 1e7), st.floats(10, 500), st.floats(0.005, 0.2), st.floats(0.01, 0.25), st.floats(1, 10))
def test_that_air_keeps_the_share(emission, molar_mass, flammable, share, mixing):
    air = exposure.air_below_flammable(emission, molar_mass, flammable, share, mixing)
    concentration = exposure.steady_concentration(emission, air, mixing)
    assert exposure.flammable_share(concentration, molar_mass, flammable) == pytest.approx(share, rel=1e-12)


# Ranges


@pytest.mark.parametrize(
    ("call", "value", "match"),
    [
        (lambda: exposure.steady_concentration(100, 10, 12), 120, "factor above 10"),
        (lambda: exposure.air_for(100, 10, 12), 120, "factor above 10"),
        (lambda: exposure.build_up(np.inf, 10, 10, 12), 1, "factor above 10"),
        (lambda: exposure.ppm_to_mg_per_m3(2e6, 24.45), 2e6, "pure vapour"),
        (lambda: exposure.mg_per_m3_to_ppm(2e6, 24.45), 2e6, "pure vapour"),
        (lambda: exposure.flammable_share(2e6, 24.45, 0.02), 100, "pure vapour"),
        (lambda: exposure.air_below_flammable(1e6, 24.45, 0.02, 0.5), 100, "more than 25 %"),
        (lambda: exposure.air_below_flammable(1e6, 24.45, 0.02, 0.25, 12), 2400, "factor above 10"),
    ],
)
def test_ranges_warn_once_and_go_on(call, value, match):
    with pytest.warns(OutOfRange, match=match) as caught:
        assert call() == pytest.approx(value, rel=1e-12)
    assert [w.filename for w in caught] == [__file__]


@pytest.mark.parametrize(
    "call",
    [
        lambda: exposure.airborne(-1, 0.9, 0.1),
        lambda: exposure.airborne(1, 0, 0.1),
        lambda: exposure.airborne(1, 0.9, 1.1),
        lambda: exposure.airborne(1, 0.9, np.nan),
        lambda: exposure.steady_concentration(-1, 10),
        lambda: exposure.steady_concentration(1, 0),
        lambda: exposure.steady_concentration(1, 10, 0.9),
        lambda: exposure.air_for(-1, 10),
        lambda: exposure.air_for(1, 0),
        lambda: exposure.air_for(1, 10, np.nan),
        lambda: exposure.build_up(-1, 10, 10),
        lambda: exposure.build_up(1, 0, 10),
        lambda: exposure.build_up(1, 10, -1),
        lambda: exposure.build_up(1, 10, 10, 0.5),
        lambda: exposure.ppm_to_mg_per_m3(-1, 60),
        lambda: exposure.mg_per_m3_to_ppm(1, 0),
        lambda: exposure.flammable_share(1, 60, 0),
        lambda: exposure.flammable_share(-1, 60, 0.02),
        lambda: exposure.flammable_share(1, 60, 1),
        lambda: exposure.air_below_flammable(-1, 60, 0.02),
        lambda: exposure.air_below_flammable(1, 60, 2),
        lambda: exposure.air_below_flammable(1, 60, 0.02, 0),
        lambda: exposure.air_below_flammable(1, 60, 0.02, 1.5),
        lambda: exposure.air_below_flammable(1, 60, 0.02, mixing=0),
    ],
)
def test_the_impossible_is_refused(call):
    with pytest.raises(ValueError):
        call()


def test_arrays():
    """Doses down, limits across: every pair, as one by one."""
    doses, limits = np.array([[5.0], [50.0]]), np.array([0.5, 5.0, 15.0])
    air = exposure.air_for(exposure.airborne(doses, OIL, 1), limits)
    assert air.shape == (2, 3)
    assert air[1, 1] == exposure.air_for(exposure.airborne(50.0, OIL, 1), 5.0)
