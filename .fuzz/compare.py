"""Random problems by the search, by the model with two solvers and by the slow oracle: python .fuzz/compare.py.

Every problem is solved by the search, tried out by the oracle and modelled for HiGHS. Every tenth, and each that cannot
be met, is modelled for CBC too, and its answer is verified in exact fractions. No model is asked next to ties (--kind
near), since solvers are looser than the 1e-9 within which values tie, nor for what couples the points (coupled, line),
where the search itself asks models. Tells how many differ; one that does is printed as Python reads it. Exits 1 where
any does.
"""

import argparse
import sys
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))

import oracle
import oracle_line
import test_coupled
import test_line
from hypothesis import HealthCheck, Phase, given, seed, settings
from strategies import cases, coupled_cases, crossed_cases, line_cases
from test_agreement import is_best, one_shot_is_best
from test_verification import solved, wrong

import stackopt
from stackopt.errors import SolverError

KINDS = {"plain": cases(), "near": cases(near_ties=True), "four": cases(max_points=4), "crossed": crossed_cases(),
         "coupled": coupled_cases(max_points=2), "line": line_cases(max_points=2)}  # fmt: skip
MODELLED = ("plain", "four", "crossed")
SEARCHED = {"coupled": test_coupled.agrees, "line": test_line.agrees}  # the others: is_best


def is_verified(case, counts):
    """Hold the answer against its problem; on a free dial, behind a line or with rules it may stay undecided."""
    problem, answer = solved(case)
    held = stackopt.verify(problem, answer)
    assert not wrong(held), str(held)
    verified = held.exit_code == 0
    counts["not verified"] += not verified
    counts["infeasible, verified"] += verified and answer["status"] == "infeasible"


def compared(case, counts, kind, cbc, verify):
    """Whether all ways agree; `counts` is kept. CBC is asked of each `cbc`-th, and each `verify`-th verified."""
    counts["problems"] += 1
    infeasible = (oracle_line if kind == "line" else oracle).best(case) is None
    counts["infeasible"] += infeasible
    search = SEARCHED.get(kind, lambda case: is_best(case, True))
    ways = [("search", lambda: search(case))]
    if infeasible or counts["problems"] % verify == 0:
        ways.append(("verify", lambda: is_verified(case, counts)))
    models = kind in MODELLED
    if models:
        ways.append(("highs", lambda: one_shot_is_best(case, "highs")))
    if models and (infeasible or counts["problems"] % cbc == 0):
        ways.append(("cbc", lambda: one_shot_is_best(case, "cbc")))
    for name, ask in ways:
        counts[name] += 1
        try:
            ask()
        except SolverError as error:  # it says that it has no answer
            counts[f"{name} gave up"] += 1
            print(f"{name} gave up: {error}\n{case!r}", flush=True)
        except Exception as error:
            counts[f"{name} differs"] += 1
            print(f"{name}: {type(error).__name__}: {str(error)[:300]}\n{case!r}", flush=True)


def main():
    """Compare so many and say how it went."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--problems", type=int, default=5000)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--cbc", type=int, default=10, metavar="N", help="ask CBC of every N-th")
    asked.add_argument("--verify", type=int, default=10, metavar="N", help="verify every N-th answer")
    asked.add_argument("--kind", choices=KINDS, default="plain")
    args = asked.parse_args()
    counts = Counter()

    @seed(args.seed)
    @settings(max_examples=args.problems, database=None, deadline=None, phases=[Phase.generate],
              suppress_health_check=list(HealthCheck))
    @given(KINDS[args.kind])
    def each(case):
        compared(case, counts, args.kind, args.cbc, args.verify)
        if counts["problems"] % 250 == 0:
            print(dict(counts), flush=True)

    each()
    print(dict(counts))
    sys.exit(any(count for key, count in counts.items() if key.endswith("differs")))


if __name__ == "__main__":
    main()
