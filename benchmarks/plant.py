"""One plan a machine within the shared air, and whole works: python benchmarks/plant.py [--smoke] [--limit S].

First the choice alone at 10, 100 and 1,000 machines of 20 plans each, with air for the least excess of all and without,
against a plain one-shot model of each stage (PuLP, HiGHS): answers asserted equal where that ends within its limit, the
proof asserted in any case. Then `stackopt.plant` on seeded works of 10 and 100 files, from reading on.
"""

import argparse
import os
import tempfile
import time

for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[threads] = "1"  # before numpy is loaded

import numpy as np  # noqa: E402
import pulp  # noqa: E402
from works import write  # noqa: E402

import stackopt  # noqa: E402
from stackopt.fleet.sharing import Offers, share  # noqa: E402

AGREE = 1e-6
PLANS = 20


def offered(machines, short, seed):
    """Plans (excess, error, air) by machine, weights and room; `short`: not all can have their least excess."""
    draw = np.random.default_rng(seed)
    rows = []
    for _ in range(machines):
        air = draw.uniform(20, 60)
        row = []
        excess = 0.0
        for _ in range(5 if short else 1):
            size = PLANS // 5 if short else PLANS
            errors = np.sort(draw.uniform(0, 0.1, size))[::-1]
            airs = air + np.cumsum(draw.uniform(0.0, 2.0, size)) - 1.0
            row += [(excess, float(e), float(a)) for e, a in zip(errors, airs, strict=True)]
            air *= draw.uniform(0.85, 0.98)
            excess += float(draw.uniform(0.01, 0.1))
        rows.append(sorted(row, key=lambda plan: plan[2]))
    low = sum(row[0][2] for row in rows)
    high = sum(min(plan[2] for plan in row if plan[0] == 0) if short else row[-1][2] for row in rows)
    return rows, draw.uniform(0.5, 5.0, machines).tolist(), low + 0.4 * (high - low)


def one_shot(rows, weights, room, limit):
    """Least weighted excess, then least weighted error, by two plain models; None where one gave no proof in time."""
    total, reached, until = sum(weights), [], time.perf_counter() + limit
    for stage in (0, 1):
        model = pulp.LpProblem("plain", pulp.LpMinimize)
        picks = [[model.add_variable(f"y{m}_{k}", 0, 1, "Integer") for k in range(len(row))]
                 for m, row in enumerate(rows)]  # fmt: skip
        sums = [pulp.lpSum(w / total * plan[part] * y for w, row, ys in zip(weights, rows, picks, strict=True)
                           for plan, y in zip(row, ys, strict=True)) for part in (0, 1)]  # fmt: skip
        model.setObjective(sums[stage])
        for ys in picks:
            model += pulp.lpSum(ys) == 1
        model += pulp.lpSum(plan[2] / room * y for row, ys in zip(rows, picks, strict=True)
                            for plan, y in zip(row, ys, strict=True)) <= 1  # fmt: skip
        if stage == 1:
            model += sums[0] <= reached[0] + 1e-9
        left = until - time.perf_counter()
        if left <= 0:
            return None
        model.solve(pulp.HiGHS(msg=False, timeLimit=left, gapRel=0.0, threads=1, mip_abs_gap=1e-10,
                               mip_feasibility_tolerance=1e-9, primal_feasibility_tolerance=1e-9))  # fmt: skip
        if time.perf_counter() >= until:
            return None
        reached.append(float(pulp.value(sums[stage])))
    return reached


def choices(sizes, seeds, limit):
    """The choice alone."""
    for short in (False, True):
        for machines in sizes:
            for seed in range(seeds):
                rows, weights, room = offered(machines, short, seed)
                start = time.perf_counter()
                found = share(Offers.of(rows, weights, room))
                own = time.perf_counter() - start
                assert found.status == "optimal" and found.error - found.error_bound <= 1e-9
                start = time.perf_counter()
                plain = one_shot(rows, weights, room, limit)
                peer = time.perf_counter() - start
                if plain is not None:
                    assert abs(plain[0] - found.excess) <= AGREE and abs(plain[1] - found.error) <= AGREE
                told = f"one-shot {peer:7.2f} s, equal" if plain else f"one-shot > {limit:g} s, no proof"
                print(f"{machines:5} x {PLANS} plans, air {'short' if short else 'ample'}, seed {seed}: "
                      f"{own:7.3f} s, proved; {told}", flush=True)  # fmt: skip


def whole_works(sizes, jobs):
    """Works of seeded files, from reading to the answer; the same for any number of processes."""
    for machines in sizes:
        with tempfile.TemporaryDirectory() as folder:
            file = write(machines, folder, 0)
            answers = []
            for count in jobs:
                start = time.perf_counter()
                answer = stackopt.plant(file, count).to_dict()
                seconds = time.perf_counter() - start
                assert answer.pop("solve") and answer["status"] in ("optimal", "infeasible")
                answers.append(answer)
                print(f"works of {machines} files, {count} processes: {seconds:.1f} s, {answer['status']}, gap to all "
                      f"settings {answer['gap_to_all_settings']}", flush=True)  # fmt: skip
            assert all(answer == answers[0] for answer in answers)


def main():
    """Both, at sizes that grow."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--smoke", action="store_true", help="10 machines, 4 files")
    parser.add_argument("--limit", type=float, default=60.0, help="seconds for each one-shot model")
    parser.add_argument("--seeds", type=int, default=3)
    args = parser.parse_args()
    share(Offers.of(*offered(5, True, 9)))  # load everything before the clock starts
    choices((10,) if args.smoke else (10, 100, 1000), 1 if args.smoke else args.seeds, args.limit)
    whole_works((4,) if args.smoke else (10, 100), (1,) if args.smoke else (1, 2))


if __name__ == "__main__":
    main()
