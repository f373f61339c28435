"""Why a mould's volume changed. Glue; the joint estimate is in `catchpot.stats.causes`."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
import polars as pl
from pydantic import BaseModel, ConfigDict

from catchpot.analysis import Job, Kept, Refused, Result
from catchpot.keeping import Worked
from catchpot.tables import Table, from_rows
from catchpot_volume import gather, naming, periods
from catchpot_volume.answer import SUREST, sentences
from catchpot_volume.compare import Comparison, compare
from catchpot_volume.meters import Check, checks_of
from catchpot_volume.tables import VOLUME_CAUSE, VOLUME_CHANGE

REACH_SHOTS = 4
"""Events so many shots from a boundary count as being there."""


class CauseParams(BaseModel):
    """since, against_from, against_until: compare what was shot since a time with a span (UTC), instead of the periods
    found in the history."""

    model_config = ConfigDict(extra="forbid")

    since: datetime | None = None
    against_from: datetime | None = None
    against_until: datetime | None = None


class CauseAnalysis:
    """The analysis `volume_cause`, a mould at a time."""

    name = "volume_cause"
    part: Literal["shot", "mould", "workshop"] = "mould"
    causal = False  # later shots sharpen every comparison
    keeps = "worked_out"
    narrowed: Mapping[str, str] = MappingProxyType({"meter_witness": "injector", "meter": "injector"})
    # what other moulds were shot later than this one bears on none of its comparisons
    up_to_last: Mapping[str, str] = MappingProxyType({"meter_witness": "at", "meter": "since"})
    needs: Mapping[str, tuple[str, ...]] = MappingProxyType(
        {
            "shot": gather.SHOT_COLUMNS,
            "fill": gather.FILL_COLUMNS,
            "permeability": gather.PERMEABILITY_COLUMNS,
            "meter_witness": ("injector", "at", "of_shot", "of_mould", "log_volume", "shared_sd", "log_balance"),
            "meter": ("injector", "since"),
        }
    )
    optional: Mapping[str, tuple[str, ...]] = MappingProxyType(
        {
            "part": gather.PART_COLUMNS,
            "event": ("time", "mould", "kind", "detail"),
            "curve": ("clamp_pressure_mbar", "t_s"),
            "seal_resin": ("clamp_per_line_mbar_bar",),
            "seal_leak": ("seal", "rise_mbar_min"),
        }
    )
    yields: tuple[Table, ...] = (VOLUME_CAUSE, VOLUME_CHANGE)
    params: type[BaseModel] = CauseParams

    def __init__(self, zone: str = "UTC") -> None:
        """zone: the workshop's time zone, for days in sentences."""
        self.zone = zone

    def compute(self, job: Job) -> Result:
        """Compute the moulds of the job."""
        params = job.params if isinstance(job.params, CauseParams) else CauseParams()
        causes: list[dict[str, Any]] = []
        changes: list[dict[str, Any]] = []
        refused: list[Refused] = []
        events = job.tables["event"].to_dicts() if "event" in job.tables else []
        worked = Worked(job.kept.state if job.kept is not None else None)
        for mould in job.units:
            frame = gather.joined(job.tables, job.book, mould)
            mine = [e for e in events if e["mould"] in (None, mould)]
            chosen, reason = _choose(frame, mine, params, _steps(job.tables["meter"], frame), worked)
            if not chosen:
                refused.append(Refused(mould, "volume_cause", reason))
            for p in chosen:
                made, change = self._one(mould, frame, p, mine, job.tables["meter_witness"], worked)
                causes += made
                changes.append(change)
                if made and change["_reason"]:
                    refused.append(Refused(mould, "volume_cause.cause", change["_reason"]))
        tables = {t.name: from_rows(t, r, whole=True) for t, r in ((VOLUME_CAUSE, causes), (VOLUME_CHANGE, changes))}
        return Result(tables, refused, Kept(0, worked.state()))

    def _one(
        self,
        mould: str,
        frame: pl.DataFrame,
        p: periods.Periods,
        events: list[dict[str, Any]],
        witness: pl.DataFrame,
        worked: Worked,
    ) -> tuple[list[dict[str, Any]], dict[str, Any]]:
        injector = frame["injector"][int(p.after[-1])]
        others = witness.filter((pl.col("injector") == injector) & (pl.col("of_mould") != mould))
        checks = [c for c in checks_of(events, [injector] if injector else []) if c.injector == injector]
        near = near_events(frame, p, events)
        # nothing outside the two periods bears on their comparison
        first, last = min(int(p.before[0]), int(p.after[0])), max(int(p.before[-1]), int(p.after[-1]))
        frame = frame[first : last + 1]
        p = periods.Periods(p.before - first, p.after - first, p.why)
        at = frame["started_at"]
        others = others.filter((pl.col("at") >= at[int(p.before[0])]) & (pl.col("at") <= at[int(p.after[-1])]))
        content = (frame.rechunk(), p.before, p.after, p.why, others.rechunk(), near, checks)
        made: list[Any] = worked.out(
            "comparison", content, lambda: self._compared(mould, frame, p, near, others, checks)
        )
        return made[0], made[1]

    def _compared(
        self,
        mould: str,
        frame: pl.DataFrame,
        p: periods.Periods,
        near: list[dict[str, Any]],
        others: pl.DataFrame,
        checks: list[Check],
    ) -> list[Any]:
        c = compare(frame, p, near, others, checks)
        rows = naming.rows(c)
        change = change_row(mould, frame, p, c, rows)
        first, second, third = sentences(change, rows, self.zone)
        change |= {"sentence_1": first, "sentence_2": second, "sentence_3": third, "_reason": c.reason}
        made = [
            {"mould": mould, "since": change["since"], "until": change["until"], "cause": r.cause,
             "change_l": r.change[0], "change_low_l": r.change[1], "change_high_l": r.change[2],
             "chance": None if r.chance is None else min(r.chance, 1.0),
             "rank": i + 1, "measure_next": r.measure, "minutes": r.minutes, "in_doubt_l": r.in_doubt}
            for i, r in enumerate(rows)
        ]  # fmt: skip
        return [made, change]


def _steps(meter: pl.DataFrame, frame: pl.DataFrame) -> list[datetime]:
    """When the meters of the injectors that the mould is shot on stepped."""
    mine = meter.filter(pl.col("injector").is_in(frame["injector"].unique().to_list()))
    # the first row of an injector is its first shot
    return mine.filter(pl.col("since") > pl.col("since").min().over("injector"))["since"].to_list()


def _choose(
    frame: pl.DataFrame,
    events: list[dict[str, Any]],
    params: CauseParams,
    steps: list[datetime],
    worked: Worked,
) -> tuple[list[periods.Periods], str]:
    if frame.is_empty():
        return [], "no shot of this mould was injected and logged yet"
    if params.since is not None:
        against = None
        if params.against_from is not None and params.against_until is not None:
            against = (params.against_from, params.against_until)
        found = periods.asked(frame, params.since, against)
        return ([found] if found and periods.comparable(frame, found) else []), (
            f"either period needs {periods.LEAST} shots whose arrival volume is known; these have fewer"
        )
    made = [p for p in periods.found(frame, events, steps, worked) if periods.comparable(frame, p)]
    return made, (
        f"{2 * periods.LEAST + 2} shots whose arrival volume is known are needed before two periods can be compared"
    )


def near_events(frame: pl.DataFrame, p: periods.Periods, events: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Events between the periods or within a few shots of the boundary."""
    at = frame["started_at"]
    low = at[max(int(p.after[0]) - REACH_SHOTS, int(p.before[0]))]
    high = at[min(int(p.after[0]) + REACH_SHOTS - 1, int(p.after[-1]))]
    low = min(low, at[int(p.before[-1])])
    return [e for e in events if low <= e["time"] <= high]


def change_row(
    mould: str, frame: pl.DataFrame, p: periods.Periods, c: Comparison, rows: list[naming.Row]
) -> dict[str, Any]:
    """A row of volume_change without its sentences."""
    at = frame["started_at"]
    changed = naming.changed(c)
    top = rows[0]
    clear = c.change[1] > 0 or c.change[2] < 0
    share = 100 * top.change[0] / c.change[0] if changed and clear and top.cause != "overflow" else None
    if share is not None and not 0 < share <= 100:
        share = None
    return {
        "mould": mould, "since": at[int(p.after[0])], "until": at[int(p.after[-1])],
        "against_from": at[int(p.before[0])], "against_until": at[int(p.before[-1])], "why": p.why,
        "shots_before": c.shots[0], "shots_after": c.shots[1],
        "volume_from": c.volume_from,
        "arrival_before_l": c.before_l, "arrival_after_l": c.after_l, "arrival_change_l": c.change[0],
        "arrival_change_low_l": c.change[1], "arrival_change_high_l": c.change[2],
        "arrival_change_pct": 100 * c.change[0] / c.before_l, "injected_before_l": c.injected_l[0],
        "injected_after_l": c.injected_l[1], "injected_change_l": c.injected[0],
        "injected_change_low_l": c.injected[1], "injected_change_high_l": c.injected[2],
        "chance_pct": None if top.chance is None else 100 * min(top.chance, SUREST), "share_pct": share,
        "changed": changed, "clamp_change_mbar": c.clamp_mbar, "other_moulds": c.moulds,
        "other_moulds_step_pct": None if c.others_step is None else 100 * float(np.expm1(c.others_step)),
    }  # fmt: skip
