"""The command line: exit codes, what goes to which stream, nothing that a terminal or pipe trips over."""

import copy
import importlib
import json
import os
import random
import re
import shlex
import signal
import subprocess
import sys
import threading
import time
import tomllib
from pathlib import Path

import pytest
from commands import Run
from hypothesis import HealthCheck, given, settings
from strategies import cases, raw

import stackopt
from stackopt import cli
from stackopt.problem.starter import STARTER
from stackopt.version import VERSION

PROBLEMS = Path(__file__).parent.parent / "problems"
POINT = {"tolerance": "10 %", "pump": "standard", "nozzle": "small", "air_per_dose": {"min": "150 L/mL"}}
# Worked by hand: at 10/min mark 2 gives 0.06 x 0.5 x 10 x 60 = 18 mL/h; 150 L/mL of 0.3 mL/min are 45 L/min.
GOOD = {
    "title": "by hand",
    "fluid": {"kind": "neat oil"},
    "generator": {"rate": {"min": "10/min", "max": "10/min", "step": "1/min"}, "stroke_air": "0.1 L"},
    "pumps": {"standard": {"stroke_volume": "0.06 mL", "marks": {"1": 0.2, "2": 0.5, "3": 1.0}}},
    "nozzles": {"small": {"turns": [0, 1, 2], "flow": ["0 L/min", "30 L/min", "50 L/min"]}},
    "air": {"pressure": "6 bar", "capacity": "140 L/min"},
    "point": [{"name": "b", "dose": "18 mL/h", **POINT}, {"name": "a", "dose": "20 mL/h", **POINT}],
}


def changed(*changes):
    """GOOD with values replaced: (path, value)."""
    data = copy.deepcopy(GOOD)
    for path, value in changes:
        *way, last = path
        table = data
        for step in way:
            table = table[step]
        table[last] = value
    return data


RATE, CAPACITY = ("generator", "rate"), ("air", "capacity")
# No mark gives 100 mL/h at 10/min. The least air is 2 x 30 + 2 L/min. In 1 s not two strokes fall at 10/min.
# The time limit is over at once.
FILES = {
    0: GOOD,
    2: changed((CAPACITY, "140")),
    3: changed((("point", 0, "dose"), "100 mL/h")),
    4: changed((CAPACITY, "50 L/min")),
    5: changed((("solve",), {"time_limit": "0.000001 s"})),
}
CUT = changed((("point", 0, "cut"), {"time": "1 s", "strokes": 2}))


def put(folder, data, name="m.json"):
    file = folder / name
    file.write_text(data if isinstance(data, str) else json.dumps(data), encoding="utf-8")
    return str(file)


def start(*words, code=None, **more):
    command = ["-c", code] if code else ["-m", "stackopt"]
    env = {**os.environ, **more.pop("env", {})}
    # A background job of a shell ignores Ctrl-C, and so would what it starts: the usual handling is given back.
    usual = None if os.name == "nt" else lambda: signal.signal(signal.SIGINT, signal.SIG_DFL)
    return subprocess.Popen([sys.executable, *command, *words], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                            stderr=subprocess.PIPE, env=env, preexec_fn=usual, **more)  # fmt: skip


def finish(process, stdin=b"", encoding="utf-8"):
    out, err = process.communicate(stdin, timeout=50)
    return Run(process.returncode, out.decode(encoding), err.decode(encoding))


# Exit codes


@pytest.mark.parametrize("code", FILES)
@pytest.mark.parametrize("how", ["print", "json"])
def test_exit_codes(run, tmp_path, code, how):
    got = run("solve", put(tmp_path, FILES[code]), *(["--json"] if how == "json" else []))
    assert got.code == code
    if how == "json":
        status = {0: "optimal", 3: "optimal", 4: "infeasible", 5: "time limit"}
        assert got.json["format"] == f"stackopt.{'fault' if code == 2 else 'result'}/1"
        assert got.json.get("status") == status.get(code)
        assert got.json.get("in_tolerance") == (None if code == 2 else code == 0)
    assert (got.err != "") == (code == 2)


def test_a_cut_that_no_rate_keeps_is_infeasible(run, tmp_path):
    got = run("solve", "--json", put(tmp_path, CUT))
    assert got.code == 4
    answer = got.json
    assert (answer["points"], answer["rate_per_min"], answer["objective"]) == ([], None, None)
    assert answer["bound"] is None and answer["gap"] is None
    (conflict,) = answer["conflicts"]
    assert conflict["points"] == ["b"] and "cut of b" in conflict["rules"]


def test_the_figures_of_an_answer_worked_by_hand(run, tmp_path):
    got = run("solve", "--json", put(tmp_path, GOOD))
    answer = got.json
    assert answer["file"] == str(tmp_path / "m.json") and answer["title"] == "by hand"
    assert answer["rate_per_min"] == 10
    assert answer["generators"] == [{"rate_per_min": 10, "points": ["b", "a"]}]
    assert [p["name"] for p in answer["points"]] == ["b", "a"]  # in the order of the file
    for point, needs in zip(answer["points"], (18, 20), strict=True):
        assert (point["pump"], point["mark"], point["turns"], point["spray"]) == (
            "standard",
            "2",
            2,
            "in window",
        )
        assert point["dose_mL_per_h"] == pytest.approx(18, rel=1e-12)
        assert point["required_mL_per_h"] == pytest.approx(needs, rel=1e-12)
        assert point["error"] == pytest.approx(18 / needs - 1, abs=1e-12)
        assert (
            point["air_min_L_per_min"] == pytest.approx(45, rel=1e-12) and point["air_max_L_per_min"] is None
        )
    assert answer["air"]["total_L_per_min"] == pytest.approx(102, rel=1e-12)
    assert answer["air"]["share"] == pytest.approx(102 / 140, rel=1e-12)
    assert answer["objective"]["mean_error"] == pytest.approx(0.05, abs=1e-12)
    assert answer["objective"]["value"] == pytest.approx(0.05 + 0.1 * 102 / 140, abs=1e-12)
    assert answer["gap"] == 0 and answer["conflicts"] == []


@pytest.mark.parametrize(
    ("codes", "worst"),
    [
        ((2, 0), 2),
        ((0, 2, 3), 2),
        ((3, 0), 3),
        ((4, 5, 3), 4),
        ((5, 3, 0), 5),
        ((0, 0), 0),
        ((3, 4), 4),
        ((5, 2), 2),
    ],
)
def test_several_files_go_on_and_exit_with_the_worst(run, tmp_path, codes, worst):
    names = [put(tmp_path, FILES[code], f"{n}.json") for n, code in enumerate(codes)]
    got = run("solve", "--json", *names)
    assert got.code == worst
    answers = [json.loads(line) for line in got.out.splitlines()]
    assert [a["file"] for a in answers] == names
    assert [a["format"] for a in answers] == [f"stackopt.{'fault' if c == 2 else 'result'}/1" for c in codes]
    got = run("solve", *names)
    assert got.code == worst
    assert re.findall("^== (.*)$", got.out, re.MULTILINE) == names
    assert got.out.count("  status  ") == sum(code != 2 for code in codes)


def test_one_file_is_one_object(run, tmp_path):
    assert run("solve", put(tmp_path, GOOD), "--json").json["format"] == "stackopt.result/1"
    assert run("rates", put(tmp_path, GOOD), "--json").json["format"] == "stackopt.rates/1"


@pytest.mark.parametrize(("code", "expected"), [(0, 0), (2, 2), (3, 3)])
def test_rates(run, tmp_path, code, expected):
    name = put(tmp_path, FILES[code])
    assert run("rates", name).code == expected
    got = run("rates", name, "--json")
    assert got.code == expected
    if code == 0:
        assert got.json["shared"] == [{"from_per_min": 10.0, "to_per_min": 10.0}]
        assert got.json["most"] == {
            "count": 2,
            "points": ["b", "a"],
            "from_per_min": 10.0,
            "to_per_min": 10.0,
        }
    if code == 3:
        assert got.json["shared"] == [] and [c["points"] for c in got.json["conflicts"]] == [["b"]]


@given(case=cases(max_points=2))
@settings(
    deadline=None,
    max_examples=25,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
def test_what_is_drawn_ends_well(run, tmp_path, case):
    name = put(tmp_path, raw(case))
    for command in ("solve", "rates"):
        got = run(command, "--json", name)
        assert got.code in (0, 3, 4) and got.err == ""
        plain = run(command, name)
        assert plain.code == got.code and plain.err == ""
        assert all(len(line) <= 80 for line in plain.out.splitlines())
        assert plain.out.isascii()
        if command == "solve":
            assert got.code == (
                4 if got.json["status"] == "infeasible" else 0 if got.json["in_tolerance"] else 3
            )


# Faults


def test_faults_of_a_file(run, tmp_path):
    text = STARTER.replace("12 mL/h", "12").replace("neat oil", "oil", 1)
    name = put(tmp_path, text, "m.toml")
    lines = {n for n, line in enumerate(text.splitlines(), 1) if '"12"' in line or 'kind = "oil"' in line}
    got = run("solve", name, "--json")
    assert got.code == 2
    assert set(got.json) == {"format", "file", "exit", "faults"}
    assert (got.json["format"], got.json["file"], got.json["exit"]) == ("stackopt.fault/1", name, 2)
    faults = got.json["faults"]
    assert [set(f) for f in faults] == [{"line", "key", "found", "expected"}] * 2
    assert {f["line"] for f in faults} == lines
    assert [(f["key"], f["found"]) for f in faults] == [("fluid.kind", "'oil'"), ("point[1].dose", "'12'")]
    assert got.err.splitlines() == [
        f"{name}: line {f['line']}, {f['key']}: found {f['found']}; expected {f['expected']}" for f in faults
    ]
    assert run("solve", name).out == ""


def test_faults_of_a_sheet_name_the_sheet(run, tmp_path):
    put(tmp_path, "name,dose,tolerance,pump,nozzle,air_flow.min\na,12,10 %,standard,small,9 L/min\n", "p.csv")
    data = {key: value for key, value in GOOD.items() if key != "point"} | {"points": "p.csv"}
    got = run("solve", put(tmp_path, data), "--json")
    (fault,) = got.json["faults"]
    assert got.code == 2 and fault["line"] == 2 and fault["key"] == "point[1].dose in p.csv"


@pytest.mark.parametrize(
    "words",
    [
        ("bogus",),
        ("solve",),
        ("solve", "--jsno", "m.toml"),
        ("solve", "-3"),
        ("rates",),
        ("rates", "a", "b"),
        ("new",),
        ("new", "a", "b"),
        ("schema", "x"),
        ("--bogus",),
    ],
    ids=" ".join,
)
def test_faults_of_the_command_line(run, words):
    got = run(*words, "--json")
    assert got.code == 2
    assert (got.json["format"], got.json["file"], got.json["exit"]) == ("stackopt.fault/1", None, 2)
    (fault,) = got.json["faults"]
    assert fault["key"] is None and fault["line"] is None and fault["found"] and fault["expected"]
    assert fault["found"] in got.err and fault["expected"] in got.err
    plain = run(*words)
    assert plain.code == 2 and plain.out == "" and plain.err.strip()


def test_without_a_command_the_help_is_shown(run):
    got = run()
    shown = got.out + got.err
    assert all(name in shown for name in ("solve", "rates", "schema", "new"))
    assert "found Usage" not in shown


@pytest.mark.parametrize("name", ["none.toml", "", ".", "a\nb.toml"])
def test_a_file_that_cannot_be_read(run, tmp_path, monkeypatch, name):
    monkeypatch.chdir(tmp_path)
    for command in ("solve", "rates"):
        got = run(command, name, "--json")
        assert got.code == 2 and got.json["file"] == name and got.err
        folder = command == "solve" and name == "."  # stands for the problem files in it
        assert got.json["faults"][0]["expected"] == (
            "TOML or JSON files in it" if folder else "a file that can be read")


def _extremes():
    """Files of numbers far from any machine; each is a fault, or an answer that a JSON reader can read."""
    dose, grams = ("point", 0, "dose"), ("fluid", "density")
    yield changed((grams, "1e-320 g/mL"), (dose, "1 g/h"))
    yield changed((grams, "1e-200 g/mL"), (dose, "1e200 g/h"))
    yield changed((dose, "1e300 mL/h"))
    yield changed((("cycle",), {"time": "1e-320 s"}), (dose, "1 mL/part"))
    yield changed((("cycle",), {"time": "1e-300 s"}), (dose, "1e100 mL/part"))
    yield changed((CAPACITY, "1e300 L/min"))
    yield changed((CAPACITY, "1e-320 L/min"))
    yield changed((("point", 0, "air_per_dose", "min"), "1e300 L/mL"), (dose, "1e30 mL/h"))
    yield changed((("point", 0, "tolerance"), {"below": 0, "above": 1e300}))
    yield changed((("point", 0, "tolerance"), {"below": 0, "above": "1e300 mL/h"}), (dose, "1e-100 mL/h"))
    yield changed((("point", 0, "tolerance"), 10**400))
    yield changed((("pumps", "standard", "marks", "1"), 10**400))
    yield changed((("pumps", "standard", "stroke_volume"), "1e-320 mL"))
    yield changed((("generator", "stroke_air"), "1e300 L"))
    yield changed(((*RATE, "max"), "1e300/min"))
    yield changed((RATE, {"min": "1e-320/min", "max": "1e300/min"}))


EXTREMES = list(_extremes())


@pytest.mark.parametrize("data", EXTREMES, ids=[str(n) for n, _ in enumerate(EXTREMES)])
@pytest.mark.filterwarnings("ignore::RuntimeWarning")
def test_numbers_far_from_any_machine_do_not_break_it(run, tmp_path, data):
    name = put(tmp_path, data)
    for command in ("solve", "rates"):
        got = run(command, name, "--json")
        assert got.code in (0, 2, 3, 4) and got.json
        assert run(command, name).code == got.code


def test_a_dose_too_small_for_any_mark_is_no_clash_of_hard_rules(run, tmp_path):
    """The dial, capacity and the rest hold: that no mark gives so little oil is a compromise, not a clash."""
    for dose in ("1e-6 mL/h", "1e-300 mL/h"):
        got = run("solve", "--json", put(tmp_path, changed((("point", 0, "dose"), dose))))
        assert got.code in (2, 3), dose


# The other commands


def test_new_writes_a_file_that_solves_and_never_overwrites(run, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert run("new", "mine.toml").code == 0
    text = (tmp_path / "mine.toml").read_bytes()
    assert tomllib.loads(text.decode()) and text.isascii()
    got = run("solve", "mine.toml", "--json")
    assert got.code == 0 and got.json["status"] == "optimal" and got.json["in_tolerance"]
    again = run("new", "mine.toml")
    assert again.code == 2 and "mine.toml" in again.err and "nothing is overwritten" in again.err
    assert (tmp_path / "mine.toml").read_bytes() == text
    (tmp_path / "empty.toml").write_bytes(b"")
    assert run("new", "empty.toml").code == 2 and (tmp_path / "empty.toml").read_bytes() == b""


@pytest.mark.parametrize("name", ["none/x.toml", "", ".", "x" * 300, "a\x00b", "-"])
def test_new_where_nothing_can_be_written(run, tmp_path, monkeypatch, name):
    monkeypatch.chdir(tmp_path)
    got = run("new", name)
    assert got.code == 2 and got.out == "" and "expected " in got.err and list(tmp_path.iterdir()) == []
    assert got.err.startswith((name or "''").replace("\x00", "\\x00") + ": ")


def test_new_says_what_to_type_next_wherever_the_file_lies(run, tmp_path):
    place = tmp_path / "of the shop"
    place.mkdir()
    said = run("new", str(place / "m.toml")).err
    words = shlex.split(said.partition("then: ")[2])
    assert words == ["stackopt", "solve", str(place / "m.toml")] and run(*words[1:]).code == 0


def test_a_name_does_not_make_lines_of_its_own(run, tmp_path):
    said = run("new", str(tmp_path / "x\rwrote: fine\nb.toml")).err
    assert len(said.splitlines()) == 1 and "x\\rwrote: fine\\nb.toml" in said


@pytest.mark.parametrize("option", ["--lp", "--write"])
def test_an_empty_name_is_no_name(run, tmp_path, option):
    got = run("solve", put(tmp_path, GOOD), option, "")
    assert got.code == (0 if option == "--write" else 2) and ("is not written" in got.err) == (option == "--write")


@pytest.mark.parametrize("code,words", [(0, ["new", "NEW"]), (0, ["solve", "GOOD"]), (2, ["solve", "none.toml"]),
                                        (2, ["solve", "--none"]), (2, ["verify", "GOOD", "none.json"])])  # fmt: skip
def test_where_nothing_can_be_said_the_exit_code_stands(run, tmp_path, monkeypatch, code, words):
    """Standard error closed, as by 2>&-, or full."""
    places = {"NEW": str(tmp_path / "new.toml"), "GOOD": put(tmp_path, GOOD)}
    words = [places.get(word, word) for word in words]
    monkeypatch.setattr(sys, "stderr", None)
    assert run(*words).code == code
    (tmp_path / "new.toml").unlink(missing_ok=True)
    if os.path.exists("/dev/full"):
        monkeypatch.setattr("sys.argv", ["stackopt", *words])
        with open("/dev/full", "w") as full, pytest.raises(SystemExit) as ended:
            monkeypatch.setattr(sys, "stderr", full)
            cli.main()
        assert ended.value.code == code


def test_closed_standard_input_is_no_file(run, tmp_path, monkeypatch):
    monkeypatch.setattr("sys.stdin", None)
    for words in (["solve", "-"], ["verify", put(tmp_path, GOOD), "-"]):
        got = run(*words)
        assert got.code == 2 and got.err == "-: found standard input closed; expected a file on it\n"


@pytest.mark.skipif(os.name == "nt", reason="a folder in use cannot be removed there")
def test_a_working_folder_that_is_gone_is_told(tmp_path):
    file, gone = put(tmp_path, GOOD), tmp_path / "gone"
    for words in (["new", "x.toml"], ["report", file, "-o", "p.html"], ["solve", file, "--out", "out"],
                  ["solve", file, "--lp", "x.lp"]):  # fmt: skip
        gone.mkdir()
        code = f"import os; from stackopt.cli import main; os.rmdir({str(gone)!r}); main()"
        got = finish(start(*words, code=code, cwd=gone, env={"PYTHONPATH": os.pathsep.join(filter(None, sys.path))}))
        assert got.code == 2 and "o such file or directory" in got.err and "Traceback" not in got.err


def test_schema_is_json(run):
    got = run("schema")
    assert got.code == 0 and got.err == "" and got.json == stackopt.schema()


def test_version(run):
    """The first line is the version; the others say what a bug report needs, with the versions that are imported."""
    got = run("--version")
    first, *rest = got.out.splitlines()
    assert (got.code, first, got.err) == (0, f"stackopt {VERSION}", "")
    said = dict(line.split(" ", 1) for line in rest)
    assert said["Python"].split()[0] == sys.version.split()[0] and sys.platform in said["platform"].lower()
    modules = {"numpy": "numpy", "scipy": "scipy", "pulp": "pulp", "pydantic": "pydantic", "pint": "pint",
               "typer": "typer", "jinja2": "jinja2", "matplotlib": "matplotlib"}  # fmt: skip
    assert {name: said[name] for name in modules} == {
        name: importlib.import_module(module).__version__ for name, module in modules.items()}
    assert said["HiGHS"] in said["highspy"]


def test_version_where_the_solver_cannot_be_loaded_and_a_library_is_missing(run, monkeypatch):
    monkeypatch.setitem(sys.modules, "highspy", None)
    monkeypatch.setattr("stackopt.installed.NEEDED", ("numpy", "no-such-library"))
    got = run("--version")
    assert got.code == 0 and "no-such-library not installed\n" in got.out
    assert "HiGHS not usable, ModuleNotFoundError" in got.out


COMMANDS = [command.name or command.callback.__name__ for command in cli.app.registered_commands]


@pytest.mark.parametrize("words", [[], *([name] for name in COMMANDS)], ids=str)
def test_help_is_ascii_without_colours(run, monkeypatch, words):
    monkeypatch.setenv("FORCE_COLOR", "1")
    got = run(*words, "--help")
    assert got.code == 0 and got.err == "" and "Usage" in got.out and got.out.isascii()
    assert all(len(line) <= 80 for line in got.out.splitlines())
    if not words:
        assert set(COMMANDS) >= {"solve", "rates", "schema", "new"}
        assert all(name in got.out for name in COMMANDS)


def test_standard_input(run):
    for text in (json.dumps(GOOD), STARTER):
        assert run("solve", "-", "--json", stdin=text).json["file"] == "-"
        assert run("rates", "-", stdin=text).code == 0


# What is printed


LONG = "x" * 300
WORDS = "a long name of many words " * 12
WIDE = [
    changed((("title",), LONG)),
    changed((("title",), WORDS)),
    changed((("point", 0, "name"), LONG)),
    changed((("point", 0, "name"), WORDS)),
    changed((("point", 0, "name"), LONG), (("point", 0, "dose"), "100 mL/h")),
    changed((("point", 0, "name"), LONG), (CAPACITY, "80 L/min")),
    changed((("point", 0, "name"), LONG), (CAPACITY, "50 L/min")),
    changed((("point", 0, "name"), LONG), (("point", 0, "cut"), {"time": "1 s", "strokes": 2})),
    changed((("point", 0, "name"), LONG), (("point", 0, "air_flow"), {"max": "1 L/min"})),
    changed((("pumps", "standard", "marks"), {LONG: 0.5})),
    changed((("pumps", "standard", "marks"), {LONG: 0.1, WORDS: 0.5})),
    changed((("pumps", LONG), GOOD["pumps"]["standard"]), (("point", 0, "pump"), [LONG])),
    changed(
        (("pumps", LONG), {**GOOD["pumps"]["standard"], "max_rate": "5/min"}), (("point", 0, "pump"), [LONG])
    ),
    changed((("nozzles", LONG), GOOD["nozzles"]["small"]), (("point", 0, "nozzle"), LONG)),
    changed((("nozzles", "small", "turns"), [0, 1.000000000001, 123456789.123456])),
    changed((("nozzles", "small", "flow"), ["0 L/min", "1e9 L/min", "1e12 L/min"]), (CAPACITY, "1e12 L/min")),
    changed((("point", 0, "dose"), "1e12 mL/h"), (CAPACITY, "1e12 L/min")),
]


@pytest.mark.parametrize("data", WIDE, ids=[str(n) for n, _ in enumerate(WIDE)])
@pytest.mark.parametrize("command", ["solve", "rates"])
def test_no_line_is_longer_than_80_columns(run, tmp_path, monkeypatch, data, command):
    monkeypatch.chdir(tmp_path)
    put(tmp_path, data)
    got = run(command, "m.json")
    assert got.code in (0, 3, 4)
    assert max(len(line) for line in got.out.splitlines()) <= 80


NOW = changed((("generator", "now"), "10/min"), (("point", 0, "now"), {"mark": "2", "turns": 2}),
              (("point", 1, "now"), {"mark": "2", "turns": 2}))  # fmt: skip
UNITS = {
    # Doses of 18 mL/h, 102 of 140 L/min at ANR. 1 Nm^3/h is 18.124 L/min, 1 scfm (14.5 psi absolute, 68 F) 28.3095, and
    # 1 US fl oz 29.5735 mL: so 102 L/min are 5.628 Nm^3/h and 3.603 scfm, 18 mL/h 0.6087 US fl oz/h.
    "metric": ("102 of 140 L/min", "mL/h", "18", "50", "air at ANR"),
    "normal": ("5.628 of 7.725 Nm^3/h", "mL/h", "18", "2.76", "air at 0 degC, 101.325 kPa"),
    "us": ("3.603 of 4.945 scfm", "fl oz/h", "0.6087", "1.77", "air at 14.5 psi absolute, 68 F"),
}


@pytest.mark.parametrize("command", ["solve", "check"])
@pytest.mark.parametrize("measures", UNITS)
def test_units_of_the_text(run, tmp_path, command, measures):
    got = run(command, put(tmp_path, NOW), "--units", measures)
    assert got.code == 0 and max(map(len, got.out.splitlines())) <= 80
    air, unit, dose, flow, reference = UNITS[measures]
    words = got.out.split()
    assert air in " ".join(words) and unit in got.out and reference in got.out
    assert {dose, flow} <= set(words)
    assert measures == "metric" or "L/min" not in got.out
    if measures == "metric":
        plain = run(command, put(tmp_path, NOW)).out
        assert re.sub(r"[0-9.]+ s\n", "", plain) == re.sub(r"[0-9.]+ s\n", "", got.out)


@pytest.mark.parametrize("command", ["solve", "check"])
def test_units_leave_json_as_it_is(run, tmp_path, command):
    def told(*words):
        answer = run(command, put(tmp_path, NOW), "--json", *words).json
        for one in (answer, answer.get("best") or {}):
            one.pop("solve", None)
        return answer

    assert told() == told("--units", "us") == told("--units", "normal")


def test_the_next_best_rates_are_told_in_the_same_units(run):
    got = run("solve", str(PROBLEMS / "short-air.toml"), "--alternatives", "1", "--units", "us")
    assert got.code == 3 and got.out.count("fl oz/h") >= 2 and "mL/h" not in got.out


@pytest.mark.parametrize("words", [("solve", "x", "--units", "imperial"), ("check", "x", "--units", "US"),
                                   ("solve", "x", "--units"), ("rates", "x", "--units", "us")])  # fmt: skip
def test_no_such_units(run, words):
    got = run(*words)
    assert got.code == 2 and got.out == "" and "--units" in got.err


def test_pressures_and_oil_in_units(run):
    """6 bar are 87.02 psi; the oil line holds pi/4 x 0.2^2 x 250 = 7.854 mL, 0.2656 US fl oz."""
    file = str(PROBLEMS / "long-line.toml")
    metric, us = (" ".join(run("solve", file, "--units", units).out.split()) for units in ("metric", "us"))
    assert "6 bar before the line" in metric and "one holds 7.854 mL" in metric
    assert "87.02 psi before the line" in us and "one holds 0.2656 US fl oz" in us


@pytest.mark.parametrize("name", [None, LONG, WORDS], ids=["short", "long", "words"])
def test_everything_beside_the_settings_fits_80_columns(name):
    data = tomllib.loads((PROBLEMS / "long-line.toml").read_text("utf-8"))
    data["fluid"] |= {"surface_tension": "32 mN/m", "tip": "3 mm"}
    data["energy"]["price_per_kwh"] = 1e6
    data["weighing"]["balance"] = "10 g"
    data["reservoir"]["sizes"] = ["1e9 L", "0.001 mL"]
    data["room"]["limit"] = "0.001 mg/m^3"
    if name:
        data["point"][0] |= {"name": name, "nozzle": name, "air_per_dose": {"min": "1 L/mL"},
                             "now": {"mark": "3", "turns": 1}}  # fmt: skip
        data["nozzles"][name] = {"turns": [1, 1.5], "bore": "0.6 mm", "discharge": 0.5,
                                 "screw": {"bore": "2 mm", "open": [0.5, 1]}}  # fmt: skip
    for answer in (stackopt.solve(stackopt.Problem(**data)), stackopt.check(stackopt.Problem(**data))):
        for measures in UNITS:
            assert [line for line in answer.text(measures).splitlines() if len(line) > 80] == [], measures


@pytest.mark.parametrize("encoding", ["ascii", "cp1252"])
def test_letters_that_the_terminal_does_not_have(tmp_path, encoding):
    name = "B\u00f6hrer \u2116 3 \U0001f529"
    file = put(tmp_path, changed((("point", 0, "name"), name), (("title",), name)))
    got = finish(start("solve", file, env={"PYTHONIOENCODING": encoding}), encoding=encoding)
    assert got.code == 0 and got.err == "" and "\\u2116" in got.out
    bad = put(tmp_path, changed((("point", 0, "name"), name), (("point", 1, "name"), name)))
    got = finish(start("solve", bad, "--json", env={"PYTHONIOENCODING": encoding}), encoding=encoding)
    assert got.code == 2 and repr(name)[1:-1] in got.json["faults"][0]["found"]


def test_no_colours_even_where_they_are_forced(tmp_path):
    file = put(tmp_path, GOOD)
    for words in (["solve", file, "none.toml"], ["--bogus"]):
        finish(
            start(*words, env={"FORCE_COLOR": "1", "CLICOLOR_FORCE": "1", "PY_COLORS": "1", "TERM": "xterm"})
        )


# Pipes, signals and processes


@pytest.mark.parametrize(
    "words", [("schema",), ("--help",), ("--version",), ("solve", "-"), ("rates", "-", "--json")]
)
def test_a_pipe_that_closes_early_is_no_fault(words):
    process = start(*words)
    process.stdout.close()
    process.stdin.write(json.dumps(GOOD).encode())
    process.stdin.close()
    err = process.stderr.read().decode()
    process.stderr.close()
    assert process.wait(50) == 128 + signal.SIGPIPE
    assert err == ""


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs a device that is always full")
def test_a_full_disk_is_told_without_a_traceback():
    with open("/dev/full", "wb") as full:
        process = subprocess.run(
            [sys.executable, "-m", "stackopt", "schema"], stdout=full, stderr=subprocess.PIPE, timeout=50
        )
    assert process.returncode == 1
    assert b"Traceback" not in process.stderr and process.stderr.strip()


def hard_machine():
    """A machine whose proof takes far longer than any test waits, with an answer that is found at once."""
    draw = random.Random(1)
    turns = [k / 4 for k in range(1, 13)]
    flows = [sorted((5 + k) * t**0.9 + draw.random() for t in turns) for k in range(5)]
    return {
        "fluid": {"kind": "neat oil"},
        "generator": {"rate": {"min": "4/min", "max": "150/min"}, "stroke_air": "0.05 L"},
        "pumps": {
            f"p{k}": {"stroke_volume": f"{0.02 + 0.013 * k} mL",
                      "marks": {str(m): 0.1 * m + 0.013 * k for m in range(1, 9)}} for k in range(4)
        },
        "nozzles": {f"n{k}": {"turns": turns, "flow": [f"{x} L/min" for x in flows[k]]} for k in range(5)},
        "air": {"pressure": "6 bar", "capacity": "53 L/min"},
        "solve": {"time_limit": "600 s"},
        "point": [
            {"name": f"s{n}", "dose": f"{draw.uniform(5, 40)} mL/h", "tolerance": "3 %",
             "pump": [f"p{k}" for k in range(4)], "nozzle": f"n{n % 5}", "weight": draw.uniform(0.1, 10),
             "air_per_dose": {"min": f"{draw.uniform(20, 80)} L/mL", "max": f"{draw.uniform(90, 400)} L/mL"}}
            for n in range(8)
        ],
    }  # fmt: skip


# Says when the search has found something, so that the signal comes neither during imports nor after the end.
TELLING = """
import sys
from stackopt.cli import main
from stackopt.optimise.search import _Hunt
inner = _Hunt._tick
def telling(hunt):
    if hunt.best_rate is not None:
        sys.stderr.write("found\\n")
        sys.stderr.flush()
        _Hunt._tick = inner
    inner(hunt)
_Hunt._tick = telling
main()
"""


@pytest.mark.skipif(os.name == "nt", reason="signals")
@pytest.mark.parametrize("how", ["json", "print"])
def test_control_c_gives_the_best_found(tmp_path, how):
    file = put(tmp_path, hard_machine())
    words = {
        "json": ["--json", file, put(tmp_path, GOOD, "2.json")],
        "print": [file],
    }
    process = start("solve", *words[how], code=TELLING)
    assert process.stderr.readline() == b"found\n"
    time.sleep(0.3)
    process.send_signal(signal.SIGINT)
    got = finish(process)
    assert got.code == 130
    if how == "print":
        assert "interrupted before the proof" in got.out and "s7" in got.out
        assert max(map(len, got.out.splitlines())) <= 80
        return
    assert got.json["status"] == "interrupted"  # and no second answer
    assert len(got.json["points"]) == 8 and got.json["rate_per_min"] >= 4
    assert got.json["air"]["total_L_per_min"] <= 53 * (1 + 1e-9)
    bound, objective = got.json["bound"], got.json["objective"]
    assert bound is None or bound["excess"] <= objective["excess"]
    assert got.json["gap"] is None or got.json["gap"] >= 0


# A Ctrl-C that comes where Python tells of an exception and goes on: in clearing up, as it does after each import.
SWALLOWED = """
from stackopt import __main__, cli
class Cleared:
    def __del__(self):
        raise KeyboardInterrupt
inner = cli.main
def main():
    Cleared()
    inner()
cli.main = main
__main__.run()
"""


def test_control_c_that_python_swallows_comes_again(tmp_path):
    got = finish(start("solve", put(tmp_path, hard_machine()), code=SWALLOWED))
    assert got.code == 130 and got.err in ("", "interrupted\n")


# A Ctrl-C comes while a model is built, of which pydantic makes an error of its own.
BUILDING = """
from pydantic_core import SchemaError
from stackopt import cli
def late(*_):
    raise SchemaError("Error building: KeyboardInterrupt")
import stackopt
stackopt.read = stackopt.plant = late
cli.main()
"""


@pytest.mark.parametrize("command", ["solve", "rates", "plant"])
def test_control_c_while_a_model_is_built_is_one(tmp_path, command):
    got = finish(start(command, put(tmp_path, hard_machine()), code=BUILDING))
    assert got.code == 130 and got.err in ("", "interrupted\n")


def ruled_machine():
    """32 points under a rule that keeps models busy for seconds."""
    from stackopt.problem.files import read

    data = read(PROBLEMS / "head-32.toml").to_dict()
    return {**data, "constraint": [{"kind": "same", "of": "mark"}]}


# Says when the second model is being solved, by a solver that hears neither its limit nor Ctrl-C.
SOLVING = """
import sys, time
from stackopt.cli import main
from stackopt.optimise import mip
inner, runs = mip._run, []
class Deaf:
    def run(self):
        sys.stderr.write("solving\\n")
        sys.stderr.flush()
        time.sleep(60)
    def cancelSolve(self):
        pass
def telling(highs, seconds):
    runs.append(seconds)
    return inner(highs if len(runs) == 1 else Deaf(), seconds)
mip._run = telling
main()
"""


@pytest.mark.skipif(os.name == "nt", reason="signals")
def test_control_c_reaches_a_solver_at_work(tmp_path):
    process = start("solve", "--json", put(tmp_path, ruled_machine()), code=SOLVING)
    assert process.stderr.readline() == b"solving\n"
    process.send_signal(signal.SIGINT)
    got = finish(process)
    assert got.code == 130 and got.json["status"] == "interrupted"
    assert len(got.json["points"]) == 32
    assert len({p["mark"] for p in got.json["points"]}) == 1  # the rule holds all the same
    assert got.json["bound"]["excess"] <= got.json["objective"]["excess"] and got.json["gap"] >= 0


def test_the_time_limit_leaves_the_best_found_and_its_bound(run, tmp_path, monkeypatch):
    from stackopt.optimise import mip

    inner, runs = mip._run, []

    def ends_at_the_second(highs, seconds):
        runs.append(seconds)
        if len(runs) > 1:
            raise mip.NoProof
        return inner(highs, seconds)

    monkeypatch.setattr(mip, "_run", ends_at_the_second)
    got = run("solve", "--json", put(tmp_path, ruled_machine()))
    assert got.code == 5 and got.json["status"] == "time limit"
    assert len(got.json["points"]) == 32
    assert len({p["mark"] for p in got.json["points"]}) == 1
    assert 0 <= got.json["bound"]["excess"] <= got.json["objective"]["excess"]
    assert got.json["gap"] == got.json["objective"]["excess"] - got.json["bound"]["excess"] > 0


def test_a_solver_that_does_not_stop_is_left_behind():
    from stackopt.optimise import mip

    class Deaf:
        """Neither its limit nor being told stops it."""

        def __init__(self):
            self.told, self.end = False, threading.Event()

        def run(self):
            self.end.wait(60)

        def cancelSolve(self):
            self.told = True

    deaf = Deaf()
    with pytest.raises(mip.NoProof) as stop:
        mip._run(deaf, 0.05)
    assert stop.value.status == "time limit" and deaf.told
    assert any(thread.name == mip.SOLVER for thread in threading.enumerate())  # still at it
    deaf.end.set()


def test_control_c_before_there_is_anything(run, tmp_path, monkeypatch):
    def stop(_):
        raise KeyboardInterrupt

    monkeypatch.setattr("stackopt.read", stop, raising=False)
    got = run("solve", put(tmp_path, GOOD))
    assert got.code == 130 and got.out == ""


def test_control_c_while_the_answer_is_explained_is_not_passed_over(run, tmp_path, monkeypatch):
    """The print looks for the next best rates too: an interruption there ends the run all the same."""
    from stackopt.optimise.search import _Hunt

    inner, runs = _Hunt.run, []

    def interrupted(hunt):
        runs.append(hunt)
        if len(runs) > 1:
            raise KeyboardInterrupt
        return inner(hunt)

    monkeypatch.setattr(_Hunt, "run", interrupted)
    dial = {"min": "10/min", "max": "20/min", "step": "1/min"}
    files = [put(tmp_path, changed((RATE, dial)), f"{n}.json") for n in range(2)]
    got = run("solve", *files)
    assert len(runs) == 2 and got.code == 130
    assert files[1] not in got.out


def test_a_module_run_as_a_program_answers_like_the_command(tmp_path):
    file = put(tmp_path, GOOD)
    got = finish(start("solve", file, "--json"))
    assert got.code == 0 and got.json["rate_per_min"] == 10
    got = finish(start("solve", file, str(tmp_path / "none.toml"), file, "--json"))
    assert got.code == 2 and [json.loads(x)["format"][9:] for x in got.out.splitlines()] == [
        "result/1", "fault/1", "result/1"]  # fmt: skip
    got = finish(start("solve", "-"), stdin=STARTER.encode())
    assert got.code == 0 and got.out.startswith("  machine  My drill head\n")


# From Python


PUBLIC = {
    "at_rate",
    "Check",
    "Trials",
    "Weighings",
    "calibrate",
    "Fault",
    "Plant",
    "Problem",
    "ProblemError",
    "Rates",
    "Result",
    "SolverError",
    "Split",
    "StackoptError",
    "Tradeoff",
    "Verification",
    "__version__",
    "check",
    "keep",
    "plant",
    "rates",
    "read",
    "schema",
    "solve",
    "split",
    "tradeoff",
    "verify",
}


def test_the_public_names():
    assert dir(stackopt) == sorted(PUBLIC) and set(stackopt.__all__) == PUBLIC
    for name in PUBLIC:
        assert getattr(stackopt, name) is not None
    assert stackopt.__version__ == VERSION
    with pytest.raises(AttributeError, match="nothing_such"):
        _ = stackopt.nothing_such


def test_errors_carry_their_exit_codes_and_parts():
    assert issubclass(stackopt.ProblemError, stackopt.StackoptError) and stackopt.ProblemError.exit_code == 2
    assert issubclass(stackopt.SolverError, stackopt.StackoptError) and stackopt.SolverError.exit_code == 1


def test_a_solver_that_fails_is_told_and_exits_1(run, tmp_path, monkeypatch):
    def fail(_):
        raise stackopt.SolverError("the solver gave up")

    monkeypatch.setattr("stackopt.solve", fail, raising=False)
    name = put(tmp_path, GOOD)
    got = run("solve", name, "--json")
    assert got.code == 1 and name in got.err and "the solver gave up" in got.err
    assert got.json["exit"] == 1 and got.json["file"] == name
    assert run("solve", name, put(tmp_path, FILES[2], "2.json")).code == 1


HEAVY = {"numpy", "scipy", "pint", "pulp", "pydantic"}


@pytest.mark.parametrize(
    "first", ["import stackopt", "import stackopt.cli", "from stackopt import Fault, ProblemError"]
)
def test_importing_is_light(first):
    code = f"import sys; {first}; print(sorted({HEAVY!r} & set(sys.modules)))"
    got = finish(start(code=code))
    assert got.out.strip() == "[]" and got.err == ""


def test_from_python_a_file_answers_like_the_command(run, tmp_path):
    name = put(tmp_path, GOOD)
    problem = stackopt.read(name)
    before = problem.to_dict()
    result = stackopt.solve(problem)
    assert problem.to_dict() == before and stackopt.Problem(**GOOD).to_dict() == before
    shown = run("solve", name, "--json").json
    mine = json.loads(json.dumps(result.to_dict(), allow_nan=False))
    for answer in (shown, mine):
        answer.pop("solve")
    assert mine == shown
    assert re.sub("; .* s$", "", str(result), flags=re.MULTILINE) == re.sub(
        "; [^;]* s$", "", run("solve", name).out.rstrip("\n"), flags=re.MULTILINE)  # fmt: skip
