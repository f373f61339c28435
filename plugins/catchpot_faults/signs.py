"""Analysis `fault_signs`: looks at the samples of each shot for what its curve can't show."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Literal

from pydantic import BaseModel, ConfigDict

from catchpot import Job, Result
from catchpot.tables import Table, shape
from catchpot_faults.tables import FAULT_SIGN

if TYPE_CHECKING:
    import numpy as np
    import polars as pl
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

STILL_CHANNELS = (
    "flow_l_min", "line_pressure_bar", "cavity_pressure_mbar", "clamp_pressure_mbar", "catalyst_flow_ml_min",
)  # fmt: skip
"""Channels whose readings move during injection. Temperatures may well stand still for minutes."""


class SignParams(BaseModel):
    """No settings yet."""

    model_config = ConfigDict(extra="forbid")


class FaultSigns:
    """Evidence within each shot's samples; judged later, beside the mould's history."""

    name = "fault_signs"
    part: Literal["shot", "mould", "workshop"] = "shot"
    causal = True
    needs: Mapping[str, tuple[str, ...]] = {
        "shot": ("mould", "started_at", "resin_batch", "stroke_volume_ml", "channels"),
        "sample": ("t_s", "vol_l", *STILL_CHANNELS, "ambient_pressure_mbar"),
        "phase": ("phase", "step", "start_s", "end_s"),
    }
    optional: Mapping[str, tuple[str, ...]] = {}
    yields: tuple[Table, ...] = (FAULT_SIGN,)
    params: type[BaseModel] = SignParams

    def compute(self, job: Job) -> Result:
        """All shots of the batch at once."""
        return Result({FAULT_SIGN.name: sign_rows(job)})


def sign_rows(job: Job) -> pl.DataFrame:
    """One row a shot."""
    import numpy as np
    import polars as pl

    from catchpot.physics import air, signs

    shots = job.tables["shot"].filter(pl.col("shot").is_in(list(job.units))).sort("shot")
    n = shots.height
    columns: dict[str, object] = {"shot": shots["shot"]}
    number = pl.DataFrame({"shot": shots["shot"], "owner": np.arange(n)})
    inject = (
        job.tables["phase"]
        .filter(pl.col("phase") == "inject")
        .group_by("shot")
        .agg(pl.col("start_s").min().alias("from_s"), pl.col("end_s").max().alias("to_s"))
    )
    about = number.join(inject, on="shot", how="left").sort("owner")
    sample = job.tables["sample"].join(about, on="shot", how="inner", maintain_order="left").sort("owner", "t_s")

    def values(name: str) -> Floats:
        return sample[name].cast(pl.Float64).fill_null(float("nan")).to_numpy().astype(np.float64)

    owner, t, vol = sample["owner"].to_numpy().astype(np.intp), values("t_s"), values("vol_l")
    begin, end = values("from_s"), values("to_s")
    line, cavity, clamp = (values(c) for c in ("line_pressure_bar", "cavity_pressure_mbar", "clamp_pressure_mbar"))
    before = t < begin - 0.5
    rest = signs.rest(np.where(before, line, np.nan), owner, n)
    columns |= {"line_rest_bar": _null(rest.level), "line_rest_samples": rest.count}
    for name, gauge in (("cavity", cavity), ("clamp", clamp)):
        flat = signs.opening_plateau(t, gauge, owner, n) & ~(t >= begin)
        at_rest = signs.rest(np.where(flat, gauge, np.nan), owner, n)
        columns[f"{name}_rest_mbar"] = _null(at_rest.level)
        if name == "cavity":
            columns["cavity_rest_samples"] = at_rest.count
        columns[f"{name}_least_mbar"] = _null(_lasting_least(sample, name + "_pressure_mbar", n))
    columns["ambient_logged_mbar"] = _null(signs.group_median(values("ambient_pressure_mbar"), owner, n))

    within = (t >= begin) & (t <= end)
    io, it, iv = owner[within], (t - begin)[within], vol[within]
    drive = line[within] * 1e3 + 1013.25 - cavity[within]
    known = np.isfinite(drive)
    book = job.book.for_shots(shots.select("shot", "mould", "started_at", "resin_batch"))
    low_end = book["line_pressure_range_low_bar"].cast(pl.Float64).fill_null(float("nan")).to_numpy()
    least_line = _group_min(line[within], io, n)
    low_end = np.where(np.isfinite(low_end), low_end, np.where(np.abs(least_line) < 5e-4, 0.0, np.nan))
    at_floor = line[within] <= low_end[io] + 2e-3
    # At the gauge's end only the end is read: how low the pressure went is not known.
    least = signs.group_median(np.where(at_floor, drive, np.nan), io, n) + 8.0
    least = np.where(np.isfinite(least), least, -np.inf)
    by_strokes = np.isfinite(shots["stroke_volume_ml"].cast(pl.Float64).fill_null(float("nan")).to_numpy())
    flow = np.where(by_strokes[io], np.nan, values("flow_l_min")[within])
    slugs = air.air_slugs(it[known], drive[known], iv[known], io[known], n, least, flow[known])
    columns |= {
        "slugs": slugs.count,
        "slugs_from_volume_l": _null(_volume_at(slugs.first_from_s, it, iv, io, n)),
        "slugs_to_volume_l": _null(_volume_at(slugs.last_to_s, it, iv, io, n)),
        "slugs_s": slugs.total_s,
        "slugs_depth_pct": 100 * slugs.depth.clip(0, 1),
    }
    columns |= _still(sample.filter(pl.Series(within)), it, iv, io, n, low_end)
    return shape(FAULT_SIGN, columns)


def _null(values: Floats) -> pl.Series:
    import polars as pl

    return pl.Series(values, dtype=pl.Float64).fill_nan(None)


def _group_min(values: Floats, owner: NDArray[np.intp], n: int) -> Floats:
    import numpy as np

    out = np.full(n, np.inf)
    np.fmin.at(out, owner, values)
    return np.where(np.isfinite(out), out, np.nan)


def _volume_at(time: Floats, t: Floats, vol: Floats, owner: NDArray[np.intp], n: int) -> Floats:
    """Metered volume at one time a shot; NaN where the time is."""
    import numpy as np

    if not len(t):
        return np.full(n, np.nan)
    span = float(np.nanmax(t)) + 1.0
    at = np.searchsorted(owner * span + t, np.arange(n) * span + np.nan_to_num(time))
    at = np.clip(at, 0, len(t) - 1)
    return np.where(np.isfinite(time) & (owner[at] == np.arange(n)), vol[at], np.nan)


def _lasting_least(sample: pl.DataFrame, channel: str, n: int) -> Floats:
    """Second percentile of a channel by shot: low for a while, not a spike."""
    import numpy as np
    import polars as pl

    found = sample.group_by("owner").agg(pl.col(channel).drop_nulls().quantile(0.02).alias("least"))
    out = np.full(n, np.nan)
    out[found["owner"].to_numpy()] = found["least"].cast(pl.Float64).fill_null(float("nan")).to_numpy()
    return out


def _finest_step(values: Floats, owner: NDArray[np.intp], n: int) -> Floats:
    """Smallest difference between neighbouring readings by shot: the step of the logger, or of the noise."""
    import numpy as np

    step = np.abs(np.diff(values))
    step = np.where((owner[1:] == owner[:-1]) & (step > 1e-9), step, np.nan)
    return np.nan_to_num(_group_min(step, owner[1:], n))


def _still(
    inside: pl.DataFrame, t: Floats, vol: Floats, owner: NDArray[np.intp], n: int, low_end: Floats
) -> dict[str, object]:
    """The channel that stood still the least likely way, by shot."""
    import numpy as np
    import polars as pl

    from catchpot.physics import signs

    best = np.zeros(n)
    name = np.full(n, None, dtype=object)
    rows = {k: np.full(n, np.nan) for k in ("from_s", "lasted_s", "samples", "value")}
    for channel in STILL_CHANNELS:
        reading = inside[channel].cast(pl.Float64).fill_null(float("nan")).to_numpy().astype(np.float64)
        if not np.isfinite(reading).any():
            continue
        found = signs.longest_still(t, reading, owner, n)
        # A gauge at its end, a closed valve and a channel that never lived are other matters.
        sound = found.lasted_s > 0
        if channel == "line_pressure_bar":
            sound &= ~(found.value <= np.where(np.isfinite(low_end), low_end, -np.inf) + 2e-3)
        if channel in ("flow_l_min", "catalyst_flow_ml_min"):
            # A low flow read in coarse steps stands still by nature, however finely it was read when it was high.
            sound &= np.abs(found.value) > 50 * _finest_step(reading, owner, n)
        less = sound & (found.log10_chance < best)
        best = np.where(less, found.log10_chance, best)
        name[less] = channel
        for key in rows:
            rows[key] = np.where(less, getattr(found, key), rows[key])
    none = np.array([x is None for x in name])
    return {
        "still_channel": pl.Series([None if x is None else str(x) for x in name], dtype=pl.String),
        "still_s": _null(rows["lasted_s"]),
        "still_samples": pl.Series(np.where(none, 0, np.nan_to_num(rows["samples"]))).cast(pl.Int64),
        "still_value": _null(rows["value"]),
        "still_from_volume_l": _null(_volume_at(rows["from_s"], t, vol, owner, n)),
        "still_to_volume_l": _null(_volume_at(rows["from_s"] + rows["lasted_s"], t, vol, owner, n)),
        "still_log10_chance": best,
    }


__all__ = ["FaultSigns", "SignParams"]
