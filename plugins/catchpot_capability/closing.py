"""Fixing a month's numbers: what is written, how it is read back, and what late data would change."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import polars as pl

from catchpot.tables import Table, polars_schema
from catchpot_capability.sentences import index_of, plain
from catchpot_capability.tables import CAPABILITY, CAPABILITY_PART, CAPABILITY_SHOT, OVER_MOULDS, OVER_MOULDS_SHOT

WHAT = "capability"
TABLES: tuple[Table, ...] = (CAPABILITY, CAPABILITY_SHOT, CAPABILITY_PART, OVER_MOULDS, OVER_MOULDS_SHOT)
COMPARED = ("n", "mean", "cp", "cpk", "pp", "ppk", "outside", "steady", "lower_limit", "upper_limit", "verdict")


@dataclass(frozen=True)
class Closed:
    """A month as it was fixed: its rows table by table."""

    month: str
    at: datetime
    tables: Mapping[str, pl.DataFrame]


def pick(rows: pl.DataFrame, month: str) -> pl.DataFrame:
    """The month's rows."""
    return rows.filter(pl.col("month") == month)


def pack(tables: Mapping[str, pl.DataFrame], month: str) -> str:
    """The month's rows of all tables as JSON text; times as ISO 8601 in UTC, numbers in full."""
    content = {}
    for table in TABLES:
        rows = tables[table.name].filter(pl.col("month") == month).sort(list(table.key))
        content[table.name] = [
            {k: v.astimezone(UTC).isoformat() if isinstance(v, datetime) else v for k, v in r.items()}
            for r in rows.select(table.names).iter_rows(named=True)
        ]
    return json.dumps(content, sort_keys=True, allow_nan=False)


def unpack(content: str, month: str, at: datetime) -> Closed:
    """The rows as they were fixed. Columns that came later are null; columns no longer declared are left out."""
    given = json.loads(content)
    tables: dict[str, pl.DataFrame] = {}
    for table in TABLES:
        schema = polars_schema(table)
        times = {n for n, c in ((c.name, c) for c in table.columns) if c.dtype == "datetime"}
        rows = [
            {n: datetime.fromisoformat(r[n]) if n in times and r.get(n) else r.get(n) for n in schema}
            for r in given.get(table.name, [])
        ]
        tables[table.name] = pl.DataFrame(rows, schema=schema)
    return Closed(month, at, tables)


def closed_months(closed: pl.DataFrame) -> dict[str, Closed]:
    """All fixed months. closed: rows of the core's table `closed`."""
    if closed.is_empty():
        return {}
    own = closed.filter(pl.col("what") == WHAT)
    return {r["period"]: unpack(r["content"], r["period"], r["closed_at"]) for r in own.iter_rows(named=True)}


def with_closed(current: pl.DataFrame, table: Table, closed: Mapping[str, Closed]) -> pl.DataFrame:
    """The rows of open months as they are now and of closed months as they were fixed."""
    if not closed:
        return current
    open_rows = current.filter(~pl.col("month").is_in(list(closed)))
    return pl.concat([open_rows.select(table.names), *(c.tables[table.name] for c in closed.values())])


def late_changes(fixed: pl.DataFrame, current: pl.DataFrame) -> list[str]:
    """What today's data would change in a fixed month, a sentence each.

    fixed, current: rows of `capability` of that month.
    """
    before = {(r["mould"], r["measure"]): r for r in fixed.iter_rows(named=True)}
    now = {(r["mould"], r["measure"]): r for r in current.iter_rows(named=True)}
    said: list[str] = []
    for k in sorted({*before, *now}):
        old, new = before.get(k), now.get(k)
        if old is None and new is not None:
            said.append(
                f"{new['mould']}, {new['label']}: {new['n']} shots that were not there when the month was closed."
            )
        elif new is None and old is not None:
            said.append(f"{old['mould']}, {old['label']}: its {old['n']} shots are no longer in the store.")
        elif old is not None and new is not None and any(_differ(old[c], new[c]) for c in COMPARED):
            said.append(_told(old, new))
    return said


def _differ(a: Any, b: Any) -> bool:
    if isinstance(a, float) and isinstance(b, float):
        return abs(a - b) > 1e-9 * max(abs(a), abs(b), 1e-300)
    return bool(a != b)


def _told(old: Mapping[str, Any], new: Mapping[str, Any]) -> str:
    name, was, _, _ = index_of(old)
    _, would, _, _ = index_of(new)
    said = f"{new['mould']}, {new['label']}: {old['n']} shots then, {new['n']} now"
    if was is not None or would is not None:
        said += f"; {name} {plain(was)} then, {plain(would)} by today's data"
    if old["verdict"] != new["verdict"]:
        said += f'; "{old["verdict"]}" then, "{new["verdict"]}" now'
    return said + "."
