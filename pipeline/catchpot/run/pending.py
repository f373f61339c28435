"""Results that are computed and not yet written: later analyses read them, and one transaction writes many.

A transaction costs more than computing a small part, so that one new shot would spend its time in opening and closing.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from functools import cached_property
from types import MappingProxyType
from typing import TYPE_CHECKING

import polars as pl

from catchpot.reads import Over, in_stored_order, of_units
from catchpot.store.results import Later, Part, dated
from catchpot.tables import Table

if TYPE_CHECKING:
    from catchpot.reads import Reads
    from catchpot.store import Store
    from catchpot.store.kept import State
    from catchpot.store.reading import Reading

# Whatever comes first; a run that is cut off loses no more than this.
FLUSH_AFTER_S = 5.0
FLUSH_ROWS = 30_000


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
    """What waits to be written to a store.

    given: tables that do not change while the run lasts (shots, events, parts), in stored order; they are read from
    here. lock: held while the store is read or written. An engine asks for jobs from threads of its own, while results
    are being taken.
    """

    def __init__(self, store: Store, given: Mapping[str, pl.DataFrame] = MappingProxyType({})) -> None:
        self.store = store
        self._given = given
        self.lock = threading.RLock()
        self._done: list[Done] = []
        self._over: dict[str, list[_Laid]] = {}
        self._groups: dict[str, dict[str, tuple[str, int] | None]] = {}
        self._timing: list[pl.DataFrame] = []
        self._rows = 0
        self._open = ExitStack()
        self._reading: Reading | None = None
        self._since = time.monotonic()

    def add(self, done: Done) -> float:
        """Take results; seconds spent in writing, where it was time for that."""
        with self.lock:
            self._done.append(done)
            for table, frame in done.frames.items():
                self._over.setdefault(table.name, []).append(_Laid(table, frame, done))
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
        with self.lock:
            self.let_go()
            self._write()
            self._done, self._over, self._groups, self._timing, self._rows = [], {}, {}, [], 0
        self._since = time.monotonic()
        return time.perf_counter() - began

    def _write(self) -> None:
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

    def stored(self) -> Reading:
        """The store as it is. It stays open until `let_go` or `flush`: opening it costs as much as reading does."""
        if self._reading is None:
            self._reading = self._open.enter_context(self.store.reading())
        return self._reading

    def let_go(self) -> None:
        """Close the store, so that others may write to it: before anything that takes long."""
        self._reading = None
        self._open.close()

    def reading(self) -> Reads:
        """The store as it will be once everything is written; see `stored`."""
        return _Overlaid(self.stored(), self._given, self._over, self._mould_of)

    @cached_property
    def _mould_of(self) -> dict[str, str | None]:
        """The mould of each given shot."""
        shots = self._given.get("shot")
        return {} if shots is None else dict(shots.select("shot", "mould").iter_rows())


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


class _Laid:
    """Rows of a table that wait. units: whose they are."""

    def __init__(self, table: Table, rows: pl.DataFrame, done: Done) -> None:
        self.table, self.rows, self.done = table, rows, done
        self.units = frozenset(done.units)

    def bears_on(self, shots: Sequence[str] | None, moulds: Sequence[str] | None) -> bool:
        """Whether rows of these shots or moulds can be among them, or among those they take the place of."""
        if self.done.part == "shot" and shots is not None:
            return not self.units.isdisjoint(shots)
        if self.done.part == "mould" and moulds is not None:
            return not self.units.isdisjoint(moulds)
        return True

    @property
    def by_shot(self) -> bool:
        """Whether rows are a mould's and a shot's: those of shots are then to be found by the shots' moulds."""
        return self.done.part == "mould" and "shot" in self.table.names


class _Overlaid(Over):
    """A store's tables with given ones and results laid over them; samples and the ledger are as they are stored."""

    def __init__(
        self,
        store: Reading,
        given: Mapping[str, pl.DataFrame],
        over: Mapping[str, Sequence[_Laid]],
        mould_of: Mapping[str, str | None],
    ) -> None:
        super().__init__(store)
        self._given, self._over, self._mould_of = given, over, mould_of
        self._declaration = store.declaration

    def table(
        self,
        name: str,
        columns: Sequence[str] | None = None,
        shots: Sequence[str] | None = None,
        moulds: Sequence[str] | None = None,
    ) -> pl.DataFrame:
        """Rows of a table, ordered as the store's are."""
        if name in self._given:
            table = self._declaration(name)
            asked = list(columns) if columns is not None else list(table.names)
            return of_units(self._given[name], table, shots, moulds, self).select(asked)
        waiting = self._over.get(name, ())
        of = moulds
        if moulds is None and shots is not None and self._mould_of and any(laid.by_shot for laid in waiting):
            of = list({self._mould_of.get(shot) or "" for shot in shots})
        over = [laid for laid in waiting if laid.bears_on(shots, of if laid.by_shot else moulds)]
        if not over:
            return self.under.table(name, columns, shots, moulds)
        table = self._declaration(name)
        asked = list(columns) if columns is not None else list(table.names)
        wide = list(
            dict.fromkeys([*asked, *table.key, *(c for c in ("shot", "mould", "analysis") if c in table.names)])
        )
        frame = self.under.table(name, wide, shots, moulds)
        for laid in over:
            given = of_units(laid.rows, table, shots, moulds, self).select(wide)
            frame = pl.concat([frame.filter(~_replaced(laid.table, laid.done)), given])
        return in_stored_order(frame, table).select(asked)


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
