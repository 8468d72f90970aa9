"""The fewest changes against what is set today, among settings nearly as good as the best."""

import time
from dataclasses import dataclass, replace

import numpy as np

from stackopt.judge import TIE, Settings, judge
from stackopt.optimise import mip, pressure_plans, proving
from stackopt.optimise.coupled import slides
from stackopt.optimise.models import Sliding, changes_by_option, same_rate
from stackopt.optimise.outcome import Stopped
from stackopt.optimise.scan import BATCH, BIG, options, rates
from stackopt.stack import Array, Stack

SHARE, AMOUNT = 0.01, 0.001  # of the best value, and at least: what keeping may cost


@dataclass(frozen=True)
class Kept:
    """Settings with the fewest changes that were found; `proved` if no allowed ones have fewer."""

    settings: Settings
    changes: int
    proved: bool


def fewest_changes(stack: Stack, best: Settings) -> Kept:
    """Settings that keep the least X and a value near that of the `best`, with the fewest changes against today.

    The rates are taken one by one (on a free dial with the intervals between them), those first that bound the changes
    lowest; with several generators all rates are one model. Of what the last model leaves open the value decides.

    >>> from stackopt.optimise.search import search
    >>> from stackopt.stack import Stack, _example
    >>> stack = replace(Stack.of(_example()), now_rate=6.0, now=((1, 0), (0, 0)))
    >>> fewest_changes(stack, search(stack).settings).changes
    2
    """
    verdict = judge(stack, best)
    limits = {"excess": verdict.least, "value": verdict.value + max(SHARE * abs(verdict.value), AMOUNT)}
    if stack.line is not None:
        return _with_line(stack, limits, best)
    hunt = _Keeping(stack, limits, Kept(best, proving.count_changes(stack, best), False))
    try:
        hunt.run()
        return replace(hunt.kept, proved=True)
    except mip.NoProof as stop:
        if stop.status == "interrupted":
            raise KeyboardInterrupt from None
        return hunt.kept


def _with_line(stack: Stack, limits: dict[str, float], best: Settings) -> Kept:
    try:
        kept = pressure_plans.fewest_changes(stack, limits, time.monotonic() + stack.time_limit)
    except Stopped as stop:
        if str(stop) == "interrupted":
            raise KeyboardInterrupt from None
        return Kept(best, proving.count_changes(stack, best), False)
    return Kept(kept, proving.count_changes(stack, kept), True)


class _Keeping:
    def __init__(self, stack: Stack, limits: dict[str, float], kept: Kept) -> None:
        now = () if stack.now_rate is None else (stack.now_rate,)
        self.stack = replace(stack, also=now)  # on a free dial today's rate is worth a look of its own
        self.limits = limits
        self.kept = kept
        self.deadline = time.monotonic() + stack.time_limit

    def run(self) -> None:
        every = rates(self.stack)
        least = self._least_changes(every, every)
        able = np.isfinite(least)
        at, least = every[able], least[able]
        if self.stack.count > 1:
            self._take(self._at(at.tolist(), {}))
            self._take(self._at(at.tolist(), {"changes": self.kept.changes}))
            return
        for k in np.argsort(least, kind="stable").tolist():
            if least[k] >= self.kept.changes:
                break
            self._take(self._at([float(at[k])], {}))
        if slides(self.stack):  # the limits may be kept inside an interval alone
            low, high = every[:-1], every[1:]
            least = self._least_changes(low, high)
            for k in np.argsort(least, kind="stable").tolist():
                if least[k] >= self.kept.changes:
                    break
                model = Sliding(self.stack, float(low[k]), float(high[k]))
                limits = {**self.limits, "changes": self.kept.changes - 1}
                self._take(proving.least(model, "changes", limits, deadline=self.deadline))
        generators = self.kept.settings.generators
        if any(same_rate(r, a) for r in generators for a in at.tolist()):  # of as many changes the best
            self._take(self._at(list(generators), {"changes": self.kept.changes}))

    def _at(self, at: list[float], more: dict[str, float]) -> proving.Proved | None:
        goal = "value" if more else "changes"
        return proving.choose(self.stack, at, goal, {**self.limits, **more}, self.deadline)

    def _take(self, found: proving.Proved | None) -> None:
        if found is None:
            return
        changes = proving.count_changes(self.stack, found.settings)
        before = judge(self.stack, self.kept.settings).value
        if (changes, found.value) < (self.kept.changes, before):
            self.kept = Kept(found.settings, changes, False)

    def _least_changes(self, low: Array, high: Array) -> Array:
        """No settings from `low` to `high` [rates] have fewer changes; infinity where none keep the limits.

        From one compared rate to the next, where costs are linear; or at one, where both are the same.
        """
        stack = self.stack
        if stack.count > 1:
            return np.zeros(len(low))
        size = max(1, BATCH // (stack.stroke.size * stack.screws))
        changed = changes_by_option(stack)
        found = []
        for k in range(0, len(low), size):
            middle = (low[k : k + size] + high[k : k + size]) / 2
            parts = [options(stack, end[k : k + size], middle) for end in ((low,) if low is high else (low, high))]
            excess = np.minimum.reduce([one.excess for one in parts])
            value = np.minimum.reduce([one.error if stack.worst else one.value for one in parts])
            usable = excess < BIG / 2
            for goal, cost in (("excess", excess), ("value", value)):
                least = np.where(usable, cost, BIG).min(axis=2)
                others = np.zeros_like(least) if stack.worst else least.sum(axis=1, keepdims=True) - least
                usable &= cost <= (self.limits[goal] + 3 * TIE - others)[..., None]
            least = np.where(usable, changed, np.inf).min(axis=2).sum(axis=1)
            if stack.now_rate is not None:
                least += [not same_rate(rate, stack.now_rate) for rate in middle.tolist()]
            found.append(least)
        return np.concatenate(found)
