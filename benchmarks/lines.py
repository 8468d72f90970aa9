"""A line before the stack beside what one would do by hand: python benchmarks/lines.py [--smoke].

The peer takes the air of every setting at a guessed pressure, solves that machine, sees what pressure its settings
bring, and repeats until that no longer changes: it proves nothing, and may go round in circles. Its answer, judged at
its own pressure, must not be better than ours.
"""

import argparse
import os
import statistics
import sys
import time

for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[threads] = "1"  # before numpy is loaded

from dataclasses import replace  # noqa: E402

from cases import generate, raw  # noqa: E402

import stackopt  # noqa: E402
from stackopt.judge import judge  # noqa: E402
from stackopt.optimise.search import search  # noqa: E402
from stackopt.stack import Stack  # noqa: E402

AGREE = 1e-8
CLASSES = (("one rate serves all", True), ("no rate serves all", False))
LINES = (("wide", 1.5), ("narrow", 0.7))  # what the line lets through, choked, of what the settings take without it


def timed(work):
    """What `work` gives, and its seconds."""
    start = time.perf_counter()
    found = work()
    return found, time.perf_counter() - start


def by_hand(stack, rounds=20):
    """The best settings that repeated solving at the pressure last seen comes to, judged; None without any."""
    pressure, best = stack.pressure, None
    for _ in range(rounds):
        outcome = search(replace(stack, line=None, flow=stack.at(pressure)))
        if outcome.settings is None:
            break
        verdict = judge(stack, outcome.settings)
        if verdict.allowed and (best is None or (verdict.least, verdict.value) < (best.least, best.value)):
            best = verdict
        if abs(verdict.pressure - pressure) < 1e-6:
            break
        pressure = verdict.pressure
    return best


def machines(points, shared, share, seeds, limit):
    """Stacks of `benchmarks/cases.py` behind a line."""
    for seed in range(seeds):
        content = raw(generate(points, shared, False, seed))
        content["solve"]["time_limit"] = f"{limit!r} s"
        free = search(Stack.of(stackopt.Problem(**content)))
        air = judge(Stack.of(stackopt.Problem(**content)), free.settings).air
        conductance = share * air / 60 / 7.01325
        content["air"]["line"] = {"conductance": f"{conductance!r} L/(s bar)", "critical_ratio": 0.3}
        yield Stack.of(stackopt.Problem(**content))


def main():
    """Measure, and print a table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--smoke", action="store_true", help="one small machine")
    smoke = parser.parse_args().smoke
    print("| points | class | line | median | worst | proved | by hand | worse by hand |")
    print("|---|---|---|---|---|---|---|---|")
    for points in (5,) if smoke else (5, 12, 32):
        for name, shared in CLASSES[:1] if smoke or points == 5 else CLASSES:
            for line, share in LINES[:1] if smoke else LINES:
                took, hand, proved, worse = [], [], 0, 0
                for stack in machines(points, shared, share, 1 if smoke else 5, 60.0):
                    outcome, seconds = timed(lambda stack=stack: search(stack))
                    peer, its = timed(lambda stack=stack: by_hand(stack))
                    took.append(seconds)
                    hand.append(its)
                    proved += outcome.status == "optimal"
                    ours = judge(stack, outcome.settings) if outcome.settings else None
                    if ours is None or peer is None:
                        worse += ours is not None
                        continue
                    if outcome.status == "optimal" and (peer.least, peer.value) < (ours.least - AGREE, ours.value):
                        sys.exit(f"by hand is better at {points} points: {peer.least} {peer.value}")
                    worse += peer.least > ours.least + AGREE or peer.value > ours.value + AGREE
                times = (statistics.median(took), max(took), statistics.median(hand))
                middle, most, its = (f"{1000 * seconds:.0f} ms" for seconds in times)
                cells = (points, name, line, middle, most, f"{proved} of {len(took)}", its, f"{worse} of {len(took)}")
                print("|", " | ".join(map(str, cells)), "|", flush=True)


if __name__ == "__main__":
    main()
