"""Which points of an answer are drawn, and which are out."""

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from stackopt.errors import known
from stackopt.report.pictures.names import counted, listed

if TYPE_CHECKING:
    from stackopt.result import Result

MOST = 64  # points drawn; the rows have them all
NO_SETTINGS = "There are no settings to show: no answer was found."


def missed_of(result: "Result") -> tuple[list[bool], list[bool]]:
    """Whether dose and air of each point are out, in the order of the file."""
    order, verdict = list(result.stack.in_file), known(result.verdict)
    return (verdict.dose_miss[order] > 0).tolist(), (verdict.air_miss[order] != 0).tolist()


def missed_words(names: Sequence[str], missed: Sequence[bool], where: str, none: str) -> str:
    """How many points there are and which of them are out of `where`; `none` where no point is.

    >>> missed_words(["a", "b"], [False, True], "tolerance", "all in"), missed_words(["a"], [False], "it", "all in")
    ('2 points; 1 out of tolerance: b', '1 point; all in')
    """
    out = [name for name, miss in zip(names, missed, strict=True) if miss]
    return f"{counted(len(names))}; " + (f"{len(out)} out of {where}: {listed(out)}" if out else none)


def thinned(count: int, first: Iterable[int] = ()) -> list[int]:
    """Which of so many points are drawn: those that matter first, then as many of the others, evenly spread.

    >>> thinned(3), len(thinned(70, [69])), thinned(70, [69])[-2:]
    ([0, 1, 2], 64, [67, 69])
    """
    if count <= MOST:
        return list(range(count))
    kept = list(dict.fromkeys(first))[:MOST]
    others = [n for n in range(count) if n not in set(kept)]
    room = MOST - len(kept)
    return sorted(kept + [others[k * len(others) // room] for k in range(room)])


def thinned_words(count: int) -> list[str]:
    """A note where not all of so many points are drawn."""
    return [] if count <= MOST else [f"{MOST} of {count} points are drawn; all stand in the table."]
