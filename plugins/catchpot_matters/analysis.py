"""Matters: what findings, drifts, causes and forecasts say of one change, said once. Glue."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, Literal

import polars as pl
from pydantic import BaseModel, ConfigDict

from catchpot.analysis import Job, Result
from catchpot.core_tables import MATTER, MATTER_LINE
from catchpot.happened import SHOT_COLUMNS, Happened, happenings
from catchpot.tables import Table, from_rows
from catchpot_matters import statements as say
from catchpot_matters.assemble import rows_of
from catchpot_matters.grouping import group, strongest

_ALL = ("*",)


class MatterParams(BaseModel):
    """Settings, `[analyses.matter]`: none."""

    model_config = ConfigDict(extra="forbid")


class MatterAnalysis:
    """The analysis `matter`, a mould at a time."""

    name = "matter"
    part: Literal["shot", "mould", "workshop"] = "mould"
    causal = False
    needs: Mapping[str, tuple[str, ...]] = MappingProxyType({
        "shot": ("mould", "started_at", *SHOT_COLUMNS),
        "finding": _ALL,
    })  # fmt: skip
    optional: Mapping[str, tuple[str, ...]] = MappingProxyType({
        "event": ("time", "mould", "kind", "detail"), "drift": _ALL, "volume_change": _ALL, "volume_cause": _ALL,
        "clamp_change": _ALL, "seal_life": _ALL, "seal_leak": ("seal",),
        "supply_change": ("supply_chance", "source_chance", "moved", "sentence"),
    })  # fmt: skip
    narrowed: Mapping[str, str] = MappingProxyType({"supply_change": "mould"})
    yields: tuple[Table, ...] = (MATTER, MATTER_LINE)
    params: type[BaseModel] = MatterParams

    def compute(self, job: Job) -> Result:
        """Compute the moulds of the job."""
        heads: list[dict[str, Any]] = []
        lines: list[dict[str, Any]] = []
        for mould in job.units:
            own, below = self._mould(job, mould)
            heads += own
            lines += below
        return Result({"matter": from_rows(MATTER, heads), "matter_line": from_rows(MATTER_LINE, lines)})

    def _mould(self, job: Job, mould: str) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
        shots = _of(job, "shot", mould).sort("started_at", "shot")
        line = say.Timeline.of(shots)
        if not line.starts:
            return [], []
        made = stated(job, mould, line)
        events = job.tables.get("event")
        mine = None if events is None else events.filter(pl.col("mould").is_null() | (pl.col("mould") == mould))
        happened = happenings(mine, shots)
        matters = group(made, _able(happened, line))
        return rows_of(mould, matters, happened, line, _forecasts(job, mould), str(job.book.zone))


def stated(job: Job, mould: str, line: say.Timeline) -> list[say.Statement]:
    """All that is said of a mould; each finding is in one statement."""
    findings = _of(job, "finding", mould)
    made: list[say.Statement] = []
    if "volume_change" in job.tables and "volume_cause" in job.tables:
        changes, causes = _of(job, "volume_change", mould), _of(job, "volume_cause", mould)
        made += say.of_volume(changes, causes, line, _of(job, "shot", mould))
    supply = say.supply_of(_of(job, "supply_change", mould)) if "supply_change" in job.tables else {}
    if "clamp_change" in job.tables:
        made += say.of_clamp(_of(job, "clamp_change", mould), findings, line, supply)
    made += say.of_seals(findings, line, _held(job, mould, line))
    if "drift" in job.tables:
        made += say.of_drift(_of(job, "drift", mould).filter(~_set_by_hand(job, mould)), findings, line, supply)
    made += say.of_shots(findings, line)
    taken = {a for s in made for a in s.anchors}
    return [*made, *say.of_others(findings, taken, line)]


def _set_by_hand(job: Job, mould: str) -> pl.Expr:
    """What is injected follows what is set, where the logs say what was: then only what lies beyond it is a change."""
    logged = _of(job, "shot", mould)["programmed_volume_l"].is_not_null().any()
    return (pl.col("measure") == "injected_volume_l") & pl.lit(logged)


def _held(job: Job, mould: str, line: say.Timeline) -> dict[str, list[int]]:
    """Places of the shots whose clamp channel or cavity was held."""
    if "seal_leak" not in job.tables:
        return {}
    known = _of(job, "seal_leak", mould).filter(pl.col("started_at").is_not_null()).sort("started_at", "shot")
    return {
        seal: [line.place(t) for t in known.filter(pl.col("seal") == seal)["started_at"]]
        for seal in ("clamp", "cavity")
    }


def _of(job: Job, table: str, mould: str) -> pl.DataFrame:
    return job.tables[table].filter(pl.col("mould") == mould)


def _able(happened: list[Happened], line: say.Timeline) -> dict[int, dict[str, float]]:
    able: dict[int, dict[str, float]] = {}
    for h in happened:
        place = line.place(h.at)
        able[place] = strongest((able.get(place, {}), h.explains))
    return able


def _forecasts(job: Job, mould: str) -> list[dict[str, Any]]:
    if "seal_life" not in job.tables:
        return []
    own = _of(job, "seal_life", mould).sort("as_of")
    return own.unique("seal", keep="last", maintain_order=True).to_dicts()
