"""The injection of each shot: its facts, and its resistance over volume. Everything that needs the samples."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field

from catchpot.analysis import Job, Refused, Result
from catchpot.core_tables import CURVE_BINS
from catchpot.physics.clamp import closing_force
from catchpot.tables import Table, empty, shape
from catchpot_fill.cells import along_shots, cells_of
from catchpot_fill.outcome import nullable, nullable_rows
from catchpot_fill.prepare import (
    SAMPLE_COLUMNS,
    Samples,
    ambient_pressure,
    column,
    extreme_by,
    injection_samples,
    mean_by,
)
from catchpot_fill.tables import INJECTION

Array = NDArray[np.float64]
NO_INJECTION = "no injection in this log"
SETTLED_S = 2.0
"""Seconds from the first flow over which a pressure is that at the start of injection."""


class InjectionParams(BaseModel):
    """Settings, `[analyses.injection]`.

    ambient_pressure_mbar: where neither a barometer nor the cavity gauge before evacuation tells; the workshop's by
    default.
    """

    model_config = ConfigDict(extra="forbid")

    ambient_pressure_mbar: float | None = Field(default=None, ge=500.0, le=1100.0)


class InjectionAnalysis:
    """The analysis `injection`, all shots of a batch at once."""

    name = "injection"
    part: Literal["shot", "mould", "workshop"] = "shot"
    causal = True
    needs: Mapping[str, tuple[str, ...]] = MappingProxyType(
        {
            "shot": ("shot", "mould", "started_at", "resin_batch", "stroke_volume_ml", "channels"),
            "sample": SAMPLE_COLUMNS,
            "phase": ("start_s", "end_s", "start_volume_l", "end_volume_l"),
        }
    )
    optional: Mapping[str, tuple[str, ...]] = MappingProxyType({})
    yields: tuple[Table, ...] = (INJECTION,)
    params: type[BaseModel] = InjectionParams

    def __init__(self, ambient_pressure_mbar: float = 1013.25) -> None:
        """ambient_pressure_mbar: the workshop's setting."""
        self.ambient_pressure_mbar = ambient_pressure_mbar

    def compute(self, job: Job) -> Result:
        """Compute all shots of the job that were injected."""
        params = job.params if isinstance(job.params, InjectionParams) else InjectionParams()
        default = params.ambient_pressure_mbar or self.ambient_pressure_mbar
        units = pl.DataFrame({"shot": list(job.units)}, schema={"shot": pl.String()})
        windows = _window(job.tables["phase"], "inject", units)
        going = windows.filter(pl.col("start_s").is_not_null() & (pl.col("end_volume_l") > pl.col("start_volume_l")))
        others = units.join(going.select("shot"), on="shot", how="anti", maintain_order="left")["shot"]
        refused = [Refused(shot, "injection.injected_volume_l", NO_INJECTION) for shot in others]
        if going.is_empty():
            return Result({INJECTION.name: empty(INJECTION)}, refused)
        shots = going.select("shot").join(job.tables["shot"], on="shot", how="left", maintain_order="left")
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            columns = _columns(shots, going, job, default)
        return Result({INJECTION.name: shape(INJECTION, columns)}, refused)


def _window(phase: pl.DataFrame, kind: str, units: pl.DataFrame) -> pl.DataFrame:
    made = phase.filter(pl.col("phase") == kind).group_by("shot")
    ends = made.agg(pl.col("start_s", "start_volume_l").min(), pl.col("end_s", "end_volume_l").max())
    return units.join(ends, on="shot", how="left", maintain_order="left")


def _columns(shots: pl.DataFrame, going: pl.DataFrame, job: Job, default_mbar: float) -> dict[str, Any]:
    groups, book = shots.height, job.book.for_shots(shots)
    number = shots.select("shot").with_row_index("_number")
    sample = job.tables["sample"].join(number, on="shot", how="inner", maintain_order="left")
    group = sample["_number"].to_numpy().astype(np.intp)
    if len(group) and np.any(np.diff(group) < 0):
        order = np.argsort(group, kind="stable")
        sample, group = sample[order], group[order]
    start, end = column(going, "start_s"), column(going, "end_s")
    first_l, injected = column(going, "start_volume_l"), column(going, "end_volume_l") - column(going, "start_volume_l")
    ambient, source = ambient_pressure(sample, group, groups, start, default_mbar)
    channels = shots["channels"].fill_null("").to_list()
    stroked = np.isfinite(column(shots, "stroke_volume_ml")) & np.array(
        ["pump_strokes" in c and "flow_l_min" not in c for c in channels], dtype=bool
    )
    windows = {"start_s": start, "end_s": end, "start_volume_l": first_l}
    s = injection_samples(sample, group, book, windows, ambient, stroked)
    cells = cells_of(s, groups, injected, stroked)
    t = column(sample, "t_s")
    inside = (t >= start[group]) & (t <= end[group])

    def mean_of(name: str) -> Array:
        return mean_by(column(sample, name), group, groups, inside)

    early = s.t_s <= start[s.shot] + SETTLED_S
    catalyst, mixed = mean_of("catalyst_flow_ml_min"), mean_of("flow_l_min") * 1e3
    # the flow is of the mixed resin
    ratio = np.where(mixed > catalyst, 100.0 * catalyst / (mixed - catalyst), np.nan)
    pack = _window(job.tables["phase"], "pack", shots.select("shot"))
    pressed = column(pack, "end_volume_l") - column(pack, "start_volume_l")
    seen = np.where(inside & (column(sample, "resin_at_vent") > 0.5), t, np.nan)
    return {
        "shot": shots["shot"], "step": pl.Series([1] * groups, dtype=pl.Int64), "from_s": start, "to_s": end,
        "injected_volume_l": injected,
        "packed_volume_l": nullable(np.where(np.isfinite(pressed), np.maximum(pressed, 0.0), 0.0)),
        "peak_line_pressure_bar": nullable(extreme_by(s.line_pa, s.shot, groups, largest=True) / 1e5),
        "cavity_pressure_mbar": nullable(mean_by(s.cavity_pa, s.shot, groups, early) / 100.0),
        "clamp_pressure_mbar": nullable(mean_by(s.clamp_pa, s.shot, groups, early) / 100.0),
        "highest_clamp_pressure_mbar": nullable(extreme_by(s.clamp_pa, s.shot, groups, largest=True) / 100.0),
        "packed_margin_n": nullable(_packed_margin(sample, group, pack, book, ambient)),
        "ambient_pressure_mbar": nullable(ambient), "ambient_source": pl.Series(source, dtype=pl.String),
        "resin_temp_c": nullable(mean_of("resin_temp_c")), "mould_temp_c": nullable(mean_of("mould_temp_c")),
        "catalyst_ratio_pct": nullable(np.where(ratio >= 0, ratio, np.nan)),
        "bed_viscosity_pa_s": nullable(mean_by(s.bed_viscosity, s.shot, groups, s.usable)),
        "line_viscosity_pa_s": nullable(mean_by(s.line_viscosity, s.shot, groups, s.usable)),
        "stroked": pl.Series(stroked), "readings": nullable(cells.readings),
        "resin_at_vent_s": nullable(extreme_by(seen, group, groups, largest=False)),
        "resistance_per_m3": nullable_rows(cells.resistance), "resistance_sd_per_m3": nullable_rows(cells.noise),
        "drive_pa": nullable_rows(cells.drive_pa), "time_s": nullable_rows(_times(s, groups, injected)),
    }  # fmt: skip


def _times(s: Samples, groups: int, injected_l: Array) -> Array:
    """Log time at which each cell was full, (groups, cells), s."""
    if not len(s.shot):
        return np.full((groups, CURVE_BINS), np.nan)
    made = along_shots(s, groups, injected_l, s.t_s[None, :], np.linspace(0.0, 1.0, CURVE_BINS + 1)[1:])[0]
    some = np.bincount(s.shot, minlength=groups) > 1
    return np.where(some[:, None], made, np.nan)


def _packed_margin(
    sample: pl.DataFrame, group: NDArray[np.intp], pack: pl.DataFrame, book: pl.DataFrame, ambient_mbar: Array
) -> Array:
    """Lowest net closing force while the vent is shut and the line holds its pressure over the whole part, N."""
    t, start, end = column(sample, "t_s"), column(pack, "start_s"), column(pack, "end_s")
    ambient = ambient_mbar[group] * 100.0
    held = closing_force(
        ambient, column(sample, "clamp_pressure_mbar") * 100.0, column(book, "clamp_area_m2")[group],
        ambient + column(sample, "line_pressure_bar") * 1e5, column(book, "part_area_m2")[group],
    )  # fmt: skip
    inside = (t >= start[group]) & (t <= end[group])
    return extreme_by(np.where(inside, held, np.nan), group, pack.height, largest=False)
