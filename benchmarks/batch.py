"""Many machines: python benchmarks/batch.py speed | parts | jobs | cluster | peers | memory (each with --smoke)."""

import argparse
import json
import math
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[threads] = "1"  # before numpy is loaded

from cases import generate, raw, toml  # noqa: E402

SORTS = [(True, False), (False, True)]  # (shared, short)


def describe(shared, short):
    """Name a kind of machine."""
    return f"{'one rate serves all' if shared else 'no rate serves all'}, air {'short' if short else 'ample'}"


def files_in(folder, count, points, shared, short):
    """Write so many problem files."""
    Path(folder).mkdir()
    for number in range(count):
        Path(folder, f"m{number:06}.toml").write_text(toml(raw(generate(points, shared, short, number))))


def batch(folder, out, *words):
    """Seconds of a whole run of the command, its start included, and the peak memory of its first process [MB]."""
    command = [sys.executable, "-m", "stackopt", "solve", str(folder), "--out", str(out), *words]
    code = ("import resource, subprocess, sys, time; start = time.perf_counter(); "
            "done = subprocess.Popen(sys.argv[1:], stdout=subprocess.DEVNULL); "
            "_, _, used = __import__('os').wait4(done.pid, 0); "
            "print(time.perf_counter() - start, used.ru_maxrss)")  # fmt: skip
    said = subprocess.run([sys.executable, "-c", code, *command], capture_output=True, text=True, check=True,
                          cwd=tempfile.gettempdir()).stdout.split()  # fmt: skip
    return float(said[0]), float(said[1]) / 1024


def answers(out):
    """What a folder of answers holds, without times."""
    found = {}
    for file in sorted(Path(out).glob("*.json")):
        data = json.loads(file.read_text())
        data.pop("solve", None)
        found[file.name] = data
    return found


def speed(args):
    """Files a second and core, reading and writing included: two batches, so that the start falls out."""
    for shared, short in SORTS:
        count = 30 if args.smoke else 100 if short else 1000
        with tempfile.TemporaryDirectory() as top:
            files_in(Path(top, "few"), count // 10, 12, shared, short)
            files_in(Path(top, "many"), count, 12, shared, short)
            few = batch(Path(top, "few"), Path(top, "o1"), "--jobs", "1")[0]
            many = batch(Path(top, "many"), Path(top, "o2"), "--jobs", "1")[0]
            assert len(answers(Path(top, "o2"))) == count
        rate = (count - count // 10) / (many - few)
        print(f"{describe(shared, short):40} {count} files in {many:.1f} s; {rate:.1f} a second, start left out")


def parts(args):
    """Where the time of a file goes, in this process."""
    from stackopt.fleet.answers import Answer
    from stackopt.fleet.folder import Folder
    from stackopt.problem.files import problem_in, source_at
    from stackopt.result import data_of, solve

    for shared, short in SORTS:
        count = 20 if args.smoke else 50 if short else 300
        with tempfile.TemporaryDirectory() as top:
            files_in(Path(top, "works"), count, 12, shared, short)
            names = sorted(str(file) for file in Path(top, "works").iterdir())
            spent = dict.fromkeys(("bytes", "parse and check", "solve", "explain", "JSON", "write"), 0.0)
            folder = Folder(str(Path(top, "out")), names)
            folder.begin(False)

            def took(part, work, *given, spent=spent):
                start = time.perf_counter()
                found = work(*given)
                spent[part] += time.perf_counter() - start
                return found

            for number, name in enumerate(names):
                source = took("bytes", source_at, name).whole()
                problem = took("parse and check", problem_in, source)
                result = took("solve", solve, problem)
                data = took("explain", data_of, result)
                line = took("JSON", lambda data=data: (json.dumps(data, allow_nan=False) + "\n").encode())
                took("write", folder.keep, number, Answer(0, line, {"exit": 0}), None)
        print(f"{describe(shared, short):40}", "; ".join(f"{k} {1000 * v / count:.2f} ms" for k, v in spent.items()))


def jobs(args):
    """One, two and four processes on the same files, answers asserted equal."""
    for shared, short in SORTS:
        count = 20 if args.smoke else 60 if short else 600
        with tempfile.TemporaryDirectory() as top:
            files_in(Path(top, "works"), count, 12, shared, short)
            times, found = {}, {}
            for number in (1, 2, 4):
                out = Path(top, f"out{number}")
                times[number] = batch(Path(top, "works"), out, "--jobs", str(number))[0]
                found[number] = answers(out)
            assert found[1] == found[2] == found[4]
        print(f"{describe(shared, short):40} {count} files: " + "; ".join(
            f"{n} jobs {t:.1f} s ({times[1] / t:.2f} x)" for n, t in times.items()), flush=True)  # fmt: skip


def cluster(args):
    """Two workers of a real cluster against one, a scheduler's start left out; answers asserted equal."""
    count = 20 if args.smoke else 60
    with tempfile.TemporaryDirectory() as top:
        files_in(Path(top, "works"), count, 12, False, True)
        times, found = {}, {}
        scheduler = subprocess.Popen([sys.executable, "-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1",
                                      "--port", "8901", "--no-dashboard"], stderr=subprocess.DEVNULL)  # fmt: skip
        workers = []
        try:
            for number in (1, 2):
                workers.append(subprocess.Popen(
                    [sys.executable, "-m", "distributed.cli.dask_worker", "tcp://127.0.0.1:8901", "--nthreads", "1",
                     "--no-dashboard", "--local-directory", top], stderr=subprocess.DEVNULL))  # fmt: skip
                time.sleep(8)
                turns = []
                for turn in range(2):
                    out = Path(top, f"out{number}-{turn}")
                    turns.append(batch(Path(top, "works"), out, "--cluster", "tcp://127.0.0.1:8901")[0])
                    found[number] = answers(out)
                times[number] = statistics.median(turns)
            out = Path(top, "alone")
            alone = batch(Path(top, "works"), out, "--jobs", "1")[0]
            assert found[1] == found[2] == answers(out)
        finally:
            for process in [*workers, scheduler]:
                process.terminate()
                process.wait()
    print(f"{count} files: one worker {times[1]:.1f} s, two {times[2]:.1f} s ({times[1] / times[2]:.2f} x); "
          f"one process without a cluster {alone:.1f} s")


def peer(path, limit=60.0):
    """Excess and value of one file by the one-shot model in PuLP, from the case itself."""
    from peers import PEERS

    answer = PEERS["highs"](path, limit)
    return answer.excess, answer.value, answer.proved


def peers(args):
    """The same machines by a loop of one-shot PuLP models, and by that under joblib; answers asserted equal."""
    import joblib

    for shared, short in SORTS:
        count = 3 if args.smoke else 8 if short else 50
        cases = [generate(12, shared, short, seed) for seed in range(count)]
        with tempfile.TemporaryDirectory() as top:
            files_in(Path(top, "works"), count, 12, shared, short)
            times = {}
            for number in (1, 2):
                out = Path(top, f"out{number}")
                times[f"stackopt, {number} jobs"] = batch(Path(top, "works"), out, "--jobs", str(number))[0]
            ours = [(data["objective"]["excess"], data["objective"]["value"]) for data in answers(out).values()]
        start = time.perf_counter()
        loop = [peer(case) for case in cases]
        times["loop of one-shot models"] = time.perf_counter() - start
        start = time.perf_counter()
        spread = joblib.Parallel(n_jobs=2)(joblib.delayed(peer)(case) for case in cases)
        times["the same under joblib, 2 jobs"] = time.perf_counter() - start
        for mine, theirs, again in zip(ours, loop, spread, strict=True):
            assert all(math.isclose(a, b, abs_tol=1e-6) for a, b in zip(mine, theirs[:2], strict=True)), (mine, theirs)
            assert theirs == again or not theirs[2]
        base = times["stackopt, 1 jobs"]
        print(f"{describe(shared, short):40} {count} files: " + "; ".join(
            f"{name} {t:.1f} s ({t / base:.1f} x)" for name, t in times.items()), flush=True)  # fmt: skip


def memory(args):
    """Peak memory of the batch's own process at many small machines."""
    for count in ((100,) if args.smoke else (1000, 100_000)):
        with tempfile.TemporaryDirectory() as top:
            Path(top, "works").mkdir()
            text = toml(raw(generate(1, True, False, 0)))
            for number in range(count):
                Path(top, "works", f"m{number:06}.toml").write_text(f"title = \"{number}\"\n" + text)
            seconds, peak = batch(Path(top, "works"), Path(top, "out"), "--jobs", "2")
            assert sum(1 for _ in Path(top, "out").glob("*.json")) == count
        print(f"{count:7} machines of one point: {peak:.0f} MB at most, {seconds:.0f} s, {count / seconds:.0f} a s",
              flush=True)  # fmt: skip


def main():
    """Run one of the benchmarks."""
    parser = argparse.ArgumentParser(description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True)
    for command in (speed, parts, jobs, cluster, peers, memory):
        sub = commands.add_parser(command.__name__, help=command.__doc__)
        sub.set_defaults(run=command)
        sub.add_argument("--smoke", action="store_true", help="the smallest thing, in seconds")
    args = parser.parse_args()
    args.run(args)


if __name__ == "__main__":
    main()
