"""The plain oracle of whole plans: the fewest rates, error against air, the fewest changes.

In plain loops over every setting of a stepped dial, with the cases and the units of `oracle`.
"""

from itertools import combinations, product

from oracle import (
    ROUNDING,
    SLACK,
    air_allowed,
    allowed,
    broken,
    covered,
    different,
    in_order,
    options,
    part,
    rates,
    settings_on_steps,
)

SAME_ERROR, SAME_AIR = 1e-9, 1e-6  # plans that differ by no more than this (air in L/min) are one


def never_served(case):
    """The names, in order, of points out of tolerance at every rate, even alone with all the capacity.

    Constraints are not looked at.
    """
    return [point["name"] for point in in_order(case) if not _serving(case, point, rates(case))]


def _serving(case, point, some):
    """Every (rate, option, air) with which a point is in tolerance at one of some rates, alone."""
    found = []
    for rate, option in product(some, options(case, point)):
        own = part(case, point, rate, option)
        if own["x"] == 0 and air_allowed(case, own["air"]) and allowed(case, point, rate, option):
            found.append((rate, option, own["air"]))
    return found


def concerns(case, constraint, names):
    """Whether a constraint names one of these points, or a tag of one, in any of its keys."""
    said = [*(constraint.get("over") or ()), *(constraint.get("times") or ())]
    said += [constraint[side] for side in ("first", "second") if constraint.get(side) is not None]
    return any(point["name"] in names for point in covered(case, said))


def split(case):
    """The fewest different rates, however many, with every point in tolerance, capacity and constraints held.

    `count` and `rates` (rising; of the fewest the lowest, compared in rising order), both None where no number will do,
    and `never`: the points that no rate serves. They and the constraints that name them are left out; a constraint on
    all points is one on those left.
    """
    never = never_served(case)
    left = {
        **case,
        "points": [point for point in in_order(case) if point["name"] not in never],
        "constraints": [c for c in case.get("constraints") or [] if not concerns(case, c, never)],
    }
    for count in range(len(left["points"]) + 1):
        for some in combinations(rates(left), count):
            if _serve_all(left, some):
                return {"count": count, "rates": some, "never": never}
    return {"count": None, "rates": None, "never": never}


def _serve_all(case, some):
    """Whether some rates, each of them used, serve all points together."""
    names = [point["name"] for point in case["points"]]
    for row in product(*(_serving(case, point, some) for point in case["points"])):
        if len({rate for rate, _, _ in row}) < len(some):  # fewer rates have had their turn
            continue
        at = dict(zip(names, [rate for rate, _, _ in row], strict=True))
        choice = dict(zip(names, [option for _, option, _ in row], strict=True))
        if air_allowed(case, sum(air for _, _, air in row)) and not broken(case, at, choice):
            return True
    return False


def _least(case):
    """Every (value, rates, choice) of the settings with the least excess; [] where none meets the hard rules."""
    found = list(settings_on_steps(case))
    least = min((x for x, _, _, _ in found), default=0.0)
    return [(value, at, choice) for x, value, at, choice in found if x <= least + SLACK]


def front(case):
    """Error against air: every (mean error, air in L/min) that no other one beats, sorted by air.

    Among the settings with the least excess; the error is the weighted mean, whatever the objective.
    """
    pairs = []
    for _, at, choice in _least(case):
        parts = [part(case, point, at[point["name"]], choice[point["name"]]) for point in in_order(case)]
        error = sum(p["weight"] * p["e"] for p in parts) / sum(p["weight"] for p in parts)
        pairs.append((sum(p["air"] for p in parts), error))
    lowest = []  # of each air the least error, where no smaller air has that
    for air, error in sorted(pairs):
        if not lowest or error < lowest[-1][1]:
            lowest.append((air, error))
    plans = []
    for air, error in lowest:
        one = plans and air <= plans[-1][1] + SAME_AIR and error >= plans[-1][0] - SAME_ERROR
        if not one and not any(_beats(other, (air, error)) for other in lowest):
            plans.append((error, air))
    return plans


def _beats(one, other):
    """Whether a pair is no worse in both and better in one, rounding left out."""
    (air, error), (other_air, other_error) = one, other
    if air > other_air * (1 + ROUNDING) or error > other_error + ROUNDING:
        return False
    return air < other_air * (1 - ROUNDING) or error < other_error - ROUNDING


def changes(case, at, choice):
    """How many changes a setting, {name: rate} and {name: option}, is away from `now`.

    One for each rate in use that is not the rate of now, for each other pump, each other mark, and each other turns.
    """
    count = 0
    if case.get("now") is not None:
        count += sum(len(different([rate, case["now"]])) > 1 for rate in different(at.values()))
    for point in case["points"]:
        now, (pump, mark, turns) = point.get("now"), choice[point["name"]]
        if now is not None:
            count += pump != now.get("pump", point["pump"][0])
            count += mark != now["mark"]
            count += turns != now["turns"]
    return count


def fewest_changes(case, share=0.01, amount=0.001):
    """The least number of changes of the settings as good as the best but for a share or an amount of the value.

    Among settings with the least excess; None where no setting meets the hard rules.
    """
    found = _least(case)
    value = min((v for v, _, _ in found), default=0.0)
    good = [(at, choice) for v, at, choice in found if v <= value + max(share * value, amount)]
    return min((changes(case, at, choice) for at, choice in good), default=None)


def next_best(case, seen):
    """The least excess, and the least value with it, of settings that have not all the rates of one of `seen`.

    None where there are none. On a stepped dial.
    """
    found = [(x, v) for x, v, at, _ in settings_on_steps(case)
             if not any(len(different([*at.values(), *rates])) == len(different(at.values())) for rates in seen)]
    least = min((x for x, _ in found), default=None)
    return None if least is None else (least, min(v for x, v in found if x <= least + SLACK))
