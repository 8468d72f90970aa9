"""Which options of a point a best answer may need although rules of the file touch it.

Of options that no rule tells apart, one that is worse than another in everything that counts can be left out.
"""

from collections.abc import Iterator
from typing import Any

import numpy as np

from stackopt.optimise.scan import BIG, Options
from stackopt.problem.constraints import rows_of
from stackopt.stack import Array, Stack

_EXACT = 1e-13


def useful(stack: Stack, part: Options) -> np.ndarray:
    """Which options [rates, points, options] are left.

    >>> from stackopt.optimise.scan import options
    >>> from stackopt.stack import Stack, _example
    >>> stack = Stack.of(_example())
    >>> useful(stack, options(stack, np.array([6.0])))[0].sum(axis=1).tolist()
    [2, 3]
    """
    left = part.excess < BIG / 2
    costs = (part.excess, part.error, part.cost, part.air)
    for i, (same, fewer) in enumerate(_told_apart(stack)):
        group = np.unique(np.stack(same), axis=1, return_inverse=True)[1].ravel() if same else None
        for rate in range(len(left)):
            among = np.flatnonzero(left[rate, i])
            rows = np.stack([cost[rate, i, among] for cost in costs] + [values[among] for values in fewer], axis=1)
            no_worse = (rows[:, None] <= rows[None, :] + _EXACT).all(axis=2)  # [other, option]
            if group is not None:
                no_worse &= group[among][:, None] == group[among][None, :]
            equal = no_worse & no_worse.T
            earlier = np.tri(len(among), k=-1, dtype=bool).T  # the other stands before
            left[rate, i, among[(no_worse & (~equal | earlier)).any(axis=0)]] = False
    return left


def _told_apart(stack: Stack) -> Iterator[tuple[list[Array], list[Array]]]:
    """For each point what must be equal [options], and what must be no more, for one option to stand for another."""
    touched: list[set[Any]] = [set() for _ in stack.names]
    place = {name: i for i, name in enumerate(stack.names)}
    for rule in stack.rules.values():
        for row in rows_of(rule, stack.machine):
            for c, (kind, *rest) in row.terms:
                i = place.get(rest[0]) if kind != "any" else None
                if i is None:
                    continue
                from_above = row.low is None if c > 0 else row.high is None
                touched[i].add(rest[1] if kind == "is" else (kind, "fewer") if from_above else kind)
    screws = stack.screws
    for i, kinds in enumerate(touched):
        strokes = np.arange(len(stack.stroke[i])).repeat(screws)
        turns = np.tile(np.arange(screws), len(stack.stroke[i]))
        flow = np.tile(stack.flow[i], len(stack.stroke[i]))
        volume = stack.stroke[i].repeat(screws)
        named = {kind: np.unique(labels, return_inverse=True)[1] for kind, labels in
                 (("mark", stack.marks[i]), ("pump", stack.pumps[i]))}  # fmt: skip
        label = {kind: _filled(codes, len(stack.stroke[i])).repeat(screws) for kind, codes in named.items()}
        of = {**label, "turns": turns, "air": flow, "dose": volume, "rate": np.zeros(len(strokes))}
        yield ([of[kind] for kind in sorted(k for k in kinds if isinstance(k, str))],
               [of[kind] for kind, _ in sorted(k for k in kinds if not isinstance(k, str))])  # fmt: skip


def _filled(codes: np.ndarray, size: int) -> Array:
    return np.concatenate((codes, np.full(size - len(codes), -1))).astype(float)
