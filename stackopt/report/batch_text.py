"""A batch as text: how far it is, what it came to, what changes against older answers."""

from typing import TYPE_CHECKING, Any

from stackopt.report.today_text import change_lines
from stackopt.words import number

if TYPE_CHECKING:
    from stackopt.fleet.batch import Totals

# What an exit code says of a machine, in the order in which it is told.
ENDS = {0: "in tolerance", 3: "out of tolerance", 4: "with rules that clash", 5: "without proof", 2: "wrong",
        1: "failed"}  # fmt: skip


def span(seconds: float) -> str:
    """A span of time in words.

    >>> span(0.4), span(75), span(7380)
    ('0.4 s', '1 min 15 s', '2 h 03 min')
    """
    if seconds < 59.5:
        return f"{number(seconds, 2)} s"
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest} s" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02} min"


def progress_text(totals: "Totals") -> str:
    """How far a batch is, in a line."""
    speed = "" if totals.per_second is None else f", {number(totals.per_second, 3)} a second"
    left = "" if totals.left is None else f", {span(totals.left)} left"
    return f"{totals.done:,} of {_machines(totals.files)}{speed}{left}"


def _machines(count: int) -> str:
    return f"{count:,} machine{'' if count == 1 else 's'}"


def totals_text(totals: "Totals") -> str:
    """What a batch came to, in a line or two."""
    counts = [f"{totals.codes[code]:,} {words}" for code, words in ENDS.items() if totals.codes[code]]
    ended = f"{totals.done:,} of " * (totals.done < totals.files) + _machines(totals.files)
    kept = f" ({totals.kept:,} answered before)" if totals.kept else ""
    text = f"{ended}: {', '.join(counts) or 'none done'}{kept}; {span(totals.seconds)}"
    if totals.air:
        text += f"\n{number(totals.air, 6)} L/min of air while all spray"
        if totals.fluid:
            text += f", {number(totals.fluid, 4)} L of fluid a week"
        if totals.unsaid:
            text += f" ({totals.unsaid:,} do not give their hours)" if totals.fluid else ""
    return text


def against_total(machines: int, changed: int, unknown: int) -> str:
    """How many machines would change, and of how many that is not known.

    >>> against_total(12, 3, 1)
    '3 of 12 machines would change; 1 cannot be held against an older answer'
    """
    more = f"; {unknown:,} cannot be held against an older answer" if unknown else ""
    return f"{changed:,} of {_machines(machines)} would change{more}"


def against_lines(data: dict[str, Any]) -> list[str]:
    """What changes of one machine against its older answer; nothing where nothing does."""
    change = data.get("against")
    if change is None:
        return [f"{data['file']}: no answer now"]
    if change["unknown"]:
        return [f"{data['file']}: cannot be held against the older answer: {'; '.join(change['unknown'])}"]
    if not change["changes"]:
        return []
    saves = change["saves"]
    parts = [f"excess {100 * saves['excess']:+z.2g}\xa0%"] if saves["excess"] else []
    parts += [f"error {100 * saves['mean_error']:+z.2g}\xa0%", f"air {saves['air_L_per_min']:+z.3g} L/min",
              f"fluid {saves['fluid_mL_per_h']:+z.3g} mL/h"]  # fmt: skip
    broken = [f"  broken today: {', '.join(change['broken'])}"] if change["broken"] else []
    return [f"{data['file']}: saves {', '.join(parts)}", *broken,
            *(f"  {line}" for line in change_lines(change["changes"]))]  # fmt: skip
