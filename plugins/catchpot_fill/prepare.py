"""From samples and book to the samples of the injection, with driving pressures and viscosities."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from catchpot.physics.resin import viscosity

Array = NDArray[np.float64]
Ints = NDArray[np.intp]
Flags = NDArray[np.bool_]

FLOOR_READINGS = 4
"""Readings that a gauge's floor needs to show itself."""
SAMPLE_COLUMNS = (
    "t_s", "vol_l", "flow_l_min", "line_pressure_bar", "cavity_pressure_mbar", "clamp_pressure_mbar", "resin_temp_c",
    "mould_temp_c", "catalyst_flow_ml_min", "pump_strokes", "ambient_pressure_mbar", "resin_at_vent",
)  # fmt: skip


@dataclass(frozen=True)
class Samples:
    """Samples of the injections, flat (rows,), in shot and time order; `shot` is the shot's number.

    SI but for volumes (l). usable: fit for the resistance fit. dp_pa: driving pressure without the resin's own weight.
    step_s: time since the sample before. stroke_end_s: when the stroke under way ends.
    """

    shot: Ints
    t_s: Array
    vol_l: Array
    flow_m3_s: Array
    line_pa: Array
    dp_pa: Array
    cavity_pa: Array
    clamp_pa: Array
    line_viscosity: Array
    bed_viscosity: Array
    usable: Flags
    step_s: Array
    stroke_end_s: Array


def column(frame: pl.DataFrame, name: str) -> Array:
    """A column as floats, null as NaN; all NaN where the frame doesn't have it."""
    if name not in frame.columns:
        return np.full(frame.height, np.nan)
    return np.asarray(frame[name].cast(pl.Float64).fill_null(np.nan).to_numpy(), dtype=float)


def mean_by(values: Array, group: Ints, groups: int, keep: Flags | None = None) -> Array:
    """Mean of each group's finite values, NaN where there is none."""
    ok = np.isfinite(values) if keep is None else np.isfinite(values) & keep
    n = np.bincount(group[ok], minlength=groups)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.bincount(group[ok], values[ok], groups) / n)


def extreme_by(values: Array, group: Ints, groups: int, *, largest: bool) -> Array:
    """Largest or smallest finite value of each group, NaN where there is none."""
    out = np.full(groups, -np.inf if largest else np.inf)
    ok = np.isfinite(values)
    (np.maximum if largest else np.minimum).at(out, group[ok], values[ok])
    return np.where(np.isfinite(out), out, np.nan)


def ambient_pressure(sample: pl.DataFrame, group: Ints, groups: int, inject_from_s: Array,
                     default_mbar: float) -> tuple[Array, list[str]]:  # fmt: skip
    """Ambient pressure of each shot in mbar and where it came from.

    Logged where there is a barometer; else the cavity gauge before evacuation, if the log begins before the pump does
    (level for its first three seconds, and a possible barometer reading); else the workshop's setting.
    """
    logged = mean_by(column(sample, "ambient_pressure_mbar"), group, groups)
    t, cavity = column(sample, "t_s"), column(sample, "cavity_pressure_mbar")
    early = (t <= 3.0) & (t < inject_from_s[group])
    first = np.where(early, cavity, np.nan)
    low, high = (extreme_by(first, group, groups, largest=largest) for largest in (False, True))
    mean = mean_by(first, group, groups)
    level = (high - low < 12.0) & (mean > 600.0) & (mean < 1080.0) & (np.abs(mean - default_mbar) < 150.0)
    values = np.where(np.isfinite(logged), logged, np.where(level, mean, default_mbar))
    sources = np.where(np.isfinite(logged), "logged", np.where(level, "cavity gauge before evacuation", "settings"))
    return values, sources.tolist()


def smoothed_strokes(t: Array, vol: Array, group: Ints) -> tuple[Array, Array, Array]:
    """Volume, flow (l/s) and the stroke's end (s) at each sample: straight from time stamp to time stamp of strokes."""
    new_shot = np.diff(group, prepend=-1) != 0
    stepped = new_shot | (np.diff(vol, prepend=-np.inf) > 1e-9)
    at = np.flatnonzero(stepped)
    if len(at) < 2:
        return vol, np.zeros_like(vol), t
    k = np.clip(np.cumsum(stepped) - 1, 0, len(at) - 2)
    left, right = at[k], at[k + 1]
    same = group[left] == group[right]
    span = np.where(same, t[right] - t[left], 1.0)
    rate = np.where(same, (vol[right] - vol[left]) / np.maximum(span, 1e-9), 0.0)
    return np.where(same, vol[left] + rate * (t - t[left]), vol), rate, np.where(same, t[right], t)


def _near(flags: Flags, group: Ints, reach: int) -> Flags:
    out = flags.copy()
    for lag in range(1, reach + 1):
        same = group[lag:] == group[:-lag]
        out[lag:] |= flags[:-lag] & same
        out[:-lag] |= flags[lag:] & same
    return out


def censored(line_bar: Array, group: Ints, groups: int, low: Array, high: Array) -> Flags:
    """Readings at an end of the gauge's range, and their neighbours: what stood beyond can't be known.

    low, high: (groups,), the range in bar, NaN where the book gives none. Without one, a smallest reading near nought
    that comes back exactly, again and again, is a floor the log itself shows; should it be none, little is lost.
    """
    least = extreme_by(line_bar, group, groups, largest=False)
    at_least = line_bar <= least[group]
    often = np.bincount(group[at_least], minlength=groups)
    shown = np.where((np.abs(least) < 0.02) & (often >= FLOOR_READINGS), least, -np.inf)
    floor = np.where(np.isfinite(low), low, shown)
    ceiling = np.where(np.isfinite(high), high, np.inf)
    hit = (line_bar <= floor[group] + 1e-9) | (line_bar >= ceiling[group] - 1e-9)
    return _near(hit, group, 2)


def injection_samples(sample: pl.DataFrame, group: Ints, book: pl.DataFrame, windows: Mapping[str, Array],
                      ambient_mbar: Array, stroked: Flags) -> Samples:  # fmt: skip
    """Samples between first and last flow, vent open, ready for the fit.

    group: (rows,) number of each sample's shot. book: one row a shot. windows: start_s, end_s, start_volume_l of the
    injection of each shot, NaN where there is none. Where the book has no viscosity, 1 Pa s stands for it: resistances
    then come out as they are, and permeability is refused later.
    """
    groups = book.height
    t = column(sample, "t_s")
    start, end = windows["start_s"][group], windows["end_s"][group]
    inside = np.flatnonzero((t >= start) & (t <= end))
    part, g, t = sample[inside], group[inside], t[inside]
    vol = column(part, "vol_l") - windows["start_volume_l"][g]
    flow = column(part, "flow_l_min") / 60.0
    stroke_end = t
    if stroked.any():
        even, rate, stroke_end = smoothed_strokes(t, vol, g)
        vol, flow = np.where(stroked[g], even, vol), np.where(stroked[g], rate, flow)
    line_bar, cavity = column(part, "line_pressure_bar"), column(part, "cavity_pressure_mbar")
    resin_c, mould_c = column(part, "resin_temp_c"), column(part, "mould_temp_c")
    ref, ref_c = column(book, "viscosity_pa_s"), column(book, "viscosity_temp_c")
    batch, activation = column(book, "batch_viscosity_pa_s"), column(book, "viscosity_activation_k")
    ref = np.where(np.isfinite(batch), batch, ref)

    def mu(temp: Array) -> Array:
        known = viscosity(np.where(np.isfinite(temp), temp, ref_c[g]), ref[g], ref_c[g],
                          np.where(np.isfinite(activation), activation, 0.0)[g])  # fmt: skip
        return np.where(np.isfinite(known), known, 1.0)

    resin_known, mould_known = (
        np.where(np.isfinite(resin_c), resin_c, mould_c),
        np.where(np.isfinite(mould_c), mould_c, resin_c),
    )
    dp = line_bar * 1e5 + (ambient_mbar[g] - cavity) * 100.0
    new = np.diff(g, prepend=-1) != 0
    step = np.diff(t, prepend=0.0)
    step = np.where(new, np.append(step[1:], 1.0), step)
    usual = extreme_by(flow, g, groups, largest=True)
    jump = np.abs(np.diff(flow, prepend=np.nan)) > 0.3 * np.maximum(flow, 1e-12)
    jump |= np.abs(np.append(np.diff(flow), np.nan)) > 0.3 * np.maximum(flow, 1e-12)
    usable = np.isfinite(dp) & np.isfinite(flow) & np.isfinite(vol) & (flow > 0.015 * usual[g]) & (vol > 0)
    usable &= ~(jump & ~stroked[g]) & ~_near(new, g, 1)
    usable &= ~censored(line_bar, g, groups, column(book, "line_pressure_range_low_bar"),
                        column(book, "line_pressure_range_high_bar"))  # fmt: skip
    return Samples(
        g, t, vol, flow * 1e-3, line_bar * 1e5, dp, cavity * 100.0, column(part, "clamp_pressure_mbar") * 100.0,
        mu(resin_known), mu(mould_known), usable, step, stroke_end,
    )  # fmt: skip
