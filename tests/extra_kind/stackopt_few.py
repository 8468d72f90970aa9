"""The kind "few": at most `max` of the points `over` are set to `at`."""

from typing import Annotated, Literal

from pydantic import Field

from stackopt.problem.constraints import Amount, Constraint, Row
from stackopt.problem.keys import Names


class Few(Constraint):
    """At most so many points set to this."""

    kind: Literal["few"]
    of: Literal["mark", "turns", "pump"]
    at: Amount
    max: Annotated[int, Field(ge=0)]
    over: Names | None = None

    def rows(self, machine):
        yield Row([(1.0, ("is", point, self.of, self.at)) for point in machine.points(self.over)], None, self.max)

    def holds(self, machine, answer):
        return sum(getattr(answer[point], self.of) == self.at for point in machine.points(self.over)) <= self.max
