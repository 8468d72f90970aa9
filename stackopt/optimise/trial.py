"""Whether some choice of options keeps capacity and the file's rules: an exact search of our own, without a solver.

Every point is a variable with its options, every flag of a rule one with two; a row bounds a sum of what the options
bring. What an option brings is fixed plus slope times the rate, of which only an interval is known. Narrowing leaves
out options, and rates, that no choice of the others can bring within a row; then the search branches. Rows are held
with a little more slack than the judge gives, so that nothing allowed is lost, and the judge decides on every choice.
"""

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from stackopt.judge import ROOM
from stackopt.problem.constraints import SLACK, Term, rows_of
from stackopt.stack import Array, Stack

NODES = 200_000  # choices looked at before it is given up
_LARGE = 4_000_000  # numbers in a table of rows, beyond which it is not begun
_MANY = 64  # options of a variable from which on those that cannot matter are taken out first


class Unsure(Exception):
    """Given up before the end; neither yes nor no is known."""


class Patience:
    """What may still be spent: nodes, and seconds until `deadline` (of the monotonic clock).

    >>> Patience(nodes=1).spend()
    """

    def __init__(self, deadline: float = np.inf, nodes: int = NODES) -> None:
        self.deadline, self.nodes = deadline, nodes

    def spend(self, nodes: int = 1) -> None:
        """Raise Unsure where nothing is left."""
        self.nodes -= nodes
        if self.nodes < 0 or time.monotonic() > self.deadline:
            raise Unsure


@dataclass(frozen=True, eq=False)
class Table:
    """Rows over variables; the first variables are the points of the stack, the rest flags of rules."""

    fixed: Array  # [variables, options, rows]
    slope: Array  # [variables, options, rows] what a stroke per minute adds
    low: Array  # [rows]
    high: Array  # [rows]

    @classmethod
    def of(cls, stack: Stack) -> "Table":
        """Capacity, which is row 0 [L/min], and the rows of all rules.

        >>> from stackopt.stack import _example
        >>> table = Table.of(Stack.of(_example()))
        >>> table.fixed.shape, table.slope[0, 0].tolist(), table.high.round(6).tolist()
        ((2, 6, 1), [0.01], [140.0])
        """
        rows = [(name, row) for name, rule in stack.rules.items() for row in rows_of(rule, stack.machine)]
        flags: dict[Term, int] = {}
        for name, row in rows:
            for _, (kind, *rest) in row.terms:
                if kind == "any":
                    flags.setdefault((name, *rest), len(stack.names) + len(flags))
        shape = (len(stack.names) + len(flags), max(2, stack.stroke.shape[1] * stack.screws), 1 + len(rows))
        if np.prod(shape) > _LARGE:
            raise Unsure
        fixed, slope = np.zeros(shape), np.zeros(shape)
        place = {name: i for i, name in enumerate(stack.names)}
        strokes, screws = stack.stroke.shape[1], stack.screws
        used = strokes * screws
        fixed[: len(stack.names), :used, 0] = np.tile(np.nan_to_num(stack.flow), (1, strokes))
        slope[: len(stack.names), :used, 0] = np.nan_to_num(stack.drive).repeat(screws, axis=1)
        for k, (name, row) in enumerate(rows, 1):
            for c, (kind, *rest) in row.terms:
                if kind == "any":
                    fixed[flags[name, *rest], 1, k] += c
                    continue
                i = place[rest[0]]
                if kind == "dose":
                    slope[i, :used, k] += c * np.nan_to_num(stack.stroke[i]).repeat(screws)
                elif kind == "rate":
                    slope[i, :used, k] += c
                else:
                    fixed[i, :used, k] += c * _brought(stack, i, kind, rest[1:])
        low = np.array([-np.inf] + [-np.inf if row.low is None else row.low for _, row in rows])
        high = np.array([stack.capacity * ROOM] + [np.inf if row.high is None else row.high for _, row in rows])
        return cls(fixed, slope, low, high)

    def mask(self, usable: np.ndarray) -> np.ndarray:
        """Options of the points [points, options] as those of all variables."""
        found = np.zeros(self.fixed.shape[:2], dtype=bool)
        found[:, :2] = True
        found[: len(usable)] = False
        found[: len(usable), : usable.shape[1]] = usable
        return found


def _brought(stack: Stack, i: int, kind: str, rest: Sequence[Any]) -> Array:
    """What the options of point `i` bring to a row [options]."""
    strokes, screws = stack.stroke.shape[1], stack.screws
    turns = np.array([*stack.turns[i]] + [np.nan] * (screws - len(stack.turns[i])))
    if kind == "air":
        return np.tile(np.nan_to_num(stack.flow[i]), strokes)
    if kind == "turns":
        return np.tile(np.nan_to_num(turns), strokes)
    of, label = rest
    if of == "turns":
        return np.tile(turns == label, strokes).astype(float)
    labels = stack.marks[i] if of == "mark" else stack.pumps[i]
    return np.array([s < len(labels) and labels[s] == label for s in range(strokes)]).repeat(screws).astype(float)


def at_rates(table: Table, mask: np.ndarray, at: Array) -> tuple[Table, np.ndarray, np.ndarray]:
    """The table with the rates among the options, only what can matter kept; its mask; (rate, option) of what is kept.

    Args:
        table: Rows over options.
        mask: Which options may be used [rates, variables, options].
        at: The rates [1/min].
    """
    both, low_only = np.isfinite(table.low) & np.isfinite(table.high), ~np.isfinite(table.high)
    parts, keys = [], []
    for v in range(len(table.fixed)):
        rate, option = np.nonzero(mask[:, v])
        brings = table.fixed[v, option] + table.slope[v, option] * at[rate, None]  # [options, rows]
        kept = _that_matter(np.hstack((np.where(low_only, -brings, brings), -brings[:, both])))
        parts.append(brings[kept])
        keys.append(np.stack((rate, option), axis=1)[kept])
    width = max(map(len, parts))
    fixed = np.zeros((len(parts), width, len(table.low)))
    kept, where = np.zeros((len(parts), width), dtype=bool), np.zeros((len(parts), width, 2), dtype=int)
    for v, (part, key) in enumerate(zip(parts, keys, strict=True)):
        fixed[v, : len(part)], kept[v, : len(part)], where[v, : len(part)] = part, True, key
    return Table(fixed, np.zeros_like(fixed), table.low, table.high), kept, where


def _that_matter(brings: Array) -> np.ndarray:
    """Options [options, sums] of which no other one brings no more in every sum."""
    _, first = np.unique(brings.round(12), axis=0, return_index=True)
    order = np.sort(first)
    some = brings[order]
    left = np.ones(len(order), dtype=bool)
    for k in range(len(order)) if len(order) <= 20 * _MANY else ():
        no_more = left & (some <= some[k]).all(axis=1)
        no_more[k] = False
        left[k] = not (no_more & ((some < some[k]).any(axis=1) | (np.arange(len(order)) < k))).any()
    return order[left]


class _Search:
    """One run over a table; all at one rate of an interval [1/min], or (apart) each variable at its own."""

    def __init__(self, table: Table, start: Array, end: Array, apart: bool) -> None:
        self.table, self.start, self.end = table, start, end
        ends = table.fixed + table.slope * start[..., None], table.fixed + table.slope * end[..., None]
        self.ends = (np.minimum(*ends), np.maximum(*ends)) if apart else None
        size = np.abs(table.fixed).max(axis=1).sum(axis=0)
        reach = np.abs(table.slope).max(axis=1).sum(axis=0)
        self.size, self.reach = size, reach
        self.slides = bool(table.slope.any())

    def narrowed(self, mask: np.ndarray, low: float, high: float) -> tuple[np.ndarray, float, float] | None:
        """What is left of options and rates; None where nothing is."""
        table = self.table
        while True:
            if low < high and not self.ends:
                mask = mask & (self.start <= high) & (self.end >= low)
            if not mask.any(axis=1).all():
                return None
            if low < high and not self.ends:
                low = max(low, float(np.where(mask, self.start, np.inf).min(axis=1).max()))
                high = min(high, float(np.where(mask, self.end, -np.inf).max(axis=1).min()))
                if low > high:
                    return None
            slack = self.size + self.reach * high
            most_high = table.high + 2 * SLACK * (slack + np.abs(np.where(np.isfinite(table.high), table.high, 0.0)))
            least_low = table.low - 2 * SLACK * (slack + np.abs(np.where(np.isfinite(table.low), table.low, 0.0)))
            ends = self.ends or (table.fixed, table.fixed)
            if self.slides and not self.ends:
                one, other = table.slope * low, table.slope * high
                ends = (table.fixed + np.minimum(one, other), table.fixed + np.maximum(one, other))
            open_ = mask[..., None]
            bottom, top = np.where(open_, ends[0], np.inf).min(axis=1), np.where(open_, ends[1], -np.inf).max(axis=1)
            bottoms, tops = bottom.sum(axis=0), top.sum(axis=0)
            if (bottoms > most_high).any() or (tops < least_low).any():
                return None
            fits = ((bottoms - bottom)[:, None] + ends[0] <= most_high).all(axis=2)
            fits &= ((tops - top)[:, None] + ends[1] >= least_low).all(axis=2)
            if low < high and self.slides and not self.ends:
                low, high = self._rates(open_, low, high, most_high, least_low)
                if low > high:
                    return None
            if not (mask & ~fits).any():
                return mask, low, high
            mask = mask & fits

    def _rates(self, open_: np.ndarray, low: float, high: float, most: Array, least: Array) -> tuple[float, float]:
        """The interval without rates that no choice brings within the rows."""
        for sign, bound in ((1.0, most), (-1.0, -least)):
            fixed = np.where(open_, sign * self.table.fixed, np.inf).min(axis=1).sum(axis=0)
            slope = np.where(open_, sign * self.table.slope, np.inf).min(axis=1).sum(axis=0)
            known = np.isfinite(bound)  # fixed + slope rate <= bound
            up, down = known & (slope > 0), known & (slope < 0)
            high = min(high, float(((bound - fixed)[up] / slope[up]).min(initial=np.inf)))
            low = max(low, float(((bound - fixed)[down] / slope[down]).max(initial=-np.inf)))
        return low, high


def first_kept(table: Table, mask: np.ndarray, low: float, high: float, start: Array, end: Array,
               confirmed: Callable[[np.ndarray, float], bool], patience: Patience,
               apart: bool = False) -> tuple[np.ndarray, float] | None:  # fmt: skip
    """A choice [variables] and its rate that keep all rows and are `confirmed`; None where there is none.

    Args:
        table: The rows.
        mask: Which options may be used [variables, options].
        low, high: The rates that may be taken [1/min].
        start, end: The rates between which each option may be used [variables, options], 1/min.
        confirmed: The last word on a choice at a rate.
        patience: What may be spent; raises Unsure beyond.
        apart: Whether each variable may have a rate of its own, anywhere between its option's.
    """
    search = _Search(table, start, end, apart)
    doubt = False
    stack = [(mask, low, high)]
    while stack:
        patience.spend()
        left = search.narrowed(*stack.pop())
        if left is None:
            continue
        mask, low, high = left
        count = mask.sum(axis=1)
        if count.max() == 1:
            choice = mask.argmax(axis=1)
            for rate in dict.fromkeys((low, (low + high) / 2, high)):
                if confirmed(choice, rate):
                    return choice, rate
            doubt |= low < high  # at another rate it may do, by a hair
            continue
        v = int(np.where(count > 1, count, np.iinfo(int).max).argmin())
        open_ = np.flatnonzero(mask[v])
        order = open_[np.argsort(table.fixed[v, open_, 0] + table.slope[v, open_, 0] * low, kind="stable")]
        for option in order[::-1]:  # the one with the least air is looked at first
            one = mask.copy()
            one[v] = False
            one[v, option] = True
            stack.append((one, low, high))
    if doubt:
        raise Unsure
    return None
