"""What goes wrong below and around: solvers that lie or die, files that change, places that cannot be written."""

import errno
import os
import random
import threading
from pathlib import Path

import pytest

import stackopt
from stackopt.optimise import mip, proving
from stackopt.problem.files import problem_in, source_at
from stackopt.problem.starter import STARTER
from stackopt.stack import Stack, _example

RULES = [
    {"kind": "same", "of": "mark"},
    {"kind": "distinct", "of": "turns", "max": 1},
    {"kind": "total", "of": "air", "max": "110 L/min"},
    {"kind": "compare", "of": "dose", "first": "a", "second": "b", "min": "1 mL/h"},
]
honest = mip.Rows.minimise
PROBLEMS = [stackopt.Problem(**_example().to_dict(), constraint=[rule]) for rule in RULES]
TRUTH = [stackopt.solve(problem).objective for problem in PROBLEMS]


def values(change):
    """A solver that solves, and then tells other values of its variables."""

    def lie(self, *asked, **more):
        bound = honest(self, *asked, **more)
        if bound is not None:
            for n, variable in enumerate(self.problem.variables()):
                variable.varValue = change(n, variable.varValue)
        return bound

    return lie


def higher(self, *asked, **more):
    """A solver that says that nothing as good as its answer can be."""
    bound = honest(self, *asked, **more)
    return None if bound is None else bound + 0.01


def lower(self, *asked, **more):
    """A solver that always hopes for better."""
    bound = honest(self, *asked, **more)
    return None if bound is None else bound - 0.01


def nothing(self, *asked, **more):
    """A solver that finds no solution where there is one."""
    return None


chance = random.Random(5)
LIES = {
    "zeros": values(lambda n, value: 0.0), "halves": values(lambda n, value: 0.5), "ones": values(lambda n, value: 1.0),
    "turned round": values(lambda n, value: 1.0 - value if value in (0.0, 1.0) else value),
    "by chance": values(lambda n, value: float(chance.random() < 0.5)),
    "too good a bound": lower, "too bad a bound": higher, "no solution": nothing,
}  # fmt: skip


@pytest.mark.parametrize("lie", LIES, ids=str)
def test_a_solver_that_lies_gives_an_error_or_the_right_answer_or_none_that_is_proved(lie, monkeypatch):
    """Whatever it tells: where the answer says that it is proved best, it is."""
    monkeypatch.setattr(mip.Rows, "minimise", LIES[lie])
    for problem, truth in zip(PROBLEMS, TRUTH, strict=True):
        try:
            result = stackopt.solve(problem)
        except stackopt.SolverError as error:
            assert str(error)
            continue
        assert result.status in ("optimal", "unproved", "time limit")
        if result.status == "optimal":
            assert result.objective.excess == pytest.approx(truth.excess, abs=1e-8)
            assert result.objective.value == pytest.approx(truth.value, abs=1e-8)
        if result.settings is not None:
            assert result.verdict.allowed
        if result.bound is not None and lie != "too bad a bound":
            assert result.bound.excess <= truth.excess + 1e-8


def test_a_solver_that_fails_is_an_error_of_ours(monkeypatch, run, tmp_path):
    import pulp

    def fails(self, engine):
        raise pulp.PulpSolverError("out of cheese")

    monkeypatch.setattr(pulp.LpProblem, "solve", fails)
    with pytest.raises(stackopt.SolverError, match="out of cheese"):
        stackopt.solve(PROBLEMS[0])


def test_a_solver_whose_process_is_killed_is_an_error_of_ours(monkeypatch):
    """CBC is a program of its own; here one that kills itself stands in its place."""
    cbcbox = pytest.importorskip("cbcbox")

    monkeypatch.setattr(cbcbox, "cbc_bin_path", lambda: "/bin/false")
    with pytest.raises(stackopt.SolverError):
        proving.solve(Stack.of(PROBLEMS[0]), solver="cbc")


def test_what_was_read_is_solved_though_the_file_changes_meanwhile(tmp_path):
    file = tmp_path / "m.toml"
    file.write_text(STARTER)
    source = source_at(str(file))
    before = stackopt.read(file)
    file.write_text("[[point")
    problem = problem_in(source)
    assert problem == before and problem.checksums == before.checksums
    with pytest.raises(stackopt.ProblemError):
        stackopt.read(file)


def test_a_file_that_is_written_while_it_is_read_is_read_or_refused(tmp_path):
    """Half a file is a file that is wrong, or one that lacks points; never a traceback."""
    file = tmp_path / "m.toml"
    stop = threading.Event()

    def rewrite():
        n = 0
        while not stop.is_set():
            n += 1
            with open(file, "w") as stream:
                stream.write(STARTER[: len(STARTER) // 2])
                stream.flush()
                stream.write(STARTER[len(STARTER) // 2:])

    file.write_text(STARTER)
    writer = threading.Thread(target=rewrite)
    writer.start()
    try:
        for _ in range(60):
            try:
                stackopt.read(file)
            except stackopt.ProblemError as error:
                assert error.faults
    finally:
        stop.set()
        writer.join()


@pytest.mark.parametrize("words", [["--out", "LOCKED/out"], ["--out", "LOCKED"], ["--write", "LOCKED/new.toml"]])
def test_a_folder_that_is_read_only_is_told(tmp_path, run, words):
    """For root, who may write everywhere else, a folder of the kernel's."""
    locked = Path("/sys/kernel") if os.geteuid() == 0 else tmp_path / "locked"
    if os.geteuid() != 0:
        locked.mkdir(mode=0o555)
    if not locked.is_dir():
        pytest.skip("no folder here that root cannot write to")
    before = sorted(locked.iterdir())
    file = tmp_path / "m.toml"
    good = Path(__file__).parents[1] / "problems" / "drill-head.toml"
    file.write_text(good.read_text().replace('capacity = "320', 'capacity = "215'))  # there is advice to write
    got = run("solve", str(file), *(word.replace("LOCKED", str(locked)) for word in words))
    assert got.code == 2 and ("ermission denied" in got.err or "Read-only" in got.err or "permitted" in got.err)
    assert sorted(locked.iterdir()) == before


@pytest.mark.parametrize("links", [True, False])
def test_a_new_file_is_whole_and_readable_as_others_are_and_nothing_is_overwritten(tmp_path, run, monkeypatch, links):
    """On a file system without links too, as that of a memory stick."""
    if not links:
        def none(*_):
            raise OSError(errno.EPERM, "Operation not permitted")

        monkeypatch.setattr(os, "link", none)
    file, other = tmp_path / "m.toml", tmp_path / "other"
    other.write_text("")
    assert run("new", str(file)).code == 0
    assert file.read_text() == STARTER and file.stat().st_mode == other.stat().st_mode
    file.write_text("mine")
    got = run("new", str(file))
    assert got.code == 2 and "nothing is overwritten" in got.err and file.read_text() == "mine"
    assert sorted(tmp_path.iterdir()) == [file, other]
