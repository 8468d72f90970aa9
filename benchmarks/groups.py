"""Several generators beside one p-median model in PuLP: python benchmarks/groups.py [--smoke].

`split` finds the fewest rates that serve every point; the model minimises how many rates are open, and with these the
lowest ones are not asked for. `solve` with two generators stands beside the same model over all rates in two stages.
"""

import argparse
import os
import statistics
import sys
import time

for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[threads] = "1"  # before numpy is loaded

from dataclasses import replace  # noqa: E402

import numpy as np  # noqa: E402
from cases import generate, raw  # noqa: E402

import stackopt  # noqa: E402
from stackopt.groups import split  # noqa: E402
from stackopt.judge import ROOM  # noqa: E402
from stackopt.optimise import mip, proving  # noqa: E402
from stackopt.optimise.scan import options, rates  # noqa: E402
from stackopt.stack import Stack  # noqa: E402

AGREE = 1e-6
SIZES = (12, 32, 64)
KINDS = (("air ample", False), ("air short", True))


def timed(work):
    """What `work` gives, and its seconds."""
    start = time.perf_counter()
    found = work()
    return found, time.perf_counter() - start


def fewest_by_model(stack, limit):
    """The fewest rates with every point in tolerance, by one model; None without proof within `limit` seconds."""
    at = rates(stack)
    part = options(stack, at)
    air = np.where(part.excess == 0, part.air, np.inf).min(axis=2)  # [rates, points]
    rows = mip.Rows()
    opened = [rows.variable(0, 1, whole=True) for _ in at]
    total = []
    for i in range(air.shape[1]):
        sites = np.flatnonzero(np.isfinite(air[:, i]) & (air[:, i] <= ROOM))
        if not len(sites):
            continue  # no rate serves it
        picks = rows.choice([""] * len(sites))
        for s, pick in zip(sites.tolist(), picks, strict=True):
            rows.row([(1.0, opened[s]), (-1.0, pick)], low=0.0)
        total += [(float(air[s, i]), pick) for s, pick in zip(sites.tolist(), picks, strict=True)]
    rows.row(total, high=ROOM)
    try:
        least = rows.minimise([(1.0, u) for u in opened], "highs", time.monotonic() + limit)
    except mip.NoProof:
        return None
    return "none" if least is None else round(least)


def two_by_model(stack, limit):
    """Least excess and value of two generators by one model; None without proof within `limit` seconds."""
    try:
        found = proving.one_shot(stack, "highs", time.monotonic() + limit)
    except mip.NoProof:
        return None
    return None if found is None else (found[1].excess, found[1].value)


def problems(points, short, seeds, limit, count):
    """Problems whose points were made for rates of their own."""
    for seed in range(seeds):
        content = raw(generate(points, False, short, seed))
        content["solve"]["time_limit"] = f"{limit!r} s"
        content["generator"]["count"] = count
        if short and count == 1:  # little more than all points take at rates of their own
            stack = Stack.of(stackopt.Problem(**content))
            part = options(stack, rates(stack))
            least = np.where(part.excess == 0, part.air, np.inf).min(axis=(0, 2))
            content["air"]["capacity"] = f"{float(1.01 * least[np.isfinite(least)].sum() * stack.capacity)!r} L/min"
        yield stackopt.Problem(**content)


def show(work, points, kind, ours, theirs, limit):
    """One row: medians and their ratio."""
    own = statistics.median(seconds for _, seconds in ours)
    proved = [seconds if found is not None else np.inf for found, seconds in theirs]
    model = statistics.median(proved)
    shown = f"> {limit:g} s" if model == np.inf else f"{1000 * model:.0f} ms"
    ratio = f"> {limit / own:.0f}" if model == np.inf else f"{model / own:.1f}"
    done = sum(found is not None for found, _ in ours)
    print(f"{work:22} {points:6} {kind:10} {1000 * own:10.1f} ms {done}/{len(ours)} {shown:>12} "
          f"{sum(np.isfinite(proved))}/{len(theirs)} {ratio:>8}", flush=True)  # fmt: skip


def main():
    """Time both, side by side, and hold their answers equal."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--smoke", action="store_true", help="the smallest thing, in seconds")
    parser.add_argument("--limit", type=float, default=60.0, help="seconds a case")
    parser.add_argument("--seeds", type=int, default=3, help="cases a row")
    parser.add_argument("--only", choices=("split", "solve"), help="one of the two")
    parser.add_argument("--sizes", default=",".join(map(str, SIZES)), help="points")
    args = parser.parse_args()
    sizes = [12] if args.smoke else [int(size) for size in args.sizes.split(",")]
    seeds = 1 if args.smoke else args.seeds
    list(map(split, problems(5, False, 1, args.limit, 1)))  # load everything before the clock starts
    print(f"{'':22} {'points':>6} {'':10} {'stackopt':>13} proved {'one model':>10} proved {'ratio':>6}")
    for points in sizes:
        for kind, short in KINDS if args.only != "solve" else ():
            ours, theirs = [], []
            for problem in problems(points, short, seeds, args.limit, 1):
                found, seconds = timed(lambda problem=problem: split(problem))
                ours.append((found.count if found.proved else None, seconds))
                if found.proved and found.count is None:
                    ours[-1] = ("none", seconds)
                theirs.append(timed(lambda problem=problem: fewest_by_model(Stack.of(problem), args.limit)))
                known = {answer for answer in (ours[-1][0], theirs[-1][0]) if answer is not None}
                assert len(known) <= 1, f"split of {points} points, {kind}: {known}"
            show("split", points, kind, ours, theirs, args.limit)
        for kind, short in KINDS if args.only != "split" else ():
            ours, theirs = [], []
            for problem in problems(points, short, seeds, args.limit, 2):
                found, seconds = timed(lambda problem=problem: stackopt.solve(problem))
                proved = found.status == "optimal"
                ours.append(((found.objective.excess, found.objective.value) if proved else None, seconds))
                stack = replace(Stack.of(problem), count=2)
                theirs.append(timed(lambda stack=stack: two_by_model(stack, args.limit)))
                if proved and theirs[-1][0] is not None:
                    apart = max(abs(a - b) for a, b in zip(ours[-1][0], theirs[-1][0], strict=True))
                    assert apart <= AGREE, f"two generators, {points} points, {kind}: {ours[-1]} but {theirs[-1]}"
            show("solve, two generators", points, kind, ours, theirs, args.limit)


if __name__ == "__main__":
    sys.exit(main())
