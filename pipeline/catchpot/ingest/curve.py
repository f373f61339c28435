"""The compact curve: equal-volume bins over the injection, on the shot's own volume."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from catchpot.core_tables import CURVE, CURVE_BINS, CURVE_CHANNELS
from catchpot.ingest.segments import Samples
from catchpot.tables import polars_schema

if TYPE_CHECKING:
    from numpy.typing import NDArray


def curves(samples: Samples, first: NDArray[np.int64], last: NDArray[np.int64], on: NDArray[np.bool_]) -> pl.DataFrame:
    """Rows of the curve table for the shots that were injected.

    first, last: rows of the injection of each shot, first < 0 without one. on: rows where resin flowed; pauses are
    left out of the bins, so that a bin's flow and pressure belong together.
    """
    shots = np.flatnonzero(first >= 0)
    volume = samples.columns["vol_l"]
    begin, injected = volume[first], volume[last] - volume[first]
    shots = shots[injected[shots] > 0]
    place = np.full(len(samples.shots), -1)
    place[shots] = np.arange(len(shots))
    rows = np.arange(len(volume))
    of = samples.shot_of
    inside = on & (rows >= first[of]) & (rows <= last[of]) & (place[of] >= 0)
    rows, of = rows[inside], of[inside]
    share = (volume[rows] - begin[of]) / injected[of]
    bins = np.clip((share * CURVE_BINS).astype(np.int64), 0, CURVE_BINS - 1)
    cell = place[of] * CURVE_BINS + bins
    size = len(shots) * CURVE_BINS
    n = np.bincount(cell, minlength=size).astype(np.float64)

    def mean(values: NDArray[np.float64]) -> pl.Series:
        known = ~np.isnan(values)
        count = n if known.all() else np.bincount(cell[known], minlength=size)
        total = np.bincount(cell[known], weights=values[known], minlength=size)
        with np.errstate(invalid="ignore", divide="ignore"):
            flat = pl.Series(np.where(count > 0, total / count, np.nan)).fill_nan(None)
        return flat.reshape((len(shots), CURVE_BINS)) if len(shots) else flat

    columns: dict[str, object] = {
        "shot": [samples.shots[s] for s in shots],
        "injected_volume_l": injected[shots],
        "n": pl.Series(n).reshape((len(shots), CURVE_BINS)) if len(shots) else [],
        "vol_l": mean(volume[rows]),
        "t_s": mean(samples.columns["t_s"][rows]),
    }
    for name in CURVE_CHANNELS:
        values = samples.columns.get(name)
        columns[name] = mean(values[rows]) if values is not None else None
    schema = polars_schema(CURVE)
    if not len(shots):
        return pl.DataFrame(schema=schema)
    return pl.DataFrame({k: v for k, v in columns.items() if v is not None}).select(
        (pl.col(k).cast(d) if columns[k] is not None else pl.lit(None, dtype=d)).alias(k) for k, d in schema.items()
    )
