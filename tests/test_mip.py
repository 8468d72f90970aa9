"""The models' solvers: what is believed of them and when, how they are stopped, and the fewest columns that cover."""

import _thread
import signal
import sys
import threading
from itertools import combinations
from math import inf
from types import SimpleNamespace

import numpy as np
import pulp
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stackopt.errors import SolverError
from stackopt.judge import Settings
from stackopt.optimise import mip

MANY = settings().max_examples


def small():
    """A model of one whole number from 2 to 7."""
    rows = mip.Rows()
    return rows, rows.variable(2, 7, whole=True)


# Statuses as PuLP 3 documents them: status 1 optimal, 0 not solved, -1 infeasible, -2 unbounded, -3 undefined;
# sol_status 1 optimal, 2 feasible, 0 none, -1 infeasible. A solution at a time limit reads (1, 2).
@pytest.mark.parametrize("status,solution,ended,found", [
    (1, 1, True, True), (1, 2, False, False), (0, 0, False, False), (0, 2, False, False), (-1, -1, True, False),
    (-2, 0, False, False), (-3, 0, True, False),
])  # fmt: skip
@pytest.mark.skipif(not hasattr(pulp, "LpSolutionOptimal"), reason="PuLP 4 tells by a name: the next test")
def test_only_an_optimum_and_no_solution_at_all_are_ends_of_pulp_3(status, solution, ended, found):
    rows, _ = small()
    rows.problem.sol_status = solution
    assert rows._verdict(status) == (ended, found)


@pytest.mark.parametrize("name,gap,ended,found", [
    ("OPTIMAL", None, True, True), ("OPTIMAL", 0.0, True, True), ("INFEASIBLE", None, True, False),
    ("UNDEFINED", None, True, False), ("TIMELIMIT", 0.0, False, False), ("GAPLIMIT", None, False, False),
    ("GAPLIMIT", 0.0, True, True), ("GAPLIMIT", 5e-8, True, True), ("GAPLIMIT", 1e-6, False, False),
    ("UNBOUNDED", None, False, False),
])  # fmt: skip
def test_a_gap_of_pulp_4_is_none_only_where_eight_digits_leave_it_open(name, gap, ended, found):
    rows, _ = small()
    stats = SimpleNamespace(status=SimpleNamespace(name=name), gap_rel=gap)
    assert rows._verdict(stats) == (ended, found)


@pytest.mark.parametrize("answers,asked,bound", [
    ([(True, True)], [True], 2.0),  # an optimum is believed at once
    ([(True, False), (True, True)], [True, False], 2.0),  # that there is none only without presolve
    ([(True, False), (True, False)], [True, False], None),
    ([(False, False), (True, True)], [True, False], 2.0),
])  # fmt: skip
def test_no_solution_is_believed_only_without_presolve(monkeypatch, answers, asked, bound):
    rows, x = small()
    inner, seen, left = rows._solved, [], list(answers)

    def solved(solver, presolve, deadline):
        inner(solver, presolve, deadline)
        seen.append(presolve)
        return left.pop(0)

    monkeypatch.setattr(rows, "_solved", solved)
    assert rows.minimise([(1, x)], "highs", inf, presolve=True) == bound
    assert seen == asked and not left


@pytest.mark.parametrize("presolve", [True, False])
def test_highs_itself_has_the_limits_that_it_is_given(monkeypatch, presolve):
    rows, x = small()
    asked = {"time_limit": 0.0, "presolve": "", "threads": 0, "mip_rel_gap": 1.0, "mip_abs_gap": 1.0,
             "primal_feasibility_tolerance": 1.0, "mip_feasibility_tolerance": 1.0}  # fmt: skip

    def run(highs, seconds):
        asked.update({key: highs.getOptionValue(key)[1] for key in asked}, seconds=seconds)
        highs.run()

    monkeypatch.setattr(mip, "_run", run)
    monkeypatch.setattr(mip.time, "monotonic", lambda: 5.0)
    assert rows.minimise([(1, x)], "highs", 12.0, presolve) == 2.0
    assert asked == {"time_limit": 7.0, "seconds": 7.0, "presolve": "on" if presolve else "off", "threads": 1,
                     "mip_rel_gap": 0.0, "mip_abs_gap": 1e-10, "primal_feasibility_tolerance": 1e-9,
                     "mip_feasibility_tolerance": 1e-9}  # fmt: skip


def test_the_bound_is_what_highs_proved_and_not_the_best_that_it_found(monkeypatch):
    rows, x = small()
    inner = rows._solved

    def solved(*given):
        ended = inner(*given)  # found: 2
        rows.problem.solverModel = SimpleNamespace(getInfo=lambda: SimpleNamespace(mip_dual_bound=1900.0))
        return ended

    monkeypatch.setattr(rows, "_solved", solved)
    assert rows.minimise([(1, x)], "highs", inf) == 1.9  # of an objective times 1000


def test_one_model_is_solved_by_one_solver_after_the_other():
    rows, x = small()
    assert rows.minimise([(1, x)], "highs", inf) == pytest.approx(2, abs=1e-9)
    assert rows.minimise([(-1, x)], "cbc", inf) == pytest.approx(-7, abs=1e-9)
    assert rows.minimise([(-1, x)], "highs", inf) == pytest.approx(-7, abs=1e-9)


@pytest.mark.parametrize("solver", ["highs", "cbc"])
def test_a_solver_prints_nothing(solver, capfd):
    rows, x = small()
    assert rows.minimise([(1, x)], solver, inf) == pytest.approx(2.0, abs=1e-9)
    assert capfd.readouterr() == ("", "")


def test_what_neither_way_proves_is_no_proof(monkeypatch):
    rows, x = small()
    monkeypatch.setattr(rows, "_solved", lambda *_: (False, False))
    with pytest.raises(mip.NoProof) as stop:
        rows.minimise([(1, x)], "highs", inf)
    assert (stop.value.status, stop.value.settings) == ("unproved", None)


@pytest.mark.parametrize("solver,presolve,asked", [("highs", False, [False]), ("cbc", True, [True])])
def test_a_solver_that_is_to_be_believed_is_asked_once(monkeypatch, solver, presolve, asked):
    rows, x = small()
    seen = []
    monkeypatch.setattr(rows, "_solved", lambda _, ahead, __: seen.append(ahead) or (True, False))
    assert rows.minimise([(1, x)], solver, inf, presolve=presolve) is None
    assert seen == asked


def test_a_solver_is_begun_just_until_the_deadline(monkeypatch):
    rows, x = small()

    def begin(*_):
        raise SolverError("begun")

    monkeypatch.setattr(mip, "_engine", begin)
    monkeypatch.setattr(mip.time, "monotonic", lambda: 5.0)
    for deadline in (4.0, 5.0):
        with pytest.raises(mip.NoProof) as stop:
            rows.minimise([(1, x)], "highs", deadline)
        assert stop.value.status == "time limit"
    with pytest.raises(SolverError, match="begun"):
        rows.minimise([(1, x)], "highs", 5.1)


@pytest.mark.parametrize("late,status", [(False, "interrupted"), (True, "time limit")])
def test_an_answer_after_an_interruption_or_the_deadline_is_no_proof(monkeypatch, late, status):
    rows, x = small()
    clock = iter([0.0, 5.0 if late else 1.0])
    engine = mip._engine(rows._pulp, "highs", 5.0, True)
    monkeypatch.setattr(mip, "_engine", lambda *_: engine)
    monkeypatch.setattr(mip, "time", SimpleNamespace(monotonic=lambda: next(clock)))
    monkeypatch.setattr(mip, "_run", lambda highs, _: highs.run() and not late)
    with pytest.raises(mip.NoProof) as stop:
        rows.minimise([(1, x)], "highs", 5.0)
    assert stop.value.status == status


def test_presolve_is_off_unless_it_is_asked_for(monkeypatch):
    rows, x = small()
    seen = []
    monkeypatch.setattr(rows, "_solved", lambda _, ahead, __: seen.append(ahead) or (True, False))
    assert rows.minimise([(1, x)], "highs", inf) is None and seen == [False]


def test_a_solver_that_fails_is_named_with_its_reason(monkeypatch):
    rows, x = small()

    def fail(*_):
        raise rows._pulp.PulpSolverError("no memory")

    monkeypatch.setattr(mip, "_run", fail)
    with pytest.raises(SolverError, match=r"the solver highs failed: .*no memory"):
        rows.minimise([(1, x)], "highs", inf)


def test_why_there_is_no_proof_and_the_best_found_are_told():
    best = Settings.at(6.0, (0,), (0,))
    stop = mip.NoProof("unproved", best)
    assert (stop.status, stop.settings) == ("unproved", best)
    assert (mip.NoProof().status, mip.NoProof().settings) == ("time limit", None)


class Solver:
    """Stands in for HiGHS: at work until it is told to stop, or for some seconds."""

    HandleUserInterrupt = False

    def __init__(self, seconds=60.0, at_work=lambda: None):
        self.told, self.seconds, self.at_work = False, seconds, at_work
        self.end = threading.Event()

    def run(self):
        assert self.HandleUserInterrupt  # without it HiGHS does not hear cancelSolve
        assert threading.current_thread().daemon  # else no program ends before it
        self.at_work()
        self.end.wait(self.seconds)

    def cancelSolve(self):
        self.told = True
        self.end.set()


def test_control_c_while_a_solver_works_stops_it(monkeypatch):
    monkeypatch.setattr(mip, "_PATIENCE", 60.0)
    before = signal.signal(signal.SIGINT, signal.default_int_handler)  # a run in the background ignores it
    try:
        solver = Solver(at_work=_thread.interrupt_main)
        assert mip._run(solver, 60.0)
    finally:
        signal.signal(signal.SIGINT, before)
    assert solver.told


def test_a_solver_that_ends_by_itself_is_not_told_to_stop():
    solver = Solver(seconds=0.0)
    assert not mip._run(solver, 60.0)
    assert not solver.told


def test_what_a_solver_raises_while_it_works_is_told():
    def fail():
        raise MemoryError("no more")

    with pytest.raises(MemoryError, match="no more"):
        mip._run(Solver(at_work=fail), 60.0)


def test_a_solver_is_told_to_stop_at_its_limit(monkeypatch):
    clock = iter([0.0, 67.9, 68.1])  # a limit of 8 s and 60 s of patience
    monkeypatch.setattr(mip, "_PATIENCE", 60.0)
    monkeypatch.setattr(mip, "time", SimpleNamespace(monotonic=lambda: next(clock)))
    solver = Solver()
    assert not mip._run(solver, 8.0)
    assert solver.told and not list(clock)


def test_a_solver_that_is_not_known_or_not_installed_is_told(monkeypatch):
    rows, x = small()
    with pytest.raises(SolverError, match="no such solver: 'simplex'"):
        rows.minimise([(1, x)], "simplex", inf)
    monkeypatch.setitem(sys.modules, "cbcbox", None)
    with pytest.raises(SolverError, match=r"pip install 'pulp\[cbc\]'"):
        rows.minimise([(1, x)], "cbc", inf)


@pytest.mark.parametrize("solver", ["highs", "cbc"])
@pytest.mark.parametrize("low,high,least,most", [(3, 5, 3, 5), (None, 5, 2, 5), (3, None, 3, 7), (4, 4, 4, 4)])
def test_a_row_holds_each_of_its_ends(solver, low, high, least, most):
    for sign, end in ((1, least), (-1, most)):
        rows, x = small()
        rows.row([(1, x)], low, high)
        assert rows.minimise([(sign, x)], solver, inf) == pytest.approx(sign * end, abs=1e-9)
        assert x.value() == pytest.approx(end, abs=1e-9)


def test_variables_and_rows_with_a_meaning_keep_it_by_the_names_of_the_lp_file():
    rows = mip.Rows()
    x = rows.variable(0, 1, whole=True, meaning="mark 1")
    y = rows.variable(0, 9)
    rows.row([(1.0, x), (1.0, y)], 1.0, 3.0, meaning="air")
    rows.row([(1.0, y)], high=2.0)
    named = {name: rows.meaning.get(name) for name in ("v1", "v2", "r3", "r4", "r5")}
    assert named == {"v1": "mark 1", "v2": None, "r3": "air", "r4": "air", "r5": None}
    assert all(f"{name}" in rows.lp() for name in named)
    assert len(rows.meaning) == 3


def test_of_three_pairs_two_columns_are_needed_though_halves_of_all_three_would_do():
    assert len(mip.smallest_cover(np.array([[1.0, 1.0, 0.0], [0.0, 1.0, 1.0], [1.0, 0.0, 1.0]]), [])) == 2


def test_of_two_columns_that_may_not_be_together_one_may_be_taken():
    assert mip.smallest_cover(np.array([[1.0, 1.0]]), [[0, 1]]) in ([0], [1])
    assert mip.smallest_cover(np.array([[0.5, 0.5]]), [[0, 1]]) is None


@settings(max_examples=MANY)
@given(st.data())
def test_the_smallest_cover_is_brute_force(data):
    columns = data.draw(st.integers(1, 5))
    share = st.sampled_from([0.0, 0.0, 0.5, 1.0])
    rows = np.array(data.draw(st.lists(st.lists(share, min_size=columns, max_size=columns), min_size=1, max_size=4)))
    some = st.lists(st.integers(0, columns - 1), min_size=1, max_size=3, unique=True)
    avoid = data.draw(st.lists(some, max_size=3))
    covers = [set(c) for n in range(columns + 1) for c in combinations(range(columns), n)
              if (rows[:, list(c)].sum(axis=1) >= 1).all() and not any(set(a) <= set(c) for a in avoid)]  # fmt: skip
    found = mip.smallest_cover(rows, avoid)
    if not covers:
        assert found is None
    else:
        assert set(found) in covers and len(found) == len(covers[0])
    with pytest.raises(mip.NoProof):
        mip.smallest_cover(rows, avoid, deadline=0.0)
