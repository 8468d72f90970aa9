"""A real scheduler and two real workers on loopback, begun by dask's own commands."""

import re
import shutil
import signal
import subprocess
import sys
import time
import types
from pathlib import Path

import pytest
from lost_work import work
from test_batch import QUICK, timeless

import stackopt.fleet.cluster as cluster
from stackopt.errors import ProblemError
from stackopt.fleet.child import Lost

pytestmark = pytest.mark.xdist_group("cluster")  # what it sets up is for all of its tests

PROBLEMS = Path(__file__).parents[1] / "problems"


def begun(words, mark, folder, name):
    """A command of dask's, and what it said up to the mark."""
    log = folder / f"{name}.log"
    with open(log, "w") as stream:
        process = subprocess.Popen([sys.executable, "-m", "distributed.cli." + words[0], *words[1:]],
                                   cwd=Path(__file__).parent, stdout=stream, stderr=subprocess.STDOUT)  # fmt: skip
    for _ in range(1200):
        said = log.read_text()
        if re.search(mark, said):
            return process, said
        assert process.poll() is None, said
        time.sleep(0.05)
    raise AssertionError(said)


@pytest.fixture(scope="module")
def loopback(tmp_path_factory):
    """The address of a scheduler, and its two workers: processes that no nanny begins anew."""
    tmp_path, processes = tmp_path_factory.mktemp("cluster"), []
    try:
        scheduler, said = begun(["dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard",
                                  "--dashboard-address", "127.0.0.1:0", "--no-show"],
                                 r"Scheduler at:\s+tcp://\S+", tmp_path, "scheduler")  # fmt: skip
        processes.append(scheduler)
        address = re.search(r"Scheduler at:\s+(tcp://\S+)", said)[1]
        for name in ("one", "two"):
            worker, _ = begun(["dask_worker", address, "--nthreads", "1", "--no-nanny", "--no-dashboard", "--name",
                               name, "--local-directory", str(tmp_path)], "Registered to", tmp_path, name)  # fmt: skip
            processes.append(worker)
        yield address, processes[1:]
    finally:
        for process in reversed(processes):
            process.terminate()
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def test_a_cluster_gives_the_same_bytes_as_one_process(loopback, run, tmp_path):
    address, _ = loopback
    works = tmp_path / "works"
    works.mkdir()
    for name in [*QUICK, "spindles.csv"]:
        shutil.copy(PROBLEMS / name, works)
    (works / "wrong.toml").write_text("title = 1\n")
    one = run("solve", str(works), "--out", str(tmp_path / "one"), "--jobs", "1")
    many = run("solve", str(works), "--out", str(tmp_path / "many"), "--cluster", address)
    assert one.code == many.code == 2
    assert timeless(tmp_path / "one") == timeless(tmp_path / "many")


def test_workers_of_other_versions_are_refused():
    ours = cluster.versions()
    workers = {"tcp://a": ours, "tcp://b": ours | {"numpy": "0.1"}}
    with pytest.raises(cluster.Mismatch, match=f"tcp://b has numpy 0.1, here it is {ours['numpy']}"):
        cluster.compare(types.SimpleNamespace(run=lambda asked: workers), ours)
    with pytest.raises(cluster.Mismatch, match="python"):  # one that came later
        cluster.worked_on(work, [1], 10.0, ours | {"python": "2.7.18"})


def test_a_worker_of_another_version_ends_the_batch(loopback, run, tmp_path, monkeypatch):
    ours = cluster.versions() | {"numpy": "0.1"}
    monkeypatch.setattr(cluster, "versions", lambda: ours)
    got = run("solve", str(PROBLEMS / "today.toml"), "--out", str(tmp_path / "out"), "--cluster", loopback[0])
    assert got.code == 2 and "versions differ" in got.err and "0.1" in got.err


def test_where_there_is_no_cluster_that_is_told(monkeypatch):
    monkeypatch.setattr(cluster, "_WAIT", 0.5)
    with pytest.raises(ProblemError, match="a scheduler with workers"):
        list(cluster.spread(work, [1], "tcp://127.0.0.1:9", 1, 10.0))
    with pytest.raises(ProblemError, match="a scheduler with workers"):
        list(cluster.spread(work, [1], "nonsense://x", 1, 10.0))


def test_a_cluster_of_this_machine(run, tmp_path):
    got = run("solve", str(PROBLEMS / "today.toml"), "--out", str(tmp_path), "--cluster", "local", "--jobs", "1")
    assert got.code == 0 and "1 machine: 1 in tolerance" in got.out


# The last two take the cluster apart.


def test_what_goes_wrong_and_a_worker_that_dies_cost_nothing_else(loopback):
    """Killed in the middle: all that it had to do is done by the other, each item once."""
    address, workers = loopback
    items = [("slow", 0.05 + n / 10000) for n in range(60)]
    items[7], items[21] = "die", "bug"
    found = []
    for pair in cluster.spread(work, iter(items), address, 1, 20.0):
        found.append(pair)
        if len(found) == 10:
            workers[0].send_signal(signal.SIGKILL)
    results = dict(found)
    assert len(found) == len(items) == len(results)
    for number, item in enumerate(items):
        if item in ("die", "bug"):
            assert isinstance(results[number], Lost)
        else:
            assert results[number] == item


def test_a_scheduler_that_goes_away_is_told_and_what_is_done_is_kept(loopback, monkeypatch):
    import distributed

    monkeypatch.setattr(cluster, "_WAIT", 3.0)
    address, _ = loopback
    answers = cluster.spread(work, [("slow", 0.2)] * 50, address, 1, 20.0)
    next(answers)
    with distributed.Client(address, set_as_default=False) as client:
        client.shutdown()
    with pytest.raises(Exception, match="scheduler is gone"):
        list(answers)
