"""What the mould book alone says of a mould's filling, before it has a past."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from catchpot.physics.resin import resin_volume
from catchpot_faults.curves import GRID, Shots

Floats = NDArray[np.float64]


def book_arrival_l(shots: Shots, i: int) -> float:
    """What the book says the mould takes, runner and hose included; NaN where it says too little."""
    b = {k: float(v[i]) for k, v in shots.number.items() if k.startswith("book.")}
    part_m3 = resin_volume(
        b["book.part_area_m2"], b["book.thickness_mm"] / 1e3, b["book.fibre_areal_weight_g_m2"] / 1e3,
        b["book.fibre_density_kg_m3"], np.nan_to_num(b["book.core_volume_l"]) / 1e3,
        np.nan_to_num(b["book.core_uptake_fraction"]),
    )  # fmt: skip
    before = np.nan_to_num(b["book.runner_volume_l"]) + np.nan_to_num(b["book.feed_hose_volume_l"])
    return float(1e3 * part_m3 + before)


def book_curve(shots: Shots, i: int, share_l: float) -> Floats:
    """Shape of the resistance from the book's geometry alone, on GRID, up to a factor; NaN where it says too little."""
    from catchpot.physics import darcy

    b = {k: float(v[i]) for k, v in shots.number.items() if k.startswith("book.")}
    runner = np.nan_to_num(b["book.runner_volume_l"]) / share_l
    fill = np.clip((GRID - runner) / max(1.0 - runner, 0.1), 0.0, 1.0)
    shape = np.asarray(darcy.resistance_share(fill, b["book.taper"]), dtype=float)
    return np.where(GRID > 0.02, shape + 0.05 * float(np.nan_to_num(shape.max())), np.nan)


__all__ = ["book_arrival_l", "book_curve"]
