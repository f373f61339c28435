"""What the report draws of a shot with a finding: its resistance on the usual band, and where its curve is odd."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from catchpot_faults import whole
from catchpot_faults.curves import GRID

if TYPE_CHECKING:
    from catchpot_faults.curves import Shots
    from catchpot_faults.judge import Judged

Floats = NDArray[np.float64]


def drawn(shots: Shots, judged: Judged, i: int) -> dict[str, object]:
    """One row of `odd_curve`. The band is put at this shot's viscosity, so that both are resistances of the day."""
    usual = judged.usuals[i]
    share_l = usual.share_l if np.isfinite(usual.share_l) else float(shots.number["curve_volume_l"][i])
    own = shots.on_share(shots.resistance, share_l, np.array([i], dtype=np.intp))[0]
    to_bar = float(shots.viscosity[i]) / 1e3
    row: dict[str, object] = {
        "shot": shots.shot[i],
        "mould": shots.mould,
        "usual_arrival_l": share_l,
        "resistance_bar_min_l": listed(own * to_bar),
        "usual_bar_min_l": listed(usual.resistance * to_bar),
        "usual_low_bar_min_l": listed(usual.low * to_bar),
        "usual_high_bar_min_l": listed(usual.high * to_bar),
    }
    odd = judged.odd.get(i)
    cell = np.clip(np.searchsorted(whole.EDGES, GRID, side="right") - 1, 0, whole.CELLS - 1)
    inside = (whole.EDGES[0] <= GRID) & (whole.EDGES[-1] >= GRID)
    for c, name in enumerate(whole.NAMES):
        shares = np.full(len(GRID), np.nan) if odd is None else np.where(inside, 100 * odd.parts[c][cell], np.nan)
        row[f"share_{name}_pct"] = listed(shares)
    return row


def listed(values: Floats) -> list[float | None]:
    """A list with None for what is unknown."""
    return [float(v) if np.isfinite(v) else None for v in values]


__all__ = ["drawn", "listed"]
