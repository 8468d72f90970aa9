"""What is asked of every input: read, or refused as a wrong file; never a silent reading.

Each target takes bytes and a folder to write in. Used by tests/test_hostile.py in short, by run.py for as
long as one likes.
"""

import json
import re
from functools import cache
from pathlib import Path

import stackopt
from stackopt import units
from stackopt.errors import HIDDEN
from stackopt.fleet.against import change_of
from stackopt.fleet.plant_file import read_works
from stackopt.problem.files import Source, problem_in, text_of
from stackopt.verification.reading import read_answer

PROBLEMS = Path(__file__).parent.parent / "problems"
HEAD = b"""points = "p.csv"
[fluid]
kind = "neat oil"
density = "0.92 g/mL"
[generator]
rate = { min = "4/min", max = "60/min", step = "1/min" }
[pumps.standard]
stroke_volume = "0.06 mL"
marks = { "1" = 0.22, "2" = 0.58, "3" = 1.0 }
[pumps.mini]
stroke_volume = "0.02 mL"
marks = { "1" = 0.3, "2" = 1.0 }
[nozzles.small]
turns = [0, 1, 2]
flow = ["0 L/min", "20 L/min", "40 L/min"]
[air]
pressure = "6 bar"
capacity = "300 L/min"
"""
SHEET = b"name;dose;tolerance;pump;nozzle;air_flow.min;weight;cut.time;cut.strokes;tags\n" \
        b"a;12 mL/h;10 %;standard;small;15 L/min;2;2 s;1;x|y\nb;0.2 mL/min;0.1;standard|mini;small;10 L/min;;;;\n"
WEIGHINGS = b"pump;mark;strokes;mass;tare;balance\nstandard;1;300;14.652 g;11.040 g;2 mg\nmini;2;300;20.4 g;;\n"
PLANT = b"""title = "works"
hours = "80 h"
[supply]
capacity = "900 L/min"
pressure = "6 bar"
others = "100 L/min"
counted = "mean"
[[machine]]
file = "m.json"
count = 3
running = "80 %"
tags = ["a", "b"]
[[machine]]
file = "n.json"
name = "the other"
priority = 2
[[constraint]]
kind = "distinct"
of = "pump"
over = ["a", "the other"]
max = 1
[tank]
sizes = ["10 L", "20 L"]
refill_every = "40 h"
"""
TRIALS = b"point,rate,mark,turns,seen\na,15/min,1,1,sputter\na,15/min,1,2,good\n"


def same(one, other):
    """Whether two problems are the same, value for value and as written."""
    return one == other and one.to_dict() == other.to_dict()


def refused_or(ask):
    """What is answered, or None where it is refused: faults with all their parts, which a terminal may show."""
    try:
        return ask()
    except stackopt.ProblemError as error:
        assert error.faults and all(fault.found and fault.expected for fault in error.faults)
        assert not HIDDEN.search(str(error).replace("\n", ""))
        return None


def held(source):
    """The problem of a source, or None where it is refused; AssertionError where a promise is broken."""
    problem = refused_or(lambda: problem_in(source))
    if problem is not None:
        for name in ("again.toml", "again.json"):
            text = text_of(problem, name)
            assert same(problem_in(Source(name, text.encode())), problem), "a silent reading"
    return problem


def toml(data, folder=None):
    """The bytes of a TOML file."""
    return held(Source("fuzz.toml", data))


def as_json(data, folder=None):
    """The bytes of a JSON file."""
    return held(Source("fuzz.json", data))


def csv(data, folder=None):
    """The bytes of the CSV file beside a right TOML file."""
    return held(Source("fuzz.toml", HEAD, data))


def calibration(data, folder):
    """The bytes of weighings or of spray trials."""
    file = Path(folder) / "c.csv"
    file.write_bytes(data)
    return refused_or(lambda: stackopt.calibrate(machine(), file))


def plant(data, folder):
    """The bytes of a plant file beside one machine's file."""
    for name in ("m.json", "n.json"):
        if not (file := Path(folder) / name).exists():
            file.write_text(text_of(machine(), name))
    file = Path(folder) / "plant.toml"
    file.write_bytes(data)
    works = refused_or(lambda: read_works(file))
    assert works is None or (works.machines and works.capacity > works.others >= 0)
    return works


def answer(data, folder):
    """The bytes of an answer: to be verified, and as an older one that changes are counted against."""
    file = Path(folder) / "answer.json"
    file.write_bytes(data)
    told = refused_or(lambda: read_answer(str(file)))
    result = solved()
    change = change_of(result, data)
    assert change.unknown or change.saves is not None
    if told is not None:
        held = refused_or(lambda: stackopt.verify(machine(), told))
        # Whatever is said to hold has these figures: they are the best, and proved.
        assert held is None or held.exit_code or (
            told["objective"]["value"], told["rate_per_min"]) == (result.objective.value, result.rate)


@cache
def machine():
    """A right problem of two points."""
    return problem_in(Source("fuzz.toml", HEAD, SHEET))


@cache
def solved():
    """Its answer."""
    return stackopt.solve(machine())


def corpus():
    """Right files and every spelling of a unit: ({target: [bytes]})."""
    problems = sorted(file.read_bytes() for file in PROBLEMS.glob("*.toml"))
    sheets = [SHEET, *(file.read_bytes() for file in PROBLEMS.glob("*.csv"))]
    one = re.sub(rb'points = "p.csv"\n', b"", HEAD) + (
        b'[[point]]\nname = "a"\ndose = "12 mL/h"\ntolerance = 0.1\npump = "standard"\nnozzle = "small"\n'
        b'air_flow = { min = "15 L/min" }\n')  # fmt: skip
    spelled = [one.replace(example.encode(), f"{example.split(' ')[0].split('/')[0]} {unit}".encode())
               for kind, example in (("dose", "12 mL/h"), ("air flow", "15 L/min"), ("volume", "0.06 mL"),
                                     ("pressure", "6 bar"), ("density", "0.92 g/mL"))
               for unit in units.units_of(kind)]  # fmt: skip
    texts = [text_of(problem_in(Source("x.toml", data)), "x.json").encode()
             for data in (one, *problems) if b"points =" not in data]  # fmt: skip
    return {"toml": [one, *problems, *spelled], "json": texts, "csv": sheets, "calibration": [WEIGHINGS, TRIALS],
            "plant": [PLANT], "answer": [json.dumps(solved().to_dict(), indent=1).encode()]}  # fmt: skip


TARGETS = {"toml": toml, "json": as_json, "csv": csv, "calibration": calibration, "plant": plant, "answer": answer}
