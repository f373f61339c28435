"""Findings about leaks, and the seals told apart by the last holds together. Glue."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from catchpot.analysis import Job, Refused, Result
from catchpot.core_tables import FINDING
from catchpot.tables import Table, empty, from_rows
from catchpot_vacuum import findings
from catchpot_vacuum.life_analysis import HISTORY_NEEDS, history
from catchpot_vacuum.series import Seal, seconds, when
from catchpot_vacuum.split import Pooled, pooled
from catchpot_vacuum.tables import SEAL_SPLIT

Floats = NDArray[np.float64]


class WatchParams(BaseModel):
    """Settings, `[analyses.seal_watch]`: none."""

    model_config = ConfigDict(extra="forbid")


class SealWatchAnalysis:
    """The analysis `seal_watch`, a mould at a time."""

    name = "seal_watch"
    part: Literal["shot", "mould", "workshop"] = "mould"
    causal = False
    needs: Mapping[str, tuple[str, ...]] = MappingProxyType({
        **HISTORY_NEEDS,
        "seal_leak": (
            *HISTORY_NEEDS["seal_leak"], "rise_mbar_min", "rise_low_mbar_min", "rise_high_mbar_min",
        ),
        "seal_hold": (
            "method", "ambient_mbar", "clamp_mbar", "cavity_mbar", "clamp_rate_mbar_s", "clamp_rate_low_mbar_s",
            "clamp_rate_high_mbar_s", "clamp_noise_mbar", "cavity_rate_mbar_s", "cavity_rate_low_mbar_s",
            "cavity_rate_high_mbar_s", "rate_hz",
        ),
        "seal_resin": (
            "clamp_per_line_mbar_bar", "clamp_per_line_low_mbar_bar", "clamp_per_line_high_mbar_bar",
            "rise_before_mbar_s", "rise_during_mbar_s", "rise_more_low_mbar_s", "rise_more_high_mbar_s",
        ),
    })  # fmt: skip
    optional: Mapping[str, tuple[str, ...]] = MappingProxyType({})
    yields: tuple[Table, ...] = (FINDING, SEAL_SPLIT)
    params: type[BaseModel] = WatchParams

    def compute(self, job: Job) -> Result:
        """Compute all moulds of the job."""
        rows: list[dict[str, object]] = []
        splits: list[pl.DataFrame] = []
        refused: list[Refused] = []
        for mould in job.units:
            counter, found = history(job, mould)
            if counter is None:
                continue
            tables = {
                n: job.tables[n].filter(pl.col("mould") == mould) for n in ("seal_leak", "seal_hold", "seal_resin")
            }
            book = job.book.moulds.get(mould)
            split = _split(job, mould, found, tables["seal_hold"])
            if book is not None:
                splits.append(_split_rows(mould, split))
                if split.outer is None:
                    gauge = tables["seal_hold"]["clamp_mbar"].is_not_null().any() or tables["seal_leak"].height > 0
                    told = findings.what_would_tell(split, gauge=gauge)
                    refused.append(Refused(mould, f"{self.name}.outer and inner", told))
            rows += findings.of_mould(self.name, mould, job.book, tables, found, split, str(job.book.zone))
        apart = pl.concat(splits) if splits else empty(SEAL_SPLIT)
        return Result({FINDING.name: from_rows(FINDING, rows), SEAL_SPLIT.name: apart}, refused)


def _split(job: Job, mould: str, found: list[Seal], hold: pl.DataFrame) -> Pooled:
    """The pooled answer since the clamp channel's seals were last touched."""
    rows = hold.filter(pl.col("clamp_rate_mbar_s").is_not_null() & pl.col("started_at").is_not_null())
    at = seconds(rows["started_at"]) if rows.height else np.zeros(0)
    last = [s.since for s in found if s.seal == "clamp"]
    entry = job.book.moulds.get(mould)
    volume = entry.clamp_volume_l if entry and entry.clamp_volume_l else float("nan")
    limit = entry.inner_leak_limit_mbar_l_s if entry and entry.inner_leak_limit_mbar_l_s else float("nan")
    return pooled(rows, at, max(last, default=-np.inf), volume, limit)


def _split_rows(mould: str, split: Pooled) -> pl.DataFrame:
    rows = []
    for seal, answer in (("outer", split.outer), ("inner", split.inner)):
        value, low, high = answer if answer is not None else (None, None, None)
        rows.append(
            {
                "mould": mould, "seal": seal, "leak_mbar_l_s": value, "leak_low_mbar_l_s": low,
                "leak_high_mbar_l_s": high, "shots": split.shots,
                "since": when(split.since) if np.isfinite(split.since) else None,
                "needed_hold_s": split.needed_hold_s if np.isfinite(split.needed_hold_s) else None,
            }
        )  # fmt: skip
    return from_rows(SEAL_SPLIT, rows, whole=True)
