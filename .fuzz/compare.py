"""Random problems by the search, by the model with two solvers and by the slow oracle: python .fuzz/compare.py.

Every problem is solved by the search and tried out by the oracle, its answer is verified in exact fractions, and it is
modelled for HiGHS; every tenth, and each that cannot be met, for CBC too. Next to ties (--kind near) no model is asked:
solvers are looser than the 1e-9 within which values tie. Tells how many differ; one that does is printed as Python
reads it. Exits 1 where any does.
"""

import argparse
import sys
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))

import oracle
from hypothesis import HealthCheck, Phase, given, seed, settings
from strategies import cases, crossed_cases
from test_agreement import is_best, one_shot_is_best
from test_verification import solved, wrong

import stackopt
from stackopt.errors import SolverError

KINDS = {"plain": cases(), "near": cases(near_ties=True), "four": cases(max_points=4), "crossed": crossed_cases()}


def is_verified(case, counts):
    """Hold the answer against its problem; on a free dial it may stay undecided."""
    held = stackopt.verify(*solved(case))
    assert not wrong(held), str(held)
    counts["not verified"] += held.exit_code != 0


def compared(case, counts, models, tenth):
    """Whether all ways agree; `counts` is kept. CBC is asked of each `tenth`."""
    counts["problems"] += 1
    infeasible = oracle.best(case) is None
    counts["infeasible"] += infeasible
    ways = [("search", lambda: is_best(case, True)), ("verify", lambda: is_verified(case, counts))]
    if models:
        ways.append(("highs", lambda: one_shot_is_best(case, "highs")))
    if models and (infeasible or counts["problems"] % tenth == 0):
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
    asked.add_argument("--kind", choices=KINDS, default="plain")
    args = asked.parse_args()
    counts = Counter()

    @seed(args.seed)
    @settings(max_examples=args.problems, database=None, deadline=None, phases=[Phase.generate],
              suppress_health_check=list(HealthCheck))
    @given(KINDS[args.kind])
    def each(case):
        compared(case, counts, args.kind != "near", args.cbc)
        if counts["problems"] % 250 == 0:
            print(dict(counts), flush=True)

    each()
    print(dict(counts))
    sys.exit(any(count for key, count in counts.items() if key.endswith("differs")))


if __name__ == "__main__":
    main()
