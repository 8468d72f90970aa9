"""How the answer moves when the machine is not quite as the file says, each case solved again."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from stackopt.errors import SolverError
from stackopt.figures import Objective, objective_of
from stackopt.judge import judge
from stackopt.optimise.search import search
from stackopt.stack import Stack


@dataclass(frozen=True)
class Case:
    """One change and the best answer to it."""

    change: str
    status: str  # as an answer has it; or "not solved: " and why
    rates: tuple[float, ...]  # 1/min
    served: int | None  # points in tolerance
    objective: Objective | None

    def to_dict(self) -> dict[str, Any]:
        """The case as plain data."""
        return {"change": self.change, "status": self.status, "rates_per_min": list(self.rates),
                "points_in_tolerance": self.served, "objective": self.objective and vars(self.objective)}  # fmt: skip


def what_if(stack: Stack) -> list[Case]:
    """The answers with 10 % less and more capacity, with the rate off by its drift, and with a mark of a pump lost.

    >>> from stackopt.stack import _example
    >>> [(case.change, case.served) for case in what_if(Stack.of(_example()))][:3]
    [('capacity -10 %', 1), ('capacity +10 %', 2), ('standard without mark 1', 2)]
    """
    return [_solved(change, changed) for change, changed in _changed(stack)]


def _changed(stack: Stack) -> Iterator[tuple[str, Stack]]:
    for share in (-0.1, 0.1):
        yield f"capacity {100 * share:+.0f} %", replace(stack, capacity=stack.capacity * (1 + share))
    for side in (-1, 1) if stack.drift else ():
        factor = 1 + side * stack.drift  # of what the dial says
        yield f"every rate {100 * side * stack.drift:+.3g} %", replace(
            stack, stroke=stack.stroke * factor, drive=stack.drive * factor, rate_min=stack.rate_min / factor,
            rate_max=stack.rate_max / factor)  # fmt: skip
    strokes = {(pump, mark): None for row in zip(stack.pumps, stack.marks, strict=True)
               for pump, mark in zip(*row, strict=True)}  # fmt: skip
    for pump, mark in sorted(strokes):
        if sum(other == pump for other, _ in strokes) > 1:
            lost = np.zeros(stack.stroke.shape, dtype=bool)
            for i, row in enumerate(zip(stack.pumps, stack.marks, strict=True)):
                lost[i, : len(row[0])] = [stroke == (pump, mark) for stroke in zip(*row, strict=True)]
            yield f"{pump} without mark {mark}", replace(stack, rate_max=np.where(lost, 0.0, stack.rate_max))


def _solved(change: str, stack: Stack) -> Case:
    try:
        outcome = search(stack)
    except SolverError as error:  # of one case; the others may do
        return Case(change, f"not solved: {error}", (), None, None)
    if outcome.status == "interrupted":
        raise KeyboardInterrupt
    if outcome.settings is None:
        return Case(change, outcome.status, (), None, None)
    verdict = judge(stack, outcome.settings)
    return Case(change, outcome.status, outcome.settings.generators, int((verdict.excess == 0).sum()),
                objective_of(stack, verdict))  # fmt: skip
