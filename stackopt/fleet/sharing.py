"""One plan a machine within the shared air: first the least weighted excess, then the least weighted error. Exact.

A multiple-choice knapsack in two stages. A price on the air bounds each from below (`optimise.price`). Then plans are
merged (`optimise.merge`) among choices within a margin of that bound, wider each time until one is found: what is found
first is the best, since nothing outside the margin can be better. Few plans are left within so little. Where too many
sums would be kept, the mixed-integer model decides, over the plans that the price leaves. Rules on kinds of pump split
the works: of a choice with too many kinds at least one must go, and each of them going is a works of its own, solved
without the rule.
Source: Kellerer, Pferschy and Pisinger, Knapsack Problems (2004), ch. 11.
"""

import heapq
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from stackopt.errors import known
from stackopt.judge import ROOM, TIE
from stackopt.optimise.merge import Limits, Merged, TooManyLabels, merge, preferred
from stackopt.optimise.mip import SHARP, NoProof, Rows
from stackopt.optimise.outcome import TINY, Stopped
from stackopt.optimise.price import price
from stackopt.optimise.scan import BIG
from stackopt.stack import Array

SECONDS = 60.0  # that a choice may take
_MARGINS = 12  # each four times as wide as the one before; the last as wide as the first choice is worse than the bound


@dataclass(frozen=True, eq=False)
class Offers:
    """What each plan of each machine brings [machines, plans]; rows filled up with BIG, plans by rising air."""

    excess: Array
    error: Array
    air: Array  # share of the room that all have together; a choice takes 1 at most, but for rounding
    weight: Array  # [machines]; sums to 1

    @classmethod
    def of(cls, rows: Sequence[Sequence[tuple[float, float, float]]], weights: Sequence[float],
           room: float) -> "Offers":  # fmt: skip
        """From plans (excess, error, air in L/min) by machine, weights of any sum, and the room [L/min], above 0.

        >>> Offers.of([[(0.0, 0.2, 30.0)], [(0.0, 0.1, 20.0), (0.0, 0.0, 40.0)]], [1, 3], 80.0).weight.tolist()
        [0.25, 0.75]
        """
        width = max(map(len, rows))
        filled = np.full((3, len(rows), width), BIG)
        for m, row in enumerate(rows):
            filled[:, m, : len(row)] = np.array(row, dtype=float).reshape(-1, 3).T
        excess, error, air = filled
        weight = np.array(weights, dtype=float)
        return cls(excess, error, np.where(air < BIG, air / room, BIG), weight / weight.sum())


@dataclass(frozen=True, eq=False)
class Share:
    """A plan for each machine and what is proved of it. Prices are of one whole room more; see `Offers.air`."""

    status: str  # optimal | infeasible | time limit | interrupted | unproved
    choice: np.ndarray | None = None  # [machines] which plan
    excess: float | None = None  # weighted mean of the plans
    error: float | None = None
    excess_bound: float | None = None  # no choice of listed plans has a lower weighted excess
    error_bound: float | None = None  # none of that excess has a lower weighted error; None until that is proved
    excess_price: float | None = None  # weighted excess that more room saves, by the relaxation
    error_price: float | None = None  # weighted error; None where more room would change the excess first

    def better(self, other: "Share") -> bool:
        """Whether it is better than another by more than a tie."""
        (excess, error), (other_excess, other_error) = self.reached, other.reached
        apart = other_excess - excess
        return apart > TIE or (apart > -TIE and error < other_error - TIE)

    @property
    def reached(self) -> tuple[float, float]:
        """Excess and error of the choice. Raises StackoptError without one."""
        return known(self.excess), known(self.error)


def least_air(offers: Offers) -> float:
    """The least that all take together, as a share of the room; the room is too small where it is above 1.

    >>> least_air(Offers.of([[(0.0, 0.2, 30.0)], [(0.0, 0.1, 20.0), (0.0, 0.0, 40.0)]], [1, 3], 80.0))
    0.625
    """
    return float(offers.air.min(axis=1).sum())


def relaxed(cost: Array, air: Array) -> tuple[float, float]:
    """The linear relaxation of least `cost` [machines, plans] within the room, and its price of one more room.

    >>> cost, air = np.array([[0.0, 3.0], [0.0, 1.0]]), np.array([[0.7, 0.3], [0.6, 0.4]])
    >>> [round(value, 6) for value in relaxed(cost, air)]
    [1.75, 7.5]
    """
    found = price(cost[None], air[None])
    return float(found.bound[0]), float(found.multiplier[0])


def share(offers: Offers, deadline: float = np.inf) -> Share:
    """The best choice of a plan for each machine: least weighted excess, then least weighted error.

    Args:
        offers: The plans.
        deadline: Of `time.monotonic`, for the model where that is needed.

    >>> offers = Offers.of([[(0.0, 0.2, 30.0), (0.0, 0.1, 50.0)], [(0.0, 0.1, 20.0), (0.0, 0.0, 40.0)]], [1, 1], 80.0)
    >>> found = share(offers)
    >>> found.status, found.choice.tolist(), round(found.error, 6), round(found.error_price / 80, 6)
    ('optimal', [0, 1], 0.1, 0.0025)
    """
    if least_air(offers) > ROOM:
        return Share("infeasible")
    weight = offers.weight[:, None]
    own = offers.excess.min(axis=1)
    more = offers.excess - own[:, None]
    more = np.where(more <= 1.1 * TIE, 0.0, weight * more)  # plans of a front may differ by a tie
    more = np.where(offers.excess < BIG / 2, more, BIG)
    error = np.where(offers.error < BIG, weight * offers.error, BIG)
    held = price(more[None], offers.air[None])
    fitting = held.choice[0]
    excess_price = float(held.multiplier[0])
    excess_bound, error_bound, error_price, status = float(held.bound[0]), None, None, "optimal"
    try:
        best, fitting, excess_bound = _least(more, offers.air, deadline)
        if best <= TIE:
            error = np.where(more <= TIE, error, BIG)
            error_price = relaxed(error, offers.air)[1]
            first = price(error[None], offers.air[None]).choice[0]
            fitting = first if _sum(error, first) < BIG / 2 else fitting
            _, fitting, error_bound = _least(error, offers.air, deadline)
        else:
            fitting, error_bound = _least_among(error, more, offers.air, best, excess_price, fitting, deadline)
        if _sum(error, fitting) - error_bound > TIE:
            status = "unproved"
    except Stopped as stop:
        status = str(stop)
    except KeyboardInterrupt:
        status = "interrupted"
    base = float(offers.weight @ own)
    excess, reached = (_sum(np.where(part < BIG, weight * part, BIG), fitting)
                       for part in (offers.excess, offers.error))  # fmt: skip
    return Share(status, fitting, excess, reached, min(base + excess_bound, excess),
                 None if error_bound is None else min(error_bound, reached), excess_price, error_price)  # fmt: skip


def _sum(part: Array, choice: np.ndarray) -> float:
    return float(part[np.arange(len(part)), choice].sum())


def _least(cost: Array, air: Array, deadline: float) -> tuple[float, np.ndarray, float]:
    """The least cost within the room, a choice with it, and its bound."""
    priced = price(cost[None], air[None])
    bound, m, choice, reached = (part[0] for part in (priced.bound, priced.multiplier, priced.choice, priced.cost))
    gap = float(reached - bound)
    if gap <= TINY:
        return float(reached), choice, float(bound)
    parts = np.stack((cost, air), axis=2)
    weights = np.array([[[1.0, m]], [[1.0, 0.0]], [[0.0, 1.0]]])
    try:
        for k in range(_MARGINS, -1, -1):
            most = bound + gap / 4**k + TINY
            limits = Limits(weights, np.array([[most + m * ROOM], [most], [ROOM]]))
            merged = merge(parts, limits, goal=0, offset=m * ROOM, thin=True)
            if merged is not None:
                best = _lowest(merged, 0)
                within = Limits(weights, np.array([[best + m * ROOM + TINY], [best + TINY], [ROOM]]))
                return best, preferred(merged, within), best
    except TooManyLabels:
        pass
    return _by_model(cost, air, choice, float(bound), float(m), deadline)


def _lowest(merged: Merged, criterion: int) -> float:
    """The least of a criterion within the room (the last one)."""
    labels = merged.labels
    return float(labels[labels[:, -1] <= ROOM + TINY, criterion].min())


def _least_among(error: Array, more: Array, air: Array, best: float, m: float, fitting: np.ndarray,
                 deadline: float) -> tuple[np.ndarray, float]:  # fmt: skip
    """A choice of least error whose excess is `best`, where the room keeps it above the least; and its bound."""
    weights = np.array([[[1.0, 0.0, 0.0]], [[0.0, 1.0, m]], [[0.0, 1.0, 0.0]], [[0.0, 0.0, 1.0]]])
    most = np.array([[_sum(error, fitting) + TINY], [best + TIE + m * ROOM], [best + TIE], [ROOM]])
    try:
        merged = known(merge(np.stack((error, more, air), axis=2), Limits(weights, most), goal=0, thin=True))
        labels = merged.labels
        most[0, 0] = labels[(labels[:, 1] <= best + TIE + TINY) & (labels[:, 2] <= ROOM + TINY), 0].min() + TINY
        choice = preferred(merged, Limits(weights, most))
        return choice, _sum(error, choice)
    except TooManyLabels:
        bound = float(np.where(more + m * air <= best + TIE + m * ROOM + BIG / 4, error, BIG).min(axis=1).sum())
        _, choice, proved = _by_model(error, air, fitting, bound, 0.0, deadline, more, best + TIE)
        return choice, proved


def _by_model(cost: Array, air: Array, fitting: np.ndarray, bound: float, m: float, deadline: float,
              more: Array | None = None, most: float = 0.0) -> tuple[float, np.ndarray, float]:  # fmt: skip
    """As `_least`, by the mixed-integer model; `more`, where given, sums to at most `most`."""
    reached = _sum(cost, fitting)
    by = cost + m * air
    reduced = by - by.min(axis=1, keepdims=True)
    usable = (cost < BIG / 2) & (reduced <= reached - bound + TINY)  # what the price does not rule out
    model = Rows()
    picks = [dict(zip(np.flatnonzero(row).tolist(), model.choice([""] * int(row.sum())), strict=True))
             for row in usable]  # fmt: skip
    every = [(n, k, pick) for n, row in enumerate(picks) for k, pick in row.items()]
    model.row([(float(air[n, k]), pick) for n, k, pick in every], high=ROOM)
    if more is not None:
        model.row([(SHARP * float(more[n, k]), pick) for n, k, pick in every], high=SHARP * most)
    try:
        proved = model.minimise([(float(cost[n, k]), pick) for n, k, pick in every], "highs", deadline, presolve=True)
    except NoProof as stop:
        raise Stopped(stop.status) from None
    if proved is None:
        return reached, fitting, bound
    choice = np.array([max(row, key=lambda k: row[k].value()) for row in picks])
    fits = _sum(air, choice) <= ROOM and (more is None or _sum(more, choice) <= most + TINY)
    if not fits or _sum(cost, choice) > reached:
        choice = fitting
    return _sum(cost, choice), choice, max(bound, proved)


# Kinds of pump

Uses = Sequence[Sequence[frozenset[str]]]  # [machines][plans] the kinds of pump that a plan has
Held = tuple[frozenset[int], int]  # machines, and how many kinds they may have together
Bans = frozenset[tuple[int, str]]  # rule and kind


def share_few(offers: Offers, uses: Uses, rules: Sequence[Held], deadline: float = np.inf) -> Share:
    """As `share`, where machines may have only so many kinds of pump together.

    >>> offers = Offers.of([[(0.0, 0.2, 3.0), (0.0, 0.1, 3.0)], [(0.0, 0.1, 3.0)]], [1, 1], 8.0)
    >>> uses = [[frozenset("a"), frozenset("b")], [frozenset("a")]]
    >>> share_few(offers, uses, [(frozenset({0, 1}), 1)]).choice.tolist()
    [0, 0]
    """
    best: Share | None = None
    count = 0
    first = share(offers, deadline)
    if first.status == "infeasible" or not rules:
        return first
    # What is banned, what may no longer be; by what it is worth.
    open_: list[tuple[tuple[float, float], int, Share, Bans, Bans]] = []

    def add(found: Share, banned: Bans, kept: Bans) -> None:
        nonlocal count
        if found.choice is not None and (best is None or found.better(best)):
            count += 1
            heapq.heappush(open_, (found.reached, count, found, banned, kept))

    add(first, frozenset(), frozenset())
    while open_:
        _, _, found, banned, kept = heapq.heappop(open_)
        if best is not None and not found.better(best):
            continue
        if found.status != "optimal" or time.monotonic() > deadline:
            status = "time limit" if found.status == "optimal" else found.status
            if best is None:
                return Share(status)
            bound = min(known(found.excess_bound), known(best.excess_bound))
            return replace(best, status=status, excess_bound=bound, error_bound=None)
        broken = next(((r, kinds) for r, (machines, most) in enumerate(rules)
                       if len(kinds := _kinds(uses, known(found.choice), machines)) > most), None)  # fmt: skip
        if broken is None:
            best = found
            continue
        r, kinds = broken
        kept_now = kept
        for kind in sorted(kinds):  # one of them must go; those before it may stay
            if (r, kind) in kept:
                continue
            now = banned | {(r, kind)}
            left = _without(offers, uses, rules, now)
            if left is not None:
                add(share(left, deadline), now, kept_now)
            kept_now = kept_now | {(r, kind)}
    return best or Share("infeasible")


def _kinds(uses: Uses, choice: np.ndarray, machines: frozenset[int]) -> set[str]:
    return {kind for m in machines for kind in uses[m][choice[m]]}


def _without(offers: Offers, uses: Uses, rules: Sequence[Held], banned: Bans) -> Offers | None:
    """The offers without plans that have a banned kind; None where a machine has none left."""
    out = np.zeros(offers.excess.shape, dtype=bool)
    for r, (machines, _) in enumerate(rules):
        kinds = {kind for rule, kind in banned if rule == r}
        for m in machines if kinds else ():
            out[m, : len(uses[m])] |= [not kinds.isdisjoint(have) for have in uses[m]]
    left = replace(offers, **{part: np.where(out, BIG, getattr(offers, part)) for part in ("excess", "error", "air")})
    return None if (left.excess.min(axis=1) >= BIG / 2).any() else left
