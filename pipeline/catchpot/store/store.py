"""The door to the store: `reading()` and `writing()`, each a short connection."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

from catchpot.core_tables import REFUSAL
from catchpot.store import closed_files, connection, kept, ledger, results, schema, shots
from catchpot.store.reading import Reading
from catchpot.store.results import Part
from catchpot.tables import Table

if TYPE_CHECKING:
    import duckdb


class Writing(Reading):
    """An open store in one transaction. con: for the store's own room only."""

    def __init__(self, con: duckdb.DuckDBPyConnection, declared: Mapping[str, Table]) -> None:
        super().__init__(con, declared)
        self.con: duckdb.DuckDBPyConnection = con

    def put_shots(
        self,
        shot_rows: pl.DataFrame,
        samples: pl.DataFrame | str,
        notes: pl.DataFrame | None = None,
        *,
        in_order: bool = False,
    ) -> None:
        """Store shots with samples and notes, replacing shots of the same name; see `shots.put`."""
        shots.put(self.con, shot_rows, samples, notes, in_order=in_order)

    def remove_shots(self, names: Sequence[str]) -> None:
        """Take shots out, with samples and notes."""
        shots.remove(self.con, names)

    def put_quarantine(self, rows: pl.DataFrame) -> None:
        """Record files set aside (rows of QUARANTINE)."""
        shots.quarantine(self.con, rows)

    def release(self, files: Sequence[str]) -> None:
        """Forget that these files were set aside."""
        shots.release(self.con, files)

    def put_results(
        self,
        analysis: str,
        part: Part,
        units: Sequence[str],
        frames: Mapping[Table, pl.DataFrame],
        refused: pl.DataFrame,
        later: Mapping[str, results.Later] | None = None,
    ) -> None:
        """Put an analysis's rows of these units in the place of the former ones; see `results.replace`."""
        if not self.stored([*frames, REFUSAL]):
            self.ensure([*frames, REFUSAL])
        results.replace(self.con, analysis, part, units, frames, refused, later)

    def put_kept(self, analysis: str, states: Mapping[str, kept.State | None]) -> None:
        """Replace what an analysis keeps of these parts; None takes it out."""
        kept.write(self.con, analysis, states)
        if "kept" not in self._columns:
            self._look()

    def put_groups(self, analysis: str, now: Mapping[str, tuple[str, int] | None]) -> None:
        """Replace ledger groups of an analysis; None takes one out."""
        ledger.write_groups(self.con, analysis, now)
        self._look()

    def put_timing(self, rows: pl.DataFrame) -> None:
        """Replace what these analyses' last computing took."""
        ledger.write_timing(self.con, rows)
        self._look()

    def clear_results(self, analysis: str, part: Part, tables: Sequence[Table], units: Sequence[str]) -> None:
        """Delete an analysis's rows of these units, its refusals and its ledger rows."""
        if not self.stored([REFUSAL]):
            self.ensure([REFUSAL])
        results.clear(self.con, analysis, part, [t for t in tables if t.name in self._columns], units)
        ledger.forget(self.con, analysis, units)

    def put_ledger(self, rows: pl.DataFrame) -> None:
        """Replace ledger rows of these (analysis, part)."""
        ledger.write(self.con, rows)

    def mirror(self, table: Table, frame: pl.DataFrame) -> None:
        """Make a table hold just these rows (events, parts)."""
        results.mirror(self.con, table, frame)
        self._look()

    def ensure(self, tables: Sequence[Table]) -> list[str]:
        """Make derived tables as declared; names of those dropped because their declaration changed."""
        dropped = schema.ensure(self.con, tables)
        self._look()
        return dropped

    def close(self, what: str, period: str, closed_at: datetime, content: str) -> bool:
        """Fix a period's rows for good; False where that was done before."""
        return results.close(self.con, what, period, closed_at, content)

    def forget(self, analysis: str) -> None:
        """Drop what an analysis left in shared tables and the ledger."""
        results.forget(self.con, analysis)

    def forget_all(self, analysis: str) -> list[str]:
        """Take out all that an analysis gave: its own tables, its rows in shared ones, its ledger; names of tables."""
        tables = results.owned(self.con, analysis)
        results.forget(self.con, analysis)
        self.drop(tables)
        return tables

    def drop(self, tables: Sequence[str]) -> None:
        """Drop derived tables nobody declares any more."""
        results.drop(self.con, tables)
        self._look()


class Store:
    """A workshop's store. Nothing is opened until `reading()` or `writing()`.

    declared: tables of the plugins, so that one nobody wrote yet comes empty and not as an error.
    patience_s: how long a lock held by another program is waited for, in seconds.
    """

    def __init__(self, path: Path, declared: Sequence[Table] = (), *, patience_s: float | None = None) -> None:
        self.path = path
        self.patience_s = connection.PATIENCE_S if patience_s is None else patience_s
        self._declared = {t.name: t for t in declared}

    @contextmanager
    def reading(self) -> Iterator[Reading]:
        """The store, to read; empty where there is no file yet."""
        if not self.path.exists():
            yield Reading(None, self._declared)
            return
        with connection.connect(self.path, write=False, patience_s=self.patience_s) as con:
            con.execute("SET TimeZone = 'UTC'")
            yield Reading(con, self._declared)

    @contextmanager
    def writing(self) -> Iterator[Writing]:
        """The store, to write, in one transaction: committed at the end, rolled back where an exception passes."""
        if not self.path.exists():
            connection.sweep(self.path)
            connection.create(self.path, schema.initial_ddl())
        with connection.connect(self.path, write=True, patience_s=self.patience_s) as con:
            con.execute("SET TimeZone = 'UTC'")
            con.execute("BEGIN")
            try:
                try:
                    schema.migrate(con)
                except connection.StoreError as error:
                    raise connection.StoreError(f"{self.path}: {error}") from error
                folder = closed_files.folder_of(self.path)
                closed_files.restore(con, folder)
                yield Writing(con, self._declared)
                con.execute("COMMIT")
                # What was fixed is in the store by now: a program killed here leaves it to the next writer to write.
                if fixed := closed_files.rows(con):
                    closed_files.add(folder, fixed)
            except BaseException:
                _roll_back(con)
                raise


def _roll_back(con: duckdb.DuckDBPyConnection) -> None:
    import duckdb

    try:
        con.execute("ROLLBACK")
    except duckdb.Error:
        return  # a full disk has ended the transaction already; the first error is the one to tell
