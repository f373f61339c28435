"""A mould's shots as arrays: curves on their own volume, and what fill, book and signs say about each shot."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from catchpot.core_tables import CURVE_BINS
from catchpot.physics.darcy import taper_of
from catchpot_faults.tables import FAULT_SIGN, POINTS

if TYPE_CHECKING:
    from datetime import datetime

    import polars as pl

    from catchpot import Job

Floats = NDArray[np.float64]
GRID: Floats = np.asarray(0.005 + 0.0075 * np.arange(POINTS), dtype=np.float64)
"""Points of the share of the usual arrival volume."""

LEAST_POT, LEAST_POT_BEHIND_HOSE = 0.003, 0.01
"""Share of the injected volume below which a catch pot counts as empty: then resin may not even have arrived. A hose
must have run full before its volume counts, and a drop on the scales is no proof of that."""

CURVES = (
    "n", "vol_l", "t_s", "flow_l_min", "line_pressure_bar", "cavity_pressure_mbar", "clamp_pressure_mbar",
    "catalyst_flow_ml_min", "flange_gap_mm",
)  # fmt: skip
FILL = (
    "injected_volume_l", "arrival_volume_l", "arrival_volume_low_l", "arrival_volume_high_l", "overflow_l",
    "overflow_low_l", "ambient_pressure_mbar", "clamp_margin_n", "blocked_vent_margin_n", "peak_line_pressure_bar",
)  # fmt: skip
PERMEABILITY = ("viscosity_pa_s", "line_resistance_per_m3")


@dataclass(frozen=True)
class Shots:
    """One mould's injections in time order; arrays (shots,) or (shots, bins), NaN where unknown.

    text: shot names, batches. number: columns of fill, permeability, book and signs by name. curve: columns of the
    compact curve. resistance: driving pressure over flow, mbar min/l, free of viscosity where that is known (then per
    Pa s); driving: mbar.
    """

    mould: str
    shot: list[str]
    started_at: list[datetime | None]
    text: dict[str, list[str | None]]
    number: dict[str, Floats]
    curve: dict[str, Floats]
    driving: Floats = field(repr=False)
    resistance: Floats = field(repr=False)
    viscosity: Floats = field(repr=False)

    def __len__(self) -> int:
        return len(self.shot)

    def on_share(self, channel: Floats, arrival_l: Floats | float, rows: Any = slice(None)) -> Floats:
        """A curve on GRID, the share of that arrival volume; NaN beyond the shot's own volume and in empty bins.

        channel: (shots, bins). arrival_l: one for all rows or one a row.
        """
        values, injected = channel[rows], self.number["curve_volume_l"][rows]
        wanted = np.multiply.outer(np.broadcast_to(np.asarray(arrival_l, dtype=float), injected.shape), GRID)
        with np.errstate(invalid="ignore", divide="ignore"):
            place = wanted / injected[:, None] * CURVE_BINS - 0.5
        inside = (place > -0.5) & (place < CURVE_BINS - 0.5)
        place = np.where(inside, np.clip(place, 0.0, CURVE_BINS - 1.0), 0.0)
        low = np.minimum(place.astype(np.intp), CURVE_BINS - 2)
        part = place - low
        a, b = np.take_along_axis(values, low, 1), np.take_along_axis(values, low + 1, 1)
        mixed = np.where(np.isnan(a), np.where(part > 0.5, b, a), np.where(np.isnan(b), np.where(part < 0.5, a, b), 0))
        both = np.isfinite(a) & np.isfinite(b)
        return np.where(inside, np.where(both, a + part * (b - a), mixed), np.nan)


def _array(frame: pl.DataFrame, name: str) -> Floats:
    import polars as pl

    column = frame[name].cast(pl.Array(pl.Float64(), CURVE_BINS), strict=False)
    flat = column.explode(empty_as_null=True) if column.null_count() == 0 else None
    if flat is not None:
        return flat.fill_null(float("nan")).to_numpy().reshape(frame.height, CURVE_BINS).astype(np.float64)
    out = np.full((frame.height, CURVE_BINS), np.nan)
    for i, row in enumerate(column.to_list()):
        if row is not None:
            out[i] = [np.nan if v is None else v for v in row]
    return out


def _number(frame: pl.DataFrame, name: str) -> Floats:
    import polars as pl

    if name not in frame.columns:
        return np.full(frame.height, np.nan)
    return frame[name].cast(pl.Float64, strict=False).fill_null(float("nan")).to_numpy().astype(np.float64)


def collect(job: Job, mould: str) -> Shots | None:
    """All injections of a mould with a start, in time order; None where it has none. Hold checks are left out."""
    import polars as pl

    shots = job.tables["shot"].filter(pl.col("mould") == mould)
    injections = job.tables["phase"].filter(pl.col("phase") == "inject").select("shot").unique()
    shots = shots.join(injections, on="shot", how="semi").sort("started_at", "shot", nulls_last=True)
    curve = job.tables["curve"]
    own = ["shot", "injected_volume_l", *(c for c in CURVES if c in curve.columns)]
    shots = shots.join(
        curve.select(own).rename({"injected_volume_l": "curve_volume_l"}), on="shot", how="inner", maintain_order="left"
    )
    shots = shots.filter(pl.col("curve_volume_l") > 0)
    if not shots.height:
        return None
    for name, columns in (("fill", FILL), ("permeability", PERMEABILITY), ("fault_sign", FAULT_SIGN.names[1:])):
        table = job.tables[name]
        shots = shots.join(
            table.select("shot", *(c for c in columns if c in table.columns)), on="shot", how="left",
            maintain_order="left",
        )  # fmt: skip
    part = job.tables.get("part")
    if part is not None:
        masses = [c for c in ("overflow_kg", "part_mass_kg", "trimmed") if c in part.columns]
        weighed = part.select("shot", *masses).unique("shot", keep="last")
        shots = shots.join(weighed, on="shot", how="left", maintain_order="left")
    book = job.book.for_shots(shots.select("shot", "mould", "started_at", "resin_batch"))
    number = {
        c: _number(shots, c)
        for c in ("curve_volume_l", "stroke_volume_ml", "programmed_volume_l", *FILL, *PERMEABILITY)
    }
    number |= {c: _number(shots, c) for c in FAULT_SIGN.names if FAULT_SIGN.column(c).dtype in ("f64", "i64")}
    number |= {f"book.{c}": _number(book, c) for c in book.columns if book.schema[c] == pl.Float64}
    number["catch_pot_l"] = 1e3 * _number(shots, "overflow_kg") / number["book.density_kg_m3"]
    number["past_l"] = past_l(number["catch_pot_l"], number["book.vent_hose_volume_l"], number["curve_volume_l"])
    number["not_in_part_l"] = (
        number["curve_volume_l"] - 1e3 * _number(shots, "part_mass_kg") / number["book.density_kg_m3"]
    )
    if "trimmed" in shots.columns:  # what was cut off is not known
        number["not_in_part_l"][shots["trimmed"].fill_null(False).to_numpy()] = np.nan
    number["book.taper"] = taper_of(
        number["book.inlet_width_m"], number["book.flow_length_m"], number["book.part_area_m2"]
    )
    text = {c: shots[c].to_list() for c in ("injector", "fabric_batch", "resin_batch", "still_channel")}
    arrays = {
        c: _array(shots, c) if c in shots.columns else np.full((shots.height, CURVE_BINS), np.nan) for c in CURVES
    }
    arrays = {c: v if c == "n" else bridge(v) for c, v in arrays.items()}
    arrays["flow_l_min"] = _flow(arrays, np.isfinite(number["stroke_volume_ml"]))
    driving, resistance = _resistance(arrays, number)
    viscosity = number["viscosity_pa_s"]
    known = np.isfinite(viscosity) & (viscosity > 0)
    # A mould whose temperature is logged in some shots only is compared as if the others had the usual one.
    filled = np.where(known, viscosity, np.median(viscosity[known]) if known.any() else 1.0)
    return Shots(
        mould, shots["shot"].to_list(), shots["started_at"].to_list(), text, number, arrays, driving,
        resistance / filled[:, None], filled,
    )  # fmt: skip


def past_l(catch_pot_l: Floats, hose_l: Floats, injected_l: Floats) -> Floats:
    """What went through the vent, l: pot and full hose; NaN where the pot holds next to nothing or was not weighed."""
    hose = np.nan_to_num(hose_l)
    least = np.where(hose > 0, LEAST_POT_BEHIND_HOSE, LEAST_POT) * injected_l
    with np.errstate(invalid="ignore"):
        return np.where(catch_pot_l > least, catch_pot_l + hose, np.nan)


def bridge(channel: Floats, widest: int = 10) -> Floats:
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


def _flow(curve: dict[str, Floats], strokes: NDArray[np.bool_]) -> Floats:
    """Logged flow; where strokes stand in for a meter, volume over time across thirteen bins: a stroke is some bins."""
    flow, volume, time = curve["flow_l_min"], curve["vol_l"], curve["t_s"]
    missing = strokes | ~np.isfinite(flow).any(axis=1)
    if not missing.any():
        return flow
    out = flow.copy()
    bins = np.arange(CURVE_BINS)
    for i in np.flatnonzero(missing):  # few shots, each with its own empty bins
        known = np.isfinite(volume[i]) & np.isfinite(time[i])
        if known.sum() < 10:
            continue
        v, t = (np.interp(bins, bins[known], x[i][known]) for x in (volume, time))
        ahead, back = np.minimum(bins + 6, CURVE_BINS - 1), np.maximum(bins - 6, 0)
        out[i] = np.where(known, 60.0 * (v[ahead] - v[back]) / np.maximum(t[ahead] - t[back], 1e-6), np.nan)
    return out


def _resistance(curve: dict[str, Floats], number: dict[str, Floats]) -> tuple[Floats, Floats]:
    """Driving pressure (mbar) and resistance (mbar min/l) by bin; NaN at the gauge's end and where nothing flowed."""
    line, cavity, flow = curve["line_pressure_bar"], curve["cavity_pressure_mbar"], curve["flow_l_min"]
    ambient = np.where(np.isfinite(number["ambient_pressure_mbar"]), number["ambient_pressure_mbar"], 1013.25)
    driving = 1e3 * line + ambient[:, None] - cavity
    low, high = number["book.line_pressure_range_low_bar"], number["book.line_pressure_range_high_bar"]
    with np.errstate(invalid="ignore"):
        least = np.min(np.where(np.isfinite(line), line, np.inf), axis=1)
        low = np.where(np.isfinite(low), low, np.where(np.abs(least) < 1e-3, 0.0, -np.inf))
        high = np.where(np.isfinite(high), high, np.inf)
        at_end = (line <= low[:, None] + 0.01) | (line >= high[:, None] - 0.01)
        typical = np.array([np.median(f[np.isfinite(f)]) if np.isfinite(f).any() else np.nan for f in flow])
        flows = flow > np.maximum(0.01 * typical, 1e-3)[:, None]
        resistance = np.where(flows & ~at_end & (driving > 0), driving / np.where(flows, flow, 1.0), np.nan)
    return driving, resistance


__all__ = ["GRID", "Shots", "collect"]
