"""Whether any settings are better than a claim: the dial is halved, rate by rate where that is needed.

Over a range of rates every option (a stroke with a screw setting) has a least excess, error, cost and air; what these
cannot reach together, nothing in the range can. A range that stays open is halved; at a single rate the four are exact.
All four are rounded down to whole multiples of 2^-100, so that they stay bounds, and summed as whole numbers.
"""

import bisect
from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction
from functools import cached_property
from itertools import combinations, pairwise, product
from math import comb
from typing import NamedTuple

from stackopt.errors import known
from stackopt.problem.constraints import Distinct, Fix, Forbid, Label, Same
from stackopt.verification.figures import Set, counted, kept
from stackopt.verification.machine import ROUNDING, SLACK, Machine, Place, built_in
from stackopt.verification.sums import Row, TooLarge, Work, possible

WORK = 4_000_000  # steps of the search, beyond which nothing is decided
CASES = 500  # sets of labels that rules let points share, beyond which nothing is decided
_OPTION = 20  # steps that an option counts as
_ONE = 1 << 100  # what 1 is
_OfLabels = Fix | Forbid | Same | Distinct  # rules about labels
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

    Rules of `fix`, `forbid`, `same` and `distinct` are turned into labels that points may have, for the last two case
    by case. Others that couple points are tried choice by choice at single rates and left out elsewhere.
    """

    def __init__(self, machine: Machine, work: int = WORK) -> None:
        self.machine, self.limit, self.work = machine, work, Work(work)
        places, rules = machine.places, [rule for rule in machine.rules.values() if built_in(rule)]
        self.foreign = len(rules) < len(machine.rules)
        self.coupling = [rule for rule in rules if not isinstance(rule, _OfLabels)]
        self.of_labels = [rule for rule in rules if isinstance(rule, _OfLabels)]
        whole = sum(place.weight for place in places)
        self.share = {place.weight: place.weight / whole for place in places}
        self.room = int((SLACK if machine.capacity is None else 1 + SLACK) * _ONE)
        kinds: dict[Place, int] = {}  # points that differ in name only have the same options
        self.kind = [kinds.setdefault(place._replace(name="", tags=()), len(kinds)) for place in places]
        self.kinds = list(kinds)
        self.known: dict[tuple[int, Range, int | None], list[Option]] = {}
        self.lets: list[list[_Let]] = [[] for _ in places]  # of each point: what rules let it be set to
        self.first: list[int] = []  # the places, those first that closed a range lately

    def better(self, claim: Claim, below: Fraction | None = None) -> Found:
        """Whether some settings, if given at rates below one [1/min], are better than a claim.

        >>> from stackopt.stack import _example
        >>> search = Search(Machine.of(_example()))
        >>> search.better(Claim("excess", Fraction(1, 10), Fraction(1, 10))).rates
        (Fraction(6, 1),)
        >>> search.better(Claim("value", Fraction(1, 10), Fraction(1, 10))).better
        False
        """
        dial, undecided, self.work = self.machine.dial, None, Work(self.limit)
        high = dial.high if dial.step is None else dial.at(dial.last)
        if below is not None:
            k = round((below - dial.low) / known(dial.step))
            if k <= 0:
                return Found(False)
            high = dial.at(k - 1)
        # Above that no rate is of use: to every point where there is one rate, to any where there are several.
        tops = [max((s.top or high for s in place.strokes if not s.out), default=dial.low)
                for place in self.machine.places]  # fmt: skip
        top = min(high, (min if self.machine.count == 1 else max)(tops) * (1 + 2 * ROUNDING))
        if top < high:
            high = top if dial.step is None else dial.at(max((top - dial.low) // dial.step, 0))
        high = max(high, dial.low)
        try:
            for lets in _cases(self.machine, self.of_labels):
                self.lets = [[let for let in lets if place.name in let.names] for place in self.machine.places]
                self.first = list(range(len(self.kind)))
                found = self._searched(claim, Range(dial.low, high))
                if found.better:
                    return found
                undecided = found if found.better is None else undecided
        except TooLarge:
            return Found(None, (), "it is too large for this check")
        return undecided or Found(False)

    def _searched(self, claim: Claim, whole: Range) -> Found:
        """The same over a range of the dial, with the labels that points may have."""
        open_why = ""
        cells = [(whole,) * min(self.machine.count, len(self.machine.places))]
        if self.machine.dial.step is None:
            cells += [tuple(Range(end, end) for _ in cells[0]) for end in whole]
        while cells:
            cell = cells.pop()
            single = all(low == high for low, high in cell)
            if not self._open(cell, claim, single):
                continue
            if single:
                if self.machine.line is None and not self.foreign:
                    return Found(True, tuple(low for low, _ in cell))
                left_out = "a rule of another package's kind" if self.foreign else "what the line makes of the pressure"
                return Found(None, (), f"{left_out} is left out")
            # Once some range stays open, only the rates that are compared can still tell anything.
            parts = list(self._halves(cell, open_why != ""))
            if not parts:
                open_why = "a range of rates stays open however narrow it is"
            cells += parts
        return Found(None, (), open_why) if open_why else Found(False)

    def _open(self, cell: tuple[Range, ...], claim: Claim, single: bool) -> bool:
        """Whether settings at these rates may be better than the claim; exactly, where the rates are single ones."""
        below, most = (int(x * _ONE) for x in (claim.below if single else claim.loosely, claim.most))
        self.work.done(len(self.kind))
        limits: dict[str | None, int] = {"value": most, "excess": below}
        limit = limits.get(claim.what)
        rows: list[list[Option]] = [[]] * len(self.kind)
        excess = 0
        for k, n in enumerate(self.first):
            rows[n] = self._row(n, cell, limit)
            if rows[n] and limit is not None and not self.machine.worst:
                excess += min(o.excess for o in rows[n])
            if not rows[n] or (limit is not None and excess > limit):
                self.first.insert(0, self.first.pop(k))
                return False
        holds = None
        if self.coupling and single:
            def holds(chosen: list[tuple[int, int, int]]) -> bool:
                return self._kept(cell, chosen)
        return any(possible(sums, least, ends, self.work, holds)
                   for sums, least, ends in self._questions(rows, claim.what, below, most))  # fmt: skip

    def _questions(self, rows: list[list[Option]], what: str | None, below: int, most: int
                   ) -> Iterator[tuple[list[Row], int, list[int]]]:  # fmt: skip
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

    def options(self, n: int, part: Range, limit: int | None = None) -> list[Option]:
        """The options of a point, by its number, over one range of rates, without those of more excess."""
        key = self.kind[n], part, limit
        if key not in self.known:
            self.known[key] = list(self._options(self.kinds[self.kind[n]], part, limit))
        found, place = self.known[key], self.machine.places[n]
        for let in self.lets[n]:
            found = [o for o in found if let.lets(place, part, *o.what[1:])]
        return found

    def _row(self, n: int, cell: tuple[Range, ...], limit: int | None) -> list[Option]:
        """The options of a point over a set of ranges."""
        row = []
        for k, part in enumerate(dict.fromkeys(cell)):
            known_before = len(self.known)
            found = self.options(n, part, limit)
            if len(self.known) > known_before:
                self.work.done(_OPTION * (1 + len(found)))
            row += found if k == 0 else [o._replace(what=(k, *o.what[1:])) for o in found]
        return row

    def _options(self, place: Place, part: Range, limit: int | None) -> Iterator[Option]:
        """All options of a point over one range of rates."""
        (low, high), machine = part, self.machine
        if high * (1 + ROUNDING) < place.cut:
            return
        weight = 1 if machine.worst else self.share[place.weight]
        foot = place.window(place.dose)[0]
        for s, stroke in enumerate(place.strokes):
            if stroke.out or (stroke.top is not None and low * (1 - ROUNDING) > stroke.top):
                continue
            slow, fast = low * stroke.volume, high * stroke.volume
            ends = (1 - stroke.stray, 1 + stroke.stray) if machine.robust else (1,)
            by_dose = [_dose_miss(place, slow * end, fast * end) for end in ends] if place.asked else [Fraction(0)]
            if limit is not None and _whole(weight * max(by_dose)) > limit:
                continue
            windows = [(place.window(slow * end)[0], place.window(fast * end)[1]) for end in ends]
            error = _whole(weight * max(Fraction(0), slow / place.dose - 1, 1 - fast / place.dose))
            drive = low * stroke.drive
            price = _whole(machine.price_weight * stroke.price / len(machine.places))
            for z, flow in enumerate(place.air):
                excess = 0
                if place.asked:
                    by_air = (_air_miss(flow, *window, machine.line is None) for window in windows)
                    excess = _whole(weight * max(
                        d + (counted(a / foot) if a > 0 else 0) for d, a in zip(by_dose, by_air, strict=True)))
                    if limit is not None and excess > limit:
                        continue
                cost = air = 0
                if machine.capacity is not None:
                    # Behind a line the air may be anything up to that.
                    share = (flow + drive if machine.line is None else drive) / machine.capacity
                    air, cost = _whole(share), _whole(machine.air_weight * share)
                yield Option(excess, error, cost + price, air, (0, s, z))

    def _kept(self, cell: tuple[Range, ...], chosen: list[tuple[int, int, int]]) -> bool:
        """Whether a choice at single rates keeps the rules that couple points."""
        rates = [part.low for part in dict.fromkeys(cell)]
        settings = [Set(rates[k], s, z) for k, s, z in chosen]
        flows = [place.air[z] for place, (_, _, z) in zip(self.machine.places, chosen, strict=True)]
        return all(kept(self.machine, rule, settings, flows) for rule in self.coupling)

    def _halves(self, cell: tuple[Range, ...], coarsely: bool) -> Iterator[tuple[Range, ...]]:
        """The cell with its widest range cut in two; none where that is too narrow."""
        n = max(range(len(cell)), key=lambda n: (cell[n].high - cell[n].low) / cell[n].high)
        for part in self._parts(cell[n], coarsely):
            parts = (*cell[:n], part, *cell[n + 1 :])
            if all(one.low <= other.high for one, other in pairwise(parts)):  # in rising order
                yield parts

    def _parts(self, part: Range, coarsely: bool) -> Iterator[Range]:
        dial, (low, high) = self.machine.dial, part
        if dial.step is not None:
            first, last = (round((end - dial.low) / dial.step) for end in part)
            last = min(last, dial.last)
            half = (first + last) // 2
            yield Range(low, dial.at(half))
            yield Range(dial.at(half + 1), high)
            return
        start, end = bisect.bisect_right(self._turning, low), bisect.bisect_left(self._turning, high)
        if start < end:
            middle = self._turning[(start + end) // 2]
            yield from (Range(low, middle), Range(middle, high), Range(middle, middle))
        elif high - low > _NARROW * high and not coarsely:
            middle = Fraction(float((low + high) / 2))  # short, unlike the exact one
            yield from (Range(low, middle), Range(middle, high))

    @cached_property
    def _turning(self) -> list[Fraction]:
        """The rates at which a dose meets its target or a limit, or a window a setting; those of a free dial."""
        found = {known(self.machine.bound_of(rule, "at")) for rule in self.of_labels if rule.of == "rate"}
        for place in self.kinds:
            doses = set(_turning_doses(place))
            found.add(place.cut)
            for stroke in place.strokes:
                found.add(stroke.top or place.cut)
                ends = (1, 1 - stroke.stray, 1 + stroke.stray) if self.machine.robust else (1,)
                found |= {dose / (stroke.volume * end) for dose in doses for end in ends if end > 0}
        return sorted(rate for rate in found if self.machine.dial.low < rate < self.machine.dial.high)


class _Let(NamedTuple):
    """What points may be set to."""

    names: frozenset[str]
    of: str
    labels: frozenset[Label] = frozenset()
    never: bool = False  # those are what they must not be set to
    rate: Fraction | None = None  # the only one they may have

    def lets(self, place: Place, part: Range, stroke: int, screw: int) -> bool:
        """Whether a point may have a stroke with a screw setting at some rate of a range."""
        if self.rate is not None:
            return part.low - 2 * SLACK * self.rate <= self.rate <= part.high + 2 * SLACK * self.rate
        return (_label(self.of, place, stroke, screw) in self.labels) != self.never


def _label(of: str, place: Place, stroke: int, screw: int) -> Label:
    one = place.strokes[stroke]
    return place.branch.turns[screw] if of == "turns" else one.pump if of == "pump" else one.mark


def _cases(machine: Machine, rules: Sequence[_OfLabels]) -> Iterator[list[_Let]]:
    """What rules let points be set to; one case for each set of labels that all of them may share."""
    ways, count = [], 1
    for rule in rules:
        places = machine.covered(rule.over)
        names = frozenset(place.name for place in places)
        if isinstance(rule, Fix):
            ways.append([_Let(names, "rate", rate=known(machine.bound_of(rule, "at"))) if rule.of == "rate"
                         else _Let(names, rule.of, frozenset((rule.at,)))])  # fmt: skip
            continue
        if isinstance(rule, Forbid):
            ways.append([_Let(names, rule.of, frozenset(rule.at), never=True)])
            continue
        labels = sorted({_label(rule.of, place, s, z) for place in places for s, stroke in enumerate(place.strokes)
                         if not stroke.out for z in range(len(place.air))})  # fmt: skip
        size = min(1 if isinstance(rule, Same) else rule.max, len(labels), len(places))
        count *= comb(len(labels), size)
        if count > CASES:
            raise TooLarge
        ways.append([_Let(names, rule.of, frozenset(some)) for some in combinations(labels, size)])
    for case in product(*ways):
        yield list(case)


def _whole(number: Fraction) -> int:
    """A number in 2^-100, rounded down."""
    return number.numerator * _ONE // number.denominator


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
