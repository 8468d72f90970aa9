"""What each kind of constraint costs on a machine of 32 points: python benchmarks/rules.py [--smoke].

The rules bind: the best settings without them break each. Answers are asserted to keep the rule, to
be no better than without it, and, where the plain one-shot model (PuLP, HiGHS) ends within its limit, equal to it.
"""

import argparse
import os
import time

for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[threads] = "1"  # before numpy is loaded

from cases import generate, raw  # noqa: E402

import stackopt  # noqa: E402
from stackopt.optimise import mip, proving  # noqa: E402
from stackopt.stack import Stack  # noqa: E402

AGREE = 1e-6


def rules_for(result):
    """One rule a kind that the best settings without rules do not keep."""
    points = result.points
    half = [p.name for p in points[: len(points) // 2]]
    dose = sum(p.dose_mL_per_h for p in points if p.name in half)
    air = sum(p.air_L_per_min for p in points if p.name in half)
    first, second = max(points, key=lambda p: p.air_L_per_min), min(points, key=lambda p: p.air_L_per_min)
    gap = first.air_L_per_min - second.air_L_per_min
    turns = max({p.turns for p in points}, key=[p.turns for p in points].count)
    return {
        "total of air": {"kind": "total", "of": "air", "over": half, "max": f"{0.97 * air} L/min"},
        "total of dose": {"kind": "total", "of": "dose", "over": half, "max": f"{0.97 * dose} mL/h"},
        "same": {"kind": "same", "of": "turns", "over": half[:4]},
        "fix": {"kind": "fix", "of": "turns", "over": [first.name], "at": second.turns},
        "forbid": {"kind": "forbid", "of": "turns", "over": half, "at": [turns]},
        "distinct": {"kind": "distinct", "of": "turns", "max": max(1, len({p.turns for p in points}) - 2)},
        "compare": {"kind": "compare", "of": "air", "first": first.name, "second": second.name,
                    "max": f"{gap / 2} L/min"},
        "ratio": {"kind": "ratio", "of": "air", "first": first.name, "second": second.name,
                  "max": first.air_L_per_min / second.air_L_per_min / 2},
    }  # fmt: skip


def main():
    """Solve one machine a class with each rule."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--smoke", action="store_true", help="a machine of 6 points")
    parser.add_argument("--limit", type=float, default=60.0, help="seconds for each answer")
    args = parser.parse_args()
    stackopt.solve(stackopt.Problem(**raw(generate(5, True, False, 0))))  # load everything before the clock starts
    for shared, short in ((True, False), (False, False), (False, True)):
        content = raw(generate(6 if args.smoke else 32, shared, short, 0))
        plain = stackopt.solve(stackopt.Problem(**content))
        print(f"{'one rate serves all' if shared else 'no rate serves all'}, air {'short' if short else 'ample'}: "
              f"without rules {1e3 * plain.seconds:.1f} ms")  # fmt: skip
        for name, rule in rules_for(plain).items():
            content["solve"]["time_limit"] = f"{args.limit} s"
            problem = stackopt.Problem(**content, constraint=[rule])
            result = stackopt.solve(problem)
            assert result.verdict is None or not result.verdict.broken
            start = time.perf_counter()
            try:
                shot = proving.one_shot(Stack.of(problem), deadline=time.monotonic() + args.limit)
            except mip.NoProof:
                shot = None
            peer = time.perf_counter() - start
            if shot is not None and result.status == "optimal":
                assert abs(result.objective.excess - shot[0].excess) <= AGREE
                assert abs(result.objective.value - shot[1].value) <= AGREE
                assert result.objective.excess >= plain.objective.excess - AGREE
            ratio = f"{peer / result.seconds:8.1f} x" if shot else f"> {peer / result.seconds:6.1f} x, no proof"
            print(f"  {name:14} {1e3 * result.seconds:9.1f} ms  {result.status:10}  one-shot {ratio}", flush=True)


if __name__ == "__main__":
    main()
