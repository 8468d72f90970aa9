"""From a works to a plan for each machine: the machines' plans, found by many processes, and the choice among them."""

import time
from collections.abc import Iterator, Sequence

import numpy as np

from stackopt.errors import SolverError, known
from stackopt.fleet.child import Lost
from stackopt.fleet.plans_of import Ask, Plans, plans_of, subsets
from stackopt.fleet.plant_file import Works
from stackopt.fleet.pool import spread
from stackopt.fleet.sharing import SECONDS, Offers, Share, share, share_few
from stackopt.judge import TIE

_GRACE = 30.0  # seconds beyond its own limits that the plans of a machine may take
_SEARCHES = 10  # of which each may take the time limit of the machine's file


def chosen(works: Works, jobs: int) -> tuple[tuple[Plans, ...], Share]:
    """The plans of each machine, and the choice; the same for any number of `jobs` (processes).

    Raises SolverError where a solver or a process fails, KeyboardInterrupt where it comes while plans are sought.
    """
    plans = _plans(works, jobs, False)
    sharing = _shared(works, plans)
    if _short(sharing, works, plans):  # excess must be borne: plans with more of it and less air may bear it better
        plans = _plans(works, jobs, True)
        sharing = _shared(works, plans)
    return plans, sharing


def offers_of(works: Works, rows: Sequence[Sequence[tuple[float, float, float]]]) -> Offers:
    """What plans (excess, error, air of one machine while spraying in L/min) of each machine bring to the works."""
    taken = [[(excess, error, machine.times(works.peak) * air) for excess, error, air in row]
             for machine, row in zip(works.machines, rows, strict=True)]  # fmt: skip
    return Offers.of(taken, [machine.weight for machine in works.machines], works.capacity - works.others)


def _short(sharing: Share, works: Works, plans: Sequence[Plans]) -> bool:
    if any(one.status == "infeasible" or not one.lists for one in plans):
        return False
    if sharing.choice is None:
        return True
    weights = np.array([machine.weight for machine in works.machines])
    own = float(weights @ [one.own.excess for one in plans] / weights.sum())
    return known(sharing.excess) > own + TIE


def _plans(works: Works, jobs: int, lower: bool) -> tuple[Plans, ...]:
    """The plans of each machine; of machines of one file, asked the same, once."""
    most = {m: max(rule.most for rule in works.rules if m in rule.machines)
            for m in range(len(works.machines)) if any(m in rule.machines for rule in works.rules)}  # fmt: skip
    places: dict[tuple[int, tuple[frozenset[str], ...]], int] = {}
    asks: list[Ask] = []
    files: list[str] = []
    which = []
    for m, machine in enumerate(works.machines):
        without = subsets(machine.problem, most[m]) if m in most else (frozenset(),)
        place = places.setdefault((id(machine.problem), without), len(asks))
        if place == len(asks):
            asks.append(Ask(machine.problem, without, lower))
            files.append(machine.file)
        which.append(place)
    found: dict[int, Plans] = {}
    for n, result in _spread(asks, min(jobs, len(asks))):
        if isinstance(result, Lost):
            raise SolverError(f"{files[n]}: {result.why}")
        if result.status == "interrupted":  # one machine's search took the Ctrl-C that was for all
            raise KeyboardInterrupt
        found[n] = result
    return tuple(found[place] for place in which)


def _spread(asks: list[Ask], jobs: int) -> Iterator[tuple[int, Plans | Lost]]:
    if jobs == 1:
        return enumerate(map(plans_of, asks))
    longest = max(60 * ask.problem.solve.time_limit.number * len(ask.without) for ask in asks)
    return spread(plans_of, asks, jobs, _SEARCHES * longest + _GRACE)


def _shared(works: Works, plans: Sequence[Plans]) -> Share:
    """The choice over all machines."""
    if any(one.status == "infeasible" for one in plans):
        return Share("infeasible")
    if not all(one.lists for one in plans):
        return Share("unproved")
    offers = offers_of(works, [[(plan.excess, plan.error, plan.air) for plan in one.plans] for one in plans])
    deadline = time.monotonic() + SECONDS
    if not works.rules:
        return share(offers, deadline)
    uses = [[plan.pumps for plan in one.plans] for one in plans]
    return share_few(offers, uses, [(rule.machines, rule.most) for rule in works.rules], deadline)
