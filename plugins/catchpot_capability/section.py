"""The capability section: a mould's months in a table, and a page a month with a part for each mould."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any
from urllib.parse import quote

import polars as pl

from catchpot.report import figures, words
from catchpot.report.section import Cell, DataTable, Page, Panel, Part, View
from catchpot_capability import closing
from catchpot_capability.month_pages import METHOD, REFERENCES, month_panels, state_of
from catchpot_capability.months import month_of, shifted, spoken
from catchpot_capability.roll_up import cell, roll_up
from catchpot_capability.sentences import mould_month
from catchpot_capability.tables import CAPABILITY, CAPABILITY_PART, CAPABILITY_SHOT, OVER_MOULDS, OVER_MOULDS_SHOT

MONTHS_SHOWN = 13


class CapabilitySection:
    """Capability by the month."""

    name = "capability"
    title = "Capability by the month"
    order = 60
    analyses: tuple[str, ...] = ("capability", "capability_over_moulds")
    needs: Mapping[str, tuple[str, ...]] = MappingProxyType(
        {
            **{t.name: ("*",) for t in closing.TABLES},
            "closed": ("*",),
            "event": ("time", "mould", "kind", "detail"),
        }
    )

    def _rows(self, view: View) -> pl.DataFrame:
        rows = _with_closed(view, CAPABILITY)
        return rows if view.mould is None else rows.filter(pl.col("mould") == view.mould)

    def cells(self, view: View) -> Sequence[Cell]:
        """Capable measures of the newest month."""
        rows = self._rows(view)
        if rows.is_empty():
            return [Cell("Last month", "no limits set", order=60)]
        newest = rows.filter(pl.col("month") == rows["month"].max())
        verdicts = newest["verdict"].to_list()
        state = state_of(verdicts)
        text = "too few shots" if state == "not assessed" else f"{verdicts.count('capable')} of {len(verdicts)} capable"
        month = spoken(newest["month"][0], year=False)
        return [Cell("Last month", f"{month}: {text}", "watch" if state == "watch" else None, order=60)]

    def panel(self, view: View) -> Panel | None:
        """The newest month in a sentence, and the months before in a table."""
        if view.mould is None:
            return None
        rows = self._rows(view)
        if rows.is_empty():
            return Panel(
                "not assessed", "No capability: the mould book gives no specification limits for measured values."
            )
        months = rows["month"].unique().sort(descending=True).to_list()[:MONTHS_SHOWN]
        newest = list(rows.filter(pl.col("month") == months[0]).iter_rows(named=True))
        by_key = {(r["measure"], r["month"]): r for r in rows.iter_rows(named=True)}
        labels = {r["measure"]: r["label"] for r in rows.iter_rows(named=True)}
        table = pl.DataFrame(
            [{"month": spoken(m), **{label: cell(by_key.get((k, m))) for k, label in labels.items()}} for m in months]
        )
        block = DataTable(
            "months", "Months, the newest first", table,
            "The number is the month's Cpk: how many times three standard deviations from shot to shot fit between the"
            " mean and the nearer limit.",
            {spoken(m): f"months/{m}.html?mould={quote(view.mould)}" for m in months},
        )  # fmt: skip
        return Panel(state_of([r["verdict"] for r in newest]), mould_month(newest), [block], METHOD, REFERENCES)

    def pages(self, view: View) -> Sequence[Page]:
        """A page a month, the newest first: all moulds together, then a part for each mould."""
        closed = closing.closed_months(view.tables["closed"])
        rows = _with_closed(view, CAPABILITY)
        return [self._month(view, month, rows, closed) for month in rows["month"].unique().sort(descending=True)]

    def _month(self, view: View, month: str, rows: pl.DataFrame, closed: Mapping[str, closing.Closed]) -> Page:
        # What the page shows beside the month's own rows: a year back in the roll-up's table, and the change against
        # the month before.
        behind = rows.filter((pl.col("month") <= month) & (pl.col("month") >= shifted(month, -12)))
        events = view.tables["event"].filter(month_of("time", view.zone) == month)
        fixed = closed.get(month)
        own = {t.name: closing.pick(_with_closed(view, t), month) for t in closing.TABLES}
        late_rows = closing.pick(view.tables[CAPABILITY.name], month) if fixed else rows.clear()
        pieces = [behind, events, late_rows, *own.values()]
        key = hashlib.sha256("\0".join(repr(p.rows()) for p in pieces).encode("utf-8", "backslashreplace"))
        key.update(repr([about_part(view, m) for m in view.book.moulds]).encode("utf-8", "backslashreplace"))
        key.update(f"{view.zone} {fixed.at if fixed else ''}".encode())
        return Page(
            month, f"Capability, {spoken(month)}", link_text=spoken(month), group="Months", folder="months",
            key=key.hexdigest()[:20], choose="mould", letterhead=True,
            shots=own[CAPABILITY_SHOT.name]["shot"].unique().sort().to_list(),
            parts=lambda: _parts(view, month, rows, own, fixed, events),
        )  # fmt: skip


def _parts(
    view: View, month: str, rows: pl.DataFrame, own: Mapping[str, pl.DataFrame], fixed: closing.Closed | None,
    events: pl.DataFrame,
) -> list[Part]:  # fmt: skip
    now = closing.pick(view.tables[CAPABILITY.name], month)
    at = fixed.at if fixed else None
    late = closing.late_changes(fixed.tables[CAPABILITY.name], now) if fixed else []
    over = own[OVER_MOULDS.name], own[OVER_MOULDS_SHOT.name]
    made = [Part("all moulds", roll_up(rows, month, *over, view.zone, at, late))]
    for mould in own[CAPABILITY.name]["mould"].unique().sort().to_list():
        mine = pl.col("mould") == mould
        own_late = closing.late_changes(fixed.tables[CAPABILITY.name].filter(mine), now.filter(mine)) if fixed else []
        panels = month_panels(
            own[CAPABILITY.name].filter(mine), own[CAPABILITY_SHOT.name].filter(mine),
            own[CAPABILITY_PART.name].filter(mine), _flags(events, mould), view.zone, at, own_late,
        )  # fmt: skip
        made.append(Part(mould, panels, about_part(view, mould)))
    return made


def about_part(view: View, mould: str) -> tuple[str, ...]:
    """What the mould book says of the part and for whom it is made, a line each."""
    entry = view.book.moulds.get(mould)
    if entry is None:
        return ()
    told = (("Part", entry.part), ("Drawing", entry.drawing), ("Customer", entry.customer))
    return tuple(f"{what}: {said}" for what, said in told if said)


def _with_closed(view: View, table: Any) -> pl.DataFrame:
    return closing.with_closed(view.tables[table.name], table, closing.closed_months(view.tables["closed"]))


def _flags(events: pl.DataFrame, mould: str) -> list[figures.Flag]:
    """The month's events that concern a mould."""
    own = events.filter(pl.col("mould").is_null() | (pl.col("mould") == mould)).sort("time")
    return [
        figures.Flag(r["time"], f"{words.words_of(r['kind'] or '')} {r['detail'] or ''}".strip())
        for r in own.iter_rows(named=True)
    ]
