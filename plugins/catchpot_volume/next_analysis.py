"""What to set on a mould's next shot, and whether earlier advice would have been right. Glue."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
import polars as pl
from pydantic import BaseModel, ConfigDict, Field

from catchpot.analysis import Job, Refused, Result
from catchpot.report import words
from catchpot.stats.outlook import Outlook
from catchpot.tables import Table, empty, shape
from catchpot_volume import advice, gather, predict
from catchpot_volume.tables import NEXT_SHOT, NEXT_SHOT_CHECK


class NextParams(BaseModel):
    """temperature_c, fabric_batch: of the coming shot, where known. thinnest: shots a history needs."""

    model_config = ConfigDict(extra="forbid")

    temperature_c: float | None = Field(default=None, ge=-20, le=120)
    fabric_batch: str | None = None
    thinnest: int = Field(default=predict.LEAST_HISTORY, ge=predict.LEAST_HISTORY, le=100)


class NextAnalysis:
    """The analysis `next_shot`, a mould at a time."""

    name = "next_shot"
    part: Literal["shot", "mould", "workshop"] = "mould"
    causal = False
    needs: Mapping[str, tuple[str, ...]] = MappingProxyType(
        {
            "shot": gather.SHOT_COLUMNS,
            "fill": gather.FILL_COLUMNS,
            "permeability": gather.PERMEABILITY_COLUMNS,
        }
    )
    optional: Mapping[str, tuple[str, ...]] = MappingProxyType(
        {
            "part": gather.PART_COLUMNS,
            "event": ("time", "mould", "kind", "detail"),
            "curve": ("flow_l_min",),
            "finding": ("shot", "mould", "kind", "severity", "since", "until", "message"),
        }
    )
    yields: tuple[Table, ...] = (NEXT_SHOT, NEXT_SHOT_CHECK)
    params: type[BaseModel] = NextParams

    def __init__(self, zone: str = "UTC", ambient_mbar: float = 1013.25) -> None:
        """zone: of the workshop. ambient_mbar: where none is logged."""
        self.zone, self.ambient_mbar = zone, ambient_mbar

    def compute(self, job: Job) -> Result:
        """Compute the moulds of the job."""
        params = job.params if isinstance(job.params, NextParams) else NextParams()
        rows: list[dict[str, Any]] = []
        checks: list[pl.DataFrame] = []
        refused: list[Refused] = []
        for mould in job.units:
            frame = gather.joined(job.tables, job.book, mould)
            events = job.tables["event"].to_dicts() if "event" in job.tables else []
            events = [e for e in events if e["mould"] in (None, mould)]
            learnt = predict.readings(frame) if frame.height else None
            outlooks: list[predict.Ahead | None] = [None]
            if learnt is not None and learnt.found:
                at = frame["started_at"].gather(learnt.rows).to_list()
                outlooks = predict.looked_ahead(learnt, predict.steps(at, events))
                if mould in job.book.moulds:
                    checks.append(self._check(mould, frame, learnt, outlooks[:-1], job))
            row, reason = self._one(job, mould, frame, learnt, (outlooks[-1], events), params)
            if row is None:
                refused.append(Refused(mould, "next_shot", reason))
            else:
                rows.append(row)
        made = shape(NEXT_SHOT, {k: [r.get(k) for r in rows] for k in NEXT_SHOT.names}) if rows else empty(NEXT_SHOT)
        checked = pl.concat(checks) if checks else empty(NEXT_SHOT_CHECK)
        return Result({NEXT_SHOT.name: made, NEXT_SHOT_CHECK.name: checked}, refused)

    def _one(
        self, job: Job, mould: str, frame: pl.DataFrame, learnt: predict.Readings | None,
        known_of: tuple[predict.Ahead | None, list[dict[str, Any]]], params: NextParams,
    ) -> tuple[dict[str, Any] | None, str]:  # fmt: skip
        ahead, events = known_of
        if mould not in job.book.moulds:
            return None, "the mould is not in the mould book"
        found = job.tables.get("finding")
        last = frame["shot"][-1] if frame.height else None
        mine = found.filter(pl.col("mould") == mould) if found is not None else pl.DataFrame()
        stop = advice.blocking(mine, last) if mine.height else []
        if stop:
            return None, (
                f"a finding on the clamp stands open ({words.listed([f['kind'].replace('_', ' ') for f in stop])}):"
                f" {stop[0]['message'].removeprefix(mould + ': ')} Put that right first"
            )
        given = _book_row(job, mould, frame)
        known = learnt.found if learnt is not None else 0
        bleed, chance = given["bleed_target_l"] or 0.0, given["fill_chance"] or 0.99
        new = [e for e in events if e["time"] > frame["started_at"][-1]] if frame.height else []
        temp = advice.temperature(frame, params.temperature_c)
        limit, margin, cautions = advice.pressure(frame, given, self.ambient_mbar)
        mu = advice.book_viscosity(given, temp)
        if frame.is_empty():
            book, reason = _first_book(given)
            if book is None:
                return None, reason
            volume, sd = predict.from_book(given, book)
            first = Outlook(np.ones(1), np.array([np.log(volume)]), np.array([sd / volume]), np.array([1e3]), 0)
            ahead = predict.Ahead(first)
            fills = predict.first_filling(given, book, mu, limit)
            cautions = [
                *cautions,
                "No shot of this mould is known: the volume comes from the mould book's geometry alone.",
            ]
        elif ahead is None or known < params.thinnest:
            return None, (
                f"the history is too thin: {words.count(frame.height, 'shot')}, of which {known} with a curve that can"
                f" be read; {words.count(params.thinnest, 'such shot')} are needed"
            )
        else:
            shift, extra, said = predict.fabric_shift(frame, params.fabric_batch)
            ahead = ahead.moved(shift, extra)
            cautions = [*cautions, said + "."] if said else cautions
            flow = _flow(job, frame)
            fills = predict.filling(frame, given, float(np.exp(ahead.arrival.quantile(0.5))), mu, flow, limit)
        row = outlook_row(ahead, chance, bleed)
        if row["fill_chance"] < chance - 0.005:
            cautions = [*cautions, _as_a_rule(row["fill_chance"])]
        gel = advice.gel_time(given, temp)
        litres, mass = advice.catalyst(given, row["volume_l"])
        standing = advice.open_findings(mine, last) if mine.height else []
        cautions += advice.more_cautions(
            given, fills.time_s if fills else None, fills.high_s if fills else None, gel, temp, new, standing,
            "",
        )  # fmt: skip
        course = fills.curve_s if fills is not None and np.isfinite(fills.curve_s).all() else None
        return {
            "mould": mould, **row, "line_pressure_limit_bar": limit,
            "expected_fill_time_s": fills.time_s if fills else None, "fill_time_low_s": fills.low_s if fills else None,
            "fill_time_high_s": fills.high_s if fills else None, "temperature_c": temp, "gel_time_s": gel,
            "catalyst_l": litres, "catalyst_kg": mass, "blocked_vent_margin_n": margin,
            "from_history": 0 if frame.is_empty() else known, "last_shot": last,
            "last_shot_at": frame["started_at"][-1] if frame.height else None,
            "changes_since": words.listed([_event(e, self.zone) for e in new]) if new else "",
            "open_findings": words.listed([f["kind"].replace("_", " ") for f in standing]) if standing else "",
            "cautions": "\n".join(cautions), "curve_share": predict.SHARES.tolist() if course is not None else None,
            "curve_time_s": course.tolist() if course is not None else None,
        }, ""  # fmt: skip

    def _check(
        self, mould: str, frame: pl.DataFrame, learnt: predict.Readings, before: list[predict.Ahead | None], job: Job
    ) -> pl.DataFrame:
        weighed = gather.pot_volume_l(frame)[learnt.rows]
        asked = frame[learnt.rows].select("shot", "mould", "started_at", "resin_batch")
        book = job.book.for_shots(asked)
        rows = []
        for i, o in enumerate(before):
            # the tool's own arrivals would judge themselves: only what a catch pot showed counts
            if o is None or not np.isfinite(weighed[i]):
                continue
            wanted, chance = book["bleed_target_l"][i] or 0.0, book["fill_chance"][i] or 0.99
            row = outlook_row(o, chance, wanted)
            took = float(weighed[i])
            row |= {"shot": asked["shot"][i], "mould": mould, "observed_arrival_l": took,
                    "would_fill": row["volume_l"] - wanted >= took, "would_overflow_l": row["volume_l"] - took,
                    "rank_chance": float(np.clip(o.arrival.chance_below(float(np.log(took))), 0, 1))}  # fmt: skip
            rows.append(row)
        if not rows:
            return empty(NEXT_SHOT_CHECK)
        return shape(NEXT_SHOT_CHECK, {k: [r[k] for r in rows] for k in NEXT_SHOT_CHECK.names})


def _as_a_rule(fill_chance: float) -> str:
    return (
        "Where resin arrives is known too poorly to say that this fills for sure"
        f" ({100 * fill_chance:.0f} %): it is what is set on this mould as a rule. Watch the vent, and note once the"
        " seconds until resin shows there, or weigh the catch pot."
    )


def outlook_row(ahead: predict.Ahead, chance: float, bleed_l: float) -> dict[str, Any]:
    """Volume to set and what goes with it."""
    o = ahead.arrival
    low, middle, high = (float(np.exp(o.quantile(q))) for q in (0.025, 0.5, 0.975))
    volume = float(np.ceil(np.exp(ahead.to_set(chance)) * 1000 - 1e-9) / 1000) + bleed_l
    return {
        "volume_l": volume, "volume_low_l": low + bleed_l, "volume_high_l": max(high + bleed_l, volume),
        "fill_chance": float(np.clip(o.chance_below(float(np.log(volume - bleed_l))), 0.0, 1.0)),
        "arrival_volume_l": middle, "arrival_volume_low_l": low, "arrival_volume_high_l": high,
        "expected_overflow_l": volume - middle, "bleed_target_l": bleed_l,
    }  # fmt: skip


def _book_row(job: Job, mould: str, frame: pl.DataFrame) -> dict[str, Any]:
    when = job.until
    if frame.height:
        last = frame["started_at"][-1]
        when = last if when is None else max(when, last)
    batch = frame["resin_batch"][-1] if frame.height else None
    times = pl.Datetime("us", "UTC")
    asked = pl.DataFrame({"shot": ["next"], "mould": [mould], "started_at": pl.Series([when], dtype=times),
                          "resin_batch": pl.Series([batch], dtype=pl.String)})  # fmt: skip
    return job.book.for_shots(asked).row(0, named=True)


def _first_book(given: dict[str, Any]) -> tuple[Any, str]:
    named = {f"book_{c}": [given[c]] for c in gather.BOOK_COLUMNS}
    frame = pl.DataFrame(named)
    book = gather.part_book(frame, 0, 1.0)
    if book is None or book.bed_l <= 0:
        return None, (
            "no shot is known, and the mould book lacks the part's area, thickness, fibre or the resin's density, which"
            " a first volume needs"
        )
    return gather.part_book(frame, 0, book.bed_l + book.runner_l), ""


def _flow(job: Job, frame: pl.DataFrame) -> float | None:
    """Flow the machine runs at before the pressure limit holds it back, l/min, from the last shots' curves."""
    curve = job.tables.get("curve")
    if curve is None or curve.is_empty():
        return None
    last = curve.filter(pl.col("shot").is_in(frame["shot"].tail(10).to_list()))["flow_l_min"].drop_nulls()
    if not len(last):
        return None
    values = np.array([v for row in last.to_list() for v in row if v is not None and np.isfinite(v)])
    return float(np.quantile(values, 0.9)) if len(values) else None


def _event(e: dict[str, Any], zone: str) -> str:
    detail = f" ({e['detail']})" if e["detail"] else ""
    return f"{words.words_of(e['kind'])}{detail}, {words.day(e['time'], zone)}"
