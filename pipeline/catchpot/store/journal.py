"""Keeps the store openable when a program is killed, or the power fails, while it writes the file's directory blocks.

DuckDB never overwrites data in use, with one exception: the blocks that hold its directory of tables and row groups are
written again in place at every checkpoint. Cut off within such a block, as a kill -9 under load has done, the file
fails its checksum and no program opens it. So before anything is written these blocks are copied to a file beside the
store. Whoever opens the store next and finds that file knows that a writer was cut off. Where the file's header still
is the one of that time, the checkpoint never came to its end: the copies are put back, and the write-ahead log, which
is only emptied after the header was written, gives the last transactions again.
"""

from __future__ import annotations

import hashlib
import json
import os
import struct
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import duckdb

_MAGIC = b"catchpot undo 1\n"
# Three pages: what the file is, and two headers in turn, the newer of which holds.
_HEADERS = 3 * 4096


def journal_path(path: Path) -> Path:
    """The file beside the store that holds the copies."""
    return path.with_name(f"{path.name}.undo")


def save(con: duckdb.DuckDBPyConnection, file: int, path: Path) -> None:
    """Copy the blocks that a checkpoint may write in place.

    file: a descriptor of the store, opened before DuckDB opened it and to be closed after DuckDB has closed it: closing
    any descriptor of a file ends all locks that a process has on it.
    """
    [(block_size,)] = con.execute(
        "SELECT block_size FROM pragma_database_size() WHERE database_name = current_database()"
    ).fetchall()
    listed = con.execute("SELECT DISTINCT block_id FROM pragma_metadata_info(current_database())").fetchall()
    blocks = sorted(int(b) for (b,) in listed)
    content = b"".join(
        [os.pread(file, _HEADERS, 0), *(os.pread(file, block_size, _HEADERS + b * block_size) for b in blocks)]
    )
    about = {"block_size": block_size, "blocks": blocks, "digest": hashlib.sha256(content).hexdigest()}
    head = json.dumps(about).encode()
    journal = journal_path(path)
    fresh = journal.with_name(f"{journal.name}.new")
    try:
        with fresh.open("wb") as out:
            out.write(_MAGIC + struct.pack("<I", len(head)) + head + content)
            out.flush()
            os.fsync(out.fileno())
        fresh.replace(journal)
    except OSError:
        fresh.unlink(missing_ok=True)
        raise


def discard(path: Path) -> None:
    """The file is whole again: the copies are not needed."""
    with suppress(OSError):
        journal_path(path).unlink(missing_ok=True)


def restore(path: Path) -> None:
    """Put back what a writer that was cut off may have left half written; nothing where nobody was cut off.

    A writer that is still at work holds the file's lock and is left alone. OSError where the file can't be written.
    """
    journal = journal_path(path)
    if not journal.exists():
        return
    with path.open("r+b") as file:
        if not _locked(file.fileno()):
            return
        saved = _read(journal)
        if saved is not None:
            headers, block_size, blocks = saved
            if file.read(_HEADERS) == headers:
                for number, content in blocks:
                    os.pwrite(file.fileno(), content, _HEADERS + number * block_size)
                os.fsync(file.fileno())
        journal.unlink(missing_ok=True)


def _locked(file: int) -> bool:
    """Take the lock that DuckDB takes; False where another process has it."""
    try:
        import fcntl
    except ImportError:
        return True  # where there is none, the system itself keeps a second program from writing
    try:
        fcntl.lockf(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _read(journal: Path) -> tuple[bytes, int, list[tuple[int, bytes]]] | None:
    """Headers, block size and blocks of a journal; None where it isn't whole."""
    data = journal.read_bytes()
    start = len(_MAGIC) + 4
    if not data.startswith(_MAGIC) or len(data) < start:
        return None
    (length,) = struct.unpack("<I", data[len(_MAGIC) : start])
    try:
        about = json.loads(data[start : start + length])
        size, numbers = int(about["block_size"]), list(about["blocks"])
    except (ValueError, KeyError, TypeError):
        return None
    content = data[start + length :]
    if hashlib.sha256(content).hexdigest() != about["digest"]:
        return None
    blocks = [(int(n), content[_HEADERS + i * size : _HEADERS + (i + 1) * size]) for i, n in enumerate(numbers)]
    return content[:_HEADERS], size, blocks


class _Turns:
    """Who of this process has which store open: many readers or one writer.

    Locks on files are a process's, not a thread's: within the process only this keeps a reader's opening and closing of
    the file from ending a writer's lock.
    """

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._readers: dict[Path, int] = {}
        self._writing: set[Path] = set()

    @contextmanager
    def turn(self, path: Path, *, write: bool, patience_s: float) -> Iterator[bool]:
        """Wait for a turn; whether it came within that time."""
        key = path.absolute()

        def free() -> bool:
            return key not in self._writing and not (write and self._readers.get(key))

        with self._changed:
            came = self._changed.wait_for(free, patience_s)
            if came and write:
                self._writing.add(key)
            elif came:
                self._readers[key] = self._readers.get(key, 0) + 1
        try:
            yield came
        finally:
            if came:
                with self._changed:
                    if write:
                        self._writing.discard(key)
                    else:
                        self._readers[key] -= 1
                    self._changed.notify_all()

    def if_alone(self, path: Path, action: Callable[[Path], None]) -> None:
        """Do something to the file if just one of this process has the store open; nobody else comes in meanwhile."""
        key = path.absolute()
        with self._changed:
            if key in self._writing or self._readers.get(key, 0) == 1:
                action(path)


TURNS = _Turns()
