"""Results of analyses: what a recomputed part says takes the place of what it said before."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Literal

import polars as pl

from catchpot.core_tables import REFUSAL
from catchpot.store import kept, ledger, schema
from catchpot.store.schema import quote
from catchpot.store.shots import insert
from catchpot.tables import Table

if TYPE_CHECKING:
    import duckdb

Part = Literal["shot", "mould", "workshop"]


@dataclass(frozen=True)
class Later:
    """The part of a mould's history that is written anew: these shots, and what is dated from `since` on."""

    shots: Sequence[str]
    since: datetime


def clear_later(
    con: duckdb.DuckDBPyConnection, analysis: str, tables: Sequence[Table], mould: str, later: Later
) -> None:
    """Delete the rows an analysis wrote for the later shots of a mould, and all refusals of these and of the mould."""
    with schema.lent(con, "later_shots", pl.DataFrame({"shot": list(later.shots)}, schema={"shot": pl.String()})):
        for table in tables:
            values: list[object]
            if "shot" in table.names:
                where, values = "shot IN (SELECT shot FROM later_shots)", [mould]
            else:
                where, values = f"{quote(dated(table))} >= ?", [mould, later.since]
            if table.shared:
                where += " AND analysis = ?"
                values.append(analysis)
            con.execute(f"DELETE FROM {quote(table.name)} WHERE mould = ? AND {where}", values)
        con.execute(
            "DELETE FROM refusal WHERE analysis = ? AND part = ? "
            "AND (unit = part OR unit IN (SELECT shot FROM later_shots))",
            [analysis, mould],
        )


def dated(table: Table) -> str:
    """The column of a table's key that says when; empty where there is none."""
    return next((k for k in table.key if table.column(k).dtype == "datetime"), "")


def clear(
    con: duckdb.DuckDBPyConnection, analysis: str, part: Part, tables: Sequence[Table], units: Sequence[str]
) -> None:
    """Delete the rows an analysis wrote for these units (part "workshop": all its rows), refusals included.

    The tables must be there. Of a shared table only the analysis's own rows go.
    """
    if not units:
        return
    with schema.lent(con, "gone_units", pl.DataFrame({"unit": list(units)}, schema={"unit": pl.String()})):
        for table in tables:
            conditions, values = [], []
            if part != "workshop":
                conditions.append(f"{quote(part)} IN (SELECT unit FROM gone_units)")
            if table.shared:
                conditions.append("analysis = ?")
                values.append(analysis)
            where = f" WHERE {' AND '.join(conditions)}" if conditions else ""
            con.execute(f"DELETE FROM {quote(table.name)}{where}", values)
        con.execute("DELETE FROM refusal WHERE analysis = ? AND part IN (SELECT unit FROM gone_units)", [analysis])


def replace(
    con: duckdb.DuckDBPyConnection,
    analysis: str,
    part: Part,
    units: Sequence[str],
    frames: Mapping[Table, pl.DataFrame],
    refused: pl.DataFrame,
    later: Mapping[str, Later] | None = None,
) -> None:
    """Put the rows of these units in the place of the former ones; the tables must be there as declared.

    frames: what the analysis yields, checked by the caller. refused: rows of REFUSAL and, in `part`, the unit they
    belong to (a mould's analysis may refuse a shot). later: moulds of which only the rows of later shots are given.
    """
    _own(con, analysis, [t.name for t in frames])
    later = later or {}
    # A workshop's table may be as long as its history, while one shot changes a few of its rows.
    few = [t for t in frames if part == "workshop" and _differs_by_key(t)]
    whole = [t for t in frames if t not in few]
    clear(con, analysis, part, whole, [u for u in units if u not in later])
    for mould, what in later.items():
        clear_later(con, analysis, whole, mould, what)
    for table in few:
        _write_difference(con, table, frames[table])
    for table in whole:
        insert(con, table, frames[table])
    insert(con, REFUSAL, refused)


def _differs_by_key(table: Table) -> bool:
    """Whether rows may be written one by one: the key says their order, and they can be compared."""
    return not table.shared and "shot" not in table.names and not any("[" in c.dtype for c in table.columns)


def _write_difference(con: duckdb.DuckDBPyConnection, table: Table, frame: pl.DataFrame) -> None:
    """Make a table hold just these rows, leaving those that it holds already."""
    name, columns = quote(table.name), ", ".join(quote(c) for c in table.names)
    same_key = " AND ".join(f"{name}.{quote(k)} IS NOT DISTINCT FROM gone.{quote(k)}" for k in table.key)
    # a table of the same types, so that rows are compared as they are stored
    con.execute(f"CREATE TEMP TABLE wanted_rows AS SELECT {columns} FROM {name} LIMIT 0")
    try:
        with schema.lent(con, "given_rows", frame):
            con.execute(f"INSERT INTO wanted_rows SELECT {columns} FROM given_rows")
        gone = f"(SELECT {columns} FROM {name} EXCEPT SELECT {columns} FROM wanted_rows)"
        con.execute(f"DELETE FROM {name} USING {gone} gone WHERE {same_key}")
        fresh = f"SELECT {columns} FROM wanted_rows EXCEPT SELECT {columns} FROM {name}"
        con.execute(f"INSERT INTO {name} ({columns}) {fresh}")
    finally:
        con.execute("DROP TABLE wanted_rows")


def _own(con: duckdb.DuckDBPyConnection, analysis: str, tables: Sequence[str]) -> None:
    """Remember whose tables these are, so that they can be forgotten when the analysis is away."""
    con.execute('CREATE TABLE IF NOT EXISTS catchpot_owner (analysis VARCHAR, "table" VARCHAR)')
    known = {t for (t,) in con.execute('SELECT "table" FROM catchpot_owner WHERE analysis = ?', [analysis]).fetchall()}
    for name in tables:
        if name not in known:
            con.execute("INSERT INTO catchpot_owner VALUES (?, ?)", [analysis, name])


def owned(con: duckdb.DuckDBPyConnection, analysis: str) -> list[str]:
    """Tables that only this analysis has written; of a shared table only rows are its own."""
    if "catchpot_owner" not in schema.table_names(con):
        return []
    rows = con.execute(
        'SELECT "table" FROM catchpot_owner GROUP BY "table" HAVING list(DISTINCT analysis) = [?]', [analysis]
    ).fetchall()
    shared = {name for name, table in schema.stored_declarations(con).items() if table.shared}
    return sorted(name for (name,) in rows if name not in shared)


def mirror(con: duckdb.DuckDBPyConnection, table: Table, frame: pl.DataFrame) -> None:
    """Make a table hold just these rows."""
    schema.ensure(con, [table])
    con.execute(f"DELETE FROM {quote(table.name)}")
    insert(con, table, frame)


def close(con: duckdb.DuckDBPyConnection, what: str, period: str, closed_at: datetime, content: str) -> bool:
    """Fix a period's rows for good; False, and nothing written, where that was done before."""
    there = con.execute("SELECT count(*) FROM closed WHERE what = ? AND period = ?", [what, period]).fetchall()
    if there[0][0]:
        return False
    con.execute("INSERT INTO closed (what, period, closed_at, content) VALUES (?, ?, ?, ?)",
                [what, period, closed_at, content])  # fmt: skip
    return True


def forget(con: duckdb.DuckDBPyConnection, analysis: str) -> None:
    """Drop what an analysis left in the shared tables and the ledger, and what it keeps."""
    for name, table in schema.stored_declarations(con).items():
        if table.shared and "analysis" in table.names and name in schema.table_names(con):
            con.execute(f"DELETE FROM {quote(name)} WHERE analysis = ?", [analysis])
    ledger.forget(con, analysis)
    kept.forget(con, analysis)
    if "catchpot_owner" in schema.table_names(con):
        con.execute("DELETE FROM catchpot_owner WHERE analysis = ?", [analysis])


def drop(con: duckdb.DuckDBPyConnection, tables: Sequence[str]) -> None:
    """Drop derived tables nobody declares any more."""
    kept = {t.name for t in schema.KEPT}
    for name in tables:
        if name not in kept:
            con.execute(f"DROP TABLE IF EXISTS {quote(name)}")
            con.execute('DELETE FROM catchpot_table WHERE "table" = ?', [name])
