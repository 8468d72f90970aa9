"""An answer as one page of HTML that needs nothing from outside: the setting sheet first, then pictures and proof."""

import base64
import hashlib
import math
import re
import unicodedata
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stackopt.errors import StackoptError, known, library
from stackopt.problem.branches import OUTLET
from stackopt.report import drawings
from stackopt.report.terminal import status_words
from stackopt.units import Quantity
from stackopt.version import VERSION
from stackopt.words import number, rate_words

if TYPE_CHECKING:
    from stackopt.beside.oil import OilLines
    from stackopt.beside.room import RoomAir
    from stackopt.beside.stock import Energy, Stock
    from stackopt.beside.weighing_plan import WeighPlan
    from stackopt.figures import PointResult
    from stackopt.result import Result

ASSETS = Path(__file__).parent / "assets"
STROKES, WATCH = 20, 30.0  # to count at least, and for how many seconds: then a second's error of the watch is 3 %
PATIENCE = 5.0  # seconds that the trade-off may take
_TURNERS = {*range(0x202A, 0x202F), *range(0x2066, 0x206A)}  # they turn the order of letters beyond their own text


@dataclass(frozen=True)
class Table:
    """A table: caption, head and rows of ready texts."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]

    @classmethod
    def of(cls, caption: str, rows: Sequence[Sequence[Any]]) -> "Table":
        """From rows with the head first; a figure is written short, None not at all, and empty columns are left out.

        >>> Table.of("air", [("point", "bar", "L/min"), ("a", None, 24.126), ("b", None, None)]).rows
        (('a', '24.13'), ('b', ''))
        """
        texts = [[_cell(cell) for cell in row] for row in rows]
        kept = [k for k in range(len(texts[0])) if k == 0 or any(row[k] for row in texts[1:])]
        head, *body = (tuple(row[k] for k in kept) for row in texts)
        return cls(caption, head, tuple(body))

    @property
    def figures(self) -> tuple[bool, ...]:
        """Whether a column holds nothing but figures, which are set flush right."""
        columns = list(zip(*self.rows, strict=True)) or [()] * len(self.head)
        return tuple(k > 0 and any(column) and all(re.fullmatch(r"[-+0-9., %eE±]*", cell) for cell in column)
                     for k, column in enumerate(columns))  # fmt: skip


@dataclass(frozen=True)
class Picture:
    """A picture with what it shows in words and its figures as a table."""

    name: str
    title: str
    text: str
    source: str
    table: Table


@dataclass(frozen=True)
class Block:
    """What goes with the settings: a heading, some sentences, tables."""

    title: str
    texts: tuple[str, ...]
    tables: tuple[Table, ...] = ()


@dataclass(frozen=True)
class Rate:
    """A generator's rate and how to check it: so many strokes take so many seconds."""

    rate: str
    strokes: int
    seconds: str
    within: str | None  # seconds between which every dose stays in tolerance
    was: str | None


@dataclass(frozen=True)
class Row:
    """A point's line of the sheet."""

    point: "PointResult"
    pumps: int
    knob: str
    dial: str
    dose_out: bool
    was: dict[str, str]
    weighing: Any


def need() -> None:
    """Raise StackoptError where a library that pages need is missing."""
    missing = [name for name in ("jinja2", "matplotlib") if find_spec(name) is None]
    if missing:
        raise StackoptError(f"a page needs {' and '.join(missing)}: install stackopt with its extra 'report', as in "
                            "pip install 'stackopt[report]'")  # fmt: skip


def load() -> None:
    """Load these libraries: what an interruption leaves half loaded cannot be used after it. Raises as `need` does."""
    need()
    with library("the page"):
        import jinja2  # noqa: F401

        from stackopt.report.pictures.canvas import load as load_pictures

        load_pictures()


def page(result: "Result", today: date) -> str:
    """The page of an answer, the same for the same answer and date.

    Raises StackoptError where a library that it needs is missing.
    """
    need()
    with library("the page"):
        return _page(result, today)


def _page(result: "Result", today: date) -> str:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    environment = Environment(loader=FileSystemLoader(ASSETS), autoescape=True, undefined=StrictUndefined,
                              trim_blocks=True, lstrip_blocks=True)  # fmt: skip
    environment.filters |= {
        "told": told, "sentence": _sentence, "number": number, "drawn": Markup,
        "name": lambda text: Markup("<bdi>{}</bdi>").format(told(text)),
    }  # fmt: skip
    style, script = _asset("page.css"), _asset("page.js")
    conflict = not result.in_tolerance
    return environment.get_template("page.html.j2").render(
        result=result, problem=result.problem, stack=result.stack, verdict=result.verdict, version=VERSION,
        title=result.problem.title.strip() or "Machine without a title", today=today.isoformat(),
        style=Markup(style), script=Markup(script), policy=policy(style, script),
        status=_sentence(status_words(result)), sources=result.problem.checksums, conflict=conflict,
        why=[clash["why"] for clash in result.conflicts], always=_always(result.conflicts), most=_most(result),
        rate_map=_picture(result, "rate_map") if conflict else None,
        rates=_rates(result), rows=_rows(result),
        supply=result.stack.pressure - OUTLET, at_stack=result.verdict.pressure - OUTLET if result.verdict else None,
        filling=max(p.at_settings.minutes for p in result.oil_line.points) if result.oil_line else None,
        pictures=_pictures(result), tryout=_tryout(result), blocks=_blocks(result),
    )  # fmt: skip


# Safety


def told(text: Any) -> str:
    r"""A text from a file with what would act on its neighbours shown instead: control characters, turned order.

    >>> told("a\u202eb"), told("\x07"), told("<b>")
    ('a\\u202eb', '\\u0007', '<b>')
    """
    return "".join(f"\\u{ord(c):04x}" if ord(c) in _TURNERS or unicodedata.category(c) in ("Cc", "Cs") else c
                   for c in str(text).replace("\n", " ").replace("\t", " "))  # fmt: skip


def policy(style: str, script: str) -> str:
    """What the page may do: use its own style and script, known by their checksums, and pictures within it."""

    def known(text: str) -> str:
        return "'sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() + "'"

    return (f"default-src 'none'; style-src {known(style)}; script-src {known(script)}; img-src data:; "
            "base-uri 'none'; form-action 'none'")  # fmt: skip


def _asset(name: str) -> str:
    """A file of the page, to stand within an element."""
    text = (ASSETS / name).read_text(encoding="utf-8")
    if re.search(r"</(style|script)|<!--", text, re.IGNORECASE):
        raise StackoptError(f"{name} would end the element that holds it")
    return text


# The setting sheet


def rate_check(rate: float) -> tuple[int, float]:
    """Strokes to count and the seconds that they take: at least 20 strokes and about half a minute.

    >>> rate_check(20.0), rate_check(150.0)
    ((20, 60.0), (80, 32.0))
    """
    strokes = max(STROKES, 10 * math.ceil(rate * WATCH / 60 / 10 * (1 - 1e-12)))
    return strokes, strokes / rate * 60


def _rates(result: "Result") -> list[Rate]:
    """Every generator's rate."""
    if result.settings is None:
        return []
    stack, settings, found = result.stack, result.settings, []
    for rate in settings.generators:
        strokes, seconds = rate_check(rate)
        of = [i for i in range(len(stack.names)) if settings.rates[i] == rate]
        ends = [(stack.dose[i] * (1 - stack.below[i]) / v, stack.dose[i] * (1 + stack.above[i]) / v)
                for i in of for v in [stack.stroke[i, settings.stroke[i]]]]  # fmt: skip
        low, high = max(low for low, _ in ends), min(high for _, high in ends)
        served = low <= rate * (1 + 1e-9) and rate <= high * (1 + 1e-9)
        within = f"{number(60 * strokes / high, 3)} to {number(60 * strokes / low, 3)} s" if served else None
        was = None if stack.now_rate in (None, rate) else number(stack.now_rate, 6)
        found.append(Rate(number(rate, 6), strokes, number(seconds, 3), within, was))
    return found


def _rows(result: "Result") -> list[Row]:
    """A row a point, in the order of the file."""
    if result.verdict is None or result.settings is None:
        return []
    from stackopt.today import changes_of

    problem, miss = result.problem, dict(zip(result.stack.names, result.verdict.dose_miss, strict=True))
    was: dict[str, dict[str, str]] = {point.name: {} for point in problem.point}
    for change in changes_of(result.stack, result.settings):
        if change["point"] is not None:
            before = change["from"]
            was[change["point"]][change["key"]] = number(before) if isinstance(before, float) else before
    checks = {check.name: check for check in result.weigh_plan.checks} if result.weigh_plan else {}
    return [Row(p, given.count, drawings.knob([told(m) for m in problem.pumps[p.pump].marks], told(p.mark)),
                drawings.dial(p.turns), bool(miss[p.name]), was[p.name], checks.get(p.name))
            for p, given in zip(result.points, problem.point, strict=True)]  # fmt: skip


def _always(conflicts: list[dict[str, Any]]) -> str | None:
    """The one point that is in all of several conflicts; None where there is none such."""
    both = set.intersection(*(set(clash["points"]) for clash in conflicts)) if len(conflicts) > 1 else set()
    return both.pop() if len(both) == 1 else None


def _most(result: "Result") -> str | None:
    """How many points some rate serves, where none serves all."""
    if result.in_tolerance or not result.explained:
        return None
    found = result.rate_map
    if not found.conflicts or not found.most:
        return None
    return (f"The most that one rate serves with their dose: {len(found.most)} of {len(result.stack.names)} points, at "
            f"{rate_words(*known(found.most_range))} strokes/min.")  # fmt: skip


# Pictures


def _picture(result: "Result", name: str, *more: Any) -> Picture:
    from stackopt.report import pictures

    title, text = _TITLES[name]
    draw: Callable[..., str] = getattr(pictures, name)
    rows = getattr(pictures, f"{name}_rows")(*more, result)
    source = "data:image/svg+xml;base64," + base64.b64encode(draw(*more, result).encode()).decode()
    return Picture(name.replace("_", "-"), title, text, source, Table.of(f"{title}: the figures", rows))


_TITLES = {
    "rate_map": ("Which rates serve which point", "A lane a point; the bands are the rates at which a mark gives the "
                 "point its dose within tolerance, with capacity and air left out."),
    "doses": ("Dose against what is required", "What each point gets, beside its tolerance."),
    "air": ("Air", "Each point's air within its window, and the total beside what the supply gives."),
    "trade_off": ("Less error or less air", "Settings that nothing beats in both, with those of the sheet marked."),
    "limits": ("What limits the answer", "How near each point is to its bounds."),
}  # fmt: skip


def _pictures(result: "Result") -> list[Picture]:
    """All that the answer allows, but for a rate map that led the page."""
    if result.verdict is None:
        return []
    found = [_picture(result, name) for name in ("rate_map", "doses", "air") if name != "rate_map" or
             result.in_tolerance]  # fmt: skip
    front = _tradeoff(result)
    if front is not None:
        one = _picture(result, "trade_off", front)
        found.append(replace(one, text=" ".join([one.text, *map(_sentence, front.warnings)])))
    return [*found, _picture(result, "limits")]


def _tradeoff(result: "Result") -> Any:
    """The trade-off within a few seconds; None where there are no plans or the answer itself was cut short."""
    if result.status != "optimal" or not result.explained:
        return None
    from stackopt.plans import tradeoff

    solve, most = result.problem.solve, Quantity(f"{PATIENCE:.0f} s", PATIENCE / 60)
    if solve.time_limit.number > most.number:
        solve = solve.model_copy(update={"time_limit": most})
    found = tradeoff(result.problem.model_copy(update={"solve": solve}))
    if found.status == "interrupted":
        raise KeyboardInterrupt
    return found if found.plans else None


def _tryout(result: "Result") -> Any:
    """The data of "Try it", ready for its element; None without settings."""
    if result.settings is None:
        return None
    from markupsafe import Markup

    from stackopt.tryout import data_of, json_of

    return Markup(json_of(data_of(result)))


# What goes with the settings


def _blocks(result: "Result") -> list[Block]:
    """A block for each table of the file that asks for one, and the spray."""
    found = [
        _spray(result) if any(one.air_liquid_ratio for one in result.mist) else None,
        _oil(result.oil_line) if result.oil_line else None,
        _stock(result.reservoir) if result.reservoir else None,
        _energy(result.energy) if result.energy else None,
        _room(result.room) if result.room else None,
        _weighing(result.weigh_plan) if result.weigh_plan else None,
    ]
    return [block for block in found if block]


def _known(value: float | None, unit: str = "", digits: int = 4) -> str:
    return "not known" if value is None else f"{number(value, digits)} {unit}".strip()


def _pairs(caption: str, *pairs: tuple[str, str | None]) -> Table:
    """What is known, a row a figure."""
    return Table.of(caption, [("what", "figure"), *(pair for pair in pairs if pair[1] is not None)])


def _spray(result: "Result") -> Block:
    rows: list[tuple[Any, ...]] = [("point", "air to oil by mass", "mean drop, µm")]
    rows += [(p.name, one.air_liquid_ratio, "not known" if one.mean_drop_um is None else number(one.mean_drop_um, 2))
             for p, one in zip(result.points, result.mist, strict=True)]  # fmt: skip
    return Block("Spray", ("A mean drop size is a trend at most.",), (Table.of("Spray of each point", rows),))


def _oil(oil: "OilLines") -> Block:
    head = ("point", "loss at the mean flow, bar", "during a stroke, bar", "cold, bar", "strokes to fill", "min",
            "fastest: strokes", "fastest: min")  # fmt: skip
    rows = [head, *((p.name, p.mean_loss_bar, p.stroke_loss_bar, p.cold_stroke_loss_bar, p.at_settings.strokes,
                     p.at_settings.minutes, p.fastest.strokes, p.fastest.minutes) for p in oil.points)]  # fmt: skip
    pairs = _pairs("Oil line", ("kind", oil.kind), ("one line holds", f"{number(oil.hold_up_mL)} mL"),
                   ("viscosity", _known(oil.viscosity_mm2_per_s, "mm²/s")),
                   ("viscosity of cold oil", _known(oil.cold_viscosity_mm2_per_s, "mm²/s")))  # fmt: skip
    return Block("Oil line", ("Fastest: at full stroke and the highest rate. A loss that is missing is not known: it "
                              "needs a coaxial line, the density and the viscosity.",),
                 (pairs, Table.of("Each point's line", rows)))  # fmt: skip


def _stock(stock: "Stock") -> Block:
    enough = {None: "", True: "yes", False: "no"}
    pairs = _pairs("Oil", ("while spraying", f"{number(stock.oil_mL_per_h)} mL/h"),
                   ("sprays", f"{number(100 * stock.duty, 3)} % of the time"),
                   ("a year", None if stock.oil_L_per_year is None else f"{number(stock.oil_L_per_year)} L"),
                   ("warn at", None if stock.low_level_mL is None else f"{number(stock.low_level_mL)} mL"))  # fmt: skip
    rows: list[tuple[Any, ...]] = [
        ("reservoir, mL", "lasts, h of spraying", "lasts, h of work", "fillings a week", "long enough")]  # fmt: skip
    rows += [(number(s.size_mL), s.lasts_spraying_h, s.lasts_h, s.refills_per_week, enough[s.enough])
             for s in stock.sizes]  # fmt: skip
    return Block("Reservoir", (), (pairs, Table.of("Reservoirs", rows)))


def _energy(energy: "Energy") -> Block:
    def year(value: float | None, unit: str) -> str | None:
        return None if value is None else f"{number(value)} {unit}".strip()

    return Block("Energy", (), (_pairs(
        "Air and what it takes", ("air", f"{number(energy.air_L_per_min)} L/min"),
        ("power", f"{number(energy.power_kW)} kW"), ("air a year (ANR)", year(energy.air_m3_per_year, "m³")),
        ("energy a year", year(energy.kWh_per_year, "kWh")),
        ("no compressor gets below", year(energy.floor_kWh_per_year, "kWh")),
        ("cost a year", year(energy.cost_per_year, ""))),))  # fmt: skip


def _room(room: "RoomAir") -> Block:
    governs = {"exposure": "the file's limit", "flammable limit": "25 % of the lower flammable limit"}
    of = {"a": room.share_of_limit, "b": room.share_of_flammable}
    share = {key: None if value is None else f"{number(100 * value, 3)} %" for key, value in of.items()}
    needed = None if room.needed_m3_per_h is None or room.governs is None else (
        f"{number(room.needed_m3_per_h)} m³/h, to stay below {governs[room.governs]}")
    pairs = _pairs("The room's air", ("on average", f"{number(room.concentration_mg_per_m3, 3)} mg/m³"),
                   ("share of the file's limit", share["a"]), ("share of the lower flammable limit", share["b"]),
                   ("fresh air, at least", needed))  # fmt: skip
    rows = [("published limit", "mg/m³", "source"), *((one.name, one.value, one.source) for one in room.published)]
    return Block("Room", ("All points spraying and the room well mixed. Local rules decide.",),
                 (pairs, *([Table.of("To compare with", rows)] if room.published else [])))  # fmt: skip


def _weighing(plan: "WeighPlan") -> Block:
    rows: list[tuple[Any, ...]] = [
        ("point", "strokes", "min", "expected, g", "from, g", "to, g", "u, %", "quicker: at /min", "min")]  # fmt: skip
    rows += [(c.name, c.strokes, c.minutes, c.expected_g, c.least_g, c.most_g, number(100 * c.uncertainty, 2),
              c.quick_rate_per_min, c.quick_minutes) for c in plan.checks]  # fmt: skip
    text = f"u is two standard uncertainties, with the balance within {number(plan.balance_g)} g a reading."
    return Block("Weighing", (text, *plan.notes), (Table.of("Strokes to collect and what they weigh", rows),))


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."


def _cell(cell: Any) -> str:
    """A cell's text."""
    return "" if cell is None else number(cell) if isinstance(cell, float) else told(cell)
