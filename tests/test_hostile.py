"""Input that is careless or meant to harm: read or refused, soon and within bounds, and never silently wrong."""

import errno
import importlib.util
import json
import os
import socket
import threading
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import stackopt
from stackopt.errors import FAULTS_LIMIT, HIDDEN
from stackopt.problem import files
from stackopt.problem.files import Source, problem_in, read
from stackopt.problem.places import lines_of, twice_in

MANY = settings().max_examples


def fuzzing(name):
    """A module of .fuzz."""
    spec = importlib.util.spec_from_file_location(name, Path(__file__).parent.parent / ".fuzz" / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


targets, worst = fuzzing("targets"), fuzzing("worst")
CORPUS = targets.corpus()
ESC, TURNED = "\x1b[31m", "\u202e"
BYTES = (b"\xff", b"\x00", b"\xef\xbb\xbf", b"\r", b"\n", b'"', b"'", b'"""', b"#", b"=", b"[", b"]", b"{", b"}", b",",
         b";", b".", b"1e400", b"-", b"nan", b"0", b"9" * 30, b"\\", b"\\u0000", b"\\ud800", b"%", b"\xc3\xbc",
         b"u\xcc\x88", b"\xe2\x80\xae", b"\x1b[31m", b"=1+1", b"null", b"true")  # fmt: skip


@st.composite
def mutated(draw, kind):
    """A right file with one to four of its bytes or lines replaced, put in, taken out, doubled, or taken elsewhere."""
    data = draw(st.sampled_from(CORPUS[kind]))
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(data)))
        to = draw(st.integers(at, min(at + 20, len(data))))
        way = draw(st.sampled_from(("replace", "insert", "delete", "splice", "line", "digit")))
        if way in ("replace", "insert"):
            piece = draw(st.sampled_from(BYTES) | st.binary(max_size=6))
            data = data[:at] + piece + data[to if way == "replace" else at:]
        elif way == "delete":
            data = data[:at] + data[to:]
        elif way == "splice":
            other = draw(st.sampled_from(CORPUS[kind]))
            data = data[:at] + other[draw(st.integers(0, len(other))):]
        elif way == "line":
            lines = data.splitlines(keepends=True) or [b""]
            data = b"".join(lines[: (n := draw(st.integers(0, len(lines) - 1))) + 1] + lines[n:])
        else:
            digits = [k for k, byte in enumerate(data) if chr(byte).isdigit()] or [0]
            k = draw(st.sampled_from(digits))
            data = data[:k] + draw(st.sampled_from((b"0", b"9", b"x", b",", b"l"))) + data[k + 1:]
    return data


@settings(max_examples=2 * MANY)
@given(mutated("toml"))
def test_any_toml_bytes_are_read_for_what_they_say_or_refused(data):
    targets.toml(data)


@settings(max_examples=2 * MANY)
@given(mutated("json"))
def test_any_json_bytes_are_read_for_what_they_say_or_refused(data):
    targets.as_json(data)


@settings(max_examples=2 * MANY)
@given(mutated("csv"))
def test_any_sheet_of_points_is_read_for_what_it_says_or_refused(data):
    targets.csv(data)


@settings(max_examples=MANY)
@given(mutated("calibration"))
def test_any_weighings_or_trials_are_read_or_refused(tmp_path_factory, data):
    targets.calibration(data, tmp_path_factory.getbasetemp())


@settings(max_examples=MANY)
@given(mutated("plant"))
def test_any_plant_file_is_read_or_refused(tmp_path_factory, data):
    targets.plant(data, tmp_path_factory.getbasetemp())


@settings(max_examples=MANY)
@given(mutated("answer"))
def test_any_answer_is_verified_for_what_it_says_or_refused(tmp_path_factory, data):
    targets.answer(data, tmp_path_factory.getbasetemp())


ODD = (None, True, 0, -1, 1e-300, 1e300, 10**25, "", " ", "x", "1 bar", "10 %", "0 L/min", "1e-12 mL/h", "1e12 mL/h",
       "=1+1", "@SUM(A1)", "<b>&", ESC, TURNED, "a\u0308", "\u00e4", "\ufeff", "$x", [], {}, [[]], ["a", "a"],
       {"min": 1}, {"a": {"b": 1}})  # fmt: skip


@st.composite
def twisted(draw):
    """A right problem with one to three of its values, keys or tables made strange, missing or too many."""
    data = json.loads(draw(st.sampled_from(CORPUS["json"])))
    for _ in range(draw(st.integers(1, 3))):
        inner = data
        while True:
            keys = list(inner) if isinstance(inner, dict) else list(range(len(inner)))
            if not keys:
                break
            key = draw(st.sampled_from(keys))
            if isinstance(inner[key], dict | list) and draw(st.booleans()):
                inner = inner[key]
                continue
            way = draw(st.sampled_from(("value", "value", "gone", "more", "again")))
            if way == "gone":
                del inner[key]
            elif way == "value":
                inner[key] = draw(st.sampled_from(ODD))
            elif isinstance(inner, list):
                inner.append(inner[key] if way == "again" else draw(st.sampled_from(ODD)))
            else:
                inner[draw(st.sampled_from(("x", "name", "", ESC, "points", "min")))] = draw(st.sampled_from(ODD))
            break
    return data


@settings(max_examples=2 * MANY)
@given(twisted())
def test_any_structure_is_read_for_what_it_says_or_refused(data):
    targets.as_json(json.dumps(data).encode())


# Size: what took minutes or gigabytes before it was bounded. Counted, not timed.

HEAD = targets.HEAD.decode().replace('points = "p.csv"\n', "")
POINT = ('[[point]]\nname = "@"\ndose = "12 mL/h"\ntolerance = 0.1\npump = "standard"\nnozzle = "small"\n'
         'air_flow = { min = "1 L/min" }\n')  # fmt: skip


def faults_of(text, name="m.toml"):
    with pytest.raises(stackopt.ProblemError) as caught:
        problem_in(Source(name, text.encode("utf-8", "surrogatepass")))
    return caught.value.faults


@pytest.mark.parametrize("text", [
    "a" * 300_000, '"' * 300_000, "'''a'" * 60_000, '\\"""\n' * 60_000, 'x = "' + '\\"' * 150_000, "a-" * 150_000,
    "x = [" + "[]," * 100_001 + "]", "x = ['''a'''', {a" + ".a" * 30_000 + " = 1}, ' ']",
])  # fmt: skip
def test_texts_that_made_patterns_look_twice_are_refused_once(text):
    """Each of these is square in its length for a pattern that goes back, and would not end today."""
    assert len(faults_of(text)) == 1


@pytest.mark.parametrize("text", [
    "".join(f"key{i} = 1\n" for i in range(3000)),
    HEAD + "".join(POINT.replace("@", str(i)).replace("12 mL/h", f"12 mL/hx{i}") for i in range(1100)),
    HEAD + POINT + "[pumps.b]\nstroke_volume = '1 mL'\n[pumps.b.marks]\n" + "".join(f"m{i} = 5\n" for i in range(5000)),
    HEAD + POINT + "[[constraint]]\nkind = 'same'\nof = 'mark'\n" + f"over = {[str(i) for i in range(5000)]}",
])  # fmt: skip
def test_of_thousands_of_faults_the_first_thousand_are_listed_and_that_there_are_more(text):
    faults = faults_of(text)
    assert len(faults) == FAULTS_LIMIT + 1
    assert sum("more than 1,000 faults" in fault.found for fault in faults) == 1


def test_a_sheet_of_thousands_of_faults_lists_a_thousand_of_its_own():
    rows = targets.SHEET + b"".join(b"x%d;1 mL/h;0.1;standard;small;1 L/min;;;;;more\n" % i for i in range(2000))
    with pytest.raises(stackopt.ProblemError) as caught:
        problem_in(Source("m.toml", targets.HEAD, rows))
    assert len(caught.value.faults) == FAULTS_LIMIT + 1


def test_a_thousand_wrong_marks_of_a_pump_with_a_long_name_do_not_make_a_long_report():
    name = "a" * 200_000
    marks = ", ".join(f'm{i} = 5' for i in range(1500))
    text = HEAD + POINT + f"[pumps.{name}]\nstroke_volume = '1 mL'\nmarks = {{ {marks} }}\n"
    assert sum(len(str(fault)) for fault in faults_of(text)) < 2_000_000


def test_curves_between_many_nozzles_are_computed_at_once():
    """Two thousand nozzles of 801 settings each: a curve asked for each setting alone took half a minute."""
    nozzle = '[nozzles.n@]\nturns = [0, 100]\nflow = ["1 L/min", "2 L/min"]\ninterpolate = true\n'
    text = HEAD + "".join(nozzle.replace("@", str(i)) for i in range(200)) + "".join(
        POINT.replace("@", str(i)).replace('"small"', f'"n{i}"') + "now = { mark = '1', turns = 0.3 }\n"
        for i in range(200))  # fmt: skip
    faults = faults_of(text)
    assert len(faults) == 200 and all(fault.key.endswith("now.turns") for fault in faults)


@pytest.mark.parametrize(("name", "said"), [
    ("toml double headers", "7 faults"), ("toml keys", "1,001 faults"), ("toml keys of a point", "1,001 faults"),
    ("toml pumps, and points with others", "found 'pimp0'"), ("toml wrong marks", "1,001 faults"),
    ("toml marks, the last wrong", "line 8444, pumps.b.marks.z"),
    ("toml points, the last wrong", "line 6630, point[946]"),
    ("toml rules over all", "read"),
    ("json deep lists, a key wrong", "faults"), ("json wrong tags", "1,001 faults"),
    ("json wrong tags at the end", "1,001 faults"), ("json wrong flows of units alike", "1,001 faults"),
    ("calibrate trials between steps", "answered in"), ("plant machines of no file", "1,001 faults"),
    ("plant keys", "1,001 faults"),
])  # fmt: skip
def test_what_took_seconds_or_hundreds_of_megabytes_is_refused_or_read_for_what_it_says(tmp_path, name, said):
    """In a tenth of the size; .fuzz/worst.py measures the whole. Lines counted by hand from the sizes of the texts."""
    assert said in worst.ask(*worst.write(tmp_path, name, 100_000))


@pytest.mark.parametrize(("text", "what"), [
    ("[[a]]\n" * 120_001, "more than 120,000 tables"), (HEAD + POINT + "[[constraint]]\n" * 10_001, "a list of 10001"),
], ids=["tables", "rules"])  # fmt: skip
def test_more_tables_than_a_problem_may_have_are_one_fault(text, what):
    (fault,) = faults_of(text)
    assert what in fault.found


def test_a_sheet_of_too_many_rows_is_one_fault():
    with pytest.raises(stackopt.ProblemError, match="more than 100,000 rows") as caught:
        problem_in(Source("m.toml", targets.HEAD, b"name\n" + b"x\n" * 100_001))
    assert len(caught.value.faults) == 1


def test_wrong_items_of_a_long_list_are_told_by_their_own_numbers():
    """Lists are read some at a time: the last item of the second thousand is number 2000, counted here."""
    tags = ["a"] * 1999 + [7] + ["b"] * 500 + [8]
    (one, other) = faults_of(HEAD + POINT + f"tags = {tags}\n")
    assert (one.key, one.found, other.key, other.found) == ("point[1].tags[2000]", "7", "point[1].tags[2501]", "8")


def test_warnings_of_thousands_of_trials_are_some_lines(tmp_path):
    file = tmp_path / "t.csv"
    rows = "".join(f"a,{10 + i / 1000}/min,1,1,good\n" for i in range(1, 900))
    file.write_text("point,rate,mark,turns,seen\n" + rows)
    found = stackopt.calibrate(problem_in(Source("m.toml", targets.HEAD, targets.SHEET)), file).warnings
    assert sum(line.startswith("line ") for line in found) == 20
    assert "879 more trials were at rates that the dial cannot be set to" in found


# Places

@pytest.mark.parametrize(("text", "lines"), [
    ("[[point]]", {"point": 1, "point[1]": 1}),
    ("[a]\nb = 1\n[[a.c]]\n[[a.c]]\nd.e = 2", {"a": 1, "a.b": 2, "a.c": 3, "a.c[1]": 3, "a.c[2]": 4, "a.c[2].d": 5,
                                                 "a.c[2].d.e": 5}),
    ('x = """\n[y]\n"""""\n"y z".\'w"\' = [\n# [\n[1],\n{v = "#"},\n]',
     {"x": 1, "y z": 4, "y z.w\"": 4, "y z.w\"[1]": 6, "y z.w\"[1][1]": 6, "y z.w\"[2]": 7, "y z.w\"[2].v": 7}),
    ("x = '''\n''''\r\n\"\\u0041\" = 1979-05-27 07:32:00.5 # x\r\nb=1", {"x": 1, "A": 3, "b": 4}),
])  # fmt: skip
def test_every_key_of_toml_has_its_line(text, lines):
    """Lines counted by eye."""
    assert lines_of(text, False, list(lines)) == lines


def test_keys_of_json_have_their_lines_and_doubles_are_found():
    text = '{"a":\n[1, {"b"\n: NaN}],\n"c d": {"\\"": 1,\n"\\"": 2}}'
    wanted = ["a[2].b", "c d.\""]
    assert lines_of(text, True, wanted) == {"a": 1, "a[2]": 2, "a[2].b": 2, "c d": 4, 'c d."': 4}
    assert twice_in(text) == [('c d."', 5)]


# What is not seen as it is

@pytest.mark.parametrize("bad", [ESC, TURNED, "\u2028", "\ufeff", "\x00", "\x85", "\u2066"], ids=ascii)
def test_what_a_terminal_obeys_or_hides_is_no_part_of_a_name_and_is_told_as_its_escape(bad):
    data = json.loads(CORPUS["json"][0])
    for place in (("point", 0, "name"), ("fluid", "name"), ("title",), (f"key{bad}",)):
        twisted = json.loads(json.dumps(data))
        inner = twisted
        for key in place[:-1]:
            inner = inner[key]
        inner[place[-1]] = f"a{bad}b"
        faults = faults_of(json.dumps(twisted), "m.json")
        assert faults and not any(HIDDEN.search(str(fault)) for fault in faults)
        assert any(bad.encode("unicode_escape").decode()[:4] in str(fault) for fault in faults)


def test_a_title_may_have_several_lines():
    data = json.loads(CORPUS["json"][0]) | {"title": "a\n\tb"}
    assert targets.as_json(json.dumps(data).encode()).title == "a\n\tb"


@pytest.mark.parametrize("names", [
    ("D\u00fcse", "Du\u0308se"), ("a 1", "a  1"), ("a 1", "a\u00a01"), ("\u212b", "\u00c5"), ("a", "a "),
    ("a", "a\u2800"), *(("a", f"a{unseen}") for unseen in "\u200b\u2060\xad\u200d\ufe0f\u034f\u180e\u3164\U000e0041"),
], ids=ascii)  # fmt: skip
def test_names_that_look_the_same_are_refused(names):
    text = HEAD + "".join(POINT.replace("@", name) for name in names)
    (fault,) = faults_of(text)
    assert fault.key == "point[2].name" and "told from" in fault.expected and fault.found.isascii()


@pytest.mark.parametrize("name", ["\u2060", "\u2800", "\u3164 \u00ad"], ids=ascii)
def test_a_name_of_which_nothing_is_seen_is_refused(name):
    (fault,) = faults_of(HEAD + POINT.replace("@", name))
    assert (fault.key, fault.expected) == ("point[1].name", "a name that can be seen")


def test_a_mark_by_which_spread_means_all_marks_is_refused():
    data = json.loads(CORPUS["json"][0])
    next(iter(data["pumps"].values()))["marks"]["*"] = 1.0
    (fault,) = faults_of(json.dumps(data), "m.json")
    assert fault.key.endswith(".marks.*") and "all marks" in fault.expected


@pytest.mark.parametrize("name", [
    "=1+1", "+1", "-1", "@a", "<script>alert(1)</script>", "$x", "_x", "%s", "{0}", "\u202fx"], ids=ascii)
def test_names_that_are_formulas_or_markup_are_only_names(name):
    text = HEAD + POINT.replace('"@"', json.dumps(name))
    assert targets.toml(text.encode()).point[0].name == name


def test_the_command_line_tells_a_name_of_a_file_without_obeying_it(run, tmp_path):
    file = tmp_path / f"a{ESC}\nb.toml"
    file.write_text('"x" = 1\n"y\\u001b[31m" = 2\n')
    ended = run("solve", str(file), "--json")
    assert ended.code == 2 and "\x1b" not in ended.out + ended.err and "\\x1b[31m" in ended.err
    assert json.loads(ended.out)["file"] == str(file)


# What is no plain file

@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="there are no pipes with names here")
def test_a_pipe_is_read_as_it_is_written_and_one_without_a_writer_is_given_up(tmp_path, monkeypatch):
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    text = HEAD + POINT

    def write():
        with open(pipe, "w") as stream:
            for part in (text[:100], text[100:]):
                stream.write(part)
                stream.flush()
                threading.Event().wait(0.05)

    writer = threading.Thread(target=write)
    writer.start()
    assert read(pipe).point[0].name == "@"
    writer.join()
    monkeypatch.setattr(files, "PATIENCE", 0.1)
    with pytest.raises(stackopt.ProblemError, match="a pipe that nothing writes to"):
        read(pipe)


@pytest.mark.skipif(not os.path.exists("/dev/zero"), reason="there are no such devices here")
def test_a_device_without_end_is_a_file_that_is_too_large(monkeypatch):
    monkeypatch.setattr(files, "SIZE_LIMIT", 2**20)
    with pytest.raises(stackopt.ProblemError, match="more than 1 MiB"):
        read("/dev/zero")
    with pytest.raises(stackopt.ProblemError, match="the key 'fluid'"):
        read("/dev/null")


def _kinds(folder):
    """What is no plain file, by its kind; each is at `folder / kind`."""
    (folder / "folder").mkdir()
    (folder / "device").symlink_to("/dev/zero")
    (folder / "loop").symlink_to(folder / "loop")
    (folder / "gone").symlink_to(folder / "nowhere")
    with open(folder / "hole", "wb") as stream:
        stream.truncate(2**30)
    os.mkfifo(folder / "pipe")
    with socket.socket(socket.AF_UNIX) as plug:
        plug.bind(str(folder / "socket"))


@pytest.mark.skipif(not hasattr(os, "mkfifo") or not os.path.exists("/dev/zero"), reason="there is none of it here")
@pytest.mark.parametrize(("kind", "machine", "sheet"), [
    ("folder", "Is a directory", "a plain file"), ("device", "more than 1 MiB", "a plain file"),
    ("loop", "Too many levels", "a loop of links|Too many levels"), ("gone", "No such file", "No such file"),
    ("hole", "more than 1 MiB", "more than 1 MiB"), ("pipe", "a pipe that nothing writes to", "a plain file"),
    ("socket", "No such device", "a plain file"),
])  # fmt: skip
def test_what_is_no_plain_file_is_refused_as_a_machine_and_as_its_sheet(tmp_path, monkeypatch, kind, machine, sheet):
    monkeypatch.setattr(files, "SIZE_LIMIT", 2**20)
    monkeypatch.setattr(files, "PATIENCE", 0.05)
    monkeypatch.chdir(tmp_path)  # the place of a socket is a short name
    _kinds(Path("."))
    with pytest.raises(stackopt.ProblemError, match=machine):
        read(kind)
    Path("m.toml").write_text(targets.HEAD.decode().replace("p.csv", kind))
    with pytest.raises(stackopt.ProblemError, match=sheet):
        read("m.toml")
    with pytest.raises(stackopt.ProblemError, match=machine):
        stackopt.calibrate(problem_in(Source("m.toml", targets.HEAD, targets.SHEET)), kind)


def test_a_hole_of_a_gigabyte_is_more_than_the_limit(tmp_path):
    with open(tmp_path / "hole.toml", "wb") as stream:
        stream.truncate(2**30)
    with pytest.raises(stackopt.ProblemError, match="more than 64 MiB"):
        read(tmp_path / "hole.toml")


def test_files_that_may_not_be_read_are_refused(tmp_path, monkeypatch):
    """Whoever runs the tests may read everything, so that the system's refusal is put in its place."""
    def refused(*_, **__):
        raise PermissionError(errno.EACCES, "Permission denied")

    (tmp_path / "m.toml").write_bytes(targets.HEAD)
    (tmp_path / "p.csv").write_bytes(targets.SHEET)
    assert read(tmp_path / "m.toml")
    with monkeypatch.context() as patched:
        patched.setattr(Path, "open", refused)
        with pytest.raises(stackopt.ProblemError, match=r"line 1, points: found 'p\.csv': Permission denied"):
            read(tmp_path / "m.toml")
    monkeypatch.setattr(files, "open", refused, raising=False)
    with pytest.raises(stackopt.ProblemError, match="found Permission denied"):
        read(tmp_path / "m.toml")
