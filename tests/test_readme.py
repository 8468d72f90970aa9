"""The documentation says what there is: every command, option and key; and what it says to run, runs."""

import json
import re
import shlex
import shutil
import tomllib
from pathlib import Path

import pytest
import typer
from test_files import full

import stackopt
from stackopt import cli
from stackopt.problem.constraints import BUILT_IN
from stackopt.problem.files import schema

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
SCHEMA = schema()
COMMANDS = typer.main.get_command(cli.app).commands
OPTIONS = [(name, "|".join(param.opts)) for name, command in COMMANDS.items() for param in command.params
           if param.opts[0].startswith("-") and param.opts != ["--help"]]  # fmt: skip


def code(text):
    """What stands between backticks, as words."""
    return set(re.findall(r"[\w-]+", " ".join(re.findall(r"`([^`]*)`", text))))


def table_row(first):
    """The first row of a table that begins with a cell; a works' file has tables of like names after it."""
    rows = [line for line in README.splitlines() if line.startswith(f"| {first} |")]
    assert rows, first
    return rows[0]


def keys_of(node, seen=()):
    """All keys under a part of the schema; names that users choose (of pumps, of marks) have none."""
    if "$ref" in node:
        name = node["$ref"].rsplit("/", 1)[1]
        node = SCHEMA["$defs"][name] if name not in seen else {}
        seen = (*seen, name)
    for key, inner in node.get("properties", {}).items():
        yield key
        yield from keys_of(inner, seen)
    for inner in (*node.get("anyOf", ()), *node.get("oneOf", ()), node.get("items"), node.get("additionalProperties")):
        if isinstance(inner, dict):
            yield from keys_of(inner, seen)


ROWS = {"points": "(top)", "title": "(top)", "pumps": "`[pumps.NAME]`", "nozzles": "`[nozzles.NAME]`",
        "point": "`[[point]]`"}  # fmt: skip
TABLES = [key for key in SCHEMA["properties"] if key != "constraint"]


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_is_in_the_readme(command):
    assert re.search(rf"`stackopt {command}\b", README)


@pytest.mark.parametrize(("command", "option"), OPTIONS, ids=lambda value: value)
def test_every_option_is_in_the_readme(command, option):
    rows = [line for line in README.splitlines() if re.search(rf"({option})\b", line) and line.startswith("|")]
    assert any(re.search(rf"`(stackopt )?{command}\b|`\.\.\. ", line) for line in rows), option


@pytest.mark.parametrize("table", TABLES)
def test_every_key_of_a_table_is_in_its_row_of_the_readme(table):
    row = table_row(ROWS.get(table, f"`[{table}]`"))
    wanted = {table} if table in ("title", "points") else set(keys_of(SCHEMA["properties"][table]))
    assert wanted <= code(row), wanted - code(row)


@pytest.mark.parametrize("kind", BUILT_IN)
def test_every_key_of_a_rule_is_in_its_row_of_the_readme(kind):
    row, before = table_row(kind), README[: README.index(f"| {kind} |")]
    section = before[before.rindex("\n## ") :]
    keys = set(BUILT_IN[kind].model_fields) - {"kind", "name", "over"}
    assert keys <= set(re.findall(r"\w+", row)), keys
    assert {"over"} <= code(section) and {"kind", "name"} <= code(table_row("`[[constraint]]`"))


def used(data):
    """All keys that stand in plain data."""
    if isinstance(data, dict):
        for key, value in data.items():
            yield key
            yield from used(value)
    elif isinstance(data, list):
        for value in data:
            yield from used(value)


def test_every_key_of_the_schema_is_used_in_a_problem_that_tests_solve_or_read():
    files = [tomllib.loads(path.read_text()) for path in (ROOT / "problems").glob("*.toml")]
    other = full()
    other["air"]["line"] = {"length": "6 m", "bore": "14 mm"}
    other["solve"]["time_limit"] = "30 s"
    assert stackopt.Problem(**full()) and stackopt.Problem(**other)
    for table in TABLES:
        known = {key for data in (*files, full(), other) if table in data for key in used({table: data[table]})}
        wanted = {table, *keys_of(SCHEMA["properties"][table])}
        assert wanted <= known, (table, wanted - known)


@pytest.mark.parametrize("kind", BUILT_IN)
def test_every_key_of_a_rule_is_used_in_a_test(kind):
    tests = (ROOT / "tests" / "test_constraints.py").read_text() + (ROOT / "tests" / "strategies.py").read_text()
    assert f'"{kind}"' in tests
    for key in BUILT_IN[kind].model_fields:
        assert re.search(rf'"{key}"|\b{key}=', tests), key


COMMAND_LINES = [words for block in re.findall(r"```sh\n(.*?)```", README, re.DOTALL) for line in block.splitlines()
                 for words in re.split(r"\s*(?:&&|;)\s*", line) if re.match(r"\S*stackopt ", words)]  # fmt: skip


def test_what_the_readme_says_to_run_runs(run, monkeypatch, tmp_path):
    """One command after the other, where there are two machines in works/."""
    shutil.copytree(ROOT / "problems", tmp_path / "problems")
    (tmp_path / "works").mkdir()
    for name in ("drill-head.toml", "two-sizes.toml"):
        shutil.copy(ROOT / "problems" / name, tmp_path / "works")
    monkeypatch.chdir(tmp_path)
    assert COMMAND_LINES
    for line in COMMAND_LINES:
        words = shlex.split(line, comments=True)
        assert words[0].endswith("stackopt")
        found = run(*words[1:])
        assert found.code in (0, 3), (line, found)


def test_the_readme_s_python_runs(tmp_path, monkeypatch):
    """Line by line as it stands, in a copy of the problems' folder."""
    monkeypatch.chdir(ROOT)
    (block,) = re.findall(r"```python\n(.*?)```", README, re.DOTALL)
    scope = {}
    for line in block.splitlines():
        if line.startswith(("import", "problem", "result =")):
            exec(line, scope)
    assert scope["result"].to_dict()["status"] == "optimal"
    for name in re.findall(r"\bresult\.(\w+)", block):
        assert hasattr(stackopt.Result, name), name
    for name in re.findall(r"\bstackopt\.(\w+)\(", block):
        assert name in stackopt.__all__, name


TABLE_FILES = re.findall(r"```csv\n(.*?)```", README, re.DOTALL)


def test_the_readme_s_weighings_and_trials_are_read(tmp_path, run):
    """On a machine with the names that they use; the figures are invented."""
    data = full()
    data.pop("constraint"), data.pop("now", None)
    weighed, trials = TABLE_FILES
    assert weighed.startswith("pump;") and trials.startswith("point,")
    file = tmp_path / "machine.json"
    point = data["point"][0] | {"name": "spindle 1", "pump": ["standard"], "nozzle": "drawn"}
    point.pop("now")
    nozzles = {"drawn": {"turns": [1, 1.5, 3], "flow": ["20 L/min", "30 L/min", "60 L/min"]}}
    file.write_text(json.dumps(data | {"point": [point], "nozzles": nozzles}))
    for name, text, key in (("w.csv", weighed, "pumps"), ("t.csv", trials, "points")):
        (tmp_path / name).write_text(text)
        found = run("calibrate", str(file), str(tmp_path / name), "--json")
        assert found.code in (0, 3) and found.json[key], found
