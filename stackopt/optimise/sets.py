"""The best settings at a set of rates, one a generator, where nothing but the air couples the points: by merging."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from stackopt.judge import ROOM, TIE, Settings
from stackopt.optimise.merge import Limits, merge, merge_worst, preferred
from stackopt.optimise.outcome import TINY
from stackopt.optimise.price import price
from stackopt.optimise.scan import BIG, Options
from stackopt.stack import Array, Stack


def union(parts: Options) -> Options:
    """Options at several rates as of one [1, points, options], in the order of preference; of equals the lower rate.

    >>> from stackopt.optimise.scan import options
    >>> from stackopt.stack import _example
    >>> union(options(Stack.of(_example()), np.array([5.0, 6.0]))).air.shape
    (1, 2, 12)
    """
    shape = (1, parts.air.shape[1], -1)
    return Options(*(np.ascontiguousarray(part.transpose(1, 2, 0)).reshape(shape) for part in parts))


@dataclass(frozen=True, eq=False)
class AtRates:
    """A set of rates [1/min] with the options at them, and what is known before it is looked at.

    `best` is the least X found, or, when the value is asked for, the least X there is; `value` the least value found;
    `room` how much excess one point's option may have [points, 1].
    """

    stack: Stack
    at: Array
    parts: Options
    best: float
    value: float
    room: Array

    def least(self, goal: str, settle: bool = False) -> Settings | None:
        """Settings with the least of `goal` ("excess" or "value"); of those that tie (settle) the preferred ones.

        None where there are none, or none as good as what was found. Raises TooManyLabels.
        """
        part = union(self.parts)
        usable = part.excess[0] < BIG / 2
        if goal == "value":
            usable &= part.excess[0] <= self.room
        if not usable.any(axis=1).all():
            return None
        if self.stack.worst:
            return self._worst(part, usable, goal)
        excess, air = np.where(usable, part.excess[0], BIG), part.air[0]
        by = excess if goal == "excess" else np.where(usable, part.value[0], BIG)
        pick = by.argmin(axis=1)
        point = np.arange(len(pick))
        if not settle and air[point, pick].sum() <= ROOM and (
                goal == "excess" or excess[point, pick].sum() <= self.best + TIE):  # fmt: skip
            return self._settings(pick)
        m = float(price(excess[None], air[None]).multiplier[0])
        if goal == "excess":
            most = min(self.best, BIG / 2)
            weights, limit = [[[1, m]], [[1, 0]], [[0, 1.0]]], [[most + m * ROOM], [most], [ROOM]]
            merged = merge(np.stack((by, air), axis=-1), _limits(weights, limit), goal=0, offset=m * ROOM, thin=True)
        else:
            score = excess + m * air
            spare = score - score.min(axis=1, keepdims=True)
            held = spare <= self.best + TIE + TINY + m * ROOM - score.min(axis=1).sum()
            excess, by = np.where(held, excess, BIG), np.where(held, by, BIG)
            n = float(price(by[None], air[None]).multiplier[0])
            most, x = min(self.value, BIG / 2) + TIE, self.best + TIE
            weights = [[[0, 1, n]], [[0, 1, 0]], [[1, 0, m]], [[1, 0, 0]], [[0, 0, 1.0]]]
            limit = [[most + n * ROOM], [most], [x + m * ROOM], [x], [ROOM]]
            guide = None
            if np.where(held, excess, 0.0).max(axis=1).sum() > x:  # which sums can be completed to the least excess?
                guide = merge(np.stack((excess, air), axis=-1), _limits([[[1, m]], [[1, 0]], [[0, 1.0]]], limit[2:]),
                              thin=True, forward=True)  # fmt: skip
                if guide is None:
                    return None
            merged = merge(np.stack((excess, by, air), axis=-1), _limits(weights, limit), goal=1, offset=n * ROOM + TIE,
                           guide=guide, thin=not settle)  # fmt: skip
            m = n
        if merged is None:
            return None
        limit[1][0] = float(merged.labels[:, 0 if goal == "excess" else 1].min()) + (TIE if settle else TINY)
        limit[0][0] = limit[1][0] + m * ROOM
        return self._settings(preferred(merged, _limits(weights, limit)))

    def _worst(self, part: Options, usable: np.ndarray, goal: str) -> Settings | None:
        if goal == "excess":
            merged = merge_worst(part.excess[0], 0.0 * part.cost[0], part.air[0], usable, min(self.best, BIG / 2))
        else:
            merged = merge_worst(part.error[0], part.cost[0], part.air[0], usable, min(self.value, BIG / 2) + TIE)
        found = merged.least()
        if not np.isfinite(found):
            return None
        return self._settings(merged.preferred(found + (TIE if goal == "value" else TINY)))

    def _settings(self, pick: np.ndarray) -> Settings:
        option, site = np.divmod(pick, len(self.at))
        return Settings(tuple(self.at[site].tolist()), tuple((option // self.stack.screws).tolist()),
                        tuple((option % self.stack.screws).tolist()))  # fmt: skip


def _limits(weights: list[Any], most: list[Any]) -> Limits:
    return Limits(np.array(weights, dtype=float), np.array(most, dtype=float))
