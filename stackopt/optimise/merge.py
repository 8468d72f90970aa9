"""Merge the points' options one after the other, keeping only what can still matter. Exact.

A label is the sum of some points' options in a few criteria (excess, value, air share). Two labels of the
same points need not both be kept where one is no worse in every criterion, and a label is dropped where even
the best of the other points cannot bring it within a limit. A limit is on a weighted sum of criteria, so that
prices (`price.py`) give limits too: "excess + m air", say.

Over an interval of rates every criterion is linear in the rate, so a label carries it at both ends, and a
limit holds somewhere inside only if it holds at an end: limits come in groups of alternatives.
"""

from dataclasses import dataclass

import numpy as np

from stackopt.stack import Array

LABELS = 100_000  # more labels than this are left to the mixed-integer model
_EXACT = 1e-13  # rounding that a comparison of sums forgives
_FEW = 16  # labels that are not worth comparing
_FRONT = 512  # with three criteria and more, labels are compared with this many of the best


class TooManyLabels(Exception):
    """The merge would not stay small; the model decides instead."""


@dataclass(frozen=True, eq=False)
class Limits:
    """Weighted sums of criteria and the most they may be: [groups, ends, criteria] and [groups, ends].

    A choice is held in if in every group at least one end holds.
    """

    weights: Array
    most: Array

@dataclass(frozen=True, eq=False)
class Merged:
    """Labels of ever more points from the back."""

    options: Array  # [points, options, criteria]
    kept: np.ndarray  # [points, options] options that can still matter
    fixed: np.ndarray  # [points] the option of a point that has only one left, else -1
    core: np.ndarray  # points with several left, rising
    base: Array  # [criteria] sum over the fixed points
    levels: list[Array]  # [core + 1][labels, criteria]: levels[j] are those of core[j] and the points after it

    @property
    def labels(self) -> Array:
        """The full choices that matter, as sums [labels, criteria]."""
        return self.levels[0] + self.base


def merge(options: Array, limits: Limits, goal: int | None = None, offset: float = 0.0) -> Merged | None:
    """Merge points with `options` [points, options, criteria] under `limits`; None where nothing holds.

    With `goal`, the criterion to be made small, limit group 0 bounds it (plus a price): whenever a full choice
    is found, that limit comes down to what the choice has in `goal`, plus `offset`.
    Raises TooManyLabels.

    >>> options = np.array([[[0.0, 0.7], [3.0, 0.3]], [[0.0, 0.6], [1.0, 0.4]]])  # cost and air
    >>> within = Limits(np.array([[[1.0, 0.0]], [[0.0, 1.0]]]), np.array([[9.0], [1.0]]))
    >>> merge(options, within, goal=0).labels.round(9).tolist()
    [[3.0, 0.9]]
    """
    groups, ends, criteria = limits.weights.shape
    weights = limits.weights.reshape(-1, criteria).T
    most = limits.most.copy()

    def weigh(sums: Array) -> Array:
        return (sums @ weights).reshape(*sums.shape[:-1], groups, ends)

    def hold(weighed: Array) -> np.ndarray:
        return (weighed <= most + _EXACT).any(axis=-1).all(axis=-1)

    weighed = weigh(options)
    kept = np.ones(options.shape[:2], dtype=bool)
    while True:
        least = np.where(kept[..., None, None], weighed, np.inf).min(axis=1)
        now = kept & hold(weighed + (least.sum(axis=0) - least)[:, None])
        if not now.any(axis=1).all():
            return None
        if (now == kept).all():
            break
        kept = now
    core = np.flatnonzero(kept.sum(axis=1) > 1)
    alone = np.flatnonzero(kept.sum(axis=1) == 1)
    fixed = np.full(len(options), -1)
    fixed[alone] = kept[alone].argmax(axis=1)
    base = options[alone, fixed[alone]].sum(axis=0)
    # What the points not yet merged bring at least, and what at the choice that is best in the first limit.
    rest = weigh(base) + least[core].sum(axis=0)
    usual = np.where(kept[core], weighed[core][..., 0, 0], np.inf).argmin(axis=1)
    others = base + options[core, usual].sum(axis=0)
    labels = np.zeros((1, criteria))
    levels = [labels]
    for j in range(len(core) - 1, -1, -1):
        point = core[j]
        labels = (labels[:, None] + options[point, kept[point]]).reshape(-1, criteria)
        rest = rest - least[point]
        others = others - options[point, usual[j]]
        labels = labels[hold(weigh(labels) + rest)]
        if goal is not None and len(labels):
            full = labels + others
            full = full[hold(weigh(full))]
            if len(full):
                most[0, 0] = min(most[0, 0], full[:, goal].min() + offset)
                labels = labels[hold(weigh(labels) + rest)]
        if not len(labels):
            return None
        if len(labels) > _FEW:
            labels = labels[front(labels)]
        if len(labels) > LABELS:
            raise TooManyLabels
        levels.append(labels)
    return Merged(options, kept, fixed, core, base, levels[::-1])


def front(labels: Array) -> np.ndarray:
    """Indices of labels [labels, criteria] that no other one matches or beats in every criterion.

    With three criteria and more some beaten ones may be left in.

    >>> front(np.array([[1.0, 5.0], [2.0, 3.0], [2.0, 4.0], [1.0, 5.0]])).tolist()
    [0, 1]
    """
    varied = np.flatnonzero(np.ptp(labels, axis=0) > _EXACT)
    if len(varied) == 0:
        return np.array([0])
    labels = labels[:, varied]
    if labels.shape[1] == 1:
        return labels.argmin(axis=0)
    if labels.shape[1] == 2:
        order = np.lexsort((labels[:, 1], labels[:, 0]))
        second = labels[order, 1]
        before = np.minimum.accumulate(second)
        return order[np.r_[True, second[1:] < before[:-1] - _EXACT]]
    spread = np.ptp(labels, axis=0)
    order = np.argsort((labels / spread).sum(axis=1), kind="stable")
    labels = labels[order]
    good = np.ones(len(labels), dtype=bool)
    for i in range(min(_FRONT, len(labels))):
        if good[i]:
            good[i + 1 :] &= (labels[i + 1 :] < labels[i] - _EXACT).any(axis=1)
    return order[good]


def preferred(merged: Merged, limits: Limits) -> np.ndarray:
    """The option of each point [points]: of all choices within `limits`, in order each point's first option.

    `limits` must be no wider than those that were merged with.
    """
    criteria = limits.weights.shape[-1]
    weights = limits.weights.reshape(-1, criteria).T
    shape = limits.most.shape
    choice = merged.fixed.copy()
    so_far = merged.base
    for j, point in enumerate(merged.core):
        for option in np.flatnonzero(merged.kept[point]):
            sums = so_far + merged.options[point, option] + merged.levels[j + 1]
            weighed = (sums @ weights).reshape(-1, *shape)
            if (weighed <= limits.most + _EXACT).any(axis=-1).all(axis=-1).any():
                choice[point] = option
                so_far = so_far + merged.options[point, option]
                break
        else:
            raise AssertionError("a merged choice must exist")
    return choice
