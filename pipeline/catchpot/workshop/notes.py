"""Writes into events.csv and parts.csv what people did and measured: one row a time, whole or not at all, with undo.

The files stay as people keep them: their columns, separator, line ends and comments. What a note took the place of is
kept in the hidden folder `.notes/`, so that the last notes can be taken back.
"""

from __future__ import annotations

import hashlib
import json
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from catchpot.core_tables import PART
from catchpot.errors import CatchpotError
from catchpot.whole import make_folder, write_whole
from catchpot.workshop.grid import Grid, read_grid
from catchpot.workshop.ledgers import EVENT_COLUMNS

if TYPE_CHECKING:
    from catchpot.workshop.opening import Workshop

FOLDER = ".notes"
KEPT = 20
"""Notes that can be taken back."""
_LOCKED_S = 10.0


class NoteError(CatchpotError):
    """A note that can't be written, or taken back, as the file stands."""

    status = 2


@dataclass(frozen=True)
class Noted:
    """What was written: file, line, and the row as it stands there. before: the row it took the place of, or empty."""

    path: Path
    line: int
    row: str
    before: str = ""


def local_text(when: datetime, zone: ZoneInfo) -> str:
    """A time as it is written into a ledger: local, with the offset only where the hour comes twice.

    >>> from datetime import UTC
    >>> local_text(datetime(2026, 8, 7, 13, 30, tzinfo=UTC), ZoneInfo("Europe/Lisbon"))
    '2026-08-07 14:30:00'
    """
    local = when.astimezone(zone).replace(microsecond=0)
    twice = local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset()
    return local.isoformat(" ") if twice else local.replace(tzinfo=None).isoformat(" ")


def add_events(workshop: Workshop, events: Sequence[tuple[datetime, str, str, str]]) -> list[Noted]:
    """Add rows to events.csv, each (time, mould or "", kind, detail); all of them or none."""
    with _alone(workshop.home):
        grid = _grid(workshop.home / "events.csv", EVENT_COLUMNS, ("time", "kind"))
        grid = grid.with_columns(EVENT_COLUMNS)
        text, made = grid.text, []
        for when, mould, kind, detail in events:
            cells = {"time": local_text(when, workshop.zone), "mould": mould, "kind": kind,
                     "detail": " ".join(detail.split())}  # fmt: skip
            grown = _with_text(grid, text).with_row(cells)
            made.append(Noted(grid.path, len(text.splitlines()) + 1, grid.line_of(cells)))
            text = grown
        _write(workshop.home, grid, text, [n.row for n in made])
    return made


def set_part(workshop: Workshop, shot: str, values: Mapping[str, str]) -> Noted:
    """Write cells of a shot's row of parts.csv; the row is made where there is none."""
    with _alone(workshop.home):
        grid = _grid(workshop.home / "parts.csv", PART.names, ("shot",)).with_columns(["shot", *values])
        found = next(((a, b, c) for a, b, c in grid.rows if c.get("shot") == shot), None)
        if found is None:
            cells: Mapping[str, str] = {"shot": shot, **values}
            line, text, before = len(grid.text.splitlines()) + 1, grid.with_row(cells), ""
        else:
            line, last, old = found
            cells, before = {**old, **values}, grid.line_of(old)
            text = grid.with_changed_row(line, last, cells)
        row = grid.line_of(cells)
        _write(workshop.home, grid, text, [row])
    return Noted(grid.path, line, row, before)


def last_note(home: Path) -> tuple[str, list[str]] | None:
    """The note that `undo` would take back: what tells it from others, and its rows; None where there is none."""
    kept = _kept(home)
    return (kept[-1]["after"], list(kept[-1]["rows"])) if kept else None


def undo(home: Path, *, only: str | None = None) -> tuple[Path, list[str]]:
    """Take the last note back: the file and the rows that went. NoteError where there is none, or it was changed.

    only: take back just this note (see `last_note`), not one that somebody has written since.
    """
    with _alone(home):
        kept = _kept(home)
        if not kept:
            raise NoteError("there is no note to take back")
        last = kept[-1]
        if only not in (None, last["after"]):
            raise NoteError("another note was written meanwhile; look at it before you take it back")
        path = home / last["file"]
        now = path.read_bytes() if path.exists() else b""
        if _digest(now) != last["after"]:
            rows = "; ".join(last["rows"])
            raise NoteError(f"{path}: changed by hand since the last note ({rows}); take that row out there")
        before = home / FOLDER / last["before"]
        if last["existed"]:
            write_whole(path, before.read_bytes())
        else:
            path.unlink()
        _remember(home, kept[:-1])
        before.unlink(missing_ok=True)
        return path, list(last["rows"])


def _grid(path: Path, columns: Sequence[str], needed: Sequence[str]) -> Grid:
    if not path.exists():
        header = ",".join(columns)
        return Grid(path, f"{header}\n", False, ",", "\n", tuple(columns), (), ())
    grid = read_grid(path, columns, needed)
    if not grid.readable:
        wrong = next(p for p in grid.problems if p.severity == "error")
        raise NoteError(f"{wrong}; nothing was written")
    return grid


def _with_text(grid: Grid, text: str) -> Grid:
    return Grid(grid.path, text, grid.bom, grid.separator, grid.newline, grid.header, grid.rows, ())


def _write(home: Path, grid: Grid, text: str, rows: Sequence[str]) -> None:
    data = (b"\xef\xbb\xbf" if grid.bom else b"") + text.encode()
    kept, existed = _kept(home), grid.path.exists()
    name = f"{int(kept[-1]['before'].split('-')[0]) + 1 if kept else 1:06d}-{grid.path.name}"
    make_folder(home / FOLDER)
    write_whole(home / FOLDER / name, grid.path.read_bytes() if existed else b"")
    entry = {"file": grid.path.name, "before": name, "existed": existed, "after": _digest(data), "rows": list(rows)}
    write_whole(grid.path, data)
    for old in kept[: max(len(kept) + 1 - KEPT, 0)]:
        (home / FOLDER / old["before"]).unlink(missing_ok=True)
    _remember(home, [*kept, entry][-KEPT:])


def _remember(home: Path, kept: Sequence[Mapping[str, Any]]) -> None:
    write_whole(home / FOLDER / "kept.json", json.dumps(kept, indent=1) + "\n")


def _kept(home: Path) -> list[dict[str, Any]]:
    try:
        known = json.loads((home / FOLDER / "kept.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return []
    return [k for k in known if isinstance(k, dict)] if isinstance(known, list) else []


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


@contextmanager
def _alone(home: Path) -> Iterator[None]:
    """Two people who note at the same moment wait for each other; whoever is killed meanwhile holds nobody up."""
    make_folder(home / FOLDER)
    path = home / FOLDER / "lock"
    until = time.monotonic() + _LOCKED_S
    with path.open("a", encoding="utf-8") as file:
        while not _locked(file.fileno()):
            if time.monotonic() > until:
                raise NoteError(f"{path}: somebody else is noting just now; try again")
            time.sleep(0.05)
        yield  # the system lets go of the lock as the file is closed, or its process ends


def _locked(number: int) -> bool:
    """Take the lock of an open file; False where another has it."""
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(number, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(number, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


__all__ = ["NoteError", "Noted", "add_events", "last_note", "local_text", "set_part", "undo"]
