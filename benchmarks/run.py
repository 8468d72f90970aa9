"""Benchmarks of stackopt: python benchmarks/run.py classes | growth | cold | files (each with --smoke)."""

import argparse
import json
import math
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[threads] = "1"  # before numpy is loaded

from cases import CLASSES, generate, raw, toml  # noqa: E402
from peers import PEERS, Answer  # noqa: E402

AGREE = 1e-6
GROWTH = [32, 64, 128, 256, 512, 1024, 2048, 4096]
SORTS = [(True, False), (False, False), (False, True)]  # (shared, short)
HEAVY_IMPORTS = "import numpy, pydantic, pint, typer"


def stackopt_answer(case, limit):
    """Time stackopt.solve alone, from the Problem to the Result."""
    import stackopt

    content = raw(case)
    content["solve"]["time_limit"] = f"{limit!r} s"
    problem = stackopt.Problem(**content)
    start = time.perf_counter()
    result = stackopt.solve(problem)
    seconds = time.perf_counter() - start
    return Answer(result.objective.excess, result.objective.value, result.status == "optimal", seconds,
                  "" if result.status == "optimal" else result.status)


def describe(shared, short):
    """Name a class of cases."""
    doses = "all in tolerance at one rate" if shared else "no rate serves all"
    return f"{doses}, air {'short' if short else 'ample'}"


def classes(args):
    """Time to the proved optimum, of every method on every class."""
    methods = {} if args.without_stackopt else {"stackopt": stackopt_answer}
    methods |= {name: PEERS[name] for name in args.peers.split(",") if name}
    chosen = CLASSES[:2] if args.smoke else CLASSES
    for method in methods.values():  # load every solver before the clock starts
        method(generate(5, True, False, 0), args.limit)
    print(f"{'class':52} {'method':9} {'median ms':>11} {'proved':>8} {'x stackopt':>11}")
    for points, shared, short in chosen:
        answers = {name: [] for name in methods}
        for seed in range(args.seeds):
            case = generate(points, shared, short, seed)
            for name, method in methods.items():
                answers[name].append(method(case, args.limit))
            check({name: found[-1] for name, found in answers.items()}, (points, shared, short, seed))
        base = None
        for name, found in answers.items():
            median = statistics.median(answer.seconds if answer.proved else math.inf for answer in found)
            base = median if name == "stackopt" else base
            shown = f">{args.limit:g} s" if median == math.inf else f"{1000 * median:.2f}"
            ratio = f"{median / base:.1f}" if base else ""
            if base and median == math.inf:
                ratio = f">{args.limit / base:.0f}"
            proved = f"{sum(answer.proved for answer in found)}/{len(found)}"
            title = f"{points} points, {describe(shared, short)}"
            print(f"{title:52} {name:9} {shown:>11} {proved:>8} {ratio:>11}", flush=True)
        if args.cases:
            for name, found in answers.items():
                late = f">{args.limit:g} s"
                times = [f"{1000 * a.seconds:.2f}" if a.proved else f"{late} ({a.note})" for a in found]
                print(f"    {name}: {', '.join(times)}", flush=True)


def check(answers, label):
    """Every proved answer is the same, and keeps within the air there is."""
    proved = {name: answer for name, answer in answers.items() if answer.proved}
    for name, answer in proved.items():
        assert not answer.note, f"{label} {name}: {answer.note}"
        for other, second in proved.items():
            apart = max(abs(answer.excess - second.excess), abs(answer.value - second.value))
            assert apart <= AGREE, f"{label}: {name} {answer} but {other} {second}"


def growth(args):
    """Time and peak memory by number of points, a fresh process each."""
    method = "loop" if args.without_stackopt else "stackopt"
    sizes = GROWTH[:3] if args.smoke else [size for size in GROWTH if size <= args.most]
    print(f"{'class':38} {'points':>7} {'ms':>11} {'peak MB':>9} {'of it before':>13}  ({method})")
    for shared, short in SORTS:
        times = []
        for size in sizes:
            asked = [str(size), str(int(shared)), str(int(short)), method, repr(args.limit)]
            done = subprocess.run([sys.executable, __file__, "child", *asked], capture_output=True, text=True)
            if done.returncode:
                sys.exit(done.stderr)
            seconds, peak, before, proved, note = json.loads(done.stdout.splitlines()[-1])
            shown = f"{1000 * seconds:.2f}" if proved else f">{args.limit:g} s"
            row = f"{describe(shared, short):38} {size:7} {shown:>11} {peak:9.1f} {before:13.1f}  {note}"
            print(row.rstrip(), flush=True)
            if proved:
                times.append((math.log(size), math.log(seconds)))
        if len(times) > 1:
            slope = statistics.linear_regression(*zip(*times, strict=True)).slope
            print(f"{describe(shared, short):38} time grows as points to the power {slope:.2f}")


def child(args):
    """Solve one case of `growth` and print its time and memory."""
    points, shared, short, method, limit = args.asked
    solve = stackopt_answer if method == "stackopt" else PEERS[method]
    case = generate(int(points), shared == "1", short == "1", 0)
    solve(generate(5, True, False, 0), float(limit))  # loads everything
    before = peak_megabytes()
    answer = solve(case, float(limit))
    print(json.dumps([answer.seconds, peak_megabytes(), before, bool(answer.proved), answer.note]))


def peak_megabytes():
    """Peak memory of this process."""
    unit = 1 if sys.platform == "darwin" else 1024  # bytes there, KiB elsewhere
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit / 1e6


def cold(args):
    """A whole run of the command against the bare import of the libraries it stands on."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "twelve.toml")
        path.write_text(toml(raw(generate(12, True, False, 0))))
        commands = {"imports": [sys.executable, "-c", HEAVY_IMPORTS]}
        if not args.without_stackopt:
            commands["stackopt"] = [sys.executable, "-m", "stackopt", "solve", str(path)]
        times = {name: [] for name in commands}
        for turn in range((1 if args.smoke else 11) + 1):
            for name, command in commands.items():
                start = time.perf_counter()
                # not in this folder, where the package lies uncompiled
                subprocess.run(command, check=True, stdout=subprocess.DEVNULL, cwd=folder)
                if turn:  # the first turn only fills the file cache
                    times[name].append(time.perf_counter() - start)
    medians = {name: statistics.median(found) for name, found in times.items()}
    for name, median in medians.items():
        print(f"{name:9} {1000 * median:8.1f} ms, median of {len(times[name])}")
    if "stackopt" in medians:
        print(f"ratio     {medians['stackopt'] / medians['imports']:8.2f}")


def files(args):
    """Files of 12 points read, solved and written in one process."""
    count = 10 if args.smoke else 1000
    for short in (False, True):
        with tempfile.TemporaryDirectory() as folder:
            made = [generate(12, not short, short, seed) for seed in range(count)]
            paths = [Path(folder, f"{number}.toml") for number in range(count)]
            for path, case in zip(paths, made, strict=True):
                path.write_text(toml(raw(case)))
            start = time.perf_counter()
            if args.without_stackopt:
                optimal = sum(PEERS["loop"](case, args.limit).proved for case in made)
            else:
                optimal = sum(solve_file(path) for path in paths)
            seconds = time.perf_counter() - start
        print(f"{describe(not short, short):38} {count} files, {optimal} optimal, "
              f"{seconds:.2f} s, {count / seconds:.1f} files/s", flush=True)


def solve_file(path):
    """Read, solve and write one file; True where it was solved to the optimum."""
    import stackopt

    result = stackopt.solve(stackopt.read(path))
    path.with_suffix(".json").write_text(json.dumps(result.to_dict()))
    return result.status == "optimal"


def main():
    """Run one of the benchmarks."""
    parser = argparse.ArgumentParser(description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True)
    for command in (classes, growth, cold, files):
        sub = commands.add_parser(command.__name__, help=command.__doc__)
        sub.set_defaults(run=command)
        sub.add_argument("--smoke", action="store_true", help="the smallest thing, in seconds")
        alone = "the peers alone; the loop instead of stackopt in growth and files"
        sub.add_argument("--without-stackopt", action="store_true", help=alone)
        sub.add_argument("--limit", type=float, default=60.0, help="seconds a case")
        if command is classes:
            sub.add_argument("--seeds", type=int, default=None, help="cases a class (5; 1 with --smoke)")
            sub.add_argument("--peers", default="highs,cbc,loop,cpsat,scip")
            sub.add_argument("--cases", action="store_true", help="print the time of every case too")
        if command is growth:
            sub.add_argument("--most", type=int, default=GROWTH[-1], help="largest number of points")
    hidden = commands.add_parser("child")
    hidden.set_defaults(run=child)
    hidden.add_argument("asked", nargs=5)
    args = parser.parse_args()
    if args.command == "classes" and args.seeds is None:
        args.seeds = 1 if args.smoke else 5
    args.run(args)


if __name__ == "__main__":
    main()
