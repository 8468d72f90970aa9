"""What a search comes back with."""

from dataclasses import dataclass, field

from stackopt.judge import Settings

TINY = 1e-12  # what rounding does to a sum of excess or value


@dataclass(frozen=True)
class Outcome:
    """Settings, and what is proved about them."""

    status: str  # optimal | infeasible | time limit | interrupted | unproved
    settings: Settings | None
    excess_bound: float | None  # no settings have a smaller X
    value_bound: float | None  # none of least X have a smaller value
    closed: dict[str, int] = field(default_factory=dict)  # cells, by the argument that closed them


def avoided(generators: tuple[float, ...], avoid: tuple[tuple[float, ...], ...], apart: float) -> bool:
    """Whether rates [1/min] include all of a set that is to be avoided, each to within a share `apart`.

    >>> avoided((10.0, 20.0), ((20.0,),), 1e-9), avoided((10.0,), ((10.0, 20.0),), 1e-9)
    (True, False)
    """
    return any(all(any(abs(r - a) <= apart * a for r in generators) for a in rates) for rates in avoid)


class Stopped(Exception):
    """Why there is no proof: "time limit", "interrupted" or "unproved"."""
