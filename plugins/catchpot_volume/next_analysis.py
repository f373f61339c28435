"""What to set on a mould's next shot, and whether earlier advice would have been right. Glue."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
import polars as pl
from pydantic import BaseModel, ConfigDict, Field

from catchpot.analysis import Job, Refused, Result
from catchpot.answers import answers, event_words
from catchpot.report import words
from catchpot.stats.outlook import Outlook
from catchpot.tables import Table, empty, from_rows
from catchpot_volume import advice, gather, go, hand, predict
from catchpot_volume.tables import CHOICES, NEXT_SHOT, NEXT_SHOT_CHECK, nothing


class NextParams(BaseModel):
    """temperature_c, fabric_batch: of the coming shot, where known. thinnest: shots a history needs. stale_days: days
    after the last shot for which what is said holds."""

    model_config = ConfigDict(extra="forbid")

    temperature_c: float | None = Field(default=None, ge=-20, le=120)
    fabric_batch: str | None = None
    thinnest: int = Field(default=predict.LEAST_HISTORY, ge=predict.LEAST_HISTORY, le=100)
    stale_days: float = Field(default=30.0, gt=0, le=3650)


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
            "finding": ("shot", "mould", "kind", "severity", "since", "until", "message", "advice", "anchor", "cause"),
            "matter": ("mould", "severity", "state", "cause", "cause_words"),
            "matter_line": ("mould", "anchor"),
            "seal_leak": ("leak_mbar_l_s", "leak_low_mbar_l_s", "leak_high_mbar_l_s"),
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
            rows.append(row)
            if reason:
                lacking = [c for c in ("volume_l", "arrival_volume_l") if row.get(c) is None]
                refused += [Refused(mould, f"next_shot.{c}", reason) for c in lacking]
        made = from_rows(NEXT_SHOT, rows)
        checked = pl.concat(checks) if checks else empty(NEXT_SHOT_CHECK)
        return Result({NEXT_SHOT.name: made, NEXT_SHOT_CHECK.name: checked}, refused)

    def _one(
        self, job: Job, mould: str, frame: pl.DataFrame, learnt: predict.Readings | None,
        known_of: tuple[predict.Ahead | None, list[dict[str, Any]]], params: NextParams,
    ) -> tuple[dict[str, Any], str]:  # fmt: skip
        """The row, and why it has no volume where it has none."""
        events = known_of[1]
        row = nothing(mould) | _history(frame, events, learnt, params, self.zone)
        if mould not in job.book.moulds:
            reason = "the mould is not in the mould book"
            return row | go.columns([_without(reason, "put the mould into the mould book")]), reason
        given = _book_row(job, mould, frame)
        reasons = self._reasons(job, mould, frame, given, events, row)
        limit, margin, cautions = advice.pressure(frame, given, self.ambient_mbar)
        row |= {"line_pressure_limit_bar": limit, "blocked_vent_margin_n": margin}
        if margin is not None and margin < 0:
            reasons.insert(0, _lifting(cautions.pop(0), limit))
        if "no-go" in {r.state for r in reasons}:
            made = go.columns(reasons)
            return row | made, made["reasons"].splitlines()[0]
        found, reason = self._volume(job, frame, given, learnt, known_of, params, limit)
        if not found:
            how = "make the shots it needs, or complete the mould book; or set a volume by hand: “catchpot next "
            stop = _without(reason, f"{how}{mould} --set VOLUME --because TEXT”")
            by_hand = hand.newest(events, frame)
            if by_hand is None:
                return row | go.columns([stop, *reasons]), reason
            found = hand.alone(by_hand, given, self.zone)
        reasons += found.pop("reasons")
        row |= found
        row["cautions"] = "\n".join([*cautions, *row["cautions"]])
        return row | go.columns(reasons), ""

    def _reasons(
        self, job: Job, mould: str, frame: pl.DataFrame, given: dict[str, Any], events: list[dict[str, Any]],
        row: dict[str, Any],
    ) -> list[go.Reason]:  # fmt: skip
        """What findings, answers and events say of the next shot; fills in the row's findings and hold check."""
        leak = gather.of_mould(job.tables.get("seal_leak"), mould)
        clamp_limit = given["clamp_leak_limit_mbar_l_s"]
        held = go.newest_hold(leak, clamp_limit, None)
        row["hold_check"] = held.sentence(self.zone) if held is not None else ""
        reasons = []
        found = job.tables.get("finding")
        if found is not None and found.height:
            mine = found.filter(pl.col("mould") == mould)
            answered = answers(mine, job.tables["event"], job.tables["shot"]) if "event" in job.tables else {}
            newest, last = row["last_shot_at"], row["last_shot"]
            reasons += go.on_the_clamp(mould, mine, answered, leak, clamp_limit, newest, self.zone)
            reasons += go.beside_the_clamp(mould, mine, answered, last)
            cards, lines = (gather.of_mould(job.tables.get(t), mould) for t in ("matter", "matter_line"))
            if cards is not None and lines is not None:
                standing = advice.open_matters(cards, lines, answered, events)
            else:
                standing = advice.open_findings(mine, frame["shot"].to_list(), answered)
            row["open_findings"] = words.listed(list(dict.fromkeys(s.replace("_", " ") for s in standing)))
        new = [e for e in events if row["last_shot_at"] is not None and e["time"] > row["last_shot_at"]]
        more = go.since_the_last_shot(new, leak, clamp_limit, self.zone)
        return reasons + [m for m in more if not any(r.says.startswith(m.says) for r in reasons)]

    def _volume(
        self, job: Job, frame: pl.DataFrame, given: dict[str, Any], learnt: predict.Readings | None,
        known_of: tuple[predict.Ahead | None, list[dict[str, Any]]], params: NextParams, limit: float | None,
    ) -> tuple[dict[str, Any], str]:  # fmt: skip
        """What to set and what goes with it, with the reasons to take care that come of it; or why nothing is given."""
        ahead, events = known_of
        known = learnt.found if learnt is not None else 0
        bleed, chance = given["bleed_target_l"] or 0.0, given["fill_chance"] or 0.99
        temp = advice.temperature(frame, params.temperature_c)
        mu = advice.book_viscosity(given, temp)
        reasons, cautions = [], []
        if frame.is_empty():
            book, reason = _first_book(given)
            if book is None:
                return {}, reason
            volume, sd = predict.from_book(given, book)
            first = Outlook(np.ones(1), np.array([np.log(volume)]), np.array([sd / volume]), np.array([1e3]), 0)
            ahead = predict.Ahead(first)
            fills = predict.first_filling(given, book, mu, limit)
            reasons.append(go.Reason("care", FIRST, "the operator", "the first shot's log clears this"))
        elif ahead is None or known < params.thinnest:
            return {}, (
                f"the history is too thin: {words.count(frame.height, 'shot')}, of which {known} with a curve that can"
                f" be read; {words.count(params.thinnest, 'such shot')} are needed"
            )
        else:
            shift, extra, said = predict.fabric_shift(frame, params.fabric_batch)
            ahead = ahead.moved(shift, extra)
            cautions = [said + "."] if said else []
            flow = _flow(job, frame)
            fills = predict.filling(frame, given, float(np.exp(ahead.arrival.quantile(0.5))), mu, flow, limit)
        row = outlook_row(ahead, chance, bleed) | {"set_by_hand": ""}
        row["advised_volume_l"] = row["volume_l"]
        by_hand = hand.newest(events, frame)
        if by_hand is not None:
            row |= hand.instead(by_hand, row, ahead, self.zone)
            reasons.append(hand.reason(by_hand, row, self.zone))
        elif row["fill_chance"] < chance - 0.005:
            how = "note once the seconds until resin shows at the vent, or weigh the catch pot"
            said = _as_a_rule(row["fill_chance"])
            if row["fill_chance"] < CARE_BELOW:
                reasons.append(go.Reason("care", said, "the operator", how))
            else:
                cautions.append(f"{said[0].upper()}{said[1:]}, and {how}.")
        reasons += go.large_step(row["volume_l"], frame)
        gel = advice.gel_time(given, temp)
        litres, mass = advice.catalyst(given, row["volume_l"])
        time, high = (fills.time_s, fills.high_s) if fills is not None else (None, None)
        cautions += advice.more_cautions(time, high, gel, temp)
        course = fills.curve_s if fills is not None and np.isfinite(fills.curve_s).all() else None
        return row | {
            "expected_fill_time_s": time, "fill_time_low_s": fills.low_s if fills else None, "fill_time_high_s": high,
            "temperature_c": temp, "gel_time_s": gel, "catalyst_l": litres, "catalyst_kg": mass,
            "cautions": cautions, "reasons": reasons,
            "choice_chance": list(CHOICES),
            "choice_volume_l": [float(np.exp(ahead.arrival.quantile(c))) + bleed for c in CHOICES],
            "curve_share": predict.SHARES.tolist() if course is not None else None,
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
        return from_rows(NEXT_SHOT_CHECK, rows, whole=True)


CARE_BELOW = 0.90
"""Chance to fill below which a setting by rule asks for care: one shot in ten may end short (common practice, no
source)."""
FIRST = "no shot of this mould is known: the volume comes from the mould book's geometry alone; watch the vent"


def _as_a_rule(fill_chance: float) -> str:
    return (
        "where resin arrives is known too poorly to say that this fills for sure"
        f" ({100 * fill_chance:.0f} %): it is what is set on this mould as a rule; watch the vent"
    )


def _without(reason: str, how: str) -> go.Reason:
    return go.Reason("no-go", f"no volume can be given: {reason}", "whoever keeps the mould book", how)


def _lifting(said: str, limit: float | None) -> go.Reason:
    shut = limit is None or limit <= 0
    how = "bring the clamp pressure down again and log a shot or a hold check; never raise the line pressure"
    return go.Reason("no-go" if shut else "care", said, "whoever puts the clamp vacuum right", how)


def _history(
    frame: pl.DataFrame, events: list[dict[str, Any]], learnt: predict.Readings | None, params: NextParams, zone: str
) -> dict[str, Any]:
    """What the row says of the shots so far."""
    if frame.is_empty():
        return {}
    last = frame.row(-1, named=True)
    new = [e for e in events if e["time"] > last["started_at"]]
    programmed = last["programmed_volume_l"]
    return {
        "from_history": learnt.found if learnt is not None else 0, "last_shot": last["shot"],
        "last_shot_at": last["started_at"], "valid_until": last["started_at"] + timedelta(days=params.stale_days),
        "last_set_l": programmed if programmed is not None else last["injected_volume_l"],
        "changes_since": words.listed([f"{event_words(e['kind'], e['detail'])}, {words.day(e['time'], zone)}"
                                       for e in new]) if new else "",
    }  # fmt: skip


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
