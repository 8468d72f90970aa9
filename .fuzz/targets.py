"""What is asked of every input: read, or refused as a wrong file; never a silent reading.

Each target takes bytes. Used by tests/test_hostile.py in short, by run.py for as long as one likes.
"""

import re
from pathlib import Path

import stackopt
from stackopt import units
from stackopt.errors import HIDDEN
from stackopt.problem.files import Source, problem_in, text_of

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
TRIALS = b"point,rate,mark,turns,seen\na,15/min,1,1,sputter\na,15/min,1,2,good\n"


def same(one, other):
    """Whether two problems are the same, value for value and as written."""
    return one == other and one.to_dict() == other.to_dict()


def held(source):
    """The problem of a source, or None where it is refused; AssertionError where a promise is broken."""
    try:
        problem = problem_in(source)
    except stackopt.ProblemError as error:
        assert error.faults and all(fault.found and fault.expected for fault in error.faults)
        assert not HIDDEN.search(str(error).replace("\n", ""))
        problem = None
    if problem is not None:
        for name in ("again.toml", "again.json"):
            text = text_of(problem, name)
            assert same(problem_in(Source(name, text.encode())), problem), "a silent reading"
    return problem


def toml(data):
    """The bytes of a TOML file."""
    return held(Source("fuzz.toml", data))


def as_json(data):
    """The bytes of a JSON file."""
    return held(Source("fuzz.json", data))


def csv(data):
    """The bytes of the CSV file beside a right TOML file."""
    return held(Source("fuzz.toml", HEAD, data))


def calibration(data, folder):
    """The bytes of weighings or of spray trials."""
    problem = problem_in(Source("fuzz.toml", HEAD, SHEET))
    file = Path(folder) / "c.csv"
    file.write_bytes(data)
    try:
        return stackopt.calibrate(problem, file)
    except stackopt.ProblemError as error:
        assert error.faults and not HIDDEN.search(str(error).replace("\n", ""))


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
    return {"toml": [one, *problems, *spelled], "json": texts, "csv": sheets, "calibration": [WEIGHINGS, TRIALS]}
