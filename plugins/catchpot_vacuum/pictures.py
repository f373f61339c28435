"""Figures and tables of the seal section."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import polars as pl

from catchpot.report import words
from catchpot.report.figures import Coming, Flag, Strip, bars_height, history, history_height, ruler
from catchpot.report.section import DataTable, Figure, View
from catchpot_vacuum.lookback import came, verdict
from catchpot_vacuum.words_of_seals import SHORT, day, due, forecast, left

Row = dict[str, Any]
LEAKS_SHOWN = 120
"""Rows of the table behind the leaks, the newest; the shots' pages hold the others."""
_EVENTS = ("seal_replaced", "seal_reseated", "mould_serviced", "pump_serviced", "hose_changed", "vent_changed")


def coming_shots(rows: Sequence[Row], title: str, *, with_mould: bool) -> Figure | None:
    """The ruler of coming shots: a line a seal from low to high, the median as a tick, the dates as words."""
    dated = [r for r in rows if r["shots_left"] is not None]
    if not dated:
        return None

    def name(r: Row) -> str:
        return f"{r['mould']}, {SHORT[r['seal']]}" if with_mould else SHORT[r["seal"]]

    longest = max(r["shots_left"] for r in dated)
    cap = max(3.0 * longest, 20.0)
    coming = [
        Coming(
            name(r),
            r["shots_left"],
            r["shots_left_low"],
            min(r["shots_left_high"], cap),
            due(r),
        )
        for r in dated
    ]
    table = pl.DataFrame(
        [{"seal": name(r), "left": left(r), "due": day(r["due_on"]), "earliest (80 %)": day(r["due_low"]),
          "latest (80 %)": day(r["due_high"])} for r in dated]
    )  # fmt: skip
    return Figure(
        "seal-ruler",
        title,
        ruler(coming, heading=f"{dated[0]['unit']} still to come"),
        " ".join(forecast(r) for r in dated),
        table,
        bars_height(len(coming)),
    )


def leak_history(view: View, leak: pl.DataFrame) -> Figure | None:
    """Leaks over time, a strip a seal, with the limit and the seal's events."""
    rows = leak.filter(pl.col("started_at").is_not_null())
    if rows.is_empty():
        return None
    litres = rows["leak_mbar_l_s"].is_not_null().any()
    stem, unit = ("leak", "mbar_l_s") if litres else ("rise", "mbar_min")
    entry = view.book.moulds.get(view.mould or "")
    strips = []
    for seal in ("clamp", "outer", "inner", "cavity"):
        own = rows.filter((pl.col("seal") == seal) & pl.col(f"{stem}_{unit}").is_not_null())
        if own.is_empty():
            continue
        limit = _limit(entry, seal) if litres else None
        strips.append(
            Strip(
                f"{SHORT[seal]} [{'mbar l/s' if litres else 'mbar/min'}]",
                own["started_at"].to_list(),
                _middle(own, seal, stem, unit),
                own[f"{stem}_low_{unit}"].to_list(),
                own[f"{stem}_high_{unit}"].to_list(),
                own["shot"].to_list(),
                (None, limit) if limit is not None else None,
                f"limit {words.number(limit, 'mbar l/s', 2)}" if limit is not None else "",
            )
        )
    if not strips:
        return None
    events = view.tables["event"].filter(pl.col("kind").is_in(list(_EVENTS))).sort("time").to_dicts()
    first = rows["started_at"].min()
    flags = [
        Flag(e["time"], words.words_of(e["kind"]) + (f" ({e['detail']})" if e["detail"] else ""))
        for e in events if first is None or e["time"] >= first
    ]  # fmt: skip
    last = rows.sort("started_at").row(-1, named=True)
    said = (
        f"Leaks over time, as they would be with {words.number(50.0, 'mbar', 2)} in the clamp and "
        f"{words.number(550.0, 'mbar', 2)} in the cavity, so that shots compare. The clamp channel lies between outer "
        f"and inner seal; the newest shot is {last['shot']}. Of outer and inner seal the bar is the range that the "
        "laws leave, the mark its middle."
    )
    named = {f.at: f.text for f in flags}
    said += (
        f" Events: {'; '.join(f'{words.day(t, view.zone)} {x}' for t, x in named.items())}." if named else ""
    )  # fmt: skip
    return Figure(
        "seal-leaks", "Leaks, restated to the same pressures", history(strips, flags, zone=view.zone), said,
        _leak_table(rows), history_height(len(strips), bool(flags)),
    )  # fmt: skip


def _middle(own: pl.DataFrame, seal: str, stem: str, unit: str) -> list[float]:
    """What the mark shows: the value; of outer and inner seal the middle of the range, since the law is not known."""
    if seal not in ("outer", "inner"):
        return own[f"{stem}_{unit}"].to_list()
    return (0.5 * (own[f"{stem}_low_{unit}"] + own[f"{stem}_high_{unit}"])).to_list()


def _limit(entry: Any, seal: str) -> float | None:
    if entry is None or seal == "cavity":
        return None
    value = getattr(entry, f"{seal}_leak_limit_mbar_l_s")
    outer, inner = entry.outer_leak_limit_mbar_l_s, entry.inner_leak_limit_mbar_l_s
    if value is None and seal == "clamp" and outer is not None and inner is not None:
        return float(outer + inner)
    return float(value) if value is not None else None


def _leak_table(rows: pl.DataFrame) -> pl.DataFrame:
    return (
        rows.sort("started_at", "shot", "seal")
        .tail(LEAKS_SHOWN)
        .select(
            "shot",
            "seal",
            pl.col("leak_mbar_l_s").round(3).alias("leak [mbar l/s]"),
            pl.col("leak_low_mbar_l_s").round(3).alias("low (95 %) [mbar l/s]"),
            pl.col("leak_high_mbar_l_s").round(3).alias("high (95 %) [mbar l/s]"),
            pl.col("rise_mbar_min").round(2).alias("rise [mbar/min]"),
            "method",
        )
    )


def past_forecasts(life: pl.DataFrame, history_rows: Sequence[Row], zone: str) -> DataTable | None:
    """Past forecasts as words, held or missed: of each seal a few, spread over its life."""
    out = []
    for h in history_rows:
        own = life.filter(
            (pl.col("seal") == h["seal"]) & (pl.col("fitted_since") == h["since"]) & pl.col("shots_left").is_not_null()
        ).sort("as_of")
        most = 6 if h["crossed_at_shots"] is not None or h["until"] is None else 3
        step = max(1, -(-own.height // most))
        out += [
            {
                "seal": SHORT[h["seal"]],
                "in use since": words.day(h["since"], zone),
                "said on": day(r["as_of"]),
                "said": f"after {r['age_shots']:.0f}: {left(r)} left",
                "came": came(h, r),
                "verdict": verdict(h, r),
            }
            for r in own.gather_every(step).head(most).to_dicts()
            if h["crossed_at_shots"] is None or r["age_shots"] < h["crossed_at_shots"]
        ]
    if not out:
        return None
    note = "A seal replaced before it reached its limit can only show a forecast wrong that had run out by then."
    return DataTable("past-forecasts", "What was forecast, and what came", pl.DataFrame(out), note)
