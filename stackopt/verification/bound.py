"""Whether any settings are better than a claim: the dial is halved, rate by rate where that is needed.

Over a range of rates every option (a stroke with a screw setting) has a least excess, error, cost and air; what these
cannot reach together, nothing in the range can. A range that stays open is halved; at a single rate the four are exact.
All four are rounded down to whole multiples of 2^-100, so that they stay bounds, and summed as whole numbers.
"""

import bisect
from collections.abc import Iterable, Iterator
from fractions import Fraction
from functools import cached_property
from typing import NamedTuple

from stackopt.verification.figures import Set, counted, kept
from stackopt.verification.machine import ROUNDING, SLACK, Machine, Place, Stroke, known
from stackopt.verification.sums import TooLarge, Work, possible

WORK = 20_000_000  # steps of the search, beyond which nothing is decided
_OPTION = 20  # steps that an option counts as
_ONE = 1 << 100  # what 1 is
_NARROW = Fraction(1, 1 << 40)  # a range of rates that is not halved any more, as a share of its rate


class Range(NamedTuple):
    """Rates from low to high [1/min]."""

    low: Fraction
    high: Fraction


class Option(NamedTuple):
    """The least that a stroke with a screw setting brings over a range of rates, in 2^-100, to be summed."""

    excess: int
    error: int
    cost: int
    air: int  # share of the capacity
    what: tuple[int, int, int]  # which range, stroke and screw setting


class Claim(NamedTuple):
    """What is asked: settings with `what` below `below` and, for the value, an excess of at most `most`.

    Without `what`, any settings that keep the hard rules. Ranges that are not single rates are asked with `loosely`,
    a little less: between the rates that are compared, what counts as no miss may be worth that much.
    """

    what: str | None = None  # excess | value
    below: Fraction = Fraction(0)
    loosely: Fraction = Fraction(0)
    most: Fraction = Fraction(0)


class Found(NamedTuple):
    """Whether there are such settings: True with their rates, False, or None where that is not decided."""

    better: bool | None
    rates: tuple[Fraction, ...] = ()
    why: str = ""  # it is not decided


class Search:
    """One machine, asked whether settings are better than a claim.

    What couples points (rules that concern several) is tried choice by choice at single rates and left out elsewhere.
    """

    def __init__(self, machine: Machine, work: int = WORK) -> None:
        self.machine, self.work = machine, Work(work)
        places = machine.places
        rules = {name: rule for name, rule in machine.rules.items() if known(rule)}
        self.foreign = len(rules) < len(machine.rules)
        self.coupling = [rule for rule in rules.values() if not _alone(rule)]
        alone = {name: rule for name, rule in rules.items() if _alone(rule)}
        self.kinds: list[tuple] = []  # of each place: what its options depend on
        for place in places:
            own = [rule for rule in alone.values() if place in machine.covered(rule.over)]
            fixed = tuple(sorted(machine.bound_of(rule, "at") for rule in own if rule.of == "rate"))
            pairs = frozenset((s, z) for s, stroke in enumerate(place.strokes) for z in range(len(place.air))
                              if not stroke.out and all(_lets(rule, place, stroke, z) for rule in own))  # fmt: skip
            self.kinds.append((place._replace(name="", tags=()), pairs, fixed))
        whole = sum(place.weight for place in places)
        self.share = {place.weight: place.weight / whole for place in places}
        known_kinds: dict[tuple, int] = {}
        self.kind = [known_kinds.setdefault(kind, len(known_kinds)) for kind in self.kinds]
        self.known: dict[tuple[int, Range], list[Option]] = {}
        capacity = SLACK if machine.capacity is None else 1 + SLACK
        self.room = int(capacity * _ONE)

    def better(self, claim: Claim) -> Found:
        """Whether some settings are better than a claim."""
        dial, open_why = self.machine.dial, ""
        cells = [(Range(dial.low, dial.high if dial.step is None else dial.at(dial.last)),)
                 * min(self.machine.count, len(self.machine.places))]  # fmt: skip
        cells += [tuple(Range(end, end) for _ in cells[0]) for end in cells[0][0] if dial.step is None]
        while cells:
            cell = cells.pop()
            single = all(low == high for low, high in cell)
            try:
                if not self._open(cell, claim, single):
                    continue
            except TooLarge:
                return Found(None, (), "it is too large for this check")
            if single:
                if self.machine.line is None and not self.foreign:
                    return Found(True, tuple(low for low, _ in cell))
                return Found(None, (), "what the line makes of the pressure is left out" if self.machine.line is not None
                             else "a rule of another package's kind is left out")  # fmt: skip
            parts = list(self._halves(cell))
            if not parts:
                open_why = "a range of rates stays open however narrow it is"
            cells += parts
        return Found(None, (), open_why) if open_why else Found(False)

    def _open(self, cell: tuple[Range, ...], claim: Claim, single: bool) -> bool:
        """Whether settings at these rates may be better than the claim; exactly, where the rates are single ones."""
        rows = [self._row(n, cell) for n in range(len(self.kind))]
        if not all(rows):
            return False
        holds = None
        if self.coupling and single:
            def holds(chosen: list) -> bool:
                return self._kept(cell, chosen)
        below = int((claim.below if single else claim.loosely) * _ONE)
        most = int(claim.most * _ONE)
        for asked in self._questions(rows, claim.what, below, most):
            if possible(*asked, self.work, holds):
                return True
        return False

    def _questions(self, rows: list[list[Option]], what: str | None, below: int, most: int) -> Iterator[tuple]:
        """The same as sums: rows, what the first sum must stay below, and the limits of the others."""
        room = [self.room]
        if what is None:
            yield [[(0, o.air, o.what) for o in row] for row in rows], 1, room
        elif not self.machine.worst:
            if what == "excess":
                yield [[(o.excess, o.air, o.what) for o in row] for row in rows], below, room
            else:
                yield ([[(o.error + o.cost, o.excess, o.air, o.what) for o in row] for row in rows], below,
                       [most, self.room])  # fmt: skip
        elif what == "excess":
            yield [[(0, o.air, o.what) for o in row if o.excess < below] for row in rows], 1, room
        else:
            rows = [[o for o in row if o.excess <= most] for row in rows]
            least = max((min((o.error for o in row), default=0) for row in rows), default=0)
            for worst in sorted({o.error for row in rows for o in row if least <= o.error < below}):
                yield [[(o.cost, o.air, o.what) for o in row if o.error <= worst] for row in rows], below - worst, room

    def options(self, n: int, part: Range) -> list[Option]:
        """The options of a place, by its number, over one range of rates."""
        key = self.kind[n], part
        if key not in self.known:
            self.work.done(_OPTION * len(self.kinds[n][1]))
            self.known[key] = list(self._options(self.kinds[n], part))
        return self.known[key]

    def _row(self, n: int, cell: tuple[Range, ...]) -> list[Option]:
        """The options of a place over a set of ranges."""
        row = []
        for k, part in enumerate(dict.fromkeys(cell)):
            found = self.options(n, part)
            row += found if k == 0 else [o._replace(what=(k, *o.what[1:])) for o in found]
        return row

    def _options(self, kind: tuple, part: Range) -> Iterator[Option]:
        """The options of a place over one range of rates."""
        place, pairs, fixed = kind
        machine, (low, high) = self.machine, part
        if high * (1 + ROUNDING) < place.cut or not all(low - 2 * SLACK * at <= at <= high + 2 * SLACK * at
                                                        for at in fixed):  # fmt: skip
            return
        share, foot = self.share[place.weight], place.window(place.dose)[0]
        for s, stroke in enumerate(place.strokes):
            screws = [z for z in range(len(place.air)) if (s, z) in pairs]
            if not screws or (stroke.top is not None and low * (1 - ROUNDING) > stroke.top):
                continue
            slow, fast = low * stroke.volume, high * stroke.volume
            error = max(Fraction(0), slow / place.dose - 1, 1 - fast / place.dose)
            ends = (1 - stroke.stray, 1 + stroke.stray) if machine.robust else (1,)
            misses = [(_dose_miss(place, slow * end, fast * end), place.window(slow * end)[0],
                       place.window(fast * end)[1]) for end in ends]  # fmt: skip
            price = machine.price_weight * stroke.price / len(machine.places)
            for z in screws:
                excess = Fraction(0)
                if place.asked:
                    excess = max(by_dose + counted(_air_miss(place.air[z], least, most, machine.line is None) / foot)
                                 for by_dose, least, most in misses)  # fmt: skip
                air = Fraction(0)
                if machine.capacity is not None:
                    flow = place.air[z] if machine.line is None else 0  # behind a line, anything up to that
                    air = (flow + low * stroke.drive) / machine.capacity
                weight = 1 if machine.worst else share
                numbers = (weight * excess, weight * error, machine.air_weight * air + price, air)
                yield Option(*(x.numerator * _ONE // x.denominator for x in numbers), (0, s, z))

    def _kept(self, cell: tuple[Range, ...], chosen: list[tuple[int, int, int]]) -> bool:
        """Whether a choice at single rates keeps the rules that couple points."""
        rates = [part.low for part in dict.fromkeys(cell)]
        settings = [Set(rates[k], s, z) for k, s, z in chosen]
        flows = [place.air[z] for place, (_, _, z) in zip(self.machine.places, chosen, strict=True)]
        return all(kept(self.machine, rule, settings, flows) for rule in self.coupling)

    def _halves(self, cell: tuple[Range, ...]) -> Iterator[tuple[Range, ...]]:
        """The cell with its widest range cut in two; none where that is too narrow."""
        n = max(range(len(cell)), key=lambda n: (cell[n].high - cell[n].low) / cell[n].high)
        for part in self._parts(cell[n]):
            parts = (*cell[:n], part, *cell[n + 1 :])
            if all(one.low <= other.high for one, other in zip(parts, parts[1:], strict=False)):  # in rising order
                yield parts

    def _parts(self, part: Range) -> Iterator[Range]:
        dial, (low, high) = self.machine.dial, part
        if dial.step is not None:
            first, last = (round((end - dial.low) / dial.step) for end in part)
            last = min(last, dial.last)
            middle = (first + last) // 2
            yield Range(low, dial.at(middle))
            yield Range(dial.at(middle + 1), high)
            return
        start, end = bisect.bisect_right(self._turning, low), bisect.bisect_left(self._turning, high)
        if start < end:
            middle = self._turning[(start + end) // 2]
            yield from (Range(low, middle), Range(middle, high), Range(middle, middle))
        elif high - low > _NARROW * high:
            middle = (low + high) / 2
            yield from (Range(low, middle), Range(middle, high))

    @cached_property
    def _turning(self) -> list[Fraction]:
        """The rates at which a dose meets its target or a limit, or a window a setting; those of a free dial."""
        found = set()
        for place, pairs, fixed in set(self.kinds):
            doses = set(_turning_doses(place))
            found |= {place.cut, *fixed}
            for stroke in {place.strokes[s] for s, _ in pairs}:
                found.add(stroke.top or place.cut)
                ends = {Fraction(1)} | ({1 - stroke.stray, 1 + stroke.stray} if self.machine.robust else set())
                found |= {dose / (stroke.volume * end) for dose in doses for end in ends if end > 0}
        return sorted(rate for rate in found if self.machine.dial.low < rate < self.machine.dial.high)


def _alone(rule) -> bool:
    """Whether a rule concerns each of its points alone."""
    return rule.kind in ("fix", "forbid")


def _lets(rule, place: Place, stroke: Stroke, screw: int) -> bool:
    """Whether a rule that concerns each point alone lets a point have a stroke with a screw setting."""
    if rule.of == "rate":
        return True
    label = {"pump": stroke.pump, "mark": stroke.mark, "turns": place.branch.turns[screw]}[rule.of]
    return label == rule.at if rule.kind == "fix" else label not in rule.at


def _dose_miss(place: Place, slow: Fraction, fast: Fraction) -> Fraction:
    """The least miss of doses from slow to fast."""
    return counted(max(1 - place.below - fast / place.dose, slow / place.dose - 1 - place.above))


def _air_miss(flow: Fraction, least: Fraction, most: Fraction | None, measured: bool) -> Fraction:
    """How far a flow, or if it is not measured anything up to it, is outside a window [L/min]."""
    over = flow - most if measured and most is not None else least - flow
    return max(least - flow, over)


def _turning_doses(place: Place) -> Iterable[Fraction]:
    """Doses at which the error or the excess of a point may turn [mL/min]."""
    yield from (place.dose, place.dose * (1 - place.below), place.dose * (1 + place.above))
    (ratio, top_ratio), (flow, top_flow) = place.per_dose, place.flow
    for slope, level in ((ratio, flow), (top_ratio, top_flow)):
        if slope:
            yield from ((level or 0) / slope, *(air / slope for air in place.air))
    for low_slope, low_level in ((ratio, Fraction(0)), (Fraction(0), flow)):
        for high_slope, high_level in ((top_ratio, Fraction(0)), (Fraction(0), top_flow)):
            if high_slope is not None and high_level is not None and low_slope + high_slope:
                yield from ((2 * air - low_level - high_level) / (low_slope + high_slope) for air in place.air)
