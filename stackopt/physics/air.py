"""How much air passes holes, valves, tubes and chains of them, by ISO 6358.

Flows are in L/min ANR, pressures in bar absolute, conductances C in L/(s bar). An element passes its choked flow while
the ratio of the pressure after it to that before it stays below its critical ratio b, and less above.
"""

import warnings

import numpy as np
from numpy.typing import ArrayLike

from stackopt.arrays import Array, Values
from stackopt.errors import OutOfRange, library
from stackopt.physics.atmospheres import ANR_DENSITY, ANR_TEMPERATURE, ATMOSPHERE, GAS_CONSTANT, kelvin

IDEAL_RATIO = 0.528282  # critical ratio of an ideal nozzle, (2/2.4)^3.5
IDEAL_FLOW = 0.0404149  # mass flow of an ideal nozzle in air: m = 0.0404149 S p/sqrt(T), in SI units
SHARP_ENTRY = 0.5  # velocity heads lost at the sharp mouth of a tube
_ROUNDING = 1e-9  # what is over a limit by less than this share is no fault
_WHOLE = 1e-14  # nearer to the choked flow than this share is choked


def _parts(conductance: ArrayLike, critical_ratio: ArrayLike, *pressures: ArrayLike) -> list[Array]:
    """All as arrays of floats; ValueError where one is impossible."""
    parts = [np.asarray(x, dtype=float) for x in (conductance, critical_ratio, *pressures)]
    if not np.all(parts[0] >= 0):
        raise ValueError("a conductance of 0 L/(s bar) or more")
    if not np.all((parts[1] >= 0) & (parts[1] < 1)):
        raise ValueError("a critical ratio from 0 to below 1")
    if not all(np.all(pressure >= 0) for pressure in parts[2:]):
        raise ValueError("pressures of 0 bar absolute or more")
    return parts


def _unit_flow(temperature: Values) -> Array:
    """Choked flow of C = 1 at 1 bar [L/min ANR]."""
    return 60.0 * np.sqrt(kelvin(ANR_TEMPERATURE) / kelvin(temperature))


def _index(index: Values) -> Values:
    if not np.all((np.asarray(index) > 0) & (np.asarray(index) <= 1)):
        raise ValueError("an index above 0, at most 1")
    return index


def _choked_share(share: Array) -> Array:
    """The share x = q/q_choked, checked, and exactly 1 where only rounding tells it from that."""
    if not np.all((share >= 0) & (share <= 1 + _ROUNDING)):
        raise ValueError("a flow from 0 to the choked flow")
    return np.where(share > 1 - _WHOLE, 1.0, share)


def flow(conductance: Values, critical_ratio: Values, upstream: Values, downstream: Values, temperature: Values = 20.0,
         index: Values = 0.5) -> Array:  # fmt: skip
    """Air through one element [L/min ANR].

    Choked (p2/p1 <= b): q = 60 C p1 sqrt(T0/T1). Above: times [1 - ((p2/p1 - b)/(1 - b))^2]^m; 0 where p2 >= p1.
    Range: compressed air as an ideal gas, some 0 to 60 degC, up to 10 bar or so; C and b as measured on the element.
    Source: ISO 6358-1:2013 (through secondary texts), T0 = 293.15 K.

    Args:
        conductance: Sonic conductance C [L/(s bar)].
        critical_ratio: b [-], 0 to below 1.
        upstream, downstream: p1 (above 0) and p2 [bar absolute].
        temperature: Of the air before the element, T1 [degC].
        index: Subsonic index m [-], above 0 and at most 1; 0.5 where it was not measured.

    Raises:
        ValueError: Where something is negative or outside what is stated above.

    >>> [round(float(q), 1) for q in flow(2.0, 0.3, 7.013, np.array([1.013, 5.013, 7.013]))]
    [841.6, 677.9, 0.0]
    """
    conductance, critical_ratio, upstream, downstream = _parts(conductance, critical_ratio, upstream, downstream)
    if not np.all(upstream > 0):
        raise ValueError("an upstream pressure above 0 bar absolute")
    return passed(conductance, critical_ratio, upstream, downstream, _unit_flow(temperature), _index(index))


def passed(conductance: Values, critical_ratio: Values, upstream: Values, downstream: Values, unit: Values = 60.0,
           index: Values = 0.5) -> Array:  # fmt: skip
    """`flow` without its checks, at 20 degC, for those who solve with it: a tenth of the time [L/min ANR].

    Formula, range and source as there; `unit` is what C = 1 passes at 1 bar, choked [L/min ANR].

    >>> round(float(passed(2.0, 0.3, 7.013, 1.013)), 1)
    841.6
    """
    # (1 - u)(1 + u) instead of 1 - u^2, and the difference of pressures first: exact for small drops too.
    rest = np.minimum(np.maximum((upstream - downstream) / (upstream * (1 - critical_ratio)), 0.0), 1.0)
    flows: Array = conductance * upstream * unit * (rest * (2 - rest)) ** index
    return flows


def downstream_pressure(conductance: Values, critical_ratio: Values, upstream: Values, flow: Values,
                        temperature: Values = 20.0, index: Values = 0.5) -> Array:  # fmt: skip
    """The pressure after an element that passes a flow, the inverse of `flow` [bar absolute].

    p2 = p1 [b + (1 - b) sqrt(1 - x^(1/m))], x = q/q_choked; at the choked flow b p1, the highest of those possible.
    Range and source as `flow`.

    Args:
        conductance: C, above 0 [L/(s bar)].
        critical_ratio: b [-].
        upstream: p1, above 0 [bar absolute].
        flow: q [L/min ANR].
        temperature: T1 [degC].
        index: m [-].

    Raises:
        ValueError: Where the flow is negative or above the choked one, or an input is impossible.

    >>> round(float(downstream_pressure(3.0, 0.35, 7.013, 600.0)), 2)
    6.47
    """
    conductance, critical_ratio, upstream = _parts(conductance, critical_ratio, upstream)
    if not (np.all(conductance > 0) and np.all(upstream > 0)):
        raise ValueError("a conductance and an upstream pressure above 0")
    share = _choked_share(flow / (conductance * upstream * _unit_flow(temperature)))
    return upstream * (critical_ratio + (1 - critical_ratio) * np.sqrt(1 - share ** (1 / _index(index))))


def upstream_pressure(conductance: Values, critical_ratio: Values, downstream: Values, flow: Values,
                      temperature: Values = 20.0) -> Array:  # fmt: skip
    """The least pressure before an element at which it passes a flow (m = 0.5) [bar absolute].

    p1 = p + (1 - b) s^2/(p + sqrt(p^2 + (1 - 2b) s^2)), with s = q/(60 C sqrt(T0/T1)) and p = max(p2, b s).
    Where choked that is s. Range and source as `flow`, solved for p1.

    Args:
        conductance: C, above 0 [L/(s bar)].
        critical_ratio: b [-].
        downstream: p2 [bar absolute].
        flow: q, 0 or more [L/min ANR].
        temperature: T1 [degC].

    Raises:
        ValueError: Where the flow is negative, or an input is impossible.

    >>> round(float(upstream_pressure(3.0, 0.35, 6.4652, 600.0)), 3)
    7.013
    """
    conductance, critical_ratio, downstream, flow = _parts(conductance, critical_ratio, downstream, flow)
    if not np.all(conductance > 0):
        raise ValueError("a conductance above 0 L/(s bar)")
    flow, conductance, critical_ratio, downstream = np.broadcast_arrays(
        flow / _unit_flow(temperature), conductance, critical_ratio, downstream
    )
    drops = np.zeros(flow.shape)
    moves = flow > 0
    drops[moves], _ = _drop(flow[moves], conductance[moves], critical_ratio[moves], downstream[moves], 0.0, 0.0)
    return (downstream + drops)[()]


def from_two_flows(choked_flow: Values, subsonic_flow: Values, upstream: Values, downstream: Values,
                   choked_upstream: Values | None = None, temperature: Values = 20.0,
                   index: Values = 0.5) -> tuple[Array, Array]:  # fmt: skip
    """Conductance and critical ratio from two measured flows, one choked and one not: C [L/(s bar)], b [-].

    C = q_choked/(60 p sqrt(T0/T1)); with x = q/q_choked at p1 and w = sqrt(1 - x^(1/m)), b = (p2/p1 - w)/(1 - w).
    Range: the first flow must indeed be choked, that is its p2/p1 below the b found. Source: ISO 6358-1:2013 (through
    secondary texts), solved for b.

    Args:
        choked_flow: Flow into a much lower pressure, as the open air [L/min ANR].
        subsonic_flow: Flow at a small drop of pressure [L/min ANR].
        upstream, downstream: Pressures p1 and p2 of the second [bar absolute].
        choked_upstream: Pressure p before the element in the first, if not p1 [bar absolute].
        temperature: T1 of both [degC].
        index: m [-].

    Raises:
        ValueError: Where no b from 0 to below 1 gives these flows, or an input is impossible.

    >>> [round(float(x), 3) for x in from_two_flows(600.0, 360.0, 7.013, 6.013)]
    [1.426, 0.287]
    """
    choked_upstream = upstream if choked_upstream is None else choked_upstream
    choked_flow, _, choked_upstream, subsonic_flow, upstream, downstream = _parts(
        choked_flow, 0.0, choked_upstream, subsonic_flow, upstream, downstream
    )
    if not (np.all(choked_flow > 0) and np.all(choked_upstream > 0) and np.all(upstream > 0)):
        raise ValueError("a choked flow and upstream pressures above 0")
    conductance = choked_flow / (choked_upstream * _unit_flow(temperature))
    share = subsonic_flow / (conductance * upstream * _unit_flow(temperature))
    if not np.all((share > 0) & (share < 1)):
        raise ValueError("a second flow between 0 and the choked one at its pressure")
    fall = np.sqrt(1 - share ** (1 / _index(index)))
    ratio = (downstream / upstream - fall) / (1 - fall)
    if not np.all((ratio >= -_ROUNDING) & (ratio < 1)):
        raise ValueError("two flows of one element: no critical ratio from 0 to below 1 gives these")
    return conductance, np.maximum(ratio, 0.0)


def scaled(measured: Values, critical_ratio: Values, measured_at: Values, at: Values,
           outlet: Values = ATMOSPHERE) -> Array:  # fmt: skip
    """A flow measured at one upstream pressure, at another [L/min ANR]; choked, it goes by absolute pressure.

    q' = q flow(C, b, at, outlet)/flow(C, b, measured_at, outlet), in which C falls out. Range and source as `flow`.

    Args:
        measured: Flow q [L/min ANR].
        critical_ratio: b [-].
        measured_at, at: Pressures before the element, then and now [bar absolute].
        outlet: Pressure after it, both times [bar absolute].

    Raises:
        ValueError: Where `measured_at` is not above the outlet, or an input is impossible.

    >>> round(float(scaled(60.0, 0.3, 7.0, 5.0)), 6)
    42.857143
    """
    then = flow(1.0, critical_ratio, measured_at, outlet)
    if not np.all(then > 0):
        raise ValueError("a flow measured at a pressure above that of the outlet")
    return measured * flow(1.0, critical_ratio, at, outlet) / then


def orifice_conductance(bore: Values, discharge: Values) -> Array:
    """Conductance of a round hole, C = Cd S 0.0404149/(rho0 sqrt(T0)) = 0.19919 Cd S [L/(s bar)], S in mm2.

    Its critical ratio is `IDEAL_RATIO`. The discharge coefficient is the caller's: sharp-edged hole 0.56 to 0.79, short
    tube 0.81 to 0.84 (0.92 to 0.93 with a rounded inner end), rounded mouth 0.97 to 0.99 (Weisbach, in Britannica,
    11th ed., Hydraulics). Handbook tables of holes hold for 1 and give 0.65 for sharp and 0.97 for rounded edges.
    Range: Cd 0.56 to 1; warns below. Source: ideal nozzle, gamma = 1.4, R = 287.05 J/(kg K), rho0 = 1.185 kg/m3.

    Args:
        bore: Diameter of the hole [mm].
        discharge: Discharge coefficient Cd [-], above 0 and at most 1.

    Raises:
        ValueError: Where the bore is negative or the coefficient not above 0 and at most 1.

    >>> round(float(orifice_conductance(25.4 / 8, 1.0)), 4)
    1.5771
    """
    bore, discharge = np.asarray(bore, dtype=float), np.asarray(discharge, dtype=float)
    if not np.all(bore >= 0):
        raise ValueError("a bore of 0 mm or more")
    if not np.all((discharge > 0) & (discharge <= 1)):
        raise ValueError("a discharge coefficient above 0, at most 1")
    if np.any(discharge < 0.56):
        warnings.warn("orifice: a discharge coefficient below 0.56, the least published", OutOfRange, stacklevel=2)
    return discharge * _area(bore) * IDEAL_FLOW / (ANR_DENSITY * np.sqrt(kelvin(ANR_TEMPERATURE)))


def _area(bore: Values) -> Array:
    """In m2 1e8, which makes m3/(s Pa) L/(s bar)."""
    return np.pi / 4 * np.asarray(bore, dtype=float) ** 2 * 100


def _friction(length: Values, bore: Values, friction: Values) -> Array:
    """Friction of a tube in velocity heads, f L/d."""
    length, bore, friction = (np.asarray(x, dtype=float) for x in (length, bore, friction))
    if not (np.all(length > 0) and np.all(bore > 0) and np.all(friction > 0)):
        raise ValueError("a length, a bore and a friction factor above 0")
    return friction * length / (bore / 1000)


def _speed() -> Array:
    """Isothermal speed of sound at ANR, sqrt(R T0) [m/s]."""
    return np.sqrt(GAS_CONSTANT * kelvin(ANR_TEMPERATURE))


def long_tube_conductance(length: Values, bore: Values, friction: Values = 0.02) -> Array:
    """Conductance of a tube for a critical ratio of 0, by friction alone [L/(s bar)].

    C = S/(rho0 sqrt(R T0 f L/d)), so that q^2 = (60 C)^2 (p1^2 - p2^2) T0/T1.
    Range: isothermal flow that stays far from choking: f L/d above 10 and p2/p1 above 0.5 or so (else it is too high:
    `tube_conductance`). Source: isothermal flow with friction, as in a pneumatics study wiki.

    Args:
        length: L, above 0 [m].
        bore: d, above 0 [mm].
        friction: Darcy factor f [-]; 0.02 is that of smooth tubes at Reynolds numbers near 90,000 (`friction_factor`).

    Raises:
        ValueError: Where one is not above 0.

    >>> round(float(long_tube_conductance(1.0, 4.0)), 3)
    1.635
    """
    return _area(bore) / (ANR_DENSITY * _speed() * np.sqrt(_friction(length, bore, friction)))


def tube_conductance(length: Values, bore: Values, friction: Values = 0.02,
                     entry: Values = SHARP_ENTRY) -> tuple[Array, Array]:  # fmt: skip
    """Conductance and critical ratio of a tube with its mouth: C [L/(s bar)], b [-].

    The tube chokes where (p1/p2)^2 = y, y - ln y = 1 + f L/d + K; then b = 1/sqrt(y), C = S b/(rho0 sqrt(R T0)).
    Range: isothermal flow of one friction factor, f L/d + K from 2 (warns below). Between choked and still, `flow`
    with C and b is within 2.5 % of the full isothermal formula, but up to 4 % low at 4 and 8.5 % at 2.
    The fixed f = 0.02 is that of a smooth 4 mm tube at 250 L/min ANR (Reynolds number near 90,000); at 60 L/min it is
    0.026 and the flow of a long tube 13 % lower. `friction_factor` gives it for a flow.
    Source: isothermal flow with friction and acceleration; with f = 0.02 and K = 0.5 it is within 5 % of the tube table
    of a pneumatics study wiki.

    Args:
        length: L, above 0 [m].
        bore: d, above 0 [mm].
        friction: Darcy factor f, above 0 [-].
        entry: Velocity heads K lost at the mouth and at fittings, 0 or more [-]; 0.5 for a sharp mouth.

    Raises:
        ValueError: Where one is not as said.

    >>> [round(float(x), 3) for x in tube_conductance(3.0, 4.0)]
    [0.829, 0.227]
    """
    if not np.all(np.asarray(entry) >= 0):
        raise ValueError("an entry loss of 0 or more")
    heads = _friction(length, bore, friction) + entry
    if np.any(heads < 2):
        warnings.warn("tube: so short that its critical ratio says too little", OutOfRange, stacklevel=2)
    goal = 1 + heads
    square = 2 * goal
    # Newton's method from above on a convex function: it never crosses the root.
    for _ in range(60):
        step = (square - np.log(square) - goal) / (1 - 1 / square)
        square = square - step
        if np.all(np.abs(step) <= 1e-15 * square):
            break
    ratio = 1 / np.sqrt(square)
    return _area(bore) * ratio / (ANR_DENSITY * _speed()), ratio


def friction_factor(flow: Values, bore: Values, roughness: Values = 0.0015, temperature: Values = 20.0) -> Array:
    """Darcy friction factor f of a tube at a flow [-].

    Re = 4 rho0 q/(pi d mu), the same all along the tube. Up to 2300 f = 64/Re; above,
    1/sqrt(f) = -2 log10(e/(3.7 d) + 2.51/(Re sqrt(f))), solved exactly. mu = 1.458e-6 T^1.5/(T + 110.4) Pa s.
    Range: round tubes; warns from Re 2300 to 4000, where flow may be either.
    Source: Colebrook 1939, J. Inst. Civil Engineers 11, 133-156; viscosity of the US Standard Atmosphere 1976 (both
    from memory).

    Args:
        flow: q, above 0 [L/min ANR].
        bore: d, above 0 [mm].
        roughness: e, 0 or more [mm]; drawn and plastic tubes 0.0015, steel pipe 0.046.
        temperature: Of the air [degC].

    Raises:
        ValueError: Where one is not as said.

    >>> round(float(friction_factor(100.0, 4.0)), 4)
    0.0238
    """
    flow, bore, roughness = (np.asarray(x, dtype=float) for x in (flow, bore, roughness))
    if not (np.all(flow > 0) and np.all(bore > 0) and np.all(roughness >= 0)):
        raise ValueError("a flow and a bore above 0 and a roughness of 0 or more")
    kelvins = kelvin(temperature)
    viscosity = 1.458e-6 * kelvins**1.5 / (kelvins + 110.4)
    reynolds = 4 * ANR_DENSITY * (flow / 60000) / (np.pi * (bore / 1000) * viscosity)
    if np.any((reynolds > 2300) & (reynolds < 4000)):
        warnings.warn("tube friction: flow between laminar and turbulent", OutOfRange, stacklevel=2)
    rough, smooth, scale = roughness / (3.7 * bore), 2.51 / reynolds, 2 / np.log(10)
    with library("Wright's function"):
        from scipy.special import wrightomega  # slow to load, and few need it
    # x = 1/sqrt(f) of x = -scale ln(rough + smooth x), by Wright's function, w + ln w = z.
    shift = rough / (scale * smooth)
    root = scale * (wrightomega(shift - np.log(scale * smooth)) - shift)
    return np.where(reynolds <= 2300, 64 / reynolds, root**-2)


def _drop(flow: Values, conductance: Values, critical_ratio: Values, downstream: Values, behind: Values,
          slope: Values) -> tuple[Array, Array]:  # fmt: skip
    """Drop of pressure from before an element to the outlet and its slope over the flow, from those behind the element.

    Flow in L/s at T0. See `upstream_pressure`; drops instead of pressures, lest small ones be lost in rounding.
    """
    need = flow / conductance
    after = downstream + behind
    held = np.maximum(after, critical_ratio * need)
    root = np.sqrt(held * held + (1 - 2 * critical_ratio) * need * need)
    own = (1 - critical_ratio) * need * need / (held + root)
    below = held - critical_ratio / (1 - critical_ratio) * own
    slope = ((1 - critical_ratio) * need / conductance + below * slope) / root
    return held - after + own + behind, slope


def chain_flow(conductances: ArrayLike, critical_ratios: ArrayLike, upstream: Values, downstream: Values,
               temperature: Values = 20.0) -> Array:  # fmt: skip
    """Air through elements in series, exactly [L/min ANR].

    The q at which the pressures before the elements, found one by one from the outlet by `upstream_pressure`, end at
    p1; relative error about 1e-14. 0 where an element is closed (C = 0) or p2 >= p1.
    The usual rule 1/C^2 = sum 1/Ci^2 is up to 7 % low and knows nothing of the order, which matters: with b = 0.3,
    C = 2 before C = 1 is worth 0.921, C = 1 before C = 2 is worth 0.965, and the rule says 0.894 of both.
    Range: as `flow`, m = 0.5, the air back at its temperature before every element. Source: ISO 6358-1:2013 (through
    secondary texts), element by element.

    Args:
        conductances: C of the elements along the last axis, as the air meets them [L/(s bar)].
        critical_ratios: b likewise [-].
        upstream, downstream: p1 (above 0) before and p2 after the chain [bar absolute], of the shape of the other axes.
        temperature: T1 [degC], likewise.

    Raises:
        ValueError: Where an input is impossible, or there are no elements.

    >>> round(float(chain_flow([1.0, 1.0], 0.0, 7.0, 1.0)), 4)  # 60 sqrt(24)
    293.9388
    """
    conductances, critical_ratios, upstream, downstream = _chain(conductances, critical_ratios, upstream, downstream)
    singles = flow(conductances, critical_ratios, upstream[..., None], downstream[..., None])
    most = singles.min(axis=-1) / 60  # each would pass more between p1 and p2 alone
    live = most > 0
    c, b = np.moveaxis(conductances[live], -1, 0), np.moveaxis(critical_ratios[live], -1, 0)
    p, given, q = downstream[live], (upstream - downstream)[live], most[live]
    # The drop is convex in the flow: from above, Newton's method never crosses the root.
    for _ in range(100):
        drop, slope = np.zeros(q.shape), np.zeros(q.shape)
        for element in reversed(range(len(c))):
            drop, slope = _drop(q, c[element], b[element], p, drop, slope)
        step = (drop - given) / slope
        q = q - step
        if np.all(np.abs(step) <= _WHOLE * q):
            break
    passed = np.zeros(live.shape)
    passed[live] = q
    return passed * _unit_flow(temperature)


def _chain(conductances: ArrayLike, critical_ratios: ArrayLike, upstream: Values,
           downstream: Values) -> tuple[Array, Array, Array, Array]:  # fmt: skip
    """Elements [..., k] and pressures [...], checked and of one shape."""
    conductances, critical_ratios, upstream, downstream = _parts(conductances, critical_ratios, upstream, downstream)
    conductances, critical_ratios = np.broadcast_arrays(conductances, critical_ratios)
    if conductances.ndim == 0 or conductances.shape[-1] == 0:
        raise ValueError("elements along the last axis, at least one")
    shape = np.broadcast_shapes(conductances.shape[:-1], upstream.shape, downstream.shape)
    full = (*shape, conductances.shape[-1])
    return (
        np.broadcast_to(conductances, full), np.broadcast_to(critical_ratios, full),
        np.broadcast_to(upstream, shape), np.broadcast_to(downstream, shape),
    )  # fmt: skip


def chain_pressures(conductances: ArrayLike, critical_ratios: ArrayLike, upstream: Values, downstream: Values,
                    temperature: Values = 20.0) -> Array:  # fmt: skip
    """The pressure after each element of a chain, along the last axis; the last is p2 [bar absolute].

    By `upstream_pressure` at the flow of `chain_flow`, from the outlet on. Where nothing flows it is p1 before the
    first closed element and p2 behind it (all p2, where that is p1 or more).
    Args, range, source and errors as `chain_flow`.

    >>> [round(float(p), 6) for p in chain_pressures([1.0, 1.0], 0.0, 7.0, 1.0)]
    [5.0, 1.0]
    """
    passed = chain_flow(conductances, critical_ratios, upstream, downstream, temperature)
    conductances, critical_ratios, upstream, downstream = _chain(conductances, critical_ratios, upstream, downstream)
    # Broadcast: the temperature may have a shape of its own.
    downstream = np.broadcast_to(downstream, np.shape(passed))
    after = [downstream]
    for element in reversed(range(1, conductances.shape[-1])):
        c = conductances[..., element]
        p = upstream_pressure(np.where(c > 0, c, 1.0), critical_ratios[..., element], after[0], passed, temperature)
        closed = (conductances[..., :element] == 0).any(axis=-1) | (downstream >= upstream)
        after.insert(0, np.where((c == 0) & ~closed, upstream, p))
    return np.stack(after, axis=-1)


def chain_equivalent(conductances: ArrayLike, critical_ratios: ArrayLike) -> tuple[Array, Array]:
    """Conductance and critical ratio of a whole chain, exactly: C [L/(s bar)], b [-]; the same at every pressure.

    C is the flow into a vacuum over 60 p1; b is the highest p2/p1 at which the same still flows (within 1e-6), 0 for a
    closed chain. Between choked and still, `flow` with these only comes near `chain_flow`.
    Range, source and errors as `chain_flow`.

    Args:
        conductances: C of the elements along the last axis, as the air meets them [L/(s bar)].
        critical_ratios: b likewise [-].

    >>> [round(float(x), 4) for x in chain_equivalent([2.0, 1.0], 0.3)]
    [0.9213, 0.2764]
    """
    whole = chain_flow(conductances, critical_ratios, 1.0, 0.0) / 60
    conductances, critical_ratios, _, _ = _chain(conductances, critical_ratios, 1.0, 0.0)
    ratio = np.where(whole > 0, 1.0, 0.0)
    for c, b in zip(np.moveaxis(conductances, -1, 0), np.moveaxis(critical_ratios, -1, 0), strict=True):
        share = np.divide(whole, c * ratio, out=np.zeros(ratio.shape), where=c * ratio > 0)
        share = np.where(share > 1 - _WHOLE, 1.0, share)
        ratio = ratio * (b + (1 - b) * np.sqrt(1 - share * share))
    return whole, ratio[()]
