"""What a reader of log files is: it claims a file, then says how the file is to be read.

A reader parses little: it looks at the beginning of a file and describes the rest, so that the core can read hundreds
of files of one layout in a single scan. A file of an odd shape may be read by the reader itself, into frames.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Protocol, runtime_checkable

from catchpot.units import Conversion

if TYPE_CHECKING:
    from datetime import datetime

    import polars as pl

    from catchpot.workshop import Workshop


class LogRefused(Exception):  # noqa: N818 - an outcome with its reason, not a mistake of the program
    """A file that can't be read, with the reason in a sentence and the line where it shows (0: none)."""

    def __init__(self, reason: str, line: int = 0) -> None:
        super().__init__(reason)
        self.reason = reason
        self.line = line


_ENDINGS = (".gz", ".zip", ".csv", ".txt", ".log", ".asc", ".dat", ".parquet", ".pq")


def stem_of(name: str) -> str:
    """The name of a shot whose log gives none: its file's name without endings.

    >>> stem_of("logs/bay-2/x17.csv.gz"), stem_of("logs/.csv")
    ('x17', '.csv')
    """
    stem = name.rsplit("/", 1)[-1]
    for ending in _ENDINGS:
        if stem.lower().endswith(ending) and len(stem) > len(ending):
            stem = stem[: -len(ending)]
    return stem


@dataclass(frozen=True)
class Source:
    """A log file as found: its path, its name relative to the workshop (with `/`), its bytes (unpacked).

    profile: the log profile it is to be read with, where the command line (now or when it was first taken) named one.
    """

    path: Path
    name: str
    data: bytes
    profile: str | None = None

    @property
    def stem(self) -> str:
        """File name without its ending."""
        return stem_of(self.name)


@dataclass(frozen=True)
class Remark:
    """Something said about a log while reading: a row of `log_note`."""

    kind: str
    detail: str
    channel: str = ""
    line: int = 0
    count: int = 1


@dataclass
class ShotMeta:
    """What a log says about its shot. notes: entries nobody knows, kept as they are. start_line: where it says when."""

    shot: str
    mould: str | None = None
    started_at: datetime | None = None
    injector: str | None = None
    programmed_volume_l: float | None = None
    fabric_batch: str | None = None
    resin_batch: str | None = None
    stroke_volume_ml: float | None = None
    notes: dict[str, str] = field(default_factory=dict)
    remarks: list[Remark] = field(default_factory=list)
    start_line: int = 0


@dataclass(frozen=True)
class TableLayout:
    """One shot in a plain text table of finite numbers with a decimal point, UTF-8, that a batch scan can read.

    header: the columns in the file's order. header_line: 1-based. channels: canonical name -> (column, conversion);
    `t_s` among them. comment: lines that begin so are no data.
    """

    meta: ShotMeta
    header: tuple[str, ...]
    header_line: int
    channels: Mapping[str, tuple[str, Conversion]]
    separator: str = ","
    comment: str = "#"


@dataclass(frozen=True)
class TextLayout:
    """A text table in any dialect, its data lines cut out and turned into UTF-8, for a batch scan.

    name: the file, for messages. body: data lines only. first_line: the file's line of the body's first one. as_is:
    the body is just what stands in the file from that line on, so that the file itself can be scanned. columns:
    unique names in the file's order; numbers and texts: those to be read. stamps: those of the texts that the scan may
    read as time stamps of stamp_format (as numbers where that is None), as long as it can read every one of a file.
    header: the header line's text, met again where a logger was restarted. key: equal for files that one scan may read
    together. finish: turns the rows of all files of a scan (file_no: place in the list) into shots.
    """

    name: str
    entries: Mapping[str, tuple[str, int]]
    body: bytes
    first_line: int
    columns: tuple[str, ...]
    numbers: tuple[str, ...]
    texts: tuple[str, ...]
    separator: str
    decimal: str
    thousands: str | None
    quote: str
    missing: tuple[str, ...]
    header: str
    key: str
    finish: Callable[[pl.DataFrame, Sequence[TextLayout]], Finished]
    final_newline: bool = True
    as_is: bool = False
    stamps: tuple[str, ...] = ()
    stamp_format: str | None = None
    remarks: tuple[Remark, ...] = ()


@dataclass
class FinishedShot:
    """A shot that `finish` made. file_no: the file it came from. rows: rows of the file that are in it."""

    file_no: int
    meta: ShotMeta
    rows: int
    digest: str | None = None


@dataclass
class Finished:
    """What `finish` made: shots, their rows (frame with file_no as the place in `shots`, `row` of the file, t_s,
    channels), files refused with the reason, and for each file the rows that belong to no shot."""

    shots: list[FinishedShot]
    frame: pl.DataFrame
    refused: dict[int, LogRefused] = field(default_factory=dict)
    between: dict[int, int] = field(default_factory=dict)


@dataclass(frozen=True)
class ShotFrame:
    """One shot already read: canonical columns (`t_s` and channels, f64), optionally `line`; rows in file order.

    rows_refused: rows of the file that were left out, said in meta.remarks. digest: of this shot's own content where
    the file holds several; None takes the file's.
    """

    meta: ShotMeta
    frame: pl.DataFrame
    rows_refused: int = 0
    digest: str | None = None


@dataclass(frozen=True)
class FrameLayout:
    """A file that the reader has read itself: one or many shots."""

    shots: Sequence[ShotFrame]


Layout = TableLayout | TextLayout | FrameLayout


@runtime_checkable
class Reader(Protocol):
    """A reader of log files.

    name: shown where it matters. `claims` is quick and looks at name and first bytes only. `describe` says how to read
    a claimed file, or raises LogRefused. `settings` is whatever changes how this reader reads; where it differs from
    last time, files are read anew.
    A reader may have an `order`: readers are asked by it, the smallest first. 500 where it has none; log profiles stand
    at 100, the plain log, which takes any text, at 1000. One with `binary = True` is given files that hold zero bytes,
    which in a text are the traces of a power loss.
    """

    name: str

    def claims(self, source: Source, workshop: Workshop) -> bool:
        """Whether this reader reads the file."""
        ...

    def describe(self, source: Source, workshop: Workshop) -> Layout:
        """How the file is to be read; LogRefused where it can't be."""
        ...

    def settings(self, source: Source, workshop: Workshop) -> str:
        """A text that changes when the reader would read the file differently."""
        ...


__all__ = [
    "Finished",
    "FinishedShot",
    "FrameLayout",
    "Layout",
    "LogRefused",
    "Reader",
    "Remark",
    "ShotFrame",
    "ShotMeta",
    "Source",
    "TableLayout",
    "TextLayout",
    "stem_of",
]
