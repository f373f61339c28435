"""Finds log files, reads their bytes, hashes them, and looks at what only bytes show."""

from __future__ import annotations

import hashlib
import io
import os
import zlib
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from stat import S_ISREG
from typing import NamedTuple

from catchpot.ingest.reader import LogRefused, Source
from catchpot.ingest.thin import Thinned, thin, too_large
from catchpot.whole import why

# Files of editors, operating systems and copy programs that are still at work.
_NO_LOGS = (".tmp", ".part", ".crdownload", ".swp", ".lock", "~", ".bak")
_UNPACKED_LIMIT = 1_000_000_000


class Found(NamedTuple):
    """A file that may be a log. name: relative to the workshop, with `/`. link: it may be a link, or lie behind one."""

    place: str
    name: str
    size: int
    modified_ns: int
    link: bool = False

    @property
    def path(self) -> Path:
        """Where it lies."""
        return Path(self.place)


class _Inside:
    """Whether a file lies within the workshop, behind all links; those that don't are said."""

    def __init__(self, home: Path, unread: list[str] | None, follow: bool) -> None:
        self._tops = [home.resolve(), (home / "logs").resolve()]
        self._unread, self._follow = unread, follow

    def __call__(self, found: Found) -> bool:
        if self._follow or any(found.path.resolve().is_relative_to(top) for top in self._tops):
            return True
        if self._unread is not None:
            words = "is a link that leads out of the workshop and is not read (follow_links in [workshop] reads such)"
            self._unread.append(f"{found.name}: {words}")
        return False


@dataclass(frozen=True)
class Read:
    """A file's bytes and their digest, or why they could not be had.

    thinned: the bytes are some of its lines, since it is larger than most_bytes.
    """

    found: Found
    data: bytes
    digest: str
    refused: LogRefused | None = None
    packed: bool = False
    profile: str | None = None
    thinned: Thinned | None = None
    most_bytes: float = float("inf")

    @property
    def source(self) -> Source:
        """The file as a reader sees it."""
        return Source(self.found.path, self.found.name, self.data, self.profile)


def find_logs(
    home: Path, extra: Sequence[str] = (), unread: list[str] | None = None, *, follow_links: bool = False
) -> list[Found]:
    """Every file under logs/, and those matching the patterns in `extra` (relative to the workshop), by name.

    Hidden files and unfinished copies are passed over, and so are links to files outside of the workshop (and of what
    logs/ itself may be a link to), unless they are to be followed. unread: is given a sentence for each folder that
    can't be read and each link that leads out.
    """
    inside = _Inside(home, unread, follow_links)
    found = {f.name: f for f in _walk(home / "logs", "logs", unread) if not f.link or inside(f)}
    for pattern in extra:
        if not Path(pattern).is_absolute() and ".." not in Path(pattern).parts:
            for path in home.glob(pattern):
                name = printable(path.relative_to(home).as_posix())
                with suppress(OSError):  # gone between listing and looking
                    if name not in found and path.is_file() and not _no_log(path.name):
                        stat = path.stat()
                        one = Found(str(path), name, stat.st_size, stat.st_mtime_ns, True)
                        if inside(one):
                            found[name] = one
    return [found[name] for name in sorted(found)]


def printable(name: str) -> str:
    """A file's name as text: bytes that are no UTF-8 are written as they are escaped in Python.

    >>> printable(b"caf\\xe9.csv".decode("utf-8", "surrogateescape"))
    'caf\\\\xe9.csv'
    """
    return name.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def _walk(top: Path, name: str, unread: list[str] | None = None) -> Iterator[Found]:
    """Log files in a folder and the folders in it, however deep; links to folders are not followed."""
    waiting = [(top, name)]
    while waiting:
        folder, name = waiting.pop()
        try:
            with os.scandir(folder) as listing:
                entries = list(listing)
        except FileNotFoundError:
            continue  # gone meanwhile, or no logs yet
        except OSError as error:
            if unread is not None:
                shown = name if len(name) <= 100 else f"{name[:60]}...{name[-30:]}"
                unread.append(f"{shown}: the folder can't be read, nor what lies in it: {why(error)}")
            continue
        for entry in entries:
            place = f"{name}/{printable(entry.name)}"
            with suppress(OSError):
                if entry.is_dir(follow_symlinks=False):
                    if not entry.name.startswith("."):
                        waiting.append((folder / entry.name, place))
                elif not _no_log(entry.name):
                    stat = entry.stat()
                    if S_ISREG(stat.st_mode):
                        yield Found(entry.path, place, stat.st_size, stat.st_mtime_ns, entry.is_symlink())


def _no_log(name: str) -> bool:
    return name.startswith(".") or name.lower().endswith(_NO_LOGS)


def read_ahead(batches: Iterable[Sequence[Found]], most_mb: float | None = None) -> Iterator[list[Read]]:
    """Bytes and digests, batch by batch; the next batch is read and hashed while the one before is being stored."""
    with ThreadPoolExecutor(1) as ahead:
        waiting: Future[list[Read]] | None = None
        for batch in batches:
            coming = ahead.submit(read_all, batch, most_mb)
            if waiting is not None:
                yield waiting.result()
            waiting = coming
        if waiting is not None:
            yield waiting.result()


def read_all(files: Sequence[Found], most_mb: float | None = None) -> list[Read]:
    """Bytes and digests of the files, two at a time (hashing leaves the interpreter free).

    most_mb: of larger ones some lines are read, and packed ones that are larger are refused.
    """
    with ThreadPoolExecutor(2) as pool:
        return list(pool.map(lambda found: _read(found, most_mb), files))


def _read(found: Found, most_mb: float | None = None) -> Read:
    most_bytes = float("inf") if most_mb is None else most_mb * 1e6
    if found.size > most_bytes:
        return _read_some(found, most_bytes)
    try:
        data = found.path.read_bytes()
    except OSError as e:
        return Read(found, b"", "", LogRefused(f"the file can't be read: {e.strerror or e}"))
    digest = hashlib.sha256(data).hexdigest()
    try:
        unpacked = unpack(data)
    except LogRefused as e:
        return Read(found, data, digest, e)
    if unpacked is not None and len(unpacked) > most_bytes:
        return Read(found, b"", digest, LogRefused(too_large(len(unpacked), most_bytes)))
    return Read(found, data if unpacked is None else unpacked, digest, packed=unpacked is not None)


def _read_some(found: Found, most_bytes: float) -> Read:
    try:
        with found.path.open("rb") as file:
            start = file.read(4)
        if start[:2] in (b"\x1f\x8b", b"\xff\xfe", b"\xfe\xff") or start in (b"PK\x03\x04", b"PAR1"):
            return Read(found, b"", "", LogRefused(too_large(found.size, most_bytes)))
        data, digest, thinned = thin(found.path, found.size, most_bytes)
    except OSError as e:
        return Read(found, b"", "", LogRefused(f"the file can't be read: {e.strerror or e}"))
    except LogRefused as e:
        return Read(found, b"", "", e)
    return Read(found, data, digest, packed=True, thinned=thinned, most_bytes=most_bytes)


def unpack(data: bytes) -> bytes | None:
    """The one file in a gzip or zip archive; None where the bytes are no archive; LogRefused for a damaged one."""
    try:
        if data[:2] == b"\x1f\x8b":
            import gzip

            with gzip.GzipFile(fileobj=io.BytesIO(data)) as packed:
                return _bounded(packed.read(_UNPACKED_LIMIT + 1))
        if data[:4] == b"PK\x03\x04":
            import zipfile

            with zipfile.ZipFile(io.BytesIO(data)) as archive:
                members = [m for m in archive.infolist() if not m.is_dir()]
                if len(members) != 1:
                    raise LogRefused(f"the zip file holds {len(members)} files; put each log into one of its own")
                with archive.open(members[0]) as packed_member:
                    return _bounded(packed_member.read(_UNPACKED_LIMIT + 1))
    except (OSError, EOFError, ValueError, zlib.error, NotImplementedError, RuntimeError) as e:
        raise LogRefused(f"the packed file is damaged or cut short: {e}") from None
    except Exception as e:
        if type(e).__name__ in ("BadZipFile", "LargeZipFile"):
            raise LogRefused(f"the packed file is damaged or cut short: {e}") from None
        raise
    return None


def _bounded(data: bytes) -> bytes:
    if len(data) > _UNPACKED_LIMIT:
        raise LogRefused("the packed file grows beyond 1 GB when unpacked; that is no shot log")
    return data


def refuse_empty(data: bytes) -> None:
    """Raise LogRefused for a file with nothing in it."""
    if not data.strip(b" \t\r\n\0\xef\xbb\xbf"):
        raise LogRefused("the file is empty" if not data else "the file holds nothing but blanks or zero bytes")


def refuse_damage(data: bytes) -> None:
    """Raise LogRefused for what no reader could make sense of: nothing in it, or zero bytes after a power loss.

    Parquet and UTF-16 text hold zero bytes by right and pass.
    """
    refuse_empty(data)
    if data[:4] == b"PAR1" or data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return
    at = data.find(b"\0")
    if at < 0:
        return
    line = data.count(b"\n", 0, at) + 1
    if not data[at:].strip(b"\0\r\n"):
        raise LogRefused("the file ends in zero bytes, as after a power loss; cut them off and it will be taken", line)
    raise LogRefused("the file holds zero bytes: it is no text log, or it was damaged", line)
