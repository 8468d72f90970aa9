"""What runs in a process of its own: work, item by item, until there is no more."""

import os
import pickle
import sys
from dataclasses import dataclass

from stackopt.errors import placed_error


@dataclass(frozen=True)
class Lost:
    """Work without a result, and why."""

    why: str


def serve(memory: int | None = None) -> None:
    """Read a function and then items from standard input; write what it makes of each to standard output.

    `memory` [bytes], where the system can hold a process to it, is all that the process may take.
    """
    source, sink = sys.stdin.buffer, os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # what a library prints must not get between the results
    _hold(memory)
    work = pickle.load(source)
    while True:
        try:
            item = pickle.load(source)
        except EOFError:
            return
        try:
            told = pickle.dumps(work(item))
        except MemoryError:
            told = pickle.dumps(Lost("it ran out of memory"))
        except Exception as error:
            told = pickle.dumps(Lost(f"a fault of the program: {placed_error(error)}".replace("\n", " ")))
        sink.write(told)
        sink.flush()


def _hold(memory: int | None) -> None:
    try:
        import resource
    except ImportError:  # a system that has no such limits
        return
    if memory is not None:
        hard = resource.getrlimit(resource.RLIMIT_AS)[1]
        resource.setrlimit(resource.RLIMIT_AS, (memory if hard == resource.RLIM_INFINITY else min(memory, hard), hard))
