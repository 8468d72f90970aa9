"""Problem files: what is read, that every fault is told with its place, and what is written back."""

import copy
import csv
import functools
import io
import json
import os
import tomllib
import types

import jsonschema
import pytest
from hypothesis import HealthCheck, given, settings
from strategies import cases, raw

from stackopt.errors import Fault, ProblemError, legible
from stackopt.problem import files, model
from stackopt.problem.files import read, schema
from stackopt.problem.model import Problem
from stackopt.problem.starter import STARTER

BASE = """\
title = "two points"
[fluid]
kind = "neat oil"
[generator]
rate = { min = "4/min", max = "60/min", step = "1/min" }
stroke_air = "0.01 L"
[pumps.standard]
stroke_volume = "0.06 mL"
marks = { "1" = 0.2, "2" = 0.6, "3" = 1.0 }
[nozzles.small]
turns = [0, 1, 2]
flow = ["0 L/min", "32 L/min", "64 L/min"]
[air]
pressure = "6 bar"
capacity = "140 L/min"
[cycle]
time = "12 s"
spray = "8 s"
[solve]
air_weight = 0.1
[[point]]
name = "a"
dose = "12 mL/h"
tolerance = "10 %"
pump = "standard"
nozzle = "small"
air_per_dose = { min = "150 L/mL", max = "400 L/mL" }
weight = 1
tags = ["tap"]
[[point]]
name = "b"
dose = "22 mL/h"
tolerance = { below = "5 %", above = "1.2 mL/h" }
pump = ["standard"]
nozzle = "small"
air_flow = { min = "15 L/min" }
count = 1
"""
HEAD = BASE.partition("[[point]]")[0]
DATA = tomllib.loads(BASE)


def put(folder, text, name="machine.toml"):
    file = folder / name
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    return file


def faults_of(file):
    with pytest.raises(ProblemError) as caught:
        read(file)
    error = caught.value
    assert error.file == str(file) and error.exit_code == 2
    lines = str(error).splitlines()
    assert len(lines) == len(error.faults)
    for line, fault in zip(lines, error.faults, strict=True):
        assert line == f"{legible(str(file))}: {fault}"
        assert f"found {fault.found}; expected {fault.expected}" in line
        assert "pydantic" not in line and "http" not in line and "Input should" not in line
        assert len(fault.found) < 120 and len(fault.expected) < 200
    return list(error.faults)


# What is read


def test_toml_json_and_points_from_a_spreadsheet_are_one_problem(tmp_path):
    rows = [
        [
            "name",
            "dose",
            "tolerance",
            "tolerance.below",
            "tolerance.above",
            "pump",
            "nozzle",
            "count",
            "air_per_dose.min",
            "air_per_dose.max",
            "air_flow.min",
            "weight",
            "tags",
        ],
        ["a", "12 mL/h", "10 %", "", "", "standard", "small", "", "150 L/mL", "400 L/mL", "", "1", "tap"],
        ["b", "22 mL/h", "", "5 %", "1.2 mL/h", "standard", "small", "1", "", "", "15 L/min", "", ""],
    ]
    put(tmp_path, "\n".join(",".join(row) for row in rows), "spindles.csv")
    ways = [
        read(put(tmp_path, BASE)),
        read(put(tmp_path, json.dumps(DATA), "machine.json")),
        read(put(tmp_path, 'points = "spindles.csv"\n' + HEAD, "short.toml")),
        Problem(**DATA),
    ]
    for problem in ways:
        assert dict(problem) == dict(ways[0])
    assert ways[0].point[0].dose.number == pytest.approx(0.2)
    assert ways[0].point[1].tolerance.above.number == pytest.approx(0.02)


def test_what_is_left_out_has_the_defaults_of_the_readme(tmp_path):
    problem = read(put(tmp_path, BASE.replace("stroke_air", "# ").replace("[solve]\nair_weight = 0.1\n", "")))
    assert problem.generator.stroke_air.number == 0 and problem.generator.count == 1
    assert problem.solve.air_weight == 0.1 and problem.solve.time_limit.number == 1
    assert problem.solve.objective == "mean" and problem.solve.robust is False
    assert problem.point[1].weight == 1 and problem.point[0].count == 1 and problem.point[1].tags == ()


def stdin(monkeypatch, text):
    raw_text = text if isinstance(text, bytes) else text.encode()
    monkeypatch.setattr("sys.stdin", types.SimpleNamespace(buffer=io.BytesIO(raw_text)))


@pytest.mark.parametrize(
    "text",
    [
        BASE,
        json.dumps(DATA),
        "\n " + json.dumps(DATA),
        b"\xef\xbb\xbf" + BASE.encode(),
        b"\xef\xbb\xbf" + json.dumps(DATA).encode(),
    ],
)
def test_standard_input(monkeypatch, text):
    stdin(monkeypatch, text)
    problem = read("-")
    assert dict(problem) == dict(Problem(**DATA)) and problem.file == "-"


def test_faults_of_standard_input_have_lines_too(monkeypatch):
    stdin(monkeypatch, BASE.replace("12 mL/h", "12"))
    assert [(f.line, f.key) for f in faults_of("-")] == [(23, "point[1].dose")]


def test_points_cannot_be_beside_standard_input(monkeypatch, tmp_path):
    put(tmp_path, "name\na\n", "p.csv")
    monkeypatch.chdir(tmp_path)
    stdin(monkeypatch, 'points = "p.csv"\n' + HEAD)
    (fault,) = faults_of("-")
    assert fault.line == 1 and fault.key == "points" and "standard input has no folder" in fault.expected


@pytest.mark.parametrize("name", ["machine.JSON", "machine.json"])
def test_json_by_its_name(tmp_path, name):
    assert read(put(tmp_path, json.dumps(DATA), name)).title == "two points"


@pytest.mark.parametrize(("name", "text"), [("m.toml", BASE), ("m.json", json.dumps(DATA))])
def test_a_byte_order_mark_and_other_line_ends_do_not_matter(tmp_path, name, text):
    marked = b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode()
    assert dict(read(put(tmp_path, marked, name))) == dict(Problem(**DATA))


def test_a_tolerance_has_two_sides(tmp_path):
    for written in ('"5 %"', "0.05", '{ below = 0.05, above = "5 %" }'):
        problem = read(put(tmp_path, BASE.replace('tolerance = "10 %"', f"tolerance = {written}")))
        sides = problem.point[0].tolerance
        assert sides.below == pytest.approx(0.05) and sides.above == pytest.approx(0.05)


# Bad files: what is replaced by what, and the faults as (key, found, expected, lines below the replaced text)

MANY = "1" + "0" * 400
BAD = [
    ('dose = "12 mL/h"', "dose = 12", [("point[1].dose", "12", "as in '12 mL/h'")]),
    ('dose = "12 mL/h"', 'dose = "12"', [("point[1].dose", "'12'", "a unit of dose, as in '12 mL/h'")]),
    (
        'dose = "12 mL/h"',
        'dose = "12,5 mL/h"',
        [("point[1].dose", "'12,5 mL/h'", "decimal point, not a comma")],
    ),
    ('dose = "12 mL/h"', 'dose = "12 ML/h"', [("point[1].dose", "'12 ML/h'", "did you mean 'mL/h'")]),
    ('dose = "12 mL/h"', 'dose = "0 mL/h"', [("point[1].dose", "'0 mL/h'", "above 0")]),
    ('dose = "12 mL/h"', 'dose = "-1 mL/h"', [("point[1].dose", "'-1 mL/h'", "above 0")]),
    ('dose = "12 mL/h"', 'dose = "nan mL/h"', [("point[1].dose", "'nan mL/h'", "plain digits")]),
    ('dose = "12 mL/h"', 'dose = "1e400 mL/h"', [("point[1].dose", "'1e400 mL/h'", "a machine can have")]),
    ('dose = "12 mL/h"', "dose = nan", [("point[1].dose", "nan", "as in '12 mL/h'")]),
    ('dose = "12 mL/h"', "dose = true", [("point[1].dose", "true", "as in '12 mL/h'")]),
    ('dose = "12 mL/h"', 'dose = "9 g/h"', [("point[1].dose", "'9 g/h'", "a density under [fluid]")]),
    (
        'dose = "12 mL/h"',
        'dose = "9 drop/min"',
        [("point[1].dose", "'9 drop/min'", "a drop volume under [fluid]")],
    ),
    (
        '[cycle]\ntime = "12 s"\nspray = "8 s"\n',
        "",
        [("point[1].dose", "'1 mL/part'", "a [cycle]")],
        ('dose = "12 mL/h"', 'dose = "1 mL/part"'),
    ),
    (
        'name = "a"',
        'title = "x"\nname = "a"',
        [("point[1].title", "an unknown key", "'tolerance'|'count'|'name'")],
    ),
    (
        'nozzle = "small"\nair_per_dose',
        'nozle = "small"\nair_per_dose',
        [
            ("point[1].nozle", "an unknown key", "perhaps 'nozzle'"),
            ("point[1].nozzle", "nothing", "the key 'nozzle'", -5),
        ],
    ),
    ("[fluid]", "[fluid]\ndensty = 1", [("fluid.densty", "an unknown key", "perhaps 'density'", 1)]),
    (
        'kind = "neat oil"',
        'kind = "neat"',
        [("fluid.kind", "'neat'", "'neat oil', 'water mix' or 'vanishing'")],
    ),
    ('kind = "neat oil"', "kind = 3", [("fluid.kind", "3", "'neat oil', 'water mix' or 'vanishing'")]),
    ('kind = "neat oil"', "", [("fluid.kind", "nothing", "the key 'kind'", -1)]),
    ('[air]\npressure = "6 bar"\ncapacity = "140 L/min"\n', "", [("air", "nothing", "the key 'air'", None)]),
    ('pressure = "6 bar"', 'pressure = "6 bar(g)"', [("air.pressure", "'6 bar(g)'", "did you mean 'barg'")]),
    ('pressure = "6 bar"', "pressure = 6", [("air.pressure", "6", "as in '6 bar'")]),
    ('capacity = "140 L/min"', 'capacity = "0 L/min"', [("air.capacity", "'0 L/min'", "above 0")]),
    ('capacity = "140 L/min"', 'capacity = "4.5 cfm"', [("air.capacity", "'4.5 cfm'", "scfm")]),
    (
        'capacity = "140 L/min"',
        'capacity = "300 slpm"',
        [("air.capacity", "'300 slpm'", "as in '300 L/min'")],
    ),
    ('min = "4/min"', 'min = "30 rpm"', [("generator.rate.min", "'30 rpm'", "'20/min'")]),
    ('min = "4/min", ', "", [("generator.rate.min", "nothing", "the key 'min'")]),
    (
        'max = "60/min"',
        'max = "3/min"',
        [("generator.rate.max", "'3/min'", "at least the lowest rate, '4/min'")],
    ),
    ('step = "1/min"', 'step = "0/min"', [("generator.rate.step", "'0/min'", "above 0")]),
    (
        'step = "1/min"',
        'step = "0.0001/min"',
        [("generator.rate.step", "'0.0001/min'", "at most 100,000 steps")],
    ),
    ('stroke_air = "0.01 L"', 'stroke_air = "-1 L"', [("generator.stroke_air", "'-1 L'", "at least 0")]),
    ('stroke_air = "0.01 L"', "count = 0", [("generator.count", "0", "at least 1")]),
    ('stroke_air = "0.01 L"', "count = 1001", [("generator.count", "1001", "at most 1000")]),
    ('stroke_air = "0.01 L"', "count = true", [("generator.count", "true", "a whole number")]),
    ('stroke_air = "0.01 L"', "count = 2.0", [("generator.count", "2.0", "a whole number")]),
    ('stroke_air = "0.01 L"', 'drift = "3"', [("generator.drift", "'3'", "a share")]),
    ('stroke_air = "0.01 L"', "drift = 1", [("generator.drift", "1", "under 100 %, as in '3 %'")]),
    ('stroke_air = "0.01 L"', 'drift = "-3 %"', [("generator.drift", "'-3 %'", "at least 0")]),
    ('stroke_air = "0.01 L"', 'now = 20', [("generator.now", "20", "as in '20/min'")]),
    ('stroke_air = "0.01 L"', 'now = "20.5/min"', [("generator.now", "'20.5/min'", "a rate of the dial")]),
    ('stroke_air = "0.01 L"', 'now = "61/min"', [("generator.now", "'61/min'", "a rate of the dial")]),
    ('stroke_volume = "0.06 mL"', 'stroke_volume = "0.06 mL"\nspread = "100 %"',
     [("pumps.standard.spread", "'100 %'", "under 100 %", 1)]),
    ('stroke_volume = "0.06 mL"', 'stroke_volume = "0.06 mL"\nspread = { "1" = "20 %", "2" = 6 }',
     [("pumps.standard.spread.2", "6", "under 100 %", 1)]),
    ('stroke_volume = "0.06 mL"', 'stroke_volume = "0.06 mL"\nspread = { "9" = "20 %" }',
     [("pumps.standard.spread.9", "'9'", "a mark of the pump: 1, 2, 3", 1)]),
    ('stroke_air = "0.01 L"', 'drift = "3 %"',
     [("pumps.standard.spread", "0.97", "under 100 % together with the drift of 0.03")],
     ('stroke_volume = "0.06 mL"', 'spread = "97 %"\nstroke_volume = "0.06 mL"')),
    ('stroke_volume = "0.06 mL"', 'stroke_volume = "0.06 mL"\nfluids = "neat oil"',
     [("pumps.standard.fluids", "'neat oil'", "a list", 1)]),
    ('stroke_volume = "0.06 mL"', 'stroke_volume = "0.06 mL"\nfluids = ["oil"]',
     [("pumps.standard.fluids[1]", "'oil'", "'neat oil', 'water mix' or 'vanishing'", 1)]),
    ('stroke_volume = "0.06 mL"', 'stroke_volume = "0.06 mL"\nfluids = []',
     [("pumps.standard.fluids", "a list of 0", "at least one", 1)]),
    ('stroke_volume = "0.06 mL"', 'stroke_volume = "0.06 mL"\nprice = -1',
     [("pumps.standard.price", "-1", "at least 0", 1)]),
    ('stroke_volume = "0.06 mL"', 'stroke_volume = "0.06 mL"\nprice = "3 EUR"',
     [("pumps.standard.price", "'3 EUR'", "a number", 1)]),
    ('stroke_volume = "0.06 mL"', 'stroke_volume = "0.06 mL"\nprice = inf',
     [("pumps.standard.price", "inf", "a finite number|at most", 1)]),
    ("weight = 1", 'now = { mark = "4", turns = 1 }',
     [("point[1].now.mark", "'4'", "a mark of pump standard: 1, 2, 3")]),
    ("weight = 1", 'now = { mark = "1", turns = 0 }',
     [("point[1].now.turns", "0", "turns of nozzle small with flow: 1, 2")]),
    ("weight = 1", 'now = { mark = "1", turns = 1.5 }', [("point[1].now.turns", "1.5", "with flow: 1, 2")]),
    ("weight = 1", 'now = { mark = "1" }', [("point[1].now.turns", "nothing", "the key 'turns'")]),
    ("weight = 1", 'now = { turns = 1 }', [("point[1].now.mark", "nothing", "the key 'mark'")]),
    ("weight = 1", 'now = { mark = 1, turns = 1 }', [("point[1].now.mark", "1", "a name")]),
    ("weight = 1", 'now = { mark = "1", turns = "1" }', [("point[1].now.turns", "'1'", "a number")]),
    ("weight = 1", 'now = "1"', [("point[1].now", "'1'", "a table")]),
    ("weight = 1", 'now = { mark = "1", turns = 1, pump = "mini" }',
     [("point[1].now.pump", "'mini'", "one of its pumps: standard")]),
    ("air_weight = 0.1", "price_weight = -1", [("solve.price_weight", "-1", "at least 0")]),
    ("air_weight = 0.1", "price_weight = 1001", [("solve.price_weight", "1001", "at most 1000")]),
    ("air_weight = 0.1", 'objective = "best"', [("solve.objective", "'best'", "'mean' or 'worst'")]),
    ("air_weight = 0.1", "robust = 1", [("solve.robust", "1", "true or false")]),
    ("air_weight = 0.1", 'robust = "yes"', [("solve.robust", "'yes'", "true or false")]),
    ("[solve]", "[[constraint]]\n[solve]", [("constraint[1].kind", "nothing", "one of total, same, fix")]),
    ("[solve]", "[constraint]\n[solve]", [("constraint", "a table of 0", "tables")]),
    (
        'rate = { min = "4/min", max = "60/min", step = "1/min" }',
        'rate = "20/min"',
        [("generator.rate", "'20/min'", "a table")],
    ),
    (
        'stroke_volume = "0.06 mL"',
        'stroke_volume = "0 mL"',
        [("pumps.standard.stroke_volume", "'0 mL'", "above 0")],
    ),
    ('"3" = 1.0', '"3" = 1.5', [("pumps.standard.marks.3", "1.5", "at most 1")]),
    ('"1" = 0.2', '"1" = 0', [("pumps.standard.marks.1", "0", "above 0")]),
    ('"1" = 0.2', '"1" = true', [("pumps.standard.marks.1", "true", "a share, as in '10 %'")]),
    ('"1" = 0.2', '"1" = nan', [("pumps.standard.marks.1", "nan", "a share, as in '10 %'")]),
    ('"1" = 0.2', '"1" = inf', [("pumps.standard.marks.1", "inf", "a share, as in '10 %'")]),
    (
        '"1" = 0.2',
        f'"1" = {MANY}',
        [("pumps.standard.marks.1", "more than 30 digits", "a share, as in '10 %'")],
    ),
    (
        '"1" = 0.2',
        '"1" = "20 per cent"',
        [("pumps.standard.marks.1", "'20 per cent'", "a share, as in '10 %'")],
    ),
    ('"3" = 1.0', '"3" = 0.5', [("pumps.standard.marks.3", "0.5", "at least 0.6")]),
    (
        'marks = { "1" = 0.2, "2" = 0.6, "3" = 1.0 }',
        "marks = {}",
        [("pumps.standard.marks", "no mark", "at least one")],
    ),
    (
        'marks = { "1" = 0.2, "2" = 0.6, "3" = 1.0 }',
        "marks = [0.2, 1]",
        [("pumps.standard.marks", "a list of 2", "a table")],
    ),
    ('"3" = 1.0', '" " = 1.0', [("pumps.standard.marks. ", "' '", "a name of 1 to 1000 characters")]),
    ("turns = [0, 1, 2]", "turns = [0, 1, 1]", [("nozzles.small.turns[3]", "1", "more than 1: turns rise")]),
    ("turns = [0, 1, 2]", "turns = [0, nan, 2]", [("nozzles.small.turns[2]", "nan", "a finite number")]),
    ("turns = [0, 1, 2]", "turns = [0, inf, 2]", [("nozzles.small.turns[2]", "inf", "a finite number")]),
    ("turns = [0, 1, 2]", "turns = [0, true, 2]", [("nozzles.small.turns[2]", "true", "a number")]),
    ("turns = [0, 1, 2]", 'turns = [0, "1", 2]', [("nozzles.small.turns[2]", "'1'", "a number")]),
    ("turns = [0, 1, 2]", "turns = [-1, 1, 2]", [("nozzles.small.turns[1]", "-1", "at least 0")]),
    ("turns = [0, 1, 2]", "turns = 1", [("nozzles.small.turns", "1", "a list")]),
    (
        "turns = [0, 1, 2]",
        "turns = [0, 1]",
        [("nozzles.small.flow", "3 flows", "one for each of the 2 turns", 1)],
    ),
    ('"64 L/min"', '"30 L/min"', [("nozzles.small.flow[3]", "'30 L/min'", "at least '32 L/min'")]),
    ('"64 L/min"', "64", [("nozzles.small.flow[3]", "64", "as in '300 L/min'")]),
    (
        'flow = ["0 L/min", "32 L/min", "64 L/min"]',
        'flow = [\n"0 L/min",\n"32 L/min", # open\n"6 L/min"]',
        [("nozzles.small.flow[3]", "'6 L/min'", "at least '32 L/min'", 3)],
    ),
    (
        'flow = ["0 L/min", "32 L/min", "64 L/min"]',
        'flow = ["0 L/min", "0 L/min", "0 L/min"]',
        [("nozzles.small.flow", "no flow at any turns", "a setting with flow")],
    ),
    ('spray = "8 s"', 'spray = "13 s"', [("cycle.spray", "'13 s'", "at most the cycle's time, '12 s'")]),
    ("air_weight = 0.1", "air_weight = -1", [("solve.air_weight", "-1", "at least 0")]),
    ("air_weight = 0.1", 'air_weight = "10 %"', [("solve.air_weight", "'10 %'", "a number")]),
    ("air_weight = 0.1", "time_limit = 60", [("solve.time_limit", "60", "as in '8 s'")]),
    ('tolerance = "10 %"', "tolerance = 1", [("point[1].tolerance", "1", "under 100 %")]),
    ('tolerance = "10 %"', 'tolerance = "100 %"', [("point[1].tolerance", "1", "under 100 %")]),
    ('tolerance = "10 %"', 'tolerance = "12 mL/h"', [("point[1].tolerance", "'12 mL/h'", "under 100 %")]),
    ('tolerance = "10 %"', 'tolerance = "-5 %"', [("point[1].tolerance", "'-5 %'", "at least 0")]),
    ('tolerance = "10 %"', 'tolerance = "10"', [("point[1].tolerance", "'10'", "")]),
    ('tolerance = "10 %"', 'tolerance = "1,5 %"', [("point[1].tolerance", "'1,5 %'", "not a comma")]),
    ('tolerance = "10 %"', "tolerance = nan", [("point[1].tolerance", "nan", "a share, as in '10 %'")]),
    ('tolerance = "10 %"', "tolerance = inf", [("point[1].tolerance", "inf", "a share, as in '10 %'")]),
    ('tolerance = "10 %"', "tolerance = true", [("point[1].tolerance", "true", "a share, as in '10 %'")]),
    (
        'tolerance = "10 %"',
        f"tolerance = {MANY}",
        [("point[1].tolerance", "digits", "a share, as in '10 %'")],
    ),
    (
        'tolerance = "10 %"',
        "tolerance = { below = 0.1 }",
        [("point[1].tolerance.above", "nothing", "key 'above'")],
    ),
    ('pump = "standard"', 'pump = "standart"', [("point[1].pump", "'standart'", "perhaps 'standard'")]),
    ('pump = "standard"', "pump = []", [("point[1].pump", "a list of 0|an empty list", "at least one name")]),
    (
        'pump = "standard"',
        'pump = ["standard", "standard"]',
        [("point[1].pump", "a list of 2", "each name once")],
    ),
    ('pump = "standard"', "pump = 1", [("point[1].pump", "1", "a list")]),
    (
        'nozzle = "small"\nair_per',
        'nozzle = "smal"\nair_per',
        [("point[1].nozzle", "'smal'", "perhaps 'small'")],
    ),
    ('min = "150 L/mL", ', "", [("point[1]", "no least air", "air_per_dose.min or air_flow.min", -6)]),
    (
        'air_flow = { min = "15 L/min" }',
        "",
        [("point[2]", "no least air", "air_per_dose.min or air_flow.min", -6)],
    ),
    (
        'min = "150 L/mL"',
        'min = "500 L/mL"',
        [("point[1].air_per_dose.max", "'400 L/mL'", "at least min, '500 L/mL'")],
    ),
    (
        'air_flow = { min = "15 L/min" }',
        'air_flow = { min = "0 L/min" }',
        [
            ("point[2].air_flow.min", "'0 L/min'", "above 0"),
            ("point[2]", "no least air", "air_per_dose.min", -6),
        ],
    ),
    ("weight = 1", "weight = 0", [("point[1].weight", "0", "at least 0.001")]),
    ("weight = 1", "weight = 0.00099", [("point[1].weight", "0.00099", "at least 0.001")]),
    ("weight = 1", "weight = 1000.1", [("point[1].weight", "1000.1", "at most 1000")]),
    ("weight = 1", "weight = nan", [("point[1].weight", "nan", "a finite number")]),
    ("weight = 1", "weight = -inf", [("point[1].weight", "-inf", "a finite number|at least 0.001")]),
    ("weight = 1", "weight = true", [("point[1].weight", "true", "a number")]),
    ("weight = 1", 'weight = "1"', [("point[1].weight", "'1'", "a number")]),
    ("weight = 1", "weight = 2020-01-01", [("point[1].weight", "2020", "a number")]),
    (
        "weight = 1",
        f"weight = {MANY}",
        [("point[1].weight", "more than 30 digits", "a number|finite|at most 1000")],
    ),
    ("weight = 1", 'cut = { time = "8 s", strokes = 0 }', [("point[1].cut.strokes", "0", "above 0")]),
    ("weight = 1", 'cut = { time = "8 s" }', [("point[1].cut.strokes", "nothing", "the key 'strokes'")]),
    ("count = 1", "count = 0", [("point[2].count", "0", "at least 1")]),
    ("count = 1", "count = 1.5", [("point[2].count", "1.5", "a whole number")]),
    ("count = 1", "count = 1.0", [("point[2].count", "1.0", "a whole number")]),
    ("count = 1", "count = true", [("point[2].count", "true", "a whole number")]),
    ('name = "b"', 'name = "a"', [("point[2].name", "'a'", "a name of its own: point 1 has this one")]),
    ('name = "b"', 'name = "tap"', [("point[1].tags", "'tap'", "a tag that is not the name of a point", -2)]),
    ('name = "b"', 'name = ""', [("point[2].name", "''", "a name of 1 to 1000 characters")]),
    ('name = "b"', 'name = "C:\\new"', [("point[2].name", "'C:\\new'", "without control characters")]),
    ('name = "b"', f'name = "{"x" * 1001}"', [("point[2].name", "'xxx", "a name of 1 to 1000 characters")]),
    ('name = "b"', "name = 7", [("point[2].name", "7", "a name")]),
    ('title = "two points"', "title = 7", [("title", "7", "text")]),
    ('title = "two points"', 'title = "C:\\data"', [(None, "unescaped '\\'", "TOML")]),
    ('title = "two points"', 'title = "two', [(None, "", "TOML")]),
    ('title = "two points"', "title two", [(None, "", "TOML")]),
    ('title = "two points"', 'title = "\x00"', [(None, "illegal character", "TOML")]),
    ('kind = "neat oil"', 'kind = "neat oil"\nkind = "neat oil"', [(None, "overwrite", "TOML", 1)]),
    ("[solve]", '[air]\npressure = "6 bar"\n[solve]', [(None, "air", "TOML", 0)]),
    ("[fluid]", "[[fluid]]", [("fluid", "a list of 1", "a table")]),
    (
        "[pumps.standard]",
        "[[pumps]]",
        [("pumps", "a list of 1", "a table")],
    ),
    (
        "turns = [0, 1, 2]",
        f"turns = {'[' * 200 + ']' * 200}",
        [("nozzles.small.turns[1]", "a list of 1", "a number")],
    ),
]


@pytest.mark.parametrize("row", BAD, ids=[f"{n}: {row[1][:40]!r}" for n, row in enumerate(BAD)])
def test_a_fault_is_told_with_its_place_and_what_is_expected(tmp_path, row):
    old, new, wanted, *more = row
    text = BASE
    for before, after in more:
        assert text.count(before) == 1
        text = text.replace(before, after)
    assert text.count(old) >= 1
    line = text[: text.index(old)].count("\n") + 1
    faults = faults_of(put(tmp_path, text.replace(old, new, 1)))
    told = {(f.key, f.line): f for f in faults}
    for key, found, expected, *below in wanted:
        offset = below[0] if below else 0
        at = None if offset is None else line + offset
        if more:
            at = text[: text.index(more[0][1])].count("\n") + 1 - old.count("\n")
        fault = told.get((key, at))
        assert fault is not None, f"no fault of {key} in line {at} among: {[str(f) for f in faults]}"
        assert any(part in fault.found for part in found.split("|")), fault
        assert any(part in fault.expected for part in expected.split("|")), fault
    assert len(faults) <= len(wanted), [str(f) for f in faults]


def test_the_table_of_bad_files_is_long():
    assert len(BAD) >= 100


def test_all_faults_of_a_file_at_once_in_the_order_of_the_lines(tmp_path):
    text = BASE
    for old, new in [
        ("neat oil", "oil"),
        ("4/min", "4"),
        ("0.06 mL", "0.06"),
        ('"64 L/min"', '"16 L/min"'),
        ("[solve]", "[solve]\nrobst = true"),
        ("12 mL/h", "12,5 mL/h"),
        ('"b"', '"a"'),
        ("15 L/min", "15 cfm"),
    ]:
        assert text.count(old) == 1
        text = text.replace(old, new)
    assert [(f.line, f.key) for f in faults_of(put(tmp_path, text))] == [
        (3, "fluid.kind"),
        (5, "generator.rate.min"),
        (8, "pumps.standard.stroke_volume"),
        (12, "nozzles.small.flow[3]"),
        (20, "solve.robst"),
        (24, "point[1].dose"),
        (31, "point[2]"),
        (32, "point[2].name"),
        (37, "point[2].air_flow.min"),
    ]


@pytest.mark.parametrize(
    ("text", "name", "line", "key", "found", "expected"),
    [
        ("[]", "m.json", None, None, "a list of 0", "a table"),
        ("3", "m.json", None, None, "3", "a table"),
        ("", "m.json", 1, None, "expecting value", "JSON"),
        ('{"fluid": {"kind": "neat oil"\n"name": 1}}', "m.json", 2, None, "", "JSON"),
        (BASE, "m.json", 1, None, "", "JSON"),
        (json.dumps(DATA), "m.toml", 1, None, "", "TOML"),
        ("[" * 100_000, "m.json", None, None, "deep nesting", "less deeply"),
        ('{"a":' * 100_000, "m.json", None, None, "deep nesting", "less deeply"),
        ("a = " + "[" * 100_000, "m.toml", None, None, "deep nesting", "less deeply"),
        ("a = " + "{b = " * 100_000, "m.toml", None, None, "deep nesting", "less deeply"),
        ("a = " + "1" * 5000, "m.toml", None, None, "thousands of digits", "a machine can have"),
        ('{"a": ' + "1" * 5000 + "}", "m.json", None, None, "thousands of digits", "a machine can have"),
        ("\n\na" + ".a" * 20_000 + " = 1", "m.toml", 3, None, "10 dots", "a shorter key"),
        ("[a" + " . a" * 20_000 + "]", "m.toml", 1, None, "10 dots", "a shorter key"),
        ("a" + '."a b"' * 20_000 + " = 1", "m.toml", 1, None, "10 dots", "a shorter key"),
        ("a" + ".''" * 20_000 + " = 1", "m.toml", 1, None, "10 dots", "a shorter key"),
        ("a" + '."\\""' * 100 + " = 1", "m.toml", 1, None, "10 dots", "a shorter key"),
        (BASE.encode("utf-16"), "m.toml", 1, None, "the byte 0xff", "UTF-8"),
        (json.dumps(DATA).encode("utf-16-be"), "m.json", 1, None, "", "UTF-8|JSON"),
        ('\ntitle = "Bohrk\u00f6pfe"'.encode("cp1252"), "m.toml", 2, None, "the byte 0xf6", "UTF-8"),
        ('{\n\n"title": "Bohrk\u00f6pfe"}'.encode("cp1252"), "m.json", 3, None, "the byte 0xf6", "UTF-8"),
    ],
    ids=lambda value: repr(value)[:25],
)
def test_files_that_are_no_toml_or_json(tmp_path, text, name, line, key, found, expected):
    (fault,) = faults_of(put(tmp_path, text, name))
    assert (fault.line, fault.key) == (line, key)
    assert found in fault.found and any(part in fault.expected for part in expected.split("|"))


def test_the_same_key_twice_in_json_is_told_with_its_place(tmp_path):
    text = json.dumps(DATA, indent=1).replace(
        '"kind": "neat oil"', '"kind": "neat oil",\n  "kind": "vanishing"'
    )
    (fault,) = faults_of(put(tmp_path, text, "m.json"))
    assert "twice" in fault.found and "once" in fault.expected
    assert fault.key == "fluid.kind" and fault.line == 5


def test_dots_in_text_and_remarks_are_no_keys(tmp_path):
    dots = "see sections " + ".".join("abcdefghij" * 6)
    text = BASE.replace("two points", dots) + "# " + dots + "\n"
    assert read(put(tmp_path, text)).title == dots


@pytest.mark.parametrize(
    "value", ["NaN", "Infinity", "-Infinity", "1e999", "true", "null", '"1"', "[1]", MANY]
)
@pytest.mark.parametrize("key", ["weight", "tolerance", "count", "dose", "pump"])
def test_values_of_json_that_are_no_right_number(tmp_path, key, value):
    data = copy.deepcopy(DATA)
    data["point"][0][key] = "here"
    text = json.dumps(data, indent=1)
    line = text[: text.index('"here"')].count("\n") + 1
    (fault,) = faults_of(put(tmp_path, text.replace('"here"', value), "m.json"))
    assert fault.line == line and fault.key in (f"point[1].{key}", f"point[1].{key}[1]")
    assert fault.expected


@pytest.mark.parametrize("text", ['{"title": "\\ud800"}', '{"\\ud800": 1}', '{"pumps": {"\\ud800": {}}}',
                                  '{"point": [{"name": "\\udfff"}]}'])  # fmt: skip
def test_half_a_letter_is_refused_in_our_own_words(tmp_path, text):
    assert "surrogate" not in " ".join(str(f) for f in faults_of(put(tmp_path, text, "m.json"))).lower()


def test_a_name_without_a_file(tmp_path):
    for name in (tmp_path / "none.toml", tmp_path, "a\x00b.toml"):
        (fault,) = faults_of(name)
        assert fault.line is None and fault.key is None and fault.expected == "a file that can be read"


def test_a_file_that_is_too_large(tmp_path, monkeypatch):
    monkeypatch.setattr(files, "SIZE_LIMIT", 2**20)
    (fault,) = faults_of(put(tmp_path, BASE + "#" * 2**20))
    assert (fault.found, fault.expected) == ("more than 1 MiB", "a smaller file")
    put(tmp_path, "name\n" + "x" * 2**20, "p.csv")
    (fault,) = faults_of(put(tmp_path, 'points = "p.csv"\n' + HEAD))
    assert (fault.found, fault.expected) == ("more than 1 MiB", "a smaller file")


def test_an_empty_file_lacks_every_required_table(tmp_path):
    for text, name in (("", "m.toml"), ("{}", "m.json")):
        faults = faults_of(put(tmp_path, text, name))
        assert {f.key for f in faults} == {"fluid", "generator", "pumps", "nozzles", "air", "point"}
        assert all(f.found == "nothing" for f in faults)


# Every key

PLACES = {
    "Problem": (),
    "Fluid": ("fluid",),
    "Dial": ("generator", "rate"),
    "Generator": ("generator",),
    "Pump": ("pumps", "standard"),
    "Nozzle": ("nozzles", "small"),
    "Air": ("air",),
    "Point": ("point", 1),
    "DoseWindow": ("point", 0, "air_per_dose"),
    "FlowWindow": ("point", 1, "air_flow"),
    "Tolerance": ("point", 1, "tolerance"),
    "Cut": ("point", 0, "cut"),
    "Now": ("point", 0, "now"),
    "Cycle": ("cycle",),
    "Tube": ("nozzles", "drawn", "tube"),
    "Screw": ("nozzles", "drawn", "screw"),
    "AirLine": ("air", "line"),
    "OilLine": ("oil_line",),
    "Reservoir": ("reservoir",),
    "Room": ("room",),
    "Energy": ("energy",),
    "Weighing": ("weighing",),
    "Solve": ("solve",),
}
PARTS = [part for part in vars(model).values() if isinstance(part, type) and issubclass(part, model.Part)
         and part.__module__ == model.__name__]  # fmt: skip


def at(data, place):
    for step in place:
        data = data[step]
    return data


def named(place, key):
    text = ".".join(f"[{step + 1}]" if isinstance(step, int) else step for step in (*place, key))
    return text.replace(".[", "[")


def full():
    data = copy.deepcopy(DATA)
    data["point"][0] |= {"cut": {"time": "60 s", "strokes": 2}, "now": {"mark": "2", "turns": 1, "pump": "standard"}}
    data["generator"] |= {"drift": "3 %", "count": 2, "now": "20/min"}
    more = {"spread": {"1": "20 %", "3": 0.03}, "fluids": ["neat oil", "vanishing"], "price": 1.5}
    data["pumps"]["standard"] |= more
    data["constraint"] = [{"kind": "total", "name": "left", "of": "air", "over": ["tap", "b"], "max": "120 L/min"},
                          {"kind": "forbid", "of": "mark", "at": ["1"]}]  # fmt: skip
    data["solve"] |= {"price_weight": 0.5, "objective": "worst", "robust": True}
    data["fluid"] |= {
        "density": "0.92 g/mL", "viscosity": ["38 mm^2/s", "8 mm^2/s"], "viscosity_at": ["40 degC", "100 degC"],
        "surface_tension": "32 mN/m", "tip": "3 mm", "flash_point": "210 degC", "lower_flammable_limit": "2.0 %",
        "molar_mass": "60.1 g/mol",
    }  # fmt: skip
    data["pumps"]["standard"]["min_pressure"] = "3 bar"
    data["nozzles"]["small"] |= {"measured_at": "5 bar", "critical_ratio": 0.3, "interpolate": False}
    data["nozzles"]["drawn"] = {
        "turns": [0, 1, 2], "bore": "0.8 mm", "discharge": 0.9, "tube": {"length": "2 m", "bore": "4 mm"},
        "screw": {"bore": "2 mm", "open": [0, 0.5, 1]},
    }  # fmt: skip
    data["nozzles"]["valve"] = {"turns": [1, 2], "conductance": ["0.1 L/(s bar)", "0.2 L/(s bar)"],
                                "critical_ratio": 0.3}  # fmt: skip
    data["air"]["line"] = {"conductance": "2.5 L/(s bar)", "critical_ratio": 0.35}
    data["oil_line"] = {"kind": "coaxial", "length": "3 m", "bore": "2 mm", "stroke_time": "80 ms",
                        "temperature": "20 degC", "cold": "-5 degC"}  # fmt: skip
    data["reservoir"] = {"sizes": ["0.5 L", "1 L"], "refill_every": "40 h", "notice": "8 h"}
    data["room"] = {"airflow": "2000 m^3/h", "airborne": "1 %", "limit": "400 ppm", "mixing": 3}
    data["energy"] = {"specific_power": "6.4 kW/(m^3/min)", "price_per_kwh": 0.18, "hours": "2000 h"}
    data["weighing"] = {"balance": "0.01 g", "uncertainty": "2 %"}
    return data


def test_every_table_has_its_place_here():
    assert {part.__name__ for part in PARTS} == set(PLACES)


def test_defaults_may_be_written_and_are_those_that_count():
    data = copy.deepcopy(DATA)
    data["generator"] |= {"count": 1, "drift": 0}
    data["pumps"]["standard"] |= {"price": 1}
    data["solve"] |= {"price_weight": 0, "objective": "mean", "robust": False}
    written, short = Problem(**data), Problem(**DATA)
    assert (written.generator, written.solve, written.pumps) == (short.generator, short.solve, short.pumps)


@pytest.mark.parametrize(("part", "key", "value", "expected"), [
    ("Generator", "drift", "3 %", 0.03), ("Generator", "drift", 0.03, 0.03), ("Generator", "count", 1000, 1000),
    ("Pump", "spread", "4 %", {"*": 0.04}), ("Pump", "spread", 0.04, {"*": 0.04}),
    ("Pump", "spread", {"1": "20 %", "3": 0}, {"1": 0.2, "3": 0.0}), ("Pump", "price", 0, 0.0),
    ("Pump", "fluids", ["water mix", "neat oil"], ("water mix", "neat oil")),
    ("Solve", "objective", "worst", "worst"), ("Solve", "robust", True, True), ("Solve", "price_weight", 1000, 1000.0),
])  # fmt: skip
def test_values_of_keys_that_may_be_left_out(part, key, value, expected):
    data = full()
    at(data, PLACES[part])[key] = value
    assert getattr(at_model(Problem(**data), PLACES[part]), key) == expected


def at_model(problem, place):
    for step in place:
        problem = getattr(problem, step) if isinstance(step, str) and hasattr(problem, step) else problem[step]
    return problem


def test_what_is_set_today_is_read():
    problem = Problem(**full())
    assert problem.generator.now.number == 20 and problem.point[1].now is None
    assert dict(problem.point[0].now) == {"mark": "2", "turns": 1.0, "pump": "standard"}


def test_today_must_say_which_of_several_pumps_is_mounted():
    data = full()
    data["pumps"]["mini"] = {"stroke_volume": "0.02 mL", "marks": {"low": 0.5, "high": 1.0}}
    data["point"][0]["pump"] = ["standard", "mini"]
    data["point"][0]["now"] = {"mark": "high", "turns": 1}
    with pytest.raises(ProblemError) as caught:
        Problem(**data)
    assert caught.value.faults == (
        Fault("point[1].now.pump", "nothing", "which of its pumps is mounted: standard, mini"),)  # fmt: skip
    data["point"][0]["now"]["pump"] = "standard"  # which has no mark "high"
    with pytest.raises(ProblemError, match=r"now.mark: found 'high'; expected a mark of pump standard: 1, 2, 3"):
        Problem(**data)
    data["point"][0]["now"]["pump"] = "mini"
    assert Problem(**data).point[0].now.pump == "mini"


@pytest.mark.parametrize("part", PLACES)
def test_an_unknown_key_of_each_table_is_refused_with_the_nearest(part):
    known = next(iter(getattr(model, part).model_fields))
    data = full()
    at(data, PLACES[part])[known + "x"] = 1
    with pytest.raises(ProblemError) as caught:
        Problem(**data)
    (fault,) = caught.value.faults
    assert fault == Fault(named(PLACES[part], known + "x"), "an unknown key", f"perhaps '{known}'")


# Limits: what is just inside is read


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('max = "60/min"', 'max = "100004/min"'),
        ("weight = 1", "weight = 0.001"),
        ("weight = 1", "weight = 1000"),
        ('tolerance = "10 %"', 'tolerance = "99.999 %"'),
        ('tolerance = "10 %"', "tolerance = 0"),
        ('tolerance = "10 %"', 'tolerance = "11.999 mL/h"'),
        ('tolerance = "10 %"', 'tolerance = { below = "5 %", above = "300 %" }'),
        ('"2" = 0.6', '"2" = 0.2'),
        ('"32 L/min"', '"0 L/min"'),
        ('"32 L/min"', '"64 L/min"'),
        ('min = "4/min"', 'min = "60/min"'),
        ('min = "150 L/mL"', 'min = "400 L/mL"'),
        ('spray = "8 s"', 'spray = "12 s"'),
        ('name = "b"', f'name = "{"x" * 1000}"'),
        ('name = "b"', 'name = "B\u00f6hrer \u2116 3"'),
        ('pressure = "6 bar"', 'pressure = "87 psi"'),
        ("air_weight = 0.1", "air_weight = 0"),
    ],
)
def test_what_is_just_allowed(tmp_path, old, new):
    assert BASE.count(old) == 1
    assert read(put(tmp_path, BASE.replace(old, new)))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('max = "60/min"', 'max = "100005/min"'),
        ('tolerance = "10 %"', f"tolerance = {{ below = {MANY}, above = 0 }}"),
        ('pressure = "6 bar"', 'pressure = "-1 bar_a"'),
        ('pressure = "6 bar"', 'pressure = "-2 bar"'),
        ('spray = "8 s"', 'spray = "0 s"'),
    ],
)
def test_what_is_just_too_much(tmp_path, old, new):
    assert BASE.count(old) == 1
    assert len(faults_of(put(tmp_path, BASE.replace(old, new)))) == 1


# Points from a spreadsheet

COLUMNS = "name,dose,tolerance,pump,nozzle,air_per_dose.min,weight,tags\n"
ROW = "a,12 mL/h,10 %,standard,small,150 L/mL,2,tap|left\n"


def sheet(folder, text, points='"p.csv"', name="p.csv", head=HEAD):
    if text is not None:
        put(folder, text, name)
    return put(folder, f"points = {points}\n{head}")


@pytest.mark.parametrize(
    "text",
    [
        COLUMNS + ROW,
        (COLUMNS + ROW).replace(",", ";"),
        b"\xef\xbb\xbf" + (COLUMNS + ROW).encode(),
        (COLUMNS + ROW).replace("\n", "\r\n"),
        COLUMNS + ROW + ",,,,,,,\n\n , ,,,,,,\n",
        COLUMNS + "\n,,,\n" + ROW,
        (COLUMNS + ROW).replace("\n", ",,\n"),
        (COLUMNS + ROW).replace(",", " , "),
        COLUMNS + ROW.replace("a,", '"a",', 1).replace("10 %", "0.1"),
        "\n" + COLUMNS + ROW.rstrip("\n"),
    ],
    ids=["comma", "semicolon", "BOM", "CRLF", "empty rows at the end", "empty rows inside", "empty columns",
         "spaces", "quotes", "no last line end"],
)  # fmt: skip
def test_a_sheet_as_spreadsheets_write_it(tmp_path, text):
    (point,) = read(sheet(tmp_path, text)).point
    assert (point.name, point.weight, point.tags, point.pump) == ("a", 2, ("tap", "left"), ("standard",))
    assert point.dose.number == pytest.approx(0.2) and point.tolerance.below == pytest.approx(0.1)


SHEETS = [
    # the sheet, and the faults as (line, key, found, expected)
    (
        (COLUMNS + ROW).replace(",", ";").replace("12 mL/h", "12,5 mL/h"),
        [(2, "point[1].dose in p.csv", "'12,5 mL/h'", "decimal point, not a comma")],
    ),
    (
        (COLUMNS + ROW).replace(",", ";").replace(";2;", ";2,5;"),
        [(2, "point[1].weight in p.csv", "'2,5'", "a number")],
    ),
    (COLUMNS.replace("tags", "dose") + ROW, [(1, "column in p.csv", "'dose' 2 times", "each column once")]),
    (COLUMNS.replace("tags", "tgs") + ROW, [(1, "column in p.csv", "'tgs'", "perhaps 'tags'")]),
    (COLUMNS.replace("tags", "now") + ROW, [(1, "column in p.csv", "'now'", "perhaps 'now.")]),
    (
        COLUMNS.replace("weight,tags", "now.mark,now.turns") + ROW.replace("2,tap|left", "3,1.5"),
        [(2, "point[1].now.turns in p.csv", "1.5", "with flow: 1, 2")],
    ),
    (
        COLUMNS.replace("weight,tags", "now.mark,now.turns") + ROW.replace("2,tap|left", "3,"),
        [(2, "point[1].now.turns in p.csv", "nothing", "the key 'turns'")],
    ),
    (
        COLUMNS.replace("weight,tags", "now.mark,now.turns,now.pump") + ROW.replace("2,tap|left", "3,1,mini"),
        [(2, "point[1].now.pump in p.csv", "'mini'", "one of its pumps: standard")],
    ),
    (COLUMNS.replace("weight,tags", "now.mark,now.turns,now.pump") + ROW.replace("2,tap|left", "3,1,standard"), []),
    (COLUMNS.replace("tags", "") + ROW, [(2, "point[1] in p.csv", "8 cells", "7, as the header has")]),
    (
        COLUMNS + ROW + ROW.replace("a,", '"c,', 1) + ROW,
        [(3, "points in 'p.csv'", "end of data", "quotes that close")],
    ),
    (COLUMNS + ROW + ROW.replace("a,", '"c"x,', 1), [(3, "points in 'p.csv'", "", "quotes that close")]),
    (COLUMNS + ROW.rstrip() + ",x,y\n", [(2, "point[1] in p.csv", "10 cells", "8, as the header has")]),
    (COLUMNS + ROW + ROW, [(3, "point[2].name in p.csv", "'a'", "a name of its own")]),
    (
        COLUMNS + ROW + "\n\n" + ROW.replace("a,12 mL/h", "c,12"),
        [(5, "point[2].dose in p.csv", "'12'", "as in '12 mL/h'")],
    ),
    (COLUMNS + ROW.replace(",2,", ",nan,"), [(2, "point[1].weight in p.csv", "'nan'", "a number")]),
    (COLUMNS + ROW.replace(",2,", ",1e400,"), [(2, "point[1].weight in p.csv", "inf", "a finite number")]),
    (COLUMNS + ROW.replace(",2,", ",true,"), [(2, "point[1].weight in p.csv", "'true'", "a number")]),
    (COLUMNS + ROW.replace(",2,", ",\uff12,"), [(2, "point[1].weight in p.csv", "'\uff12'", "a number")]),
    (
        COLUMNS + ROW.replace("standard", "standart"),
        [(2, "point[1].pump in p.csv", "'standart'", "'standard'")],
    ),
    (
        COLUMNS + ROW.replace("tap|left", "tap|a"),
        [(2, "point[1].tags in p.csv", "'a'", "not the name of a point")],
    ),
    (
        COLUMNS + ROW.replace("a,", '"a\nb",', 1),
        [(2, "point[1].name in p.csv", "'a\\nb'", "control characters")],
    ),
    (
        COLUMNS + '"a\nb' + ROW[1:].replace(",", '",', 1) + ROW.replace("12 mL/h", "12"),
        [
            (2, "point[1].name in p.csv", "", "control characters"),
            (4, "point[2].dose in p.csv", "'12'", "a unit"),
        ],
    ),
    (COLUMNS + ROW.replace("a,", ",", 1), [(2, "point[1].name in p.csv", "nothing", "the key 'name'")]),
    (
        COLUMNS.replace("weight", "tolerance.above") + ROW,
        [(2, "point[1].tolerance in p.csv", "both one tolerance and its two sides", "one of them")],
    ),
    (COLUMNS.replace("weight", "tolerance.above").replace("tolerance,", "tolerance.below,") + ROW, []),
    (
        COLUMNS.replace("weight", "cut.time") + ROW.replace(",2,", ",8 s,"),
        [(2, "point[1].cut.strokes in p.csv", "nothing", "the key 'strokes'")],
    ),
    (COLUMNS, [(None, "points in 'p.csv'", "no row of a point", "one row a point")]),
    ("", [(None, "points in 'p.csv'", "no row of a point", "one row a point")]),
    ((COLUMNS + ROW).encode("utf-16"), [(1, "points in 'p.csv'", "the byte 0xff", "UTF-8")]),
    (
        (COLUMNS + ROW.replace("a,", "\u00f6,", 1)).encode("cp1252"),
        [(2, "points in 'p.csv'", "0xf6", "UTF-8")],
    ),
    (COLUMNS + ROW.replace("a,", "x" * 200_000 + ",", 1), [(2, "points in 'p.csv'", "field", "")]),
]


@pytest.mark.parametrize(("text", "wanted"), SHEETS, ids=[str(n) for n in range(len(SHEETS))])
def test_a_fault_of_a_sheet_is_told_with_its_line(tmp_path, text, wanted):
    file = sheet(tmp_path, text)
    if not wanted:
        assert read(file)
        return
    faults = faults_of(file)
    assert len(faults) == len(wanted), [str(f) for f in faults]
    for fault, (line, key, found, expected) in zip(faults, wanted, strict=True):
        assert fault.key == key and (line is None or fault.line == line), fault
        assert found in fault.found and expected in fault.expected, fault


def test_a_decimal_comma_among_commas_is_told(tmp_path):
    faults = faults_of(sheet(tmp_path, COLUMNS + ROW.replace("12 mL/h", "12,5 mL/h")))
    assert any("decimal comma" in f.expected for f in faults) and all(f.line == 2 for f in faults)


@pytest.mark.parametrize(
    "points",
    [
        "../x.csv",
        "sub/x.csv",
        "sub\\x.csv",
        "/etc/hostname",
        ".",
        "..",
        "",
        "sub",
        "none.csv",
        "out.csv",
        "loop.csv",
        "pipe.csv",
        "a\x00.csv",
        "C:x.csv",
        "./p.csv",
        "x" * 300,
        3,
        True,
        ["p.csv"],
        {"file": "p.csv"},
    ],
    ids=lambda value: repr(value)[:20],
)
def test_points_only_from_a_plain_file_of_the_same_folder(tmp_path, points):
    folder = tmp_path / "machine"
    (folder / "sub").mkdir(parents=True)
    for place in (tmp_path, folder / "sub"):
        put(place, COLUMNS + ROW, "x.csv")
    put(folder, COLUMNS + ROW, "p.csv")
    os.symlink("../x.csv", folder / "out.csv")
    os.symlink("loop.csv", folder / "loop.csv")
    if hasattr(os, "mkfifo"):
        os.mkfifo(folder / "pipe.csv")
    data = {key: value for key, value in DATA.items() if key != "point"}
    file = put(folder, json.dumps({"points": points, **data}, indent=1), "m.json")
    (fault,) = faults_of(file)
    assert (fault.line, fault.key) == (2, "points") and "file" in fault.expected


def test_a_link_within_the_folder_and_a_problem_named_by_its_bare_name_are_fine(tmp_path, monkeypatch):
    os.symlink("p.csv", tmp_path / "link.csv")
    file = sheet(tmp_path, COLUMNS + ROW, points='"link.csv"')
    monkeypatch.chdir(tmp_path)
    assert read(file.name).point[0].name == "a"


def test_points_twice(tmp_path):
    (fault,) = faults_of(sheet(tmp_path, COLUMNS + ROW, head=BASE))
    assert fault.key == "points" and "both 'points' and [[point]]" in fault.found and fault.line == 1


def test_faults_of_the_file_and_of_its_sheet_at_once(tmp_path):
    file = sheet(tmp_path, COLUMNS + ROW.replace("12 mL/h", "12"), head=HEAD.replace("neat oil", "oil"))
    assert [(f.line, f.key) for f in faults_of(file)] == [(4, "fluid.kind"), (2, "point[1].dose in p.csv")]
    file = sheet(tmp_path, None, points='"none.csv"', head=HEAD.replace("neat oil", "oil"))
    assert [(f.line, f.key) for f in faults_of(file)] == [(1, "points"), (4, "fluid.kind")]


# Written and read again


def toml_of(value):
    """Inline TOML of plain data; text is written in the escapes that JSON and TOML share."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{json.dumps(key)} = {toml_of(item)}" for key, item in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml_of, value)) + "]"
    return repr(value) if isinstance(value, float) else json.dumps(value)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("written")


@given(case=cases())
@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.too_slow])
def test_what_is_written_is_read_as_the_same_problem(folder, case):
    problem = Problem(**raw(case))
    plain = problem.to_dict()
    assert Problem(**plain) == problem and Problem(**plain).to_dict() == plain
    as_json = read(put(folder, json.dumps(plain, allow_nan=False), "m.json"))
    text = "".join(f"{key} = {toml_of(value)}\n" for key, value in plain.items())
    as_toml = read(put(folder, text, "m.toml"))
    assert dict(as_json) == dict(as_toml) == dict(problem)
    assert as_json.to_dict() == as_toml.to_dict() == plain


@given(case=cases())
@settings(deadline=None, max_examples=40, suppress_health_check=[HealthCheck.too_slow])
def test_points_of_a_sheet_are_those_of_the_file(folder, case):
    data = raw(case)
    rows = [flat(point) for point in data["point"]]
    header = list(dict.fromkeys(key for row in rows for key in row))
    with open(folder / "p.csv", "w", newline="", encoding="utf-8-sig") as stream:
        writer = csv.DictWriter(stream, header, delimiter=";" if len(rows) % 2 else ",")
        writer.writeheader()
        writer.writerows(rows)
    whole = {key: value for key, value in data.items() if key != "point"} | {"points": "p.csv"}
    assert dict(read(put(folder, json.dumps(whole), "sheet.json"))) == dict(Problem(**data))


def flat(table, before=""):
    row = {}
    for key, value in table.items():
        if isinstance(value, dict):
            row |= flat(value, f"{before}{key}.")
        else:
            row[before + key] = "|".join(value) if isinstance(value, list) else value
    return row


def test_a_problem_read_from_a_file_is_equal_to_what_it_writes(tmp_path):
    problem = read(put(tmp_path, BASE))
    assert Problem(**problem.to_dict()) == problem


def test_a_problem_is_not_changed(tmp_path):
    problem = Problem(**DATA)
    with pytest.raises(ValueError, match="frozen"):
        problem.title = "other"
    with pytest.raises(ValueError, match="frozen"):
        problem.point[0].weight = 2
    assert tomllib.loads(BASE) == DATA  # nor what it was made of


# The schema


@functools.cache
def checker():
    found = schema()
    assert found["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    jsonschema.Draft202012Validator.check_schema(found)
    return jsonschema.Draft202012Validator(json.loads(json.dumps(found, allow_nan=False)))


@pytest.mark.parametrize("data", [DATA, full(), tomllib.loads(STARTER)], ids=["base", "full", "starter"])
def test_the_schema_accepts_right_files(data):
    assert list(checker().iter_errors(data)) == []
    short = {key: value for key, value in data.items() if key != "point"} | {"points": "p.csv"}
    assert list(checker().iter_errors(short)) == []


@given(case=cases())
@settings(deadline=None, max_examples=30, suppress_health_check=[HealthCheck.too_slow])
def test_the_schema_accepts_what_is_drawn_and_what_is_written(case):
    assert list(checker().iter_errors(raw(case))) == []
    assert list(checker().iter_errors(Problem(**raw(case)).to_dict())) == []


@pytest.mark.parametrize("part", PLACES)
def test_the_schema_refuses_unknown_keys(part):
    for key in ("unknown", "later"):
        data = full()
        at(data, PLACES[part])[key] = 1
        assert not checker().is_valid(data), key


REQUIRED = [(p.__name__, k) for p in PARTS for k, f in p.model_fields.items() if f.is_required()]


@pytest.mark.parametrize(("part", "key"), REQUIRED, ids=lambda value: value)
def test_the_schema_and_the_reader_ask_for_the_same_keys(part, key):
    data = full()
    del at(data, PLACES[part])[key]
    assert not checker().is_valid(data)
    with pytest.raises(ProblemError, match=f"found nothing; expected the key '{key}'"):
        Problem(**data)


@pytest.mark.parametrize(
    ("place", "key", "value"),
    [
        (("point", 0), "dose", 12),
        (("point", 0), "weight", "1"),
        (("point", 0), "weight", 0),
        (("point", 0), "weight", True),
        (("point", 0), "count", 1.5),
        (("point", 0), "pump", []),
        (("point", 0), "tolerance", -0.1),
        (("point", 0), "tolerance", {"below": 0.1}),
        (("point", 0), "name", ""),
        (("pumps", "standard", "marks"), "1", 1.5),
        (("pumps", "standard"), "marks", []),
        (("nozzles", "small"), "turns", "0"),
        (("fluid",), "kind", "oil"),
        (("generator",), "count", 0),
        (("generator",), "count", 1001),
        (("generator",), "count", 1.5),
        (("generator",), "drift", 1),
        (("generator",), "drift", -0.1),
        (("generator",), "drift", [0.1]),
        (("generator",), "now", 20),
        (("pumps", "standard"), "spread", 1),
        (("pumps", "standard"), "spread", {"1": 1}),
        (("pumps", "standard"), "spread", {"1": -0.1}),
        (("pumps", "standard"), "spread", ["3 %"]),
        (("pumps", "standard"), "fluids", "neat oil"),
        (("pumps", "standard"), "fluids", []),
        (("pumps", "standard"), "fluids", ["oil"]),
        (("pumps", "standard"), "price", -1),
        (("pumps", "standard"), "price", 1e7),
        (("pumps", "standard"), "price", "1"),
        (("point", 0, "now"), "mark", 2),
        (("point", 0, "now"), "turns", "1"),
        (("point", 0, "now"), "turns", -1),
        (("point", 0, "now"), "pump", ["standard"]),
        (("point", 0), "now", "2"),
        (("solve",), "robust", 1),
        (("solve",), "objective", "best"),
        (("solve",), "price_weight", -1),
        (("solve",), "price_weight", "1"),
        (("constraint", 0), "kind", "sum"),
        (("constraint", 0), "of", "mark"),
        (("constraint", 0), "over", []),
        (("constraint", 0), "over", 3),
        (("constraint", 0), "max", True),
        (("constraint", 0), "times", {"a": "2"}),
        (("constraint", 0), "at", ["1"]),  # no key of a total
        (("constraint", 1), "at", []),
        ((), "constraint", {}),
        ((), "constraint", [{}]),
        ((), "points", "p.csv"),  # beside point
        ((), "point", []),
        ((), "pumps", {}),
    ],
)
def test_the_schema_refuses_what_the_reader_refuses(place, key, value):
    data = full()
    at(data, place)[key] = value
    assert not checker().is_valid(data)
    with pytest.raises(ProblemError):
        Problem(**data)


def test_the_schema_wants_points_by_a_bare_name():
    data = {key: value for key, value in DATA.items() if key != "point"}
    for name in ("../p.csv", "sub/p.csv", "sub\\p.csv", "", 3):
        assert not checker().is_valid(data | {"points": name})
    assert not checker().is_valid(data)


# From Python


def test_faults_of_keys_given_in_python_have_no_file():
    with pytest.raises(ProblemError) as caught:
        Problem(**(DATA | {"air": {"pressure": "6 bar", "capacity": "140"}}))
    error = caught.value
    assert error.file is None and error.faults[0].key == "air.capacity" and error.faults[0].line is None
    assert str(error).startswith("air.capacity: found '140'; expected a unit of air flow")


@pytest.mark.parametrize(
    "data",
    [
        {},
        {"fluid": None},
        {"point": [None]},
        {"pumps": {"x": None}},
        {"nozzles": {1: 2}},
        {"point": "a"},
        {"fluid": object()},
        {"title": b"x"},
    ],
)
def test_anything_given_in_python_is_a_problem_or_a_list_of_faults(data):
    with pytest.raises(ProblemError) as caught:
        Problem(**data)
    assert all(fault.expected for fault in caught.value.faults)


def places(data, before=()):
    """Every place in plain data."""
    inner = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    for key, value in inner:
        yield (*before, key)
        yield from places(value, (*before, key))


ODD = [None, True, 0, -1, 1.5, 1e300, float("nan"), float("-inf"), 10**400, "", "x", "1 bar", "10 %", "0 L/min",
       b"1", [], {}, [[]], ["a", "a"], {"a": 1}, {"min": None}, {1: 1}, object()]  # fmt: skip


@pytest.mark.parametrize("place", list(places(full())), ids=lambda place: ".".join(map(str, place)))
def test_any_value_at_any_place_is_read_or_refused_and_means_the_same_beside_another_fault(place):
    for value in ODD:
        data = full()
        at(data, place[:-1])[place[-1]] = value
        try:
            Problem(**data)
        except ProblemError as error:
            assert error.faults, value
            alone = {fault.key for fault in error.faults}
        else:
            alone = set()
        if place != ("title",):
            with pytest.raises(ProblemError) as caught:
                Problem(**(data | {"title": 7}))
            assert {fault.key for fault in caught.value.faults} == alone | {"title"}, value


def test_more_points_than_are_allowed():
    with pytest.raises(ProblemError) as caught:
        Problem(**(DATA | {"point": [None] * 100_001}))
    assert any("100,000" in fault.expected or "100000" in fault.expected for fault in caught.value.faults)
