"""Builds the jobs: reads what an analysis asked for, of the asked units, and nothing else."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any

import polars as pl

from catchpot.analysis import Job, Kept, keeps, narrowed, up_to_last
from catchpot.run.graph import STAR, Step
from catchpot.run.star import wide
from catchpot.tables import Table

if TYPE_CHECKING:
    from catchpot.reads import Reads
    from catchpot.workshop import MouldBook

HISTORY = ("shot", "mould", "started_at")


def build(
    store: Reads,
    step: Step,
    units: Sequence[str],
    declared: Mapping[str, Table],
    book: MouldBook,
    params: Any,
    until: datetime | None = None,
    kept: Kept | None = None,
) -> Job:
    """The job of one analysis over some of its units.

    until: nothing later is delivered: no shot that started later, no event, no row dated later by its key.
    kept: what the analysis kept of the one unit; an analysis that adds gets the shots after it only.
    """
    part = step.analysis.part
    # The day as the caller's clock has it; everything else is compared in UTC, as it is stored.
    day = until.date() if until is not None else None
    until = until.astimezone(UTC) if until is not None else None
    if part == "shot":
        shots = store.table("shot", HISTORY, shots=units)
    else:
        moulds = list(units) if part == "mould" else list(book.moulds)
        shots = store.table("shot", HISTORY, moulds=[m for m in moulds if m in book.moulds])
        shots = shots.filter(pl.col("started_at").is_not_null())
    if until is not None:
        shots = shots.filter(pl.col("started_at") <= until)
    if part != "shot":
        shots = shots.sort("started_at", "shot")
    if kept is not None and keeps(step.analysis) == "added":
        shots = shots[kept.shots :]
    deliver = _Delivery(store, step, shots, declared, until, day)
    if part == "mould":
        deliver.moulds = sorted({*deliver.moulds, *units})  # a mould without a shot has its events too
    tables = {name: deliver.table(name, columns) for name, columns in step.reads.items()}
    known = {name: declared[name] for name in tables}
    if step.star:
        rows = {name: deliver.table(name, (*declared[name].key, *c)) for name, c in step.star.items()}
        tables[STAR], known[STAR] = wide(shots, rows, step.star, declared)
    given = tuple(shots["shot"].to_list()) if part == "shot" else tuple(units)
    return Job(given, tables, known, book, params, until, kept)


class _Delivery:
    def __init__(
        self,
        store: Reads,
        step: Step,
        shots: pl.DataFrame,
        declared: Mapping[str, Table],
        until: datetime | None,
        day: date | None,
    ) -> None:
        self.store, self.part, self.shots, self.declared = store, step.analysis.part, shots, declared
        self.narrowed, self.up_to_last = narrowed(step.analysis), up_to_last(step.analysis)
        self.until, self.day = until, day
        self.names = shots["shot"].to_list()
        self.moulds = shots["mould"].drop_nulls().unique().sort().to_list()

    def table(self, name: str, columns: Sequence[str]) -> pl.DataFrame:
        """A table's rows of the job's units; in a history with mould and start beside each shot, in order of start."""
        declared = self.declared[name]
        if name == "sample":
            return self.store.samples(self.names, columns)
        if "shot" in declared.names and not declared.shared:
            frame = self.store.table(name, columns, shots=self.names)
            return self._known(declared, frame if self.part == "shot" else self._in_order(frame))
        beside: list[str] = [c for c in ("mould", "time" if name == "event" else "") if c in declared.names]
        beside += [c[name] for c in (self.narrowed, self.up_to_last) if name in c]
        # Where the mould is part of the key every row has one, and a mould's rows can be asked for.
        own = self.moulds if "mould" in declared.key and self.part != "workshop" else None
        frame = self.store.table(name, list(dict.fromkeys([*columns, *beside])), moulds=own)
        if own is None and "mould" in declared.names and self.part != "workshop":
            # An event without a mould is every mould's.
            frame = frame.filter(pl.col("mould").is_in(self.moulds) | pl.col("mould").is_null())
        if name in self.narrowed:
            common = self.narrowed[name]
            values = self.store.table("shot", ["shot", common], moulds=self.moulds)
            frame = frame.filter(pl.col(common).is_in(values[common].drop_nulls().unique().to_list()))
        if name in self.up_to_last:
            last = self.shots["started_at"].max()
            frame = frame.clear() if last is None else frame.filter(pl.col(self.up_to_last[name]) <= last)
        if name == "event" and self.until is not None:
            frame = frame.filter(pl.col("time") <= self.until)
        return self._known(declared, frame.drop([c for c in beside if c != "mould" and c not in columns]))

    def _in_order(self, frame: pl.DataFrame) -> pl.DataFrame:
        """Mould and start beside each shot, rows by start, then shot, then as they were delivered."""
        place = self.shots.with_row_index("_place")
        others = [c for c in frame.columns if c not in ("mould", "started_at")]
        joined = frame.select(others).join(place, on="shot", how="inner", maintain_order="left")
        ordered = joined.sort("_place", maintain_order=True)
        return ordered.select("shot", "mould", "started_at", *(c for c in others if c != "shot"))

    def _known(self, declared: Table, frame: pl.DataFrame) -> pl.DataFrame:
        """Without the rows whose key lies later than `until`."""
        if self.until is None:
            return frame
        for k in declared.key:
            if k in frame.columns and declared.column(k).dtype == "datetime":
                frame = frame.filter(pl.col(k).is_null() | (pl.col(k) <= self.until))
            elif k in frame.columns and declared.column(k).dtype == "date":
                frame = frame.filter(pl.col(k).is_null() | (pl.col(k) <= self.day))
        return frame
