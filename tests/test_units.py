"""Quantities: what is accepted is worth what outside sources say, and nothing else is accepted.

The factors below are the test's own. Exact definitions (inch, foot, pound, US gallon, standard gravity,
standard atmosphere) are those of NIST SP 811, from memory.
"""

import re
from fractions import Fraction
from math import inf, nextafter

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from stackopt.units import KINDS, Quantity, possible, read, read_share, to, units_of

INCH = Fraction("2.54")  # cm
FOOT = Fraction("30.48")  # cm
PSI = Fraction("0.45359237") * Fraction("9.80665") / Fraction("0.0254") ** 2 / 100_000  # bar
ATM = Fraction("1.01325")  # bar
# Air by amount of gas: p V / T at ANR (ISO 8778: 20 degC, 1 bar) is that at DIN 1343 (0 degC, 1 atm) or at
# 14.5 psi absolute and 68 F, which is 20 degC.
NORMAL = ATM / Fraction("273.15") * Fraction("293.15")
STANDARD_FOOT = FOOT**3 / 1000 * Fraction("14.5") * PSI

OIL = {"mL": 1, "ml": 1, "uL": Fraction(1, 1000), "L": 1000, "l": 1000, "mm^3": Fraction(1, 1000),
       "mm3": Fraction(1, 1000), "cm^3": 1, "cm3": 1, "in^3": INCH**3, "in3": INCH**3,
       "US fl oz": 231 * INCH**3 / 128, "m^3": 10**6, "m3": 10**6}  # fmt: skip
DROP = {"drop": 1, "drops": 1}
MASS = {"g": 1, "mg": Fraction(1, 1000), "kg": 1000}
TIME = {"min": 1, "ms": Fraction(1, 60_000), "s": Fraction(1, 60), "h": 60, "day": 1440, "d": 1440}
STROKE = {"": 1, "1": 1, "stroke": 1, "strokes": 1}
AIR = {"L": 1, "l": 1, "m^3": 1000, "m3": 1000, "Nl": NORMAL, "NL": NORMAL, "Nm^3": 1000 * NORMAL,
       "Nm3": 1000 * NORMAL, "scf": STANDARD_FOOT}  # fmt: skip
# Pressures as (bar of one, what is added to be absolute).
GAUGE = {"bar": 1, "barg": 1, "bar_g": 1, "kPa": Fraction(1, 100), "MPa": 10, "psi": PSI, "psig": PSI}
MM = {"mm": 1, "cm": 10, "m": 1000, "in": INCH * 10}
ABSOLUTE = {"bar_a": 1, "bara": 1, "kPa_a": Fraction(1, 100), "MPa_a": 10, "psia": PSI, "psi_a": PSI}


def over(tops, bottoms):
    return {
        f"{top}/{bottom}": Fraction(a) / Fraction(b)
        for top, a in tops.items()
        for bottom, b in bottoms.items()
    }


FACTORS = {
    "dose": over(OIL | DROP | MASS, TIME | {"part": 1}),
    "volume": OIL | DROP | MASS,
    "drop volume": OIL | MASS,
    "rate": over(STROKE, TIME),
    "air volume": AIR,
    "air flow": over(AIR, TIME) | {"scfm": STANDARD_FOOT},
    "air per dose": over(AIR, OIL | DROP | MASS),
    "time": TIME,
    "density": over(MASS, OIL),
    "pressure": GAUGE | ABSOLUTE,
    "mass": MASS,
    "temperature": {"degC": 1, "degF": Fraction(5, 9), "K": 1},
    "length": {unit: size / 1000 for unit, size in MM.items()} | {"ft": FOOT / 100},
    "bore": MM,
    "viscosity": {"mm^2/s": 1, "mm2/s": 1, "cSt": 1, "m^2/s": 10**6, "m2/s": 10**6},
    "surface tension": {"mN/m": 1, "dyn/cm": 1, "N/m": 1000},
    "conductance": dict.fromkeys(("L/(s bar)", "l/(s bar)", "dm^3/(s bar)", "dm3/(s bar)"), 1)
    | {"L/(min bar)": Fraction(1, 60), "m^3/(s Pa)": 10**8, "m3/(s Pa)": 10**8},
    "ventilation": {"m^3/h": 1, "m3/h": 1, "m^3/min": 60, "m3/min": 60, "m^3/s": 3600, "m3/s": 3600,
                    "L/s": Fraction(36, 10), "ft^3/min": FOOT**3 / 10**6 * 60, "ft3/min": FOOT**3 / 10**6 * 60},
    "concentration": {"mg/m^3": 1, "mg/m3": 1, "ug/m^3": Fraction(1, 1000), "ug/m3": Fraction(1, 1000),
                      "g/m^3": 1000, "g/m3": 1000, "ppm": 1},
    "molar mass": {"g/mol": 1, "kg/kmol": 1, "kg/mol": 1000},
    "specific power": {"kW/(m^3/min)": 1, "kW/(m3/min)": 1, "W/(L/min)": 1},
}  # fmt: skip
# What is added once a number is in the inside unit: gauge pressures are above 1 atm; 32 F and 273.15 K are 0 degC.
OFFSETS = {("pressure", unit): ATM for unit in GAUGE} | {
    ("temperature", "degF"): Fraction(-160, 9), ("temperature", "K"): Fraction("-273.15")}  # fmt: skip

PNEUMATICS = "DIN 1343 and ISO 8778 through a pneumatics study wiki; recomputed"
NIST = "NIST SP 811, from memory"
SIZES = {"g": 1 / 0.92, "drop": 0.021, "part": 8 / 60}  # 0.92 g/mL, 0.021 mL, 8 s
KNOWN = [
    # text, kind, what it is inside (mL, min, L ANR, bar absolute), relative tolerance, source
    ("1 Nm3", "air volume", 1087.44, 5e-6, PNEUMATICS),
    ("1 Nm^3/h", "air flow", 18.124, 3e-6, PNEUMATICS),
    ("1 Nm3/h", "air flow", 18.124, 3e-6, PNEUMATICS),
    ("0.0551755 Nm3/h", "air flow", 1.0, 1e-6, PNEUMATICS),
    ("55.2 Nm^3/h", "air flow", 1000.0, 1e-3, PNEUMATICS),
    ("91.96 Nm^3/h", "air flow", 100 * 1000 / 60, 1e-4, PNEUMATICS),
    ("5 Nm^3/min", "air flow", 5440.0, 1e-3, PNEUMATICS),
    ("1 scfm", "air flow", 28.3095, 2e-6, "CAGI reference (14.5 psia, 68 F); recomputed by amount of gas"),
    ("1 scf/min", "air flow", 28.3095, 2e-6, "CAGI reference (14.5 psia, 68 F); recomputed by amount of gas"),
    ("1.56199 Nm3/h", "air flow", 28.3095, 5e-6, "CAGI reference against DIN 1343; recomputed"),
    ("300 L/min", "air flow", 300.0, 0, "ISO 8778: litres of air are at ANR"),
    ("6 m^3/h", "air flow", 100.0, 1e-15, "ISO 8778: cubic metres of air are at ANR"),
    ("1 in^3", "volume", 16.387064, 1e-15, NIST),
    ("1 in3/min", "dose", 16.387064, 1e-15, NIST),
    ("1 US fl oz", "volume", 29.5735295625, 1e-15, NIST),
    ("2 US fl oz/h", "dose", 2 * 29.5735295625 / 60, 1e-15, NIST),
    ("0 psi", "pressure", 1.01325, 1e-15, "gauge against 1 atm = 101.325 kPa; " + NIST),
    ("100 psi", "pressure", 6.894757293168 + 1.01325, 1e-12, NIST),
    ("100 psig", "pressure", 6.894757293168 + 1.01325, 1e-12, NIST),
    ("14.5 psia", "pressure", 14.5 * 0.06894757293168, 1e-12, NIST),
    ("14.695948775514 psia", "pressure", 1.01325, 1e-12, "1 atm; " + NIST),
    ("6 bar", "pressure", 7.01325, 1e-15, "gauge against 101.325 kPa"),
    ("6 barg", "pressure", 7.01325, 1e-15, "gauge against 101.325 kPa"),
    ("7.01325 bar_a", "pressure", 7.01325, 1e-15, "absolute"),
    ("0.6 MPa", "pressure", 7.01325, 1e-15, "gauge against 101.325 kPa"),
    ("600 kPa_a", "pressure", 6.0, 1e-15, "absolute"),
    ("30/min", "rate", 30.0, 0, "a stroke is a stroke, no 2 pi radians"),
    ("30 1/min", "rate", 30.0, 0, "a stroke is a stroke"),
    ("30 strokes/min", "rate", 30.0, 0, "a stroke is a stroke"),
    ("0.5/s", "rate", 30.0, 1e-15, "60 s in 1 min"),
    ("12 mL/h", "dose", 0.2, 1e-15, "60 min in 1 h"),
    ("288 mL/day", "dose", 0.2, 1e-15, "24 h in 1 day"),
    ("9.2 g/h", "dose", 10 / 60, 1e-14, "9.2 g at 0.92 g/mL are 10 mL"),
    ("9200 mg/h", "dose", 10 / 60, 1e-14, "9.2 g at 0.92 g/mL are 10 mL"),
    ("20 drops/min", "dose", 0.42, 1e-14, "20 drops of 0.021 mL"),
    ("0.5 mL/part", "dose", 3.75, 1e-14, "0.5 mL in 8 s of spray"),
    ("2 drop/part", "dose", 0.315, 1e-14, "0.042 mL in 8 s of spray"),
    ("150 L/g", "air per dose", 138.0, 1e-14, "1 mL is 0.92 g"),
    ("3 L/drop", "air per dose", 3 / 0.021, 1e-14, "one drop is 0.021 mL"),
    ("0.0184 g", "drop volume", 0.02, 1e-14, "0.0184 g at 0.92 g/mL"),
    ("920 kg/m^3", "density", 0.92, 1e-14, "1000 g in 1 kg, 1e6 mL in 1 m^3"),
    ("8 s", "time", 8 / 60, 1e-15, "60 s in 1 min"),
    ("1" + " " * 55 + "mL/h", "dose", 1 / 60, 1e-15, "60 characters are read"),
    ("0 mm^3/h", "dose", 0.0, 0, "nothing, whatever digits the unit has"),
    ("53 degF", "temperature", 11.667, 1e-4, "flash point of isopropyl alcohol, NIOSH Pocket Guide; (53 - 32) / 1.8"),
    ("32 degF", "temperature", 0.0, 0, "where water freezes"),
    ("-40 degF", "temperature", -40.0, 1e-14, "where both scales meet"),
    ("1e-8 m^3/(s Pa)", "conductance", 1.0, 1e-14, "ISO 6358-1:2013 through a pneumatics study wiki"),
    ("0.0307 N/m", "surface tension", 30.7, 1e-14, "1 N is 1000 mN"),
    ("1000 ft^3/min", "ventilation", 1699.0, 1e-5, NIST),
]


@pytest.mark.parametrize(("text", "kind", "inside", "within", "source"), KNOWN)
def test_a_quantity_is_worth_what_the_source_says(text, kind, inside, within, source):
    quantity = read(text, kind)
    assert quantity.at(SIZES) == pytest.approx(inside, rel=within, abs=0), source
    assert quantity.text == str(quantity) == text


def test_kinds_are_all_covered_here():
    assert set(KINDS) == set(FACTORS)


@pytest.mark.parametrize("kind", FACTORS)
def test_exactly_these_spellings_are_listed(kind):
    assert sorted(units_of(kind)) == sorted(FACTORS[kind])


def inside(number, unit, kind):
    """What the test's own table makes of it."""
    return Fraction(number) * FACTORS[kind][unit] + OFFSETS.get((kind, unit), 0)


@pytest.mark.parametrize(("kind", "unit"), [(kind, unit) for kind in FACTORS for unit in FACTORS[kind]])
def test_every_spelling_has_the_value_of_the_definitions(kind, unit):
    close = f"2.5{'' if not unit.startswith('1') else ' '}{unit}"
    for text in (f"2.5 {unit}", close, f" +2.5e0\t{unit} "):
        assert read(text, kind).number == pytest.approx(float(inside(2.5, unit, kind)), rel=1e-13, abs=0)


@pytest.mark.parametrize(
    ("text", "kind", "counts"),
    [
        ("9.2 g/h", "dose", {"g": 1}),
        ("2 drops/part", "dose", {"drop": 1, "part": -1}),
        ("3 L/mg", "air per dose", {"g": -1}),
        ("0.92 g/mL", "density", {}),
        ("12 mL/h", "dose", {}),
    ],
)
def test_what_a_number_still_counts_is_told(text, kind, counts):
    quantity = read(text, kind)
    assert dict(quantity.counts) == counts
    for lacking in counts:
        with pytest.raises(KeyError):
            quantity.at({name: size for name, size in SIZES.items() if name != lacking})


@st.composite
def pairs(draw):
    """The same quantity written in two units of one kind, and the kind."""
    kind = draw(st.sampled_from(sorted(FACTORS)))
    one = draw(st.sampled_from(sorted(FACTORS[kind])))
    # Grams, drops and parts are counted: they can only be rewritten among themselves.
    alike = [u for u in sorted(FACTORS[kind]) if read(f"1 {u}", kind).counts == read(f"1 {one}", kind).counts]
    other = draw(st.sampled_from(alike))
    number = draw(st.floats(1e-3, 1e3))
    there = Fraction(number) * FACTORS[kind][one]
    there += OFFSETS.get((kind, one), 0) - OFFSETS.get((kind, other), 0)
    there /= FACTORS[kind][other]
    return kind, f"{number!r} {one}", f"{float(there)!r} {other}"


@given(pairs())
@settings(deadline=None)
def test_the_same_in_another_unit_is_the_same_number(pair):
    kind, one, other = pair
    assert read(one, kind).number == pytest.approx(read(other, kind).number, rel=1e-12, abs=0)


UNIT = r"[A-Za-z0-9_^]*(?: [a-z]+ [a-z]+)?"
PLAIN = re.compile(rf"[ \t]*([+-]?[0-9]*\.?[0-9]*(?:[eE][+-]?[0-9]+)?)[ \t]*({UNIT}(?: */ *{UNIT})?)[ \t]*")
PIECES = st.sampled_from(
    ["1", "2.5", "0", "-", "+", ".", ",", "e", "E", "9" * 30, "1e3", " ", "\t", "\n", "\u00a0", "/", "*", "^",
     "(", ")", "_", "mL", "L", "h", "min", "bar", "g", "drop", "US fl oz", "scfm", "Nm3", "%", "nan",
     "inf", "\u0663", "\uff13", "\u2212", "\u00b5L", "a", "psi", "m^3", "part"]
)  # fmt: skip


def refused_or_plain(text, kind):
    """A ValueError, or a quantity whose text an independent pattern reads to the same number and unit."""
    try:
        quantity = read(text, kind)
    except ValueError as error:
        assert str(error)
        return
    assert type(quantity) is Quantity
    match = PLAIN.fullmatch(text)
    assert match, text
    unit = re.sub(" */ *", "/", match[2])
    # A bare "1/min" is read as the number one.
    assert quantity.number == pytest.approx(float(inside(float(match[1]), unit, kind)), rel=1e-12, abs=1e-300)


@given(st.text(), st.sampled_from(sorted(FACTORS)))
@example("1/min", "rate")
@example("1 1/min", "rate")
@settings(deadline=None)
def test_any_text_is_a_quantity_or_refused(text, kind):
    refused_or_plain(text, kind)


@given(st.lists(PIECES, max_size=7).map("".join), st.sampled_from(sorted(FACTORS)))
@settings(deadline=None, max_examples=300)
def test_any_text_of_likely_pieces_is_a_quantity_or_refused(text, kind):
    refused_or_plain(text, kind)


@given(st.floats(0, 1e6), st.sampled_from(["dose", "air flow", "pressure"]), st.text(min_size=1, max_size=3))
@settings(deadline=None)
def test_a_right_quantity_with_more_text_is_a_quantity_or_refused(number, kind, more):
    for text in (f"{number!r} {KINDS[kind].example.split()[1]}{more}", f"{more}{number!r} mL/h"):
        refused_or_plain(text, kind)


REFUSED = [
    # text, kind, words of the message; each of the first twenty was read as something else by a units library
    ("2,5 mL/h", "dose", "decimal point, not a comma"),
    ("1.234,5", "dose", "decimal point, not a comma"),
    ("1.234,5 mL/h", "dose", "decimal point, not a comma"),
    ("\u22125 mL/h", "dose", "plain digits"),
    ("5 \u2212 1 mL/h", "dose", "a unit of dose"),
    ("1 1/2", "dose", "a unit of dose"),
    ("1 1/2 mL/h", "dose", "a unit of dose"),
    ("<5 mL/h", "dose", "plain digits"),
    ("~5 mL/h", "dose", "plain digits"),
    ("1 +- 0.1", "dose", "a unit of dose"),
    ("1 +- 0.1 mL/h", "dose", "a unit of dose"),
    ("1 \u00b1 0.1 mL/h", "dose", "a unit of dose"),
    ("mL/h", "dose", "a number"),
    ("3 mL 4", "dose", "a unit of dose"),
    ("3 mL 4", "volume", "a unit of volume"),
    ("2 mL/30 min", "dose", "a unit of dose"),
    ("4.5 cfm", "air flow", "scfm"),
    ("0.5 fl oz/h", "dose", "US fl oz"),
    ("3 gal/h", "dose", "US fl oz"),
    ("6 bar(g)", "pressure", "a unit of pressure"),
    ("6 bar (a)", "pressure", "a unit of pressure"),
    ("5 mPas", "pressure", "a unit of pressure"),
    ("300 slpm", "air flow", "a unit of air flow"),
    ("300 SLPM", "air flow", "a unit of air flow"),
    ("300 lpm", "air flow", "a unit of air flow"),
    ("15 ML/h", "dose", "did you mean 'mL/h'"),
    ("15 ml/H", "dose", "did you mean 'mL/h'"),
    ("6 Bar", "pressure", "did you mean 'bar'"),
    ("1 nm^3/h", "air flow", "did you mean 'Nm^3/h'"),
    ("30 rpm", "rate", "strokes per minute"),
    ("0.5 Hz", "rate", "strokes per second"),
    ("30 rad/min", "rate", "a unit of rate"),
    ("5", "rate", "a unit of rate"),
    ("5", "dose", "a unit of dose"),
    ("20 min", "rate", "a unit of rate"),
    ("12 mL", "dose", "a unit of dose"),
    ("12 mL/h", "volume", "a unit of volume"),
    ("12 mL/h/h", "dose", "a unit of dose"),
    ("12 mL/", "dose", "a unit of dose"),
    ("12 /h", "dose", "a unit of dose"),
    ("12 mL*h", "dose", "a unit of dose"),
    ("12 mL/(h)", "dose", "a unit of dose"),
    ("12 mL h^-1", "dose", "a unit of dose"),
    ("12 mL per h", "dose", "a unit of dose"),
    ("300 L/min", "dose", None),  # litres of oil: a dose
    ("300 Nl/min", "dose", "a unit of dose"),
    ("12 g/h", "air flow", "a unit of air flow"),
    ("1 drop", "drop volume", "a unit of drop volume"),
    ("6 degC", "pressure", "a unit of pressure"),
    ("nan", "dose", "plain digits"),
    ("nan mL/h", "dose", "plain digits"),
    ("inf", "dose", "plain digits"),
    ("-inf mL/h", "dose", "plain digits"),
    ("Infinity mL/h", "dose", "plain digits"),
    ("1e400 mL/h", "dose", "a number that a machine can have"),
    ("-1e400 mL/h", "dose", "a number that a machine can have"),
    ("1e308 m3/s", "dose", "a number that a machine can have"),
    ("1e-400 mL/h", "dose", "a number that a machine can have"),
    ("1e9999 mL/h", "dose", "a unit of dose"),
    ("9**9**9 mL/h", "dose", "a unit of dose"),
    ("1_000 mL/h", "dose", "a unit of dose"),
    ("0x10 mL/h", "dose", "a unit of dose"),
    ("1 000 mL/h", "dose", "a unit of dose"),
    ("1,000 mL/h", "dose", "decimal point, not a comma"),
    ("1'000 mL/h", "dose", "a unit of dose"),
    ("12 __import__('os')", "dose", "a unit of dose"),
    ("a" * 100_000, "dose", "at most 60 characters"),
    ("1 " + "a" * 100_000, "dose", "at most 60 characters"),
    ("1" * 100_000 + " mL/h", "dose", "at most 60 characters"),
    ("1 mL/h" + " " * 30 + "x" * 30, "dose", "at most 60 characters"),
    ("1" + " " * 56 + "mL/h", "dose", "at most 60 characters"),  # 61
    ("\u0661\u0662 mL/h", "dose", "plain digits"),  # Arabic digits
    ("\u0967\u0968 mL/h", "dose", "plain digits"),  # Devanagari digits
    ("1\u0662 mL/h", "dose", "a unit of dose"),
    ("\uff11\uff12 mL/h", "dose", "plain digits"),  # full-width digits
    ("\u00bd mL/h", "dose", "plain digits"),
    ("12\u00b2 mL/h", "dose", "a unit of dose"),
    ("12\u00a0mL/h", "dose", "did you mean 'mL/h'"),  # NBSP
    ("12\u202fmL/h", "dose", "did you mean 'mL/h'"),
    ("\u00a012 mL/h", "dose", "plain digits"),
    ("12 mL/h\u00a0", "dose", "a unit of dose"),
    ("\ufeff12 mL/h", "dose", "plain digits"),
    ("12 \u00b5L/min", "dose", "a unit of dose"),
    ("12 m\u2113/h", "dose", "a unit of dose"),
    ("12 m\u00b3/h", "air flow", "a unit of air flow"),
    ("12 mL\u2044h", "dose", "a unit of dose"),
    ("12 mL/h\n", "dose", "plain digits"),
    ("12\nmL/h", "dose", "plain digits"),
    ("12 mL/h\x00", "dose", "a unit of dose"),
    ("9" * 25 + "1/min", "rate", "as in '20/min'"),  # too long a number: not 9...9 times "1/min"
    ("2e0001/min", "rate", "as in '20/min'"),
    ("1e1001/min", "rate", "as in '20/min'"),
    ("", "dose", "plain digits"),
    ("  ", "dose", "plain digits"),
    (".", "dose", "plain digits"),
    ("- mL/h", "dose", "plain digits"),
    ("--1 mL/h", "dose", "plain digits"),
    ("e5 mL/h", "dose", "plain digits"),
    (12, "dose", "text with a number and a unit"),
    (12.0, "pressure", "text with a number and a unit"),
    (True, "rate", "text with a number and a unit"),
    (None, "time", "text with a number and a unit"),
    (["12 mL/h"], "dose", "text with a number and a unit"),
    (b"12 mL/h", "dose", "text with a number and a unit"),
    (float("nan"), "dose", "text with a number and a unit"),
]
TRAPS = [(text, kind, words) for text, kind, words in REFUSED if words is not None]


@pytest.mark.parametrize(("text", "kind", "words"), TRAPS, ids=[repr(t)[:30] for t, _, _ in TRAPS])
def test_refused_with_the_reason_and_a_right_example(text, kind, words):
    with pytest.raises(ValueError, match=re.escape(words)) as caught:
        read(text, kind)
    shown = re.findall("'([^']+)'", str(caught.value))
    assert any(readable(example, kind) for example in shown), f"no right example in: {caught.value}"
    assert str(caught.value).isascii() and len(str(caught.value)) < 200


@pytest.mark.parametrize("sign", [-1, 1])
@pytest.mark.parametrize("value,is_possible", [
    (0.0, True), (1e-12, True), (1e12, True), (0.999e-12, False), (nextafter(1e12, inf), False), (inf, False),
])  # fmt: skip
def test_numbers_of_a_machine_are_nothing_or_a_trillionth_to_a_trillion(sign, value, is_possible):
    assert possible(sign * value) == is_possible


def readable(text, kind):
    try:
        read(text, kind)
    except ValueError:
        return False
    return True


def test_litres_per_minute_of_oil_are_a_dose():
    assert read("300 L/min", "dose").number == 300_000


@pytest.mark.parametrize("kind", FACTORS)
def test_the_example_of_each_kind_is_right_and_shown(kind):
    shown = KINDS[kind].example
    assert read(shown, kind)
    with pytest.raises(ValueError, match=re.escape(f"'{shown}'")):
        read("5 parsecs", kind)


@pytest.mark.parametrize(
    ("value", "share"),
    [
        ("10 %", 0.1),
        ("10%", 0.1),
        (" 12.5 % ", 0.125),
        ("1e1 %", 0.1),
        ("0 %", 0),
        (0.1, 0.1),
        (1, 1),
        (0, 0),
        (1e12, 1e12),
        ("1" + " " * 58 + "%", 0.01),  # 60 characters
    ],
)
def test_shares(value, share):
    assert read_share(value) == pytest.approx(share, rel=1e-15)


@pytest.mark.parametrize(
    "value",
    ["10", "0.1", "10 percent", "1,5 %", "10 %%", "% 10", "\uff11\uff10 %", "1\u06610 %", "nan %",
     "inf %", "1e400 %", "10\u00a0%", "", True, False, None, [], float("nan"), float("inf"),
     10**400, -(10**400), nextafter(1e12, inf), b"10 %", "9" * 100_000 + " %", "1" + " " * 59 + "%"],
    ids=lambda value: repr(value)[:20],
)  # fmt: skip
def test_no_shares(value):
    with pytest.raises(ValueError, match=r"'10 %'") as caught:
        read_share(value)
    comma = isinstance(value, str) and "," in value
    assert str(caught.value).startswith("a decimal point, not a comma" if comma else "a share")


@given(st.one_of(st.text(), st.lists(PIECES, max_size=5).map("".join)))
@settings(deadline=None)
def test_any_text_is_a_share_or_refused(text):
    try:
        share = read_share(text)
    except ValueError:
        return
    match = re.fullmatch(r"[ \t]*([+-]?[0-9]*\.?[0-9]*(?:[eE][+-]?[0-9]+)?)[ \t]*%[ \t]*", text)
    assert match and share == pytest.approx(float(match[1]) / 100, rel=1e-15)


# From inside units to those that are shown


@pytest.mark.parametrize(
    ("number", "unit", "kind", "shown", "within"),
    [
        (1000.0, "Nm^3/h", "air flow", 55.2, 1e-3),  # a pneumatics study wiki
        (1000.0, "Nm^3/h", "air flow", 55.1755, 1e-6),  # recomputed, p V / T
        (28.3095, "scfm", "air flow", 1.0, 1e-5),  # 14.5 psi absolute and 68 F, recomputed
        (7.01325, "psi", "pressure", 87.0226, 1e-6),  # 6 bar over the open air
        (1.01325, "psi", "pressure", 0.0, 0),
        (1.01325, "psia", "pressure", 14.6959, 1e-5),  # the standard atmosphere
        (29.5735295625, "US fl oz", "volume", 1.0, 1e-14),  # NIST SP 811, from memory
        (29.5735295625 / 60, "US fl oz/h", "dose", 1.0, 1e-14),
        (100.0, "degF", "temperature", 212.0, 1e-14),
        (-40.0, "degF", "temperature", -40.0, 1e-14),
        (0.0, "K", "temperature", 273.15, 1e-14),
        (1.0, "L/(min bar)", "conductance", 60.0, 1e-14),
        (50 / 60, "mL/h", "dose", 50.0, 1e-14),
        (0.0, "L/min", "air flow", 0.0, 0),
    ],
)
def test_what_is_shown_in_another_unit(number, unit, kind, shown, within):
    assert to(number, unit, kind) == pytest.approx(shown, rel=within, abs=1e-12)


@pytest.mark.parametrize(("kind", "unit"), [(kind, unit) for kind in FACTORS for unit in FACTORS[kind]])
def test_every_unit_there_and_back(kind, unit):
    for number in (0.004, 2.5, 9e5):
        assert to(float(inside(number, unit, kind)), unit, kind) == pytest.approx(number, rel=1e-9, abs=1e-9)


EACH = [(kind, unit) for kind in sorted(FACTORS) for unit in sorted(FACTORS[kind])]


@given(st.floats(1e-3, 1e3), st.sampled_from(EACH))
@settings(deadline=None)
def test_what_is_written_is_what_is_shown(number, pair):
    kind, unit = pair
    assert to(read(f"{number!r} {unit}", kind).number, unit, kind) == pytest.approx(number, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize(("unit", "kind"), [
    ("psi", "dose"), ("cfm", "air flow"), ("gal", "volume"), ("L", "air flow"), ("Bar", "pressure"),
    (" bar", "pressure"), ("bar ", "pressure"), *(("", kind) for kind in KINDS),
])  # fmt: skip
def test_what_is_no_unit_of_that_kind_cannot_be_shown(unit, kind):
    with pytest.raises(KeyError):
        to(1.0, unit, kind)
