"""Oil and air over the weeks: how long a reservoir lasts, when it should warn, what a year takes and costs."""

from dataclasses import dataclass
from typing import Any

from stackopt.beside.plain import without_warnings
from stackopt.errors import noting
from stackopt.judge import Verdict
from stackopt.physics import energy, reservoir
from stackopt.problem.branches import OUTLET
from stackopt.problem.model import Problem

WEEKS = 365 / 7  # in a year


@dataclass(frozen=True)
class Size:
    """One size of reservoir. Hours are of work, pauses of the cycle included, but for `lasts_spraying_h`."""

    size_mL: float
    lasts_spraying_h: float
    lasts_h: float
    refills_per_week: float | None  # needs the hours a year
    enough: bool | None  # whether it lasts from one filling to the next; None where that is not given


@dataclass(frozen=True)
class Stock:
    """Oil and reservoirs."""

    oil_mL_per_h: float  # while spraying
    duty: float  # share of the working time that it sprays
    oil_L_per_year: float | None
    sizes: tuple[Size, ...]
    low_level_mL: float | None  # what must be left when the reservoir warns, for the chosen notice without a pause
    warnings: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """The stock as plain data."""
        return without_warnings(self) | {"sizes": [vars(size) for size in self.sizes]}


@dataclass(frozen=True)
class Energy:
    """What the air takes; a figure that the file does not allow is None."""

    air_L_per_min: float  # while spraying
    power_kW: float  # while spraying
    air_m3_per_year: float | None  # at ANR
    kWh_per_year: float | None
    floor_kWh_per_year: float | None  # the same air compressed without any loss, at constant temperature
    cost_per_year: float | None
    warnings: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """The energy as plain data."""
        return without_warnings(self)


def duty_of(problem: Problem) -> float:
    """The share of the working time that the generator runs: all of it without a cycle."""
    cycle = problem.cycle
    return cycle.spray.number / cycle.time.number if cycle and cycle.spray else 1.0


def _hours(problem: Problem) -> float | None:
    return problem.energy.hours.number / 60 if problem.energy and problem.energy.hours else None


def weekly_fluid(problem: Problem, verdict: Verdict) -> float | None:
    """Litres of fluid that settings use in a week; None where the file does not give the hours of work.

    >>> from stackopt.problem.model import Energy as Given
    >>> from stackopt.judge import Settings, judge
    >>> from stackopt.stack import Stack, _example
    >>> problem = _example().model_copy(update={"energy": Given(specific_power="6.4 kW/(m^3/min)", hours="3650 h")})
    >>> round(weekly_fluid(problem, judge(Stack.of(problem), Settings.at(6.0, (1, 0), (0, 1)))), 4)
    2.4192
    """
    hours = _hours(problem)
    if hours is None:
        return None
    return float(reservoir.per_year(float(verdict.dose.sum()) * 60, hours, duty_of(problem))) / 1000 / WEEKS


def stock_of(problem: Problem, verdict: Verdict) -> Stock | None:
    """How long the reservoirs last at settings; None where the file has no [reservoir].

    >>> from stackopt.problem.model import Reservoir
    >>> from stackopt.judge import Settings, judge
    >>> from stackopt.stack import Stack, _example
    >>> problem = _example().model_copy(update={"reservoir": Reservoir(sizes=["0.5 L"], notice="4 h")})
    >>> found = stock_of(problem, judge(Stack.of(problem), Settings.at(6.0, (1, 0), (0, 1))))
    >>> round(found.oil_mL_per_h, 2), round(found.sizes[0].lasts_h, 2), round(found.low_level_mL, 2)
    (34.56, 14.47, 138.24)
    """
    given = problem.reservoir
    if given is None:
        return None
    dose, duty, hours = float(verdict.dose.sum()) * 60, duty_of(problem), _hours(problem)
    wanted = given.refill_every.number / 60 if given.refill_every else None
    sizes = []
    for written in given.sizes:
        size = written.at(problem.sizes)
        spraying = float(reservoir.hours_to_empty(size, dose))
        weekly = None if hours is None else float(reservoir.refills_per_week(size, dose, hours / WEEKS, duty))
        enough = None if wanted is None else spraying >= wanted * (1 - 1e-9)
        sizes.append(Size(size, spraying, float(reservoir.hours_to_empty(size, dose, duty)), weekly, enough))
    notice = float(reservoir.low_level(dose, given.notice.number / 60)) if given.notice else None
    found = []
    if wanted is not None and not any(size.enough for size in sizes):
        found.append(f"no reservoir lasts {wanted:.3g} h of spraying: {wanted * dose / 1000:.3g} L would")
    if notice is not None and any(size.size_mL <= notice for size in sizes):
        found.append("a reservoir no larger than its low level would always warn")
    year = None if hours is None else float(reservoir.per_year(dose, hours, duty)) / 1000
    return Stock(dose, duty, year, tuple(sizes), notice, tuple(found))


def energy_of(problem: Problem, verdict: Verdict) -> Energy | None:
    """What the air of settings takes and costs; None where the file has no [energy]. Capital, leaks and drying not.

    >>> from stackopt.problem.model import Energy as Given
    >>> from stackopt.judge import Settings, judge
    >>> from stackopt.stack import Stack, _example
    >>> given = Given(specific_power="6.4 kW/(m^3/min)", hours="2000 h")
    >>> problem = _example().model_copy(update={"energy": given})
    >>> found = energy_of(problem, judge(Stack.of(problem), Settings.at(6.0, (1, 0), (0, 1))))
    >>> round(found.air_m3_per_year), round(found.kWh_per_year), round(found.floor_kWh_per_year), found.cost_per_year
    (11534, 1230, 620, None)
    """
    given = problem.energy
    if given is None:
        return None
    flow, duty, hours = verdict.air / 1000, duty_of(problem), _hours(problem)
    power = float(energy.compressor_energy(flow, given.specific_power.number, 1.0))
    if hours is None:
        return Energy(verdict.air, power, None, None, None, None)
    spraying = hours * duty
    used = float(energy.compressor_energy(flow, given.specific_power.number, spraying))
    notes: list[str] = []
    with noting(notes):
        floor = float(energy.isothermal_work(problem.air.pressure.number, OUTLET)) * flow * 60 * spraying
    price = None if given.price_per_kwh is None else float(energy.cost(used, given.price_per_kwh))
    return Energy(verdict.air, power, flow * 60 * spraying, used, floor, price, tuple(notes))
