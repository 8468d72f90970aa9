"""Whatever a library below raises is told as one of ours: exit 1 in clear words, never a traceback."""

import importlib
import json
import shutil
from pathlib import Path

import numpy as np
import pytest

import stackopt
from stackopt import errors, units
from stackopt.errors import ProblemError, SolverError, StackoptError
from stackopt.fleet import cluster

PROBLEMS = Path(__file__).parent.parent / "problems"
RAISED = [ValueError("odd"), RuntimeError("no convergence"), OSError(28, "no space left"), ImportError("no such file"),
          TypeError("a cast"), KeyError("b"), ZeroDivisionError("by 0"), np.linalg.LinAlgError("singular"),
          FloatingPointError("underflow"), AssertionError("no"), MemoryError(), RecursionError("too deep")]  # fmt: skip
SAID = {MemoryError: "out of memory", RecursionError: "nested too deeply"}
SYSTEM = {OSError: "the system refused something"}  # where it is nobody's
WEIGHED = "pump,mark,strokes,mass\n" + "".join(
    f"piston30,{mark},300,{mass} g\n" for mark, mass in (("1", 3.6), ("1", 3.7), ("2", 3.5), ("3", 6.4), ("3", 6.5)))
CONTRARY = "point,rate,mark,turns,seen\npilot 1,12/min,1,1,fog\npilot 1,12/min,1,2,sputter\n"
# Where a library is called: what to patch, the command that gets there, and what failed in our words.
CALLS = [
    ("pulp:LpProblem.solve", ["solve", "rules.toml"], "the solver highs"),
    ("highspy:Highs.run", ["solve", "rules.toml"], "the solver highs"),
    ("pulp:LpProblem", ["solve", "rules.toml"], "the solver"),
    ("pulp:HiGHS", ["solve", "rules.toml"], "the solver highs"),
    ("pulp:LpProblem.writeLP", ["solve", "drill-head.toml", "--lp", "new.lp"], "writing the model"),
    ("scipy.optimize:linprog", ["solve", "sizing-24.toml"], "the solver of the relaxation"),
    ("scipy.optimize:brentq", ["solve", "long-line.toml"], "the search for the stack's pressure"),
    ("scipy.interpolate:PchipInterpolator", ["solve", "vanishing.toml"], "the curve between turns"),
    ("scipy.optimize:isotonic_regression", ["calibrate", "w.toml", "weighed.csv", "--rising"], "the fit of rising"),
    ("scipy.optimize:milp", ["calibrate", "w.toml", "contrary.csv"], "the search for doubtful trials"),
    ("pint:UnitRegistry", ["solve", "drill-head.toml"], "the conversion of units"),
    ("tomli_w:dumps", ["solve", "short-air.toml", "--write", "new.toml"], "writing TOML"),
    ("jinja2:Environment", ["report", "drill-head.toml", "-o", "page.html"], "the page"),
    ("matplotlib.figure:Figure.savefig", ["report", "drill-head.toml", "-o", "page.html"], "the picture"),
]


def solved():
    return json.loads((PROBLEMS / "drill-head.answer.json").read_text())


@pytest.fixture
def folder(tmp_path, monkeypatch):
    for name in {words[1] for _, words, _ in CALLS} - {"w.toml"} | {"spindles.csv"}:
        shutil.copy(PROBLEMS / name, tmp_path)
    text = (PROBLEMS / "drill-head.toml").read_text()
    (tmp_path / "w.toml").write_text(text.replace("[fluid]", "[fluid]\ndensity = '0.92 g/mL'"))
    (tmp_path / "weighed.csv").write_text(WEIGHED)
    (tmp_path / "contrary.csv").write_text(CONTRARY)
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def break_it(monkeypatch):
    """Make what stands at "module:name" raise an error; units that were read before are forgotten."""

    def do(target, error):
        def fail(*args, **kwargs):
            raise error

        module, _, name = target.partition(":")
        owner = importlib.import_module(module)
        *path, last = name.split(".")
        for part in path:
            owner = getattr(owner, part)
        monkeypatch.setattr(owner, last, fail)
        forget()

    def forget():
        for cached in vars(units).values():
            if hasattr(cached, "cache_clear"):
                cached.cache_clear()

    yield do
    forget()


@pytest.mark.parametrize("error", RAISED, ids=lambda error: type(error).__name__)
def test_any_exception_of_a_library_becomes_ours_and_stays_its_cause(error):
    with pytest.raises(SolverError) as caught, errors.library("the solver", SolverError):
        raise error
    assert caught.value.__cause__ is error
    said = SAID.get(type(error), f"{type(error).__name__}: {error}")
    assert str(caught.value) == f"the solver failed: {said}"


@pytest.mark.parametrize("error", [ProblemError(()), StackoptError("x"), KeyboardInterrupt(), SystemExit(3)])
def test_our_own_errors_and_interruptions_pass_a_library_s_boundary(error):
    with pytest.raises(type(error)) as caught, errors.library("the solver"):
        raise error
    assert caught.value is error


@pytest.mark.parametrize("target,words,what,error", [(*call, RAISED[n % len(RAISED)]) for n, call in enumerate(CALLS)],
                         ids=[target for target, _, _ in CALLS])  # fmt: skip
def test_where_a_library_fails_the_command_ends_with_1_and_says_what_failed(
        folder, run, break_it, target, words, what, error):  # fmt: skip
    break_it(target, error)
    before = set(folder.iterdir())
    found = run(*words)
    assert found.code == 1 and f"{what}" in found.err, found
    assert " ".join(SAID.get(type(error), str(error)).split()) in " ".join(found.err.split())
    assert set(folder.iterdir()) == before  # nothing half written


@pytest.mark.parametrize("target,words,what", [call for call in CALLS if call[1][0] == "solve" and len(call[1]) == 2],
                         ids=lambda value: value if isinstance(value, str) else "")  # fmt: skip
def test_where_a_library_fails_python_gets_one_of_ours_with_the_cause(folder, break_it, target, words, what):
    error = RuntimeError("no convergence")
    break_it(target, error)
    with pytest.raises(StackoptError, match=what) as caught:
        result = stackopt.solve(stackopt.read(words[1]))
        assert result.conflicts
    assert caught.value.__cause__ is error


@pytest.mark.parametrize("error", [MemoryError(), RecursionError("too deep")], ids=lambda error: type(error).__name__)
@pytest.mark.parametrize("target,ask", [
    ("stackopt.problem.files:_parse", lambda: stackopt.read("drill-head.toml")),
    ("stackopt.problem.model:Problem.model_json_schema", stackopt.schema),
    ("stackopt.result:search", lambda: stackopt.solve(stackopt.read("drill-head.toml"))),
    ("stackopt.bands:rate_map", lambda: stackopt.rates(stackopt.read("drill-head.toml"))),
    ("stackopt.plans:trade", lambda: stackopt.tradeoff(stackopt.read("drill-head.toml"))),
    ("stackopt.groups:Ask", lambda: stackopt.split(stackopt.read("drill-head.toml"))),
    ("stackopt.result:search", lambda: stackopt.check(stackopt.read("today.toml"))),
    ("stackopt.today:fewest_changes", lambda: stackopt.keep(stackopt.read("today.toml"))),
    ("stackopt.calibration:read_rows", lambda: stackopt.calibrate(stackopt.read("w.toml"), "weighed.csv")),
    ("stackopt.tryout:try_rate", lambda: stackopt.at_rate(stackopt.read("drill-head.toml"), 20)),
    ("stackopt.verification.answer:Search", lambda: stackopt.verify(stackopt.read("drill-head.toml"), solved())),
    ("stackopt.fleet.works:chosen", lambda: stackopt.plant(PROBLEMS / "works" / "plant.toml", 1)),
    ("distributed:LocalCluster", lambda: next(cluster.spread(abs, [-1], "local", 1, 9.0))),
], ids=["read", "schema", "solve", "rates", "tradeoff", "split", "check", "keep", "calibrate", "at_rate", "verify",
        "plant", "cluster"])  # fmt: skip
def test_a_machine_at_its_limits_is_told_as_one_of_ours(folder, break_it, target, ask, error):
    shutil.copy(PROBLEMS / "today.toml", folder)
    break_it(target, error)
    with pytest.raises(StackoptError, match=SAID[type(error)]):
        ask()


@pytest.mark.parametrize("error", [MemoryError(), RecursionError("too deep")], ids=lambda error: type(error).__name__)
@pytest.mark.parametrize("target,ask", [
    ("stackopt.optimise.conflicts:rate_map", lambda result: result.conflicts),
    ("stackopt.optimise.conflicts:air_conflict", lambda result: result.needed_air),
    ("stackopt.result:advise", lambda result: result.advice),
    ("stackopt.result:search", lambda result: result.alternatives(1)),
    ("stackopt.result:what_if", lambda result: result.what_if()),
    ("stackopt.result:pin", lambda result: result.pins),
], ids=["conflicts", "needed_air", "advice", "alternatives", "what_if", "pins"])  # fmt: skip
def test_an_explanation_at_its_limits_is_told_as_one_of_ours(folder, break_it, target, ask, error):
    """What is searched for only when it is read, long after the answer."""
    result = stackopt.solve(stackopt.read("short-air.toml"))
    break_it(target, error)
    with pytest.raises(StackoptError, match=f"explaining failed: {SAID[type(error)]}") as caught:
        ask(result)
    assert caught.value.__cause__ is error


@pytest.mark.parametrize("file,target,what", [
    ("short-air.toml", "stackopt.optimise.conflicts:air_conflict", "the air that would do"),
    ("drill-and-tap.toml", "stackopt.optimise.mip:smallest_cover", "conflicts"),
    ("clash.toml", "stackopt.result:hard_clash", "conflicts"),
    ("short-air.toml", "stackopt.advice:search", "advice"),
    ("drill-head.toml", "stackopt.result:search", "next best rates"),
])
def test_a_solver_that_fails_beside_the_answer_costs_no_more_than_what_it_was_asked_for(
        break_it, monkeypatch, file, target, what):  # fmt: skip
    monkeypatch.setattr("stackopt.optimise.conflicts._by_size", lambda *_: None)  # as where there are too many sets
    result = stackopt.solve(stackopt.read(PROBLEMS / file))
    whole = stackopt.solve(stackopt.read(PROBLEMS / file))
    break_it(target, SolverError("no luck"))
    answer = stackopt.result.data_of(result, alternatives=1)
    warning = f"{what}: not sought to the end (no luck)"
    assert result.exit_code == whole.exit_code and warning in answer["warnings"]
    assert " ".join(warning.split()) in " ".join(str(result).split())
    kept = ("status", "rate_per_min", "generators", "points", "objective", "bound", "gap")
    told = whole.to_dict()
    assert {key: answer[key] for key in kept} == {key: told[key] for key in kept}


def test_a_case_whose_search_fails_says_so_and_the_others_are_told(monkeypatch):
    from stackopt import whatif

    result, whole = stackopt.solve(stackopt.read(PROBLEMS / "drill-head.toml")), whatif.search
    expected = result.what_if()

    def search(stack):
        if stack.capacity > result.stack.capacity:
            raise SolverError("no luck")
        return whole(stack)

    monkeypatch.setattr(whatif, "search", search)
    found = result.what_if()
    assert found[1].status == "not solved: no luck" and found[1].objective is None
    assert [found[0], *found[2:]] == [expected[0], *expected[2:]]


def test_what_is_not_decided_beside_the_answer_is_told(monkeypatch):
    from stackopt import advice, result
    from stackopt.optimise.outcome import Outcome

    found = stackopt.solve(stackopt.read(PROBLEMS / "short-air.toml"))
    monkeypatch.setattr(advice, "search", lambda stack: Outcome("unproved", None, None, None))
    monkeypatch.setattr(result, "search", lambda *_: Outcome("time limit", None, None, None))
    monkeypatch.setattr(result.conflicts, "air_conflict", lambda *_: (None, None))
    assert found.next_best == found.advice == found.conflicts == []
    assert found.warnings[-3:] == [
        "next best rates: not sought to the end (the time limit came before the proof)",
        "advice: not sought to the end (the solver gave no proof)",
        "conflicts: not sought to the end (the time limit came before the proof)",
    ]


def test_a_search_that_fails_is_no_answer(break_it):
    break_it("stackopt.result:search", SolverError("no luck"))
    with pytest.raises(SolverError, match="no luck"):
        stackopt.solve(stackopt.read(PROBLEMS / "drill-head.toml"))


def test_where_dask_fails_python_gets_one_of_ours_with_the_cause(break_it):
    error = KeyError("b")
    break_it("distributed:LocalCluster", error)
    with pytest.raises(StackoptError, match="the work on the cluster failed: KeyError") as caught:
        next(cluster.spread(abs, [-1], "local", 1, 9.0))
    assert caught.value.__cause__ is error


@pytest.mark.parametrize("error", RAISED, ids=lambda error: type(error).__name__)
def test_what_nobody_foresaw_ends_with_1_in_words_and_as_json(folder, run, break_it, error):
    break_it("stackopt.judge:judge", error)
    break_it("stackopt.result:judge", error)
    found = run("solve", "drill-head.toml", "--json")
    assert found.code == 1 and found.json["format"] == "stackopt.fault/1" and found.json["exit"] == 1
    said = (SAID | SYSTEM).get(type(error), "please report it with what 'stackopt --version' says")
    assert said in found.err and said in json.dumps(found.json, ensure_ascii=False)


def test_what_one_file_meets_is_not_the_others_failure(folder, run, break_it, monkeypatch):
    """Of three files the second meets a fault of the program; the others are answered."""
    from stackopt import result

    whole = result.search
    calls = []

    def search(stack, *rest):
        calls.append(stack)
        if len(calls) == 2:
            raise TypeError("a cast")
        return whole(stack, *rest)

    monkeypatch.setattr(result, "search", search)
    found = run("solve", "drill-head.toml", "vanishing.toml", "short-air.toml", "--json")
    lines = [json.loads(line) for line in found.out.splitlines()]
    assert found.code == 1
    assert [line["format"] for line in lines] == ["stackopt.result/1", "stackopt.fault/1", "stackopt.result/1"]


@pytest.mark.parametrize("target,words", [
    ("stackopt.problem.files:_parse", ["solve", "drill-head.toml"]),
    ("stackopt.problem.files:_parse", ["check", "drill-head.toml", "--json"]),
    ("stackopt.problem.model:Problem.model_json_schema", ["schema"]),
])  # fmt: skip
def test_an_interruption_anywhere_ends_with_130_and_no_more(folder, run, break_it, target, words):
    break_it(target, KeyboardInterrupt())
    found = run(*words)
    assert (found.code, found.out) == (130, "")
