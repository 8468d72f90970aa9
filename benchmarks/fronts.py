"""Error against air, a front of 25 plans: python benchmarks/fronts.py (--smoke), beside single solves and NSGA-II.

The machines are those of `cases`, with tolerances and pumps to choose from, so that there is something to trade.
NSGA-II (pymoo) chooses the rate and each point's option among those that allow the least excess, with capacity as its
constraint.
"""

import argparse
import os
import statistics
import time

for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[threads] = "1"  # before numpy is loaded

import numpy as np  # noqa: E402
from cases import generate, raw  # noqa: E402

import stackopt  # noqa: E402
from stackopt.judge import ROOM, TIE  # noqa: E402
from stackopt.optimise.scan import options  # noqa: E402
from stackopt.plans import tradeoff  # noqa: E402
from stackopt.stack import Stack  # noqa: E402

PLANS = 25
SIZES = (5, 12, 32)


def machine(points, seed):
    """A machine with both pumps to choose from, wide tolerances, and least air by the dose: less oil needs less air."""
    case = generate(points, True, False, seed)
    for point in case["points"]:
        point["pump"] = ["small", "large"]
        point["below"], point["above"] = 0.4, 0.4
        low, thin = point["air_flow"][0], point["air_per_dose"][0]
        point["air_flow"], point["air_per_dose"] = (None, None), (thin or low / (point["dose"] / 60), None)
    return stackopt.Problem(**raw(case))


def timed(work):
    """Seconds that it took, and what came out."""
    start = time.perf_counter()
    found = work()
    return time.perf_counter() - start, found


def volume(pairs, corner):
    """Area that (air, error) pairs dominate below a corner."""
    area, level = 0.0, corner[1]
    for air, error in sorted(pairs):
        if air < corner[0] and error < level:
            area += (corner[0] - air) * (level - error)
            level = error
    return area


def genetic(stack, front, corner, budget):
    """Seconds until NSGA-II has 99 % of the front's area (None: never within the budget), its share, and its plans."""
    from pymoo.algorithms.moo.nsga2 import NSGA2
    from pymoo.core.problem import Problem
    from pymoo.operators.crossover.ux import UX
    from pymoo.operators.mutation.pm import PM
    from pymoo.optimize import minimize

    # To help it: only rates at which every point can be in tolerance, and of the options there those that no other one
    # of the point beats, by rising air; a share of their number picks one.
    part = options(stack, stack.steps)
    good = part.excess <= TIE
    at = np.flatnonzero(good.any(axis=2).all(axis=1))
    air = np.where(good, part.air, np.inf)[at]
    order = np.lexsort((part.error[at], air), axis=2)
    error, air = (np.take_along_axis(p, order, axis=2) for p in (np.where(good, part.error, np.inf)[at], air))
    lowest = np.minimum.accumulate(np.concatenate((np.full((*error.shape[:2], 1), 1e9), error), axis=2), axis=2)
    left = error < lowest[..., :-1]
    order = np.argsort(~left, axis=2, kind="stable")
    error, air, counts = *(np.take_along_axis(p, order, axis=2) for p in (error, air)), left.sum(axis=2)
    point = np.arange(len(stack.names))
    target, reached, share = 0.99 * volume(front, corner), None, 0.0

    class Machine(Problem):
        def __init__(self):
            super().__init__(n_var=1 + len(point), n_obj=2, n_ieq_constr=1, xl=0.0, xu=1.0 - 1e-9)

        def _evaluate(self, x, out, *args, **kwargs):
            rate = (x[:, :1] * len(at)).astype(int)
            pick = (x[:, 1:] * counts[rate, point]).astype(int)
            a = air[rate, point, pick].sum(axis=1)
            out["F"] = np.stack((a * stack.capacity, error[rate, point, pick].sum(axis=1)), axis=1)
            out["G"] = a[:, None] - ROOM

    start = time.perf_counter()
    seen = []

    def watch(algorithm):
        nonlocal reached, share
        if algorithm.opt is None or not len(algorithm.opt):
            return
        seen[:] = [tuple(f) for f, ok in zip(algorithm.opt.get("F"), algorithm.opt.get("FEAS"), strict=True) if ok[0]]
        share = max(share, volume(seen, corner) / volume(front, corner))
        if reached is None and volume(seen, corner) >= target:
            reached = time.perf_counter() - start
            algorithm.termination.force_termination = True

    method = NSGA2(pop_size=100, crossover=UX(prob=0.9), mutation=PM(eta=5), eliminate_duplicates=True)
    minimize(Machine(), method, ("time", budget), seed=1, callback=watch, verbose=False)
    return reached, share, seen


def main():
    """Time fronts on machines of several sizes."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--smoke", action="store_true", help="the smallest thing, in seconds")
    parser.add_argument("--seeds", type=int, default=5)
    parser.add_argument("--budget", type=float, default=60.0, help="seconds of NSGA-II a machine")
    parser.add_argument("--without-nsga", action="store_true")
    args = parser.parse_args()
    sizes, seeds = (SIZES[:1], 1) if args.smoke else (SIZES, args.seeds)
    budget = 2.0 if args.smoke else args.budget
    stackopt.solve(machine(5, 99)), tradeoff(machine(5, 99), PLANS)  # loads everything
    print(f"{'points':>6} {'seed':>4} {'plans':>5} {'solve ms':>9} {'front ms':>9} {'solves':>7} {'whole':>7} "
          f"{'ms':>7}  NSGA-II: time for 99 %")  # fmt: skip
    for points in sizes:
        ratios = []
        for seed in range(seeds):
            problem = machine(points, seed)
            one = statistics.median(timed(lambda p=problem: stackopt.solve(p))[0] for _ in range(5))
            seconds, found = timed(lambda p=problem: tradeoff(p, PLANS))
            all_seconds, whole = timed(lambda p=problem: tradeoff(p, everything=True))
            ratios.append(seconds / one)
            front = [(plan.air_L_per_min, plan.mean_error) for plan in whole.plans]
            assert all(any(abs(p.air_L_per_min - a) <= 1e-6 and abs(p.mean_error - e) <= 1e-9 for a, e in front)
                       for p in found.plans), "a plan listed is not one of the whole front"  # fmt: skip
            line = (f"{points:6} {seed:4} {len(found.plans):5} {1000 * one:9.2f} {1000 * seconds:9.2f} "
                    f"{ratios[-1]:7.1f} {len(front):7} {1000 * all_seconds:7.1f}")  # fmt: skip
            if not args.without_nsga and len(front) > 2 and (seed < 2 or args.smoke):
                stack = Stack.of(problem)
                (left, high), (right, low) = front[0], front[-1]
                corner = (right + 0.1 * (right - left), high + 0.1 * (high - low))
                reached, share, seen = genetic(stack, front, corner, budget)
                for air, error in seen:
                    known = any(a <= air + 1e-6 and e <= error + 1e-9 for a, e in front)
                    assert known, "NSGA-II found a plan that the front does not have"
                late = "" if reached else "> "
                line += (f"  {late}{reached or budget:.1f} s, {late}{(reached or budget) / seconds:.0f} x, "
                         f"{100 * share:.2f} % of the area")  # fmt: skip
            print(line, flush=True)
        print(f"{points:6} median {statistics.median(ratios):.1f} single solves", flush=True)


if __name__ == "__main__":
    main()
