"""The window of air in which a nozzle neither sputters (too little air) nor fogs (too much)."""

import numpy as np

from stackopt.arrays import Array, Values
from stackopt.physics.dosing import SLACK


def window(dose: Values, ratio_min: Values, ratio_max: Values, flow_min: Values,
           flow_max: Values) -> tuple[Array, Array]:  # fmt: skip
    """Least and most air at a dose [L/min ANR]: L = max(flow_min, ratio_min d), U = min(flow_max, ratio_max d).

    Args:
        dose: Delivered dose d [mL/min].
        ratio_min, ratio_max: Air per oil [L/mL]; 0 and infinity where not given.
        flow_min, flow_max: Air flow [L/min ANR]; 0 and infinity where not given.

    >>> low, high = window(0.2, 150.0, 400.0, 15.0, np.inf)
    >>> round(float(low), 9), round(float(high), 9)
    (30.0, 80.0)
    """
    return np.maximum(flow_min, ratio_min * dose), np.minimum(flow_max, ratio_max * dose)


def air_miss(flow: Values, low: Values, high: Values, reference: Values, most: Values | None = None) -> Array:
    """How far an air flow lies outside its window, as a share of the window's foot at the required dose [-].

    x = max(0, L - q, q - U) / L(D), where up to 1e-9 counts as 0. Where L > U it is the larger miss.

    Args:
        flow: Nozzle air q [L/min ANR].
        low, high: The window L(d), U(d) [L/min ANR].
        reference: L(D), above 0 [L/min ANR].
        most: If given, the flow lies anywhere from `flow` to `most`, and the miss is the least that it may be.

    >>> float(air_miss(24.0, 30.0, 80.0, 30.0)), float(air_miss(24.0, 30.0, 80.0, 30.0, most=27.0))
    (0.2, 0.1)
    """
    miss = np.maximum(low - (flow if most is None else most), flow - high) / reference
    return np.where(miss > SLACK, miss, 0.0)
