"""The air of the room: what stays in it, beside the limit that the file names, and what may burn."""

from dataclasses import dataclass
from typing import Any

from stackopt.beside.plain import without_warnings
from stackopt.errors import known, noting
from stackopt.judge import Verdict
from stackopt.physics import exposure
from stackopt.problem.model import Fluid, Problem, Room

# Minimum quantity lubricants: flash point 150 degC or more, over 10 mm^2/s at 40 degC (DGUV Information 213-723).
FLASH = 150.0  # degC
FLAMMABLE = 60.0  # degC; liquids that flash at or below it are flammable liquids (GHS, from memory)
THIN = 10.0  # mm^2/s


@dataclass(frozen=True)
class RoomAir:
    """The mean in the room once it no longer rises, all points spraying; a figure that is not known is None."""

    airborne_mg_per_h: float
    concentration_mg_per_m3: float
    limit_mg_per_m3: float | None
    share_of_limit: float | None
    air_for_limit_m3_per_h: float | None
    share_of_flammable: float | None  # of the lower flammable limit
    air_for_flammable_m3_per_h: float | None  # that keeps it below 25 % of that limit
    needed_m3_per_h: float | None  # the harsher of the two
    governs: str | None  # which one that is
    published: tuple[exposure.Limit, ...]  # to compare with; local rules decide
    warnings: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """The room as plain data."""
        return without_warnings(self) | {"published": [limit._asdict() for limit in self.published]}


def room_air(problem: Problem, verdict: Verdict) -> RoomAir | None:
    """What settings do to the room; None where the file has no [room].

    A vanishing fluid becomes vapour whole: its airborne share is then taken from the file all the same, and one below
    100 % is warned of.

    >>> from stackopt.problem.model import Fluid, Room
    >>> from stackopt.judge import Settings, judge
    >>> from stackopt.stack import Stack, _example
    >>> change = {"room": Room(airflow="2000 m^3/h", airborne="1 %", limit="0.5 mg/m^3"),
    ...           "fluid": Fluid(kind="neat oil", density="0.92 g/mL")}
    >>> problem = _example().model_copy(update=change)
    >>> found = room_air(problem, judge(Stack.of(problem), Settings.at(6.0, (1, 0), (0, 1))))
    >>> round(found.concentration_mg_per_m3, 4), round(found.share_of_limit, 3), found.governs
    (0.159, 0.318, 'exposure')
    """
    room, fluid = problem.room, problem.fluid
    if room is None:
        return None
    notes: list[str] = []
    with noting(notes):
        emission = float(exposure.airborne(verdict.dose.sum() * 60, known(fluid.density).number, room.airborne))
        level = float(exposure.steady_concentration(emission, room.airflow.number, room.mixing))
        limit = room.limit.at(problem.sizes) if room.limit else None
        thin = None if limit is None else float(exposure.air_for(emission, limit, room.mixing))
        share = burning = None
        if fluid.lower_flammable_limit and fluid.molar_mass:
            vapour = fluid.molar_mass.number, fluid.lower_flammable_limit
            share = float(exposure.flammable_share(level, *vapour))
            burning = float(exposure.air_below_flammable(emission, *vapour, mixing=room.mixing))
    both = {name: air for name, air in (("exposure", thin), ("flammable limit", burning)) if air is not None}
    governs = max(both, key=both.__getitem__) if both else None
    return RoomAir(emission, level, limit, None if limit is None else level / limit, thin, share, burning,
                   both[governs] if governs else None, governs,
                   tuple(one for one in exposure.LIMITS if one.vapour == (fluid.kind == "vanishing")),
                   (*_warnings(room, fluid, level, limit, share), *notes))  # fmt: skip


def _warnings(room: Room, fluid: Fluid, level: float, limit: float | None, share: float | None) -> list[str]:
    found = []
    if room.airborne < 1:
        found.append(f"the airborne share of {100 * room.airborne:.3g} % is a guess until it is measured")
    if limit is not None and level > limit:
        found.append(f"the room's mean of {level:.3g} mg/m^3 is above the limit of {limit:.3g} mg/m^3: extract at the "
                     "machine, or bring more fresh air; local rules decide")  # fmt: skip
    if share is not None and share > exposure.FLAMMABLE_SHARE:
        found.append(f"vapour at {100 * share:.3g} % of its lower flammable limit, above the 25 % of NFPA 30 (1990)")
    if fluid.kind == "vanishing" and room.airborne < 1:
        found.append("a fluid that vanishes ends in the air whole: an airborne share below 100 % needs a reason")
    if fluid.kind == "vanishing" and fluid.lower_flammable_limit is None:
        found.append("no lower flammable limit is given: whether the vapour can burn is not computed")
    return found


def fluid_warnings(problem: Problem) -> list[str]:
    """Flash point and viscosity against the kind of fluid.

    >>> from stackopt.problem.model import Fluid
    >>> from stackopt.stack import _example
    >>> thin = Fluid(kind="neat oil", flash_point="120 degC")
    >>> fluid_warnings(_example().model_copy(update={"fluid": thin}))[0][:43]
    'flash point 120 degC: lubricants for such d'
    """
    fluid, found = problem.fluid, []
    flash = fluid.flash_point.number if fluid.flash_point else None
    if fluid.kind == "neat oil" and flash is not None and flash < FLASH:
        found.append(f"flash point {fluid.flash_point}: lubricants for such doses are asked to have {FLASH:.0f} degC "
                     "or more (DGUV Information 213-723)")  # fmt: skip
    if flash is not None and flash <= FLAMMABLE:
        found.append(f"flash point {fluid.flash_point}: a flammable liquid (60 degC or less): ask the safety officer")
    if fluid.kind == "vanishing" and flash is None:
        found.append("a fluid that vanishes without a flash point in the file: look it up before use")
    if fluid.kind == "neat oil" and fluid.viscosity and fluid.viscosity_at:
        for viscosity, at in zip(fluid.viscosity, fluid.viscosity_at, strict=True):
            if abs(at.number - 40) <= 0.5 and viscosity.number <= THIN:
                found.append(f"viscosity {viscosity} at {at}: lubricants for such doses are asked to have more than "
                             f"{THIN:.0f} mm^2/s at 40 degC (DGUV Information 213-723)")  # fmt: skip
    return found
