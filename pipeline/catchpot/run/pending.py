"""Results that are computed and not yet written: later analyses read them, and one transaction writes many.

A transaction costs more than computing a small part, so that one new shot would spend its time in opening and closing.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import polars as pl

from catchpot.store.results import Later, Part, dated
from catchpot.tables import Table

if TYPE_CHECKING:
    from catchpot.reads import Reads
    from catchpot.store import Store
    from catchpot.store.kept import State
    from catchpot.store.reading import Reading

# Whatever comes first; a run that is cut off loses no more than this.
FLUSH_AFTER_S = 2.0
FLUSH_ROWS = 4_000


@dataclass(frozen=True)
class Done:
    """Rows of some units of an analysis, to take the place of what is stored of them; see `Writing.put_results`."""

    analysis: str
    part: Part
    units: Sequence[str]
    frames: Mapping[Table, pl.DataFrame]
    refused: pl.DataFrame
    ledger: pl.DataFrame
    kept: Mapping[str, State | None] = field(default_factory=dict)
    later: Mapping[str, Later] = field(default_factory=dict)


class Pending:
    """What waits to be written to a store."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self._done: list[Done] = []
        self._groups: dict[str, dict[str, tuple[str, int] | None]] = {}
        self._timing: list[pl.DataFrame] = []
        self._rows = 0
        self._since = time.monotonic()

    def add(self, done: Done) -> float:
        """Take results; seconds spent in writing, where it was time for that."""
        self._done.append(done)
        self._rows += sum(f.height for f in done.frames.values())
        if self._rows > FLUSH_ROWS or time.monotonic() - self._since > FLUSH_AFTER_S:
            return self.flush()
        return 0.0

    def group(self, analysis: str, group: str, row: tuple[str, int] | None) -> None:
        """Take a ledger group; None takes it out."""
        self._groups.setdefault(analysis, {})[group] = row

    def timing(self, rows: pl.DataFrame) -> None:
        """Take what an analysis took."""
        self._timing.append(rows)

    def flush(self) -> float:
        """Write everything, in one transaction; the seconds that it took."""
        began = time.perf_counter()
        if self._done or self._groups or self._timing:
            with self.store.writing() as w:
                for same in _runs(self._done):
                    first = same[0]
                    frames = {t: pl.concat([d.frames[t] for d in same]) for t in first.frames}
                    units = [u for d in same for u in d.units]
                    later = {m: v for d in same for m, v in d.later.items()}
                    refused = pl.concat([d.refused for d in same])
                    w.put_results(first.analysis, first.part, units, frames, refused, later)
                    w.put_ledger(pl.concat([d.ledger for d in same]))
                    kept = {u: v for d in same for u, v in d.kept.items()}
                    if kept:
                        w.put_kept(first.analysis, kept)
                for analysis, groups in self._groups.items():
                    w.put_groups(analysis, groups)
                if self._timing:
                    w.put_timing(pl.concat(self._timing))
        self._done, self._groups, self._timing, self._rows = [], {}, [], 0
        self._since = time.monotonic()
        return time.perf_counter() - began

    @contextmanager
    def reading(self) -> Iterator[Reads]:
        """The store as it will be once everything is written."""
        with self.store.reading() as r:
            yield _Overlaid(r, self._done) if self._done else r


def _runs(done: Sequence[Done]) -> Iterator[list[Done]]:
    """Results of one analysis that follow upon each other."""
    same: list[Done] = []
    for d in done:
        if same and same[0].analysis != d.analysis:
            yield same
            same = []
        same.append(d)
    if same:
        yield same


class _Overlaid:
    """A store's tables with results laid over them."""

    def __init__(self, store: Reading, done: Sequence[Done]) -> None:
        self.store = store
        self.over: dict[str, list[tuple[Table, Done]]] = {}
        for d in done:
            for table in d.frames:
                self.over.setdefault(table.name, []).append((table, d))

    def tables(self) -> Mapping[str, Table]:
        """Declarations of all tables."""
        return self.store.tables()

    def thinned(self, shots: Sequence[str], columns: Sequence[str], buckets: int) -> pl.DataFrame:
        """Thinned samples, which are never pending."""
        return self.store.thinned(shots, columns, buckets)

    def ledger(self) -> pl.DataFrame:
        """The ledger as it is stored."""
        return self.store.ledger()

    def samples(self, shots: Sequence[str] | None, columns: Sequence[str] | None = None) -> pl.DataFrame:
        """Samples as they are stored; no analysis writes them."""
        return self.store.samples(shots, columns)

    def table(
        self,
        name: str,
        columns: Sequence[str] | None = None,
        shots: Sequence[str] | None = None,
        moulds: Sequence[str] | None = None,
    ) -> pl.DataFrame:
        """Rows of a table, ordered as the store's are."""
        if name not in self.over:
            return self.store.table(name, columns, shots, moulds)
        table = self.store.declaration(name)
        asked = list(columns) if columns is not None else list(table.names)
        wide = list(
            dict.fromkeys([*asked, *table.key, *(c for c in ("shot", "mould", "analysis") if c in table.names)])
        )
        frame = self.store.table(name, wide, shots, moulds)
        for own, d in self.over[name]:
            frame = pl.concat([frame.filter(~_replaced(own, d)), self._narrowed(d.frames[own], table, shots, moulds)
                               .select(wide)])  # fmt: skip
        order = ["shot"] if "shot" in table.names else list(table.key)
        return frame.sort(order, nulls_last=True, maintain_order=True).select(asked)

    def _narrowed(
        self, frame: pl.DataFrame, table: Table, shots: Sequence[str] | None, moulds: Sequence[str] | None
    ) -> pl.DataFrame:
        if shots is not None and "shot" in table.names:
            frame = frame.filter(pl.col("shot").is_in(list(shots)))
        if moulds is not None and "mould" in table.names:
            frame = frame.filter(pl.col("mould").is_in(list(moulds)))
        elif moulds is not None and "shot" in table.names:
            of = self.store.table("shot", ["shot"], moulds=moulds)["shot"]
            frame = frame.filter(pl.col("shot").is_in(of.to_list()))
        return frame


def _replaced(table: Table, d: Done) -> pl.Expr:
    """Which stored rows the results take the place of."""
    whole = [u for u in d.units if u not in d.later]
    gone = pl.lit(True) if d.part == "workshop" else pl.col(d.part).is_in(whole).fill_null(False)
    for mould, later in d.later.items():
        if "shot" in table.names:
            after = pl.col("shot").is_in(list(later.shots)).fill_null(False)
        else:
            after = (pl.col(dated(table)) >= later.since).fill_null(False)
        gone = gone | ((pl.col("mould") == mould) & after).fill_null(False)
    return gone & (pl.col("analysis") == d.analysis) if table.shared else gone


__all__ = ["Done", "Pending"]
