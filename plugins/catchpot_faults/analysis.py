"""Analysis `faults`: findings of each shot, judged by the mould's healthy shots before it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Literal

from pydantic import BaseModel, ConfigDict

from catchpot import Job, Refused, Result
from catchpot.core_tables import FINDING
from catchpot.tables import Table, empty, shape
from catchpot_faults.tables import FAULT_EVIDENCE, FAULT_SIGN, FAULT_TABLES, ODD_CURVE

if TYPE_CHECKING:
    from datetime import datetime

    import polars as pl

    from catchpot_faults.curves import Shots
    from catchpot_faults.judge import Judged


class FaultParams(BaseModel):
    """No settings: what is called a fault rests on the mould's own scatter and on the mould book."""

    model_config = ConfigDict(extra="forbid")


class Faults:
    """Named faults and unusual shapes, one mould at a time; causal: later shots never change what was said of one."""

    name = "faults"
    part: Literal["shot", "mould", "workshop"] = "mould"
    causal = True
    needs: Mapping[str, tuple[str, ...]] = {
        "shot": (
            "mould", "started_at", "injector", "programmed_volume_l", "fabric_batch", "resin_batch", "stroke_volume_ml",
        ),
        "phase": ("phase", "step"),
        "curve": (
            "injected_volume_l", "n", "vol_l", "t_s", "flow_l_min", "line_pressure_bar", "cavity_pressure_mbar",
            "clamp_pressure_mbar", "catalyst_flow_ml_min", "flange_gap_mm",
        ),
        "fill": (
            "injected_volume_l", "arrival_volume_l", "arrival_volume_low_l", "arrival_volume_high_l", "overflow_l",
            "overflow_low_l", "ambient_pressure_mbar", "clamp_margin_n", "blocked_vent_margin_n",
            "peak_line_pressure_bar",
        ),
        "permeability": ("viscosity_pa_s", "line_resistance_per_m3"),
        "fault_sign": FAULT_SIGN.names[1:],
    }  # fmt: skip
    optional: Mapping[str, tuple[str, ...]] = {
        "event": ("time", "mould", "kind"),
        "part": ("overflow_kg", "part_mass_kg", "trimmed"),
    }
    yields: tuple[Table, ...] = FAULT_TABLES
    params: type[BaseModel] = FaultParams

    def compute(self, job: Job) -> Result:
        """Each mould of the job by itself."""
        import polars as pl

        made: dict[str, list[pl.DataFrame]] = {t.name: [empty(t)] for t in FAULT_TABLES}
        refused: list[Refused] = []
        for mould in job.units:
            for name, frame in _mould(job, mould, refused).items():
                made[name].append(frame)
        return Result({name: pl.concat(frames) for name, frames in made.items()}, refused)


def _events(job: Job, mould: str) -> list[tuple[datetime, str]]:
    event = job.tables.get("event")
    if event is None:
        return []
    return [(r["time"], r["kind"]) for r in event.iter_rows(named=True) if r["mould"] in (None, mould) and r["time"]]


def _mould(job: Job, mould: str, refused: list[Refused]) -> dict[str, pl.DataFrame]:
    from catchpot_faults.curves import collect
    from catchpot_faults.judge import judge
    from catchpot_faults.refuse import not_assessed

    shots = collect(job, mould)
    if shots is None:
        refused.append(Refused(mould, "faults", "no injection of this mould is logged yet"))
        return {}
    judged = judge(shots, _events(job, mould))
    refused += not_assessed(shots, judged)
    return {
        FINDING.name: finding_rows(shots, judged),
        FAULT_EVIDENCE.name: _evidence_rows(shots, judged),
        ODD_CURVE.name: _odd_rows(shots, judged),
    }


def finding_rows(shots: Shots, judged: Judged) -> pl.DataFrame:
    """Rows of `finding`; the anchor is analysis, kind and shot, numbered where a shot has two of a kind."""
    rows: dict[str, list[object]] = {c: [] for c in FINDING.names}
    for i, found in enumerate(judged.findings):
        count: dict[str, int] = {}
        for f in found:
            count[f.kind] = count.get(f.kind, 0) + 1
            again = f"-{count[f.kind]}" if count[f.kind] > 1 else ""
            values = {
                "shot": shots.shot[i], "mould": shots.mould, "kind": f.kind, "severity": f.severity,
                "since": shots.started_at[i], "message": f.message, "advice": f.advice, "analysis": "faults",
                "anchor": f"faults-{f.kind}-{shots.shot[i]}{again}", "until": None,
                "from_volume_l": f.from_l, "to_volume_l": f.to_l, "rank": f.rank,
            }  # fmt: skip
            for column, value in values.items():
                rows[column].append(value)
    return shape(FINDING, rows) if rows["shot"] else empty(FINDING)


def _evidence_rows(shots: Shots, judged: Judged) -> pl.DataFrame:
    import polars as pl

    columns: dict[str, object] = {"shot": shots.shot, "mould": [shots.mould] * len(shots)}
    for name, values in judged.evidence.items():
        series = pl.Series(values, dtype=pl.Float64).fill_nan(None)
        columns[name] = series.cast(pl.Int64) if name == "usual_shots" else series
    return shape(FAULT_EVIDENCE, columns)


def _odd_rows(shots: Shots, judged: Judged) -> pl.DataFrame:
    from catchpot_faults.drawn import drawn

    rows = [drawn(shots, judged, i) for i in sorted(judged.usuals) if judged.findings[i]]
    if not rows:
        return empty(ODD_CURVE)
    return shape(ODD_CURVE, {c: [r[c] for r in rows] for c in ODD_CURVE.names})


__all__ = ["FaultParams", "Faults", "finding_rows"]
