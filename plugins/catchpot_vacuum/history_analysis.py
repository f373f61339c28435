"""Every seal a mould has had: how long it lasted, and whether what was said of it held. The back-test."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal

import numpy as np
import polars as pl
from pydantic import BaseModel, ConfigDict

from catchpot.analysis import Job, Result
from catchpot.tables import Table, from_rows
from catchpot_vacuum.forecast import fit
from catchpot_vacuum.life_analysis import HISTORY_NEEDS, history
from catchpot_vacuum.series import Seal, when
from catchpot_vacuum.tables import SEAL_HISTORY


class HistoryParams(BaseModel):
    """Settings, `[analyses.seal_history]`: none."""

    model_config = ConfigDict(extra="forbid")


class SealHistoryAnalysis:
    """The analysis `seal_history`, a mould at a time; it looks back, so later shots change its rows."""

    name = "seal_history"
    part: Literal["shot", "mould", "workshop"] = "mould"
    causal = False
    needs: Mapping[str, tuple[str, ...]] = MappingProxyType(
        {
            **HISTORY_NEEDS,
            "seal_life": ("shots_left", "shots_left_low", "shots_left_high", "fitted_since", "age_shots"),
        }
    )
    optional: Mapping[str, tuple[str, ...]] = MappingProxyType({})
    yields: tuple[Table, ...] = (SEAL_HISTORY,)
    params: type[BaseModel] = HistoryParams

    def compute(self, job: Job) -> Result:
        """Compute all moulds of the job."""
        rows = []
        for mould in job.units:
            counter, found = history(job, mould)
            if counter is None:
                continue
            said = job.tables["seal_life"].filter((pl.col("mould") == mould) & pl.col("shots_left").is_not_null())
            for seal in found:
                own = said.filter((pl.col("seal") == seal.seal) & (pl.col("fitted_since") == when(seal.since)))
                end = seal.until if np.isfinite(seal.until) else max(float(counter.at[-1]), float(seal.at[-1]))
                age = float(counter.count(seal.since, end))
                crossed = crossing(seal, age)
                rows.append(
                    {
                        "mould": mould, "seal": seal.seal, "since": when(seal.since),
                        "until": when(seal.until) if np.isfinite(seal.until) else None, "assumed": seal.assumed,
                        "whole": seal.whole, "age_shots": age, "crossed_at_shots": crossed, "forecasts": own.height,
                        "half_life_forecast_held": held(own, age, crossed, ended=bool(np.isfinite(seal.until))),
                    }
                )  # fmt: skip
        return Result({SEAL_HISTORY.name: from_rows(SEAL_HISTORY, rows, whole=True)})


def crossing(seal: Seal, age: float) -> float | None:
    """Age at which the curve through all its leaks met the limit; None if it had not by its end."""
    upto = int((seal.at <= seal.until).sum())
    wear = fit(seal, upto, age)
    if wear is None:
        return None
    middle = float(np.interp(0.5, np.cumsum(wear.weights), wear.crossing))
    return max(middle, 0.0) if middle <= age and wear.level > 0.9 * seal.limit else None


def held(said: pl.DataFrame, age: float, crossed: float | None, *, ended: bool) -> bool | None:
    """Whether the forecast made nearest half way to the crossing held it; None where that can't be said yet.

    A seal replaced before it crossed is censored: its forecast failed if it had wholly run out by then, and held if it
    reached beyond; half way is then half its age. One still in use below its limit can't be judged.
    """
    if said.is_empty() or (crossed is None and not ended):
        return None
    half = 0.5 * (crossed if crossed is not None else age)
    row = said.with_columns((pl.col("age_shots") - half).abs().alias("_off")).sort("_off").row(0, named=True)
    if crossed is not None and row["age_shots"] >= crossed:
        return None
    low, high = row["age_shots"] + row["shots_left_low"], row["age_shots"] + row["shots_left_high"]
    return bool(low <= crossed <= high) if crossed is not None else bool(high >= age)
