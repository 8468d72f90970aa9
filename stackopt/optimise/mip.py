"""Mixed-integer models row by row, and their solvers, through PuLP; nothing else imports it."""

import atexit
import os
import tempfile
import threading
import time
import warnings
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from stackopt.errors import SolverError, library
from stackopt.judge import Settings

SHARP = 1e3  # rows that hold an excess or a value to 1e-9 are scaled by this; solvers are looser than that
SOLVER = "stackopt solver"  # the name of the thread that a solver runs in
_DIGITS = 1e-7
_LINGER = 60.0  # seconds that the end of a program waits for a solver left behind; the command line does not
_PATIENCE = 0.3  # seconds that a solver may outlast its limit or an interruption


class NoProof(Exception):
    """The solver gave no proof; `status` says why: "time limit", "interrupted", or "unproved" where it gave up.

    `settings` are the best that it had found.
    """

    def __init__(self, status: str = "time limit", settings: Settings | None = None) -> None:
        super().__init__(status, settings)
        self.status = status
        self.settings = settings


class Rows:
    """A small model made row by row; names are by number, since PuLP cleans names until some are equal."""

    def __init__(self) -> None:
        with library("the solver", SolverError):
            import highspy  # noqa: F401, before PuLP, which takes a Ctrl-C in between for a HiGHS that is not there
            import pulp

            self.problem = pulp.LpProblem("stackopt", pulp.LpMinimize)
        self._pulp = pulp
        self._count = 0
        self.meaning: dict[str, str] = {}  # of variables and rows, where they have one of their own

    def variable(self, low: float | None = None, high: float | None = None, whole: bool = False,
                 meaning: str = "") -> Any:  # fmt: skip
        """A new variable between `low` and `high`."""
        self._count += 1
        if meaning:
            self.meaning[f"v{self._count}"] = meaning
        return self.problem.add_variable(f"v{self._count}", low, high, "Integer" if whole else "Continuous")

    def row(self, terms: Iterable[tuple[float, Any]], low: float | None = None, high: float | None = None,
            meaning: str = "") -> None:  # fmt: skip
        """Hold low <= sum of coefficient times variable <= high, an end at a time (PuLP loses one of two)."""
        terms = list(terms)
        ends = [(low, "at least"), (high, "at most")] if low != high else [(low, "just")]
        for bound, way in ends:
            if bound is not None:
                self._count += 1
                if meaning:
                    self.meaning[f"r{self._count}"] = meaning
                total = self.total(terms)
                made = total >= bound if way == "at least" else total <= bound if way == "at most" else total == bound
                self.problem.addConstraint(made, f"r{self._count}")

    def choice(self, meanings: Sequence[str], relaxed: bool = False) -> list[Any]:
        """Binaries, one a meaning, of which exactly one is 1."""
        picks = [self.variable(0, 1, whole=not relaxed, meaning=meaning) for meaning in meanings]
        self.row([(1.0, pick) for pick in picks], 1, 1)
        return picks

    def products(self, factor: Any, low: float, highs: Sequence[float], picks: Sequence[Any]) -> list[Any]:
        """Variables w = factor * pick for a choice, where factor >= low, and <= highs[i] where pick i is 1."""
        products = [self.variable(0, None) for _ in picks]
        for product, high, pick in zip(products, highs, picks, strict=True):
            self.row([(1.0, product), (-low, pick)], low=0.0)
            self.row([(1.0, product), (-high, pick)], high=0.0)
        self.row([*((1.0, product) for product in products), (-1.0, factor)], 0.0, 0.0)
        return products

    def total(self, terms: Iterable[tuple[float, Any]]) -> Any:
        """A sum as PuLP has it."""
        return self._pulp.lpSum(c * v for c, v in terms)

    def lp(self) -> str:
        """The model in LP format."""
        with library("writing the model", SolverError), tempfile.TemporaryDirectory() as folder:
            file = os.path.join(folder, "model.lp")
            self.problem.writeLP(file)
            with open(file, encoding="utf-8") as stream:
                return stream.read()

    def minimise(self, terms: Iterable[tuple[float, Any]], solver: str, deadline: float,
                 presolve: bool = False) -> float | None:  # fmt: skip
        """Solve; the bound that the solver proved, or None where it finds no solution. NoProof at the deadline.

        Some variable must be whole: of other models HiGHS tells no bound. With `presolve` HiGHS calls some answers best
        that are not, of models that are not of binaries alone.
        """
        self.problem.setObjective(self.total((SHARP * c, v) for c, v in terms))
        # Presolve calls some feasible models infeasible: only without it that is believed.
        for ahead in (True, False) if solver == "highs" and presolve else (solver != "highs",):
            proved, found = self._solved(solver, ahead, deadline)
            if proved and found:
                break
        if not proved:
            raise NoProof("unproved")
        if not found:
            return None
        model = getattr(self.problem, "solverModel", None)
        if solver == "highs" and model is not None:
            return float(model.getInfo().mip_dual_bound) / SHARP
        return float(self.problem.objective.value()) / SHARP

    def _solved(self, solver: str, presolve: bool, deadline: float) -> tuple[bool, bool]:
        left = deadline - time.monotonic()
        if left <= 0:
            raise NoProof
        with library(f"the solver {solver}", SolverError), warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)  # of PuLP 3.3 about its own next version
            engine = _engine(self._pulp, solver, max(left, 0.01), presolve)
            stats = self.problem.solve(engine)
        if getattr(engine, "interrupted", False):
            raise NoProof("interrupted")
        if time.monotonic() >= deadline:
            raise NoProof
        return self._verdict(stats)

    def _verdict(self, stats: Any) -> tuple[bool, bool]:
        """Whether the solver ended by itself, and whether it has a solution. The two PuLPs tell differently."""
        if isinstance(stats, int):  # PuLP 3: a status that reads "optimal" at a time limit too, and sol_status
            pulp = self._pulp
            optimal = self.problem.sol_status == pulp.LpSolutionOptimal
            none = stats in (pulp.LpStatusInfeasible, pulp.LpStatusUndefined)
            return optimal or none, optimal
        name = stats.status.name.lower()
        # PuLP 4 reads CBC's objective with eight digits, and takes what these leave open for a gap.
        optimal = name == "optimal" or (name == "gaplimit" and stats.gap_rel is not None and stats.gap_rel <= _DIGITS)
        return optimal or name in ("infeasible", "undefined"), optimal


def _engine(pulp: Any, solver: str, seconds: float, presolve: bool) -> Any:
    common = {"msg": False, "timeLimit": seconds, "gapRel": 0.0, "threads": 1}
    if solver == "highs":

        engine = pulp.HiGHS(**common, presolve="on" if presolve else "off", primal_feasibility_tolerance=1e-9,
                            mip_feasibility_tolerance=1e-9, mip_abs_gap=1e-10)  # fmt: skip

        def in_thread(lp: Any) -> None:
            engine.interrupted = _run(lp.solverModel, seconds)

        engine.callSolver = in_thread
        return engine
    if solver != "cbc":
        raise SolverError(f"no such solver: {solver!r}; there are 'highs' and 'cbc'")
    try:
        import cbcbox  # not the one that comes with PuLP 3.3: it calls some feasible models infeasible
    except ImportError:
        raise SolverError("CBC is not installed; \"pip install 'pulp[cbc]'\" brings it") from None
    return pulp.COIN_CMD(**common, path=str(cbcbox.cbc_bin_path()), gapAbs=1e-10,
                         options=["primalTolerance 1e-9", "integerTolerance 1e-9"])  # fmt: skip


def _run(highs: Any, seconds: float) -> bool:
    """Run HiGHS in a thread of its own (in the caller's it answers Ctrl-C only at its limit); whether that came."""
    highs.HandleUserInterrupt = True
    done = threading.Event()  # not the thread's own state, which an interrupted join spoils
    failed: list[Exception] = []

    def work() -> None:
        try:
            highs.run()
        except Exception as error:  # a thread has nobody to tell
            failed.append(error)
        finally:
            done.set()

    until = time.monotonic() + seconds + _PATIENCE
    interrupted = False
    try:
        threading.Thread(target=work, name=SOLVER, daemon=True).start()  # waits too, and Ctrl-C may come in it
        while not done.is_set() and time.monotonic() < until:
            done.wait(0.1)  # short waits let Ctrl-C in
    except KeyboardInterrupt:
        interrupted = True
    if not done.is_set():
        highs.cancelSolve()
    if not done.wait(_PATIENCE):  # it is left behind; nothing of its model may be read
        atexit.register(done.wait, _LINGER)  # Python must not end before it does
        raise NoProof("interrupted" if interrupted else "time limit")
    if failed:
        raise failed[0]
    return interrupted


def smallest_cover(rows: np.ndarray, avoid: Sequence[Sequence[int]], deadline: float = np.inf) -> list[int] | None:
    """Fewest columns of `rows` [rows, columns] whose sum reaches 1 in every row; none contains a set of `avoid`.

    >>> smallest_cover(np.array([[1.0, 0, 1], [0, 1, 1]]), [])
    [2]
    >>> smallest_cover(np.array([[1.0, 0, 1], [0, 1, 1]]), [[2]])
    [0, 1]
    """
    model = Rows()
    picks = [model.variable(0, 1, whole=True) for _ in range(rows.shape[1])]
    for row in rows:
        model.row([(float(c), picks[k]) for k, c in enumerate(row) if c], low=1.0)
    for one in avoid:
        model.row([(1.0, picks[k]) for k in one], high=len(one) - 1)
    if model.minimise([(1.0, pick) for pick in picks], "highs", deadline, presolve=True) is None:
        return None
    return [k for k, pick in enumerate(picks) if pick.value() > 0.5]
