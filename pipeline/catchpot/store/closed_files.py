"""Closed months as files of their own beside the store: written once, chained by hash, read back into a new store.

What was fixed for good is the one thing that no log can give again, so it does not live in the store's file alone. Each
file names the digest of the one before it: a file that was changed, taken out or put in breaks the chain and is named.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from catchpot.whole import make_folder, write_whole

if TYPE_CHECKING:
    import duckdb

FOLDER = "closed"
_NAME = re.compile(r"(\d{4})-.*\.json")


@dataclass(frozen=True)
class Fixed:
    """A period that was fixed: a row of `closed`."""

    what: str
    period: str
    closed_at: datetime
    content: str


@dataclass(frozen=True)
class File:
    """A file of the chain. wrong: why it is not to be trusted, empty where it is."""

    path: Path
    number: int
    digest: str
    fixed: Fixed | None
    wrong: str = ""


def folder_of(store: Path) -> Path:
    """Where the files of a store's closed periods stand."""
    return store.parent / FOLDER


def read(folder: Path) -> list[File]:
    """All files in order, each with what is wrong about it."""
    found: list[File] = []
    before = ""
    for path in sorted(folder.glob("[0-9][0-9][0-9][0-9]-*.json")) if folder.is_dir() else []:
        named = _NAME.fullmatch(path.name)
        if named is None:
            continue
        file = _read(path, int(named[1]), before, len(found) + 1)
        before = file.digest
        found.append(file)
    return found


def _read(path: Path, number: int, before: str, expected: int) -> File:
    try:
        data = path.read_bytes()
        given: dict[str, Any] = json.loads(data)
        fixed = Fixed(
            str(given["what"]), str(given["period"]), datetime.fromisoformat(given["closed_at"]), str(given["content"])
        )
        own, chained = str(given["digest"]), str(given["before"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        return File(path, number, "", None, f"can't be read ({type(error).__name__})")
    if own != _digest(fixed, chained):
        return File(path, number, own, None, "was changed after it was written")
    if number != expected or chained != before:
        return File(
            path, number, own, fixed, "does not follow the file before it: one was taken out, put in or changed"
        )
    return File(path, number, own, fixed)


def _digest(fixed: Fixed, before: str) -> str:
    parts = (before, fixed.what, fixed.period, fixed.closed_at.isoformat(), fixed.content)
    return hashlib.sha256("\0".join(parts).encode()).hexdigest()


def add(folder: Path, fixed: Sequence[Fixed]) -> None:
    """Write a file for each period that has none, behind those that are there."""
    there = read(folder)
    known = {(f.fixed.what, f.fixed.period) for f in there if f.fixed}
    number, before = (there[-1].number, there[-1].digest) if there else (0, "")
    for one in fixed:
        if (one.what, one.period) in known:
            continue
        make_folder(folder)
        number += 1
        digest = _digest(one, before)
        safe = re.sub(r"[^a-z0-9]+", "-", f"{one.what}-{one.period}".lower())[:80]
        content = {"what": one.what, "period": one.period, "closed_at": one.closed_at.isoformat(), "before": before,
                   "digest": digest, "content": one.content}  # fmt: skip
        write_whole(folder / f"{number:04d}-{safe}.json", json.dumps(content, indent=1, ensure_ascii=False) + "\n")
        known.add((one.what, one.period))
        before = digest


def rows(con: duckdb.DuckDBPyConnection) -> list[Fixed]:
    """What the store itself has fixed, in the order of closing."""
    got = con.execute(
        "SELECT what, period, epoch_us(closed_at), content FROM closed ORDER BY closed_at, what, period"
    ).fetchall()
    return [Fixed(what, period, _instant(us), content) for what, period, us, content in got]


def restore(con: duckdb.DuckDBPyConnection, folder: Path) -> None:
    """Put periods that only the files know into the store; files that are not to be trusted stay out."""
    files = [f.fixed for f in read(folder) if f.fixed is not None]
    if not files:
        return
    have = {(f.what, f.period) for f in rows(con)}
    for one in files:
        if (one.what, one.period) not in have:
            con.execute(
                "INSERT INTO closed (what, period, closed_at, content) VALUES (?, ?, ?, ?)",
                [one.what, one.period, one.closed_at, one.content],
            )


def _instant(us: int) -> datetime:
    from datetime import UTC, timedelta

    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=us)


__all__ = ["FOLDER", "File", "Fixed", "add", "folder_of", "read", "restore", "rows"]
