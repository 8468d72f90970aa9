"""The answer of `stackopt plant` as text for a terminal or a pipe."""

from typing import TYPE_CHECKING

from stackopt.errors import known
from stackopt.report.lines import conflict_lines, labelled, table
from stackopt.words import number

if TYPE_CHECKING:
    from stackopt.fleet.works import Plant

_STATUS = {
    "infeasible": "the machines cannot run together on this air",
    "time limit": "the time limit came before the proof",
    "interrupted": "interrupted before the proof",
    "unproved": "not proved",
}


def plant_text(found: "Plant") -> str:
    """The air and what it costs, a row a machine, then what each is set to."""
    works = found.works
    lines = [labelled("works", works.title)] if works.title else []
    lines.append(labelled("status", _status(found)))
    if found.machines:
        lines += _air(found)
    lines += conflict_lines(found.conflicts)
    lines += [labelled("warning", warning) for warning in found.warnings]
    lines += [labelled("proof" if n == 0 else "", text) for n, text in enumerate(_proof(found))]
    if found.machines:
        lines += ["", *_machines(found), "", *_settings(found), *_totals(found), ""]
        lines += [labelled("caution" if n == 0 else "", text) for n, text in enumerate(found.cautions)]
    return "\n".join(lines)


def _status(found: "Plant") -> str:
    if found.status != "optimal":
        return _STATUS[found.status]
    if found.in_tolerance:
        return "optimal: every point of every machine in tolerance"
    served = sum(one.verdict.in_tolerance for one in found.machines)
    return f"optimal: {served} of {len(found.machines)} entries in tolerance"


def _air(found: "Plant") -> list[str]:
    works = found.works
    counted = "all spraying at once" if works.peak else "mean over the working time"
    demand, peak, excess = known(found.demand), known(found.peak), known(found.excess)
    lines = [labelled("air", f"{number(demand, 5)} of {number(works.capacity, 5)} L/min ({counted}; others "
                             f"{number(works.others)}); at once {number(peak, 5)}")]  # fmt: skip
    if excess > 0:
        lines.append(labelled("excess", f"{100 * excess:.3g}\xa0% (weighted mean)"))
    lines.append(labelled("error", f"{100 * known(found.mean_error):.3g}\xa0% (weighted mean)"))
    if found.excess_price:
        lines.append(labelled("price", f"each L/min more saves {_points(found.excess_price)} of excess at first (by "
                                       "the linear relaxation)"))  # fmt: skip
    elif found.price:
        lines.append(labelled("price", f"each L/min more saves {_points(found.price)} of error at first (by the "
                                       "linear relaxation)"))  # fmt: skip
    lines.append(labelled("free", f"{number(known(found.capacity_to_free_all), 6)} L/min would give each machine what "
                                  "it would have alone"))  # fmt: skip
    return lines


def _points(share: float) -> str:
    return f"{100 * share:.2g} percentage points"


def _proof(found: "Plant") -> list[str]:
    if found.bound is None:
        return []
    gap, all_of_them = found.gap(found.bound), found.gap(found.bound_of_all)
    excess, least = known(found.excess), known(found.bound_of_all)["excess"]
    words = [f"{found.method}; {found.seconds:.2g}\xa0s"] if found.status == "optimal" else [
        "best found" + ("" if gap is None else f", at most {_points(gap)} worse than the best of the plans")]
    if all_of_them is None:
        proved = least >= excess - 1e-9
        words.append("no settings at all have less excess; how much less error others could have is not known"
                     if proved else "how much better settings that are not listed could be is not known")  # fmt: skip
    elif all_of_them > 1e-9:
        what = "excess" if excess > least + 1e-9 else "error"
        words.append(f"settings that are not listed could save {_points(all_of_them)} of {what} at most")
    else:
        words.append("no settings at all are better")
    return words


def _machines(found: "Plant") -> list[str]:
    rows = [["machine", "n", "served", "excess", "error", "alone", "air", "alone", "demand"],
            ["", "", "", "%", "%", "%", "L/min", "L/min", "L/min"]]  # fmt: skip
    for one in found.machines:
        served = sum(point.in_tolerance for point in one.points)
        rows.append([one.machine.name, str(one.machine.count), f"{served}/{len(one.points)}",
                     f"{100 * one.verdict.least:.2f}", f"{100 * one.verdict.mean_error:.2f}",
                     f"{100 * one.alone.mean_error:.2f}", number(one.verdict.air), number(one.alone.air),
                     number(one.demand)])  # fmt: skip
    return [*table(rows, flexible=(0,), left=(0,)),
            "air of one machine while spraying, at ANR; alone: as if it had no one beside it"]


def _settings(found: "Plant") -> list[str]:
    rows = [["machine", "point", "rate", "pump", "mark", "turns"], ["", "", "1/min", "", "", ""]]
    for one in found.machines:
        rates = [generator["rate_per_min"] for generator in one.generators]
        for n, point in enumerate(one.points):
            rows.append([one.machine.name if n == 0 else "", point.name, number(rates[point.generator - 1], 6),
                         point.pump, point.mark, number(point.turns)])  # fmt: skip
    return table(rows, flexible=(0, 1, 3, 4), left=(0, 1, 3))


def _totals(found: "Plant") -> list[str]:
    lines = [""]
    for fluid in found.fluids:
        week = "" if fluid.L_per_week is None else f", {number(fluid.L_per_week)} L a week"
        used = f"{number(fluid.mL_per_h)} mL an hour of work{week}"
        lines.append(labelled("fluid", f"{fluid.name or fluid.kind}: {used}"))
        for size in fluid.tanks:
            enough = "" if size.enough is None else "; enough" if size.enough else "; too small"
            lasts = f"lasts {number(size.lasts_h)} h of work{enough}"
            lines.append(labelled("", f"a tank of {number(size.size_mL / 1000)} L {lasts}"))
    pieces = ", ".join(f"{pump.pieces} of {pump.pump}".replace(" ", "\xa0") for pump in found.pumps)
    return [*lines, labelled("pumps", pieces)]
