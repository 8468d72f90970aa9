"""Answers as text for a terminal or a pipe: 80 columns, no colour, nothing beyond ASCII of our own."""

import textwrap
from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from stackopt.judge import TIE
from stackopt.words import number, rate_words

if TYPE_CHECKING:
    from stackopt.bands import Rates
    from stackopt.figures import PointResult
    from stackopt.result import Result
    from stackopt.stack import Stack
    from stackopt.whatif import Case

WIDTH = 80
_LABEL = 9
_CONFLICTS = 5  # printed
_SPRAY = {"in window": "good", "too little air": "sputter", "too much air": "fog"}


def labelled(label: str, text: str) -> str:
    """A label, right-aligned, and its text, wrapped under itself."""
    indent = " " * (_LABEL + 2)
    return textwrap.fill(text, WIDTH, initial_indent=f"{label:>{_LABEL}}  ", subsequent_indent=indent,
                         break_on_hyphens=False).replace("\xa0", " ")  # fmt: skip


def _percent(share: float) -> str:
    return f"{100 * share:.1f}\xa0%"


def result_text(result: "Result") -> str:
    """A short block and a table: what to dial in, what it does, why, and how it was proved."""
    lines = [labelled("machine", result.problem.title)] if result.problem.title else []
    lines.append(labelled("status", _status(result)))
    if result.verdict is not None:
        lines += _found(result)
    lines += _conflicts(result.conflicts)
    if result.verdict is not None:
        lines += _rates_that_serve_most(result)
    if result.needed_air is not None:
        lines.append(labelled("needed", f"{number(result.needed_air)} L/min of air would serve every point"))
    lines += [labelled("advice" if n == 1 else "", f"{n}: {a.change}" + ("" if a.serves_all else
              f" (serves {_some(a.serves)})")) for n, a in enumerate(result.advice, 1)]  # fmt: skip
    lines += [labelled("warning", warning) for warning in result.warnings]
    if result.status != "infeasible":
        lines.append(labelled("proof", f"{result.method}; {result.seconds:.2g}\xa0s"))
    if result.points:
        lines += ["", *_table(result)]
        lines += ["", *(labelled("caution" if n == 0 else "", text) for n, text in enumerate(result.cautions))]
    return "\n".join(lines)


def _some(names: Sequence[str]) -> str:
    return ", ".join(names[:4]) + (f" and {len(names) - 4} more" if len(names) > 4 else "")


def _conflicts(conflicts: list[dict], every: bool = False) -> list[str]:
    shown = len(conflicts) if every else _CONFLICTS
    if len(conflicts) == 1:
        return [labelled("conflict", conflicts[0]["why"])]
    lines = [labelled("conflict" if n == 1 else "", f"{n}: {c['why']}") for n, c in enumerate(conflicts[:shown], 1)]
    more = len(conflicts) - shown
    return lines + ([labelled("", f"and {more} more: see stackopt rates, or --json")] if more > 0 else [])


def _status(result: "Result") -> str:
    if result.status == "infeasible":
        return "the hard rules cannot be met together"
    served = sum(point.in_tolerance for point in result.points)
    robust = ", whatever drift and spread do" if result.stack.robust else ""
    all_served = f"every point in tolerance{robust}" if result.in_tolerance else (
        f"{served} of {len(result.problem.point)} points in tolerance")
    if result.status == "optimal":
        return f"{all_served}, {result.proved}" if result.in_tolerance else (
            f"no setting serves every point; the best compromise, proved: {all_served}")
    stop = {"time limit": "the time limit came before the proof", "interrupted": "interrupted before the proof",
            "unproved": "the solver gave no proof"}
    if result.verdict is None:
        return f"{stop[result.status]}; nothing found yet"
    gap = "unknown" if result.gap is None else f"at most {number(result.gap)} in {_gap_of(result)}"
    return f"{stop[result.status]}; the best found: {all_served}; gap {gap}"


def _gap_of(result: "Result") -> str:
    return "excess" if result.objective.excess - result.bound.excess > TIE else "value"


def _found(result: "Result") -> list[str]:
    objective, bound = result.objective, result.bound
    if result.pins:
        lines = [labelled("rate", f"{number(result.rate, 6)} strokes/min"),
                 labelled("", "lower: {}; higher: {}".format(*result.pins))]  # fmt: skip
    else:
        lines = [labelled("rates" if n == 1 else "", f"{n}: {number(one['rate_per_min'], 6)} strokes/min for "
                       + _some(one["points"])) for n, one in enumerate(result.generators, 1)]  # fmt: skip
    if result.next_best:
        others = (f"{rates_of(other)} {_cost(objective, other.objective)}" for other in result.next_best)
        lines.append(labelled("next best", "; ".join(others)))
    lines.append(labelled("error", f"mean {_percent(objective.mean_error)}, worst {_percent(objective.worst_error)}"))
    if objective.excess > 0 or not result.in_tolerance:
        kind = "largest" if result.stack.worst else "weighted mean"
        lines.append(labelled("excess", f"{_percent(objective.excess)} beyond the tolerances ({kind}); no setting is "
                              f"below {_percent(bound.excess)}"))  # fmt: skip
    parts = "error, air and price" if result.stack.price_weight else "error and air"
    limit = "not proved" if bound.value is None else number(bound.value)
    which = "no setting of that excess" if objective.excess else "no setting"
    lines.append(labelled("value", f"{number(objective.value)} ({parts}); {which} is below {limit}"))
    if any(len(set(row)) > 1 for row in result.stack.pumps):
        kinds = Counter(point.pump for point in result.points)
        lines.append(labelled("pumps", ", ".join(f"{count} points with {pump}" for pump, count in sorted(kinds.items()))
                              + f"; mean price {number(objective.mean_price)}"))  # fmt: skip
    lines.append(labelled("air", f"{result.verdict.air:.1f} of {number(result.stack.capacity)} L/min "
                       f"({_percent(objective.air_share)})"))  # fmt: skip
    return lines


def rates_of(result: "Result") -> str:
    """The rates of an answer."""
    return " and ".join(number(rate, 6) for rate in result.settings.generators) + "/min"


def _cost(best, other) -> str:
    """What another rate is worth beside the best."""
    if other.excess - best.excess > TIE:
        return f"excess +{100 * (other.excess - best.excess):.2g} %"
    return f"value {other.value - best.value:+.4f}"


def _rates_that_serve_most(result: "Result") -> list[str]:
    found = result.rate_map
    if result.in_tolerance or not found.conflicts or not found.most:
        return []
    return [labelled("most", f"{len(found.most)} of {len(result.stack.names)} points have their dose at "
                  f"{rate_words(*found.most_range)} strokes/min")]  # fmt: skip


def _table(result: "Result") -> list[str]:
    return points_table(result.stack, result.points, result.verdict.dose_miss)


def points_table(stack: "Stack", points: Sequence["PointResult"], misses: Sequence[float]) -> list[str]:
    """A row a point: what to dial in and what it does; `misses` of the doses stand in the order of the stack."""
    head = ["point", "pump", "mark", "turns", "dose", "needs", "error", "air", "window", "spray"]
    unit = ["", "", "", "", "mL/h", "mL/h", "%", "L/min", "L/min", ""]
    rows, miss = [], dict(zip(stack.names, misses, strict=True))
    several = len({p.generator for p in points}) > 1
    for p in points:
        top = "" if p.air_max_L_per_min is None else number(p.air_max_L_per_min, 3)
        error = f"{100 * p.error:+.1f}" + ("!" if miss[p.name] else "")
        row = [p.name, p.pump, p.mark, number(p.turns), number(p.dose_mL_per_h),
               number(p.required_mL_per_h), error,
               number(p.air_L_per_min, 3), f"{number(p.air_min_L_per_min or 0, 3)}..{top}",
               _SPRAY[p.spray]]  # fmt: skip
        row[7:7] = [] if p.stray is None else [f"{100 * p.stray:.3g}" + ("~" if p.may_leave else "")]
        rows.append(([str(p.generator)] if several else []) + row)
    left = [0, 1, 9]
    if points[0].stray is not None:
        head[7:7], unit[7:7], left = ["stray"], ["+-%"], [0, 1, 10]
    if several:
        head, unit, left = ["", *head], ["", *unit], [0, *(k + 1 for k in left)]
    first = int(several)
    legend = "doses while spraying, air at ANR" + ("; ! outside its tolerance" if any(miss.values()) else "")
    legend += "; ~ may stray out of it" if any(p.may_leave for p in points) else ""
    flexible = (first, first + 1, first + 2)
    return [*table([head, unit, *rows], flexible=flexible, left=left), *textwrap.wrap(legend, WIDTH)]


def table(rows: Sequence[Sequence[str]], flexible: Sequence[int], left: Sequence[int]) -> list[str]:
    """Rows as aligned text of at most 80 columns: the flexible columns are cut to what is left.

    >>> table([("name", "x"), ("a", "1.5")], flexible=(0,), left=(0,))
    ['name    x', 'a     1.5']
    """
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    spare = WIDTH - sum(w for k, w in enumerate(widths) if k not in flexible) - 2 * (len(widths) - 1)
    gap = "  "
    if spare < sum(widths[k] for k in flexible):
        gap, spare = " ", spare + len(widths) - 1
    while sum(widths[k] for k in flexible) > spare and max(widths[k] for k in flexible) > 4:
        widest = max(flexible, key=lambda k: widths[k])
        widths[widest] -= 1
    lines = []
    for row in rows:
        cells = []
        for k, cell in enumerate(row):
            text = cell if len(cell) <= widths[k] else cell[: max(widths[k] - 2, 1)] + ".."
            cells.append(f"{text:<{widths[k]}}" if k in left else f"{text:>{widths[k]}}")
        lines.append(gap.join(cells).rstrip())
    return lines


def alternatives_text(result: "Result", others: Sequence["Result"]) -> str:
    """The next best rates, each with its best settings."""
    lines: list[str] = []
    for n, other in enumerate(others, 1):
        served = f"{sum(point.in_tolerance for point in other.points)} of {len(other.points)} points in tolerance"
        worth = _cost(result.objective, other.objective)
        lines += ["", labelled("next best", f"{n}: {rates_of(other)}, {worth}; {served}"),
                  *points_table(other.stack, other.points, other.verdict.dose_miss)]  # fmt: skip
    return "\n".join(lines or ["", labelled("next best", "no other rate was proved")])


def what_if_text(result: "Result", cases: Sequence["Case"]) -> str:
    """How the answer moves, a row a case."""
    rows = [("what if", "", "served", "excess", "error", "air", "value"), ("", "1/min", "", "%", "%", "%", "")]
    objective, served = result.objective, sum(point.in_tolerance for point in result.points)
    rates = result.settings.generators if result.settings else ()
    for change, status, at, count, worth in (
            ("as in the file", result.status, rates, served, objective),
            *((c.change, c.status, c.rates, c.served, c.objective) for c in cases)):  # fmt: skip
        mark = "" if status == "optimal" else f" ({status})"
        rows.append((change + mark, ", ".join(number(rate, 5) for rate in at), "" if count is None else str(count),
                     *(["-"] * 4 if worth is None else [
                         f"{100 * worth.excess:.2f}", f"{100 * worth.mean_error:.1f}", f"{100 * worth.air_share:.1f}",
                         f"{worth.value:.4f}"])))  # fmt: skip
    return "\n".join(["", *table(rows, flexible=(0,), left=(0,))])


def rates_text(found: "Rates") -> str:
    """The bands of each point, what they share and what conflicts."""
    stack, rates = found.stack, found.map
    lines = [labelled("machine", found.problem.title)] if found.problem.title else []
    if rates.shared:
        lines.append(labelled("shared", " and ".join(rate_words(a, b) for a, b in rates.shared) + " strokes/min"))
    else:
        lines.append(labelled("shared", "no rate serves every point"))
        if rates.most:
            lines.append(labelled("most", f"{len(rates.most)} of {len(stack.names)} points at "
                               f"{rate_words(*rates.most_range)} strokes/min"))  # fmt: skip
    lines += _conflicts(found.to_dict()["conflicts"], every=True)
    if not rates.complete:
        lines.append(labelled("", "(there may be more conflicts)"))
    lines += ["", "strokes/min at which each mark gives the dose within tolerance"]
    rows = []
    for i in np.argsort(stack.place):
        bands = sorted(rates.bands[i], key=lambda b: (b.low, b.high))
        several = len(set(stack.pumps[i])) > 1
        texts = [f"{rate_words(b.low, b.high)} (mark {stack.marks[i][b.stroke]}"
                 + (f" of {stack.pumps[i][b.stroke]})" if several else ")") for b in bands]  # fmt: skip
        texts = [text.replace(" ", "\xa0") for text in texts]  # lines break between bands alone
        rows.append((stack.names[i], ", ".join(texts) or "none"))
    width = min(max(len(name) for name, _ in rows), 24)
    for name, text in rows:
        short = name if len(name) <= width else name[: width - 2] + ".."
        lines.append(textwrap.fill(text, WIDTH, initial_indent=f"{short:<{width}}  ",
                                   subsequent_indent=" " * (width + 2)).replace("\xa0", " "))  # fmt: skip
    return "\n".join(lines)
