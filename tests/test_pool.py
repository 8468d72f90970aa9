"""Work in processes of its own: what goes wrong costs only its own item."""

import itertools
import os
import signal
import threading

import pytest
from lost_work import work

from stackopt.fleet.pool import Lost, spread

WRONG = {
    "die": "its process ended (by signal 9)",
    "hang": "no answer within 2 s",
    "hog": "it ran out of memory",
    "bug": "a fault of the program: KeyError: 'no such key'",
    "abort": "its process ended (by signal 6): so long",
}


@pytest.mark.parametrize("jobs", [1, 3])
def test_what_goes_wrong_costs_its_own_item_alone(jobs):
    items = [1, "die", 2, "hang", "hog", 3, "bug", "print", "abort", 4]
    found = dict(spread(work, items, jobs, 2.0))
    assert sorted(found) == list(range(len(items)))
    for number, item in enumerate(items):
        if item in WRONG:
            assert isinstance(found[number], Lost) and found[number].why.startswith(WRONG[item])
        else:
            assert found[number] == item


def test_items_are_taken_as_they_are_needed():
    """From an endless source, and never many more than were given back."""
    taken = itertools.count()
    source = (next(taken) for _ in itertools.count())
    answers = spread(work, source, 2, 60.0)
    for _ in range(20):
        next(answers)
    answers.close()
    assert next(taken) <= 20 + 6


def test_ending_early_ends_the_processes():
    answers = spread(os_pid, range(10), 2, 60.0)
    _, pid = next(answers)
    answers.close()
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)


def os_pid(_):
    return os.getpid()


def test_a_ctrl_c_ends_the_waiting():
    answers = spread(work, ["hang"] * 4, 2, 1000.0)
    threading.Timer(1.0, lambda: os.kill(os.getpid(), signal.SIGINT)).start()
    with pytest.raises(KeyboardInterrupt):
        next(answers)
    answers.close()
    assert threading.active_count() == 1 or not any("_run" in thread.name for thread in threading.enumerate())


def test_what_cannot_be_sent_is_told():
    with pytest.raises(Exception, match=r"pickle|local object"):
        list(spread(work, [lambda: 1], 1, 60.0))
