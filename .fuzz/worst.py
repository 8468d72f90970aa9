"""The inputs that cost most: python .fuzz/worst.py [WORD...] [--size BYTES].

Each kind (those whose names hold a WORD, or all) is written as a file of about that size and read in a process of its
own. Prints kind, CPU seconds, MB and what came of it, and ends with a list of those over the limits, exit 1 if any.
"""

import argparse
import json
import os
import resource
import sys
import tempfile
import time
from pathlib import Path

import stackopt
from stackopt.fleet.plant_file import read_works
from stackopt.verification.reading import read_answer

SECONDS, MB = 2.0, 500  # for 1 MB of input
HEAD = """[fluid]
kind = "neat oil"
density = "0.92 g/mL"
[generator]
rate = { min = "4/min", max = "60/min", step = "1/min" }
[pumps.standard]
stroke_volume = "0.06 mL"
marks = { "1" = 0.22, "2" = 0.58, "3" = 1.0 }
[nozzles.small]
turns = [0, 1, 2]
flow = ["0 L/min", "20 L/min", "40 L/min"]
[air]
pressure = "6 bar"
capacity = "100 L/min"
"""
P = ('[[point]]\nname="@"\ndose="12 mL/h"\ntolerance=0.1\npump="standard"\nnozzle="small"\n'
     'air_flow={min="1 L/min"}\n')  # fmt: skip
ONE = P.replace("@", "a")
B = "[pumps.b]\nstroke_volume='1 mL'\n"
RULE = '[[constraint]]\nkind="same"\nof="mark"\n'
SHEET = "name;dose;tolerance;pump;nozzle;air_flow.min\n"
WEIGHED, SPRAYED = "pump;mark;strokes;mass\n", "point,rate,mark,turns,seen\n"
SUPPLY = '[supply]\ncapacity="900 L/min"\npressure="6 bar"\n'


def many(text, size):
    """The text again and again, with @ as the number of the copy."""
    if "@" not in text:
        return text * max(1, int(size // len(text)))
    copies, length, number = [], 0, 0
    while length < size:
        copies.append(text.replace("@", str(number)))
        length += len(copies[-1])
        number += 1
    return "".join(copies)


def listed(text, size):
    """Many in brackets."""
    return f"[{many(text, size)}]"


def rows(text, size, lines=1):
    """As many rows as a table of measurements may have, with blanks to that size."""
    count = min(size // 100, 10_000) // lines
    return "".join(text.replace("@", str(i)).ljust(99 * lines) + "\n" for i in range(int(count)))


def turned(size, points, more=""):
    """A nozzle of many turns, and points that use it."""
    count = int(size // 13)
    nozzle = f'[nozzles.b]\nturns=[{",".join(map(str, range(count)))}]\nflow=[{chr(34)}1 L/min{chr(34)}'
    return HEAD + nozzle + ',"1 L/min"' * (count - 1) + "]\n" + many(P.replace("small", "b") + more, points)


def right():
    """A right problem as plain data."""
    import tomli

    return tomli.loads(HEAD + ONE)


def in_json(**keys):
    """It in JSON with some of its keys others."""
    return json.dumps(right() | keys)


def pointed(size, **keys):
    """It in JSON with many points."""
    one = right()["point"][0] | keys
    return in_json(point=[one | {"name": f"p{i}"} for i in range(int(size // len(json.dumps(one))))])


TOML = {
    "double headers within the limit": lambda n: "[[a]]\n" * min(n // 6, 119_000) + "[[z]]\n",
    "dots": lambda n: many("a@" + ".a" * 9 + "=1\n", n),
    "dots, quoted": lambda n: '"a"' + many('."a"', n) + "=1",
    "dots in a header": lambda n: "[a" + many(".a", n) + "]",
    "deep lists": lambda n: "x=" + "[" * n,
    "deep lists again and again": lambda n: "x=" + listed("[" * 300 + "]" * 300 + ",", n),
    "deep tables": lambda n: "x=" + many("{a=", n),
    "empty lists": lambda n: "".join(f"x{i}=[" + "[]," * 90_000 + "]\n" for i in range(n // 270_000 + 1)),
    "a long text": lambda n: HEAD + 'title="' + "a" * n + '"\n',
    "escapes": lambda n: 'title="' + many("\\u0041", n) + '"\n' + HEAD + ONE,
    "quotes": lambda n: many('"', n),
    "texts that do not end": lambda n: many("'''a'", n),
    "a long key": lambda n: "a" * n,
    "blanks in keys": lambda n: many("a" + " " * 1000, n),
    "remarks": lambda n: HEAD + ONE + many("# aaaaaaa\n", n),
    "empty lines": lambda n: "\n" * n + "x=1\n",
    "digits": lambda n: "x=" + "1" * n,
    "long numbers": lambda n: "x=" + listed("1" * 4000 + ",", n),
    "dates": lambda n: "x=" + listed("1979-05-27T07:32:00Z,", n),
    "keys": lambda n: many("k@=1\n", n),
    "tables": lambda n: many("[k@]\n", n),
    "double headers": lambda n: many("[[a]]\n", n),
    "double headers, a fault below": lambda n: many("[[a]]\n", n) + "[[z]]\n",
    "double headers in others": lambda n: many("[[a]]\n[[a.b]]\n", n),
    "headers of many steps": lambda n: many("[a.b.c.d.e.f.g@]\n", n),
    "empty points": lambda n: HEAD + many("[[point]]\n", n),
    "points": lambda n: HEAD + many(P, n),
    "points, the last wrong": lambda n: HEAD + many(P, n) + "[[point]]\n",
    "points of wrong keys": lambda n: HEAD + many('[[point]]\nnam="@"\ndos="1"\ntoleranc=0.1\npum="s"\nnozzl="s"\n', n),
    "points of wrong values": lambda n: HEAD + many(
        '[[point]]\nname=""\ndose="12 mL/@"\ntolerance=-1\npump="x@"\nnozzle="y"\n', n),
    "keys of a point": lambda n: HEAD + ONE + many("key@ = 1\n", n),
    "pumps, and points with others": lambda n: HEAD + many('[pumps.pump@]\nstroke_volume="1 mL"\nmarks={"1"=1}\n',
                                                           n / 2) + many(P.replace("standard", "pimp@"), n / 2),
    "pumps of long names, and others": lambda n: HEAD + many(f'[pumps.{"a" * 100}@]\n', n / 2) + ONE.replace(
        '"standard"', listed(f'"{"a" * 99}q@",', n / 2)),
    "marks": lambda n: HEAD + B + "[pumps.b.marks]\n" + many("m@ = 0.5\n", n),
    "marks, used": lambda n: HEAD + B + "[pumps.b.marks]\n" + many("m@ = 0.5\n", n) + ONE.replace("standard", "b"),
    "marks, the last wrong": lambda n: HEAD + B + "[pumps.b.marks]\n" + many("m@ = 0.5\n", n) + "z = 0.1\n" + ONE,
    "wrong marks": lambda n: HEAD + B + "[pumps.b.marks]\n" + many("m@ = 5\n", n) + ONE,
    "falling marks": lambda n: HEAD + B + "[pumps.b.marks]\n" + "".join(
        f"m{i} = {1 - i / 100_000}\n" for i in range(n // 17)) + ONE,
    "wrong spreads": lambda n: HEAD + B + "marks={" + many("m@=1,", n / 2) + "z=1}\n[pumps.b.spread]\n" + many(
        "x@ = 0.5\n", n / 2) + ONE,
    "marks of today": lambda n: HEAD + B + "marks={" + many("m@=1,", n / 2) + "z=1}\n" + many(
        P.replace("standard", "b") + 'now={mark="x",turns=9}\n', n / 2),
    "falling turns": lambda n: HEAD + f"[nozzles.b]\nturns={[*range(n // 7, 0, -1)]}\nflow=[]\n" + ONE,
    "turns of today": lambda n: turned(n / 2, n / 2, 'now={mark="1",turns=0.5}\n'),
    "turns under one rule": lambda n: turned(n / 2, n / 2) + '[[constraint]]\nkind="fix"\nof="turns"\nat=0.5\n',
    "turns under rules": lambda n: turned(n / 3, n / 3) + many('[[constraint]]\nkind="fix"\nof="turns"\nat=0.5\n',
                                                               n / 3),
    "interpolated nozzles": lambda n: HEAD + ONE + many(
        '[nozzles.b@]\nturns=[0,100]\nflow=["1 L/min","2 L/min"]\ninterpolate=true\n', n),
    "interpolated, of today": lambda n: HEAD + '[nozzles.b]\nturns=[0,100]\nflow=["1 L/min","2 L/min"]\n'
        "interpolate=true\n" + many(P.replace("small", "b") + 'now={mark="1",turns=1}\n', n),
    "rules over all": lambda n: HEAD + many(P, n / 2) + many(RULE, n / 2),
    "rules that forbid what is not": lambda n: HEAD + many(P, n / 2) + many(
        '[[constraint]]\nkind="forbid"\nof="mark"\nat=["x"]\n', n / 2),
    "rules over thousands": lambda n: HEAD + many(P, n / 4) + many(
        RULE + "over=" + json.dumps([str(i) for i in range(int(n // 500))]) + "\n", n * 3 / 4),
    "a rule over unknown names": lambda n: HEAD + ONE + RULE + "over=" + listed('"x@",', n),
    "rules over unknown names": lambda n: HEAD + ONE + many(
        RULE + "over=" + json.dumps([f"x{i}" for i in range(int(n // 500))]) + "\n", n),
    "rules over a tag": lambda n: HEAD + many(P + 'tags=["t"]\n', n / 2) + many(RULE + 'over="t"\n', n / 2),
    "totals over all": lambda n: HEAD + many(P, n / 2) + many('[[constraint]]\nkind="total"\nof="air"\nmax=1\n', n / 2),
    "a total of tags": lambda n: HEAD + ONE + "tags=" + listed('"t@",', n / 2) + '\n[[constraint]]\nkind="total"\n'
        'of="air"\nmax=1\n[constraint.times]\n' + many("t@=1\n", n / 2),
    "rules that fix": lambda n: HEAD + many(P, n / 2) + many('[[constraint]]\nkind="fix"\nof="mark"\nat="1"\n', n / 2),
    "rules of wrong kinds": lambda n: HEAD + ONE + many('[[constraint]]\nkind="sam"\n', n),
    "rules of no kind": lambda n: HEAD + ONE + many("[[constraint]]\n", n),
    "tags": lambda n: HEAD + many(P + f"tags={json.dumps([f't{i}' for i in range(50)])}\n", n),
    "tags of a point": lambda n: HEAD + ONE + "tags=" + listed('"t@",', n),
    "points alike": lambda n: HEAD + many(ONE, n),
    "points of long names": lambda n: HEAD + many(P.replace('"@"', '"' + "\u00e9" * 900 + '@"'), n / 2),
    "doses of wrong units": lambda n: HEAD + many(P.replace("12 mL/h", "12 mL/hx@"), n),
    "doses of long units": lambda n: HEAD + many(P.replace("12 mL/h", "12 mm^3/mi" + "q" * 30 + "@"), n),
    "wrong sizes": lambda n: HEAD + ONE + "[reservoir]\nsizes=" + listed('"1 L@",', n),
    "sizes": lambda n: HEAD + ONE + "[reservoir]\nsizes=" + listed('"1 L",', n),
    "wrong fluids": lambda n: HEAD + ONE + B + "marks={a=1}\nfluids=" + listed('"x@",', n),
    "wrong shares": lambda n: HEAD + ONE + "[nozzles.b]\nturns=[1]\n[nozzles.b.screw]\nopen=" + listed("-1,", n / 4),
    "marks forbidden": lambda n: HEAD + ONE + '[[constraint]]\nkind="forbid"\nof="mark"\nat=' + listed('"x@",', n),
    "nothing forbidden": lambda n: HEAD + ONE + '[[constraint]]\nkind="forbid"\nof="mark"\nat=' + listed(
        "true,", n / 2),
    "a name again and again": lambda n: HEAD + ONE + RULE + "over=" + listed('"a",', n / 3),
    "an unknown list": lambda n: HEAD + ONE + "zz=" + listed("[1],", n / 3),
}  # fmt: skip
JSON = {
    "deep lists": lambda n: "[" * (n // 2) + "]" * (n // 2),
    "deep tables": lambda n: many('{"a":', n),
    "deep lists again and again": lambda n: json.dumps([0]) + "," if n < 2000 else "[" + ",".join(
        ["[" * 900 + "]" * 900] * (n // 1802)) + "]",
    "deep lists, a key wrong": lambda n: '{"a":[' + ",".join(["[" * 300 + "]" * 300] * (n // 602)) + '],"z":1}',
    "numbers": lambda n: "[" + many("1,", n) + "1]",
    "long numbers": lambda n: '{"a":[' + many("1" * 4000 + ",", n) + "1]}",
    "the same key": lambda n: "{" + many('"a":1,', n) + '"a":1}',
    "keys twice": lambda n: "{" + many('"a@":1,', n / 2) + many('"a@":1,', n / 2) + '"b":1}',
    "the same key, deep": lambda n: '{"x":' * 800 + "{" + many('"a":1,', n) + '"a":1}' + "}" * 800,
    "a key twice, at the end": lambda n: '{"a":[' + many("[],", n) + '1],"b":1,"b":1}',
    "keys": lambda n: "{" + many('"k@":1,', n) + '"z":1}',
    "points": lambda n: pointed(n),
    "points that are lists": lambda n: in_json(point=[[]] * (n // 11)),
    "empty points": lambda n: in_json(point=[{}] * (n // 11)),
    "too many points": lambda n: in_json(point=[{}] * (n // 4)),
    "empty pumps": lambda n: in_json(pumps={f"p{i}": {} for i in range(n // 14)}),
    "no pumps": lambda n: in_json(pumps={f"p{i}": None for i in range(n // 16)}),
    "empty nozzles": lambda n: in_json(nozzles={f"p{i}": {} for i in range(n // 14)}),
    "empty rules": lambda n: in_json(constraint=[{}] * (n // 11)),
    "rules of a kind alone": lambda n: in_json(constraint=[{"kind": "total"}] * (n // 20)),
    "wrong tags": lambda n: in_json(point=[right()["point"][0] | {"tags": [0] * (n // 3)}]),
    "wrong tags at the end": lambda n: in_json(
        point=[right()["point"][0] | {"tags": ["a"] * (n // 10) + [0] * (n // 6)}]),
    "wrong tolerances": lambda n: pointed(n, tolerance=[]),
    "wrong turns": lambda n: in_json(nozzles={"small": {"turns": ["x"] * (n // 5), "flow": ["1 L/min"]}}),
    "wrong flows": lambda n: in_json(nozzles={"small": {"turns": [1], "flow": ["x"] * (n // 5)}}),
    "wrong flows, all others": lambda n: in_json(
        nozzles={"small": {"turns": [1], "flow": [f"1 L/m{i}" for i in range(n // 14)]}}),
    "wrong flows of units alike": lambda n: in_json(
        nozzles={"small": {"turns": [1], "flow": [f"1 l/miN{i}" for i in range(n // 16)]}}),
    "a long key": lambda n: '{"' + "a" * n + '":1}',
    "long keys, deep": lambda n: '{"fluid":' + ('{"%s":' % ("a" * 1900)) * (n // 1905) + "1" + "}" * (n // 1905 + 1),
}  # fmt: skip
CSV = {
    "rows": lambda n: SHEET + many("@;12 mL/h;0.1;standard;small;1 L/min\n", n),
    "wrong rows": lambda n: SHEET + many("x;y;z;a;b;c\n", n),
    "rows of one cell": lambda n: SHEET + many("x\n", n),
    "rows that are too long": lambda n: SHEET + many(";;;;;;x\n", n),
    "one column": lambda n: "name\n" + many("x\n", n),
    "empty lines": lambda n: SHEET + "\n" * n,
    "empty cells": lambda n: SHEET + ";" * n,
    "columns": lambda n: many("c@;", n) + "\nx;y\n",
    "a column again and again": lambda n: many("name;", n) + "\nx;y\n",
    "columns and rows": lambda n: many("c@;", n / 2) + "\n" + many("x\n", n / 2),
    "wide empty rows": lambda n: "name" + ";" * 2000 + "x\n" + many("a" + ";" * 2000 + "\n", n),
    "quotes": lambda n: many('"a', n) + "\nx;y\n",
    "a quote that does not end": lambda n: SHEET + '"' + "a\n" * (n // 2),
    "pumps of a row": lambda n: SHEET + many("a;12 mL/h;0.1;" + "x|" * (n // 20) + ";small;1 L/min\n", n),
    "tags": lambda n: SHEET.strip() + ";tags\n" + many(
        "@;12 mL/h;0.1;standard;small;1 L/min;" + "x|" * (n // 20) + "\n", n),
}  # fmt: skip
CALIBRATION = {
    "weighings": lambda n: WEIGHED + rows("standard;1;300;3.6 g", n),
    "weighings, all others": lambda n: WEIGHED + rows("standard;1;300;3.6@ g", n),
    "wrong weighings": lambda n: WEIGHED + rows("x;y;z;w", n),
    "short weighings": lambda n: WEIGHED + rows("standard;1", n),
    "too many weighings": lambda n: WEIGHED + many("standard;1;300;3.6 g\n", n),
    "trials": lambda n: SPRAYED + rows("a,10/min,1,1,good", n),
    "trials of both ends": lambda n: SPRAYED + rows("a,10/min,1,1,sputter\na,20/min,1,2,fog", n, 2),
    "trials between steps": lambda n: SPRAYED + rows("a,10.@/min,1,1,good", n),
    "trials that contradict": lambda n: SPRAYED + rows("a,10.@/min,1,2,sputter\na,10.@/min,1,1,fog", n, 2),
    "wrong trials": lambda n: SPRAYED + rows("x,y,z,w,v", n),
}  # fmt: skip
PLANT = {
    "machines of no file": lambda n: SUPPLY + many('[[machine]]\nfile="x@.toml"\n', n),
    "machines": lambda n: SUPPLY + many('[[machine]]\nfile="m.toml"\nname="m@"\n', n),
    "empty machines": lambda n: SUPPLY + many("[[machine]]\n", n),
    "machines of one name": lambda n: SUPPLY + many('[[machine]]\nfile="m.toml"\n', n),
    "machines of wrong keys": lambda n: SUPPLY + many('[[machine]]\nfil="m.toml"\nnam="@"\n', n),
    "wrong tags": lambda n: SUPPLY + '[[machine]]\nfile="m.toml"\ntags=' + listed("0,", n / 6),
    "wrong sizes": lambda n: SUPPLY + '[[machine]]\nfile="m.toml"\n[tank]\nsizes=' + listed('"1 L@",', n),
    "a rule over unknown names": lambda n: SUPPLY + '[[machine]]\nfile="m.toml"\n[[constraint]]\nkind="distinct"\n'
        'of="pump"\nmax=1\nover=' + listed('"x@",', n),
    "rules": lambda n: SUPPLY + '[[machine]]\nfile="m.toml"\n' + many("[[constraint]]\n", n),
    "keys": lambda n: SUPPLY + many("k@=1\n", n),
    "double headers": lambda n: SUPPLY + many("[[a]]\n", n),
    "a machine of many points": lambda n: SUPPLY + '[[machine]]\nfile="m.toml"\n',
}  # fmt: skip


def claimed(names, **keys):
    """An answer for points of these names."""
    names = list(names)
    point = {"generator": 1, "pump": "standard", "mark": "1", "turns": 1, "dose_mL_per_h": 12.0,
             "required_mL_per_h": 12.0, "error": 0.0, "in_tolerance": True, "excess": 0.0, "air_L_per_min": 20.0,
             "air_min_L_per_min": 1.0, "air_max_L_per_min": None, "spray": "good"}  # fmt: skip
    return json.dumps({
        "format": "stackopt.result/1", "file": None, "title": "", "status": "optimal", "in_tolerance": True,
        "rate_per_min": 15.0, "generators": [{"rate_per_min": 15.0, "points": names}],
        "points": [{"name": name, **point} for name in names],
        "air": {"total_L_per_min": 20.0, "capacity_L_per_min": 100.0, "share": 0.2},
        "objective": {"excess": 0.0, "mean_error": 0.0, "worst_error": 0.0, "air_share": 0.2, "value": 0.02},
        "bound": {"excess": 0.0, "value": 0.02}, "gap": 0.0, "conflicts": [], "advice": [], "warnings": [], **keys,
    })  # fmt: skip


def conflict(n, names=("a",)):
    """A conflict under a name of its own."""
    return {"points": list(names), "rules": [f"r{n}"], "why": ""}


ANSWER = {
    "points": lambda n: claimed([f"p{i}" for i in range(n // 400)]),
    "points of one name": lambda n: claimed(["a"] * (n // 400)),
    "points of the file": lambda n: claimed(str(i) for i in range(many(P, n / 5).count("[[point]]"))),
    "conflicts": lambda n: claimed("a", conflicts=[conflict(i) for i in range(n // 50)]),
    "conflicts of many names": lambda n: claimed("a", conflicts=[
        conflict(i, [f"x{k}" for k in range(n // 200)]) for i in range(20)]),
    "warnings": lambda n: claimed("a", warnings=[""] * (n // 4)),
    "wrong warnings": lambda n: claimed("a", warnings=[0] * (n // 4)),
    "generators": lambda n: claimed("a", generators=[{"rate_per_min": 1.0 + i, "points": []} for i in range(n // 40)]),
    "a long name": lambda n: claimed(["a" * (n // 3)]),
    "long numbers": lambda n: claimed("a", gap=10**4000) + " " * n,
    "deep lists": lambda n: "[" * (n // 2) + "]" * (n // 2),
    "other keys": lambda n: claimed("a", **{f"k{i}": 0 for i in range(n // 14)}),
}  # fmt: skip
KINDS = {f"{kind} {name}": (kind, text)
         for kind, kinds in (("toml", TOML), ("json", JSON), ("csv", CSV), ("calibrate", CALIBRATION), ("plant", PLANT),
                            ("verify", ANSWER))
         for name, text in kinds.items()}  # fmt: skip


def write(folder, name, size):
    """The files of a kind in a folder, as arguments of `ask`."""
    kind, text = KINDS[name]
    machine = Path(folder, "m.json" if kind == "json" else "m.toml")
    points = many(P, size / 5 if kind == "verify" else size) if name.endswith(("many points", "of the file")) else ONE
    machine.write_text({"csv": 'points="p.csv"\n' + HEAD, "calibrate": HEAD + ONE}.get(kind, HEAD + points))
    other = {"csv": "p.csv", "calibrate": "c.csv", "plant": "plant.toml", "verify": "a.json"}.get(kind)
    Path(folder, other or machine.name).write_text(text(size), newline="")
    return kind, folder


def ask(kind, folder):
    """What reading comes to, in words."""
    try:
        if kind == "plant":
            read_works(Path(folder, "plant.toml"))
            return "read"
        problem = stackopt.read(Path(folder, "m.json" if kind == "json" else "m.toml"))
        if kind == "verify":
            held = stackopt.verify(problem, read_answer(str(Path(folder, "a.json"))))
            return f"{held.verdict}, in {len(str(held)):,} letters"
        if kind != "calibrate":
            return "read"
        answer = stackopt.calibrate(problem, Path(folder, "c.csv"))
        return f"answered in {len(str(answer)):,} and {len(json.dumps(answer.to_dict())):,} letters"
    except stackopt.ProblemError as error:
        return f"{len(error.faults):,} faults in {len(str(error)):,} letters: {str(error).splitlines()[0]}"[:150]


def _apart(work):
    """What a process of its own says, and its memory in MB."""
    reader, writer = os.pipe()
    pid = os.fork()
    if pid == 0:
        resource.setrlimit(resource.RLIMIT_CPU, (30, 40))
        resource.setrlimit(resource.RLIMIT_AS, (4 << 30, 4 << 30))
        began = time.process_time()
        try:
            said = work()
        except BaseException as error:
            said = f"!!! {type(error).__name__}: {error}"[:150]
        os.write(writer, f"{time.process_time() - began}\n{said}".encode("utf-8", "backslashreplace"))
        os._exit(0)
    os.close(writer)
    usage = os.wait4(pid, 0)[2]
    seconds, _, said = os.read(reader, 4096).decode().partition("\n")
    os.close(reader)
    return float(seconds or 99), usage.ru_maxrss / 1024, said or "!!! killed"


def main():
    """Read each kind and tell what it cost."""
    asked = argparse.ArgumentParser()
    asked.add_argument("words", nargs="*")
    asked.add_argument("--size", type=int, default=1_000_000)
    args = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder:  # what is loaded when first used is not the input's
        for name in ("toml points", "json points", "calibrate trials", "calibrate weighings", "plant machines",
                     "verify points of the file"):
            ask(*write(folder, name, 3000))
    over = []
    for name in KINDS:
        if args.words and not any(word in name for word in args.words):
            continue
        with tempfile.TemporaryDirectory() as folder:
            _apart(lambda folder=folder, name=name: write(folder, name, args.size))
            seconds, mb, said = _apart(lambda folder=folder, name=name: ask(KINDS[name][0], folder))
        line = f"{name:42} {seconds:6.2f} s {mb:5.0f} MB  {said.replace(folder, '')}"
        print(line, flush=True)
        if seconds > SECONDS or mb > MB or said.startswith("!!!"):
            over.append(line)
    print(f"{len(over)} over {SECONDS:g} s or {MB} MB", *over, sep="\n")
    sys.exit(bool(over))


if __name__ == "__main__":
    main()
