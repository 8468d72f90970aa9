"""Other ways to prove the same answer: least excess X, then least value with X within 1e-9 of its least.

Each peer takes a case of `cases.generate` and a time limit in seconds, uses one thread and returns an
Answer. X and value are worked out again by `evaluate` from the whole-number settings, so no solver's
tolerance enters them.
"""

import heapq
import math
import time
from typing import NamedTuple

import numpy as np
from cases import options, rates, table, window

TINY = 1e-9  # slack of X in the second stage; also what ties


class Answer(NamedTuple):
    """X and value, None unless proved; `note` says what went wrong."""

    excess: float | None
    value: float | None
    proved: bool
    seconds: float
    note: str = ""


class NotProved(Exception):
    """The time limit came first."""


def evaluate(case, rate, picks):
    """X, value and air at a rate with one (number of mark, number of screw) a point, by plain arithmetic."""
    excess = error = air = weights = 0.0
    for point, (mark, screw) in zip(case["points"], picks, strict=True):
        marks, screws = options(case, point)
        low, high, thin, thick = window(point)
        flow, need, dose = screws[screw][1], point["dose"] / 60, rate * marks[mark][2]
        miss = max(need * (1 - point["below"]) - dose, dose - need * (1 + point["above"])) / need
        air_miss = max(low - flow, thin * dose - flow, flow - high, flow - thick * dose)
        air_miss /= max(low, thin * need)
        excess += point["weight"] * sum(part for part in (miss, air_miss) if part > TINY)
        error += point["weight"] * abs(dose - need) / need
        air += flow + rate * marks[mark][3]
        weights += point["weight"]
    return excess / weights, error / weights + case["air_weight"] * air / case["capacity"], air


def _answer(case, solve, time_limit):
    start = time.perf_counter()
    try:
        rate, picks = solve(case, start + time_limit)
    except NotProved as reason:
        return Answer(None, None, False, time.perf_counter() - start, str(reason))
    seconds = time.perf_counter() - start
    excess, value, air = evaluate(case, rate, picks)
    note = "" if air <= case["capacity"] * (1 + 2 * TINY) else f"air {air} above {case['capacity']}"
    return Answer(excess, value, True, seconds, note)


def _left(end):
    left = end - time.perf_counter()
    if left <= 0:
        raise NotProved("time limit")
    return left


def _share(case):
    weights = np.array([point["weight"] for point in case["points"]])
    return weights / weights.sum()


def _best_first(*parts):
    """Mask of the options (last axis) that no other option beats or equals in every one of the parts."""
    before = np.tri(parts[0].shape[-1], k=-1, dtype=bool)  # of equal options the first stays
    beaten = same = True
    for part in parts:
        one, other = part[..., :, None], part[..., None, :]
        beaten, same = beaten & (other <= one), same & (other == one)
    return ~(beaten & (~same | before)).any(axis=-1) & np.isfinite(parts[0])


def _useful(case):
    """Of each point: (rates, marks, screws) mask of the options that are worth having."""
    at, masks = rates(case), []
    for point in case["points"]:
        parts = table(case, point, at)
        masks.append(_best_first(*(part.reshape(len(at), -1) for part in parts)).reshape(parts[0].shape))
    return masks


# One mixed-integer model: the rate a whole number of steps, binaries for marks and screws, and Glover's
# rows for speed = rate * mark: a point's speeds add up to the rate, and each is 0 unless its mark is chosen.

def one_shot(case, solver="highs", time_limit=60.0):
    """One plain model in PuLP, solved by HiGHS, CBC or (through PySCIPOpt) SCIP."""
    return _answer(case, lambda case, end: _one_shot(case, solver, end), time_limit)


def scip(case, time_limit=60.0):
    """The same model for SCIP."""
    return one_shot(case, "scip", time_limit)


def _one_shot(case, solver, end):
    import pulp

    at = rates(case).tolist()
    model = pulp.LpProblem("dial", pulp.LpMinimize)
    step = model.add_variable("step", 0, len(at) - 1, "Integer")
    rate = at[0] + case["rate"]["step"] * step
    share, excess, error, air, chosen = _share(case).tolist(), [], [], [], []
    for i, (point, useful) in enumerate(zip(case["points"], _useful(case), strict=True)):
        marks, screws = options(case, point)
        low, high, thin, thick = window(point)
        need = point["dose"] / 60
        least = max(low, thin * need)
        turn, mark, speed = {}, {}, {}
        for s in np.flatnonzero(useful.any((0, 1))):
            turn[s] = model.add_variable(f"turn_{i}_{s}", cat="Binary")
        for m in np.flatnonzero(useful.any((0, 2))):
            mark[m] = model.add_variable(f"mark_{i}_{m}", cat="Binary")
            speed[m] = model.add_variable(f"speed_{i}_{m}", 0)
            fits = np.flatnonzero(useful[:, m].any(axis=1))  # the rates at which the mark is any use
            model.addConstraint(speed[m] >= at[fits[0]] * mark[m])
            model.addConstraint(speed[m] <= at[fits[-1]] * mark[m])
        model.addConstraint(pulp.lpSum(mark.values()) == 1)
        model.addConstraint(pulp.lpSum(turn.values()) == 1)
        model.addConstraint(pulp.lpSum(speed.values()) == rate)
        miss, far, off = (model.add_variable(f"{kind}_{i}", 0) for kind in ("miss", "far", "off"))
        dose = pulp.lpSum(marks[m][2] / need * speed[m] for m in mark)  # as a share of the dose asked for
        flow = pulp.lpSum(screws[s][1] / least * turn[s] for s in turn)  # as a share of the least flow
        model.addConstraint(miss >= 1 - point["below"] - dose)
        model.addConstraint(miss >= dose - (1 + point["above"]))
        model.addConstraint(off >= dose - 1)
        model.addConstraint(off >= 1 - dose)
        # the fixed ends of the air window depend on the screw alone
        model.addConstraint(far >= pulp.lpSum(
            max(0.0, low - screws[s][1], screws[s][1] - high) / least * turn[s] for s in turn
        ))
        if thin:
            model.addConstraint(far >= thin * need / least * dose - flow)
        if thick < math.inf:
            model.addConstraint(far >= flow - thick * need / least * dose)
        excess += [share[i] * miss, share[i] * far]
        error.append(share[i] * off)
        air += [least / case["capacity"] * flow] + [marks[m][3] / case["capacity"] * speed[m] for m in mark]
        chosen.append((mark, turn))
    excess, air = pulp.lpSum(excess), pulp.lpSum(air)
    model.addConstraint(air <= 1)

    def settings():
        pick = lambda group: max(group, key=lambda k: group[k].value())  # noqa: E731
        return at[round(step.value())], [(pick(mark), pick(turn)) for mark, turn in chosen]

    _pulp_solve(model, excess, solver, end)
    best = evaluate(case, *settings())[0]
    model.addConstraint(SCALE * excess <= SCALE * (best + TINY))
    _pulp_solve(model, pulp.lpSum(error) + case["air_weight"] * air, solver, end)
    return settings()


SCALE = 1000.0  # objectives and the slack row are scaled up so that the solvers' tolerances bite less


def _pulp_solve(model, objective, solver, end):
    import pulp

    model.setObjective(SCALE * objective)
    common = {"msg": False, "gapRel": 0.0, "gapAbs": 0.0, "timeLimit": _left(end)}
    if solver == "highs":
        exact = {"mip_feasibility_tolerance": 1e-9, "primal_feasibility_tolerance": 1e-9,
                 "dual_feasibility_tolerance": 1e-9}
        engine = pulp.HiGHS(threads=1, **common, **exact)
    elif solver == "cbc":
        name = "PULP_CBC_CMD" if hasattr(pulp, "PULP_CBC_CMD") else "COIN_CMD"  # PuLP 3, PuLP 4
        exact = ["primalTolerance 1e-9", "dualTolerance 1e-9", "integerTolerance 1e-9", "increment 1e-8"]
        engine = pulp.getSolver(name, threads=1, options=exact, **common)
    else:
        exact = ["numerics/feastol=1e-9", "numerics/dualfeastol=1e-9"]
        engine = pulp.getSolver("SCIP_PY", options=exact, **common)
    stats = model.solve(engine)
    if isinstance(stats, int) and not hasattr(stats, "status"):  # PuLP 3
        proved, why = model.sol_status == pulp.LpSolutionOptimal, pulp.LpSolution[model.sol_status]
    else:  # PuLP 4
        proved, why = stats.status == pulp.LpSolveStatus.Optimal, stats.status_str
    if not proved:
        raise NotProved(why)


# CP-SAT: whole numbers only.

def cp_sat(case, time_limit=60.0):
    """CP-SAT on the same model in whole numbers, with each rate's least excess and error as further rows.

    Scaling loses this: a coefficient is rounded to 1e-9, so a point's excess or error may be wrong by half
    of that times the steps of the dial (7e-8 at 148 rates), and the second stage may take a setting whose
    excess is higher by as much, or miss one. Air is rounded to 1e-6 L/min, so a setting that close to the
    capacity may be misjudged; one that comes out above the capacity is reported.
    """
    return _answer(case, _cp_sat, time_limit)


def _cp_sat(case, end):
    from ortools.sat.python import cp_model

    at, share = rates(case), _share(case)
    model, last = cp_model.CpModel(), len(at) - 1
    step = model.new_int_var(0, last, "step")
    here = [model.new_bool_var(f"step_{k}") for k in range(len(at))]
    model.add_exactly_one(here)
    model.add(cp_model.LinearExpr.weighted_sum(here, range(len(at))) == step)

    def line(start, per_rate, unit=1e9):
        """Return start + per_rate * rate in whole units."""
        return round(unit * (start + per_rate * at[0])) + round(unit * per_rate * case["rate"]["step"]) * step

    def total(group, costs, unit=1e9):
        return cp_model.LinearExpr.weighted_sum(list(group), [round(unit * float(cost)) for cost in costs])

    excess, error, air, chosen = [], [], [], []
    for i, (point, useful) in enumerate(zip(case["points"], _useful(case), strict=True)):
        marks, screws = options(case, point)
        low, high, thin, thick = window(point)
        need, w = point["dose"] / 60, share[i]
        least = max(low, thin * need)
        turn = {s: model.new_bool_var("") for s in np.flatnonzero(useful.any((0, 1)))}
        mark = {m: model.new_bool_var("") for m in np.flatnonzero(useful.any((0, 2)))}
        model.add_exactly_one(turn.values())
        model.add_exactly_one(mark.values())
        miss, far, off, strokes = (model.new_int_var(0, 2**40, "") for _ in range(4))
        flow = total(turn.values(), [w / least * screws[s][1] for s in turn])
        ends = [w / least * max(0.0, low - screws[s][1], screws[s][1] - high) for s in turn]
        model.add(far >= total(turn.values(), ends))
        for m, chosen_mark in mark.items():
            fits = [int(k) for k in np.flatnonzero(useful[:, m].any(axis=1))]
            share_of_need = w * marks[m][2] / need
            rows = [
                miss >= line(w * (1 - point["below"]), -share_of_need),
                miss >= line(-w * (1 + point["above"]), share_of_need),
                off >= line(w, -share_of_need),
                off >= line(-w, share_of_need),
                strokes == line(0.0, marks[m][3], 1e6),
            ]
            if thin:
                rows.append(far >= line(0.0, w / least * thin * marks[m][2]) - flow)
            if thick < math.inf:
                rows.append(far >= flow - line(0.0, w / least * thick * marks[m][2]))
            for row in [*rows, step >= fits[0], step <= fits[-1]]:
                model.add(row).only_enforce_if(chosen_mark)
        # at each rate, what the point's best option costs when nothing else matters
        x, e, _ = (np.where(useful, part, np.inf).min(axis=(1, 2)) for part in table(case, point, at))
        model.add(miss + far + 1000 >= total(here, w * np.minimum(x, 1e3)))
        model.add(off + 1000 >= total(here, w * np.minimum(e, 1e3)))
        excess += [miss, far]
        error.append(off)
        air += [total(turn.values(), [screws[s][1] for s in turn], 1e6), strokes]
        chosen.append((mark, turn))
    excess, error, air = sum(excess), sum(error), sum(air)
    model.add(air <= math.floor(1e6 * case["capacity"]))

    def solve(goal):
        model.minimize(goal)
        solver = cp_model.CpSolver()
        solver.parameters.num_workers = 1
        solver.parameters.max_time_in_seconds = _left(end)
        status = solver.solve(model)
        if status != cp_model.OPTIMAL:
            raise NotProved(solver.status_name(status))
        return solver

    first = solve(excess)
    model.add(excess <= first.value(excess) + 1)
    for group in chosen:
        for variable in [*group[0].values(), *group[1].values()]:
            model.add_hint(variable, first.value(variable))
    final = solve(1000 * error + round(1e6 * case["air_weight"] / case["capacity"]) * air)
    pick = lambda group: next(k for k, variable in group.items() if final.value(variable))  # noqa: E731
    return at[final.value(step)], [(pick(mark), pick(turn)) for mark, turn in chosen]


# The loop: one small choice model a rate, the rates in the order of a bound, until no rate can be better.

def loop(case, time_limit=60.0):
    """One multiple-choice model a rate, by HiGHS, the rates in the order of what they could reach.

    A rate first stands in the queue with its bound without the air limit. Where the options of that bound
    need too much air it goes back with the bound at the best price of air, and only then is its model solved.
    """
    return _answer(case, _loop, time_limit)


def _loop(case, end):
    at, share = rates(case), _share(case)
    screws = [len(options(case, point)[1]) for point in case["points"]]
    tables = [[part.reshape(len(at), -1) for part in table(case, point, at)] for point in case["points"]]
    excess = [w * x for w, (x, _, _) in zip(share, tables, strict=True)]
    air = [a / case["capacity"] for _, _, a in tables]
    for x, a in zip(excess, air, strict=True):
        a[np.isinf(x)] = np.inf
    fits = sum(a.min(axis=1) for a in air) <= 1 + TINY  # rates with enough air for the smallest flows
    bound = np.where(fits, sum(x.min(axis=1) for x in excess), np.inf)
    best, *_ = _best_rate(bound, excess, [(air, 1 + TINY)], end)
    limit = best + TINY
    open_ = np.flatnonzero(bound <= limit)  # the rates that may still reach the least excess
    slack = (limit - bound[open_])[:, None]  # what one point may add to the least excess of the rate
    excess, air = [x[open_] for x in excess], [a[open_] for a in air]
    value = []
    for w, x, a, (_, e, _) in zip(share, excess, air, tables, strict=True):
        v = w * e[open_] + case["air_weight"] * a
        value.append(np.where(x <= x.min(axis=1, keepdims=True) + slack, v, np.inf))
    bound = sum(v.min(axis=1) for v in value)
    _, k, picks = _best_rate(bound, value, [(air, 1 + TINY), (excess, limit)], end)
    return at[open_[k]], [divmod(pick, n) for pick, n in zip(picks, screws, strict=True)]


def _best_rate(bound, cost, rows, end):
    """(cost, number of the rate, picks), each row being (what the options need, the most of it)."""
    queue = [(b, k, None) for k, b in enumerate(bound) if b < math.inf]
    heapq.heapify(queue)
    best = math.inf, None, None
    while queue and queue[0][0] < best[0] - TINY:
        b, k, small = heapq.heappop(queue)
        if small is None:
            costs, limits = [c[k] for c in cost], [([c[k] for c in row], most) for row, most in rows]
            left, picks = None, _cheapest(costs, limits)
            if picks is None:
                left, costs, limits = small = _small(costs, limits)
                picks = _cheapest(costs, limits)
            if picks is None:
                heapq.heappush(queue, (max(b, _priced(costs, *limits[0])), k, small))
                continue
        else:
            left, costs, limits = small
            picks = _mip(costs, limits + ([(costs, best[0] - TINY)] if best[1] is not None else []), end)
        total = math.inf if picks is None else sum(c[pick] for c, pick in zip(costs, picks, strict=True))
        if total < best[0]:
            best = total, k, [int(p if left is None else left[i][p]) for i, p in enumerate(picks)]
    if best[1] is None:
        raise NotProved("nothing fits")
    return best


def _cheapest(cost, rows):
    """Picks of the cheapest option a point, None where they break a row."""
    picks = [np.argmin(c) for c in cost]
    over = (sum(c[p] for c, p in zip(row, picks, strict=True)) > most for row, most in rows)
    return None if any(over) else picks


def _small(cost, rows):
    """Which options of each point are worth having, and the costs and rows of those."""
    parts = zip(cost, *(row for row, _ in rows), strict=True)
    left = [np.flatnonzero(_best_first(*part)) for part in parts]
    rows = [([c[keep] for c, keep in zip(row, left, strict=True)], most) for row, most in rows]
    return left, [c[keep] for c, keep in zip(cost, left, strict=True)], rows


def _priced(cost, air, most):
    """A lower bound of the cost: air at a price instead of a limit, at the best of many prices."""
    starts = np.cumsum([0] + [len(c) for c in cost[:-1]])
    cost, air = np.concatenate(cost), np.concatenate(air)
    prices = np.geomspace(1e-4, 1e3, 50)
    for _ in range(3):
        bounds = np.minimum.reduceat(cost + prices[:, None] * air, starts, axis=1).sum(axis=1) - prices * most
        top = np.argmax(bounds)
        prices = np.linspace(prices[max(top - 1, 0)], prices[min(top + 1, len(prices) - 1)], 50)
    return bounds.max()


def _mip(cost, rows, end):
    """Picks of the cheapest option a point that keeps every row, by HiGHS; None where nothing does."""
    import highspy

    sizes = [len(c) for c in cost]
    count, points = sum(sizes), len(sizes)
    lp = highspy.HighsLp()
    lp.num_col_, lp.num_row_ = count, points + len(rows)
    lp.col_cost_ = SCALE * np.concatenate(cost)
    lp.col_lower_, lp.col_upper_ = np.zeros(count), np.ones(count)
    lp.integrality_ = [highspy.HighsVarType.kInteger] * count
    lp.row_lower_ = np.concatenate([np.ones(points), np.full(len(rows), -np.inf)])
    lp.row_upper_ = np.concatenate([np.ones(points), [SCALE * most for _, most in rows]])
    lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
    lp.a_matrix_.start_ = np.concatenate([[0], np.cumsum(sizes), count * np.arange(2, len(rows) + 2)])
    lp.a_matrix_.index_ = np.tile(np.arange(count), 1 + len(rows))
    lp.a_matrix_.value_ = np.concatenate([np.ones(count)] + [SCALE * np.concatenate(row) for row, _ in rows])
    highs = highspy.Highs()
    for name, setting in {
        "output_flag": False, "threads": 1, "mip_rel_gap": 0.0, "mip_abs_gap": 0.0, "time_limit": _left(end),
        "mip_feasibility_tolerance": 1e-9, "primal_feasibility_tolerance": 1e-9,
    }.items():
        highs.setOptionValue(name, setting)
    highs.passModel(lp)
    highs.run()
    status = highs.getModelStatus()
    if status == highspy.HighsModelStatus.kInfeasible:
        return None
    if status != highspy.HighsModelStatus.kOptimal:
        raise NotProved(str(status))
    chosen = np.array(highs.getSolution().col_value)
    return [int(np.argmax(part)) for part in np.split(chosen, np.cumsum(sizes)[:-1])]


PEERS = {
    "highs": lambda case, limit: one_shot(case, "highs", limit),
    "cbc": lambda case, limit: one_shot(case, "cbc", limit),
    "loop": loop,
    "cpsat": cp_sat,
    "scip": scip,
}
