"""Batches killed and solves interrupted at random moments: python .fuzz/kill.py [--kills 200] [--interrupts 50].

After each kill the batch is resumed and must hold the same bytes as one that was left alone (but for times). Each
interrupted solve must end with exit 130 (or be done), print JSON that holds against its file, and no traceback.
"""

import argparse
import collections
import json
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from test_batch import timeless

import stackopt
from stackopt.problem.files import text_of

PROBLEMS = Path(__file__).parents[1] / "problems"
QUICK = ["drill-head.toml", "from-spreadsheet.toml", "saw-blade.json", "today.toml", "robust.toml",
         "two-generators.toml", "two-sizes.toml", "per-part-and-drops.toml", "free-dial.toml"]  # fmt: skip
HARD = ["rules.toml", "sizing-24.toml", "long-line.toml", "head-32.toml", "short-air.toml", "drill-and-tap.toml"]
COMMAND = [sys.executable, "-m", "stackopt", "solve"]


def left_alone(jobs, works, out):
    """The seconds to the first answer of an undisturbed batch, and to its end."""
    start = time.perf_counter()
    batch = subprocess.Popen([*COMMAND, str(works), "--out", str(out), "--jobs", str(jobs)], stdout=subprocess.DEVNULL)
    while not list(out.glob("*.json")):
        time.sleep(0.01)
    first = time.perf_counter() - start
    batch.wait()
    return first, time.perf_counter() - start


def kills(count, rng, top):
    """Kill so many batches; how many were running still then, and with or without answers."""
    works = top / "works"
    works.mkdir()
    for name in QUICK:
        problem = stackopt.read(PROBLEMS / name)
        for n in range(6):
            file = works / f"{Path(name).stem}-{n}.json"
            file.write_text(text_of(problem, str(file)))
    (works / "wrong.toml").write_text("title = 1\n")
    spans = {jobs: left_alone(jobs, works, top / f"whole{jobs}") for jobs in (1, 2)}
    expected = timeless(top / "whole1")
    assert timeless(top / "whole2") == expected
    seen = collections.Counter()
    for n in range(count):
        out, jobs = top / f"out{n}", 1 + n % 2
        words = [*COMMAND, str(works), "--out", str(out), "--jobs", str(jobs)]
        batch = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        first, whole = spans[jobs]
        if n % 4:
            while batch.poll() is None and not list(out.glob("*.json")):
                time.sleep(0.005)
            time.sleep(rng.uniform(0, 0.8 * (whole - first)))
        else:  # one of four before there are answers
            time.sleep(rng.uniform(0, first))
        batch.kill()
        seen["killed" if batch.wait() == -signal.SIGKILL else "done before"] += 1
        done = len(list(out.glob("*.json"))) if out.exists() else 0
        seen["with no answers there" if not done else "with some answers there"] += done < len(expected) - 1
        subprocess.run([*words, "--resume"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=False)
        assert timeless(out) == expected, out
        shutil.rmtree(out)
    return seen


def interrupts(count, rng):
    """Interrupt so many solves; how each ended, and whether its answer held."""
    seen, spans = collections.Counter(), {}
    for name in HARD:
        start = time.perf_counter()
        subprocess.run([*COMMAND, str(PROBLEMS / name), "--json"], stdout=subprocess.DEVNULL, check=False)
        spans[name] = time.perf_counter() - start
    for n in range(count):
        file = PROBLEMS / HARD[n % len(HARD)]
        solve = subprocess.Popen([*COMMAND, str(file), "--json"], stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                                 text=True)  # fmt: skip
        time.sleep(rng.uniform(0.15, spans[file.name]))  # before that Python itself is starting
        start = time.perf_counter()
        solve.send_signal(signal.SIGINT)
        out, err = solve.communicate(timeout=60)
        late = time.perf_counter() - start
        assert "Traceback" not in err, err
        assert solve.returncode in (0, 3, 130, -signal.SIGINT), (file, solve.returncode, err)
        how = f"exit {solve.returncode}"
        if out:
            data = json.loads(out)
            held = stackopt.verify(stackopt.read(file), data) if data["format"] == "stackopt.result/1" else None
            how += f", {held.verdict}" if held else ", a fault"
            assert held is None or held.exit_code != 3, (file, str(held))
        else:
            how += ", nothing printed"
        seen[how] += 1
        seen["slowest, tenths of a second"] = max(seen["slowest, tenths of a second"], round(10 * late))
    return seen


def main():
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--interrupts", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    rng = random.Random(args.seed)
    signal.signal(signal.SIGINT, signal.default_int_handler)  # in the background it is ignored, by children too
    with tempfile.TemporaryDirectory() as top:
        print("killed batches:", dict(kills(args.kills, rng, Path(top))), flush=True)
    print("interrupted solves:", dict(interrupts(args.interrupts, rng)), flush=True)


if __name__ == "__main__":
    main()
