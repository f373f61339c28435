"""Reads a whole store and says what does not fit together; what the logs can give again is marked to be read anew."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from catchpot.store import closed_files, intake
from catchpot.store.schema import quote, table_names

if TYPE_CHECKING:
    from pathlib import Path

    from catchpot.store.reading import Reading
    from catchpot.store.store import Writing


@dataclass(frozen=True)
class Fault:
    """Something that does not fit. shot, file: what is to be read anew from the logs, empty where nothing is."""

    message: str
    shot: str = ""
    file: str = ""


def examine(reading: Reading, path: Path) -> list[Fault]:
    """Everything that does not fit: every row of every table is read once.

    StoreError (from the connection) where a part of the file can't be read at all.
    """
    con = reading.con
    found = _closed(reading, path)
    if con is None:
        return found
    there = table_names(con)
    for name in sorted(there):
        con.execute(f"SELECT bit_xor(hash(t)) FROM {quote(name)} t").fetchall()
    if not {"shot", "sample"} <= there:
        return found
    rows = con.execute(
        "SELECT s.shot, s.source_file, s.samples, coalesce(n.n, 0) FROM shot s LEFT JOIN "
        "(SELECT shot_no, count(*) AS n FROM sample GROUP BY shot_no) n USING (shot_no) "
        "WHERE coalesce(n.n, 0) != s.samples ORDER BY s.shot"
    ).fetchall()
    for shot, file, said, have in rows:
        found.append(Fault(f"shot {shot!r} has {have} samples, {said} were stored", shot, file))
    twice = con.execute(
        "SELECT shot, min(source_file) FROM shot GROUP BY shot HAVING count(*) > 1 ORDER BY shot"
    ).fetchall()
    found += [Fault(f"shot {shot!r} stands there twice", shot, file) for shot, file in twice]
    [(stray,)] = con.execute("SELECT count(*) FROM sample WHERE shot_no NOT IN (SELECT shot_no FROM shot)").fetchall()
    if stray:
        found.append(Fault(f"{stray} samples belong to no shot"))
    known = con.execute("SELECT source_file, source_digest FROM shot").fetchall()
    files, digests = {f for f, _ in known}, {d for _, d in known}
    for row in intake.seen_files(reading).iter_rows(named=True):
        if row["state"] == "stored" and row["source_file"] not in files and row["digest"] not in digests:
            message = f"{row['source_file']} was read and stored, and its shot is gone"
            found.append(Fault(message, "", row["source_file"]))
    return found


def _closed(reading: Reading, path: Path) -> list[Fault]:
    files = closed_files.read(closed_files.folder_of(path))
    found = [Fault(f"{closed_files.FOLDER}/{f.path.name} {f.wrong}") for f in files if f.wrong]
    fixed = {(f.fixed.what, f.fixed.period): f.fixed.content for f in files if f.fixed}
    for what, period, content in reading.table("closed", ["what", "period", "content"]).iter_rows():
        if fixed.get((what, period), content) != content:
            found.append(Fault(f"{what} of {period} stands otherwise in the store than in its file"))
    return found


def mend(writing: Writing, faults: Sequence[Fault]) -> None:
    """Take out what is torn, so that the next ingest reads it from its log; samples of no shot go."""
    writing.remove_shots(sorted({f.shot for f in faults if f.shot}))
    intake.forget_files(writing, sorted({f.file for f in faults if f.file}))
    writing.con.execute("DELETE FROM sample WHERE shot_no NOT IN (SELECT shot_no FROM shot)")


__all__ = ["Fault", "examine", "mend"]
