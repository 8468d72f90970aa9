"""What goes with the settings, as text: a block for each table that the file has."""

from typing import TYPE_CHECKING

from stackopt.errors import known
from stackopt.report.lines import labelled, table
from stackopt.report.measures import Measures
from stackopt.words import number

if TYPE_CHECKING:
    from stackopt.beside.oil import OilLines, PointOil
    from stackopt.beside.room import RoomAir
    from stackopt.beside.stock import Energy, Stock
    from stackopt.beside.weighing_plan import WeighPlan
    from stackopt.result import Result


def beside_lines(result: "Result", measures: Measures) -> list[str]:
    """All blocks, each after an empty line."""
    lines = _mist(result)
    if result.oil_line:
        lines += ["", *_oil(result.oil_line, measures)]
    if result.reservoir:
        lines += ["", *_stock(result.reservoir, measures)]
    if result.energy:
        lines += ["", *_energy(result.energy, measures)]
    if result.room:
        lines += ["", *_room(result.room)]
    if result.weigh_plan:
        lines += ["", *_weighing(result.weigh_plan)]
    return lines


def _mist(result: "Result") -> list[str]:
    if not any(one.air_liquid_ratio for one in result.mist):
        return []
    rows = [("spray", "air to oil by mass", "mean drop, um (a trend)")]
    rows += [(point.name, "" if one.air_liquid_ratio is None else number(one.air_liquid_ratio, 3),
              "not known" if one.mean_drop_um is None else number(one.mean_drop_um, 2))
             for point, one in zip(result.points, result.mist, strict=True)]  # fmt: skip
    return ["", *table(rows, flexible=(0,), left=(0,))]


def _pressure(value: float | None, measures: Measures) -> str:
    """A difference of pressures."""
    return "not known" if value is None else measures.pressure_of(value)


def _largest(points: "tuple[PointOil, ...]", key: str) -> float | None:
    """The largest of a figure over the points; None where none has it."""
    return max((value for p in points if (value := getattr(p, key)) is not None), default=None)


def _oil(found: "OilLines", measures: Measures) -> list[str]:
    lines = [labelled("oil line", f"{found.kind}; one holds {measures.oil_of(found.hold_up_mL)}"
                      + ("" if found.viscosity_mm2_per_s is None else
                         f"; viscosity {number(found.viscosity_mm2_per_s)} mm^2/s"))]  # fmt: skip
    if found.kind == "coaxial":
        parts = [f"largest loss {_pressure(_largest(found.points, 'mean_loss_bar'), measures)} at the mean flow",
                 f"{_pressure(_largest(found.points, 'stroke_loss_bar'), measures)} during a stroke"]  # fmt: skip
        if found.cold_viscosity_mm2_per_s is not None:
            cold = _pressure(_largest(found.points, "cold_stroke_loss_bar"), measures)
            parts.append(f"cold ({number(found.cold_viscosity_mm2_per_s)} mm^2/s) {cold}")
        lines.append(labelled("", ", ".join(parts)))
    rows = [("to fill a line", "strokes", "min", "fastest", "min")]
    rows += [(p.name, str(p.at_settings.strokes), number(p.at_settings.minutes, 3), str(p.fastest.strokes),
              number(p.fastest.minutes, 3)) for p in found.points]  # fmt: skip
    return [*lines, *table(rows, flexible=(0,), left=(0,)), "fastest: at full stroke and the highest rate"]


def _stock(found: "Stock", measures: Measures) -> list[str]:
    year = "" if found.oil_L_per_year is None else f"; {number(found.oil_L_per_year)} L a year"
    lines = [labelled("oil", f"{measures.dose_of(found.oil_mL_per_h)} {measures.dose} while spraying, "
                      f"{number(100 * found.duty, 3)} % of the time{year}")]  # fmt: skip
    for size in found.sizes:
        text = f"{measures.oil_of(size.size_mL)} lasts {number(size.lasts_spraying_h, 3)} h of spraying"
        if found.duty < 1:
            text += f", {number(size.lasts_h, 3)} h of work"
        if size.refills_per_week is not None:
            text += f"; filled {number(size.refills_per_week, 3)} times a week"
        if size.enough is not None:
            text += "; long enough" if size.enough else "; too small for the refills that are wanted"
        lines.append(labelled("reservoir", text))
    if found.low_level_mL is not None:
        lines.append(labelled("low level", f"warn at {measures.oil_of(found.low_level_mL)}"))
    return lines


def _energy(found: "Energy", measures: Measures) -> list[str]:
    text = f"{measures.air_of(found.air_L_per_min, 4)} {measures.air} of air take {number(found.power_kW)} kW"
    if found.kWh_per_year is not None:
        text += (f"; a year {number(known(found.air_m3_per_year))} m^3 (ANR) and {number(found.kWh_per_year)} kWh (no "
                 f"compressor gets below {number(known(found.floor_kWh_per_year))})")  # fmt: skip
    if found.cost_per_year is not None:
        text += f", which cost {number(found.cost_per_year)}"
    return [labelled("energy", text)]


def _room(found: "RoomAir") -> list[str]:
    text = f"{number(found.concentration_mg_per_m3, 3)} mg/m^3 on average, all points spraying and the room well mixed"
    if found.share_of_limit is not None:
        text += f"; {number(100 * found.share_of_limit, 3)} % of the file's limit"
    if found.share_of_flammable is not None:
        text += f"; {number(100 * found.share_of_flammable, 3)} % of the lower flammable limit"
    lines = [labelled("room", text)]
    if found.needed_m3_per_h is not None:
        what = "the file's limit" if found.governs == "exposure" else "25 % of the lower flammable limit"
        both = found.air_for_limit_m3_per_h is not None and found.air_for_flammable_m3_per_h is not None
        harsher = ", the harsher one of exposure and fire" if both else ""
        lines.append(labelled("", f"at least {number(found.needed_m3_per_h)} m^3/h of fresh air keep it below {what}"
                              + harsher))  # fmt: skip
    some = (f"{limit.name} {number(limit.value)} mg/m^3 ({limit.source})" for limit in found.published)
    lines.append(labelled("published", "; ".join(some) + "; local rules decide"))
    return lines


def _weighing(found: "WeighPlan") -> list[str]:
    rows = [("to weigh", "strokes", "min", "expected", "from", "to", "u"), ("", "", "", "g", "g", "g", "%")]
    for check in found.checks:
        rows.append((check.name, str(check.strokes), number(check.minutes, 3), number(check.expected_g),
                     number(check.least_g), number(check.most_g), number(100 * check.uncertainty, 2)))  # fmt: skip
    lines = [*table(rows, flexible=(0,), left=(0,)),
             f"u: two standard uncertainties, balance within {number(found.balance_g)} g a reading"]  # fmt: skip
    for check in found.checks:
        if check.quick_minutes is not None and check.quick_rate_per_min is not None:
            lines.append(labelled("quicker", f"{check.name}: at {number(check.quick_rate_per_min)} strokes/min "
                                  f"{number(check.quick_minutes, 3)} min"))  # fmt: skip
    return lines + [labelled("weighing" if n == 0 else "", note) for n, note in enumerate(found.notes)]
