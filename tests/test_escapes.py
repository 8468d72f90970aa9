"""What a file or its name says is only text: no terminal obeys it, no page, no spreadsheet."""

import csv
import json

import pytest

from stackopt.errors import HIDDEN

ESC, TURNED = "\x1b[31m", "\u202e"
MARKUP = "<script>alert(1)</script>"
NAMES = (MARKUP, '=HYPERLINK("x")', "+1|'x'!A0", "<img src=x onerror=alert(1)>&lt;", "D\u00fcse \u00e9\u00df",
         "\u5674\u53e3 \u4e00", "very " * 180 + "long")  # fmt: skip


def machine(name=str, points=("point",)):
    """A small machine all of whose free texts are `name` of what they are."""
    flows = {"turns": [0, 1, 2], "flow": ["0 L/min", "20 L/min", "40 L/min"]}
    point = {"dose": "12 mL/h", "tolerance": 0.1, "pump": name("pump"), "nozzle": name("nozzle"),
             "air_flow": {"min": "10 L/min"}, "now": {"mark": "2", "turns": 1}}  # fmt: skip
    return {
        "title": name("title"),
        "fluid": {"kind": "neat oil", "name": name("fluid"), "density": "0.92 g/mL"},
        "generator": {"rate": {"min": "4/min", "max": "12/min", "step": "1/min"}, "now": "5/min"},
        "pumps": {name("pump"): {"stroke_volume": "0.06 mL", "marks": {name("mark"): 0.3, "2": 1.0}}},
        "nozzles": {name("nozzle"): flows},
        "air": {"pressure": "6 bar", "capacity": "900 L/min"},
        "point": [point | {"name": name(one), "tags": [name("tag")]} for one in points],
        "constraint": [{"kind": "total", "of": "turns", "over": [name("tag")], "max": 99, "name": name("rule")}],
    }  # fmt: skip


def written(folder, data):
    file = folder / "m.json"
    file.write_text(json.dumps(data))
    return str(file)


def seen(ended):
    """What a terminal shows of it, which holds nothing to obey."""
    text = ended.out + ended.err
    assert not HIDDEN.search(text.replace("\n", "")), ended
    return text


@pytest.mark.parametrize("place", ["title", "fluid", "pump", "nozzle", "mark", "point", "tag", "rule"])
@pytest.mark.parametrize("bad", [ESC, TURNED, "\x07", "\r"], ids=ascii)
def test_no_free_text_of_a_machine_brings_what_a_terminal_obeys(run, tmp_path, place, bad):
    """Refused, and told as its escape; a title may have line breaks, which are blanks in the answer."""
    ended = run("solve", written(tmp_path, machine(lambda of: f"{of}{bad}" if of == place else of)))
    text = seen(ended)
    if (place, bad) == ("title", "\r"):
        assert ended.code == 0 and "title" in text
    else:
        assert ended.code == 2 and bad.encode("unicode_escape").decode()[:4] in text


@pytest.mark.parametrize("bad", [ESC, TURNED], ids=ascii)
def test_no_free_text_of_a_plant_brings_it_either(run, tmp_path, bad):
    written(tmp_path, machine())
    file = tmp_path / "plant.toml"
    supply, one = '[supply]\ncapacity = "900 L/min"\npressure = "6 bar"\n', '[[machine]]\nfile = "m.json"\n'
    rule = '[[constraint]]\nkind = "distinct"\nof = "pump"\nmax = 1\n'
    word = json.dumps(f"a{bad}")
    for text in (f"title = {word}\n{supply}{one}", f"{supply}{one}name = {word}", f"{supply}{one}tags = [{word}]",
                 f"{supply}[[machine]]\nfile = {word}", f"{supply}{one}{rule}name = {word}",
                 f"{supply}{one}{rule}over = [{word}]", f"{supply}{one}{word} = 1"):  # fmt: skip
        file.write_text(text)
        ended = run("plant", str(file))
        assert ended.code == 2 and bad.encode("unicode_escape").decode()[:4] in seen(ended)


def test_names_of_tables_and_older_answers_are_told_as_escapes(run, tmp_path):
    """What comes from elsewhere than a problem file: the name of a CSV file and its cells, and answers."""
    file = written(tmp_path, machine())
    head = "pump,mark,strokes,mass\n"
    for rows, code in ((f"{head}pump,2,300,3.6 g\n", 0), (f"{head}{ESC},2,1,1 g\n", 2),
                       ("point,rate,mark,turns,seen\npoint,10/min,2,1,good\n", 0)):  # fmt: skip
        table = tmp_path / f"a{ESC}{TURNED}.csv"
        table.write_text(rows)
        ended = run("calibrate", file, str(table))
        assert ended.code == code and "\\x1b[31m" in seen(ended)
    answer = json.loads(run("solve", file, "--json").out)
    twisted = answer | {"title": ESC, "points": [answer["points"][0] | {"mark": f"{ESC}{TURNED}", "pump": ESC}]}
    (tmp_path / "old").mkdir()
    (tmp_path / "old" / "m.json").write_text(json.dumps(twisted))
    assert "\\x1b[31m" in seen(run("verify", file, str(tmp_path / "old" / "m.json")))
    assert "m.json" in seen(run("solve", file, "--against", str(tmp_path / "old"), "--jobs", "1"))


@pytest.fixture(scope="module")
def named(tmp_path_factory):
    """The folder of a machine with a point of each of the names, and its tables."""
    folder = tmp_path_factory.mktemp("named")
    written(folder, machine(lambda of: of if of in NAMES else MARKUP + of, NAMES))
    for name, rows in (("t.csv", [("point", "rate", "mark", "turns", "seen"),
                                  *((name, "10/min", MARKUP + "mark", 1, "good") for name in NAMES)]),
                       ("w.csv", [("point", "mark", "strokes", "mass", "run"),
                                  *((name, MARKUP + "mark", 300, "3.6 g", name) for name in NAMES)])):  # fmt: skip
        with open(folder / name, "w", newline="") as stream:
            csv.writer(stream).writerows(rows)
    (folder / "plant.toml").write_text('[supply]\ncapacity = "9000 L/min"\npressure = "6 bar"\n' + "".join(
        f'[[machine]]\nfile = "m.json"\nname = {json.dumps(name)}\n' for name in NAMES))
    return folder


@pytest.mark.parametrize("words", [
    "solve m.json", "rates m.json", "tradeoff m.json", "split m.json", "check m.json", "calibrate m.json t.csv",
    "calibrate m.json w.csv", "solve m.json --lp m.lp", "plant plant.toml --jobs 1",
])  # fmt: skip
def test_names_that_are_markup_or_formulas_are_names_in_every_answer(run, named, monkeypatch, words):
    """Each is told as it is, but for what does not fit its column, and nothing of it is to be obeyed."""
    monkeypatch.chdir(named)
    ended = run(*words.split())
    assert ended.code == 0, ended
    text = seen(ended)
    assert words.startswith(("split", "tradeoff")) or MARKUP[:8] in text
    if "--lp" in words:
        remarks = (named / "m.lp").read_text()
        assert MARKUP in remarks and not HIDDEN.search(remarks.replace("\n", ""))


def test_names_in_json_are_those_of_the_file_and_the_answer_holds(run, named, monkeypatch):
    monkeypatch.chdir(named)
    answer = run("solve", "m.json", "--json")
    assert answer.json["title"] == MARKUP + "title"
    assert [point["name"] for point in answer.json["points"]] == list(NAMES)
    (named / "r.json").write_text(answer.out)
    assert run("verify", "m.json", "r.json").code == 0
