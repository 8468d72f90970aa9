"""Whether one option a row can be chosen so that sums stay within limits: dominance-pruned dynamic programming.

Options are tuples of whole numbers: what is to stay below a goal, then what is limited, and last what it stands for.
"""

import bisect
import itertools
from collections.abc import Callable, Sequence
from typing import Any

LABELS = 50_000  # sums kept at a time, beyond which nothing is decided
SCALE = 1 << 30  # of prices
Row = Sequence[tuple[Any, ...]]  # options
Sums = tuple[int, ...]  # what is summed of them


class TooLarge(Exception):
    """The question is beyond what is tried."""


class Work:
    """What has been done so far. Raises TooLarge beyond the limit."""

    def __init__(self, limit: int) -> None:
        self.left = limit

    def done(self, amount: int) -> None:
        """Count so many steps."""
        self.left -= amount
        if self.left < 0:
            raise TooLarge


def possible(rows: Sequence[Row], below: int, limits: Sequence[int], work: Work,
             holds: Callable[[list[Any]], bool] | None = None) -> bool:  # fmt: skip
    """Whether some choice has a first sum under `below` and each further one at most its limit; exactly.

    With `holds`, which is asked of what the chosen options stand for, that must be true too.

    >>> rows = [[(1, 5, "a"), (3, 0, "b")], [(1, 5, "c"), (2, 1, "d")]]
    >>> possible(rows, 4, [6], Work(1000)), possible(rows, 4, [5], Work(1000))
    (True, False)
    """
    work.done(sum(map(len, rows)))
    usable = _usable(rows, below, limits)
    if usable is None:
        return False
    if holds is not None:
        return _tried(usable, below, limits, work, holds)
    # A limit that no choice can break is none.
    binding = [k for k, limit in enumerate(limits, 1) if sum(max(o[k] for o in row) for row in usable) > limit]
    fronts = [_front([(o[0], *(o[k] for k in binding)) for o in row]) for row in usable]
    limits = [limits[k - 1] for k in binding]
    lowest = [min(front) for front in fronts]
    if all(sum(o[k] for o in lowest) <= limit for k, limit in enumerate(limits, 1)):
        return True
    prices = _prices(fronts, below, limits, work)
    return prices is not None and _merged(fronts, below, limits, prices, work)


def _usable(rows: Sequence[Row], below: int, limits: Sequence[int]) -> Sequence[Row] | None:
    """The rows without options that no choice can contain; None where no choice is left."""
    ends = [below - 1, *limits]
    while True:
        if not all(rows):
            return None
        least = [[min(o[k] for o in row) for k in range(len(ends))] for row in rows]
        spare = [end - sum(low[k] for low in least) for k, end in enumerate(ends)]
        if min(spare) < 0:
            return None
        kept = [[o for o in row if all(o[k] - low[k] <= spare[k] for k in range(len(ends)))]
                for row, low in zip(rows, least, strict=True)]  # fmt: skip
        if sum(map(len, kept)) == sum(map(len, rows)):
            return kept
        rows = kept


def _front(labels: list[Sums]) -> list[Sums]:
    """Those that no other one is at most equal to in everything; up to three numbers each."""
    labels.sort()
    if not labels or len(labels[0]) == 1:
        return labels[:1]
    kept: list[Sums] = []
    if len(labels[0]) == 2:
        for label in labels:
            if not kept or label[1] < kept[-1][1]:
                kept.append(label)
        return kept
    stairs: list[tuple[int, int]] = []  # second rising, third falling
    for label in labels:
        at = bisect.bisect_right(stairs, (label[1], label[2]))
        if at and stairs[at - 1][1] <= label[2]:
            continue
        end = at
        while end < len(stairs) and stairs[end][1] >= label[2]:
            end += 1
        stairs[at:end] = [(label[1], label[2])]
        kept.append(label)
    return kept


def _prices(rows: Sequence[Sequence[Sums]], below: int, limits: Sequence[int], work: Work) -> list[int] | None:
    """Prices on what is limited; None where they show that no choice will do: any price gives a bound."""
    prices = [0] * len(limits)
    for _ in range(1 if len(limits) == 1 else 3):
        for k, limit in enumerate(limits, 1):
            low, high = 0, None
            for _ in range(50):
                prices[k - 1] = (2 * low or 1) if high is None else (low + high) // 2
                work.done(sum(map(len, rows)) // 4 + 1)
                if high is not None and high - low <= max(1, high >> 16):
                    break
                chosen = [min(row, key=lambda o: _score(o, prices)) for row in rows]
                if sum(_score(o, prices) for o in chosen) >= _ceiling(below, limits, prices):
                    return None
                if sum(o[k] for o in chosen) > limit:
                    low = prices[k - 1]
                else:
                    high = prices[k - 1]
    return prices


def _score(option: Sums, prices: Sequence[int]) -> int:
    return option[0] * SCALE + sum(p * amount for p, amount in zip(prices, option[1:], strict=False))


def _ceiling(below: int, limits: Sequence[int], prices: Sequence[int]) -> int:
    return below * SCALE + sum(p * limit for p, limit in zip(prices, limits, strict=True))


def _merged(rows: Sequence[Sequence[Sums]], below: int, limits: Sequence[int], prices: Sequence[int],
            work: Work) -> bool:  # fmt: skip
    """The rows merged one by one; kept are sums that can still be completed and that no other one dominates."""
    ends = [below - 1, *limits, _ceiling(below, limits, prices) - 1]
    scored = [[(*o, _score(o, prices)) for o in row] for row in rows]
    scored.sort(key=lambda row: (len(row), row))
    least = [[min(o[k] for o in row) for k in range(len(ends))] for row in scored]
    rest = list(itertools.accumulate(reversed(least), lambda a, b: [x + y for x, y in zip(a, b, strict=True)]))[::-1]
    labels: list[Sums] = [(0,) * (len(ends) - 1)]
    for n, row in enumerate(scored):
        after = rest[n + 1] if n + 1 < len(rest) else [0] * len(ends)
        room = [end - more for end, more in zip(ends, after, strict=True)]
        work.done(len(labels) * len(row))
        grown = []
        for label in labels:
            for o in row:
                new = tuple(x + y for x, y in zip(label, o, strict=False))
                if all(x <= most for x, most in zip(new, room, strict=False)) and _score(new, prices) <= room[-1]:
                    grown.append(new)
        labels = _front(grown)
        if not labels:
            return False
        if len(labels) > LABELS:
            raise TooLarge
    return True


def _tried(rows: Sequence[Row], below: int, limits: Sequence[int], work: Work,
           holds: Callable[[list[Any]], bool]) -> bool:  # fmt: skip
    """One choice after the other, as long as it can be completed."""
    ends = [below - 1, *limits]
    many = range(len(ends))
    rest = [[0] * len(ends)]
    for row in reversed(rows):
        rest.append([rest[-1][k] + min(o[k] for o in row) for k in many])
    rest.reverse()

    def go(n: int, sums: list[int], chosen: list[Any]) -> bool:
        if n == len(rows):
            work.done(20 * len(rows))
            return holds(chosen)
        for o in rows[n]:
            work.done(1)
            new = [sums[k] + o[k] for k in many]
            if all(new[k] + rest[n + 1][k] <= ends[k] for k in many) and go(n + 1, new, [*chosen, o[-1]]):
                return True
        return False

    if len(rows) > 200:  # deeper than Python may go
        raise TooLarge
    return go(0, [0] * len(ends), [])

