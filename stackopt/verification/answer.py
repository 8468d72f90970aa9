"""Whether an answer holds: each of its parts looked at, with what was found in words."""

import textwrap
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import islice
from typing import Any, NamedTuple

from stackopt.errors import LIMITS, Fault, ProblemError, known, library
from stackopt.problem.model import Problem
from stackopt.problem.rules import found
from stackopt.verification.airflow import OUTLET
from stackopt.verification.bound import Claim, Found, Option, Range, Search
from stackopt.verification.conflicting import ALL_WORK, MOST, concerned, conflict_holds, names_of, rates_conflict
from stackopt.verification.figures import Figures, Set, figures_of
from stackopt.verification.machine import SLACK, Machine, Place
from stackopt.verification.reading import FORMAT, misshapen
from stackopt.verification.sums import Work

HOLDS, WRONG, OPEN = "holds", "wrong", "not verified"
DIGITS = Fraction(2, 10**14)  # bar: what two ways to find a pressure may part by
FIGURE = Fraction(1, 10**9)  # of itself, and a thousandth of that as a share of 1: what a figure may be off by
TIE = 2 * SLACK  # what a proof of exact sums may be off by: values that tie, and rounding
LOOSE = 10 * SLACK  # the same where a solver decides, or between the rates that are compared on a free dial
_SHOWN = 20  # faults of one part that are told
_STOPPED = ("time limit", "interrupted", "unproved")


class Check(NamedTuple):
    """One part of an answer: what was looked at, whether it holds, and what was found."""

    what: str
    status: str  # holds | wrong | not verified
    why: str


@dataclass(frozen=True)
class Verification:
    """What came of holding an answer against its problem.

    >>> Verification("a.toml", (Check("title", HOLDS, "as in the file"),)).exit_code
    0
    """

    file: str | None
    checks: tuple[Check, ...]

    @property
    def verdict(self) -> str:
        """wrong, not verified or holds: the worst of the checks."""
        found = {check.status for check in self.checks}
        return WRONG if WRONG in found else OPEN if OPEN in found else HOLDS

    @property
    def exit_code(self) -> int:
        """What the command line ends with."""
        return {HOLDS: 0, WRONG: 3, OPEN: 5}[self.verdict]

    def to_dict(self) -> dict[str, Any]:
        """The same as plain data."""
        return {"format": "stackopt.verification/1", "file": self.file, "verdict": self.verdict,
                "checks": [check._asdict() for check in self.checks]}  # fmt: skip

    def __str__(self) -> str:
        heads = {HOLDS: "The answer holds.", WRONG: "The answer is wrong.", OPEN: "The answer is not verified."}
        wide = max((len(check.what) for check in self.checks), default=0)
        return "\n".join([heads[self.verdict], *(textwrap.fill(
            f"{check.status}: {check.why}", 80, initial_indent=f"{check.what:>{wide}}  ",
            subsequent_indent=" " * (wide + 2), break_on_hyphens=False) for check in self.checks)])  # fmt: skip


def verify(problem: Problem, answer: dict[str, Any]) -> Verification:
    """Hold an answer of `solve`, as `to_dict` gives it, against its problem, by arithmetic that shares nothing with it.

    Figures are computed anew in exact fractions and may part from those by 1e-9 of themselves. The bound is proved by
    halving the dial and summing options, within 2e-9 (1e-8 on a free dial, and of what a solver may have decided).
    Advice, warnings, the words of conflicts and `solve` are not looked at, nor is the file's name.

    Raises `ProblemError` where `answer` is no answer of `solve` at all.

    >>> import stackopt
    >>> from stackopt.stack import _example
    >>> answer = stackopt.solve(_example()).to_dict()
    >>> verify(_example(), answer).verdict
    'holds'
    >>> verify(_example(), {**answer, "rate_per_min": 7.0}).exit_code
    3
    """
    if not isinstance(answer, dict) or answer.get("format") != FORMAT:
        what = found(answer.get("format")) if isinstance(answer, dict) and "format" in answer else (
            "nothing" if isinstance(answer, dict) else found(answer))  # fmt: skip
        raise ProblemError((Fault("format", what, f"'{FORMAT}', an answer of stackopt solve --json"),))
    with library("verifying", of=LIMITS):
        shape = list(islice(misshapen(answer), _SHOWN))
        checks = [_check("shape", shape, "all keys are there, each of its kind")]
        if not shape:
            checks += _Held(problem, answer).checks()
    return Verification(problem.file, tuple(checks))


def _check(what: str, faults: list[str], why: str) -> Check:
    """Wrong with what is wrong, if anything is."""
    more = f"; and {len(faults) - _SHOWN} more" if len(faults) > _SHOWN else ""
    return Check(what, WRONG, "; ".join(faults[:_SHOWN]) + more) if faults else Check(what, HOLDS, why)


class _Held:
    """An answer of the right shape beside its machine."""

    def __init__(self, problem: Problem, answer: dict[str, Any]) -> None:
        self.problem, self.answer = problem, answer
        self.machine = Machine.of(problem)
        self.search = Search(self.machine)
        self.status = answer["status"]
        machine = self.machine
        self.plain = not (machine.rules or machine.count > 1 or machine.worst or machine.line)
        self.near = TIE if self.plain and machine.dial.step is not None else LOOSE

    def checks(self) -> Iterator[Check]:
        """All parts, one after the other, as far as one makes sense of the next."""
        answer, machine = self.answer, self.machine
        yield _check("title", [] if answer["title"] == self.problem.title else [
            f"{found(answer['title'])} instead of {found(self.problem.title)}"], "as in the file")  # fmt: skip
        figures = None
        if answer["points"]:
            faults = list(self._setting_faults())
            yield _check("settings", faults, f"{len(answer['points'])} points, all set to what the file offers")
            if faults:
                return
            settings = self._settings()
            figures = figures_of(machine, settings)
            faults = list(self._figure_faults(figures))
            yield _check("figures", faults, "doses, air, excess, value and marks of tolerance as computed anew")
            yield _check("rules", list(figures.broken), "dial, cuts, pumps, capacity and rules of the file are kept")
            if figures.unknown:
                yield Check("rules", OPEN, f"{', '.join(figures.unknown)}: of a kind of another package")
        faults = list(self._status_faults(figures))
        yield _check("status", faults, f"{self.status}, as bound and gap say")
        if faults:
            return
        if self.status in _STOPPED and figures is None:
            yield Check("settings", OPEN, "none are given")
        if self.status in _STOPPED and answer["gap"] is not None and answer["gap"] <= TIE:
            yield Check("status", OPEN, f"{self.status}, though nothing is left open")
        yield self._conflicts()
        yield from self._bound(figures)
        if figures is not None and self.status == "optimal" and self.plain:
            yield from self._ties(settings, figures)

    def _setting_faults(self) -> Iterator[str]:
        """What the settings are that the file does not offer, and where generators and points do not fit."""
        answer, places = self.answer, self.machine.places
        if [point["name"] for point in answer["points"]] != [place.name for place in places]:
            yield "the points are not those of the file in its order"
            return
        for place, point in zip(places, answer["points"], strict=True):
            if (point["pump"], point["mark"]) not in {(s.pump, s.mark) for s in place.strokes}:
                yield f"{place.name} has no mark {found(point['mark'])} of {found(point['pump'])}"
            if point["turns"] not in place.branch.turns:
                yield f"{place.name} cannot be set to {found(point['turns'])} turns"
        rates = [generator["rate_per_min"] for generator in answer["generators"]]
        if not rates or min(rates) <= 0 or rates != sorted(set(rates)):
            yield "the generators are not those of rising rates"
            return
        if answer["rate_per_min"] != (rates[0] if len(rates) == 1 else None):
            yield f"rate_per_min is {found(answer['rate_per_min'])} instead of that of the one generator, or null"
        named: dict[int, list[str]] = {}
        for point in answer["points"]:
            named.setdefault(point["generator"], []).append(point["name"])
        for number, generator in enumerate(answer["generators"], 1):
            if generator["points"] != named.pop(number, None):
                yield f"the points of generator {number} are not those that name it"
        if named:
            yield "a point names a generator that is not there"

    def _settings(self) -> list[Set]:
        rates = [Fraction(generator["rate_per_min"]) for generator in self.answer["generators"]]
        found = []
        for place, point in zip(self.machine.places, self.answer["points"], strict=True):
            labels = [(stroke.pump, stroke.mark) for stroke in place.strokes]
            found.append(Set(rates[point["generator"] - 1], labels.index((point["pump"], point["mark"])),
                             place.branch.turns.index(point["turns"])))  # fmt: skip
        return found

    def _figure_faults(self, figures: Figures) -> Iterator[str]:
        """Figures that are other ones than those computed anew."""
        answer, machine = self.answer, self.machine
        # Next to the open air a pressure has few digits left above it, and the air of a nozzle no more than those.
        off = FIGURE if machine.line is None else FIGURE + DIGITS / max(_gauge(figures.pressure), DIGITS)
        for place, point, got in zip(machine.places, answer["points"], figures.points, strict=True):
            for key, exact in (
                ("dose_mL_per_h", got.dose * 60), ("required_mL_per_h", place.dose * 60), ("error", got.error),
                ("excess", got.excess), ("air_L_per_min", got.flow), ("air_min_L_per_min", got.low or None),
                ("air_max_L_per_min", got.high),
            ):  # fmt: skip
                yield from _apart(f"{key} of {place.name}", point[key], exact, off)
            if point["in_tolerance"] != (got.excess == 0):
                yield f"in_tolerance of {place.name} is {str(point['in_tolerance']).lower()}"
            if point["spray"] not in got.spray:
                yield f"spray of {place.name} is {found(point['spray'])} instead of '{' or '.join(sorted(got.spray))}'"
        if answer["in_tolerance"] != all(got.excess == 0 for got in figures.points):
            yield f"in_tolerance is {str(answer['in_tolerance']).lower()}"
        share = figures.air / known(machine.capacity)
        whole = {"excess": figures.excess, "mean_error": figures.mean_error, "worst_error": figures.worst_error,
                 "air_share": share, "value": figures.value, "mean_price": figures.price}  # fmt: skip
        for key, exact in whole.items():
            if answer["objective"] is None:
                yield "objective is null"
                break
            yield from _apart(f"objective.{key}", answer["objective"][key], exact, off)
        for key, exact in (("total_L_per_min", figures.air), ("share", share),
                           ("stack_pressure_bar", _gauge(figures.pressure))):  # fmt: skip
            yield from _apart(f"air.{key}", answer["air"][key], exact, off)

    def _status_faults(self, figures: Figures | None) -> Iterator[str]:
        """Where status, bound and gap do not go together."""
        answer, bound, gap, got = self.answer, self.answer["bound"], self.answer["gap"], self.answer["objective"]
        for key, exact in (("capacity_L_per_min", self.machine.capacity),
                           ("supply_pressure_bar", _gauge(self.machine.pressure))):  # fmt: skip
            yield from _apart(f"air.{key}", answer["air"][key], exact)
        if self.status not in ("optimal", "infeasible", *_STOPPED):
            yield f"{found(self.status)} is no status"
            return
        if figures is None:
            if self.status == "optimal":
                yield "an optimal answer has points"
            air = (answer["air"][key] for key in ("total_L_per_min", "share", "stack_pressure_bar"))
            if answer["in_tolerance"] or answer["generators"] or any(
                    part is not None for part in (answer["rate_per_min"], got, gap, *air)):  # fmt: skip
                yield "an answer without points has no rate, generators, air, objective or gap, and is not in tolerance"
            if self.status == "infeasible" and bound is not None:
                yield "what is infeasible has no bound"
            return
        if self.status == "infeasible":
            yield "what is infeasible has no points"
        if got is None:
            return  # told already
        if bound is None:
            if self.status == "optimal" or gap is not None:
                yield "bound is null" if self.status == "optimal" else "there is a gap without a bound"
            return
        short = got["excess"] - bound["excess"]
        value = None if bound["value"] is None else got["value"] - bound["value"]
        if short < -1e-12 or (value is not None and value < -1e-12 * max(1.0, abs(got["value"]))):
            yield "a bound is above what was reached"
        if value is not None and short > self.near:
            yield "bound.value is told before the least excess is proved"
        if self.status == "optimal":
            if gap != 0 or value is None or max(short, value) > self.near:
                yield (f"gap is {found(gap)} and the bounds {found(bound['excess'])} and {found(bound['value'])}, "
                       "which is not proved best")  # fmt: skip
            return
        expected = short if short > SLACK else value
        if (gap is None) != (expected is None) or (gap is not None and abs(gap - expected) > 1e-9 * abs(gap) + 1e-12):
            yield f"gap is {found(gap)} instead of {found(expected)}"

    def _conflicts(self) -> Check:
        """Whether each conflict that is named is one, and a smallest one."""
        answer, machine, named = self.answer, self.machine, self.answer["conflicts"]
        hard = self.status == "infeasible"
        if len(named) > MOST:
            return _check("conflicts", [f"{len(named)} of them, and at most {MOST} are named"], "")
        if answer["in_tolerance"]:
            faults = ["an answer in tolerance has none"] if named else []
            return _check("conflicts", faults, "none, as all is in tolerance")
        if not named:
            if hard or self.status == "optimal":
                return Check("conflicts", OPEN, "none is named")
            return Check("conflicts", HOLDS, "none is named, and nothing is proved")
        faults, doubts = [], []
        order = {place.name: k for k, place in enumerate(machine.places)}
        rules = names_of(machine)
        for n, one in enumerate(named, 1):
            places = [order.get(name, -1) for name in one["points"]]
            if -1 in places or places != sorted(set(places)):
                faults.append(f"conflict {n} does not name points of the file in its order")
            if not set(one["rules"]) <= rules or len(set(one["rules"])) < len(one["rules"]):
                faults.append(f"conflict {n} names rules that are none")
            if hard and set(one["points"]) != concerned(machine, one["rules"]):
                faults.append(f"conflict {n} does not name the points that its rules concern")
        if not hard and not faults and (all_of_them := rates_conflict(machine, named)).holds is False:
            faults.append(all_of_them.why)
        if len({(*one["points"], None, *one["rules"]) for one in named}) < len(named):
            faults.append("a conflict is named twice")
        work = Work(ALL_WORK)
        for n, one in enumerate([] if faults else named, 1):
            opinion = conflict_holds(machine, one["points"], one["rules"], hard, work)
            if opinion.holds is None or (opinion.holds is False and "not proved" in one["why"]):
                doubts.append(f"conflict {n}: {opinion.why}")
            elif not opinion.holds:
                faults.append(f"conflict {n}: {opinion.why}")
        if doubts and not faults:
            return Check("conflicts", OPEN, "; ".join(doubts[:_SHOWN]))
        return _check("conflicts", faults, "each is one, and no smaller part of it is")

    def _bound(self, figures: Figures | None) -> Iterator[Check]:
        """Whether nothing is better than the bound."""
        bound = self.answer["bound"]
        if self.status == "infeasible":
            yield _told("infeasible", self.search.better(Claim()), "there are settings that keep the hard rules",
                        "no settings keep the hard rules")  # fmt: skip
        if bound is None:
            return
        excess = Fraction(bound["excess"])
        near = TIE if self.machine.dial.step is None or self.plain else self.near
        if excess <= near:
            yield Check("bound on the excess", HOLDS, "none is below 0")
        else:
            answer = self.search.better(Claim("excess", excess - near, excess - LOOSE))
            yield _told("bound on the excess", answer, "settings have a smaller one", "no settings have a smaller one")
        if bound["value"] is None:
            return
        most = excess + SLACK
        if figures is None or figures.excess > most:  # a bound that nothing reaches would make any value the least
            reached = self.search.better(Claim("excess", most, most))
            if not reached.better:
                sure = reached.better is False and self.plain and self.machine.dial.step is not None
                yield Check("bound on the value", WRONG if sure and self.status == "optimal" else OPEN,
                            reached.why or "no settings reach the bound on the excess")  # fmt: skip
                return
        value = Fraction(bound["value"])
        answer = self.search.better(Claim("value", value - near, value - LOOSE, most))
        yield _told("bound on the value", answer, "settings of least excess have a smaller value",
                    "no settings of least excess have a smaller one")  # fmt: skip

    def _ties(self, settings: list[Set], figures: Figures) -> Iterator[Check]:
        """Whether no lower rate and, at this one, no other option of a single point ties and comes first."""
        dial, rate = self.machine.dial, settings[0].rate
        if dial.step is not None:
            answer = self.search.better(Claim("value", figures.value, figures.value, figures.excess), rate)
            yield _told("lowest rate", answer, "settings do as well", "no lower one does as well")
        faults = []
        for n, (place, setting) in enumerate(zip(self.machine.places, settings, strict=True)):
            options = self.search.options(n, Range(rate, rate))
            own = next((o for o in options if o.what[1:] == setting[1:]), None)
            for o in options:
                if own and _rank(place, o) < _rank(place, own) and o.excess <= own.excess and o.air <= own.air \
                        and o.error + o.cost <= own.error + own.cost:  # fmt: skip
                    faults.append(f"{place.name} at mark {place.strokes[o.what[1]].mark} and "
                                  f"{place.branch.turns[o.what[2]]} turns does as well and comes first")
                    break
        yield _check("order of ties", faults, "no point has another setting that does as well and comes first")


def _rank(place: Place, option: Option) -> tuple[float, int, int]:
    """Of settings that tie: the larger stroke first, equal ones as written, then fewer turns."""
    _, stroke, screw = option.what
    return -float(f"{float(place.strokes[stroke].volume):.12g}"), stroke, screw


def _apart(what: str, got: float | None, exact: Fraction | None, off: Fraction = FIGURE) -> Iterator[str]:
    """Where a figure is another one than the exact one, by more than `off` as a share."""
    if got is None or exact is None:
        if got is not None or exact is not None:
            yield f"{what} is {_shown(got)} instead of {_shown(exact)}"
    elif abs(Fraction(got) - exact) > off * (abs(exact) + Fraction(1, 1000)):
        yield f"{what} is {_shown(got)} instead of {_shown(exact)}"


def _gauge(pressure: float) -> Fraction:
    """An absolute pressure as that above the open air [bar]."""
    return Fraction(pressure) - Fraction(OUTLET)


def _shown(number: float | Fraction | None) -> str:
    return "null" if number is None else repr(float(number))


def _told(what: str, answer: Found, wrong: str, holds: str) -> Check:
    if answer.better is None:
        return Check(what, OPEN, answer.why)
    if answer.better:
        rates = " and ".join(f"{float(rate):.6g}/min" for rate in sorted(set(answer.rates)))
        return Check(what, WRONG, f"at {rates} {wrong}")
    return Check(what, HOLDS, holds)
