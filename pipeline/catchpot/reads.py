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

    def ledger(self, status: str | None = None) -> pl.DataFrame:
        """What was computed and how it ended; only what ended so."""
        ...

    def standing(self) -> Mapping[str, str]:
        """For each mould (and what belongs to none) a text that changes with anything computed for it or its shots."""
        ...


class Source(Protocol):
    """A store."""

    def reading(self) -> AbstractContextManager[Reads]:
        """A short connection."""
        ...


class Over:
    """What lies over other tables: all but `table` is as those have it."""

    def __init__(self, under: Reads) -> None:
        self.under = under

    def samples(self, shots: Sequence[str] | None, columns: Sequence[str] | None = None) -> pl.DataFrame:
        """As below."""
        return self.under.samples(shots, columns)

    def thinned(self, shots: Sequence[str], columns: Sequence[str], buckets: int) -> pl.DataFrame:
        """As below."""
        return self.under.thinned(shots, columns, buckets)

    def tables(self) -> Mapping[str, Table]:
        """As below."""
        return self.under.tables()

    def ledger(self, status: str | None = None) -> pl.DataFrame:
        """As below."""
        return self.under.ledger(status)

    def standing(self) -> Mapping[str, str]:
        """As below."""
        return self.under.standing()


def of_units(
    frame: pl.DataFrame, table: Table, shots: Sequence[str] | None, moulds: Sequence[str] | None, reads: Reads
) -> pl.DataFrame:
    """The rows of a frame of this table that `Reads.table` would give. reads: says which shots are a mould's."""
    import polars as pl

    if shots is not None and "shot" in table.names:
        frame = frame.filter(pl.col("shot").is_in(list(shots)))
    if moulds is not None and "mould" in table.names:
        frame = frame.filter(pl.col("mould").is_in(list(moulds)))
    elif moulds is not None and "shot" in table.names:
        mine = reads.table("shot", ["shot"], moulds=moulds)["shot"]
        frame = frame.filter(pl.col("shot").is_in(mine.to_list()))
    return frame


def in_stored_order(frame: pl.DataFrame, table: Table) -> pl.DataFrame:
    """By shot, else by key; within, as the rows came."""
    order = ["shot"] if "shot" in table.names else list(table.key)
    return frame.sort(order, nulls_last=True, maintain_order=True)


__all__ = ["Over", "Reads", "Source", "in_stored_order", "of_units"]
