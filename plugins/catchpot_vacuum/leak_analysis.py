"""Leaks of each shot. Glue; the maths is in `leaks` and `physics`."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field

from catchpot.analysis import Job, Refused, Result
from catchpot.physics.vacuum import SQUEEZES
from catchpot.tables import Table, empty
from catchpot_vacuum import gather, leaks
from catchpot_vacuum.rows import hold_rows, leak_rows, refusals
from catchpot_vacuum.tables import SEAL_HOLD, SEAL_LEAK

Floats = NDArray[np.float64]


class LeakParams(BaseModel):
    """Settings, `[analyses.seal_leak]`.

    ambient_pressure_mbar: where neither a barometer nor the cavity before evacuation tells; the workshop's by default.
    sensor_drift_mbar_min: s.d. of a gauge's own drift. gas_temperature_k: s.d. of the gas's warming over a hold.
    squeeze_allowance: share by which the outer seal may leak more with the cavity at ambient, because the cover
    presses less.
    """

    model_config = ConfigDict(extra="forbid")

    ambient_pressure_mbar: float | None = Field(default=None, ge=500.0, le=1100.0)
    sensor_drift_mbar_min: float = Field(default=0.1, ge=0.0, le=10.0)
    gas_temperature_k: float = Field(default=0.25, ge=0.0, le=20.0)
    squeeze_allowance: float = Field(default=0.3, ge=0.0, le=2.0)


class SealLeakAnalysis:
    """The analysis `seal_leak`, all shots of a batch at once."""

    name = "seal_leak"
    part: Literal["shot", "mould", "workshop"] = "shot"
    causal = True
    needs: Mapping[str, tuple[str, ...]] = MappingProxyType({
        "shot": ("mould", "started_at", "resin_batch"),
        "sample": (
            "t_s", "cavity_pressure_mbar", "clamp_pressure_mbar", "ambient_pressure_mbar", "vacuum_isolated",
        ),
        "phase": ("start_s",),
    })  # fmt: skip
    optional: Mapping[str, tuple[str, ...]] = MappingProxyType({})
    yields: tuple[Table, ...] = (SEAL_LEAK, SEAL_HOLD)
    params: type[BaseModel] = LeakParams

    def __init__(self, ambient_pressure_mbar: float = 1013.25) -> None:
        """ambient_pressure_mbar: the workshop's setting."""
        self.ambient_pressure_mbar = ambient_pressure_mbar

    def compute(self, job: Job) -> Result:
        """Compute all shots of the job."""
        params = job.params if isinstance(job.params, LeakParams) else LeakParams()
        log = gather.logs(
            job.tables["sample"], job.tables["phase"], params.ambient_pressure_mbar or self.ambient_pressure_mbar
        )
        if not log.shots:
            silent = [Refused(s, self.name, "the log has no usable samples") for s in job.units]
            return Result({t.name: empty(t) for t in self.yields}, silent)
        found = gather.rises(log)
        data = leaks.fit(log, found, drift_mbar_min=params.sensor_drift_mbar_min, gas_k=params.gas_temperature_k)
        count = len(log.shots)
        order = pl.DataFrame({"shot": log.shots}).join(job.tables["shot"], on="shot", how="left", maintain_order="left")
        book = job.book.for_shots(order)
        share = usual_share(book)
        squeeze = tuple(params.squeeze_allowance / 0.3 * k for k in SQUEEZES)
        clamp, method = leaks.clamp_leaks(data, count, share, params.squeeze_allowance)
        wandering = leaks.disagreeing(data, count)
        clamp = leaks.Estimate(*(np.where(wandering, np.nan, v) for v in vars(clamp).values()))
        split = leaks.seals(data, count, np.ones(count), squeeze)
        told = np.isfinite(split.inner) & ~wandering
        known = (split.inner_low, split.inner, split.inner_high)
        guess = (np.zeros(count), share * clamp.value, 0.5 * clamp.high)
        inner = tuple(np.where(told, a, b) for a, b in zip(known, guess, strict=True))
        v_clamp, v_cavity = number(book, "clamp_volume_l"), number(book, "cavity_gas_volume_l")
        cavity, cavity_method = leaks.cavity_leaks(data, count, (inner[0], inner[1], inner[2]), v_clamp / v_cavity)

        def part(value: Floats, low: Floats, high: Floats) -> leaks.Estimate:
            cut = np.where(told, 0.0, np.nan)
            return leaks.Estimate(value + cut, low + cut, high + cut, clamp.outgassing + cut)

        two = np.full(count, "two-step hold")
        estimates = {
            "clamp": (clamp, method, v_clamp, number(book, "clamp_volume_tolerance_pct")),
            "outer": (part(split.outer, split.outer_low, split.outer_high), two, v_clamp,
                      number(book, "clamp_volume_tolerance_pct")),
            "inner": (part(split.inner, split.inner_low, split.inner_high), two, v_clamp,
                      number(book, "clamp_volume_tolerance_pct")),
            "cavity": (cavity, cavity_method, v_cavity, number(book, "cavity_gas_volume_tolerance_pct")),
        }  # fmt: skip
        tables = {
            SEAL_LEAK.name: leak_rows(log.shots, estimates),
            SEAL_HOLD.name: hold_rows(log, data),
        }
        silent = [Refused(s, self.name, "the log has no usable samples") for s in set(job.units) - set(log.shots)]
        return Result(tables, [*silent, *refusals(log, data, estimates, wandering, told)])


def number(book: pl.DataFrame, key: str) -> Floats:
    """A book value of each shot, NaN where the book has none."""
    return np.asarray(book[key].cast(pl.Float64).fill_null(np.nan).to_numpy(), dtype=float)


def usual_share(book: pl.DataFrame) -> Floats:
    """Share of the inner seal in the clamp leak as the limits have it, 0.15 where the book has none."""
    inner, whole = number(book, "inner_leak_limit_mbar_l_s"), number(book, "clamp_leak_limit_mbar_l_s")
    share = inner / whole
    return np.where(np.isfinite(share), np.clip(share, 0.0, 0.5), 0.15)
