"""The store's tables: DDL from declarations, numbered migrations for what can't be recomputed.

Kept tables (shot, sample, log_note, quarantine, closed) hold what only the logs could give again, or nothing could:
they are migrated.
Every other table is derived: where its declaration changed it is dropped, and the runner computes it anew.
No foreign keys and no indexes: they block replacing and altering, and cost several times the inserting.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from functools import cache
from typing import TYPE_CHECKING

from catchpot.core_tables import CLOSED, LOG_NOTE, QUARANTINE, SAMPLE, SHOT
from catchpot.store.connection import StoreError
from catchpot.tables import Column, Table

if TYPE_CHECKING:
    import duckdb
    import polars as pl

KEPT = (SHOT, SAMPLE, LOG_NOTE, QUARANTINE, CLOSED)

# From the version before to this one: (version, what for, statements). A new file begins at the last version; a column
# that was only added needs no migration, it is added without values.
MIGRATIONS: tuple[tuple[int, str, str], ...] = ()
VERSION = 1

_TYPES = {
    "str": "VARCHAR",
    "f64": "DOUBLE",
    "i64": "BIGINT",
    "bool": "BOOLEAN",
    "datetime": "TIMESTAMP WITH TIME ZONE",
    "date": "DATE",
}
# Physical columns beside the declared ones. Integers keep the samples small and quick to join.
_INTERNAL = {"shot": ("shot_no INTEGER", "mould_no INTEGER"), "refusal": ("part VARCHAR",)}

META_DDL = """
CREATE TABLE IF NOT EXISTS catchpot_schema (version INTEGER);
CREATE TABLE IF NOT EXISTS catchpot_table ("table" VARCHAR, declaration VARCHAR);
CREATE TABLE IF NOT EXISTS mould_number (mould VARCHAR, mould_no INTEGER);
CREATE TABLE IF NOT EXISTS ledger (
    analysis VARCHAR, part VARCHAR, key VARCHAR, status VARCHAR, reason VARCHAR, seconds DOUBLE
);
"""


def quote(name: str) -> str:
    """A name as an SQL identifier."""
    return '"' + name.replace('"', '""') + '"'


def sql_type(column: Column) -> str:
    """The SQL type of a declared column."""
    return f"DOUBLE[{column.length}]" if column.length is not None else _TYPES[column.dtype]


def ddl(table: Table) -> str:
    """CREATE TABLE of a declared table.

    `sample` is stored with mould_no and shot_no for `shot`, so that a shot's rows cost little and stand together.
    """
    if table.name == "sample":
        columns = ["mould_no INTEGER", "shot_no INTEGER"]
        columns += [f"{quote(c.name)} {sql_type(c)}" for c in table.columns if c.name != "shot"]
    else:
        columns = [f"{quote(c.name)} {sql_type(c)}" for c in table.columns]
        columns += list(_INTERNAL.get(table.name, ()))
    return f"CREATE TABLE IF NOT EXISTS {quote(table.name)} ({', '.join(columns)});"


def initial_ddl() -> str:
    """All statements of a new file."""
    return META_DDL + "\n".join(ddl(t) for t in KEPT) + f"\nINSERT INTO catchpot_schema VALUES ({VERSION});"


def declaration(table: Table) -> str:
    """A declaration as text: what is compared to see that a table's meaning changed. Words are not compared."""
    columns = [[c.name, c.dtype, c.unit] for c in table.columns]
    return json.dumps({"key": table.key, "columns": columns, "shared": table.shared})


def described(table: Table) -> str:
    """The whole declaration as JSON, words included, for `restored`."""
    return json.dumps(asdict(table))


@cache
def restored(text: str) -> Table:
    """The table a stored declaration describes; worked out once, since every opening of a store asks for all."""
    given = json.loads(text)
    columns = tuple(Column(**c) for c in given["columns"])
    return Table(given["name"], tuple(given["key"]), columns, given["shared"], given["doc"])


@contextmanager
def lent(con: duckdb.DuckDBPyConnection, name: str, frame: pl.DataFrame) -> Iterator[None]:
    """A frame as a relation of that name, as long as the block runs."""
    con.register(name, frame.to_arrow())
    try:
        yield
    finally:
        con.unregister(name)


def table_names(con: duckdb.DuckDBPyConnection) -> set[str]:
    """Names of the tables that are there."""
    rows = con.execute("SELECT table_name FROM duckdb_tables() WHERE database_name = current_database()").fetchall()
    return {name for (name,) in rows}


def column_names(con: duckdb.DuckDBPyConnection, table: str) -> list[str]:
    """Names of a table's physical columns, in order."""
    rows = con.execute(
        "SELECT column_name FROM duckdb_columns() WHERE database_name = current_database() AND table_name = ? "
        "ORDER BY column_index",
        [table],
    ).fetchall()
    return [name for (name,) in rows]


def columns_of_all(con: duckdb.DuckDBPyConnection) -> dict[str, set[str]]:
    """Names of the tables that are there, and of their physical columns."""
    rows = con.execute(
        "SELECT table_name, column_name FROM duckdb_columns() WHERE database_name = current_database()"
    ).fetchall()
    found: dict[str, set[str]] = {}
    for table, column in rows:
        found.setdefault(table, set()).add(column)
    return found


def migrate(
    con: duckdb.DuckDBPyConnection,
    migrations: Sequence[tuple[int, str, str]] = MIGRATIONS,
    version: int = VERSION,
) -> None:
    """Bring the kept tables to the present version; in the caller's transaction."""
    names = table_names(con)
    if "catchpot_schema" not in names:
        if names:
            raise StoreError("this DuckDB file holds other tables and is no store of catchpot; move it away.")
        con.execute(initial_ddl())
        return
    have = int(con.execute("SELECT coalesce(max(version), 0) FROM catchpot_schema").fetchall()[0][0])
    if have > version:
        raise StoreError(
            f"a newer catchpot wrote this store (version {have}, this one knows {version}). Update catchpot."
        )
    for number, _why, statements in migrations:
        if number > have:
            con.execute(statements)
    if have < version:
        con.execute("UPDATE catchpot_schema SET version = ?", [version])
    for table in KEPT:
        con.execute(ddl(table))
        there = set(column_names(con, table.name))
        for c in table.columns:
            if c.name not in there and not (table.name == "sample" and c.name == "shot"):
                con.execute(f"ALTER TABLE {quote(table.name)} ADD COLUMN {quote(c.name)} {sql_type(c)}")


def stored_declarations(con: duckdb.DuckDBPyConnection) -> dict[str, Table]:
    """Declarations of the derived tables as they were when last written."""
    if "catchpot_table" not in table_names(con):
        return {}
    rows = con.execute('SELECT "table", declaration FROM catchpot_table').fetchall()
    return {name: restored(text) for name, text in rows}


def ensure(con: duckdb.DuckDBPyConnection, tables: Sequence[Table]) -> list[str]:
    """Make the derived tables as declared; names of those that were dropped because their declaration changed."""
    names = table_names(con)
    have = stored_declarations(con)
    kept = {t.name for t in KEPT}
    dropped: list[str] = []
    for table in tables:
        if table.name in kept:
            continue
        before = have.get(table.name)
        if before == table and table.name in names:
            continue
        if before is not None and declaration(before) != declaration(table):
            con.execute(f"DROP TABLE IF EXISTS {quote(table.name)}")
            dropped.append(table.name)
        con.execute(ddl(table))
        con.execute('DELETE FROM catchpot_table WHERE "table" = ?', [table.name])
        con.execute("INSERT INTO catchpot_table VALUES (?, ?)", [table.name, described(table)])
    return dropped
