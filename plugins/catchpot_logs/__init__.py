"""Readers of shot logs: log profiles, and the plain log as CSV or Parquet."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from catchpot.hookspecs import hookimpl

if TYPE_CHECKING:
    from catchpot.ingest.reader import Reader


@hookimpl
def register_readers() -> Sequence[Reader]:
    """Log profiles first, then the plain log and its Parquet twin."""
    from catchpot_logs.parquet import ParquetReader
    from catchpot_logs.plain import PlainReader
    from catchpot_logs.profiled import ProfileReader

    return [ProfileReader(), ParquetReader(), PlainReader()]
