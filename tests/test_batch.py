"""Many machines into a folder: every answer, one row each, the same bytes however the work is spread."""

import csv
import io
import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

import stackopt
from stackopt.fleet.against import change_of
from stackopt.fleet.answers import Answer
from stackopt.fleet.folder import COLUMNS, Folder, cell
from stackopt.problem.starter import STARTER

PROBLEMS = Path(__file__).parents[1] / "problems"
QUICK = ["drill-head.toml", "from-spreadsheet.toml", "saw-blade.json", "today.toml", "two-generators.toml"]
UNKNOWN = "\n[oil]\nkind = 'none'\n"


@pytest.fixture
def works(tmp_path):
    """A folder of problem files, one of them wrong, beside files that are none."""
    folder = tmp_path / "works"
    folder.mkdir()
    for name in [*QUICK, "spindles.csv", "drill-head.answer.json"]:
        shutil.copy(PROBLEMS / name, folder)
    (folder / "wrong.toml").write_text(STARTER + UNKNOWN)
    (folder / ".hidden.toml").write_text("no")
    (folder / "plant.toml").write_text("[[machine]]\nfile = 'saw-blade.json'\n")
    return folder


@pytest.fixture
def all_ends(works):
    """The same with a machine that cannot be served and one whose rules clash."""
    short = (PROBLEMS / "drill-head.toml").read_text().replace('capacity = "320', 'capacity = "215')
    (works / "short.toml").write_text(short)
    shutil.copy(PROBLEMS / "clash.toml", works)
    return works


def rows(folder):
    found = list(csv.DictReader(io.StringIO((folder / "summary.csv").read_text())))
    assert not found or tuple(found[0]) == COLUMNS
    return {Path(row["file"]).name: row for row in found}


def timeless(folder):
    """All that a folder of answers holds, without what it took."""
    found = {}
    for file in sorted(folder.iterdir()):
        if file.suffix == ".json":
            data = json.loads(file.read_text())
            data.pop("solve", None)
            found[file.name] = json.dumps(data)
        elif file.suffix == ".csv":
            table = list(csv.reader(io.StringIO(file.read_text())))
            drop = table[0].index("seconds")
            found[file.name] = [[value for n, value in enumerate(row) if n != drop] for row in table]
        else:
            found[file.name] = file.read_bytes()
    return found


def test_a_folder_stands_for_its_problem_files_and_each_has_its_answer(run, all_ends, tmp_path):
    out, works = tmp_path / "out", all_ends
    got = run("solve", str(works), "--out", str(out), "--jobs", "2")
    names = sorted([*QUICK, "clash.toml", "short.toml", "wrong.toml"])
    assert got.code == 2 and list(rows(out)) == names
    written = sorted([*(f"{Path(name).stem}.json" for name in names), "summary.csv"])
    assert sorted(file.name for file in out.iterdir()) == written
    for name in QUICK:
        data = json.loads((out / f"{Path(name).stem}.json").read_text())
        alone = stackopt.solve(stackopt.read(works / name)).to_dict()
        assert {**data, "solve": 0} == {**json.loads(json.dumps(alone)), "solve": 0}
    assert "8 machines: 5 in tolerance, 1 out of tolerance, 1 with rules that clash, 1 wrong; " in got.out
    a_row_tells_what_its_answer_does(tmp_path)


def a_row_tells_what_its_answer_does(tmp_path):
    found = rows(tmp_path / "out")
    short = json.loads((tmp_path / "out" / "short.json").read_text())
    row = found["short.toml"]
    assert (row["status"], row["exit"], row["in_tolerance"]) == ("optimal", "3", "false")
    assert float(row["rate_per_min"]) == short["rate_per_min"] and float(row["excess"]) == short["objective"]["excess"]
    assert float(row["air_L_per_min"]) == short["air"]["total_L_per_min"] and short["conflicts"]
    assert row["conflicts"] == "; ".join(", ".join([*c["points"], *c["rules"]]) for c in short["conflicts"])
    assert found["two-generators.toml"]["rate_per_min"] == "7.0 | 100.0"
    assert found["wrong.toml"]["status"] == "wrong" and "oil" in found["wrong.toml"]["faults"]
    assert not found["wrong.toml"]["rate_per_min"] and not found["clash.toml"]["air_L_per_min"]
    assert json.loads((tmp_path / "out" / "wrong.json").read_text())["format"] == "stackopt.fault/1"


def test_fluid_a_week_is_dose_times_hours(run, tmp_path):
    """By hand: the mL/h of all points over 2,000 h a year of 52.14 weeks, spraying 8 s of 12."""
    energy = '\n[energy]\nspecific_power = "6 kW/(m^3/min)"\nhours = "2000 h"\n[cycle]\ntime = "12 s"\nspray = "8 s"\n'
    file = tmp_path / "m.toml"
    file.write_text((PROBLEMS / "drill-head.toml").read_text() + energy)
    run("solve", str(file), "--out", str(tmp_path / "out"), "--jobs", "1")
    data = json.loads((tmp_path / "out" / "m.json").read_text())
    doses = sum(point["dose_mL_per_h"] for point in data["points"])
    litres = float(rows(tmp_path / "out")["m.toml"]["fluid_L_per_week"])
    assert litres == pytest.approx(doses * 2000 * (8 / 12) / (365 / 7) / 1000, rel=1e-12)


def test_any_number_of_processes_gives_the_same_bytes(run, works, tmp_path):
    (works / "two-generators.toml").unlink()  # its page takes long
    for jobs in (1, 2):
        run("solve", str(works), "--out", str(tmp_path / f"out{jobs}"), "--jobs", str(jobs), "--report",
            str(tmp_path / f"pages{jobs}"))  # fmt: skip
    assert timeless(tmp_path / "out1") == timeless(tmp_path / "out2")
    assert timeless(tmp_path / "pages1") == timeless(tmp_path / "pages2")
    assert len(list((tmp_path / "pages1").iterdir())) == 4  # none for the file that is wrong


def test_json_lines_come_in_the_order_given(run, works, tmp_path):
    order = ["today.toml", "wrong.toml", "drill-head.toml"]
    got = run("solve", *(str(works / name) for name in order), "--out", str(tmp_path / "out"), "--json")
    assert [Path(json.loads(line)["file"]).name for line in got.out.splitlines()] == order
    assert "3 machines" in got.err


def test_resuming_does_what_is_new_or_has_changed_and_nothing_else(run, works, tmp_path):
    out = tmp_path / "out"
    run("solve", str(works), "--out", str(out), "--jobs", "1")
    before = timeless(out)
    stamps = {file: file.stat().st_mtime_ns for file in out.glob("*.json")}
    got = run("solve", str(works), "--out", str(out), "--resume")
    assert "(6 answered before)" in got.out and timeless(out) == before and got.code == 2
    (works / "today.toml").write_text((works / "today.toml").read_text() + "\n# looked at again\n")
    (works / "spindles.csv").write_text((works / "spindles.csv").read_text() + "\n")
    (out / "saw-blade.json").unlink()
    shutil.copy(works / "drill-head.toml", works / "new.toml")
    got = run("solve", str(works), "--out", str(out), "--resume")
    again = {file.stem for file in out.glob("*.json") if stamps.get(file) != file.stat().st_mtime_ns}
    assert again == {"today", "from-spreadsheet", "saw-blade", "new"} and "(3 answered before)" in got.out
    got = run("solve", str(works), "--out", str(out), "--resume", "--what-if")
    assert "answered before" not in got.out
    assert "what_if" in json.loads((out / "today.json").read_text())


def test_a_summary_that_was_cut_off_is_gone_on_from(run, works, tmp_path):
    out = tmp_path / "out"
    run("solve", str(works), "--out", str(out), "--jobs", "1")
    before = timeless(out)
    text = (out / "summary.csv").read_bytes()
    for length in random.Random(3).sample(range(len(text)), 2):
        (out / "summary.csv").write_bytes(text[:length])
        run("solve", str(works), "--out", str(out), "--resume")
        assert timeless(out) == before


def killed_batch(words, after):
    """A batch in a process of its own, killed so many seconds after its first answer; whether it was still running."""
    batch = subprocess.Popen([sys.executable, "-m", "stackopt", "solve", *words], stdout=subprocess.DEVNULL,
                             stderr=subprocess.DEVNULL)  # fmt: skip
    out = Path(words[words.index("--out") + 1])
    while batch.poll() is None and not list(out.glob("*.json")):
        time.sleep(0.005)
    time.sleep(after)
    batch.kill()
    return batch.wait() == -signal.SIGKILL


def test_what_was_killed_is_resumed_to_the_same_bytes(works, tmp_path, run):
    run("solve", str(works), "--out", str(tmp_path / "whole"))
    expected = timeless(tmp_path / "whole")
    for n, after in enumerate((0.0, 0.05)):
        words = [str(works), "--out", str(tmp_path / f"out{n}"), "--jobs", "1"]
        killed_batch(words, after)
        for file in (tmp_path / f"out{n}").glob("*.json"):
            json.loads(file.read_text())  # whole
        (tmp_path / f"out{n}" / ".part-0123456789ab").write_text("half of")  # as one killed while it writes leaves it
        run("solve", *words, "--resume")
        assert timeless(tmp_path / f"out{n}") == expected


def test_a_folder_named_like_a_half_written_file_is_left(works, tmp_path, run):
    (tmp_path / "out" / ".part-0123456789ab").mkdir(parents=True)
    assert run("solve", str(works / "saw-blade.json"), "--out", str(tmp_path / "out")).code == 0
    assert (tmp_path / "out" / ".part-0123456789ab").is_dir()


def test_ctrl_c_keeps_what_is_done(works, tmp_path):
    for n in range(40):
        shutil.copy(works / "today.toml", works / f"more-{n}.toml")
    out = tmp_path / "out"
    batch = subprocess.Popen([sys.executable, "-m", "stackopt", "solve", str(works), "--out", str(out)],
                             stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)  # fmt: skip
    while batch.poll() is None and len(list(out.glob("*.json"))) < 6:  # of the last the row may be missing still
        time.sleep(0.005)
    batch.send_signal(signal.SIGINT)
    said, err = batch.communicate()
    assert batch.returncode == 130 and "Traceback" not in err and "--resume does the rest" in err
    done = {Path(name).stem for name in rows(out)}
    assert len(done) >= 5 and done <= {file.stem for file in out.glob("*.json")} and " of 46 machines: " in said


def test_a_machine_without_an_answer_in_time_costs_its_row(run, works, tmp_path):
    (works / "slow.toml").write_text((PROBLEMS / "rules.toml").read_text())
    got = run("solve", str(works / "slow.toml"), str(works / "saw-blade.json"), "--out", str(tmp_path / "out"),
              "--limit", "0.1")  # fmt: skip
    found = rows(tmp_path / "out")["slow.toml"]
    assert got.code == 1 and (found["status"], found["faults"]) == ("failed", "no answer within 0.1 s")
    data = json.loads((tmp_path / "out" / "slow.json").read_text())
    assert data["exit"] == 1 and data["faults"][0]["found"] == "no answer within 0.1 s"
    got = run("solve", str(works / "slow.toml"), "--out", str(tmp_path / "out"), "--resume")
    assert got.code == 0  # done again: what failed may have failed for reasons outside the file


@pytest.mark.parametrize("column,value", [
    ("air_L_per_min", "243,152"), ("air_L_per_min", "nan"), ("air_L_per_min", "1e400"), ("fluid_L_per_week", "x"),
    ("exit", ""), ("exit", "9"), ("exit", "1"), ("exit", "0x"), ("checksum", ""), ("checksum", "0" * 64),
])  # fmt: skip
def test_a_row_that_others_have_changed_is_none(run, works, tmp_path, column, value):
    """By hand, or by a spreadsheet with other ways to write numbers: the machine is done again."""
    words = ("solve", str(works / "saw-blade.json"), str(works / "today.toml"), "--out", str(tmp_path / "out"))
    run(*words, "--jobs", "1")
    before, summary = timeless(tmp_path / "out"), tmp_path / "out" / "summary.csv"
    table = list(csv.reader(io.StringIO(summary.read_text())))
    table[1][COLUMNS.index(column)] = value
    with open(summary, "w", newline="") as stream:
        csv.writer(stream).writerows(table)
    got = run(*words, "--resume", "--jobs", "1")
    assert got.code == 0 and "(1 answered before)" in got.out and timeless(tmp_path / "out") == before


@pytest.mark.parametrize("text,code", [
    ("", 0), ('{"format": "stackopt.result/1"', 0), ('{"format": "stackopt.result/1", "against": []}', 0),
    ('{"format": "stackopt.x", "file": 5}', 0), ("{", 2), ("[]", 2), ("notes", 2),
])  # fmt: skip
def test_an_answer_that_is_none_any_more_is_made_again_and_what_is_not_ours_is_left(run, works, tmp_path, text, code):
    """As after a loss of power."""
    words = ("solve", str(works / "saw-blade.json"), str(works / "today.toml"), "--out", str(tmp_path / "out"))
    run(*words, "--jobs", "1")
    before = timeless(tmp_path / "out")
    (tmp_path / "out" / "today.json").write_text(text)
    got = run(*words, "--resume", "--jobs", "1")
    assert got.code == code
    if code == 0:
        assert "(1 answered before)" in got.out and timeless(tmp_path / "out") == before
    else:
        assert "nothing else is overwritten" in got.err and (tmp_path / "out" / "today.json").read_text() == text


@pytest.mark.parametrize("edit", [
    lambda data: data["against"].update(changes=[5]),
    lambda data: data["against"].update(saves=None, changes=[{}]),
    lambda data: data.update(against={"changes": 1, "unknown": 0, "broken": 0, "saves": 5}),
    lambda data: data["against"].update(unknown=[5]),
    lambda data: data["objective"].update(excess=0.5),
    lambda data: data.clear() or data.update(format="stackopt.x"),
    lambda data: None,  # the same, but on many lines
])  # fmt: skip
def test_an_answer_that_others_have_changed_is_made_again(run, works, tmp_path, edit):
    words = ("solve", str(works / "saw-blade.json"), "--jobs", "1", "--out")
    run(*words, str(tmp_path / "old"))
    words = (*words, str(tmp_path / "out"), "--against", str(tmp_path / "old"))
    run(*words)
    before, file = timeless(tmp_path / "out"), tmp_path / "out" / "saw-blade.json"
    data = json.loads(file.read_text())
    edit(data)
    text = json.dumps(data, indent=1).replace("{\n ", "{", 1)  # which still begins as answers do
    file.write_text(text)
    got = run(*words, "--resume", "--json")
    assert got.code == 0 and len(got.out.splitlines()) == 1 and timeless(tmp_path / "out") == before


def test_a_second_batch_in_the_same_folder_does_not_lose_the_rows_of_the_first_without_a_word(tmp_path):
    """The first ends with a fault as soon as it has another answer; the second goes on."""
    first, second = (Folder(str(tmp_path), [name]) for name in ("a.toml", "b.toml"))
    row = dict.fromkeys(COLUMNS) | {"exit": 0}
    data = b'{"format": "stackopt.result/1"}\n'
    first.begin(False)
    second.begin(False)
    with pytest.raises(stackopt.ProblemError, match="summary of another batch"):
        first.keep(0, Answer(0, data, row), None)
    with pytest.raises(stackopt.ProblemError, match="summary of another batch"):
        first.end()
    second.keep(0, Answer(0, data, row), None)
    second.end()
    assert list(rows(tmp_path)) == ["b.toml"]


@pytest.mark.parametrize("words,said", [
    (["--jobs", "2"], "--out FOLDER beside it"),
    (["--resume"], "--out FOLDER beside it"),
    (["--cluster", "local"], "--out FOLDER beside it"),
    (["--out", "OUT", "--lp", "x.lp"], "one FILE"),
    (["--out", "OUT", "--against", "OUT"], "another one"),
    (["--out", "OUT", "--against", "none"], "a folder of older answers"),
    (["--out", "WORKS"], "another folder"),
    (["--out", "WORKS/wrong.toml"], "a folder that can be made"),
])  # fmt: skip
def test_what_cannot_be_is_refused_before_anything_is_done(run, works, tmp_path, words, said):
    (tmp_path / "OUT").mkdir()
    before = {file: file.read_bytes() for file in works.iterdir()}
    words = [word.replace("OUT", str(tmp_path / "OUT")).replace("WORKS", str(works)) for word in words]
    got = run("solve", str(works / "saw-blade.json"), str(works / "today.toml"), *words)
    assert got.code == 2 and said in got.err and not list((tmp_path / "OUT").iterdir())
    assert {file: file.read_bytes() for file in works.iterdir()} == before


def test_two_files_of_one_name_and_foreign_files_are_never_written_over(run, works, tmp_path):
    (tmp_path / "other").mkdir()
    shutil.copy(works / "today.toml", tmp_path / "other")
    out = tmp_path / "out"
    got = run("solve", str(works / "today.toml"), str(tmp_path / "other"), "--out", str(out))
    assert got.code == 2 and "two files that would both write" in got.err and not out.exists()
    out.mkdir()
    for name in ("today.json", "summary.csv"):
        (out / name).write_text("mine")
        got = run("solve", str(works / "today.toml"), "--out", str(out))
        assert got.code == 2 and "another file" in got.err and (out / name).read_text() == "mine"
        (out / name).unlink()


@pytest.mark.skipif(os.geteuid() == 0 and not os.path.exists("/dev/full"), reason="no disk that is full")
def test_a_full_disk_is_told_and_nothing_is_half_written(works, tmp_path):
    """The limit on a file's size stands for the disk: the second write fails in the middle."""
    out = tmp_path / "out"
    code = ("import resource, signal, sys; signal.signal(signal.SIGXFSZ, signal.SIG_IGN); "
            "resource.setrlimit(resource.RLIMIT_FSIZE, (4000, 4000)); "
            "from stackopt.cli import main; sys.argv[1:] = sys.argv[1:]; main()")  # fmt: skip
    unmeasured = {key: value for key, value in os.environ.items() if not key.startswith("COVERAGE")}  # it writes too
    got = subprocess.run([sys.executable, "-c", code, "solve", str(works), "--out", str(out), "--jobs", "1"],
                         capture_output=True, text=True, env=unmeasured)  # fmt: skip
    assert got.returncode == 2 and "File too large" in got.stderr and "Traceback" not in got.stderr
    for file in out.iterdir():
        assert not file.name.startswith(".part")
        if file.suffix == ".json":
            json.loads(file.read_text())
    assert set(rows(out)) <= {file.name for file in works.iterdir()}


@pytest.mark.parametrize("text", ["=HYPERLINK(1)", "+1", "-1", "@x", " =1", "\t=1", "\uff1d1", "a\n=1", "\x00"])
def test_no_cell_begins_like_a_formula(text):
    assert not cell(text).lstrip().startswith(("=", "+", "-", "@", "\uff1d", "\t", "\n")) and "\n" not in cell(text)


def test_hostile_file_names_stay_one_cell(run, works, tmp_path):
    for name in [*QUICK, "wrong.toml"]:
        (works / name).unlink()
    for name in ["=1+1.toml", "a,b\"c.toml", "new\nline.toml", "-x.toml"]:
        shutil.copy(PROBLEMS / "today.toml", works / name)
    run("solve", str(works), "--out", str(tmp_path / "out"), "--jobs", "1")
    got = run("solve", str(works), "--out", str(tmp_path / "out"), "--resume")
    assert "(4 answered before)" in got.out
    table = list(csv.reader(io.StringIO((tmp_path / "out" / "summary.csv").read_text())))
    assert len(table) == 5 and all(len(row) == len(COLUMNS) for row in table)


# Against older answers


def test_what_changes_and_what_it_saves_is_by_the_machine_as_it_is_now(run, works, tmp_path):
    old, new = tmp_path / "old", tmp_path / "new"
    run("solve", str(works), "--out", str(old))
    file = works / "drill-head.toml"
    file.write_text(file.read_text().replace('capacity = "320', 'capacity = "215'))
    got = run("solve", str(works), "--out", str(new), "--against", str(old))
    assert "1 of 6 machines would change; 1 cannot be held against an older answer" in got.out
    change = json.loads((new / "drill-head.json").read_text())["against"]
    before, now = (json.loads((folder / "drill-head.json").read_text()) for folder in (old, new))
    assert change["broken"] == ["capacity"] and not change["unknown"]
    assert change["saves"]["air_L_per_min"] == pytest.approx(
        before["air"]["total_L_per_min"] - now["air"]["total_L_per_min"], abs=1e-9)  # fmt: skip
    expected = {(p["name"], key, p[key], q[key]) for p, q in zip(before["points"], now["points"], strict=True)
                for key in ("pump", "mark", "turns") if p[key] != q[key]}  # fmt: skip
    if before["rate_per_min"] != now["rate_per_min"]:
        expected.add((None, "rate_per_min", before["rate_per_min"], now["rate_per_min"]))
    assert {(c["point"], c["key"], c["from"], c["to"]) for c in change["changes"]} == expected
    assert rows(new)["drill-head.toml"]["changes"] == str(len(expected))
    alone = run("solve", str(file), "--against", str(old))
    assert f"{file}: saves " in alone.out and "1 of 1 machine would change" in alone.out


@pytest.mark.parametrize("old,said", [
    (None, "there is no older answer"), (b"{", "not JSON"), (b"[" * 100000, "not JSON"), (b"[]", "no answer of solve"),
    (b'{"format": "stackopt.result/1", "points": []}', "has no settings"),
    (b'{"format": "stackopt.result/1", "points": [1], "generators": []}', "other keys"),
])  # fmt: skip
def test_an_older_answer_that_is_none_is_told(run, works, tmp_path, old, said):
    (tmp_path / "old").mkdir()
    if old is not None:
        (tmp_path / "old" / "today.json").write_bytes(old)
    got = run("solve", str(works / "today.toml"), "--against", str(tmp_path / "old"))
    assert got.code == 0 and said in got.out


@pytest.mark.parametrize("part,value,said", [
    ("generators", "1" + "0" * 400, "other keys"), ("generators", "NaN", "other keys"),
    ("generators", "1e300", "the dial has no 1e+300/min now"), ("generators", "12.5", "the dial has no 12.5/min now"),
    ("points", "0", "other keys"), ("points", "2", "other keys"), ("points", "true", "other keys"),
    ("points", "1e400", "other keys"), ("generators", "true", "other keys"), ("generators", '"12"', "other keys"),
])  # fmt: skip
def test_odd_numbers_in_an_older_answer_are_no_settings(part, value, said):
    """A rate off the dial, or a generator that is none, is told; nothing is computed with it."""
    result = stackopt.solve(stackopt.read(PROBLEMS / "saw-blade.json"))
    data = result.to_dict()
    data[part][0]["rate_per_min" if part == "generators" else "generator"] = "VALUE"
    change = change_of(result, json.dumps(data).replace('"VALUE"', value).encode())
    assert said in change.unknown[0]
    assert (change.saves is None) == (said is not None)


def test_words_of_an_older_answer_are_told_in_ours():
    result = stackopt.solve(stackopt.read(PROBLEMS / "saw-blade.json"))
    whole = result.to_dict()

    def told(key, value):
        data = json.loads(json.dumps(whole))
        data["points"][0][key] = value
        return change_of(result, json.dumps(data).encode()).unknown

    point = whole["points"][0]
    assert told("mark", "9") == (f"{point['name']}: no mark '9' of '{point['pump']}' now",)
    assert told("turns", 7.25) == (f"{point['name']}: no 7.25 turns now",)
    for key, value in (("mark", None), ("mark", ["a"]), ("pump", 3), ("turns", True), ("turns", "0.5")):
        assert told(key, value) == ("the older answer has other keys",)
    assert told("name", "x" * 1000)[1] == f"'{'x' * 56}...: gone"
    if len(whole["points"]) > 1:
        assert told("name", whole["points"][1]["name"]) == ("the older answer has two points of one name",)


def test_settings_that_are_gone_are_named(run, works, tmp_path):
    old = tmp_path / "old"
    run("solve", str(works / "saw-blade.json"), "--out", str(old))
    file = works / "saw-blade.json"
    data = json.loads(file.read_text())
    data["point"][0]["name"] = "renamed"
    file.write_text(json.dumps(data))
    got = run("solve", str(file), "--against", str(old))
    assert "renamed: a new point" in got.out and ": gone" in got.out


def test_the_checksum_is_of_all_that_an_answer_depends_on(run, works, tmp_path):
    out = tmp_path / "out"
    run("solve", str(works), "--out", str(out), "--jobs", "1")
    sums = [row["checksum"] for row in rows(out).values()]
    assert len(set(sums)) == len(sums) and all(re.fullmatch("[0-9a-f]{64}-[0-9a-f]{64}", s) for s in sums)
