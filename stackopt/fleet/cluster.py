"""Work spread over the workers of a cluster, by dask.distributed; nothing else imports it."""

import asyncio
import concurrent.futures
import contextlib
import functools
import importlib.metadata
import itertools
import logging
import threading
import time
from collections.abc import Callable, Generator, Iterable, Iterator
from typing import Any

from stackopt.errors import Fault, ProblemError, StackoptError, library
from stackopt.fleet.child import Lost
from stackopt.fleet.pool import Child, cores
from stackopt.installed import decisive

AHEAD = 2  # pieces of work that wait for each thread of a worker
PIECE = 1.0  # seconds of work that go to a worker at once, so that sending them costs little
MOST = 500  # items at once
_WAIT = 20.0  # seconds in which a cluster must be found and have a worker
_here = threading.local()


class Mismatch(StackoptError):
    """A worker has other versions than this program."""

    exit_code = 2


@functools.cache
def versions() -> dict[str, str]:
    """The versions that must be the same everywhere, since answers could differ by them."""
    return {**decisive(), "distributed": importlib.metadata.version("distributed")}


def need() -> None:
    """Raise ProblemError where what a cluster needs is not installed."""
    try:
        import distributed  # noqa: F401
    except ImportError as error:
        raise ProblemError((Fault("--cluster", f"no module {error.name}", "stackopt[cluster] installed"),)) from None


def spread(work: Callable[[Any], Any], items: Iterable[Any], address: str, jobs: int, seconds: float
           ) -> Generator[tuple[int, Any], None, None]:  # fmt: skip
    """As `pool.spread`, on the cluster at an address, or on one of `jobs` workers that is begun here for "local".

    A worker that dies loses nothing: dask gives its work to another. Each item is worked on in a process beside the
    worker, so that one that ends its process ends no worker. Raises ProblemError where there is no cluster at the
    address, `Mismatch` where a worker has other versions, StackoptError where the work on it fails.
    """
    import distributed

    logging.getLogger("distributed").setLevel(logging.CRITICAL)  # what matters is told as an error of ours
    with library("the work on the cluster"), contextlib.ExitStack() as open_ones:
        try:
            where: Any = address
            if address == "local":
                where = open_ones.enter_context(distributed.LocalCluster(
                    n_workers=jobs, threads_per_worker=1, dashboard_address="127.0.0.1:0",
                    worker_dashboard_address=None))
            client = open_ones.enter_context(distributed.Client(where, timeout=_WAIT, set_as_default=False))
            client.wait_for_workers(1, timeout=_WAIT)
        except RecursionError:  # no fault of the address
            raise
        except (OSError, ValueError, RuntimeError, TimeoutError) as error:
            said = f"{address}: {str(error) or type(error).__name__}"
            raise ProblemError((Fault("--cluster", said, "a scheduler with workers, as in tcp://10.0.0.5:8786"),)
                               ) from None  # fmt: skip
        try:
            yield from _through(client, work, items, seconds)
        except (asyncio.CancelledError, concurrent.futures.CancelledError, OSError):
            raise StackoptError("the cluster's scheduler is gone; what was answered is kept") from None


def _through(client: Any, work: Callable[[Any], Any], items: Iterable[Any], seconds: float
             ) -> Iterator[tuple[int, Any]]:  # fmt: skip
    from distributed import as_completed

    known = versions()
    compare(client, known)
    todo = enumerate(items)
    again: list[list[tuple[int, Any]]] = []  # pieces that ended their workers, to be tried item by item
    size, sent = 1, {}
    running = as_completed(loop=client.loop)

    def send(piece: list[tuple[int, Any]]) -> None:
        future = client.submit(worked_on, work, [item for _, item in piece], seconds, known, pure=False)
        sent[future.key] = piece
        running.add(future)

    def fill() -> None:
        threads = sum(client.nthreads().values()) or 1
        while len(sent) < AHEAD * threads:
            piece = again.pop() if again else list(itertools.islice(todo, size))
            if not piece:
                return
            send(piece)

    fill()
    for future in running:
        piece = sent.pop(future.key)
        error = future.exception()
        if isinstance(error, Mismatch):
            raise error
        if error is None:
            took, results = future.result()
            size = max(1, min(MOST, round(PIECE * len(piece) / max(took, 1e-6))))
            yield from zip((number for number, _ in piece), results, strict=True)
        elif len(piece) > 1:
            again += [[pair] for pair in piece]
        else:
            yield piece[0][0], Lost(f"it ended its workers: {type(error).__name__}")
        future.release()
        fill()


def compare(client: Any, known: dict[str, str]) -> None:
    """Raise `Mismatch` where a worker has other versions."""
    found = client.run(versions)
    other = [f"{worker} has {part} {theirs.get(part)}, here it is {ours}" for worker, theirs in sorted(found.items())
             for part, ours in known.items() if theirs.get(part) != ours]  # fmt: skip
    if other:
        raise Mismatch("the workers' versions differ: " + "; ".join(other))


def worked_on(work: Callable[[Any], Any], items: list[Any], seconds: float, known: dict[str, str]
           ) -> tuple[float, list[Any]]:  # fmt: skip
    """On a worker: what `work` makes of each item, and how long that took."""
    if versions() != known:  # a worker that came later
        raise Mismatch("a worker's versions differ: " + ", ".join(
            f"{part} {mine}, not {known.get(part)}" for part, mine in versions().items() if mine != known.get(part)))
    child = getattr(_here, "child", None)
    if child is None or not child.does(work, seconds):
        if child is not None:
            child.end()
        child = _here.child = Child(work, seconds, cores())
    start = time.perf_counter()
    results = [child.ask(item) for item in items]
    return time.perf_counter() - start, results
