"""Analysis `faults`: findings of each shot, judged by the mould's shots before it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator

from catchpot import Job, Kept, Refused, Result
from catchpot.tables import Table, empty
from catchpot_faults.tables import FAULT_SIGN, FAULT_TABLES

if TYPE_CHECKING:
    import polars as pl

    from catchpot_faults.decide import Odds


def _others() -> str:
    from catchpot_faults.hypothesis import digest_of_others

    return digest_of_others()


class FaultParams(BaseModel):
    """Settings, `[analyses.faults]`.

    one_in: by kind, one shot in how many has it before anything was seen (`one_in = { race_tracking = 50 }`); each
    kind brings its own, from experience. miss_over_alarm: what a missed fault costs beside a false alarm; at 1 a fault
    is named from a chance of a half on. without: kinds that are not looked for. other_kinds: the tool's own: digest of
    kinds added from outside.
    """

    model_config = ConfigDict(extra="forbid")

    one_in: dict[str, float] = Field(default_factory=dict)
    miss_over_alarm: float = Field(default=1.0, gt=0.0, le=100.0)
    without: tuple[str, ...] = ()
    other_kinds: str = Field(default_factory=_others)

    @field_validator("one_in")
    @classmethod
    def _above_one(cls, value: dict[str, float]) -> dict[str, float]:
        for kind, odds in value.items():
            if not odds > 1.0:
                raise ValueError(f"one_in.{kind} is {odds}: one shot in how many, so more than 1")
        return value

    def odds(self) -> Odds:
        """For the judge."""
        from catchpot_faults.decide import Odds

        return Odds(self.one_in, self.miss_over_alarm)


class Faults:
    """Named faults and unusual shapes, one mould at a time; causal: later shots never change what was said of one."""

    name = "faults"
    part: Literal["shot", "mould", "workshop"] = "mould"
    causal = True
    keeps = "added"
    needs: Mapping[str, tuple[str, ...]] = {
        "shot": (
            "mould", "started_at", "programmed_volume_l", "fabric_batch", "resin_batch", "stroke_volume_ml",
        ),
        "curve": (
            "vol_l", "t_s", "cavity_pressure_mbar", "clamp_pressure_mbar", "catalyst_flow_ml_min", "flange_gap_mm",
        ),
        "injection": (
            "injected_volume_l", "bed_viscosity_pa_s", "readings",
            "resistance_per_m3", "resistance_sd_per_m3", "time_s",
        ),
        "fill": (
            "arrival_relative", "arrival_place_l", "arrival_place_pct", "arrival_chance", "oddity", "clamp_margin_n",
            "ambient_pressure_mbar",
        ),
        "fault_sign": FAULT_SIGN.names[1:],
    }  # fmt: skip
    optional: Mapping[str, tuple[str, ...]] = {"part": ("overflow_kg", "part_mass_kg", "trimmed")}
    yields: tuple[Table, ...] = FAULT_TABLES
    params: type[BaseModel] = FaultParams

    def compute(self, job: Job) -> Result:
        """Each mould of the job by itself."""
        import numpy as np
        import polars as pl

        from catchpot_faults.hypothesis import kinds

        params = job.params if isinstance(job.params, FaultParams) else FaultParams()
        looked_for = {k: v for k, v in kinds().items() if k not in params.without}
        made: dict[str, list[pl.DataFrame]] = {t.name: [empty(t)] for t in FAULT_TABLES}
        refused: list[Refused] = []
        kept: Kept | None = None
        for mould in job.units:
            with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
                tables, kept = _mould(job, mould, looked_for, params, refused)
                for name, frame in tables.items():
                    made[name].append(frame)
        return Result({name: pl.concat(frames) for name, frames in made.items()}, refused, kept)


def _mould(
    job: Job, mould: str, looked_for: Mapping[str, object], params: FaultParams, refused: list[Refused]
) -> tuple[dict[str, pl.DataFrame], Kept | None]:
    from catchpot_faults import memory, rows
    from catchpot_faults.hypothesis import Kind
    from catchpot_faults.judge import judge
    from catchpot_faults.refuse import not_assessed
    from catchpot_faults.shots import collect

    shots = collect(job, mould)
    if shots is None:
        if job.kept is None:
            refused.append(Refused(mould, "faults", "no injection of this mould is logged yet"))
        return {}, job.kept
    known, first, place = None, 0, 0
    if job.kept is not None:
        shots, known = memory.resumed(job.kept, shots)
        first, place = len(known.ill), job.kept.shots
    kinds = {k: v for k, v in looked_for.items() if isinstance(v, Kind)}
    judged = judge(shots, kinds, params.odds(), known)
    refused += not_assessed(shots, judged, first)
    kept = None
    # kinds from elsewhere may look at anything of the past
    if judged.memory is not None and len(job.units) == 1 and not params.other_kinds:
        kept = job.kept
        if (behind := len(judged.memory.ill)) > first:
            names = job.tables["shot"]["shot"].to_list()
            kept = memory.keep(shots, judged.memory, place + names.index(shots.shot[behind]))
    return rows.tables(shots, judged, kinds, params.odds(), first), kept


__all__ = ["FaultParams", "Faults"]
