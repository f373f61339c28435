"""Readers of shot logs: log profiles, and the plain log as CSV or Parquet; the command that proposes a profile."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from catchpot.hookspecs import hookimpl

if TYPE_CHECKING:
    from cyclopts import App

    from catchpot.ingest.reader import Reader


@hookimpl
def register_readers() -> Sequence[Reader]:
    """Log profiles first, then the plain log and its Parquet twin."""
    from catchpot_logs.parquet import ParquetReader
    from catchpot_logs.plain import PlainReader
    from catchpot_logs.profiled import ProfileReader

    return [ProfileReader(), ParquetReader(), PlainReader()]


@hookimpl
def register_commands(app: App) -> None:
    """The command `profile`."""
    from catchpot_logs.command import profile

    app.command(profile)
