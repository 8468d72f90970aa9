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

from stackopt.judge import ROOM
from stackopt.stack import Array

LABELS = 100_000  # more labels than this are left to the mixed-integer model
_EXACT = 1e-13  # rounding that a comparison of sums forgives
_DIGITS = 2e-15  # and, where sums are large, as a share of them
_FEW = 16  # labels that are not worth comparing
_FRONT = 512  # with three criteria and more, labels are compared with this many of the best


class TooManyLabels(Exception):
    """The merge would not stay small; the model decides instead."""


def _forgiving(most: Array | float) -> Array:
    """A limit on sums, with room for their rounding."""
    return np.asarray(most + np.maximum(_EXACT, _DIGITS * np.abs(most)))


@dataclass(frozen=True, eq=False)
class Limits:
    """Weighted sums of criteria and the most they may be: [groups, ends, criteria] and [groups, ends].

    A choice is held in if in every group at least one end holds.
    """

    weights: Array
    most: Array

@dataclass(frozen=True, eq=False)
class Merged:
    """Labels of ever more points."""

    options: Array  # [points, options, criteria]
    limits: Limits
    kept: np.ndarray  # [points, options] options that can still matter
    fixed: np.ndarray  # [points] the option of a point that has only one left, else -1
    core: np.ndarray  # points with several left, rising
    base: Array  # [criteria] sum over the fixed points
    levels: list[Array]  # [core + 1][labels, criteria]: of core[j] and the points after it (forward: before it)

    @property
    def labels(self) -> Array:
        """The full choices that matter, as sums [labels, criteria] (not of a forward merge)."""
        return self.levels[0] + self.base

    def before(self, point: int) -> Array:
        """Of a forward merge: labels of all points before `point`, those with one option left included."""
        fixed = np.flatnonzero(self.fixed[:point] >= 0)
        alone = self.options[fixed, self.fixed[fixed]].sum(axis=0)
        labels: Array = self.levels[int(np.searchsorted(self.core, point))] + alone
        return labels

    def completes(self, labels: Array, point: int) -> np.ndarray:
        """Which `labels` (first and last criterion: cost and air) of `point` and those after it others complete.

        Of a forward merge in two criteria, whose last two limits are those on the cost and the air themselves.
        """
        before = self.before(point)
        before = before[np.argsort(before[:, -1])]
        cheapest = np.minimum.accumulate(before[:, 0])
        (cost,), (room,) = self.limits.most[-2:]
        place = np.searchsorted(before[:, -1], room + _EXACT - labels[:, -1], side="right") - 1
        return np.asarray((place >= 0) & (cheapest[place] + labels[:, 0] <= cost + _EXACT))


def merge(options: Array, limits: Limits, goal: int | None = None, offset: float = 0.0, few: int = 0,
          guide: Merged | None = None, thin: bool = False, forward: bool = False) -> Merged | None:  # fmt: skip
    """Merge points with `options` [points, options, criteria] under `limits`; None where nothing holds.

    Args:
        options: What each option adds to each criterion.
        limits: What a choice must hold.
        goal: Criterion to be made small. Limit group 0 bounds it (plus a price): whenever a full choice is found,
            that limit comes down to what the choice has in `goal`, plus `offset`.
        offset: See `goal`.
        few: Let only so many points, those that lose least by it, differ from their best option in group 0: a
            quick way to a good choice, not to the best.
        guide: The same points merged `forward` in the first and the last criterion alone, under limits on these:
            drops labels that no choice of the other points completes within the guide's limits.
        thin: Keep, of a point's options that match in all criteria or are beaten in them, only the best.
        forward: Merge from the first point on instead of from the last.

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
        return np.asarray((weighed <= _forgiving(most)).any(axis=-1).all(axis=-1))

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
    if thin:
        kept = _thinned(kept, options)
    if few:
        kept = _few(kept, weighed[..., 0, 0], few)
        least = np.where(kept[..., None, None], weighed, np.inf).min(axis=1)
    core = np.flatnonzero(kept.sum(axis=1) > 1)
    alone = np.ones(len(options), dtype=bool)
    alone[core] = False
    fixed = np.where(alone, kept.argmax(axis=1), -1)
    base = options[alone, fixed[alone]].sum(axis=0)
    # What the points not yet merged bring at least, and what at the choice that is best in the first limit.
    rest = weigh(base) + least[core].sum(axis=0)
    usual = np.where(kept[core], weighed[core][..., 0, 0], np.inf).argmin(axis=1)
    others = base + options[core, usual].sum(axis=0)
    labels = np.zeros((1, criteria))
    levels = [labels]
    alone_after = np.cumsum(np.where(alone[:, None], options[np.arange(len(options)), fixed], 0.0)[::-1], axis=0)[::-1]
    for j in range(len(core)) if forward else range(len(core) - 1, -1, -1):
        point = core[j]
        labels = (labels[:, None] + options[point, kept[point]]).reshape(-1, criteria)
        rest = rest - least[point]
        others = others - options[point, usual[j]]
        labels = labels[hold(weigh(labels) + rest)]
        if guide is not None:
            labels = labels[guide.completes(labels + alone_after[point], int(point))]
        if goal is not None and len(labels):
            full = labels + others
            full = full[hold(weigh(full))]
            if len(full):
                most[0, 0] = min(most[0, 0], full[:, goal].min() + offset)
                labels = labels[hold(weigh(labels) + rest)]
        if not len(labels):
            return None
        if len(labels) > _FEW or forward:
            labels = labels[front(labels)]
        if len(labels) > LABELS:
            raise TooManyLabels
        levels.append(labels)
    return Merged(options, limits, kept, fixed, core, base, levels if forward else levels[::-1])


def _thinned(kept: np.ndarray, options: Array) -> np.ndarray:
    """`kept` without options that another one of the same point matches or beats in every criterion."""
    kept = kept.copy()
    several = np.flatnonzero(kept.sum(axis=1) > 1)
    rows = max(1, 1_000_000 // kept.shape[1] ** 2)
    earlier = np.tri(kept.shape[1], k=-1, dtype=bool)  # [option, other]: the other stands before
    for start in range(0, len(several), rows):
        part = several[start : start + rows]
        costs = np.where(kept[part, :, None], options[part], np.inf)
        no_worse = np.asarray((costs[:, None, :, :] <= costs[:, :, None, :]).all(axis=3))  # [points, option, other]
        same = no_worse & no_worse.transpose(0, 2, 1)
        kept[part] &= ~(no_worse & (~same | earlier)).any(axis=2)
    return kept


def _few(kept: np.ndarray, cost: Array, few: int) -> np.ndarray:
    """`kept`, with all but `few` points held to the option that is cheapest for them."""
    cost = np.where(kept, cost, np.inf)
    cheapest = cost.argmin(axis=1)
    regret = np.partition(cost, 1, axis=1)[:, 1] - cost.min(axis=1) if cost.shape[1] > 1 else np.zeros(len(cost))
    held = np.argsort(regret, kind="stable")[few:]
    kept = kept.copy()
    kept[held] = False
    kept[held, cheapest[held]] = True
    return kept


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
        return np.array([labels.argmin()])
    if labels.shape[1] == 2:
        order = np.lexsort((labels[:, 1], labels[:, 0]))
        second = labels[order, 1]
        before = np.minimum.accumulate(second)
        return order[np.r_[True, second[1:] < before[:-1] - _EXACT]]
    scaled = (labels - labels.min(axis=0)) / np.ptp(labels, axis=0)
    if np.abs(scaled[:, 1] - scaled[:, 2]).max() <= _EXACT:  # a cost that is that of the air alone
        return front(np.delete(labels, 1, axis=1))
    order = np.argsort(scaled.sum(axis=1), kind="stable")
    labels = labels[order]
    good = np.ones(len(labels), dtype=bool)
    for i in range(min(_FRONT, len(labels))):
        if good[i]:
            good[i + 1 :] &= (labels[i + 1 :] < labels[i] - _EXACT).any(axis=1)
    return order[good]


@dataclass(frozen=True, eq=False)
class Worst:
    """Labels (worst, cost, air) of ever more points, where the largest `worst` of a choice counts, not the sum."""

    options: Array  # [points, options, 3]
    levels: list[Array]  # [points + 1][labels, 3]: of point i and those after it

    def least(self) -> float:
        """The least of worst and cost together, within capacity; infinity where nothing is."""
        labels = self.levels[0]
        return float((labels[:, 0] + labels[:, 1])[labels[:, 2] <= ROOM + _EXACT].min(initial=np.inf))

    def preferred(self, most: float) -> np.ndarray:
        """The option of each point [points]: of all choices within `most`, in order each point's first option."""
        so_far = np.array([-np.inf, 0.0, 0.0])
        choice = []
        for i, row in enumerate(self.options):
            for option in np.flatnonzero(np.isfinite(row[:, 0])).tolist():
                new = _joined(so_far, row[option])
                full = _joined(new, self.levels[i + 1])
                if ((full[:, 0] + full[:, 1] <= _forgiving(most)) & (full[:, 2] <= ROOM + _EXACT)).any():
                    choice.append(option)
                    so_far = new
                    break
            else:
                raise AssertionError("a merged choice must exist")
        return np.array(choice)


def _joined(first: Array, second: Array) -> Array:
    """Labels of two parts together: the larger worst, the sums of the rest."""
    both = first + second
    both[..., 0] = np.maximum(first[..., 0], second[..., 0])
    return both


def merge_worst(worst: Array, cost: Array, air: Array, usable: np.ndarray, most: float = np.inf) -> Worst:
    """Merge points with options [points, options], of which only `usable` ones count. Exact.

    Labels above `most` in worst and cost together, or above capacity, are dropped. Raises TooManyLabels.

    >>> one = np.array([[0.0, 0.3], [0.1, 0.2]]); air = np.array([[0.7, 0.3], [0.6, 0.4]])
    >>> merged = merge_worst(one, 0 * one, air, one < 1)
    >>> merged.least(), merged.preferred(0.3).tolist()
    (0.3, [1, 0])
    """
    options = np.stack((np.where(usable, worst, np.inf), cost, air), axis=-1)
    least = np.where(usable[..., None], options, np.inf).min(axis=1)  # [points, 3]
    levels = [np.array([[-np.inf, 0.0, 0.0]])]
    for i in range(len(options) - 1, -1, -1):
        labels = _joined(levels[-1][:, None], options[i, usable[i]]).reshape(-1, 3)
        full = labels.copy()
        if i:  # what the points before this one bring at least
            full = _joined(labels, np.array([least[:i, 0].max(), *least[:i, 1:].sum(axis=0)]))
        labels = labels[(full[:, 0] + full[:, 1] <= _forgiving(most)) & (full[:, 2] <= ROOM + _EXACT)]
        if len(labels):
            labels = labels[front(labels)]
        if len(labels) > LABELS:
            raise TooManyLabels
        levels.append(labels)
    return Worst(options, levels[::-1])


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
            if (weighed <= _forgiving(limits.most)).any(axis=-1).all(axis=-1).any():
                choice[point] = option
                so_far = so_far + merged.options[point, option]
                break
        else:
            raise AssertionError("a merged choice must exist")
    return choice
