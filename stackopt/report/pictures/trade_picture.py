"""The trade-off: plans that none beats in dose error and air, and the one that was chosen."""

from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

from stackopt.report.pictures.canvas import DARK, GREY, PALE, WIDE, Pen, draw, nothing
from stackopt.report.pictures.layout import axis, foot, foot_height
from stackopt.report.pictures.names import Rows, figure, percent
from stackopt.report.pictures.scale import Scale
from stackopt.words import number

if TYPE_CHECKING:
    from stackopt.plans import Tradeoff
    from stackopt.result import Result

_SAME_ERROR, _SAME_AIR = 1e-9, 1e-6  # up to these a plan is the answer


def _answers(tradeoff: "Tradeoff", result: "Result | None") -> set[int]:
    """Which plans are the answer."""
    if result is None or result.objective is None or result.verdict is None:
        return set()
    return {n for n, plan in enumerate(tradeoff.plans)
            if abs(plan.mean_error - result.objective.mean_error) <= _SAME_ERROR
            and abs(plan.air_L_per_min - result.verdict.air) <= _SAME_AIR}  # fmt: skip


def trade_off_rows(tradeoff: "Tradeoff", result: "Result | None" = None) -> Rows:
    """The figures of `trade_off`, a header first, a row a plan by rising air; then the answer, if it is none of them.

    >>> from stackopt.plans import tradeoff
    >>> from stackopt.stack import _example
    >>> trade_off_rows(tradeoff(_example()))[1]
    ('1', '6', '4.909', '128.12', '91.5', '')
    """
    capacity, answers = tradeoff.stack.capacity, _answers(tradeoff, result)
    rows: Rows = [("plan", "strokes/min", "mean error, %", "air, L/min", "air, % of capacity", "")]
    for n, plan in enumerate(tradeoff.plans):
        said = ["the answer"] if n in answers else []
        said += ["the knee, a suggestion"] if n == tradeoff.knee else []
        rows.append((str(n + 1), _rate(plan.rate_per_min), f"{100 * plan.mean_error:.3f}",
                     figure(plan.air_L_per_min), percent(plan.air_L_per_min / capacity), ", ".join(said)))  # fmt: skip
    if result is not None and result.objective is not None and result.verdict is not None and not answers:
        rows.append(("-", _rate(result.rate), f"{100 * result.objective.mean_error:.3f}",
                     figure(result.verdict.air), percent(result.objective.air_share), "the answer"))  # fmt: skip
    return rows


def _rate(rate: float | None) -> str:
    return "several" if rate is None else figure(rate)


def trade_off(tradeoff: "Tradeoff", result: "Result | None" = None) -> str:
    """The plans that none beats in dose error and air, and the one that was chosen, as SVG.

    Raises StackoptError where matplotlib is not installed.

    >>> from stackopt.plans import tradeoff
    >>> from stackopt.stack import _example
    >>> trade_off(tradeoff(_example())).startswith("<svg")
    True
    """
    title = "Dose error against air"
    plans = [(plan.air_L_per_min, 100 * plan.mean_error) for plan in tradeoff.plans]
    answer, answers = None, _answers(tradeoff, result)
    if result is not None and result.objective is not None and result.verdict is not None:
        answer = (result.verdict.air, 100 * result.objective.mean_error)
    if not plans:
        return nothing("trade-off", title, "There are no plans to show: no answer was found.")
    if len(plans) == 1 and (answer is None or answers):
        only = "Nothing trades dose error against air: " if tradeoff.complete else "The only plan found: "
        return nothing("trade-off", title, f"{only}{number(plans[0][0])} L/min with a mean error of "
                        f"{plans[0][1]:.3f} %{', the answer' if answer else ''}.")  # fmt: skip
    every = [*plans, answer] if answer else plans
    across = _around([a for a, _ in every], 66, WIDE - 24)
    down = _around([e for _, e in every], 318, 40)
    straight = set(tradeoff.segments)
    stairs = any((k, k + 1) not in straight for k in range(len(plans) - 1))
    legend = [("plan", "a plan")]
    legend += [("answer", "the answer")] if answer else []
    legend += [("knee", "knee, a suggestion")] if tradeoff.knee is not None else []
    legend += [("stair", "no plan is below this border" if tradeoff.complete else "border by the plans shown")
              ] if stairs else []  # fmt: skip
    legend += [("straight", "straight line of the front")] if straight else []
    notes = [] if tradeoff.complete else ["These plans are not the whole front: there may be more between them."]
    notes += tradeoff.warnings
    height = 372 + foot_height(legend, notes)

    def sign(pen: Pen, kind: str, x: float, y: float) -> None:
        if kind == "stair":
            pen.line((x - 9, y), (x + 9, y), colour=GREY, width=1.0, dashed=not tradeoff.complete)
        elif kind == "straight":
            pen.line((x - 9, y), (x + 9, y), width=2.2)
        elif kind == "answer":
            pen.mark(x, y, "o", 14, "none")
            pen.mark(x, y, "o", 10, "none")
        else:
            pen.mark(x, y, "D" if kind == "knee" else "o", 6, "white" if kind == "knee" else DARK)

    def paint(pen: Pen) -> None:
        axis(pen, across, 40, 318, "total air, L/min ANR")
        for value, said in down.ticks():
            pen.line((66, down(value)), (WIDE - 24, down(value)), colour=PALE, width=0.6)
            pen.text(58, down(value), said, 11, GREY, "right")
        pen.line((66, 40), (66, 318), colour=GREY, width=0.8)
        pen.text(14, 18, "mean dose error, %", 11, GREY)
        for k, ((a, e), (b, f)) in enumerate(pairwise(plans)):
            if (k, k + 1) in straight:
                pen.line((across(a), down(e)), (across(b), down(f)), width=2.2)
            else:
                pen.line((across(a), down(e)), (across(b), down(e)), (across(b), down(f)), colour=GREY,
                         width=1.0, dashed=not tradeoff.complete)  # fmt: skip
        for n, (a, e) in enumerate(plans):
            sign(pen, "knee" if n == tradeoff.knee else "plan", across(a), down(e))
        if answer:
            sign(pen, "answer", across(answer[0]), down(answer[1]))
        for n in _apart([(across(a), down(e)) for a, e in plans], tradeoff.knee):
            x, y = across(plans[n][0]), down(plans[n][1])
            pen.text(x + 7, y - 11, str(n + 1), 11, bold=n in answers)
        foot(pen, 372, legend, sign, notes)

    told = f"{'1 plan' if len(plans) == 1 else f'{len(plans)} plans'} by rising air, from {number(plans[0][0])} L/min "
    told += f"with a mean error of {plans[0][1]:.3f} % to {number(plans[-1][0])} L/min with {plans[-1][1]:.3f} %."
    if answer:
        told += f" The answer takes {number(answer[0])} L/min with {answer[1]:.3f} %."
    return draw("trade-off", title, told, height, paint)


def _around(values: Sequence[float], left: float, right: float) -> Scale:
    """A scale that shows all values with some room, never below 0."""
    low, high = min(values), max(values)
    pad = 0.07 * (high - low) or 0.05 * abs(high) or 1.0
    return Scale(max(low - pad, 0.0) if low >= 0 else low - pad, high + pad, left, right)


def _apart(places: Sequence[tuple[float, float]], knee: int | None) -> list[int]:
    """Which plans can be numbered without one figure on another; ends and knee first."""
    found: list[int] = []
    wanted = [0, len(places) - 1, *([knee] if knee is not None else []), *range(len(places))]
    for n in dict.fromkeys(wanted):
        if all(abs(places[n][0] - places[k][0]) > 20 or abs(places[n][1] - places[k][1]) > 14 for k in found):
            found.append(n)
    return found
