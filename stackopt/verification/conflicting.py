"""Whether sets of points and rules that an answer names do conflict, and no smaller part of them does."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import combinations
from typing import Any, NamedTuple

from stackopt.verification.bound import Claim, Search
from stackopt.verification.machine import ROUNDING, SLACK, Dial, Machine, Place
from stackopt.verification.sums import Work

MOST = 20  # conflicts listed
FEW = 12  # points of which every set is looked at
LARGE = 200  # points that a set may have
SETS = 200_000  # tries of sets of rates, beyond which nothing is decided
BANDS = 3_000  # ranges of rates of all points of a set, beyond which nothing is decided
_WORK = 1_000_000  # steps of one question
ALL_WORK = 20_000_000  # steps of all questions about one answer's conflicts
_NONE = Claim("excess", Fraction(1, 10**30), Fraction(1, 10**30))  # all that is asked in tolerance
_KINDS = ("cut", "max_rate", "fluids", "min_pressure")


class Opinion(NamedTuple):
    """True where it holds, False where it is wrong, None where that is not decided; and why."""

    holds: bool | None
    why: str = ""


class _Undecided(Exception):
    """A question is not decided."""


class RateSets:
    """Which of some points have a rate that gives them their dose, cut and max_rate held, together."""

    def __init__(self, machine: Machine, names: Sequence[str] | None = None) -> None:
        places = machine.covered(names)
        if len(places) > LARGE:
            raise _Undecided
        self.names = [place.name for place in places]
        bands = [list(_bands(machine, place)) for place in places]
        if sum(map(len, bands)) > BANDS:
            raise _Undecided
        masks = set()
        for rate in {low for row in bands for low, _ in row}:  # where bands overlap, the last of them begins
            masks.add(sum(1 << n for n, row in enumerate(bands) if any(a <= rate <= b for a, b in row)))
        self.masks = [m for m in masks if not any(m != other and m & other == m for other in masks)]

    def served(self, names: Sequence[str], rates: int = 1) -> bool:
        """Whether so many rates give all these points their doses."""
        return self._covered(sum(1 << self.names.index(name) for name in names), rates, [SETS])

    def _covered(self, wanted: int, rates: int, left: list[int]) -> bool:
        if not wanted:
            return True
        left[0] -= 1
        if left[0] < 0:
            raise _Undecided
        first = wanted & -wanted
        return rates > 0 and any(self._covered(wanted & ~m, rates - 1, left) for m in self.masks if m & first)

    def smallest(self) -> set[frozenset[str]]:
        """All sets that no rate serves while each smaller part of them has one."""
        found: list[frozenset[str]] = []
        for size in range(1, len(self.names) + 1):
            for names in combinations(self.names, size):
                if not any(one <= set(names) for one in found) and not self.served(names):
                    found.append(frozenset(names))
        return set(found)


def _bands(machine: Machine, place: Place) -> Iterator[tuple[Fraction, Fraction]]:
    """Rates at which a stroke gives a point its dose; on a stepped dial from step to step."""
    dial = machine.dial
    for stroke in place.strokes:
        ends = (1 - stroke.stray, 1 + stroke.stray) if machine.robust else (1, 1)
        if stroke.out or ends[0] <= 0:
            continue
        low = (1 - place.below - SLACK) * place.dose / (stroke.volume * ends[0])
        high = (1 + place.above + SLACK) * place.dose / (stroke.volume * ends[1])
        low = max(low, dial.low * (1 - ROUNDING), place.cut * (1 - ROUNDING))
        high = min(high, dial.high * (1 + ROUNDING), *([stroke.top * (1 + ROUNDING)] if stroke.top else []))
        if dial.step is not None:
            first, last = max(-((dial.low - low) // dial.step), 0), (high - dial.low) // dial.step
            low, high = dial.at(first), dial.at(dial.last if high >= dial.at(dial.last) else last)
            if first > dial.last:
                continue
        if low <= high:
            yield low, high


def names_of(machine: Machine) -> set[str]:
    """All names that a rule may have in a conflict."""
    pumps = {stroke.pump for place in machine.places for stroke in place.strokes}
    return {*machine.rules, "capacity", "line", "rate range", *(f"cut of {place.name}" for place in machine.places),
            *(f"{kind} of {pump}" for kind in _KINDS[1:] for pump in pumps)}  # fmt: skip


def rates_conflict(machine: Machine, named: Sequence[dict[str, Any]]) -> Opinion:
    """Whether the conflicts named are those of the rates, where all of these are looked at."""
    if machine.count > 1 or len(machine.places) > FEW:
        return Opinion(True)
    try:
        expected = RateSets(machine).smallest()
    except _Undecided:
        return Opinion(True)
    if not expected or len(expected) > MOST:
        return Opinion(True)
    found = [frozenset(one["points"]) for one in named if not one["rules"]]
    if len(found) == len(named) == len(expected) and set(found) == expected:
        return Opinion(True)
    return Opinion(False, f"{len(expected)} sets of points share no rate; they are other ones than those named")


def conflict_holds(machine: Machine, points: Sequence[str], rules: Sequence[str], hard: bool, work: Work) -> Opinion:
    """Whether points cannot be in tolerance together while rules hold (hard: rules cannot), but each part can.

    What that takes is taken from `work`; without any nothing is decided.
    """
    try:
        if not hard and not rules and not (sets := RateSets(machine, points)).served(points, machine.count):
            parts = [[p for p in points if p != one] for one in points]
            if all(sets.served(part, machine.count) for part in parts):
                return Opinion(True)
            return Opinion(False, "a smaller part conflicts already")
        if _can_hold(machine, points, rules, hard, work):
            return Opinion(False, "there are settings without that conflict")
        items = [*([] if hard else [("point", p) for p in points]), *(("rule", r) for r in rules)]
        for one in items:
            rest = [item for item in items if item != one]
            some, others = ([name for kind, name in rest if kind == which] for which in ("point", "rule"))
            if not _can_hold(machine, some, others, hard, work):
                return Opinion(False, "a smaller part conflicts already")
        return Opinion(True)
    except _Undecided as error:
        return Opinion(None, str(error) or "it is too large for this check")


def _can_hold(machine: Machine, points: Sequence[str], rules: Sequence[str], hard: bool, work: Work) -> bool:
    """Whether settings bring these points into tolerance while these rules hold. Raises _Undecided."""
    kept = {name: rule for name, rule in machine.rules.items() if name in rules}
    part = (_hard(machine, rules) if hard else machine).asking(
        points, rules=kept, capacity=machine.capacity if "capacity" in rules else None,
        line=machine.line if "line" in rules else None)  # fmt: skip
    search = Search(part, min(_WORK, work.left))
    found = search.better(Claim() if hard else _NONE)
    work.left -= search.limit - max(search.work.left, 0)
    if found.better is None:
        raise _Undecided(found.why)
    return found.better


def _hard(machine: Machine, rules: Sequence[str]) -> Machine:
    """The machine where only these of the rules on its dial and points hold."""
    cut = any(rule == f"cut of {place.name}" for rule in rules for place in machine.places)
    places = []
    for place in machine.places:
        # Where points share a generator the highest cut stands for all.
        keeps = cut if machine.count == 1 else f"cut of {place.name}" in rules
        strokes = []
        for stroke in place.strokes:
            top = stroke.top if f"max_rate of {stroke.pump}" in rules and not stroke.out else None
            strokes.append(stroke._replace(
                top=top, barred=stroke.barred and f"fluids of {stroke.pump}" in rules,
                stalled=stroke.stalled and f"min_pressure of {stroke.pump}" in rules))  # fmt: skip
        places.append(place._replace(cut=place.cut if keeps else Fraction(0), strokes=tuple(strokes)))
    dial = machine.dial
    wide = Dial(dial.low / 10**12, dial.high * 10**6, None)
    return replace(machine, places=tuple(places), dial=dial if "rate range" in rules else wide)


def concerned(machine: Machine, rules: Sequence[str]) -> set[str]:
    """The points that hard rules concern: those of a cut, and those that have only pumps that are limited."""
    limited = {stroke.pump for place in machine.places for stroke in place.strokes
               if any(f"{kind} of {stroke.pump}" in rules for kind in _KINDS[1:])}  # fmt: skip
    return {place.name for place in machine.places if f"cut of {place.name}" in rules
            or (limited and {stroke.pump for stroke in place.strokes} <= limited)}  # fmt: skip
