"""The worked example of a reader: a made-up logger's binary files, read into frames. DEVELOPERS.md points here."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from catchpot.hookspecs import hookimpl
from catchpot.ingest.reader import FrameLayout, LogRefused, ShotFrame, ShotMeta, Source

if TYPE_CHECKING:
    from catchpot.ingest.reader import Layout, Reader
    from catchpot.workshop import Workshop

MARK = b"DEMOLOG1"
HEAD = struct.Struct("<8s16sqI")  # mark, mould, start in s since 1970, rows
ROW = struct.Struct("<4d")  # t_s, l/min, bar gauge, mbar absolute


class DemoReader:
    """Reads the made-up logger's files."""

    name = "demo logger"
    order = 500  # step 1: before the plain log, which takes any text
    binary = True  # zero bytes are no damage here

    def claims(self, source: Source, workshop: Workshop) -> bool:
        """Step 2: by the first bytes alone; never by what the rest might be."""
        return source.data.startswith(MARK)

    def settings(self, source: Source, workshop: Workshop) -> str:
        """Step 3: a text that changes when the reader would read the file otherwise."""
        return "demo logger 1"

    def describe(self, source: Source, workshop: Workshop) -> Layout:
        """Step 4: the samples in canonical channels and units, or LogRefused with a sentence; nothing is guessed."""
        import polars as pl

        if len(source.data) < HEAD.size:
            raise LogRefused("the file ends within its head")
        _, mould, start, rows = HEAD.unpack_from(source.data)
        if len(source.data) != HEAD.size + rows * ROW.size:
            have = (len(source.data) - HEAD.size) // ROW.size
            raise LogRefused(f"the head promises {rows} rows, the file holds {have}")
        body = list(ROW.iter_unpack(source.data[HEAD.size :]))
        names = ("t_s", "flow_l_min", "line_pressure_bar", "cavity_pressure_mbar")
        frame = pl.DataFrame(body, schema=dict.fromkeys(names, pl.Float64()), orient="row")
        began = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=start)
        meta = ShotMeta(source.stem, mould.rstrip(b"\0").decode("ascii", "replace") or None, began)
        return FrameLayout([ShotFrame(meta, frame)])


@hookimpl
def register_readers() -> Sequence[Reader]:
    """Step 5: hand it over."""
    return [DemoReader()]
