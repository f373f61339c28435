"""The ledger: for each (analysis, part) the key its rows were computed under, and how it ended.

Beside it, for each (analysis, group) one key over all its parts, so that what did not change is seen without them (a
group is a mould, or the workshop); and where the time of the last computing went.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import polars as pl

from catchpot.store.schema import lent

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


GROUP_DDL = """
CREATE TABLE IF NOT EXISTS ledger_group (analysis VARCHAR, "group" VARCHAR, key VARCHAR, parts BIGINT)
"""
TIMING_DDL = """
CREATE TABLE IF NOT EXISTS ledger_timing (
    analysis VARCHAR, parts BIGINT, added BIGINT, rows_read BIGINT, seconds DOUBLE, read_s DOUBLE, compute_s DOUBLE,
    write_s DOUBLE
)
"""
TIMING = {
    "analysis": pl.String(), "parts": pl.Int64(), "added": pl.Int64(), "rows_read": pl.Int64(),
    "seconds": pl.Float64(), "read_s": pl.Float64(), "compute_s": pl.Float64(), "write_s": pl.Float64(),
}  # fmt: skip
"""What an analysis's last computing took: parts, of these added to, rows read for them, seconds and their shares."""

Groups = dict[str, tuple[str, int]]
"""group -> its key, and how many parts it has"""


def nothing() -> pl.DataFrame:
    """A ledger without rows."""
    return pl.DataFrame(schema=SCHEMA)


def read(con: duckdb.DuckDBPyConnection, status: str | None = None) -> pl.DataFrame:
    """Rows ordered by analysis, then part: all, or those of a status."""
    where = "" if status is None else "WHERE status = ?"
    asked = f"SELECT {', '.join(SCHEMA)} FROM ledger {where} ORDER BY analysis, part"
    got = pl.from_arrow(con.sql(asked, params=[] if status is None else [status]).to_arrow_table())
    assert isinstance(got, pl.DataFrame)
    return got.cast(SCHEMA)  # type: ignore[arg-type]  # the stub asks for the invariant key type


def standing(con: duckdb.DuckDBPyConnection) -> dict[str, str]:
    """For each mould what stands for all that was computed for it and its shots: group keys, else the parts' own."""
    found: dict[str, list[str]] = {}
    rows = con.execute(
        """SELECT "group", analysis, key, '' FROM ledger_group
        UNION ALL
        SELECT coalesce(s.mould, l.part), l.analysis, l.part || l.key, l.status
        FROM ledger l LEFT JOIN shot s ON s.shot = l.part
        WHERE NOT EXISTS (
            SELECT 1 FROM ledger_group g WHERE g.analysis = l.analysis AND g."group" = coalesce(s.mould, l.part)
        ) ORDER BY ALL"""
    ).fetchall()
    for of, analysis, key, status in rows:
        found.setdefault(of, []).append(f"{analysis} {key} {status}")
    return {of: "\n".join(said) for of, said in found.items()}


def of_parts(con: duckdb.DuckDBPyConnection, analysis: str, parts: Sequence[str] | None) -> dict[str, tuple[str, str]]:
    """Key and status of some parts of an analysis, all where None."""
    if parts is None:
        rows = con.execute("SELECT part, key, status FROM ledger WHERE analysis = ?", [analysis]).fetchall()
    else:
        with lent(con, "asked_parts", pl.DataFrame({"part": list(parts)}, schema={"part": pl.String()})):
            rows = con.execute(
                "SELECT l.part, l.key, l.status FROM ledger l SEMI JOIN asked_parts a ON l.part = a.part "
                "WHERE l.analysis = ?",
                [analysis],
            ).fetchall()
    return {part: (key, status) for part, key, status in rows}


def counts(con: duckdb.DuckDBPyConnection) -> dict[str, int]:
    """How many parts of each analysis there are."""
    return dict(con.execute("SELECT analysis, count(*) FROM ledger GROUP BY analysis").fetchall())


def costs(con: duckdb.DuckDBPyConnection) -> dict[str, tuple[int, float]]:
    """How many parts of each analysis there are, and the mean of their seconds."""
    rows = con.execute("SELECT analysis, count(*), coalesce(avg(seconds), 0) FROM ledger GROUP BY analysis").fetchall()
    return {analysis: (parts, seconds) for analysis, parts, seconds in rows}


def groups(con: duckdb.DuckDBPyConnection) -> dict[str, Groups]:
    """The groups of each analysis whose parts all ended well."""
    found: dict[str, Groups] = {}
    for analysis, group, key, parts in con.execute('SELECT analysis, "group", key, parts FROM ledger_group').fetchall():
        found.setdefault(analysis, {})[group] = (key, parts)
    return found


def write_groups(con: duckdb.DuckDBPyConnection, analysis: str, now: Mapping[str, tuple[str, int] | None]) -> None:
    """Replace groups; None takes one out."""
    con.execute(GROUP_DDL)
    con.execute('DELETE FROM ledger_group WHERE analysis = ? AND "group" IN (SELECT unnest(?))', [analysis, list(now)])
    rows = [(analysis, group, *row) for group, row in now.items() if row is not None]
    if rows:
        schema = {"analysis": pl.String(), "group": pl.String(), "key": pl.String(), "parts": pl.Int64()}
        with lent(con, "group_rows", pl.DataFrame(rows, schema=schema, orient="row")):
            con.execute('INSERT INTO ledger_group SELECT analysis, "group", key, parts FROM group_rows')


def write_timing(con: duckdb.DuckDBPyConnection, rows: pl.DataFrame) -> None:
    """Replace the timing of these analyses."""
    con.execute(TIMING_DDL)
    with lent(con, "timing_rows", rows.select(list(TIMING))):
        con.execute("DELETE FROM ledger_timing WHERE analysis IN (SELECT analysis FROM timing_rows)")
        con.execute(f"INSERT INTO ledger_timing SELECT {', '.join(TIMING)} FROM timing_rows")


def write(con: duckdb.DuckDBPyConnection, rows: pl.DataFrame) -> None:
    """Replace the rows of these (analysis, part)."""
    with lent(con, "ledger_rows", rows.select(list(SCHEMA))):
        con.execute(
            "DELETE FROM ledger USING ledger_rows r WHERE ledger.analysis = r.analysis AND ledger.part = r.part"
        )
        con.execute("INSERT INTO ledger SELECT analysis, part, key, status, reason, seconds FROM ledger_rows")


def forget(con: duckdb.DuckDBPyConnection, analysis: str, parts: Sequence[str] | None = None) -> None:
    """Drop an analysis's rows, all or those of the given parts."""
    if parts is None:
        con.execute("DELETE FROM ledger WHERE analysis = ?", [analysis])
        for ddl, table in ((GROUP_DDL, "ledger_group"), (TIMING_DDL, "ledger_timing")):
            con.execute(ddl)
            con.execute(f"DELETE FROM {table} WHERE analysis = ?", [analysis])
    else:
        con.execute("DELETE FROM ledger WHERE analysis = ? AND part IN (SELECT unnest(?))", [analysis, list(parts)])
