"""Mould book, events and parts as they were last good: a slip in one of them stops no log and no analysis.

Copies stand in the hidden folder `.last-good/` of the workshop, a file each, and are renewed whenever the file opens
without an error.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

from catchpot.whole import WriteError, make_folder, write_whole

FOLDER = ".last-good"
LEDGERS = ("moulds.toml", "events.csv", "parts.csv")


def place(home: Path, name: str) -> Path:
    """Where the copy of a file stands."""
    return home / FOLDER / name


def keep(home: Path, good: Mapping[str, bool]) -> None:
    """Renew the copies of the files that opened without an error (good: name -> whether it did).

    A file that is not there has no copy. Where the folder can't be written, the copies stay as they are.
    """
    for name, fine in good.items():
        copy = place(home, name)
        if not fine:
            continue
        with suppress(OSError, WriteError):
            if not (home / name).exists():
                copy.unlink(missing_ok=True)
                continue
            content = (home / name).read_bytes()
            if not copy.exists() or _digest(copy.read_bytes()) != _digest(content):
                make_folder(copy.parent)
                write_whole(copy, content)


def _digest(content: bytes) -> bytes:
    return hashlib.sha256(content).digest()


__all__ = ["FOLDER", "LEDGERS", "keep", "place"]
