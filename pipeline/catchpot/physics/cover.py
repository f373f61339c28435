"""A cover that yields: what it takes up while the resin advances, and what that makes of the filling curve.

The cover strives for a volume of yield x wet share of the area x pressure and comes up to it in its own time (a spring
and a dashpot side by side, Kelvin and Voigt). Up to arrival the bed gets the metered flow less what the cover takes,
afterwards all of it: the resistance rises there by a share of itself, as it would for a later arrival.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchpot.physics.darcy import resistance_growth

Array = NDArray[np.float64]


def taken_up(wet: Array, push_pa: Array, at_s: Array, yield_s: Array) -> tuple[Array, Array]:
    """Volume in the cover over its yield, Pa, and the rate at which it grows, Pa/s; both (shots, volumes, points).

    wet: (shots, volumes, points), share of the area. push_pa, at_s: (shots, points), driving pressure and time.
    yield_s: (shots,). Nothing at the first point.

    After one time constant under a steady pressure, 63 % of the volume is there:

    >>> t = np.linspace(0.0, 5.0, 51)[None]
    >>> volume, rate = taken_up(np.ones((1, 1, 51)), np.full((1, 51), 1e5), t, np.array([5.0]))
    >>> round(float(volume[0, 0, -1])), round(float(rate[0, 0, 0]))
    (63212, 20000)
    """
    aim = np.moveaxis(wet * push_pa[:, None, :], -1, 0)
    keep = np.exp(-np.diff(at_s, axis=1, prepend=0.0) / yield_s[:, None]).T[:, :, None]
    taken = np.zeros_like(aim)
    for i in range(1, len(aim)):
        taken[i] = keep[i] * taken[i - 1] + (1.0 - keep[i]) * (0.5 * (aim[i - 1] + aim[i]))
    return np.moveaxis(taken, 0, -1), np.moveaxis(aim - taken, 0, -1) / yield_s[:, None, None]


def swallowed(share: Array, room_l: Array, resistance: Array, taper: Array, push_pa: Array, at_s: Array,
              flow_l_s: Array, yield_s: Array) -> Array:  # fmt: skip
    """Change of the bed's resistance share, seen on the metered flow, per yield in l/Pa: (shots, volumes, points).

    share: (shots, volumes, points), metered volume behind the runner over that at arrival, room_l (shots, volumes, 1).
    resistance: the resistance share there without a yield. taper: (shots,). flow_l_s: (shots, points).
    To first order: less flows into the bed; and as the cover holds less before arrival than at it, more of the bed is
    filled than it seems.
    """
    wet = np.clip(share, 0.0, 1.0)
    taken, rate = taken_up(wet, push_pa, at_s, yield_s)
    before = share < 1.0
    at_arrival = np.max(np.where(before, taken, 0.0), axis=2, keepdims=True)
    growth = np.where(before, resistance_growth(wet, taper[:, None, None]), 0.0)
    slower = resistance * rate / np.maximum(flow_l_s, 1e-9)[:, None, :]
    return np.asarray(growth * (wet * at_arrival - taken) / room_l - slower)
