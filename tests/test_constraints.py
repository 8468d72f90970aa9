"""Kinds of constraints: what their rows say, that `holds` means the same, their faults; kinds of other packages."""

import functools
import json
import math
import os
import re
import shutil
import subprocess
import sys
import tomllib
from itertools import product
from pathlib import Path
from typing import get_args

import jsonschema
import oracle
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from strategies import cases, raw

import stackopt
from stackopt.errors import ProblemError
from stackopt.optimise.proving import written
from stackopt.problem.constraints import Chosen, Machine, kinds, read_constraint
from stackopt.problem.rules import machine_of
from stackopt.stack import Stack

HERE = Path(__file__).parent
MANY = settings().max_examples
SLACK = 1e-9


def ofs(kind):
    """What a kind can be about."""
    return get_args(kinds()[kind].model_fields["of"].annotation)


# The rows in the model, as text

TINY = """
[fluid]
kind = "neat oil"
[generator]
rate = { min = "10/min", max = "20/min", step = "10/min" }
[pumps.P]
stroke_volume = "0.03 mL"
marks = { "1" = 0.5 }
[pumps.Q]
stroke_volume = "0.03 mL"
marks = { "2" = 1.0 }
[nozzles.n]
turns = [1, 2]
flow = ["10 L/min", "20 L/min"]
[air]
pressure = "6 bar"
capacity = "50 L/min"
[[point]]
name = "a"
dose = "18 mL/h"
tolerance = "10 %"
pump = ["P", "Q"]
nozzle = "n"
air_flow = { min = "10 L/min" }
[[point]]
name = "b"
dose = "18 mL/h"
tolerance = "10 %"
pump = ["P", "Q"]
nozzle = "n"
air_flow = { min = "10 L/min" }
"""

# In each file: v2 is the rate; v4 and v5 pick stroke (Q, 2) and (P, 1) of a, v7 and v8 its turns 1 and 2, v10 and v11
# are the rate times v4 and v5; v27 and v28, v30 and v31, v33 and v34 are the same of b. A dose is 0.03 v10 + 0.015 v11
# mL/min, air is 10 v7 + 20 v8 L/min. Every row of a rule is scaled so that its largest coefficient is 100.
GOLDEN = {
    # air:   10 v7 + 20 v8 + 10 v30 + 20 v31, 20 to 30 L/min; times 5
    # dose:  0.03 v10 + 0.015 v11 + 0.03 v33 + 0.015 v34 >= 30 mL/h = 0.5 mL/min; times 100 / 0.03, so >= 1666.67
    # turns: 2 (v7 + 2 v8) + v30 + 2 v31 <= 5; times 25
    "total": [{"of": "air", "min": "20 L/min", "max": "30 L/min"}, {"of": "dose", "min": "30 mL/h"},
              {"of": "turns", "max": 5, "times": {"a": 2}}],
    # v5 = v28 and v4 = v27 for the marks, in the same words for the pumps; v7 = v30 and v8 = v31 for the turns
    "same": [{"of": "mark"}, {"of": "pump"}, {"of": "turns"}],
    # a is set to mark 2: v4 >= 1; b has pump P: v28 >= 1; both have 1 turn: v7 >= 1, v30 >= 1; the rate v2 = 20, twice
    "fix": [{"of": "mark", "at": "2", "over": "a"}, {"of": "pump", "at": "P", "over": "b"}, {"of": "turns", "at": 1},
            {"of": "rate", "at": "20/min"}],
    # never mark 1: v5 <= 0 and v28 <= 0; b never pump Q: v27 <= 0; a neither 1 nor 2 turns: v7 + v8 <= 0, impossible
    "forbid": [{"of": "mark", "at": ["1"]}, {"of": "pump", "at": ["Q"], "over": "b"},
               {"of": "turns", "at": [1, 2], "over": "a"}],
    # for each label a variable u of its own, u >= v of a and of b where they have that label; sum of u <= 1 (turns: 2)
    "distinct": [{"of": "mark", "max": 1}, {"of": "pump", "max": 1}, {"of": "turns", "max": 2}],
    # dose of a less dose of b at most 6 mL/h = 0.1 mL/min: 0.03 v10 + 0.015 v11 - 0.03 v33 - 0.015 v34 <= 0.1, scaled
    # by 100 / 0.03 to <= 333.33; air of a at least 10 L/min more than of b, times 5; turns of b less those of a from
    # 0 to 1, times 50
    "compare": [{"of": "dose", "first": "a", "second": "b", "max": "6 mL/h"},
                {"of": "air", "first": "a", "second": "b", "min": "10 L/min"},
                {"of": "turns", "first": "b", "second": "a", "min": 0, "max": 1}],
    # dose of a at least half of b's: 0.03 v10 + 0.015 v11 - 0.015 v33 - 0.0075 v34 >= 0, and at most 2 times b's:
    # 0.03 v10 + 0.015 v11 - 0.06 v33 - 0.03 v34 <= 0; air of b at most 1.5 times a's:
    # 10 v30 + 20 v31 - 15 v7 - 30 v8 <= 0, times 100 / 30
    "ratio": [{"of": "dose", "first": "a", "second": "b", "min": 0.5, "max": 2},
              {"of": "air", "first": "b", "second": "a", "max": 1.5}],
}  # fmt: skip


def tiny(kind):
    return tomllib.loads(TINY) | {"constraint": [
        {"name": f"{kind} {rule['of']}", "kind": kind, **rule} for rule in GOLDEN[kind]]}  # fmt: skip


def plain(text):
    """A model's lines without what the versions of the library write differently: breaks, blanks, digits, order."""
    lines = []
    for line in text.splitlines():
        line = re.sub(r"\d+\.\d+(e[-+]?\d+)?|\d+e[-+]?\d+", lambda m: f"{float(m[0]):.10g}", " ".join(line.split()))
        if line and lines and re.match(r"[-+] ", line):
            lines[-1] += " " + line
        elif line:
            lines.append(line)
    start = lines.index("Binaries")
    return lines[:start] + sorted(lines[start:])


@pytest.mark.parametrize("kind", GOLDEN)
def test_the_rows_are_those_that_were_checked_by_hand(kind):
    text = written(Stack.of(stackopt.Problem(**tiny(kind))))
    assert plain(text) == plain((HERE / "golden" / f"{kind}.lp").read_text("utf-8"))


def test_every_kind_is_in_everything_that_lists_kinds():
    assert set(GOLDEN) == set(kinds()) == {file.stem for file in (HERE / "golden").iterdir()}
    listed = stackopt.schema()["properties"]["constraint"]["items"]["oneOf"]
    assert sorted(kind["properties"]["kind"]["const"] for kind in listed) == sorted(kinds())
    for kind in kinds():
        assert {rule["of"] for rule in GOLDEN[kind]} == set(ofs(kind)), kind
        for of in ofs(kind):
            held = {expected for name, rule, _, expected in HOLDS if (name, rule["of"]) == (kind, of)}
            assert held == {True, False}, f"{kind} of {of}: no answer that keeps it and one that does not"


# Whether an answer keeps it. Points a, b, c; tags: left (a, b) and tap (b, c).

LABELS = {"pump": ("P", "Q"), "mark": ("1", "2", "3"), "turns": (0.5, 1.0, 2.0)}
MACHINE = Machine(dict.fromkeys("abc", LABELS), {"left": ("a", "b"), "tap": ("b", "c")}, {"drop": 0.02})
ANSWER = {  # doses in mL/min: 6, 12 and 24 mL/h
    "a": Chosen(pump="P", mark="1", turns=0.5, dose=0.1, air=10.0, rate=20.0),
    "b": Chosen(pump="Q", mark="1", turns=1.0, dose=0.2, air=25.0, rate=20.0),
    "c": Chosen(pump="Q", mark="2", turns=1.0, dose=0.4, air=40.0, rate=20.0),
}
ALIKE = {p: {"pump": "P", "mark": "2", "turns": 2.0} for p in "abc"}
B_FASTER = {"b": {"rate": 30.0}}
HOLDS = [
    # kind, keys, what is different in the answer, whether it holds
    # air: 10 + 25 + 40 = 75; left 35; tap 65; left or c: all, each once
    ("total", {"of": "air", "max": "75 L/min"}, {}, True),
    ("total", {"of": "air", "max": "74.999 L/min"}, {}, False),
    ("total", {"of": "air", "min": "75 L/min"}, {}, True),
    ("total", {"of": "air", "min": "75.001 L/min"}, {}, False),
    ("total", {"of": "air", "over": ["left"], "min": "34.9 L/min", "max": "35.1 L/min"}, {}, True),
    ("total", {"of": "air", "over": "tap", "max": "64.9 L/min"}, {}, False),
    ("total", {"of": "air", "over": ["left", "tap", "a"], "min": "75 L/min", "max": "75 L/min"}, {}, True),
    ("total", {"of": "air", "over": ["left", "c"], "max": "0.075 m^3/min"}, {}, True),
    # 2 * 10 + 25 + 40 = 85; tag: 10 + 3 * 65 = 205; a point's own factor before its tag's: 10 + 0 * 25 + 3 * 40 = 130
    ("total", {"of": "air", "times": {"a": 2}, "min": "85 L/min", "max": "85 L/min"}, {}, True),
    ("total", {"of": "air", "times": {"tap": 3}, "min": "205 L/min", "max": "205 L/min"}, {}, True),
    ("total", {"of": "air", "times": {"b": 0, "tap": 3}, "min": "130 L/min", "max": "130 L/min"}, {}, True),
    ("total", {"of": "air", "times": {"tap": 3, "b": 0}, "min": "130.01 L/min"}, {}, False),
    ("total", {"of": "air", "over": "left", "times": {"c": 9}, "max": "35 L/min"}, {}, True),  # c is not among them
    ("total", {"of": "air", "times": {"c": -1}, "min": "-5 L/min", "max": "-5 L/min"}, {}, True),  # 10 + 25 - 40
    ("total", {"of": "air", "times": {"c": -1}, "max": "-5.1 L/min"}, {}, False),
    # dose: 42 mL/h in all
    ("total", {"of": "dose", "max": "42 mL/h"}, {}, True),
    ("total", {"of": "dose", "max": "41.999 mL/h"}, {}, False),
    ("total", {"of": "dose", "over": "a", "min": "5 drop/min"}, {}, True),  # 5 drops of 0.02 mL
    ("total", {"of": "dose", "over": "a", "min": "5.01 drop/min"}, {}, False),
    # turns: 2.5 in all
    ("total", {"of": "turns", "min": 2.5, "max": 2.5}, {}, True),
    ("total", {"of": "turns", "min": 2.5}, {"a": {"turns": 0.25}}, False),
    ("same", {"of": "mark", "over": "left"}, {}, True),
    ("same", {"of": "mark", "over": "tap"}, {}, False),
    ("same", {"of": "mark"}, {}, False),
    ("same", {"of": "mark"}, ALIKE, True),
    ("same", {"of": "mark", "over": "c"}, {}, True),
    ("same", {"of": "turns", "over": ["b", "c"]}, {}, True),
    ("same", {"of": "turns", "over": ["a", "tap"]}, {}, False),
    ("same", {"of": "pump", "over": "tap"}, {}, True),
    ("same", {"of": "pump", "over": "left"}, {}, False),
    ("fix", {"of": "mark", "at": "1", "over": "left"}, {}, True),
    ("fix", {"of": "mark", "at": "1"}, {}, False),
    ("fix", {"of": "turns", "at": 1, "over": "tap"}, {}, True),
    ("fix", {"of": "turns", "at": 1, "over": ["tap", "a"]}, {}, False),
    ("fix", {"of": "pump", "at": "P", "over": "a"}, {}, True),
    ("fix", {"of": "pump", "at": "P", "over": "left"}, {}, False),
    ("fix", {"of": "rate", "at": "20/min"}, {}, True),
    ("fix", {"of": "rate", "at": "20/min"}, B_FASTER, False),
    ("fix", {"of": "rate", "at": "30/min", "over": "b"}, B_FASTER, True),
    ("fix", {"of": "rate", "at": "0.5/s", "over": "b"}, B_FASTER, True),
    ("fix", {"of": "rate", "at": "30/min", "over": "tap"}, B_FASTER, False),
    ("forbid", {"of": "mark", "at": ["3"]}, {}, True),
    ("forbid", {"of": "mark", "at": ["3", "2"]}, {}, False),
    ("forbid", {"of": "mark", "at": ["2"], "over": "left"}, {}, True),
    ("forbid", {"of": "turns", "at": [2, 0.5], "over": "tap"}, {}, True),
    ("forbid", {"of": "turns", "at": [2, 0.5]}, {}, False),
    ("forbid", {"of": "pump", "at": ["P"], "over": "tap"}, {}, True),
    ("forbid", {"of": "pump", "at": ["P"]}, {}, False),
    ("distinct", {"of": "mark", "max": 2}, {}, True),
    ("distinct", {"of": "mark", "max": 1}, {}, False),
    ("distinct", {"of": "mark", "max": 2}, {"a": {"mark": "3"}}, False),
    ("distinct", {"of": "mark", "max": 1, "over": "left"}, {}, True),
    ("distinct", {"of": "turns", "max": 2}, {}, True),
    ("distinct", {"of": "turns", "max": 1, "over": ["a", "b"]}, {}, False),
    ("distinct", {"of": "pump", "max": 1, "over": "tap"}, {}, True),
    ("distinct", {"of": "pump", "max": 1}, {}, False),
    # doses of c and a: 24 - 6 = 18 mL/h; of the tags: 18 - 36 = -18 mL/h, b counting on both sides
    ("compare", {"of": "dose", "first": "c", "second": "a", "min": "18 mL/h"}, {}, True),
    ("compare", {"of": "dose", "first": "c", "second": "a", "min": "18.001 mL/h"}, {}, False),
    ("compare", {"of": "dose", "first": "c", "second": "a", "max": "17.999 mL/h"}, {}, False),
    ("compare", {"of": "dose", "first": "left", "second": "tap", "min": "-18 mL/h", "max": "-18 mL/h"}, {}, True),
    ("compare", {"of": "dose", "first": "left", "second": "tap", "min": "-17.9 mL/h"}, {}, False),
    ("compare", {"of": "dose", "first": "tap", "second": "left", "min": "18 mL/h", "max": "18 mL/h"}, {}, True),
    ("compare", {"of": "air", "first": "b", "second": "a", "min": "15 L/min", "max": "15 L/min"}, {}, True),
    ("compare", {"of": "air", "first": "b", "second": "a", "max": "14.9 L/min"}, {}, False),
    ("compare", {"of": "air", "first": "c", "second": "left", "max": "5 L/min"}, {}, True),  # 40 - 35
    ("compare", {"of": "turns", "first": "a", "second": "b", "min": -0.5, "max": 0}, {}, True),
    ("compare", {"of": "turns", "first": "a", "second": "b", "min": -0.4}, {}, False),
    # doses of c and a: 24 : 6 = 4; of tap and left: 36 : 18 = 2
    ("ratio", {"of": "dose", "first": "c", "second": "a", "min": 4, "max": 4}, {}, True),
    ("ratio", {"of": "dose", "first": "c", "second": "a", "min": 4.01}, {}, False),
    ("ratio", {"of": "dose", "first": "c", "second": "a", "max": 3.99}, {}, False),
    ("ratio", {"of": "dose", "first": "tap", "second": "left", "min": 1.99, "max": 2.01}, {}, True),
    ("ratio", {"of": "air", "first": "b", "second": "a", "min": 2.5, "max": 2.5}, {}, True),
    ("ratio", {"of": "air", "first": "b", "second": "a", "max": 2.49}, {}, False),
    ("ratio", {"of": "air", "first": "a", "second": "tap", "max": 0.154}, {}, True),  # 10 : 65 = 0.1538
    ("ratio", {"of": "air", "first": "a", "second": "tap", "max": 0.153}, {}, False),
]


def altered(changes):
    return {name: chosen._replace(**changes.get(name, {})) for name, chosen in ANSWER.items()}


@pytest.mark.parametrize(("kind", "keys", "changes", "expected"), HOLDS, ids=range(len(HOLDS)))
def test_an_answer_keeps_a_rule_or_not(kind, keys, changes, expected):
    rule = read_constraint({"kind": kind, **keys})
    assert list(rule.faults(MACHINE)) == []
    assert rule.holds(MACHINE, altered(changes)) is expected


@pytest.mark.parametrize(
    ("keys", "size"),
    [  # the size of the numbers that are compared: of the sum's parts and its bound
        ({"kind": "total", "of": "air", "KEY": "75 L/min"}, 75 + 75),
        ({"kind": "total", "of": "dose", "KEY": "42 mL/h"}, 0.7 + 0.7),
        ({"kind": "total", "of": "turns", "KEY": 2.5}, 2.5 + 2.5),
        ({"kind": "compare", "of": "air", "first": "c", "second": "a", "KEY": "30 L/min"}, 50 + 30),
        ({"kind": "compare", "of": "dose", "first": "c", "second": "a", "KEY": "18 mL/h"}, 0.5 + 0.3),
        ({"kind": "ratio", "of": "air", "first": "c", "second": "a", "KEY": 4}, 80),
        ({"kind": "ratio", "of": "dose", "first": "c", "second": "a", "KEY": 4}, 0.8),
    ],
    ids=str,
)
@pytest.mark.parametrize("bound", ["min", "max"])
def test_a_bound_may_be_missed_by_rounding_and_by_no_more(keys, size, bound):
    rule = read_constraint({bound if key == "KEY" else key: value for key, value in keys.items()})
    for far, expected in ((-2.0, True), (0.0, True), (0.5, True), (2.0, False)):
        step = far * SLACK * size * (1 if bound == "max" else -1)  # of c, beyond the bound where far is above 0
        answer = altered({"c": {rule.of: getattr(ANSWER["c"], rule.of) + step}})
        assert rule.holds(MACHINE, answer) is expected, far


def test_names_and_tags_are_points_once_each():
    rule = {"kind": "same", "of": "mark", "over": ["tap", "b", "left", "tap"]}
    assert MACHINE.points(read_constraint(rule).over) == ("a", "b", "c")
    assert MACHINE.points(read_constraint(rule | {"over": "tap"}).over) == ("b", "c")
    assert MACHINE.points(None) == ("a", "b", "c")
    total = {"kind": "total", "of": "air", "over": ["tap", "a"], "times": {"left": 2}, "max": "1 L/min"}
    assert read_constraint(total).names() == ("tap", "a", "left")
    ratio = read_constraint({"kind": "ratio", "of": "air", "first": "tap", "second": "a", "max": 1})
    assert ratio.names() == ("tap", "a")


# Rows and `holds` mean the same


def kept_by_rows(rows, answer):
    """Whether an answer satisfies rows, with some values of their own variables."""
    rows = list(rows)
    keys = sorted({term[1] for row in rows for _, term in row.terms if term[0] == "any"}, key=str)

    def number(term, own):
        what, *rest = term
        if what == "any":
            return own[rest[0]]
        chosen = answer[rest[0]]
        return float(getattr(chosen, rest[1]) == rest[2]) if what == "is" else getattr(chosen, what)

    def met(row, own):
        parts = [factor * number(term, own) for factor, term in row.terms]
        size, total = sum(map(abs, parts)), math.fsum(parts)
        return (row.low is None or total >= row.low - SLACK * (size + abs(row.low))) and (
            row.high is None or total <= row.high + SLACK * (size + abs(row.high)))  # fmt: skip

    return any(all(met(row, dict(zip(keys, values, strict=True))) for row in rows)
               for values in product((0, 1), repeat=len(keys)))  # fmt: skip


@st.composite
def ruled_cases(draw):
    """A tiny machine with tags and one rule about what one of its settings does, and two rates."""
    case = draw(cases(limits={1: (2, 3, 3), 2: (2, 2, 2), 3: (1, 2, 2)}))
    points = [{**point, "tags": draw(st.sampled_from(([], ["left"], ["tap"], ["left", "tap"])))}
              for point in case["points"]]  # fmt: skip
    case = {**case, "points": points}
    rates = draw(st.lists(st.sampled_from(oracle.rates(case)), min_size=2, max_size=2))
    names = [point["name"] for point in points]
    named = st.sampled_from([*names, *sorted({tag for point in points for tag in point["tags"]})])
    overs = st.none() | st.lists(named, min_size=1, max_size=2)
    kind = draw(st.sampled_from(sorted(kinds())))
    rule = {"kind": kind, "of": draw(st.sampled_from(ofs(kind)))}
    if kind in ("compare", "ratio"):
        rule |= {"first": draw(named), "second": draw(named)}
    elif over := draw(overs):
        rule["over"] = over
    if kind == "total" and draw(st.booleans()):
        rule["times"] = {draw(named): draw(st.sampled_from((0.0, 0.5, 2.0, -1.0)))}
    setting = {p["name"]: draw(st.sampled_from(oracle.options(case, p))) for p in points}
    if kind in ("total", "compare", "ratio"):
        ends = sorted(level(case, rule, rates, setting) * draw(st.sampled_from((0.5, 0.9, 1.0, 1.0, 1.1, 2.0)))
                      for _ in range(2))  # fmt: skip
        rule |= draw(st.sampled_from(({"min": ends[0]}, {"max": ends[1]}, {"min": ends[0], "max": ends[1]})))
    elif kind == "distinct":
        rule["max"] = draw(st.integers(1, 3))
    elif kind == "fix" and rule["of"] == "rate":
        rule["at"] = draw(st.sampled_from(rates))
    elif kind in ("fix", "forbid"):
        place = ("pump", "mark", "turns").index(rule["of"])
        known = sorted({o[place] for p in oracle.covered(case, rule.get("over")) for o in oracle.options(case, p)})
        some = draw(st.lists(st.sampled_from(known), min_size=1, max_size=2, unique=True))
        rule["at"] = some[0] if kind == "fix" else some
    return {**case, "constraints": [rule]}, rates


def level(case, rule, rates, setting):
    """A number for a bound that may be met just so: what the rule is about, of one setting; at least 0.001."""
    of, at = rule["of"], dict.fromkeys(setting, rates[0])

    def total(names, times):
        found = 0.0
        for point in oracle.covered(case, names):
            does = {"dose": 60 * oracle.part(case, point, at[point["name"]], setting[point["name"]])["dose"],
                    "air": oracle.flow_at(case, point, setting[point["name"]][2]),
                    "turns": setting[point["name"]][2]}  # fmt: skip
            found += times.get(point["name"], 1.0) * does[of]
        return found

    if rule["kind"] == "total":
        found = total(rule.get("over"), rule.get("times") or {})
    else:
        one, other = total([rule["first"]], {}), total([rule["second"]], {})
        found = one / other if rule["kind"] == "ratio" and other else one - other
    return found if found >= 0.001 else 1.0


@settings(max_examples=10 * MANY)
@given(ruled_cases())
def test_rows_and_holds_and_a_second_reading_mean_the_same(drawn):
    case, rates = drawn
    problem = stackopt.Problem(**raw(case))
    (rule,), machine = problem.constraint, machine_of(problem)
    points, rows = oracle.in_order(case), list(rule.rows(machine))
    for choice in product(*(oracle.options(case, point) for point in points)):
        for at in {(rate,) * len(points) for rate in rates} | {(rates[0], *rates[1:] * (len(points) - 1))}:
            answer, by_name, setting = {}, {}, {}
            for point, option, rate in zip(points, choice, at, strict=True):
                name, dose = point["name"], oracle.part(case, point, rate, option)["dose"]
                answer[name] = Chosen(*option, dose, oracle.flow_at(case, point, option[2]), rate)
                by_name[name], setting[name] = rate, option
            held = rule.holds(machine, answer)
            assert held == oracle.keeps(case, case["constraints"][0], by_name, setting)
            assert held == kept_by_rows(rows, answer)


# Faults, each told once with its place

NAMED = TINY.replace('name = "b"', 'name = "b"\ntags = ["tap"]')
FIRST = NAMED.count("\n") + 1  # the line of [[constraint]]
TEXTS = {
    "total": ['kind = "total"', 'of = "air"', 'max = "30 L/min"', "over = 'tap'"],
    "same": ['kind = "same"', 'of = "mark"', "over = ['tap', 'a']"],
    "fix": ['kind = "fix"', 'of = "mark"', 'at = "1"', "over = 'a'"],
    "fix rate": ['kind = "fix"', 'of = "rate"', 'at = "20/min"'],
    "forbid": ['kind = "forbid"', 'of = "turns"', "at = [1]", "over = ['b', 'a']"],
    "distinct": ['kind = "distinct"', 'of = "turns"', "max = 1", "over = 'tap'"],
    "compare": ['kind = "compare"', 'of = "dose"', "first = 'tap'", "second = 'a'", 'max = "3 mL/h"'],
    "ratio": ['kind = "ratio"', 'of = "dose"', "first = 'tap'", "second = 'a'", "max = 3"],
}
# Of which kind, the line that is replaced and by what (None: it is left out), the fault's key, found and expected;
# `below` where it stands in another line than the one that is replaced.
BAD = [
    ("total", 0, 'kind = "totl"', "kind", "'totl'", "one of total, same, fix, forbid, distinct, compare, ratio"),
    ("total", 0, "kind = 3", "kind", "3", "one of total, same"),
    ("total", 0, "kind = ['total']", "kind", "a list of 1", "one of total, same"),
    ("total", 0, None, "kind", "nothing", "one of total, same"),
    ("total", 1, 'of = "mark"', "of", "'mark'", "'air', 'dose' or 'turns'"),
    ("total", 1, None, "of", "nothing", "the key 'of'"),
    ("total", 2, 'max = "30 mL"', "max", "'30 mL'", "a unit of air flow"),
    ("total", 2, 'max = "30 L/min"\nmin = "0"', "min", "'0'", "a unit of air flow"),
    ("total", 2, "max = 30", "max", "30", "as in '300 L/min'"),
    ("total", 2, "max = true", "max", "true", "a number, or text"),
    ("total", 2, "max = nan", "max", "nan", "a number that a machine can have"),
    ("total", 2, "max = []", "max", "a list of 0", "a number, or text"),
    ("total", 2, None, "", "neither min nor max", "one of them"),
    ("total", 2, 'max = "30 L/min"\nmin = "40 L/min"', "max", "'30 L/min'", "at least min, '40 L/min'"),
    ("total", 3, "over = 'taps'", "over", "'taps'", "the name or a tag of a point"),
    ("total", 3, "over = ['tap', 'c']", "over", "'c'", "the name or a tag of a point"),
    ("total", 3, "over = 3", "over", "3", "a name or a list of names"),
    ("total", 3, "over = []", "over", "a list of 0|an empty list", "at least one"),
    ("total", 3, "over = ['a', 7]", "over[2]", "7", "a name"),
    ("total", 3, "times = { c = 2 }", "times", "'c'", "the name or a tag of a point"),
    ("total", 3, "times = { a = '2' }", "times.a", "'2'", "a number"),
    ("total", 3, "times = { a = inf }", "times.a", "inf", "a finite number|at most"),
    ("total", 3, "times = 2", "times", "2", "a table"),
    ("total", 3, "ovr = 'tap'", "ovr", "an unknown key", "perhaps 'over'"),
    ("total", 3, "name = ''", "name", "''", "a name of 1 to 1000 characters"),
    ("total", 3, "name = 7", "name", "7", "a name"),
    ("same", 1, 'of = "rate"', "of", "'rate'", "'mark', 'turns' or 'pump'"),
    ("same", 1, None, "of", "nothing", "the key 'of'"),
    ("same", 2, "over = ['tap', 'x']", "over", "'x'", "the name or a tag of a point"),
    ("same", 2, "at = '1'", "at", "an unknown key", "perhaps"),
    ("fix", 1, 'of = "air"', "of", "'air'", "'mark', 'turns', 'pump' or 'rate'"),
    ("fix", 2, None, "at", "nothing", "the key 'at'"),
    ("fix", 2, "at = '3'", "at", "'3'", "mark of its points: 1, 2"),
    ("fix", 2, "at = 1", "at", "1", "mark of its points: 1, 2"),
    ("fix", 2, "at = ['1']", "at", "a list of 1", "a number, or text"),
    ("fix", 3, "over = 'x'", "over", "'x'", "the name or a tag of a point"),
    ("fix", 3, "of_ = 'x'", "of_", "an unknown key", "perhaps 'of'"),
    ("fix rate", 2, "at = 20", "at", "20", "as in '20/min'"),
    ("fix rate", 2, 'at = "20 rpm"', "at", "'20 rpm'", "as in '20/min'"),
    ("fix rate", 2, 'at = "20"', "at", "'20'", "as in '20/min'"),
    ("fix rate", 2, 'at = "15/min"', "at", "'15/min'", "a rate of the dial"),
    ("fix rate", 2, 'at = "30/min"', "at", "'30/min'", "a rate of the dial"),
    ("forbid", 1, 'of = "rate"', "of", "'rate'", "'mark', 'turns' or 'pump'"),
    ("forbid", 2, "at = [1, 3]", "at", "3", "turns of its points: 1.0, 2.0|turns of its points: 1, 2"),
    ("forbid", 2, "at = ['1']", "at", "'1'", "turns of its points"),
    ("forbid", 2, "at = []", "at", "a list of 0", "at least one"),
    ("forbid", 2, "at = [true]", "at[1]", "true", "a number, or text"),
    ("forbid", 3, "max = 3", "max", "an unknown key", "perhaps"),
    ("distinct", 2, "max = 0", "max", "0", "at least 1"),
    ("distinct", 2, "max = 1.5", "max", "1.5", "a whole number"),
    ("distinct", 2, "max = '1'", "max", "'1'", "a whole number"),
    ("distinct", 2, "max = true", "max", "true", "a whole number"),
    ("distinct", 2, None, "max", "nothing", "the key 'max'"),
    ("distinct", 3, "over = 'x'", "over", "'x'", "the name or a tag of a point"),
    ("distinct", 3, "min = 1", "min", "an unknown key", "perhaps"),
    ("compare", 2, "first = 'x'", "first", "'x'", "the name or a tag of a point"),
    ("compare", 3, "second = 'x'", "second", "'x'", "the name or a tag of a point"),
    ("compare", 2, "first = ['tap']", "first", "a list of 1", "a name"),
    ("compare", 3, None, "second", "nothing", "the key 'second'"),
    ("compare", 4, None, "", "neither min nor max", "one of them"),
    ("compare", 4, "max = 3", "max", "3", "as in '12 mL/h'"),
    ("compare", 4, 'max = "3 g/h"', "max", "'3 g/h'", "density"),
    ("compare", 4, 'max = "3 drop/min"', "max", "'3 drop/min'", "drop"),
    ("compare", 4, 'max = "3 bar"', "max", "'3 bar'", "a unit of dose, as in '12 mL/h'"),
    ("compare", 4, 'max = "3 mL/h"\nmin = "4 mL/h"', "max", "'3 mL/h'", "at least min, '4 mL/h'"),
    ("compare", 4, 'max = "3 mL/h"\nover = "a"', "over", "an unknown key", "perhaps"),
    ("ratio", 1, 'of = "turns"', "of", "'turns'", "'dose' or 'air'"),
    ("ratio", 2, "first = 'x'", "first", "'x'", "the name or a tag of a point"),
    ("ratio", 4, 'max = "3 mL/h"', "max", "'3 mL/h'", "a number"),
    ("ratio", 4, "max = 3\nmin = 4", "max", "3", "at least min, 4"),
    ("ratio", 4, None, "", "neither min nor max", "one of them"),
    ("ratio", 4, "max = inf", "max", "inf", "a number that a machine can have"),
]


def faults_of(folder, text):
    file = folder / "machine.toml"
    file.write_text(text, "utf-8")
    with pytest.raises(ProblemError) as caught:
        stackopt.read(file)
    return caught.value.faults


@pytest.mark.parametrize("name", TEXTS)
def test_the_rules_that_are_made_wrong_here_are_right_themselves(tmp_path, name):
    file = tmp_path / "machine.toml"
    file.write_text(NAMED + "[[constraint]]\n" + "\n".join(TEXTS[name]), "utf-8")
    assert stackopt.read(file).constraint[0].kind == name.split()[0]


@pytest.mark.parametrize(("name", "at", "line", "key", "found", "expected"), BAD,
                         ids=[f"{n}: {row[0]}, {row[2]!r}" for n, row in enumerate(BAD)])  # fmt: skip
def test_a_wrong_key_is_one_fault_with_its_line(tmp_path, name, at, line, key, found, expected):
    lines = list(TEXTS[name])
    lines[at : at + 1] = [] if line is None else line.split("\n")
    (fault,) = faults_of(tmp_path, NAMED + "[[constraint]]\n" + "\n".join(lines) + "\n")
    assert fault.key == ("constraint[1]" + (f".{key}" if key else ""))
    word = re.split(r"[.\[]", key)[0]
    stands = [n for n, text in enumerate(lines, FIRST + 1) if text.startswith(f"{word} =")]
    assert fault.line == (stands[0] if stands and word else FIRST), (fault.line, stands)
    assert any(part in fault.found for part in found.split("|")), fault
    assert any(part in fault.expected for part in expected.split("|")), fault
    assert not re.search("pydantic|Input should|after validation|Tuple", fault.expected), fault


def test_every_kind_is_made_wrong_here():
    assert {TEXTS[row[0]][0] for row in BAD} == {f'kind = "{kind}"' for kind in kinds()}


def test_two_rules_of_one_name_and_a_bad_rule_beside_another_fault_are_all_told(tmp_path):
    one = "[[constraint]]\nname = 'left'\n" + "\n".join(TEXTS["total"]) + "\n"  # six lines each
    text = NAMED.replace('pressure = "6 bar"', "pressure = 6") + one + one + one.replace("30 L/min", "30 mL")
    wrong = [(f.line, f.key) for f in faults_of(tmp_path, text)]
    pressure = NAMED[: NAMED.index("pressure")].count("\n") + 1
    assert wrong == [(pressure, "air.pressure"), (FIRST + 7, "constraint[2].name"), (FIRST + 13, "constraint[3].name"),
                     (FIRST + 16, "constraint[3].max")]  # fmt: skip


def test_rules_without_a_name_are_numbered_and_names_do_not_collide():
    data = tomllib.loads(NAMED)
    rule = {"kind": "same", "of": "mark"}
    data["constraint"] = [rule, rule | {"name": "constraint 1"}, rule]
    stack = Stack.of(stackopt.Problem(**data))
    assert len(stack.rules) == 3


# The schema


@functools.cache
def checker():
    return jsonschema.Draft202012Validator(json.loads(json.dumps(stackopt.schema(), allow_nan=False)))


@pytest.mark.parametrize("kind", GOLDEN)
def test_the_schema_accepts_every_rule_that_is_read(kind):
    assert list(checker().iter_errors(tiny(kind))) == []
    for name, keys, _, _ in HOLDS:
        if name == kind:
            assert checker().is_valid(tomllib.loads(TINY) | {"constraint": [{"kind": kind, **keys}]}), keys


def of_keys(row):
    """Whether a fault is one of a key alone, so that a schema can tell: not of units, labels, points or two keys."""
    return not re.search("unit|as in|name or a tag|its points|dial|one of them|least min|density|drop|machine|finite",
                         row[5]) and row[5] != "a number"  # fmt: skip


@pytest.mark.parametrize("row", [row for row in BAD if of_keys(row)], ids=lambda row: f"{row[0]}, {row[2]!r}")
def test_the_schema_refuses_wrong_keys(row):
    name, at, line, *_ = row
    lines = list(TEXTS[name])
    lines[at : at + 1] = [] if line is None else line.split("\n")
    data = tomllib.loads(NAMED + "[[constraint]]\n" + "\n".join(lines) + "\n")
    assert not checker().is_valid(data)


# Kinds of other packages


def installed(folder, name="stackopt_few:Few", kind=None, module=None):
    """A folder in which the example package is as an installer leaves it: its module and its entry points."""
    folder.mkdir()
    shutil.copy(HERE / "extra_kind" / "stackopt_few.py", folder)
    if module is not None:
        (folder / "stackopt_few.py").write_text(module, "utf-8")
    group = "stackopt.constraints"
    package = tomllib.loads((HERE / "extra_kind" / "pyproject.toml").read_text("utf-8"))
    assert package["project"]["entry-points"] == {group: {"few": "stackopt_few:Few"}}
    info = folder / "stackopt_few-0.1.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: stackopt-few\nVersion: 0.1\n")
    (info / "entry_points.txt").write_text(f"[{group}]\n{kind or 'few'} = {name}\n")
    return folder


def run(folder, *words):
    environment = {**os.environ, "PYTHONPATH": str(folder)}
    return subprocess.run([sys.executable, "-m", "stackopt", *map(str, words)], env=environment, capture_output=True,
                          text=True, timeout=60, check=False)  # fmt: skip


FEW = NAMED + "[[constraint]]\nkind = 'few'\nof = 'mark'\nat = '2'\nmax = MAX\nname = 'one strong mark'\n"


@pytest.mark.parametrize(("most", "marks"), [(2, ["2", "2"]), (1, ["1", "2"]), (0, ["1", "1"])])
def test_a_kind_of_an_installed_package_is_solved_and_judged(tmp_path, most, marks):
    # The rate is fixed to 10/min, where mark 2 of pump Q gives the 18 mL/h that are asked for, mark 1 of P half of it.
    file = tmp_path / "machine.toml"
    rate = "[[constraint]]\nkind = 'fix'\nof = 'rate'\nat = '10/min'\n"
    file.write_text(FEW.replace("MAX", str(most)) + rate, "utf-8")
    told = run(installed(tmp_path / "site"), "solve", file, "--json")
    answer = json.loads(told.stdout)
    assert told.returncode == (0 if most == 2 else 3), told.stderr
    assert answer["status"] == "optimal" and sorted(point["mark"] for point in answer["points"]) == marks


def test_without_the_package_its_kind_is_unknown(tmp_path):
    (fault,) = faults_of(tmp_path, FEW.replace("MAX", "1"))
    assert fault.key == "constraint[1].kind" and fault.expected.endswith("compare, ratio")


def test_a_wrong_key_of_an_installed_kind_is_told_as_any(tmp_path):
    file = tmp_path / "machine.toml"
    file.write_text(FEW.replace("MAX", "-1") + "ovr = 'a'\n", "utf-8")
    told = run(installed(tmp_path / "site"), "solve", file)
    assert told.returncode == 2 and "Traceback" not in told.stderr
    assert told.stderr.splitlines() == [
        f"{file}: line {FIRST + 4}, constraint[1].max: found -1; expected a number of at least 0",
        f"{file}: line {FIRST + 6}, constraint[1].ovr: found an unknown key; expected perhaps 'over'",
    ]


def test_the_schema_and_faults_list_an_installed_kind(tmp_path):
    site = installed(tmp_path / "site")
    found = json.loads(run(site, "schema").stdout)["properties"]["constraint"]["items"]["oneOf"]
    assert [kind["properties"]["kind"]["const"] for kind in found] == [*kinds(), "few"]
    file = tmp_path / "machine.toml"
    file.write_text(NAMED + "[[constraint]]\nkind = 'fw'\n", "utf-8")
    assert "ratio, few" in run(site, "solve", file).stderr


@pytest.mark.parametrize(
    ("broken", "said"),
    [
        ({"module": "import no_such_module\n"}, "'few' cannot be loaded: No module named 'no_such_module'"),
        ({"module": "class Few(\n"}, "'few' cannot be loaded"),
        ({"module": "1 / 0\n"}, "'few' cannot be loaded: division by zero"),
        ({"name": "stackopt_few:More"}, "'few' cannot be loaded"),
        ({"name": "stackopt_few:Names"}, "'few' of stackopt_few:Names is no new kind of Constraint"),
        ({"module": "class Few:\n    kind = 'few'\n"}, "'few' of stackopt_few:Few is no new kind of Constraint"),
        ({"kind": "total"}, "'total' of stackopt_few:Few is no new kind of Constraint"),
    ],
    ids=["missing import", "no Python", "error", "no such class", "no class", "no subclass", "name of a built-in"],
)
def test_a_broken_package_is_one_clear_message(tmp_path, broken, said):
    site = installed(tmp_path / "site", **broken)
    file = tmp_path / "machine.toml"
    file.write_text(FEW.replace("MAX", "1"), "utf-8")
    told = run(site, "solve", file, "--json")
    (line,), answer = told.stderr.splitlines(), json.loads(told.stdout)
    assert told.returncode == answer["exit"] == 1
    assert said in line and said in answer["faults"][0]["found"]


def test_the_schema_of_a_broken_package_is_one_clear_message(tmp_path):
    told = run(installed(tmp_path / "site", module="1 / 0\n"), "schema")
    assert (told.returncode, told.stdout) == (1, "")
    assert "'few' cannot be loaded: division by zero" in told.stderr and told.stderr.count("\n") == 1


def test_a_broken_package_does_not_matter_to_files_that_do_not_use_it(tmp_path):
    site = installed(tmp_path / "site", module="1 / 0\n")
    file = tmp_path / "machine.toml"
    file.write_text(NAMED + "[[constraint]]\n" + "\n".join(TEXTS["same"]), "utf-8")
    assert run(site, "solve", file).returncode == 0


if __name__ == "__main__":  # writes the files anew; look at what changed before keeping it
    for one in GOLDEN:
        (HERE / "golden" / f"{one}.lp").write_text(written(Stack.of(stackopt.Problem(**tiny(one)))), "utf-8")
