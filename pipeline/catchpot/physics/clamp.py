"""What holds a vacuum-held cover shut. An upper estimate: the pack's springback and local lifting are left out.

Net closing force = (ambient - clamp) x clamp area + integral over the part of (ambient - cavity pressure). Behind the
front the cavity holds Darcy's pressure profile, ahead of it the cavity vacuum.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from catchpot.physics.darcy import mean_pressure_share

Array = NDArray[np.float64]

LOST_SHARE = 0.5
"""Share of the usual margin below which something must be done before the next shot (common practice, no source)."""


def closing_force(ambient_pa: ArrayLike, clamp_pa: ArrayLike, clamp_area_m2: ArrayLike, mean_cavity_pa: ArrayLike,
                  part_area_m2: ArrayLike) -> Array:  # fmt: skip
    """Net closing force in N from absolute pressures; negative where the cover is pushed open.

    Clamp area 0.4 m2 at 10 kPa, part 2 m2 dry at 50 kPa:

    >>> round(float(closing_force(101325.0, 10e3, 0.4, 50e3, 2.0)))
    139180
    """
    ambient = np.asarray(ambient_pa, dtype=float)
    flange = (ambient - np.asarray(clamp_pa)) * np.asarray(clamp_area_m2)
    return np.asarray(flange + (ambient - np.asarray(mean_cavity_pa)) * np.asarray(part_area_m2))


def mean_cavity_pressure(inlet_pa: ArrayLike, ahead_pa: ArrayLike, fill: ArrayLike, taper: ArrayLike) -> Array:
    """Mean absolute pressure over the part in Pa: Darcy's profile behind the front, the cavity's pressure ahead of it.

    inlet_pa: absolute, where the resin enters the part (line losses taken off). fill, taper: see `physics.darcy`.
    """
    ahead = np.asarray(ahead_pa, dtype=float)
    return np.asarray(ahead + (np.asarray(inlet_pa) - ahead) * mean_pressure_share(fill, taper))


def blocked_vent_force(ambient_pa: ArrayLike, clamp_pa: ArrayLike, clamp_area_m2: ArrayLike,
                       line_limit_gauge_pa: ArrayLike, part_area_m2: ArrayLike) -> Array:  # fmt: skip
    """Net closing force in N with the line pressure limit over the whole part: vent blocked, flow nought."""
    full = np.asarray(ambient_pa, dtype=float) + np.asarray(line_limit_gauge_pa)
    return closing_force(ambient_pa, clamp_pa, clamp_area_m2, full, part_area_m2)


def lifting_pressure(ambient_pa: ArrayLike, clamp_pa: ArrayLike, clamp_area_m2: ArrayLike,
                     part_area_m2: ArrayLike) -> Array:  # fmt: skip
    """Mean absolute cavity pressure in Pa at which the net closing force is nought.

    >>> round(float(lifting_pressure(101325.0, 10e3, 0.4, 2.0)))
    119590
    """
    ambient = np.asarray(ambient_pa, dtype=float)
    return np.asarray(ambient + (ambient - np.asarray(clamp_pa)) * np.asarray(clamp_area_m2) / np.asarray(part_area_m2))
