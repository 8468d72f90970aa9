"""Work spread over processes of this machine, each item's failure its own."""

import contextlib
import os
import pickle
import queue
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Generator, Iterable
from typing import IO, Any

from stackopt.errors import known
from stackopt.fleet.child import Lost

AHEAD = 2  # items that wait for each process, so that none waits for an item
_MAIN = ("import pickle, sys; sys.path[:] = pickle.load(sys.stdin.buffer); "
         "from stackopt.fleet.child import serve; serve({memory})")  # fmt: skip
_MEMORY = 0.8  # share of the machine's memory that all processes together may take
_LEAST = 2**30  # bytes that each may take in any case


def cores() -> int:
    """How many processes can run at the same time here."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def spread(work: Callable[[Any], Any], items: Iterable[Any], jobs: int, seconds: float
           ) -> Generator[tuple[int, Any], None, None]:  # fmt: skip
    """What `work` makes of each item, as it comes, with the item's number; `Lost` where there is nothing.

    Args:
        work: A function of a module, so that other processes find it; so must be what it takes and returns.
        items: Taken when they are needed, a few more than there are processes.
        jobs: How many processes.
        seconds: How long an item may take; then its process is ended.

    >>> sorted(spread(abs, [-1, 2, -3], 2, 60.0))
    [(0, 1), (1, 2), (2, 3)]
    """
    todo: queue.SimpleQueue[tuple[int, Any] | None] = queue.SimpleQueue()
    done: queue.SimpleQueue[tuple[int, Any] | BaseException] = queue.SimpleQueue()
    children = [Child(work, seconds, jobs) for _ in range(jobs)]
    threads = [threading.Thread(target=_run, args=(child, todo, done), daemon=True) for child in children]
    for thread in threads:
        thread.start()
    try:
        waiting = 0
        for pair in enumerate(items):
            todo.put(pair)
            waiting += 1
            if waiting >= AHEAD * jobs:
                yield _got(done)
                waiting -= 1
        for _ in range(waiting):
            yield _got(done)
    finally:
        for _ in threads:
            todo.put(None)
        for child in children:
            child.end()
        for thread in threads:
            thread.join()


def _got(done: "queue.SimpleQueue[tuple[int, Any] | BaseException]") -> tuple[int, Any]:
    found = done.get()
    if isinstance(found, BaseException):
        raise found
    return found


def _run(child: "Child", todo: "queue.SimpleQueue[tuple[int, Any] | None]",
         done: "queue.SimpleQueue[tuple[int, Any] | BaseException]") -> None:  # fmt: skip
    while (pair := todo.get()) is not None:
        try:
            done.put((pair[0], child.ask(pair[1])))
        except BaseException as error:  # told where the results are awaited
            done.put(error)


class Child:
    """A process that answers items one by one; begun anew where one ends it.

    It hears no Ctrl-C of the terminal, and ends when its standard input does, so it outlives nobody for long.
    """

    def __init__(self, work: Callable[[Any], Any], seconds: float, jobs: int = 1) -> None:
        self._work, self._seconds = work, seconds
        self._memory = _memory(jobs)
        self._process: subprocess.Popen[bytes] | None = None
        self._errors: IO[bytes] | None = None
        self._lock = threading.Lock()
        self._ended = False

    def does(self, work: Callable[[Any], Any], seconds: float) -> bool:
        """Whether it does that work, with as much time."""
        return work is self._work and seconds == self._seconds

    def ask(self, item: Any) -> Any:
        """What the work makes of an item, or `Lost`."""
        late = threading.Event()
        process = self._begun()
        if process is None:
            return Lost("ended")

        def kill() -> None:
            late.set()
            process.kill()

        timer = threading.Timer(self._seconds, kill)
        timer.start()
        try:
            pickle.dump(item, known(process.stdin))
            known(process.stdin).flush()
            return pickle.load(known(process.stdout))
        except (EOFError, OSError, pickle.UnpicklingError):
            process.kill()
            code = process.wait()
            why = f"no answer within {self._seconds:g} s" if late.is_set() else f"its process ended{self._last(code)}"
            self._close()
            return Lost(why)
        finally:
            timer.cancel()

    def end(self) -> None:
        """End the process, in the middle of an item too."""
        with self._lock:
            self._ended = True
            if self._process is not None:
                self._process.kill()
                self._process.wait()
        self._close()

    def _begun(self) -> "subprocess.Popen[bytes] | None":
        with self._lock:
            if self._ended:
                return None
            if self._process is None:
                self._errors = tempfile.TemporaryFile()  # noqa: SIM115, it lives as long as the process
                apart: dict[str, Any] = {"start_new_session": True}
                if sys.platform == "win32":
                    apart = {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}
                self._process = subprocess.Popen(
                    [sys.executable, "-c", _MAIN.format(memory=self._memory)], stdin=subprocess.PIPE,
                    stdout=subprocess.PIPE, stderr=self._errors, **apart)  # fmt: skip
                with contextlib.suppress(BrokenPipeError):  # then asking finds it ended
                    pickle.dump(sys.path, known(self._process.stdin))
                    pickle.dump(self._work, known(self._process.stdin))
            return self._process

    def _last(self, code: int) -> str:
        """How a process ended, and its last words."""
        errors = known(self._errors)
        errors.seek(0, os.SEEK_END)
        errors.seek(max(errors.tell() - 4096, 0))
        words = errors.read().decode(errors="replace").strip().splitlines()[-1:]
        return f" (by signal {-code})" * (code < 0) + "".join(f": {line}" for line in words)

    def _close(self) -> None:
        with self._lock:
            process, self._process = self._process, None
        if process is not None:
            with contextlib.suppress(BrokenPipeError):  # what was still to be sent to it
                known(process.stdin).close()
            known(process.stdout).close()
            known(self._errors).close()


def _memory(jobs: int) -> int | None:
    """Bytes that each of so many processes may take; None where the machine does not say what it has."""
    try:
        whole = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    except (AttributeError, ValueError, OSError):  # no such question here
        return None
    return max(int(_MEMORY * whole / jobs), _LEAST)
