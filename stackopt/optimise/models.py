"""The two models of a machine.

`Settled` picks, at given rates, one whole option a point: its relaxation is tight. `Sliding` is the general one with
the rate r a variable of an interval: a binary y picks each point's stroke and z its screw, and w = r y is written
exactly by  sum w = r,  lo y <= w <= hi y  (Glover 1975, Management Science 22(4) 455-460); excess and error are the
largest of linear rows. Both share the rows of capacity and of the file's rules.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

import numpy as np

from stackopt.judge import ROOM, TIE, Settings
from stackopt.optimise.mip import SHARP, Rows
from stackopt.optimise.scan import BIG, Options, options, rates
from stackopt.physics.dosing import SLACK
from stackopt.problem.constraints import Term, rows_of
from stackopt.stack import Array, Stack

_RULE = 1e2  # the largest coefficient of a rule's row


def same_rate(first: float, second: float) -> bool:
    """Whether two rates are one [1/min]."""
    return abs(first - second) <= TIE * second


def stroke_changes(stack: Stack, i: int, today: int) -> Array:
    """How many settings each stroke of point i changes against that of today [strokes]: pump and mark, one each."""
    found = np.zeros(stack.stroke.shape[1])
    pumps, marks = stack.pumps[i], stack.marks[i]
    for k, (pump, mark) in enumerate(zip(pumps, marks, strict=True)):
        found[k] = (pump != pumps[today]) + (mark != marks[today])
    return found


def changes_by_option(stack: Stack) -> Array:
    """How many of a point's settings an option changes against today [points, options]; 0 where today is not known."""
    found = np.zeros((len(stack.names), stack.stroke.shape[1], stack.screws))
    for i, today in enumerate(stack.now):
        if today is not None:
            found[i] = stroke_changes(stack, i, today[0])[:, None] + (np.arange(stack.screws) != today[1])
    return found.reshape(len(stack.names), -1)


class Model:
    """What both models share: capacity, the file's rules, and what can be made small or held.

    `goals` are sums of variables by name: "excess" (X), "value", "error" (E), "air" (share of capacity) and "changes"
    (against what is set today).
    """

    def __init__(self, stack: Stack) -> None:
        self.stack = stack
        self.rows = Rows()
        self.goals: dict[str, list[tuple[float, Any]]] = {
            "excess": [], "value": [], "error": [], "air": [], "changes": []}  # fmt: skip
        self.changes = 0  # those that are known without choosing
        self._flags: dict[Term, Any] = {}

    def _finish(self) -> None:
        """Rows of capacity and rules, and the value, once every point has its variables."""
        stack, goals = self.stack, self.goals
        goals["value"] += goals["error"]
        self._held([(stack.capacity * c, v) for c, v in goals["air"]], None, stack.capacity * ROOM, "capacity")
        for name, rule in stack.rules.items():
            for row in rows_of(rule, stack.machine):
                self._rule(name, row)

    def _rule(self, name: str, row: Any) -> None:
        total: dict[Any, float] = defaultdict(float)
        for factor, term in row.terms:
            for coefficient, variable in self._term(name, term):
                total[variable] += factor * coefficient
        terms = [(c, v) for v, c in total.items() if c]
        scale = _RULE / max((abs(c) for c, _ in terms), default=_RULE)
        low, high = (None if end is None else scale * end for end in (row.low, row.high))
        if not terms:
            terms = [(1.0, self.rows.variable(0, 0))]  # a sum of nothing is 0, whatever it must be
        self._held([(scale * c, v) for c, v in terms], low, high, f"rule {name!r}")

    def _held(self, terms: list[tuple[float, Any]], low: float | None, high: float | None, meaning: str) -> None:
        """A row of capacity or of a rule."""
        self.rows.row(terms, low, high, meaning)
    def _term(self, rule: str, term: Term) -> Iterable[tuple[float, Any]]:
        kind, *rest = term
        if kind == "any":
            key = (rule, *rest)
            if key not in self._flags:
                self._flags[key] = self.rows.variable(0, 1, whole=True, meaning=f"rule {rule!r}: {rest} is used")
            return [(1.0, self._flags[key])]
        i = self.stack.names.index(rest[0])
        if kind == "is":
            return self._is(i, rest[1], rest[2])
        return self._quantity(i, kind)

    def _is(self, i: int, of: str, label: Any) -> Iterable[tuple[float, Any]]:
        raise NotImplementedError

    def _quantity(self, i: int, kind: str) -> Iterable[tuple[float, Any]]:
        raise NotImplementedError

    def found(self) -> Iterator[Settings]:
        """The settings of the solver's choice, at every rate that is compared."""
        raise NotImplementedError

    def chosen(self) -> list[Any]:
        """The variables that are 1 in the solver's choice."""
        raise NotImplementedError

    def picked(self) -> Iterator[Any]:
        """All variables that pick something."""
        raise NotImplementedError

    def hold(self, goal: str, most: float) -> None:
        """Keep a goal at or below `most`, sharply."""
        self.rows.row([(SHARP * c, v) for c, v in self.goals[goal]], high=SHARP * most)

    def refuse(self) -> None:
        """Cut the solver's choice off."""
        chosen = self.chosen()
        self.rows.row([(1.0, pick) for pick in chosen], high=len(chosen) - 1)

    def _largest(self, goal: str, parts: Iterable[Iterable[tuple[float, Any]]]) -> None:
        """A goal that is the largest of some sums."""
        top = self.rows.variable(0)
        for part in parts:
            self.rows.row([(1.0, top), *((-c, v) for c, v in part)], low=0.0)
        self.goals[goal].append((1.0, top))


class Settled(Model):
    """At most `stack.count` of the given rates [1/min], and at them one option a point."""

    def __init__(self, stack: Stack, at: Sequence[float], usable: np.ndarray | None = None,
                 parts: Options | None = None) -> None:  # fmt: skip
        """`usable` [rates, points, options] leaves options out; `parts` says what they bring where that is known."""
        super().__init__(stack)
        self.at = list(at)
        parts = options(stack, np.array(self.at)) if parts is None else parts
        usable = (parts.excess < BIG / 2) if usable is None else usable & (parts.excess < BIG / 2)
        self.picks: list[dict[tuple[int, int], Any]] = []
        changed = changes_by_option(stack)
        for i in range(len(stack.names)):
            keys = [(int(s), int(o)) for s, o in np.argwhere(usable[:, i])]
            self.picks.append(dict(zip(keys, self.rows.choice([self._meaning(i, *key) for key in keys]), strict=True)))
            for goal, part in (("air", parts.air), ("value", parts.cost)):
                self.goals[goal] += [(float(part[s, i, o]), y) for (s, o), y in self.picks[i].items()]
            if stack.now[i] is not None:
                self.goals["changes"] += [(float(changed[i, o]), y) for (_, o), y in self.picks[i].items()]
        for goal, part in (("excess", parts.excess), ("error", parts.error)):
            sums = [[(float(part[s, i, o]), y) for (s, o), y in row.items() if part[s, i, o]]
                    for i, row in enumerate(self.picks)]  # fmt: skip
            if stack.worst:
                self._largest(goal, sums)
            else:
                self.goals[goal] += [term for row in sums for term in row]
        if len(self.at) == 1:
            self.changes = int(stack.now_rate is not None and not same_rate(self.at[0], stack.now_rate))
        self.opened: list[Any] = []  # [rates] whether one may be used; none of a single one
        if len(self.at) > 1:
            self.opened = opened = [
                self.rows.variable(0, 1, whole=True, meaning=f"a generator at {r:g}/min") for r in self.at]  # fmt: skip
            self.rows.row([(1.0, u) for u in opened], high=stack.count, meaning="number of generators")
            for row in self.picks:
                for s, u in enumerate(opened):
                    self.rows.row([(1.0, u), *((-1.0, y) for (site, _), y in row.items() if site == s)], low=0.0)
            if stack.now_rate is not None:
                self.goals["changes"] += [(1.0, u) for u, r in zip(opened, self.at, strict=True)
                                          if not same_rate(r, stack.now_rate)]  # fmt: skip
        self._finish()

    def _meaning(self, i: int, site: int, option: int) -> str:
        stroke, screw = divmod(option, self.stack.screws)
        stack = self.stack
        return (f"{stack.names[i]!r} at {self.at[site]:g}/min: pump {stack.pumps[i][stroke]!r}, mark "
                f"{stack.marks[i][stroke]!r}, {stack.turns[i][screw]:g} turns")  # fmt: skip

    def _is(self, i: int, of: str, label: Any) -> Iterable[tuple[float, Any]]:
        stack, screws = self.stack, self.stack.screws
        if of == "turns":
            return [(1.0, y) for (_, o), y in self.picks[i].items() if stack.turns[i][o % screws] == label]
        labels = stack.marks[i] if of == "mark" else stack.pumps[i]
        return [(1.0, y) for (_, o), y in self.picks[i].items() if labels[o // screws] == label]

    def _quantity(self, i: int, kind: str) -> Iterable[tuple[float, Any]]:
        stack, screws = self.stack, self.stack.screws

        def each(s: int, o: int) -> float:
            if kind in ("air", "turns"):
                return float((stack.flow[i] if kind == "air" else stack.turns[i])[o % screws])
            return float(self.at[s]) * (1.0 if kind == "rate" else float(stack.stroke[i, o // screws]))

        return [(each(*key), y) for key, y in self.picks[i].items()]

    def avoid(self, rates: Sequence[float], apart: float) -> None:
        """Not all of `rates` [1/min] together, each to within a share `apart`."""
        opened = self.opened or [self.rows.variable(1, 1)]
        near = [[u for u, r in zip(opened, self.at, strict=True) if abs(r - rate) <= apart * rate] for rate in rates]
        met = [self.rows.variable(0, 1) for _ in rates]
        for one, some in zip(met, near, strict=True):
            for u in some:
                self.rows.row([(1.0, one), (-1.0, u)], low=0.0)
        self.rows.row([(1.0, one) for one in met], high=len(met) - 1, meaning="rates to avoid together")

    def picked(self) -> Iterator[Any]:
        """All variables that pick something."""
        return (y for row in self.picks for y in row.values())

    def _taken(self) -> list[tuple[int, int]]:
        return [max(row, key=lambda key: row[key].value()) for row in self.picks]

    def chosen(self) -> list[Any]:
        """The variables that are 1 in the solver's choice."""
        return [row[key] for row, key in zip(self.picks, self._taken(), strict=True)]

    def found(self) -> Iterator[Settings]:
        """The settings of the solver's choice."""
        taken, screws = self._taken(), self.stack.screws
        yield Settings(tuple(self.at[s] for s, _ in taken), tuple(o // screws for _, o in taken),
                       tuple(o % screws for _, o in taken))  # fmt: skip


class Sliding(Model):
    """One generator with its rate anywhere (on a stepped dial: at any step) between `low` and `high` [1/min]."""

    def __init__(self, stack: Stack, low: float | None = None, high: float | None = None) -> None:
        super().__init__(stack)
        low = stack.low if low is None else low
        high = stack.high if high is None else high
        every = rates(stack)
        every = every[(every >= low) & (every <= high)]
        self.compared = np.unique(np.r_[every, low, high]) if stack.step is None else every
        self.rate = self._rate(low, high)
        self.strokes: list[dict[int, Any]] = []
        self.screws: list[dict[int, Any]] = []
        self.products: list[list[tuple[int, Any]]] = []  # [points] of strokes and w
        self.changes = int(stack.now_rate is not None)
        excess, error = zip(*(self._point(i, low, high) for i in range(len(stack.names))), strict=True)
        for goal, parts in (("excess", excess), ("error", error)):
            if stack.worst:
                self._largest(goal, [[(1.0, part)] for part in parts])
            else:
                self.goals[goal] += list(zip(stack.weight.tolist(), parts, strict=True))
        self.goals["value"] += [(stack.air_weight * c, v) for c, v in self.goals["air"]]
        self._finish()

    def _rate(self, low: float, high: float) -> Any:
        if self.stack.step is None or low == high:
            return self.rows.variable(low, high, meaning="rate, 1/min")
        inside = np.flatnonzero((self.stack.steps >= low) & (self.stack.steps <= high))
        step = self.rows.variable(int(inside[0]), int(inside[-1]), whole=True, meaning="step of the dial")
        rate = self.rows.variable(low, high, meaning="rate, 1/min")
        self.rows.row([(1.0, rate), (-self.stack.step, step)], self.stack.low, self.stack.low, meaning="dial")
        return rate

    def _point(self, i: int, low: float, high: float) -> tuple[Any, Any]:
        """Rows of point `i`; its excess and its error."""
        stack, rows, name = self.stack, self.rows, repr(self.stack.names[i])
        usable = [s for s in range(len(stack.pumps[i])) if stack.rate_max[i, s] >= low]
        if not usable:  # no stroke is allowed: nothing can be picked
            rows.row([(1.0, rows.variable(0, 0))], low=1.0, meaning=f"{name} has no stroke")
        tops = [min(high, float(stack.rate_max[i, s])) for s in usable]
        picks = rows.choice([f"{name}: pump {stack.pumps[i][s]!r}, mark {stack.marks[i][s]!r}" for s in usable])
        flows = stack.flow[i][~np.isnan(stack.flow[i])]
        screws = rows.choice([f"{name}: {turns:g} turns" for turns in stack.turns[i]])
        products = list(zip(usable, rows.products(self.rate, low, tops, picks), strict=True))
        if stack.rate_min[i] > low:
            rows.row([(1.0, self.rate)], low=stack.rate_min[i], meaning=f"cut of {name}")
        self.strokes.append(dict(zip(usable, picks, strict=True)))
        self.screws.append(dict(enumerate(screws)))
        self.products.append(products)
        error = rows.variable(0, meaning=f"{name}: error")
        dose = self._share(i, 0.0)
        rows.row([(1.0, error), *dose], low=1.0)
        rows.row([(1.0, error), *((-c, w) for c, w in dose)], low=-1.0)
        excess = rows.variable(0, meaning=f"{name}: excess")
        for side in (-1.0, 1.0) if stack.robust else (0.0,):
            parts = self._missed(i, self._share(i, side))
            rows.row([(1.0, excess), *((-1.0, part) for part in parts)], low=0.0)
        self.goals["air"] += [(q / stack.capacity, z) for q, z in zip(flows.tolist(), screws, strict=True)]
        self.goals["air"] += [(float(stack.drive[i, s]) / stack.capacity, w) for s, w in products if stack.drive[i, s]]
        if stack.price_weight:
            self.goals["value"] += [(stack.price_weight * float(stack.price[i, s]) / len(stack.names), y)
                                    for s, y in self.strokes[i].items()]  # fmt: skip
        if (now := stack.now[i]) is not None:
            changed = stroke_changes(stack, i, now[0])
            self.goals["changes"] += [(float(changed[s]), y) for s, y in self.strokes[i].items() if changed[s]]
            self.goals["changes"] += [(1.0, z) for k, z in self.screws[i].items() if k != now[1]]
        return excess, error

    def _share(self, i: int, side: float) -> list[tuple[float, Any]]:
        """Terms of the dose as a share of what is required, at an end of the stray (side -1 or 1) or as set (0)."""
        stack = self.stack
        return [(float(stack.stroke[i, s] * (1 + side * stack.stray[i, s]) / stack.dose[i]), w)
                for s, w in self.products[i]]  # fmt: skip

    def _missed(self, i: int, dose: list[tuple[float, Any]]) -> tuple[Any, Any]:
        """What dose and air miss at a dose.

        Up to 1e-9 counts as none: the rows give it away, so that the model's X is never above the judge's.
        """
        stack, rows = self.stack, self.rows
        miss, air_miss = rows.variable(0), rows.variable(0)
        less_dose = [(-c, w) for c, w in dose]
        rows.row([(1.0, miss), *dose], low=1 - stack.below[i] - SLACK)
        rows.row([(1.0, miss), *less_dose], low=-(1 + stack.above[i]) - SLACK)
        foot = stack.reference[i]
        flow = [(float(stack.flow[i, z] / foot), pick) for z, pick in self.screws[i].items()]
        less_flow = [(-c, z) for c, z in flow]
        if stack.flow_min[i] > 0:
            rows.row([(1.0, air_miss), *flow], low=stack.flow_min[i] / foot - SLACK)
        if stack.ratio_min[i] > 0:
            scale = stack.ratio_min[i] * stack.dose[i] / foot
            rows.row([(1.0, air_miss), *flow, *((scale * c, w) for c, w in less_dose)], low=-SLACK)
        if np.isfinite(stack.flow_max[i]):
            rows.row([(1.0, air_miss), *less_flow], low=-stack.flow_max[i] / foot - SLACK)
        if np.isfinite(stack.ratio_max[i]):
            scale = stack.ratio_max[i] * stack.dose[i] / foot
            rows.row([(1.0, air_miss), *less_flow, *((scale * c, w) for c, w in dose)], low=-SLACK)
        return miss, air_miss

    def _is(self, i: int, of: str, label: Any) -> Iterable[tuple[float, Any]]:
        stack = self.stack
        if of == "turns":
            return [(1.0, z) for k, z in self.screws[i].items() if stack.turns[i][k] == label]
        labels = stack.marks[i] if of == "mark" else stack.pumps[i]
        return [(1.0, y) for s, y in self.strokes[i].items() if labels[s] == label]

    def _quantity(self, i: int, kind: str) -> Iterable[tuple[float, Any]]:
        stack = self.stack
        if kind == "rate":
            return [(1.0, self.rate)]
        if kind == "dose":
            return [(float(stack.stroke[i, s]), w) for s, w in self.products[i]]
        each = stack.flow[i] if kind == "air" else stack.turns[i]
        return [(float(each[k]), z) for k, z in self.screws[i].items()]

    def picked(self) -> Iterator[Any]:
        """All variables that pick something."""
        return (y for part in (self.strokes, self.screws) for row in part for y in row.values())

    def _taken(self) -> tuple[tuple[int, ...], tuple[int, ...]]:
        strokes, screws = (tuple(max(row, key=lambda k: row[k].value()) for row in part)
                           for part in (self.strokes, self.screws))  # fmt: skip
        return strokes, screws

    def chosen(self) -> list[Any]:
        """The variables that are 1 in the solver's choice."""
        return [row[k] for part, ks in zip((self.strokes, self.screws), self._taken(), strict=True)
                for row, k in zip(part, ks, strict=True)]  # fmt: skip

    def found(self) -> Iterator[Settings]:
        """The solver's choice at every rate that is compared, and where it meets capacity, a rule or another error."""
        strokes, screws = self._taken()
        met = meetings(self.stack, strokes, screws) if self.stack.step is None else []
        low, high = self.compared[0], self.compared[-1]
        for rate in sorted({*self.compared.tolist(), *(r for r in met if low < r < high)}):
            yield Settings.at(rate, strokes, screws)


def meetings(stack: Stack, strokes: Sequence[int], screws: Sequence[int]) -> list[float]:
    """Rates at which a choice meets capacity or the bound of a rule, or, for the worst, two points' lines cross.

    At each of these, some of them not at once, the best rate of the choice may lie inside an interval of a free dial.
    """
    point = np.arange(len(stack.names))
    volume = stack.stroke[point, list(strokes)]
    flow = stack.flow[point, list(screws)]
    drive = float(stack.drive[point, list(strokes)].sum())
    found = [(stack.capacity - float(flow.sum())) / drive] if drive else []
    place = {name: i for i, name in enumerate(stack.names)}
    for rule in stack.rules.values():
        for row in rows_of(rule, stack.machine):
            still, grows = 0.0, 0.0  # the sum is still + grows rate
            for c, (kind, *rest) in row.terms:
                if kind == "dose":
                    grows += c * float(volume[place[rest[0]]])
                elif kind == "rate":
                    grows += c
                elif kind in ("air", "turns"):
                    i = place[rest[0]]
                    still += c * (float(flow[i]) if kind == "air" else stack.turns[i][screws[i]])
            found += [(end - still) / grows for end in (row.low, row.high) if end is not None and grows]
    if stack.worst:
        slopes = volume / stack.dose
        # Errors |slope rate - 1|, and the ends of the excess, rise or fall in the rate: they cross in pairs.
        ends = [1 - stack.stray[point, list(strokes)], 1 + stack.stray[point, list(strokes)]]
        lines = [(slopes, -np.ones(len(slopes)))]
        for end in ends if stack.robust else [np.ones(len(slopes))]:
            dose = slopes * end
            under, over = (-dose, 1 - stack.below), (dose, -1 - stack.above)
            foot = stack.reference
            ratio, most = stack.ratio_min * stack.dose / foot, stack.ratio_max * stack.dose / foot
            air = [(np.zeros(len(slopes)), np.zeros(len(slopes))), (dose * ratio, -flow / foot),
                   (-dose * most, flow / foot), (np.zeros(len(slopes)), (stack.flow_min - flow) / foot),
                   (np.zeros(len(slopes)), (flow - stack.flow_max) / foot)]  # fmt: skip
            none = (np.zeros(len(slopes)), np.zeros(len(slopes)))
            lines += [(a[0] + b[0], a[1] + b[1]) for a in (none, under, over) for b in air]
        with np.errstate(all="ignore"):
            slope = np.concatenate([line[0] for line in lines])
            fixed = np.concatenate([line[1] for line in lines])
            good = np.isfinite(slope) & np.isfinite(fixed)
            slope, fixed = slope[good], fixed[good]
            for sign in (1, -1):  # an error's line may be met with either sign
                crossing = (sign * fixed[None, :] - fixed[:, None]) / (slope[:, None] - sign * slope[None, :])
                found += crossing[np.isfinite(crossing)].tolist()
    return found
