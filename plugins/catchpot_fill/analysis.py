"""How each shot filled: arrival volume, mobility, clamp margin. Glue; the maths is in `fit`, `physics` and `stats`."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal

import numpy as np
import polars as pl
from pydantic import BaseModel, ConfigDict, Field

from catchpot.analysis import Job, Result
from catchpot.tables import Table, shape
from catchpot_fill import gather, measures
from catchpot_fill.outcome import Refusals
from catchpot_fill.prepare import SAMPLE_COLUMNS
from catchpot_fill.tables import FILL, FILL_FIT, PERMEABILITY

_DEFAULT_AMBIENT_MBAR = 1013.25


class FillParams(BaseModel):
    """Settings, `[analyses.fill]`.

    ambient_pressure_mbar: where neither a barometer nor the cavity gauge before evacuation tells; the workshop's by
    default. widest_interval_pct: an arrival volume known worse than to this half-width is refused.
    """

    model_config = ConfigDict(extra="forbid")

    ambient_pressure_mbar: float | None = Field(default=None, ge=500.0, le=1100.0)
    widest_interval_pct: float = Field(default=10.0, gt=0.0, le=50.0)


class FillAnalysis:
    """The analysis `fill`, all shots of a batch at once."""

    name = "fill"
    part: Literal["shot", "mould", "workshop"] = "shot"
    causal = True
    needs: Mapping[str, tuple[str, ...]] = MappingProxyType(
        {
            "shot": ("shot", "mould", "started_at", "resin_batch", "stroke_volume_ml", "channels"),
            "sample": SAMPLE_COLUMNS,
            "phase": ("start_s", "end_s", "start_volume_l", "end_volume_l", "volume_low_l", "volume_high_l"),
        }
    )
    optional: Mapping[str, tuple[str, ...]] = MappingProxyType({})
    yields: tuple[Table, ...] = (FILL, PERMEABILITY, FILL_FIT)
    params: type[BaseModel] = FillParams

    def __init__(self, ambient_pressure_mbar: float = _DEFAULT_AMBIENT_MBAR) -> None:
        """ambient_pressure_mbar: the workshop's setting."""
        self.ambient_pressure_mbar = ambient_pressure_mbar

    def compute(self, job: Job) -> Result:
        """Compute all shots of the job."""
        params = job.params if isinstance(job.params, FillParams) else FillParams()
        ambient = params.ambient_pressure_mbar or self.ambient_pressure_mbar
        units = pl.DataFrame({"shot": list(job.units)}, schema={"shot": pl.String()})
        shots = units.join(job.tables["shot"], on="shot", how="left", maintain_order="left")
        refusals = Refusals(list(job.units))
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            shot = gather.gather(shots, job.tables["sample"], job.tables["phase"], job.book.for_shots(shots), ambient)
            filled = measures.fill_columns(shot, refusals, params.widest_interval_pct / 100.0)
            permeable = measures.permeability_columns(shot, refusals)
            drawn = measures.fit_columns(shot)
        tables = {
            table.name: shape(table, {"shot": units["shot"], **columns})
            for table, columns in ((FILL, filled), (PERMEABILITY, permeable), (FILL_FIT, drawn))
        }
        return Result(tables, refusals.result())
