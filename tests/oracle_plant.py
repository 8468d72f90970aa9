"""The slow oracle for works: all combinations of plans, in plain loops; shares no code with the package."""

from itertools import product

SLACK = 1e-9


def best(rows, weights, room, uses=None, rules=()):
    """Least (excess, error), weighted means, of one plan (excess, error, air) a row; None where none fits the room.

    `uses` are the kinds that each plan has, `rules` pairs of rows and how many kinds they may have together.
    """
    total = sum(weights)
    reached = []
    for chosen in product(*(range(len(row)) for row in rows)):
        plans = [row[k] for row, k in zip(rows, chosen, strict=True)]
        if sum(air for _, _, air in plans) > room * (1 + SLACK):
            continue
        if any(len({kind for m in members for kind in uses[m][chosen[m]]}) > most for members, most in rules):
            continue
        excess, error = (sum(w * plan[part] for w, plan in zip(weights, plans, strict=True)) / total
                         for part in (0, 1))  # fmt: skip
        reached.append((excess, error))
    if not reached:
        return None
    least = min(excess for excess, _ in reached)
    return least, min(error for excess, error in reached if excess <= least + SLACK)
