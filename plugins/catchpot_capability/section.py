"""The capability section: a mould's months in a table, a page a mould and month, a roll-up page a month."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any

import polars as pl

from catchpot.report import figures, words
from catchpot.report.section import Cell, DataTable, Page, Panel, View
from catchpot_capability import closing
from catchpot_capability.month_pages import METHOD, REFERENCES, month_page, state_of
from catchpot_capability.months import month_of, spoken
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
            return [Cell("Capability", "no limits set", "not assessed", order=60)]
        newest = rows.filter(pl.col("month") == rows["month"].max())
        verdicts = newest["verdict"].to_list()
        state = state_of(verdicts)
        text = "too few shots" if state == "not assessed" else f"{verdicts.count('capable')} of {len(verdicts)} capable"
        return [Cell("Capability", f"{text}, {spoken(newest['month'][0], year=False)}", state, order=60)]

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
            "months", "Months, the newest first", table, "Each month has a page of its own with its charts."
        )
        return Panel(state_of([r["verdict"] for r in newest]), mould_month(newest), [block], METHOD, REFERENCES)

    def pages(self, view: View) -> Sequence[Page]:
        """A page a mould and month, and a roll-up a month, the newest first."""
        current = view.tables[CAPABILITY.name]
        closed = closing.closed_months(view.tables["closed"])
        rows = _with_closed(view, CAPABILITY)
        if rows.is_empty():
            return []
        shots, parts = _with_closed(view, CAPABILITY_SHOT), _with_closed(view, CAPABILITY_PART)
        over, over_shots = _with_closed(view, OVER_MOULDS), _with_closed(view, OVER_MOULDS_SHOT)
        events = view.tables["event"]
        made: list[Page] = []
        for month in rows["month"].unique().sort(descending=True).to_list()[:MONTHS_SHOWN]:
            fixed = closed.get(month)
            at = fixed.at if fixed else None
            now = closing.pick(current, month)
            of_month = closing.pick(rows, month)
            late = closing.late_changes(fixed.tables[CAPABILITY.name], now) if fixed else []
            made.append(
                roll_up(rows, month, closing.pick(over, month), closing.pick(over_shots, month), view.zone, at, late)
            )
            for mould in of_month["mould"].unique().sort().to_list():
                mine = pl.col("mould") == mould
                own_late = (
                    closing.late_changes(fixed.tables[CAPABILITY.name].filter(mine), now.filter(mine)) if fixed else []
                )
                made.append(
                    month_page(
                        of_month.filter(mine), closing.pick(shots, month).filter(mine),
                        closing.pick(parts, month).filter(mine), _flags(events, mould, month, view.zone), view.zone, at,
                        own_late,
                    )
                )  # fmt: skip
        return made


def _with_closed(view: View, table: Any) -> pl.DataFrame:
    return closing.with_closed(view.tables[table.name], table, closing.closed_months(view.tables["closed"]))


def _flags(events: pl.DataFrame, mould: str, month: str, zone: str) -> list[figures.Flag]:
    if events.is_empty():
        return []
    own = events.filter(
        (pl.col("mould").is_null() | (pl.col("mould") == mould)) & (month_of("time", zone) == month)
    ).sort("time")
    return [
        figures.Flag(r["time"], f"{words.words_of(r['kind'] or '')} {r['detail'] or ''}".strip())
        for r in own.iter_rows(named=True)
    ]
