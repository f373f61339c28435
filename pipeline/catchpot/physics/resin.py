"""Resin and fibre pack: viscosity with temperature, porosity, what a part takes, catalyst ratios. SI where unnamed."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

ZERO_CELSIUS_K = 273.15
GAS_CONSTANT_J_MOL_K = 8.314462618
THERMAL_EXPANSION_PER_K = 8e-4
"""Liquid polyester and vinyl ester resins grow by about 0.08 % a kelvin (common practice, no source)."""


def viscosity(temp_c: ArrayLike, ref_pa_s: ArrayLike, ref_temp_c: ArrayLike, activation_k: ArrayLike) -> Array:
    """Viscosity in Pa s at a temperature: mu_ref * exp(E * (1/T - 1/T_ref)), E in kelvin (Arrhenius).

    E = 40 kJ/mol is 4811 K; resin at 20 deg C is then 1.317 times as thick as at 25:

    >>> round(float(viscosity(20.0, 1.0, 25.0, 40e3 / GAS_CONSTANT_J_MOL_K)), 4)
    1.3168
    """
    t, ref = np.asarray(temp_c, dtype=float) + ZERO_CELSIUS_K, np.asarray(ref_temp_c, dtype=float) + ZERO_CELSIUS_K
    return np.asarray(np.asarray(ref_pa_s) * np.exp(np.asarray(activation_k) * (1.0 / t - 1.0 / ref)))


def porosity(areal_weight_kg_m2: ArrayLike, fibre_density_kg_m3: ArrayLike, thickness_m: ArrayLike) -> Array:
    """Share of the cavity that resin can take: 1 - areal weight / (density x thickness).

    Three layers of 450 g/m2 in 4 mm, density 2550:

    >>> round(float(porosity(1.35, 2550.0, 0.004)), 6)
    0.867647
    """
    return np.asarray(
        1.0 - np.asarray(areal_weight_kg_m2) / (np.asarray(fibre_density_kg_m3) * np.asarray(thickness_m))
    )


def resin_volume(area_m2: ArrayLike, thickness_m: ArrayLike, areal_weight_kg_m2: ArrayLike,
                 fibre_density_kg_m3: ArrayLike, core_volume_m3: ArrayLike = 0.0,
                 core_uptake: ArrayLike = 0.0) -> Array:  # fmt: skip
    """Resin in m3 that a part takes by its book; a core displaces its volume but for the share that takes resin."""
    free = np.asarray(thickness_m) - np.asarray(areal_weight_kg_m2) / np.asarray(fibre_density_kg_m3)
    return np.asarray(np.asarray(area_m2) * free - np.asarray(core_volume_m3) * (1.0 - np.asarray(core_uptake)))


def volume_ratio_from_mass(mass_pct: ArrayLike, resin_kg_m3: ArrayLike, catalyst_kg_m3: ArrayLike) -> Array:
    """Catalyst to resin in % by volume, from % by mass.

    >>> round(float(volume_ratio_from_mass(1.5, 1100.0, 1150.0)), 6)
    1.434783
    """
    return np.asarray(np.asarray(mass_pct) * np.asarray(resin_kg_m3) / np.asarray(catalyst_kg_m3))


def mass_ratio_from_volume(volume_pct: ArrayLike, resin_kg_m3: ArrayLike, catalyst_kg_m3: ArrayLike) -> Array:
    """Catalyst to resin in % by mass, from % by volume."""
    return np.asarray(np.asarray(volume_pct) * np.asarray(catalyst_kg_m3) / np.asarray(resin_kg_m3))


def expanded(volume: ArrayLike, warming_k: ArrayLike) -> Array:
    """Volume after warming, at THERMAL_EXPANSION_PER_K.

    >>> round(float(expanded(10.0, 10.0)), 3)
    10.08
    """
    return np.asarray(np.asarray(volume, dtype=float) * (1.0 + THERMAL_EXPANSION_PER_K * np.asarray(warming_k)))
