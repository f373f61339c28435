"""SQL of the intake: many log files read in one scan, and the book of files seen.

DuckDB's auto-detection is never used: the columns are named by the caller, who has read every header and says how many
lines stand above the data. Its `comment` option isn't used either: together with `skip` it loses rows in silence, and
it cuts a cell at the mark.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

from catchpot.store.schema import lent, quote, table_names

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

    rejects: file_no, line, column, kind, text; one row a line that could not be read.
    """

    frame: pl.DataFrame
    rejects: pl.DataFrame


class ScanError(Exception):
    """A scan that broke off: one of its files is no table that can be read. Which one, it does not say."""


# What a scan that breaks off says, by words in it, and what that means for the file.
_BROKEN = (
    ("maximum line size", "a line is far too long"),
    ("unterminated quote", "a quotation mark is opened and never closed"),
    ("utf-8", "it holds bytes that are no UTF-8 text"),
    ("unicode", "it holds bytes that are no UTF-8 text"),
    ("no files found", "the file went away while it was read"),
    ("could not open", "the file can't be opened"),
    ("permission denied", "the file is not yours to read"),
)


def _in_words(error: Exception) -> str:
    """Why a scan broke off, in our words: the database's own sentence helps nobody who made the log."""
    text = str(error).lower()
    return next((words for key, words in _BROKEN if key in text), "its rows have no common shape")


def _text(value: str) -> str:
    return "'" + value.replace("'", "''") + "'"


def scannable(path: Path) -> bool:
    """Whether a path can stand in a scan's list: DuckDB takes these characters as a pattern."""
    name = str(path)
    return not any(c in name for c in "*?[]{}\\") and not any("\udc80" <= c <= "\udcff" for c in name)


def scan_tables(
    paths: Sequence[Path], header: Sequence[str], wanted: Sequence[str], *, skip: int, separator: str = ","
) -> Scanned:
    """Read files of one layout in one scan.

    The lines of a file must all end alike, and so must those of all files. header: all columns in the files' order.
    wanted: those to read, as numbers; the rest is passed over. skip: lines above the data.
    Text that is no number makes its row a reject; an empty cell is null; `nan` and `inf` come as they are.
    """
    types = ", ".join(f"{_text(h)}: {_text('DOUBLE' if h in wanted else 'VARCHAR')}" for h in header)
    options = f"delim = {_text(separator)}, quote = '', escape = '', comment = '', skip = {skip}"
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
    except duckdb.OutOfMemoryException:
        raise  # no fault of a file's
    except duckdb.Error as error:
        raise ScanError(_in_words(error)) from error
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
    skip: int,
    separator: str,
    decimal: str,
    thousands: str | None,
    quote_character: str,
    missing: Sequence[str],
    stamps: Sequence[str] = (),
    stamp_format: str | None = None,
) -> Scanned:
    """Read tables of one layout in one scan: UTF-8, lines ended by newlines, no comments.

    columns: all columns in the files' order. numbers, texts: those to read as numbers and as text. stamps: those of the
    texts to read as time stamps of stamp_format, as numbers where it is None. skip: lines above the data. missing:
    words that stand for no reading. The rest as `scan_tables`.
    """
    kinds = {**dict.fromkeys(numbers, "DOUBLE"), **dict.fromkeys(texts, "VARCHAR")}
    kinds |= dict.fromkeys(stamps, "DOUBLE" if stamp_format is None else "TIMESTAMP")
    types = ", ".join(f"{_text(c)}: {_text(kinds.get(c, 'VARCHAR'))}" for c in columns)
    options = [
        f"delim = {_text(separator)}",
        f"decimal_separator = {_text(decimal)}",
        f"quote = {_text(quote_character)}",
        f"escape = {_text(quote_character)}",
        f"nullstr = [{', '.join(_text(w) for w in dict.fromkeys(['', *missing]))}]",
        f"comment = '', skip = {skip}",
    ]
    if thousands:
        options.append(f"thousands = {_text(thousands)}")
    if stamps and stamp_format is not None:
        options.append(f"timestampformat = {_text(stamp_format)}")
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
    with lent(con, "seen_rows", rows.select(*SEEN_SCHEMA)):
        con.execute("INSERT INTO intake_file SELECT * FROM seen_rows")


def forget_files(writing: Writing, names: Sequence[str]) -> None:
    """Take files out of the book of files seen."""
    writing.con.execute(_SEEN_DDL)
    _forget(writing.con, names)


def _forget(con: duckdb.DuckDBPyConnection, names: Sequence[str]) -> None:
    if names:
        con.execute("DELETE FROM intake_file WHERE source_file IN (SELECT unnest(?))", [list(names)])
