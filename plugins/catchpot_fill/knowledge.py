"""What is known of a mould after its last shot: its curve, the place of arrival, and in words by what."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from catchpot.stats.curve_fit import GRID
from catchpot.tables import empty, shape
from catchpot_fill.history import History
from catchpot_fill.outcome import nullable_rows
from catchpot_fill.place import Place
from catchpot_fill.prepare import column
from catchpot_fill.tables import CURVE_POINTS, OWN_CURVE

Array = NDArray[np.float64]
WELL_KNOWN, ROUGHLY_KNOWN = 0.012, 0.03
"""Half-widths of the place's interval up to which it is called well, and roughly, known."""
LAST = 20
FIRST, EVERY = 3, 6
"""What is known is kept after each of the first shots, every so many, and after each of so many first witnesses."""


class Kept:
    """Rows of `own_curve` of one mould: what was known after some of its shots. Later shots never change a row."""

    def __init__(self, mould: str, frame: pl.DataFrame, viscosities: Sequence[float] = (), seen: int = 0) -> None:
        """frame: the mould's shots with `injection`, in time order.

        viscosities: the last of the shots before these; seen: witnesses told of by then.
        """
        self.mould, self.started = mould, frame["started_at"]
        own = column(frame, "bed_viscosity_pa_s")
        self.before, self.viscosity = len(viscosities), np.concatenate([np.array(viscosities, dtype=float), own])
        self.rows: list[dict[str, Any]] = []
        self.seen = seen

    def watch(self, number: int, memory: History) -> None:
        """Keep what is known now, where it is worth a row: at first, every so often, and after a witness."""
        count, seen = memory.own.count, len(memory.seen)
        if count <= FIRST or count % EVERY == 0 or (seen > self.seen and seen <= EVERY):
            viscosity = self.viscosity[: self.before + number + 1]
            lately = float(np.median(viscosity[np.isfinite(viscosity)][-LAST:]))
            self.rows.append({"mould": self.mould, "as_of": self.started[number]} | own_curve_row(memory, lately))
        self.seen = seen

    def table(self) -> pl.DataFrame:
        """All rows, the newest last."""
        if not self.rows:
            return empty(OWN_CURVE)
        columns = {name: [row[name] for row in self.rows] for name in self.rows[0]}
        return shape(OWN_CURVE, {
            name: nullable_rows(np.stack(v)) if isinstance(v[0], np.ndarray) else v for name, v in columns.items()
        })  # fmt: skip


def own_curve_row(memory: History, viscosity_pa_s: float) -> dict[str, Any]:
    """A row of `own_curve` but for its key: what is known now, resistances at that viscosity."""
    assert memory.place is not None
    curve, scatter, first, last = memory.own.curve()
    unit = memory.usual * memory.reference_l
    at = np.linspace((first + 0.5), (last + 0.5), CURVE_POINTS)
    place = np.interp(at, np.arange(len(GRID)) + 0.5, GRID)
    # 1/m3 to bar min/l
    bar = memory.size * viscosity_pa_s / 1e5 / 6e4
    p = memory.place
    low, middle, high = (p.quantile(q) * unit for q in (0.025, 0.5, 0.975))
    by_curve = 100 * p.half_width_by_curve
    return {
        "shots": memory.own.count, "vol_l": place * unit,
        # an offset that changed with a hose may put the first cells of a curve below nought
        "resistance_bar_min_l": np.maximum(np.interp(place, GRID, curve), 0.0) * bar,
        "scatter_bar_min_l": np.interp(place, GRID, scatter) * bar,
        "viscosity_pa_s": viscosity_pa_s,
        "arrival_volume_l": middle, "arrival_volume_low_l": low, "arrival_volume_high_l": high,
        "by_curve_pct": by_curve if np.isfinite(by_curve) else None, "pots": p.pots, "eyes": p.eyes,
        "knowledge": sentence(p),
    }  # fmt: skip


def sentence(p: Place) -> str:
    """How well the place is known, by what, and the one measurement that would help most.

    >>> one = np.ones(1)
    >>> sentence(Place(one, one, one, 0, 2))
    'Where resin arrives is known to 0.0 % either way, from the curve and 2 weighed catch pots.'
    """
    by = ["the curve"]
    if p.pots:
        by.append(f"{p.pots} weighed catch pot{'s' if p.pots > 1 else ''}")
    if p.eyes:
        by.append(f"{p.eyes} look{'s' if p.eyes > 1 else ''} at the vent")
    carried = by[0] + " alone" if len(by) == 1 else " and ".join(", ".join(by).rsplit(", ", 1))
    said = f"Where resin arrives is known to {100 * p.half_width:.1f} % either way, from {carried}."
    if p.half_width <= WELL_KNOWN:
        return said
    if not p.eyes:
        return said + " One look at the vent would help most: note the seconds from the start of injection to resin."
    if not p.pots:
        return said + " One weighed catch pot would help most."
    return said + " More weighed catch pots and looks at the vent would help."
