"""The seal section: leaks, which seal, what is due when, and whether what was said before held."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any

import polars as pl

from catchpot.report import words
from catchpot.report.section import Block, Cell, DataTable, Page, Panel, Prose, State, View
from catchpot_vacuum.findings import third_hold
from catchpot_vacuum.method import METHOD, REFERENCES
from catchpot_vacuum.pictures import coming_shots, leak_history, past_forecasts
from catchpot_vacuum.schedule import newest, schedule
from catchpot_vacuum.words_of_seals import (
    NAMES,
    SUDDEN,
    both_between,
    day,
    forecast,
    leak,
    left,
    past_lives,
    track_record,
)

Row = dict[str, Any]
_EVERY = ("*",)


class SealSection:
    """Vacuum and seals of a mould; the schedule of the workshop."""

    name = "seals"
    title = "Vacuum and seals"
    order = 20
    analyses: tuple[str, ...] = (
        "seal_leak", "seal_resin", "seal_life", "seal_watch", "seal_history", "seal_pool", "clamp_watch",
        "vacuum_supply",
    )  # fmt: skip
    needs: Mapping[str, tuple[str, ...]] = MappingProxyType(
        {
            "shot": ("mould", "started_at"), "seal_leak": _EVERY, "seal_hold": _EVERY, "seal_life": _EVERY,
            "seal_life_pooled": _EVERY, "seal_history": _EVERY, "seal_split": _EVERY, "event": _EVERY,
            "clamp_change": _EVERY,
            "finding": ("mould", "kind", "severity", "since", "until", "message", "analysis"),
            "refusal": ("analysis", "unit", "what", "reason"),
        }
    )  # fmt: skip

    def cells(self, view: View) -> Sequence[Cell]:
        """What is due first."""
        rows = [r for r in _forecasts(view) if r["shots_left"] is not None]
        if not rows:
            return [Cell("Seals", "no date", order=20)]
        first = min(rows, key=lambda r: r["shots_left"])
        state = _state(view, [first])
        said = f"{first['seal']}: {left(first)}"
        return [Cell("Seals", said, state if state in ("act", "watch") else None, first["shots_left"], 20)]

    def panel(self, view: View) -> Panel | None:
        """A mould's seals, or the workshop's schedule."""
        return _workshop(view) if view.mould is None else _mould(view)

    def pages(self, view: View) -> Sequence[Page]:
        """None of its own."""
        return ()


def _forecasts(view: View) -> list[Row]:
    return newest(view.tables["seal_life"], view.tables["seal_life_pooled"])


def _last(table: pl.DataFrame, seal: str) -> Row | None:
    own = table.filter((pl.col("seal") == seal) & pl.col("rise_mbar_min").is_not_null())
    return own.sort("started_at", "shot").row(-1, named=True) if own.height else None


def _value(row: Row | None) -> float | None:
    return None if row is None else row["leak_mbar_l_s"] if row["leak_mbar_l_s"] is not None else row["rise_mbar_min"]


def _state(view: View, rows: Sequence[Row]) -> State:
    """act: a seal at its limit or the newest shot found over it; watch: one that may be due within 30 days."""
    shot = view.tables["shot"].filter(pl.col("started_at").is_not_null())
    newest_shot = shot["started_at"].max() if shot.height else None
    finding = view.tables["finding"].filter(pl.col("analysis") == "seal_watch")
    fresh = finding.filter(pl.col("since") == newest_shot)["severity"].to_list() if newest_shot is not None else []
    if "act" in fresh or any(r["shots_left"] is not None and r["shots_left"] <= 0 for r in rows):
        return "act"
    fresh += [s for s in _of_the_clamp(view)["severity"] if s != "note"]
    if "act" in fresh:
        return "act"
    soon = any(r["due_low"] is not None and (r["due_low"] - r["as_of"]).days <= 30 for r in rows)
    return "watch" if fresh or soon else "in order"


def _mould(view: View) -> Panel | None:
    table = view.tables["seal_leak"]
    if view.tables["shot"].is_empty():
        return None
    rows, history = _forecasts(view), view.tables["seal_history"].to_dicts()
    current = [r for r in (_last(table, s) for s in ("clamp", "outer", "inner", "cavity")) if r is not None]
    if not current:
        return Panel("not assessed", _why_not(view), [Prose((_which(view),))], METHOD, REFERENCES)
    said = [f"{NAMES[r['seal']].capitalize()}: {leak(r)}, from {r['shot']} ({r['method']})." for r in current]
    weak, seals = _weakened(view), _headline(view, rows, current)
    blocks: list[Block] = [Prose((*((seals,) if weak else ()), *_outgassing(current), _which(view)))]
    figure = coming_shots(rows, "Shots still to come before each seal meets its limit", with_mould=False)
    blocks += [b for b in (figure, leak_history(view, table)) if b is not None]
    more: list[Block] = [Prose(tuple(said), title="Leaks of the last shot")]
    more.append(Prose((*(forecast(r) for r in rows), track_record(history)), title="When is a seal due"))
    past = past_forecasts(view.tables["seal_life"], history, view.zone)
    more += [past] if past is not None else []
    lives = past_lives(history)
    more += [Prose(tuple(lives), title="Lives of past seals")] if lives else []
    return Panel(_state(view, rows), weak or seals, blocks, METHOD, REFERENCES, more=more)


def _of_the_clamp(view: View) -> pl.DataFrame:
    """What was found on the clamp's pressure and stands until it ends, whatever the last shot says of the seals."""
    return view.tables["finding"].filter((pl.col("analysis") == "clamp_watch") & pl.col("until").is_null())


def _weakened(view: View) -> str:
    """How far the clamp has weakened, where that still stands; empty where it has not."""
    own = view.tables["clamp_change"].filter(
        pl.col("until").is_null() & (pl.col("after_mbar") > pl.col("before_mbar")) & (pl.col("mould") == view.mould)
    )
    if own.is_empty() or _of_the_clamp(view).is_empty():
        return ""
    r = own.sort("changed_at").row(-1, named=True)
    before, after = words.number(r["before_mbar"], "mbar", 2), words.number(r["after_mbar"], "mbar", 2)
    since = words.day(r["changed_at"], view.zone)
    return f"The clamp's pressure has gone from {before} to {after} absolute since {since}."


def _headline(view: View, rows: Sequence[Row], current: Sequence[Row]) -> str:
    dated = sorted((r for r in rows if r["shots_left"] is not None), key=lambda r: float(r["shots_left"]))
    if dated:
        return forecast(dated[0])
    if rows:
        return forecast(rows[0])
    return f"{view.mould}: the {NAMES[current[0]['seal']]} leaks {leak(current[0])}."


def _why_not(view: View) -> str:
    shots = view.tables["shot"]["shot"].to_list()
    refusal = view.tables["refusal"]
    reasons = refusal.filter((pl.col("what") == "seal_leak.clamp") & pl.col("unit").is_in(shots))["reason"]
    usual = reasons.drop_nulls().mode().sort().to_list() if reasons.len() else []
    return f"{view.mould}: {usual[0]}." if usual else f"{view.mould}: no leak could be assessed."


def _outgassing(current: Sequence[Row]) -> list[str]:
    shows = [r for r in current if (r["outgassing_chance"] or 0.0) > 0.5]
    return [
        f"The rise of the {NAMES[r['seal']]} in {r['shot']} levels off: with a chance of "
        f"{100 * r['outgassing_chance']:.0f} % part of it is outgassing (a fresh gel coat, say) or gas warming up, and "
        "not counted as leak."
        for r in shows
    ]


def _straddles(view: View, row: Row) -> bool:
    entry = view.book.moulds.get(view.mould or "")
    limit = getattr(entry, f"{row['seal']}_leak_limit_mbar_l_s", None)
    return limit is not None and row["leak_low_mbar_l_s"] < limit < row["leak_high_mbar_l_s"]


def _which(view: View) -> str:
    split = {r["seal"]: r for r in view.tables["seal_split"].to_dicts()}
    outer, inner = split.get("outer"), split.get("inner")
    if outer and inner and outer["leak_mbar_l_s"] is not None and inner["leak_mbar_l_s"] is not None:
        said = (
            f"Outer or inner, from the last {words.count(outer['shots'], 'shot')} with a hold check in steps together: "
            f"{both_between(outer, inner)}."
        )
        open_ = [r for r in (outer, inner) if _straddles(view, r)]
        more = f" The limit of the {' and of the '.join(NAMES[r['seal']] for r in open_)} lies in that range: "
        return said + (more + third_hold(outer["needed_hold_s"]) + "." if open_ else "")
    refusal = view.tables["refusal"]
    told = refusal.filter((pl.col("analysis") == "seal_watch") & (pl.col("unit") == view.mould))["reason"].to_list()
    return f"{told[0][0].upper()}{told[0][1:]}." if told else "Outer and inner seal were not told apart."


def _workshop(view: View) -> Panel | None:
    rows = _forecasts(view)
    if not rows:
        return None
    history = view.tables["seal_history"].to_dicts()
    plan = schedule(rows, view.book, view.tables["seal_hold"])
    now = day(max(r["as_of"] for r in rows))
    head = (
        f"{words.count(plan.height, 'seal')} may come due in the 30 days after {now}; {plan['mould'][0]} comes first."
        if plan.height
        else f"No seal is expected to come due in the 30 days after {now}."
    )
    blocks: list[Block] = [Prose((track_record(history), SUDDEN))]
    if plan.height:
        blocks.append(DataTable("seal-schedule", "What to replace in the next 30 days, the soonest first", plan))
    figure = coming_shots(rows, "Shots still to come before each seal meets its limit", with_mould=True)
    blocks += [figure] if figure is not None else []
    return Panel("watch" if plan.height else "in order", head, blocks, METHOD, REFERENCES)


__all__ = ["SealSection"]
