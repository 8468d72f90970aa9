"""How oil moves in its tubes: viscosity by temperature, loss of pressure, and filling empty tubes."""

import warnings

import numpy as np
from numpy.typing import ArrayLike

from stackopt.arrays import Array, Values
from stackopt.errors import OutOfRange
from stackopt.physics.atmospheres import kelvin

LAMINAR = 2000.0  # Reynolds number up to which flow in a tube is surely laminar
VISCOSITIES = (2.0, 2e7)  # mm2/s, of ASTM D341 with the constant 0.7 alone
_ENTRY = 0.06  # a laminar flow is fully developed after 0.06 Re bores
_SLACK = 1e-9  # a stroke short by less than this share is not missing


def viscosity_at(temperature: Values, known_temperatures: ArrayLike, known_viscosities: ArrayLike) -> Array:
    """Kinematic viscosity at a temperature, from those at two others [mm2/s].

    log10 log10(nu + 0.7) = A - B log10 T, T in K, A and B from the two (Ubbelohde and Walther).
    Range: mineral oil and like liquids, 2 to 2e7 mm2/s, known ones as well; warns outside. Above the cloud point and
    below boiling; between and near the two rather than far off. The older constant 0.8 gives up to 1.1 % more midway
    between 40 and 100 degC. Source: ASTM D341-20, without the terms for thinner liquids (through secondary texts).

    Args:
        temperature: t [degC].
        known_temperatures: The two temperatures, not equal [degC].
        known_viscosities: The viscosities there, above 0.3; the lower where it is warmer [mm2/s].

    Raises:
        ValueError: Where the known ones are not two each, impossible or not thinner where it is warmer.

    >>> round(float(viscosity_at(60.0, (40.0, 100.0), (404.0, 28.0))), 3)
    132.126
    """
    warmth, known = np.log(kelvin(known_temperatures)), np.asarray(known_viscosities, dtype=float)
    if warmth.shape != (2,) or known.shape != (2,):
        raise ValueError("two temperatures and two viscosities")
    if not (np.all(known > 0.3) and np.all(np.isfinite(known)) and np.diff(warmth) * np.diff(known) < 0):
        raise ValueError("viscosities above 0.3 mm2/s, the lower at the higher temperature")
    low, high = np.log(np.log10(known + 0.7))
    share = (np.log(kelvin(temperature)) - warmth[0]) / (warmth[1] - warmth[0])
    with np.errstate(over="ignore"):  # infinite is what a frozen liquid comes to; the warning says so
        viscosity: Array = 10 ** np.exp(low + share * (high - low)) - 0.7
    least, most = VISCOSITIES
    if any(np.any((x < least) | (x > most)) for x in (known, viscosity)):
        warnings.warn("viscosity by temperature: outside 2 to 2e7 mm2/s", OutOfRange, stacklevel=2)
    return viscosity


def reynolds(flow: Values, bore: Values, kinematic: Values) -> Array:
    """Reynolds number of a flow in a round tube, Re = v d/nu = 4 Q/(pi d nu) [-].

    Range: any; laminar up to 2000 or so. Source: definition, as in White, Fluid Mechanics.

    Args:
        flow: Q [mL/min].
        bore: d, above 0 [mm].
        kinematic: Kinematic viscosity nu, above 0 [mm2/s].

    Raises:
        ValueError: Where the flow is negative or another not above 0.

    >>> round(float(reynolds(180.0, 2.0, 1.307)))
    1461
    """
    flow, bore, kinematic = _parts(flow, bore, kinematic)
    return 4 * (flow * 1000 / 60) / (np.pi * bore * kinematic)


def pressure_loss(viscosity: Values, length: Values, flow: Values, bore: Values, density: Values = 1.0) -> Array:
    """Pressure lost along a round tube by laminar flow [bar], dp = 8 mu L Q/(pi R^4).

    Range: Reynolds number up to 2000 and length above 0.06 Re bores, from where the flow is fully developed (from
    memory); warns outside. Bends, fittings, height and the acceleration at the mouth are left out. A piston pump
    gives its oil in pulses: use `stroke_flow` rather than the mean dose.
    Source: Hagen and Poiseuille, as in White, Fluid Mechanics, chapter 6.

    Args:
        viscosity: Dynamic viscosity mu, above 0 [mPa s], which is nu [mm2/s] times the density [g/mL].
        length: L [m].
        flow: Q [mL/min].
        bore: 2 R, above 0 [mm].
        density: For the warning only [g/mL]; 1 is above that of oils, and so rather warns early.

    Raises:
        ValueError: Where length or flow is negative or another not above 0.

    >>> round(float(pressure_loss(36.8, 3.0, 50 / 60, 2.0)), 6)
    0.039046
    """
    flow, bore, viscosity = _parts(flow, bore, viscosity)
    length, density = np.asarray(length, dtype=float), np.asarray(density, dtype=float)
    if not (np.all(length >= 0) and np.all(density > 0)):
        raise ValueError("a length of 0 or more, a density above 0")
    number = reynolds(flow, bore, viscosity / density)
    if np.any(number > LAMINAR):
        warnings.warn("pressure loss: Reynolds number above 2000, perhaps turbulent", OutOfRange, stacklevel=2)
    if np.any((length > 0) & (length < _ENTRY * number * bore / 1000)):
        warnings.warn("pressure loss: the tube is too short for fully developed flow", OutOfRange, stacklevel=2)
    # Pa from mPa s, m, mL/min and mm is 1e-3 1e-6/60 1e12; and 1e-5 bar.
    return 128 * viscosity * length * (flow / 60) / (np.pi * bore**4) * 0.01


def _parts(flow: Values, bore: Values, viscosity: Values) -> tuple[Array, Array, Array]:
    flow, bore, viscosity = (np.asarray(x, dtype=float) for x in (flow, bore, viscosity))
    if not (np.all(flow >= 0) and np.all(bore > 0) and np.all(viscosity > 0)):
        raise ValueError("a flow of 0 or more, a bore and a viscosity above 0")
    return flow, bore, viscosity


def hold_up(length: Values, bore: Values) -> Array:
    """What a full tube holds, pi/4 d^2 L [mL].

    Range: any rigid round tube. Source: geometry.

    Args:
        length: L [m].
        bore: d [mm].

    Raises:
        ValueError: Where one is negative.

    >>> round(float(hold_up(3.0, 2.0)), 4)
    9.4248
    """
    length, bore = np.asarray(length, dtype=float), np.asarray(bore, dtype=float)
    if not (np.all(length >= 0) and np.all(bore >= 0)):
        raise ValueError("a length and a bore of 0 or more")
    return np.pi / 4 * bore**2 * length


def stroke_flow(stroke: Values, stroke_time: Values) -> Array:
    """Mean flow while a piston pushes, V/t [mL/min]; the highest flow within the stroke is above it.

    Range: any; how much higher the peak is depends on the drive (pi/2 times for a crank), of which nothing is assumed.
    Source: definition.

    Args:
        stroke: Volume of a stroke V [mL].
        stroke_time: How long the piston pushes t, above 0 [s].

    Raises:
        ValueError: Where the volume is negative or the time not above 0.

    >>> float(stroke_flow(0.03, 0.2))
    9.0
    """
    stroke, stroke_time = np.asarray(stroke, dtype=float), np.asarray(stroke_time, dtype=float)
    if not (np.all(stroke >= 0) and np.all(stroke_time > 0)):
        raise ValueError("a volume of 0 or more, a time above 0")
    return stroke / stroke_time * 60


def priming(hold_up: Values, stroke: Values, rate: Values) -> tuple[Array, Array]:
    """Strokes that fill an empty tube, and how long they take: whole strokes n [-], t [min].

    n = ceil(hold-up/V), t = n/rate; a last stroke that would push less than 1e-9 of the hold-up is left out.
    Range: a pump that draws full strokes; air caught on the way takes longer. Source: counting.

    Args:
        hold_up: What the tube holds [mL].
        stroke: Volume of a stroke V, above 0 [mL].
        rate: Strokes per minute, above 0 [1/min].

    Raises:
        ValueError: Where the hold-up is negative or another not above 0.

    >>> strokes, minutes = priming(9.4248, 0.03, 60.0)
    >>> int(strokes), round(float(minutes), 2)
    (315, 5.25)
    """
    hold_up, stroke, rate = (np.asarray(x, dtype=float) for x in (hold_up, stroke, rate))
    if not (np.all(hold_up >= 0) and np.all(stroke > 0) and np.all(rate > 0)):
        raise ValueError("a hold-up of 0 or more, a stroke and a rate above 0")
    strokes = np.ceil(hold_up / stroke * (1 - _SLACK))
    return strokes, strokes / rate
