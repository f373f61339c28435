"""A mould's shots as arrays: resistance on their own volume, and what fill, book and signs say about each shot."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from catchpot.core_tables import CURVE_BINS
from catchpot.physics.shot_signs import catalyst_ratio, gap_rise
from catchpot.stats.healthy_curve import Injections
from catchpot.stats.shape import nan_median
from catchpot_faults.tables import FAULT_SIGN

if TYPE_CHECKING:
    from datetime import datetime

    import polars as pl

    from catchpot import Job

Floats = NDArray[np.float64]

CURVES = (
    "vol_l", "t_s", "cavity_pressure_mbar", "clamp_pressure_mbar", "catalyst_flow_ml_min", "flange_gap_mm",
)  # fmt: skip
FILL = (
    "arrival_relative", "arrival_place_l", "arrival_place_pct", "arrival_chance", "oddity", "clamp_margin_n",
    "ambient_pressure_mbar",
)  # fmt: skip
INJECTION = ("injected_volume_l", "bed_viscosity_pa_s", "readings")
METER_ROOM, MUST_BE_SEEN = 1.2, 0.125
"""A fifth of room beyond the tolerance for the meters' own scatter, but never so much that an eighth is not seen."""
INJECTION_ROWS = ("resistance_per_m3", "resistance_sd_per_m3", "time_s")


@dataclass(frozen=True)
class Shots:
    """One mould's injections in time order; arrays (shots,) or (shots, bins), NaN where unknown.

    text: batches and the like. number: columns of fill, injection, book (`book.KEY`) and signs by name, and what was
    weighed: catch_pot_l; not_in_part_l (injected less the part's mass). curve: columns of the compact curve.
    resistance: free of viscosity, 1/m3, its noise, and the log time at the end of each cell.
    """

    mould: str
    shot: list[str]
    started_at: list[datetime | None]
    text: dict[str, list[str | None]]
    number: dict[str, Floats]
    curve: dict[str, Floats] = field(repr=False)
    resistance: Floats = field(repr=False)
    noise: Floats = field(repr=False)
    time_s: Floats = field(repr=False)

    def __len__(self) -> int:
        return len(self.shot)

    def after(self, n: int) -> Shots:
        """Without the first n."""
        if not n:
            return self
        return Shots(
            self.mould, self.shot[n:], self.started_at[n:], {k: v[n:] for k, v in self.text.items()},
            {k: v[n:] for k, v in self.number.items()}, {k: v[n:] for k, v in self.curve.items()},
            self.resistance[n:], self.noise[n:], self.time_s[n:],
        )  # fmt: skip

    @property
    def injected_l(self) -> Floats:
        """Injected volume, metered."""
        return self.number["injected_volume_l"]

    @property
    def injections(self) -> Injections:
        """What the healthy distribution is learned from."""
        n = self.number
        usual_place = n["arrival_place_l"] / n["arrival_relative"]
        return Injections(self.resistance, self.noise, self.time_s, self.injected_l, n["readings"], usual_place)


def collect(job: Job, mould: str) -> Shots | None:
    """All injections of a mould, in time order; None where it has none. Hold checks are left out."""
    import polars as pl

    shots = job.tables["shot"].filter(pl.col("mould") == mould).sort("started_at", "shot", nulls_last=True)
    injection = job.tables["injection"].select("shot", *INJECTION, *INJECTION_ROWS)
    shots = shots.join(injection, on="shot", how="inner", maintain_order="left")
    shots = shots.filter(pl.col("injected_volume_l") > 0)
    if not shots.height:
        return None
    beside = (("curve", CURVES), ("fill", FILL), ("fault_sign", FAULT_SIGN.names[1:]))
    for name, columns in beside:
        table = job.tables[name]
        own = table.select("shot", *(c for c in columns if c in table.columns))
        shots = shots.join(own, on="shot", how="left", maintain_order="left")
    part = job.tables.get("part")
    if part is not None:
        masses = [c for c in ("overflow_kg", "part_mass_kg", "trimmed") if c in part.columns]
        weighed = part.select("shot", *masses).unique("shot", keep="last")
        shots = shots.join(weighed, on="shot", how="left", maintain_order="left")
    book = job.book.for_shots(shots.select("shot", "mould", "started_at", "resin_batch"))
    text = {c: shots[c].to_list() for c in ("fabric_batch", "resin_batch", "still_channel")}
    curve = {c: bridged(_rows(shots, c)) for c in CURVES}
    number = _numbers(shots, book)
    number["gap_rise_mm"] = gap_rise(curve["flange_gap_mm"])
    number["clamp_start_mbar"] = nan_median(curve["clamp_pressure_mbar"][:, :20])
    number |= ratio_numbers(number, curve)
    resistance, noise, time_s = (_rows(shots, c) for c in INJECTION_ROWS)
    return Shots(
        mould, shots["shot"].to_list(), shots["started_at"].to_list(), text, number, curve, resistance, noise, time_s
    )


def ratio_numbers(number: dict[str, Floats], curve: dict[str, Floats]) -> dict[str, Floats]:
    """Catalyst against the book, `ratio.NAME`; by mass it is put into volumes with the book's densities."""
    by_volume, by_mass = number["book.catalyst_ratio_pct_by_volume"], number["book.catalyst_ratio_pct_by_mass"]
    to_volume = number["book.density_kg_m3"] / number["book.catalyst_density_kg_m3"]
    setting = np.where(np.isfinite(by_volume), by_volume, by_mass * to_volume)
    tolerance = number["book.catalyst_ratio_tolerance_pct"]
    tolerance = np.where(np.isfinite(by_volume), tolerance, tolerance * to_volume)
    tolerance = np.where(np.isfinite(tolerance), tolerance, 0.1 * setting)
    room = np.minimum(METER_ROOM * tolerance, np.maximum(tolerance, MUST_BE_SEEN * setting))
    ratio = catalyst_ratio(curve["t_s"], curve["vol_l"], curve["catalyst_flow_ml_min"], setting, room)
    made = {f"ratio.{k}": np.asarray(getattr(ratio, k), dtype=float) for k in ratio.__dataclass_fields__}
    by_volume_too = np.where(np.isfinite(by_volume), np.nan, 1.0 / to_volume)
    return made | {"ratio.setting": setting, "ratio.tolerance": tolerance, "ratio.to_mass": by_volume_too}


def _numbers(shots: pl.DataFrame, book: pl.DataFrame) -> dict[str, Floats]:
    import polars as pl

    signs = [c for c in FAULT_SIGN.names if FAULT_SIGN.column(c).dtype in ("f64", "i64")]
    number = {c: _number(shots, c) for c in ("stroke_volume_ml", "programmed_volume_l", *INJECTION, *FILL, *signs)}
    number |= {f"book.{c}": _number(book, c) for c in book.columns if book.schema[c] == pl.Float64}
    density = np.where(np.isfinite(number["book.density_kg_m3"]), number["book.density_kg_m3"], 1100.0)
    number["catch_pot_l"] = 1e3 * _number(shots, "overflow_kg") / density
    number["not_in_part_l"] = number["injected_volume_l"] - 1e3 * _number(shots, "part_mass_kg") / density
    if "trimmed" in shots.columns:  # what was cut off is not known
        number["not_in_part_l"][shots["trimmed"].fill_null(False).to_numpy()] = np.nan
    return number


def _rows(frame: pl.DataFrame, name: str) -> Floats:
    import polars as pl

    if name not in frame.columns:
        return np.full((frame.height, CURVE_BINS), np.nan)
    column = frame[name].cast(pl.Array(pl.Float64(), CURVE_BINS), strict=False)
    out = np.full((frame.height, CURVE_BINS), np.nan)
    known = column.is_not_null().to_numpy()
    if known.any():
        flat = column.drop_nulls().explode(empty_as_null=True).fill_null(float("nan")).to_numpy()
        out[known] = flat.reshape(-1, CURVE_BINS)
    return out


def _number(frame: pl.DataFrame, name: str) -> Floats:
    import polars as pl

    if name not in frame.columns:
        return np.full(frame.height, np.nan)
    return frame[name].cast(pl.Float64, strict=False).fill_null(float("nan")).to_numpy().astype(np.float64)


def bridged(channel: Floats, widest: int = 10) -> Floats:
    """Fill bins without a sample between their neighbours, gaps up to `widest` bins: slow loggers leave many."""
    bins = channel.shape[1]
    known = np.isfinite(channel)
    number = np.arange(bins)
    left = np.maximum.accumulate(np.where(known, number, -1), axis=1)
    right = np.minimum.accumulate(np.where(known, number, bins)[:, ::-1], axis=1)[:, ::-1]
    inside = ~known & (left >= 0) & (right < bins) & (right - left <= widest)
    a = np.take_along_axis(channel, np.maximum(left, 0), 1)
    b = np.take_along_axis(channel, np.minimum(right, bins - 1), 1)
    part = (number - left) / np.maximum(right - left, 1)
    return np.where(inside, a + part * (b - a), channel)


__all__ = ["Shots", "bridged", "collect"]
