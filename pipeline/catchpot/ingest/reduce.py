"""The core's own analysis `log`: phases, log quality and the compact curve of every shot."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Literal

import numpy as np
import polars as pl
from pydantic import BaseModel, ConfigDict

from catchpot.analysis import Job, Refused, Result
from catchpot.channels import BY_NAME
from catchpot.core_tables import CURVE, PHASE, QUALITY
from catchpot.ingest.curve import curves
from catchpot.ingest.flowing import find_flow
from catchpot.ingest.phases import Phase, find_phases
from catchpot.ingest.quality import find_faults, from_notes, quality_frame
from catchpot.ingest.segments import Samples, from_frame
from catchpot.ingest.unknown import Unknown, unknown_volumes
from catchpot.tables import Table, empty, polars_schema

if TYPE_CHECKING:
    from catchpot.workshop import MouldBook

# Remarks of the reader that say a counter tells the volume, whatever happened between two samples.
COUNTED = ("strokes_stand_in", "counted_volume")
_BEFORE = ("evacuate", "hold")


class NoParams(BaseModel):
    """The reduction has no settings."""

    model_config = ConfigDict(extra="forbid")


class LogAnalysis:
    """Samples to phases, quality and curve. A pure function of the tables, as every analysis."""

    name = "log"
    part: Literal["shot", "mould", "workshop"] = "shot"
    causal = True
    needs: Mapping[str, tuple[str, ...]] = {
        "sample": ("t_s", "vol_l", *BY_NAME),
        "shot": ("mould", "started_at", "resin_batch"),
        "log_note": ("kind", "channel", "line", "count", "detail"),
    }
    optional: Mapping[str, tuple[str, ...]] = {}
    yields: tuple[Table, ...] = (PHASE, QUALITY, CURVE)
    params: type[BaseModel] = NoParams

    def compute(self, job: Job) -> Result:
        """Reduce all shots of the job at once."""
        tables = job.tables
        return reduced(tables["sample"], tables["shot"], tables["log_note"], job.book)


def reduce_samples(
    frame: pl.DataFrame, shots: pl.DataFrame, notes: pl.DataFrame, book: MouldBook
) -> dict[str, pl.DataFrame]:
    """The tables of `reduced` alone."""
    return dict(reduced(frame, shots, notes, book).tables)


def reduced(frame: pl.DataFrame, shots: pl.DataFrame, notes: pl.DataFrame, book: MouldBook) -> Result:
    """Tables phase, quality and curve of some shots; volumes refused where the flow is not known.

    frame: shot, t_s, vol_l, channels, ordered by shot, then t_s. shots: shot, mould, started_at, resin_batch.
    notes: rows of log_note, possibly none.
    """
    if frame.is_empty():
        return Result({t.name: empty(t) for t in (PHASE, QUALITY, CURVE)})
    samples = from_frame(frame)
    flowing = find_flow(samples)
    phases, end = find_phases(samples, flowing)
    facts = pl.DataFrame({"shot": samples.shots}).join(shots, on="shot", how="left", maintain_order="left")
    known = book.for_shots(facts.select("shot", "mould", "started_at", "resin_batch"))
    gauge = tuple(
        known[f"line_pressure_range_{e}_bar"].cast(pl.Float64).fill_null(np.nan).to_numpy() for e in ("low", "high")
    )
    faults = find_faults(samples, flowing, end, (gauge[0], gauge[1]))
    last_s = samples.columns["t_s"][samples.starts + samples.counts - 1]
    faults += from_notes(notes, samples.shots, last_s)
    unknown = unknown_volumes(samples, flowing.first, end, _counted(facts, notes))
    drawn = np.where(np.isin(np.arange(len(samples.shots)), list(unknown)), -1, flowing.first)
    tables = {
        "phase": _phase_frame(samples, phases, unknown),
        "quality": quality_frame(faults, samples.shots),
        "curve": curves(samples, drawn, end, flowing.on),
    }
    refused = [
        Refused(samples.shots[shot], what, f"{gap.sentence()}; {_WAY_OUT}")
        for shot, gap in unknown.items()
        for what in ("phase.start_volume_l", "phase.end_volume_l", "curve.injected_volume_l")
    ]
    return Result(tables, refused)


_WAY_OUT = 'for a logger that leaves unchanged readings blank, blank = "hold" in its log profile'


def _counted(facts: pl.DataFrame, notes: pl.DataFrame) -> list[bool]:
    """Shots whose volume comes from a counter."""
    counted = set(notes.filter(pl.col("kind").is_in(COUNTED))["shot"])
    return [shot in counted for shot in facts["shot"]]


def _phase_frame(samples: Samples, phases: list[Phase], unknown: Mapping[int, Unknown]) -> pl.DataFrame:
    first = np.array([p.first for p in phases], np.int64)
    last = np.array([p.last for p in phases], np.int64)
    t, volume = samples.columns["t_s"], samples.columns["vol_l"]
    lost = np.array([p.shot in unknown and p.phase not in _BEFORE for p in phases], bool)
    begin, finish = (np.where(lost, np.nan, volume[row]) for row in (first, last))
    bounds = np.full((len(phases), 2), np.nan)
    for i, p in enumerate(phases):
        if p.phase == "inject":
            gap = unknown.get(p.shot)
            metered = max(float(volume[p.last] - volume[p.first]), 0.0)
            bounds[i] = (gap.low_l, gap.high_l) if gap else (metered, metered)
    return pl.DataFrame(
        {
            "shot": [samples.shots[p.shot] for p in phases],
            "phase": [p.phase for p in phases],
            "step": [p.step for p in phases],
            "start_s": t[first],
            "end_s": t[last],
            "start_volume_l": begin,
            "end_volume_l": finish,
            "volume_low_l": bounds[:, 0],
            "volume_high_l": bounds[:, 1],
        },
        schema=polars_schema(PHASE),
    ).with_columns(pl.col("start_volume_l", "end_volume_l", "volume_low_l", "volume_high_l").fill_nan(None))
