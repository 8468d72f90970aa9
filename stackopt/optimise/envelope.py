"""The lower left border of points and falling straight lines in the plane of air (across) and error (upward).

A piece runs from (air, error) to a no smaller air and no larger error; a point is a piece without extent. What a border
says at some air is the least error with no more air than that. Two borders are merged by cutting the air where either
one has an end and where they cross: in between the lower one stays the lower one.
"""

from dataclasses import dataclass

import numpy as np

from stackopt.judge import ROOM
from stackopt.optimise.merge import front
from stackopt.optimise.scan import BIG
from stackopt.stack import Array

_EXACT = 1e-13  # rounding


@dataclass(frozen=True, eq=False)
class Envelope:
    """Pieces that no other piece beats anywhere, by rising air.

    >>> found = Envelope.of(np.array([[1.0, 3.0, 3.0, 1.0], [2.0, 1.5, 2.0, 1.5]]), np.array([7, 8]))
    >>> found.pieces.tolist(), found.owner.tolist()
    ([[1.0, 3.0, 2.0, 2.0], [2.0, 1.5, 2.0, 1.5], [2.5, 1.5, 3.0, 1.0]], [7, 8, 7])
    """

    pieces: Array  # [pieces, 4] air and error at the start, air and error at the end
    owner: np.ndarray  # [pieces] a number that tells whose piece it is

    @classmethod
    def of(cls, pieces: Array, owner: np.ndarray) -> "Envelope":
        """The border of any pieces [pieces, 4]; those that rise count with their start alone."""
        sloped = (pieces[:, 2] - pieces[:, 0] > _EXACT) & (pieces[:, 1] - pieces[:, 3] > _EXACT)
        ends = np.concatenate((pieces[:, :2], pieces[sloped][:, 2:]))
        owners = np.concatenate((owner, owner[sloped]))
        left = front(ends) if len(ends) else np.empty(0, dtype=int)
        left = left[np.argsort(ends[left, 0], kind="stable")]
        points = cls(np.hstack((ends[left], ends[left])), owners[left])
        # A line whose lower left corner is beaten lies above the border everywhere.
        low = points.error(pieces[:, 0])[0] <= pieces[:, 3]
        return points.lower(_divided(pieces[sloped & ~low], owner[sloped & ~low]))

    def error(self, air: Array, before: bool = False) -> tuple[Array, np.ndarray]:
        """The least error with no more than some air (before: with less), BIG where there is none, and whose it is."""
        if not len(self.pieces):
            return np.full(len(air), BIG), np.full(len(air), -1)
        place = np.searchsorted(self.pieces[:, 0], air, side="left" if before else "right") - 1
        start, high, end, low = self.pieces[place].T
        part = np.clip((air - start) / np.where(end > start, end - start, 1.0), 0.0, 1.0)
        found = np.where(end > start, high + part * (low - high), low)
        return np.where(place < 0, BIG, found), self.owner[place]

    def lower(self, other: "Envelope") -> "Envelope":
        """The border of this one and another."""
        if not len(self.pieces) or not len(other.pieces):
            return self if len(self.pieces) else other
        both, owner = np.concatenate((self.pieces, other.pieces)), np.concatenate((self.owner, other.owner))
        if (both[:, 0] == both[:, 2]).all():  # points alone
            left = front(both[:, :2])
            left = left[np.argsort(both[left, 0], kind="stable")]
            return Envelope(both[left], owner[left])
        cuts = np.unique(np.concatenate((self.pieces[:, [0, 2]].ravel(), other.pieces[:, [0, 2]].ravel())))
        mine, its = self._between(cuts), other._between(cuts)
        first, last = mine[0] - its[0], mine[1] - its[1]
        crossed = first * last < 0
        if crossed.any():
            part = first[crossed] / (first[crossed] - last[crossed])
            cuts = np.unique(np.r_[cuts, cuts[:-1][crossed] + part * np.diff(cuts)[crossed]])
            mine, its = self._between(cuts), other._between(cuts)
        here, owner_here = self.error(cuts)
        there, owner_there = other.error(cuts)
        after, owner_after = np.minimum(here, there), np.where(here <= there, owner_here, owner_there)
        before = np.minimum(self.error(cuts, before=True)[0], other.error(cuts, before=True)[0])
        whose = np.where(mine[0] + mine[1] <= its[0] + its[1], mine[2], its[2])
        falls = after[:-1] - before[1:] > _EXACT
        lines = np.stack((cuts[:-1], after[:-1], cuts[1:], before[1:]), axis=1)[falls]
        jumps = (after < before - _EXACT) & ~np.r_[falls, False]
        points = np.stack((cuts, after, cuts, after), axis=1)[jumps]
        pieces, owner = np.concatenate((lines, points)), np.r_[whose[falls], owner_after[jumps]]
        order = np.lexsort((pieces[:, 2], pieces[:, 0]))
        return _joined(pieces[order], owner[order])

    def _between(self, cuts: Array) -> tuple[Array, Array, np.ndarray]:
        """Error just after and just before neighbouring cuts, and whose it is in between."""
        after, owner = self.error(cuts[:-1])
        return after, self.error(cuts[1:], before=True)[0], owner

    def corners(self, weights: Array) -> Array:
        """The most that weighted sums of error and air can be below the border [corners, weights].

        Below it is what has less error than some piece and less air than the next one, or lies under a line.
        """
        start, end = self.pieces[:, [1, 0]], self.pieces[:, [3, 2]]
        gaps = np.stack((np.r_[BIG, end[:, 0]], np.r_[start[:, 1], ROOM]), axis=1)
        sloped = end[:, 1] > start[:, 1]
        return np.concatenate((gaps @ weights.T, np.maximum(start[sloped] @ weights.T, end[sloped] @ weights.T)))


def _divided(pieces: Array, owner: np.ndarray) -> Envelope:
    """The border of falling lines, of the halves of them first."""
    if len(pieces) <= 1:
        return Envelope(pieces, owner)
    half = len(pieces) // 2
    return _divided(pieces[:half], owner[:half]).lower(_divided(pieces[half:], owner[half:]))


def _joined(pieces: Array, owner: np.ndarray) -> Envelope:
    """Neighbouring pieces of one owner that continue each other made one."""
    goes_on = (owner[1:] == owner[:-1]) & (pieces[1:, 0] == pieces[:-1, 2]) & (
        np.abs(pieces[1:, 1] - pieces[:-1, 3]) <= _EXACT)  # fmt: skip
    starts = np.flatnonzero(np.r_[True, ~goes_on])
    ends = np.r_[starts[1:] - 1, len(pieces) - 1]
    return Envelope(np.hstack((pieces[starts, :2], pieces[ends, 2:])), owner[starts])
