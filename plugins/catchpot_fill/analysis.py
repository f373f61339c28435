"""How each shot filled: arrival volume, what stayed in the mould, mobility, clamp margin. Glue."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal

import numpy as np
import polars as pl
from pydantic import BaseModel, ConfigDict

from catchpot.analysis import Job, Kept, Result
from catchpot.tables import Table, empty, shape
from catchpot_fill import history, knowledge, measures, memory
from catchpot_fill.outcome import Refusals
from catchpot_fill.tables import FILL, INJECTION, OWN_CURVE, PERMEABILITY
from catchpot_fill.witnesses import shots_of


class FillParams(BaseModel):
    """Settings, `[analyses.fill]`: none."""

    model_config = ConfigDict(extra="forbid")


class FillAnalysis:
    """The analysis `fill`, a mould at a time, its shots in time order."""

    name = "fill"
    part: Literal["shot", "mould", "workshop"] = "mould"
    causal = True
    keeps = "added"
    needs: Mapping[str, tuple[str, ...]] = MappingProxyType(
        {
            "shot": ("resin_batch", "programmed_volume_l"),
            "injection": tuple(c for c in INJECTION.names if c not in INJECTION.key),
            "phase": ("volume_low_l", "volume_high_l"),
            "curve": ("line_pressure_bar", "cavity_pressure_mbar", "clamp_pressure_mbar"),
        }
    )
    optional: Mapping[str, tuple[str, ...]] = MappingProxyType(
        {"part": ("overflow_kg",), "event": ("time", "mould", "kind", "detail")}
    )
    yields: tuple[Table, ...] = (FILL, PERMEABILITY, OWN_CURVE)
    params: type[BaseModel] = FillParams

    def compute(self, job: Job) -> Result:
        """Compute all moulds of the job."""
        made: dict[str, list[pl.DataFrame]] = {t.name: [] for t in self.yields}
        refusals = Refusals([])
        kept: Kept | None = None
        for mould in job.units:
            shots = job.tables["shot"].filter(pl.col("mould") == mould)
            if shots.is_empty():
                continue
            frame = shots.join(job.tables["injection"].drop("mould", "started_at"), on="shot", how="left",
                               maintain_order="left")  # fmt: skip
            # where much of the flow is missing there is no injection row, but bounds of its volume
            bounds = job.tables["phase"].filter(pl.col("phase") == "inject").group_by("shot")
            ends = bounds.agg(at_least_l=pl.col("volume_low_l").min(), at_most_l=pl.col("volume_high_l").max())
            frame = frame.join(ends, on="shot", how="left", maintain_order="left")
            of_mould = Refusals(frame["shot"].to_list())
            with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
                tables, kept = _mould(mould, frame, job, of_mould)
            refusals.rows.update(of_mould.rows)
            for name, rows in tables.items():
                made[name].append(rows)
        tables = {t.name: pl.concat(made[t.name]) if made[t.name] else empty(t) for t in self.yields}
        return Result(tables, refusals.result(), kept if len(job.units) == 1 else None)


def _mould(
    mould: str, frame: pl.DataFrame, job: Job, refusals: Refusals
) -> tuple[dict[str, pl.DataFrame], Kept | None]:
    book = job.book.for_shots(frame.select("shot", "mould", "started_at", "resin_batch"))
    past, before = memory.resumed(job.kept) if job.kept is not None else (history.History(), memory.Before())
    told = knowledge.Kept(mould, frame, before.viscosities, before.seen)
    kept = job.kept
    at = memory.place_to_keep(len(before.names) + frame.height) - len(before.names)

    def keep(now: history.History) -> None:
        nonlocal kept
        kept = memory.keep(now, before, frame[:at], told.seen)

    shots = shots_of(frame, book, job, before.names, before.last_start)
    outcome, _ = history.run(shots, told.watch, past, (at, keep) if at > 0 else None)
    seat = measures.Mould(frame, book, outcome)
    permeable, line = measures.permeability_columns(seat, refusals)
    curves = frame.select("shot").join(job.tables["curve"].drop("mould", "started_at"), on="shot", how="left",
                                       maintain_order="left")  # fmt: skip
    filled = measures.fill_columns(seat, curves, line, refusals)
    key = {"shot": frame["shot"], "mould": frame["mould"]}
    out = {FILL.name: shape(FILL, key | filled), PERMEABILITY.name: shape(PERMEABILITY, key | permeable)}
    out[OWN_CURVE.name] = told.table()
    return out, kept
