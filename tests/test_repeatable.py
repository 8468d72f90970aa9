"""The same file gives the same bytes, whatever the process: threads, hash seeds, what was solved before."""

import os
import subprocess
import sys
from pathlib import Path

import stackopt

PROBLEMS = Path(__file__).parents[1] / "problems"
FILES = ["two-generators.toml", "free-dial.toml", "robust.toml", "short-air.toml"]


def lines(threads, seed, files=FILES):
    """The answers of a process of its own, without what it took, as bytes."""
    command = [sys.executable, "-m", "stackopt", "solve", *(str(PROBLEMS / file) for file in files), "--json"]
    got = subprocess.run(command,
                         capture_output=True, env=os.environ | {
                             "OMP_NUM_THREADS": threads, "OPENBLAS_NUM_THREADS": threads, "PYTHONHASHSEED": seed},
                         check=False)  # fmt: skip
    assert got.returncode == 3 and not got.stderr
    return [line.partition(b'"solve": ')[0] for line in got.stdout.splitlines()]


def test_threads_hash_seeds_and_order_change_no_byte():
    one = lines("1", "1")
    assert len(one) == len(FILES) and all(len(line) > 1000 for line in one)
    assert one == lines("2", "77", FILES[::-1])[::-1]


def test_an_answer_says_by_which_versions_it_came():
    told = stackopt.solve(stackopt.read(PROBLEMS / "robust.toml")).to_dict()["solve"]["versions"]
    assert told["stackopt"] == stackopt.__version__ and told["python"] == ".".join(map(str, sys.version_info[:3]))
    assert set(told) == {"python", "stackopt", "numpy", "scipy", "pulp", "highspy", "pydantic", "pint"}
