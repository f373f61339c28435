"""The one way a file is written: beside its place, onto the disk, then renamed. Whole or not at all."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from catchpot.errors import CatchpotError

_WHY = {
    errno.ENOSPC: "the disk is full",
    errno.EDQUOT: "the disk quota is used up",
    errno.EFBIG: "the file grows beyond the size that is allowed here",
    errno.EROFS: "its folder is read-only",
    errno.EACCES: "its folder or the file is read-only, or not yours",
    errno.EPERM: "its folder or the file is read-only, or not yours",
    errno.ENOENT: "No such file or directory",
    errno.ENOTDIR: "a file stands where a folder should be",
    errno.EISDIR: "a folder of that name is there already",
    errno.ENAMETOOLONG: "the name is too long",
    errno.EIO: "the disk reports an error",
}


def user_cache() -> Path:
    """catchpot's folder in the user's cache folder, be it there or not. RuntimeError for a user without a home."""
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "catchpot"


# Names of half-written files; a killed program leaves one at most, and the next writing of the same file removes it.
MARK = ".unfinished"


class WriteError(CatchpotError):
    """A file that could not be written. What stood in its place before still does."""


def why(error: OSError) -> str:
    """An error of the file system in a few words."""
    return _WHY.get(error.errno or 0, (error.strerror or str(error)).lower())


def refused(path: Path, error: OSError) -> WriteError:
    """The sentence for a file that could not be written."""
    return WriteError(f"{path}: can't be written: {why(error)}. What was there before is untouched.")


@contextmanager
def whole(path: Path) -> Iterator[Path]:
    """A path beside `path` to write to; at the end of the block it takes the place of `path`.

    Where the block raises, `path` is left as it was. WriteError for errors of the file system.
    """
    fresh = _beside(path)
    try:
        _take_left(path)
        yield fresh
        with fresh.open("rb+") as written:
            os.fsync(written.fileno())
        _no_folder(path)
        with suppress(OSError):
            fresh.chmod(stat.S_IMODE(path.stat().st_mode))
        fresh.replace(path)
        _settle(path.parent)
    except OSError as error:
        raise refused(path, error) from error
    finally:
        with suppress(OSError):
            fresh.unlink(missing_ok=True)


def _beside(path: Path) -> Path:
    """Where this process writes a file before it takes its place."""
    return path.with_name(f".{path.name[:100]}.{os.getpid()}{MARK}")


def _no_folder(path: Path) -> None:
    if path.is_dir():
        raise IsADirectoryError(errno.EISDIR, "is a folder")


def _take_left(path: Path) -> None:
    """Remove what a killed program left of this file, half-written."""
    for left in path.parent.glob(f".{_literal(path.name[:100])}.*{MARK}"):
        with suppress(OSError):
            left.unlink()


def write_whole(path: Path, content: str | bytes) -> None:
    """Write text (UTF-8, lines as they are) or bytes."""
    data = content.encode("utf-8", "backslashreplace") if isinstance(content, str) else content
    with whole(path) as fresh:
        fresh.write_bytes(data)


class Aside:
    """Files written beside their places, which take them together at `settle`.

    Each is whole where it lies; a program killed before `settle` has changed nothing, one killed in it has replaced
    some files by whole new ones.
    """

    def __init__(self) -> None:
        self._waiting: dict[Path, Path] = {}

    def write(self, path: Path, data: bytes) -> None:
        """Write a file aside; its folder must be there. WriteError for errors of the file system."""
        fresh = _beside(path)
        try:
            _take_left(path)
            with fresh.open("wb") as stream:
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
        except OSError as error:
            with suppress(OSError):
                fresh.unlink(missing_ok=True)
            self.drop()
            raise refused(path, error) from error
        self._waiting[path] = fresh

    def settle(self, last: Path | None = None) -> None:
        """Have all take their places, `last` after the others."""
        for path in sorted(self._waiting, key=lambda p: (p == last, p)):
            try:
                _no_folder(path)
                self._waiting[path].replace(path)
            except OSError as error:
                self.drop()
                raise refused(path, error) from error
        for folder in {path.parent for path in self._waiting}:
            _settle(folder)
        self._waiting = {}

    def drop(self) -> None:
        """Forget what waits."""
        for fresh in self._waiting.values():
            with suppress(OSError):
                fresh.unlink(missing_ok=True)
        self._waiting = {}


def make_folder(path: Path, *, through_links: bool = False) -> None:
    """Make a folder and those above it; WriteError where that is not possible, or where a link stands in its place.

    through_links: a link to a folder will do, as someone named it.
    """
    if path.is_symlink() and not through_links:
        raise WriteError(f"{path}: this is a link; nothing is written through it. Put a folder in its place.")
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise WriteError(f"{path}: the folder can't be made: {why(error)}.") from error


def _literal(name: str) -> str:
    import glob

    return glob.escape(name)


def _settle(folder: Path) -> None:
    """Have the renaming itself on the disk; not every file system lets a folder be opened."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


__all__ = ["Aside", "WriteError", "make_folder", "refused", "whole", "why", "write_whole"]
