"""What reads tables: the part of an open store that jobs and pages rely on, and that tables in memory serve too."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    import polars as pl

    from catchpot.tables import Table


class Reads(Protocol):
    """An open store, or tables in memory."""

    def table(
        self,
        name: str,
        columns: Sequence[str] | None = None,
        shots: Sequence[str] | None = None,
        moulds: Sequence[str] | None = None,
    ) -> pl.DataFrame:
        """Rows of a table, ordered by shot (else by key) and, within, as they were delivered."""
        ...

    def samples(self, shots: Sequence[str] | None, columns: Sequence[str] | None = None) -> pl.DataFrame:
        """Samples, ordered by shot, then t_s."""
        ...

    def thinned(self, shots: Sequence[str], columns: Sequence[str], buckets: int) -> pl.DataFrame:
        """Samples as the lowest and highest value of each of so many stretches: shot, t_s, COLUMN_low, COLUMN_high."""
        ...

    def tables(self) -> Mapping[str, Table]:
        """Declarations of all tables."""
        ...

    def ledger(self) -> pl.DataFrame:
        """What was computed and how it ended."""
        ...


class Source(Protocol):
    """A store."""

    def reading(self) -> AbstractContextManager[Reads]:
        """A short connection."""
        ...


__all__ = ["Reads", "Source"]
