"""With a line before the stack: the trade-off, the fewest changes and generators, and what is possible at all.

Each asks the search of `pressure` again with another goal. Less air means a higher pressure, so that a limit on the air
narrows what is searched.
"""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from stackopt.errors import SolverError
from stackopt.judge import TIE, Settings, judge
from stackopt.optimise.levels import SAME_AIR
from stackopt.optimise.medians import MOST, TooManySets, sets_below
from stackopt.optimise.outcome import Stopped
from stackopt.optimise.pressure import Hunt
from stackopt.optimise.scan import rates
from stackopt.optimise.trial import Unsure
from stackopt.stack import Stack


def possible(stack: Stack, wanted: np.ndarray, deadline: float) -> Settings | None:
    """Settings that keep every hard rule, with the points `wanted` in tolerance; None where there are none.

    Args:
        stack: The machine.
        wanted: Which points are to be in tolerance [points].
        deadline: Of the monotonic clock. Raises Unsure where that comes first, or on a free dial where none are found.

    >>> from stackopt.stack import _example
    >>> stack = replace(Stack.of(_example()), line=(1.0, 0.3))
    >>> possible(stack, np.array([True, True]), np.inf).rates
    (6.0, 6.0)
    """
    free = ~wanted
    eased = replace(
        stack, below=np.where(free, 1.0, stack.below), above=np.where(free, np.inf, stack.above),
        ratio_min=np.where(free, 0.0, stack.ratio_min), ratio_max=np.where(free, np.inf, stack.ratio_max),
        flow_min=np.where(free, 0.0, stack.flow_min), flow_max=np.where(free, np.inf, stack.flow_max),
    )  # fmt: skip
    return _serving(eased, deadline).settings


def _serving(stack: Stack, deadline: float, at: np.ndarray | None = None) -> Hunt:
    """A run whose settings have no excess, or are None; Unsure where that is not decided."""
    hunt = Hunt(stack, at=at, deadline=deadline)
    try:
        if not hunt.serves():
            hunt.settings = None
    except Stopped as stop:
        if str(stop) == "interrupted":
            raise KeyboardInterrupt from None
        raise Unsure from None
    return hunt


class Walk:
    """Along the trade-off of error and air among settings of the excess X, from much air to little."""

    def __init__(self, stack: Stack, excess: float, deadline: float) -> None:
        # The error is the mean also where X is that of the worst point, which then is a matter of each point alone.
        self._excess, self._each = None if stack.worst else excess, excess if stack.worst else None
        self.stack, self.deadline = replace(stack, worst=False), deadline
        self._found: list[Settings] = []

    def known(self) -> Iterator[Settings]:
        """What was found before the run was stopped."""
        yield from self._found

    def _least(self, goal: str, limits: dict[str, float], most_air: float) -> Settings | None:
        return Hunt(self.stack, goal=goal, limits=limits, most_air=most_air, deadline=self.deadline,
                    excess=self._excess, each=self._each).run().settings  # fmt: skip

    def plan(self, most_air: float = np.inf) -> Settings | None:
        """The least error with at most so much air [L/min], and of such settings the least air; None without any."""
        found = self._least("error", {}, most_air)
        if found is None:
            return None
        self._found.append(_sure(self._least("air", {"error": judge(self.stack, found).mean_error}, most_air)))
        return self._found[-1]

    def thrifty(self) -> Settings:
        """The least air, and of such settings the least error."""
        found = _sure(self._least("air", {}, np.inf))
        return _sure(self._least("error", {}, judge(self.stack, found).air + SAME_AIR))

    def plans(self, most: int | None) -> tuple[list[Settings], bool]:
        """Plans by rising air, at most so many (None: all), and whether these are all."""
        last = _sure(self.plan())
        first = self.thrifty()
        found = {self._air(settings): settings for settings in (first, last)}
        low, high = min(found), max(found)
        if high - low <= SAME_AIR:
            return [last], True
        for target in np.linspace(low, high, most)[1:-1] if most else ():
            if not any(abs(air - target) <= SAME_AIR for air in found):
                self._add(found, _sure(self.plan(float(target))))
        gaps = [air for air in found if air > low + SAME_AIR]  # what lies below each of these is not known yet
        while gaps and (most is None or len(found) < most):
            air = gaps.pop()
            below = self.plan(air - SAME_AIR)
            if below is not None and self._add(found, below):
                gaps.append(self._air(below))
        return [found[air] for air in sorted(found)], not gaps

    def _air(self, settings: Settings) -> float:
        return judge(self.stack, settings).air

    def _add(self, found: dict[float, Settings], settings: Settings) -> bool:
        air = self._air(settings)
        new = all(abs(air - known) > SAME_AIR for known in found)
        if new:
            found[air] = settings
        return new


def fewest_changes(stack: Stack, limits: dict[str, float], deadline: float) -> Settings:
    """Settings with the fewest changes against today that keep `limits`, X ("excess") and value; of these the best.

    Raises Stopped where that is not proved.
    """
    excess, value = limits["excess"], {"value": limits["value"]}
    fewest = Hunt(stack, goal="changes", limits=value, excess=excess, deadline=deadline).run().value_bound
    if fewest is None:
        raise Stopped("unproved")
    return _sure(Hunt(stack, limits={**value, "changes": fewest}, excess=excess, deadline=deadline).run().settings)


def _sure(found: Settings | None) -> Settings:
    """Settings that there must be, since others like them were found before."""
    if found is None:
        raise SolverError("a search lost the settings of least excess")
    return found


def fewest_rates(stack: Stack, deadline: float) -> tuple[Settings | None, bool]:
    """Settings without excess at the fewest rates, of these the lowest in rising order; None where no number serves.

    And whether that is proved: not on a free dial, where the pressure moves the rates at which something turns.
    """
    sure = stack.step is not None
    for count in range(1, min(len(stack.names), len(rates(stack))) + 1):
        some = replace(stack, count=count)
        try:
            hunt = _serving(some, deadline)
        except Unsure:  # more rates may be found to serve all the same
            sure = False
            continue
        if hunt.settings is None:
            continue
        try:
            lower = (_serving(some, deadline, np.array(at)).settings for at in _rising(some, hunt, hunt.settings))
            return next((found for found in lower if found is not None), hunt.settings), sure
        except Unsure:
            return hunt.settings, False
    return None, sure


def _rising(stack: Stack, hunt: Hunt, found: Settings) -> Iterator[tuple[float, ...]]:
    """Sets of rates that may serve every point and are lower than those found, in rising order."""
    cost = hunt.matrix()
    try:
        sets, _ = sets_below(cost, stack.count, TIE)
    except TooManySets:
        raise Unsure from None
    for row in sorted(tuple(hunt.at[list(some)].tolist()) for some in sets[:MOST]):
        if row >= found.generators:
            return
        yield row


def shared_out(stack: Stack, found: Settings, deadline: float) -> Settings:
    """At the rates found, the settings without excess and with the least weighted error. Raises Stopped."""
    at = np.array(found.generators)
    return _sure(Hunt(replace(stack, worst=False), goal="error", excess=0.0, at=at, deadline=deadline).run().settings)
