"""The clamp's pressure and margins watched as any measure. Glue; the judgement is in `clamp_watch`."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
import polars as pl
from pydantic import BaseModel, ConfigDict, Field

from catchpot.analysis import Job, Result
from catchpot.causes import CAUSES
from catchpot.core_tables import FINDING
from catchpot.physics.clamp import LOST_SHARE
from catchpot.report import words
from catchpot.tables import Table, from_rows
from catchpot_vacuum.clamp_watch import LESSENED, RISEN_MBAR, Floats, Margin, Moved, margin, moved, which_end
from catchpot_vacuum.tables import CLAMP_CHANGE

Row = dict[str, Any]


class ClampParams(BaseModel):
    """margin_share: below this share of the mould's usual blocked-vent or clamp margin a finding is `act`."""

    model_config = ConfigDict(extra="forbid")

    margin_share: float = Field(default=LOST_SHARE, ge=0.0, le=1.0)


class ClampAnalysis:
    """The analysis `clamp_watch`, a mould at a time."""

    name = "clamp_watch"
    part: Literal["shot", "mould", "workshop"] = "mould"
    causal = False  # a later shot moves the date of a change
    needs: Mapping[str, tuple[str, ...]] = MappingProxyType({
        "shot": ("mould", "started_at"),
        "fill": ("clamp_pressure_mbar", "clamp_margin_n", "blocked_vent_margin_n"),
        "seal_leak": ("seal", "rise_mbar_min"),
    })  # fmt: skip
    optional: Mapping[str, tuple[str, ...]] = MappingProxyType({})
    yields: tuple[Table, ...] = (CLAMP_CHANGE, FINDING)
    params: type[BaseModel] = ClampParams

    def compute(self, job: Job) -> Result:
        """Compute the moulds of the job."""
        params = job.params if isinstance(job.params, ClampParams) else ClampParams()
        rows: list[Row] = []
        found: list[Row] = []
        zone = str(job.book.zone)
        for mould in job.units:
            frame = (
                job.tables["fill"].filter(pl.col("mould") == mould)
                .filter(pl.col("started_at").is_not_null() & pl.col("clamp_pressure_mbar").is_not_null())
                .sort("started_at", "shot")
            )  # fmt: skip
            holds = _holds(job.tables["seal_leak"].filter(pl.col("mould") == mould), frame)
            for m in moved(frame["clamp_pressure_mbar"].to_numpy().astype(float)):
                row = change_row(mould, frame, holds, m, zone)
                rows.append(row)
                if (finding := finding_of(row, params.margin_share)) is not None:
                    found.append(finding)
        return Result({
            "clamp_change": from_rows(CLAMP_CHANGE, rows), "finding": from_rows(FINDING, found),
        })  # fmt: skip


def _holds(leak: pl.DataFrame, frame: pl.DataFrame) -> Floats:
    """The clamp channel's rise by each shot's own hold check, or one made since the shot before, shape (shots,)."""
    own = leak.filter((pl.col("seal") == "clamp") & pl.col("rise_mbar_min").is_not_null()).sort("started_at")
    made = np.full(frame.height, np.nan)
    starts = np.array([t.timestamp() for t in frame["started_at"]], dtype=float)
    for at, rise in own.select("started_at", "rise_mbar_min").iter_rows():
        place = int(np.searchsorted(starts, at.timestamp()))
        if place < len(made):
            made[place] = rise
    return made


def change_row(mould: str, frame: pl.DataFrame, holds: Floats, m: Moved, zone: str) -> Row:
    """A row of clamp_change."""
    starts = frame["started_at"].to_list()
    gone = np.arange(frame.height)
    during = (gone >= m.at) & (gone <= m.until)
    # A seal that wears with the clamp shows in the last holds most.
    ends = which_end((m.before, m.after), holds[gone < m.at], holds[during][-4:])
    margins = {n: margin(frame[n].cast(pl.Float64).fill_null(np.nan).to_numpy(), m)
               for n in ("blocked_vent_margin_n", "clamp_margin_n")}  # fmt: skip
    which, worst = _worst(margins)
    stands = m.until == frame.height - 1
    row: Row = {
        "mould": mould, "changed_at": starts[m.at], "changed_low_at": starts[m.low], "changed_high_at": starts[m.high],
        "until": None if stands else starts[m.until + 1], "last_at": starts[m.until],
        "seen_at": starts[m.seen_at], "shot": frame["shot"][m.at],
        "kind": "trend" if m.trend else "step", "before_mbar": m.before, "after_mbar": m.after,
        "supply_chance": ends.pump, "rise_before_mbar_min": _or_none(ends.before),
        "rise_after_mbar_min": _or_none(ends.after), "holds": ends.holds,
        "margin": which, "margin_before_n": worst.usual if worst else None,
        "margin_after_n": worst.now if worst else None,
        "shots_left": worst.shots_left if worst and stands else None,
    }  # fmt: skip
    return row | {"sentence_1": f"{mould}: {clamp_words(row, zone)}", "sentence_2": end_words(row)}


def _worst(margins: Mapping[str, Margin | None]) -> tuple[str, Margin | None]:
    known = {n: m for n, m in margins.items() if m is not None}
    if not known:
        return "", None
    name = max(known, key=lambda n: known[n].lost)
    return name, known[name]


def _or_none(value: float) -> float | None:
    return value if np.isfinite(value) else None


def finding_of(row: Row, margin_share: float) -> Row | None:
    """The finding `clamp_margin_low` of a rise that takes margin or is large; None for any other."""
    before, now = row["margin_before_n"], row["margin_after_n"]
    known = before is not None and now is not None
    risen = row["after_mbar"] - row["before_mbar"]
    kept = known and before - now < (1.0 - LESSENED) * abs(before)
    if risen <= 0 or (kept and risen < RISEN_MBAR):
        return None
    ended = row["until"] is not None
    lost = known and not kept and (now < margin_share * before or now <= 0.0)
    cause, chance = cause_of(row)
    return {
        "shot": None, "mould": row["mould"], "kind": "clamp_margin_low",
        "severity": "note" if ended else "act" if lost else "watch", "since": row["changed_at"], "until": row["until"],
        "message": f"{row['sentence_1']} {row['sentence_2']}",
        "advice": CAUSES[cause].advice, "analysis": "clamp_watch",
        "anchor": f"clamp_watch-clamp_margin_low-{row['mould']}-{row['changed_at']:%Y-%m-%d-%H%M}", "rank": 1,
        "about": "clamp_pressure_mbar", "cause": cause, "chance": chance,
    }  # fmt: skip


def cause_of(row: Row) -> tuple[str, float | None]:
    """The likelier end of a rise and its chance; the supply where no hold tells, without a chance."""
    supply = row["supply_chance"]
    if supply is None:
        return "vacuum_supply", None
    return ("vacuum_supply", supply) if supply >= 0.5 else ("clamp_seals", 1.0 - supply)


MARGIN_WORDS = {"blocked_vent_margin_n": "margin with the vent blocked", "clamp_margin_n": "lowest closing force"}


def clamp_words(row: Row, zone: str) -> str:
    """What the clamp did, and what is left of its margin."""
    before, after = (words.number(row[k], "mbar", 2) for k in ("before_mbar", "after_mbar"))
    how = "has gone" if row["until"] is None else "went"
    text = f"the clamp {how} from {before} to {after} absolute"
    text += f" since {words.day(row['changed_at'], zone)}" if row["until"] is None else (
        f" from {words.day(row['changed_at'], zone)} to {words.day(row['until'], zone)}")  # fmt: skip
    if row["margin_before_n"] is not None:
        was, now = (words.number(row[k] / 1e3, "kN", 2) for k in ("margin_before_n", "margin_after_n"))
        text += f"; the {MARGIN_WORDS[row['margin']]} from {was} to {now} (an upper estimate)"
    if row["shots_left"] is not None and 0 < row["shots_left"] < 60:
        text += f", nought in {words.count(round(row['shots_left']), 'shot')} at this pace"
    return text + "."


def end_words(row: Row) -> str:
    """Which end it is, by the hold checks."""
    supply = row["supply_chance"]
    if supply is None:
        return (
            "No hold check tells whether it is the supply or a seal: shut the clamp line before the next shot and"
            " watch for 45 s."
        )
    was, now = (words.number(row[k], "mbar/min", 2) for k in ("rise_before_mbar_min", "rise_after_mbar_min"))
    held = f"in the hold checks the channel rises by {now}, before by {was}"
    if supply >= 0.5:
        return f"The seals hold as before ({held}): it is the pump, a filter, a valve, the line or the gauge."
    return f"The seals leak more ({held})."
