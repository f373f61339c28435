"""Opening the store: short connections, a file that older programs open too, and words where it can't be opened.

DuckDB locks its file for one process: while a process has it open to write, no other can even read it, and an open
reader keeps a writer out. So a connection is opened, used and closed, and a held lock is waited for.
"""

from __future__ import annotations

import os
import re
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from catchpot.errors import CatchpotError
from catchpot.store import journal

if TYPE_CHECKING:
    import duckdb

PATIENCE_S = 20.0
# The default of newer programs can't be opened by older ones.
STORAGE_VERSION = "v1.4.0"
ALIAS = "catchpot"


class StoreError(CatchpotError):
    """The store can't be used, and why, in a sentence."""


class StoreBusy(StoreError):  # noqa: N818 - a state that passes, not a mistake
    """Another program held the store for as long as was waited."""


class StorePlaceError(StoreError):
    """A folder in which no store can be."""

    status = 2


@contextmanager
def connect(path: Path, *, write: bool, patience_s: float = PATIENCE_S) -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection whose default database is the store; closed at the end.

    write: opened to write, else read only. The file must exist (`create` makes it).
    patience_s: how long a lock held by someone else is waited for, in seconds; then StoreBusy.
    Errors of the file system (full disk, read-only folder) and files that are no store come as StoreError.
    """
    import duckdb

    with journal.TURNS.turn(path, write=write, patience_s=patience_s) as came:
        if not came:
            raise StoreBusy(f"{path}: another part of this program has the store open. Waited {patience_s:.0f} s.")
        try:
            with _opened(path, write=write, patience_s=patience_s) as con:
                yield con
        except duckdb.Error as error:
            raise StoreError(in_words(error, path, write=write) or _unknown(error, path)) from error


# DuckDB takes some of these in a file's name for a pattern or for options.
_PLAIN = re.compile(r"[^?#%*\[\]{}&=\\]*")


@contextmanager
def _plain_path(path: Path) -> Iterator[Path]:
    """A path to the same file that DuckDB can take, whatever the folders above are called."""
    name = str(path)
    if "?" in os.path.realpath(path):
        # DuckDB looks behind links, and puts the name of its write-ahead log before a question mark.
        raise StorePlaceError(f"{path}: a store can't be in a folder with a question mark in its name; rename it")
    if _PLAIN.fullmatch(name) and name.isprintable() and _is_utf8(name):
        yield path
        return
    try:
        folder = os.open(path.parent, os.O_RDONLY)
    except OSError as error:
        raise StoreError(in_words(error, path, write=False) or f"{path}: can't be opened: {error}") from error
    try:
        here = Path(f"/proc/self/fd/{folder}")
        if not here.exists():
            raise StoreError(f"{path}: the store can't be opened in a folder of such a name; name it in plain letters")
        yield here / path.name
    finally:
        os.close(folder)


def _is_utf8(name: str) -> bool:
    try:
        name.encode()
    except UnicodeEncodeError:
        return False
    return True


@contextmanager
def _opened(path: Path, *, write: bool, patience_s: float) -> Iterator[duckdb.DuckDBPyConnection]:
    with _plain_path(path) as reached, _opened_at(path, reached, write=write, patience_s=patience_s) as con:
        yield con


@contextmanager
def _opened_at(path: Path, reached: Path, *, write: bool, patience_s: float) -> Iterator[duckdb.DuckDBPyConnection]:
    """The connection, with the journal written before anything else is and thrown away when all is on disk."""
    if not write:
        con = _attach(path, reached, write=False, patience_s=patience_s)
        try:
            yield con
        finally:
            _put_by(con, reached)
        return
    # Opened before DuckDB opens the file and closed after it has closed it: see `journal.save`.
    file = os.open(path, os.O_RDONLY)
    try:
        con = _attach(path, reached, write=True, patience_s=patience_s)
        try:
            _save(con, file, path)
            yield con
        finally:
            _checkpoint(con, path)
            _close(con)
    finally:
        os.close(file)


def _save(con: duckdb.DuckDBPyConnection, file: int, path: Path) -> None:
    try:
        journal.save(con, file, path)
    except OSError as error:
        raise StoreError(in_words(error, path, write=True) or f"{path}: can't be written: {error}") from error
    con.execute("RESET checkpoint_threshold")


def _checkpoint(con: duckdb.DuckDBPyConnection, path: Path) -> None:
    """Write the log into the file. Where that fails it waits for the next opening, and nothing is lost."""
    import duckdb

    try:
        con.execute("CHECKPOINT")
    except duckdb.Error:
        return
    # While the lock is still held: the next writer's journal must not be taken for this one's.
    con.execute("PRAGMA disable_checkpoint_on_shutdown")
    journal.discard(path)


def create(path: Path, ddl: str) -> None:
    """Make the store's file with the given statements in it, whole or not at all.

    A program killed half-way would leave a file that no program opens, so it is made beside its place and moved there.
    Where another process was first, its file stands.
    """
    import duckdb

    fresh = path.with_name(f"{path.name}.new-{os.getpid()}")
    try:
        fresh.unlink(missing_ok=True)
        with _plain_path(fresh) as reached:
            con = _attach(fresh, reached, write=True, patience_s=0.0)
            try:
                con.execute(ddl)
            finally:
                _close(con)
        # A hard link never overwrites, a rename would; where the file system knows no links, rename.
        try:
            os.link(fresh, path)
        except FileExistsError:
            pass
        except OSError:
            if not path.exists():
                fresh.replace(path)
    except (duckdb.Error, OSError) as error:
        raise StoreError(in_words(error, path, write=True) or _unknown(error, path)) from error
    finally:
        for left in (fresh, fresh.with_name(fresh.name + ".wal")):
            try:
                left.unlink(missing_ok=True)
            except OSError:
                break  # a folder that turned read-only: the reason is on its way already


def sweep(path: Path, *, older_than_s: float = 600.0) -> None:
    """Remove what a killed program left while making the file; younger pieces may still be in use."""
    for left in path.parent.glob(f"{path.name}.new-*"):
        try:
            if time.time() - left.stat().st_mtime > older_than_s:
                left.unlink()
        except OSError:
            continue  # another process was faster, or the folder is read-only: a leftover harms nobody


def _attach(path: Path, reached: Path, *, write: bool, patience_s: float) -> duckdb.DuckDBPyConnection:
    import duckdb

    options = f"STORAGE_VERSION '{STORAGE_VERSION}'" if write else "READ_ONLY"
    quoted = str(reached).replace("'", "''")
    give_up = time.monotonic() + patience_s
    pause = 0.02
    while True:
        mendable = _mend(path)
        # Temporary files default to the current folder, which is anyone's. Opening must not write the log into the
        # file: the journal isn't ready yet.
        con = _put_by_before(reached) if not write else None
        if con is None:
            con = duckdb.connect(":memory:", config={"temp_directory": f"{reached}.tmp", "checkpoint_threshold": "1TB"})
            con.execute("SET enable_progress_bar = false")  # it would be drawn into standard output
        try:
            con.execute(f"ATTACH '{quoted}' AS {ALIAS} ({options})")
            con.execute(f"USE {ALIAS}")
        except duckdb.Error as error:
            con.close()
            if not _is_lock(error):
                said = in_words(error, path, write=write)
                raise StoreError(said or _unknown(error, path)) from error
            if time.monotonic() >= give_up:
                raise StoreBusy(_busy(error, path, patience_s)) from error
        else:
            if not (mendable and journal.journal_path(path).exists()):
                return con
            # A writer was cut off, and someone who reads keeps the file from being mended.
            con.close()
            if time.monotonic() >= give_up:
                raise StoreBusy(
                    f"{path}: a run was cut off, and another program that has the store open keeps it from being "
                    f"mended. Waited {patience_s:.0f} s. Close it, then run again; nothing was lost."
                )
        time.sleep(pause)
        pause = min(pause * 1.5, 0.5)


# Starting an engine costs several times what attaching a file to it does: those that have read are used again.
_IDLE: dict[tuple[int, str], list[duckdb.DuckDBPyConnection]] = {}
_IDLE_LOCK = threading.Lock()
_MOST_IDLE = 2


def _put_by_before(reached: Path) -> duckdb.DuckDBPyConnection | None:
    """An engine without a file, left by an earlier reader of this process; None where there is none."""
    with _IDLE_LOCK:
        idle = _IDLE.get((os.getpid(), str(reached)))
        return idle.pop() if idle else None


def _put_by(con: duckdb.DuckDBPyConnection, reached: Path) -> None:
    """Let go of the file and its lock, and keep the engine for the next reader."""
    import duckdb

    try:
        con.execute("USE memory")
        con.execute(f"DETACH {ALIAS}")
    except duckdb.Error:
        _close(con)
        return
    with _IDLE_LOCK:
        idle = _IDLE.setdefault((os.getpid(), str(reached)), [])
        if len(idle) < _MOST_IDLE and "/proc/" not in str(reached):
            idle.append(con)
            return
    _close(con)


def _mend(path: Path) -> bool:
    """Put back what a writer that was cut off left half written; False where the folder can't be written."""
    try:
        journal.TURNS.if_alone(path, journal.restore)
    except OSError:
        return False  # what the file lacks, if anything, is said when it is read
    return True


def _close(con: duckdb.DuckDBPyConnection) -> None:
    import duckdb

    try:
        con.close()
    except duckdb.Error:
        # Closing writes the log into the file; on a full disk that waits for the next opening, and nothing is lost.
        return


def _unknown(error: Exception, path: Path) -> str:
    return (
        f"{path}: the store failed in a way that is not foreseen ({type(error).__name__}); nothing of what was under "
        "way was stored. If it happens again, move the file away: the logs are the archive, and `catchpot run` makes "
        "a new store from them."
    )


def _is_lock(error: Exception) -> bool:
    text = str(error)
    return "Could not set lock" in text or "Unique file handle conflict" in text


def _busy(error: Exception, path: Path, patience_s: float) -> str:
    holder = re.search(r"held in (?P<program>.*?) \(PID (?P<pid>\d+)\)", str(error))
    who = f"{Path(holder['program']).name} (process {holder['pid']})" if holder else "another program"
    return (
        f"{path}: {who} has the store open. Waited {patience_s:.0f} s. "
        "Close it or wait until it is done, then run again; nothing was lost."
    )


def in_words(error: Exception, path: Path, *, write: bool) -> str | None:
    """A sentence for an error of the file or the disk; None for any other error."""
    text = str(error)
    if "Corrupt database file" in text:
        return (
            f"{path}: the store is damaged. If a run was cut off and the folder is read-only here, open it once "
            "where it can be written. Else move the file away; the logs are the archive, and "
            "`catchpot run` makes a new store."
        )
    if "No space left on device" in text or "out of disk space" in text.lower():
        return f"{path}: the disk is full. What was stored before is safe; make room and run again."
    if "File too large" in text:
        return f"{path}: the store grows beyond the size that is allowed here. What was stored before is safe."
    if "not a valid DuckDB database" in text:
        return (
            f"{path}: this file is no store of catchpot (or it is damaged). Move it away; the logs are the archive, "
            "and `catchpot run` makes a new store from them and from closed/."
        )
    if "storage version" in text.lower() or "database file with version" in text:
        return (
            f"{path}: another program, or a newer catchpot, wrote this file. Update catchpot, or move the file away; "
            "the logs are the archive, and `catchpot run` makes a new store from them and from closed/."
        )
    if "Read-only file system" in text or "Permission denied" in text:
        action = "written" if write else "read"
        return f"{path}: the store can't be {action}: its folder is read-only or not yours. Nothing was changed."
    if "No such file or directory" in text or ("does not exist" in text and "read-only mode" in text):
        return f"{path}: there is no such folder or file."
    if "Is a directory" in text:
        return f"{path}: a folder stands where the store's file should be."
    return None
