"""SQL of the intake: many log files read in one scan, and the book of files seen.

DuckDB's auto-detection is never used: the columns are named by the caller, who has read every header. A header it
would skip is met as a row that holds no numbers and comes back as a reject; the caller tells it from a bad row by its
line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

from catchpot.store.schema import quote, table_names

if TYPE_CHECKING:
    import duckdb

    from catchpot.store.reading import Reading
    from catchpot.store.store import Writing

SEEN_SCHEMA = {
    "source_file": pl.String(),
    "digest": pl.String(),
    "size": pl.Int64(),
    "modified_ns": pl.Int64(),
    "seen_ns": pl.Int64(),
    "how": pl.String(),
    "settings": pl.String(),
    "state": pl.String(),
}
_SEEN_DDL = """
CREATE TABLE IF NOT EXISTS intake_file (
    source_file VARCHAR, digest VARCHAR, size BIGINT, modified_ns BIGINT, seen_ns BIGINT,
    how VARCHAR, settings VARCHAR, state VARCHAR
)
"""
_REJECTS = {
    "file_no": pl.Int32(),
    "line": pl.Int64(),
    "column": pl.String(),
    "kind": pl.String(),
    "text": pl.String(),
}


@dataclass(frozen=True)
class Scanned:
    """Rows of many files: frame with file_no (0-based place in the list, ascending), then the columns, file order kept.

    rejects: file_no, line, column, kind, text; one row a line that could not be read, the headers among them.
    """

    frame: pl.DataFrame
    rejects: pl.DataFrame


def _text(value: str) -> str:
    return "'" + value.replace("'", "''") + "'"


def scannable(path: Path) -> bool:
    """Whether a path can stand in a scan's list: DuckDB takes these characters as a pattern."""
    return not any(c in str(path) for c in "*?[]{}")


def scan_tables(
    paths: Sequence[Path], header: Sequence[str], wanted: Sequence[str], *, separator: str = ",", comment: str = "#"
) -> Scanned:
    """Read files of one layout in one scan.

    header: all columns in the files' order. wanted: those to read, as numbers; the rest is passed over.
    Text that is no number makes its row a reject; an empty cell is null; `nan` and `inf` come as they are.
    """
    types = ", ".join(f"{_text(h)}: {_text('DOUBLE' if h in wanted else 'VARCHAR')}" for h in header)
    options = f"delim = {_text(separator)}, quote = '', escape = '', comment = {_text(comment)}"
    return _scan(paths, types, ", ".join(quote(w) for w in wanted), options)


def _scan(paths: Sequence[Path], types: str, picked: str, options: str) -> Scanned:
    import duckdb

    listed = ", ".join(_text(str(p)) for p in paths)
    con = duckdb.connect(":memory:")
    try:
        con.execute("SET enable_progress_bar = false")  # it would be drawn into standard output
        table = con.sql(
            f"SELECT file_index::INTEGER AS file_no, {picked} "
            f"FROM read_csv([{listed}], columns = {{{types}}}, {options}, "
            "auto_detect = false, header = false, store_rejects = true, strict_mode = true)"
        ).to_arrow_table()
        rejects = con.sql(
            "SELECT file_path, line, first(column_name) AS column, first(error_type) AS kind, first(csv_line) AS text "
            "FROM (SELECT DISTINCT scan_id, file_id, file_path FROM reject_scans) "
            "JOIN reject_errors USING (scan_id, file_id) GROUP BY ALL ORDER BY file_path, line"
        ).to_arrow_table()
    finally:
        con.close()
    frame = pl.DataFrame(table)
    place = pl.DataFrame({"file_path": [str(p) for p in paths], "file_no": range(len(paths))})
    found = pl.DataFrame(rejects).join(place, on="file_path", how="left")
    return Scanned(frame, found.select(pl.col(n).cast(t) for n, t in _REJECTS.items()).sort("file_no", "line"))


def scan_text(
    paths: Sequence[Path],
    columns: Sequence[str],
    numbers: Sequence[str],
    texts: Sequence[str],
    *,
    separator: str,
    decimal: str,
    thousands: str | None,
    quote_character: str,
    missing: Sequence[str],
) -> Scanned:
    """Read bodies of one layout in one scan: data lines only, UTF-8, no header.

    columns: all columns in the files' order. numbers, texts: those to read as numbers and as text. missing: words that
    stand for no reading. The rest as `scan_tables`.
    """
    kinds = {**dict.fromkeys(numbers, "DOUBLE"), **dict.fromkeys(texts, "VARCHAR")}
    types = ", ".join(f"{_text(c)}: {_text(kinds.get(c, 'VARCHAR'))}" for c in columns)
    options = [
        f"delim = {_text(separator)}",
        f"decimal_separator = {_text(decimal)}",
        f"quote = {_text(quote_character)}",
        f"escape = {_text(quote_character)}",
        f"nullstr = [{', '.join(_text(w) for w in dict.fromkeys(['', *missing]))}]",
        "comment = ''",
    ]
    if thousands:
        options.append(f"thousands = {_text(thousands)}")
    return _scan(paths, types, ", ".join(quote(c) for c in kinds), ", ".join(options))


def seen_files(reading: Reading) -> pl.DataFrame:
    """The book of files seen.

    source_file, digest, size, modified_ns, seen_ns; how: the reader's settings for the file; settings: all readers'
    settings; state: stored, superseded (a newer file tells the same shot) or aside (in quarantine).
    """
    con = reading.con
    if con is None or "intake_file" not in table_names(con):
        return pl.DataFrame(schema=SEEN_SCHEMA)
    return pl.DataFrame(con.sql("SELECT * FROM intake_file").to_arrow_table()).select(list(SEEN_SCHEMA))


def note_files(writing: Writing, rows: pl.DataFrame) -> None:
    """Put files into the book of files seen, in the place of what stood there."""
    con = writing.con
    con.execute(_SEEN_DDL)
    _forget(con, rows["source_file"].to_list())
    con.register("seen_rows", rows.select(*SEEN_SCHEMA).to_arrow())
    try:
        con.execute("INSERT INTO intake_file SELECT * FROM seen_rows")
    finally:
        con.unregister("seen_rows")


def forget_files(writing: Writing, names: Sequence[str]) -> None:
    """Take files out of the book of files seen."""
    writing.con.execute(_SEEN_DDL)
    _forget(writing.con, names)


def _forget(con: duckdb.DuckDBPyConnection, names: Sequence[str]) -> None:
    if names:
        con.execute("DELETE FROM intake_file WHERE source_file IN (SELECT unnest(?))", [list(names)])
