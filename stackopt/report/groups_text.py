"""The answer of `stackopt split` as text for a terminal or a pipe."""

from typing import TYPE_CHECKING

from stackopt.report.lines import labelled
from stackopt.report.terminal import points_table
from stackopt.words import number

if TYPE_CHECKING:
    from stackopt.groups import Split


def split_text(found: "Split") -> str:
    """How many generators, which points each of them drives at what rate, and the settings of all points.

    >>> from stackopt.groups import split
    >>> from stackopt.stack import _example
    >>> print(split_text(split(_example())).splitlines()[0])
       status  one generator serves every point, proved
    """
    lines = [labelled("machine", found.problem.title)] if found.problem.title else []
    lines.append(labelled("status", _status(found)))
    for n, group in enumerate(found.to_dict()["groups"], 1):
        who = ", ".join(name.replace(" ", "\xa0") for name in group["points"])  # lines break between names alone
        rate = number(group["rate_per_min"], 6)
        lines.append(labelled("rates" if n == 1 else "", f"{n}: {rate} strokes/min for {who}"))
    if found.never:
        lines.append(labelled("never", ", ".join(found.never)))
        lines.append(labelled("", "in tolerance at no rate, even alone with all the air; left out"))
    if found.stack is not None and found.verdict is not None:
        lines.append(labelled("air", f"{found.verdict.air:.1f} of {number(found.stack.capacity)} L/min"))
        lines += ["", *points_table(found.stack, found.points, found.verdict.dose_miss)]
    return "\n".join(lines)


def _status(found: "Split") -> str:
    who = "every other point" if found.never else "every point"
    if not found.can_run:
        return "no point can run at any rate"
    if found.count == 0:
        return "no point is in tolerance at any rate"
    if found.count is None:
        if not found.proved:
            return f"no set of rates was found that serves {who}; that there is none is not proved"
        return f"no number of generators serves {who}: the air supply or rules of the file forbid it"
    some = "one generator serves" if found.count == 1 else f"{found.count} generators serve"
    if found.proved:
        return f"{some} {who}, proved" if found.count == 1 else f"{some} {who}; no fewer do, proved"
    return f"{some} {who}; that no fewer or lower rates do is not proved"
