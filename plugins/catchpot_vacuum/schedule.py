"""What to replace in the next 30 days, in order, with the cost of waiting said in clamp margin."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import TYPE_CHECKING, Any

import polars as pl

from catchpot.physics.clamp import lifting_pressure
from catchpot.report import words
from catchpot_vacuum.words_of_seals import HORIZON_DAYS, NAMES, SUDDEN, day, due, due_soon, left

if TYPE_CHECKING:
    from catchpot.workshop import MouldBook

Row = dict[str, Any]
_AMBIENT_PA = 101325.0


def newest(life: pl.DataFrame, pooled: pl.DataFrame) -> list[Row]:
    """The newest forecast of each seal; the pooled one where its own history gives no date."""
    if life.is_empty():
        return []
    own = life.sort("as_of").group_by("mould", "seal", maintain_order=True).last().to_dicts()
    with_others = {(r["mould"], r["seal"], r["as_of"]): r for r in pooled.to_dicts()} if pooled.height else {}
    out = []
    for r in own:
        other = with_others.get((r["mould"], r["seal"], r["as_of"]))
        out.append(other if other is not None and other["shots_left"] is not None else r)
    return sorted(out, key=lambda r: (r["mould"], ("clamp", "outer", "inner").index(r["seal"])))


def as_of(rows: Sequence[Row]) -> date | None:
    """The newest day of any forecast."""
    return max((r["as_of"] for r in rows), default=None)


def cost_of_waiting(row: Row, book: MouldBook, clamp_mbar: float | None) -> str:
    """What waiting until the seal is due does to the pressure at which the cover lifts."""
    entry = book.moulds.get(row["mould"])
    if entry is None or not entry.clamp_area_m2 or not entry.part_area_m2:
        return "cost of waiting not assessed: clamp_area_m2 or part_area_m2 is missing in the mould book"
    if clamp_mbar is None or not row["leak_mbar_l_s"]:
        return "cost of waiting not assessed: no clamp pressure logged"
    growth = row["limit_mbar_l_s"] / row["leak_mbar_l_s"]
    by_then = "by then"
    if growth <= 1.0:
        # Past its limit it goes on as it has so far, on average; proportional growth is faster.
        growth = 1.0 + HORIZON_DAYS * (row["shots_per_day"] or 0.0) / max(row["age_shots"], 1.0)
        by_then = f"in {HORIZON_DAYS} days at the pace so far"
    then = min(clamp_mbar * growth, 0.9e-2 * _AMBIENT_PA)
    lifts_now, lifts_then = (
        float(lifting_pressure(_AMBIENT_PA, 100.0 * p, entry.clamp_area_m2, entry.part_area_m2) - _AMBIENT_PA) / 1e5
        for p in (clamp_mbar, then)
    )
    is_at, comes_to = (words.number(p, "mbar", 2) for p in (clamp_mbar, then))
    return (
        f"where the pump only just keeps up, the clamp goes from {is_at} to {comes_to} {by_then}: at {comes_to} "
        f"the cover lifts at {lifts_then:.3f} bar instead of {lifts_now:.3f} (upper estimates)"
    )


def clamp_pressures(hold: pl.DataFrame) -> dict[str, float]:
    """The usual clamp pressure of each mould at the start of its last rises."""
    known = hold.filter(pl.col("clamp_mbar").is_not_null()) if hold.height else hold
    if known.is_empty():
        return {}
    last = known.group_by("mould", maintain_order=True).agg(pl.col("clamp_mbar").tail(8).median())
    return {str(m): float(p) for m, p in last.iter_rows()}


def schedule(rows: Sequence[Row], book: MouldBook, hold: pl.DataFrame) -> pl.DataFrame:
    """The schedule as a table of words, the soonest first; empty where nothing may come due."""
    now = as_of(rows)
    pressures = clamp_pressures(hold)
    soon = due_soon(list(rows), now) if now is not None else []
    return pl.DataFrame(
        [
            {
                "mould": r["mould"],
                "seal": NAMES[r["seal"]],
                "left": left(r),
                "due": due(r) + (f", as of {day(r['as_of'])}, its last day with shots" if r["as_of"] != now else ""),
                "cost of waiting": cost_of_waiting(r, book, pressures.get(r["mould"])),
            }
            for r in soon
        ],
        schema=dict.fromkeys(("mould", "seal", "left", "due", "cost of waiting"), pl.String()),
    )


__all__ = ["SUDDEN", "as_of", "clamp_pressures", "cost_of_waiting", "newest", "schedule"]
