"""When a mould's measures changed. Glue; the maths is in `catchpot.stats.changepoint`."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from itertools import pairwise
from types import MappingProxyType
from typing import Any, Literal

import polars as pl
from pydantic import BaseModel

from catchpot.analysis import Job, Kept, Refused, Result
from catchpot.core_tables import FINDING
from catchpot.happened import SHOT_COLUMNS, happenings
from catchpot.keeping import Worked
from catchpot.tables import Table, empty, from_rows, shape
from catchpot_drift import changes, series
from catchpot_drift.findings import finding_rows
from catchpot_drift.settings import DriftParams
from catchpot_drift.tables import DRIFT, DRIFT_VALUE, DRIFT_WATCH


class DriftAnalysis:
    """The analysis `drift`, a mould at a time."""

    name = "drift"
    part: Literal["shot", "mould", "workshop"] = "mould"
    causal = False  # a later shot tells step from trend and moves the date
    keeps = "worked_out"
    needs: Mapping[str, tuple[str, ...]] = MappingProxyType({"shot": SHOT_COLUMNS, "*": ()})
    optional: Mapping[str, tuple[str, ...]] = MappingProxyType({"event": ("time", "mould", "kind", "detail")})
    yields: tuple[Table, ...] = (DRIFT, DRIFT_VALUE, DRIFT_WATCH, FINDING)
    params: type[BaseModel] = DriftParams

    def __init__(self, zone: str = "UTC") -> None:
        """zone: the workshop's time zone, for days in sentences."""
        self.zone = zone

    def compute(self, job: Job) -> Result:
        """Compute the moulds of the job."""
        params = job.params if isinstance(job.params, DriftParams) else DriftParams()
        rows: dict[str, list[dict[str, Any]]] = {"drift": [], "drift_watch": [], "finding": []}
        values: list[pl.DataFrame] = [empty(DRIFT_VALUE)]
        refused: list[Refused] = []
        worked = Worked(job.kept.state if job.kept is not None else None)
        for mould in job.units:
            shots = job.tables["shot"].filter(pl.col("mould") == mould)
            wide = job.tables["*"].filter(pl.col("mould") == mould)
            book = job.book.for_shots(shots.select("shot", "mould", "started_at", "resin_batch"))
            batches = series.unknown_batches(shots.select("shot", "resin_batch").join(
                book.select("shot", "batch_viscosity_pa_s"), on="shot", how="left", maintain_order="left"))  # fmt: skip
            by_shot = dict(zip(shots["shot"].to_list(), batches, strict=True))
            made, not_given = series.gather(
                wide,
                job.declared["*"],
                [by_shot.get(s) for s in wide["shot"]],
                self._tracked(job, mould, params),
                params,
            )
            refused += [Refused(mould, f"drift.{m}", reason) for m, reason in not_given.items()]
            happened = happenings(_events(job, mould), shots)
            own: list[dict[str, Any]] = []
            for s, found in changes.watched(made, worked.out):
                own += changes.drift_rows(mould, s, found, happened, params.reach_shots)
                frame, watch = changes.value_and_watch(mould, s, found, len(made), params)
                values.append(shape(DRIFT_VALUE, {n: frame[n] for n in DRIFT_VALUE.names}))
                rows["drift_watch"].append(watch)
            rows["drift"] += own
            rows["finding"] += finding_rows(
                mould, own, self.zone, _few_shots(shots["started_at"].drop_nulls().to_list())
            )
        tables = {t.name: from_rows(t, rows[t.name], whole=t is not FINDING) for t in (DRIFT, DRIFT_WATCH, FINDING)}
        return Result({**tables, "drift_value": pl.concat(values)}, refused, Kept(0, worked.state()))

    def _tracked(self, job: Job, mould: str, params: DriftParams) -> list[str]:
        """The settings' measures, the mould book's own and those with limits, each once."""
        entry = job.book.moulds.get(mould)
        own = [*entry.measures, *entry.limits] if entry is not None else []
        return list(dict.fromkeys([*params.measures, *own]))


def _events(job: Job, mould: str) -> pl.DataFrame | None:
    """The mould's events and the workshop's; None where there is no such table."""
    events = job.tables.get("event")
    return None if events is None else events.filter(pl.col("mould").is_null() | (pl.col("mould") == mould))


def _few_shots(starts: list[datetime], shots: int = 4) -> timedelta:
    """How long so many shots of the mould usually take."""
    gaps = sorted(b - a for a, b in pairwise(starts))
    return shots * gaps[len(gaps) // 2] if gaps else timedelta(0)
