"""The ledger: for each (analysis, part) the key its rows were computed under, and how it ended."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import polars as pl

if TYPE_CHECKING:
    import duckdb

SCHEMA = {
    "analysis": pl.String(),
    "part": pl.String(),
    "key": pl.String(),
    "status": pl.String(),
    "reason": pl.String(),
    "seconds": pl.Float64(),
}


def nothing() -> pl.DataFrame:
    """A ledger without rows."""
    return pl.DataFrame(schema=SCHEMA)


def read(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """All rows, ordered by analysis, then part."""
    got = pl.from_arrow(
        con.sql("SELECT analysis, part, key, status, reason, seconds FROM ledger ORDER BY analysis, part")
        .to_arrow_table()
    )  # fmt: skip
    assert isinstance(got, pl.DataFrame)
    return got.cast(SCHEMA)  # type: ignore[arg-type]  # the stub asks for the invariant key type


def write(con: duckdb.DuckDBPyConnection, rows: pl.DataFrame) -> None:
    """Replace the rows of these (analysis, part)."""
    con.register("ledger_rows", rows.select(list(SCHEMA)).to_arrow())
    try:
        con.execute(
            "DELETE FROM ledger USING ledger_rows r WHERE ledger.analysis = r.analysis AND ledger.part = r.part"
        )
        con.execute("INSERT INTO ledger SELECT analysis, part, key, status, reason, seconds FROM ledger_rows")
    finally:
        con.unregister("ledger_rows")


def forget(con: duckdb.DuckDBPyConnection, analysis: str, parts: Sequence[str] | None = None) -> None:
    """Drop an analysis's rows, all or those of the given parts."""
    if parts is None:
        con.execute("DELETE FROM ledger WHERE analysis = ?", [analysis])
    else:
        con.execute("DELETE FROM ledger WHERE analysis = ? AND part IN (SELECT unnest(?))", [analysis, list(parts)])
