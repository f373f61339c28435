"""What sections and pages look at: stored tables, read for many moulds at once and handed out mould by mould."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from catchpot.core_tables import CORE_TABLES

if TYPE_CHECKING:
    import polars as pl

    from catchpot.reads import Reads, Source
    from catchpot.tables import Table

CORE = {t.name: t for t in CORE_TABLES}
Asked = tuple[str, tuple[str, ...]]


class Shelf:
    """The tables of some moulds (None: of the whole workshop), each read once.

    Rows come ordered by started_at, then shot, with `mould` and `started_at` beside each shot row. `event` holds a
    mould's own events and those of the whole workshop. A table that nobody declares comes without rows and with columns
    of no type.
    """

    def __init__(self, source: Source, moulds: Sequence[str] | None) -> None:
        self._source = source
        self._moulds = list(moulds) if moulds is not None else None
        self._whole: dict[Asked, pl.DataFrame] = {}
        self._apart: dict[Asked, dict[str, pl.DataFrame]] = {}
        self._shot_rows: pl.DataFrame | None = None

    def fill(self, needs: Iterable[Mapping[str, Sequence[str]]]) -> None:
        """Read all these needs on one connection."""
        wanted = dict.fromkeys((name, tuple(columns)) for need in needs for name, columns in need.items())
        self._read([w for w in wanted if w not in self._whole])

    def table(self, name: str, columns: Sequence[str], mould: str | None) -> pl.DataFrame:
        """Rows of a mould; of all moulds of the shelf where `mould` is None."""
        import polars as pl

        asked = (name, tuple(columns))
        if asked not in self._whole:
            self._read([asked])
        whole = self._whole[asked]
        if mould is None or "mould" not in whole.columns:
            return whole
        if name == "event":
            return whole.filter(pl.col("mould").is_null() | (pl.col("mould") == mould))
        if asked not in self._apart:
            parts = whole.partition_by("mould", as_dict=True, maintain_order=True)
            self._apart[asked] = {str(key[0]): part for key, part in parts.items()}
        return self._apart[asked].get(mould, whole.clear())

    def _read(self, wanted: Sequence[Asked]) -> None:
        if not wanted:
            return
        with self._source.reading() as reads:
            declared = reads.tables()
            if self._shot_rows is None:
                rows = reads.table("shot", ["shot", "mould", "started_at"], moulds=self._moulds)
                ordered = rows.sort("started_at", "shot", nulls_last=True, maintain_order=True)
                self._shot_rows = ordered.with_row_index("_row")
            for asked in wanted:
                self._whole[asked] = self._table(reads, declared, asked, self._shot_rows)

    def _table(self, reads: Reads, declared: Mapping[str, Table], wanted: Asked, shots: pl.DataFrame) -> pl.DataFrame:
        import polars as pl

        name, asked = wanted
        if name not in declared:
            return pl.DataFrame(schema=dict.fromkeys([c for c in asked if c != "*"], pl.Null()))
        table = declared[name]
        columns = None if "*" in asked else list(dict.fromkeys([*table.key, *asked]))
        # A mould's rows are found by the column, asked for or not.
        if columns is not None and "mould" in table.names and "mould" not in columns:
            columns.append("mould")
        rows = reads.table(name, columns, moulds=None if name == "event" else self._moulds)
        if "shot" not in rows.columns or name == "event":
            return rows
        beside = [c for c in ("mould", "started_at") if c not in rows.columns]
        return (
            rows.join(shots.select("shot", "_row", *beside), on="shot", how="left", maintain_order="left")
            .sort("_row", nulls_last=True, maintain_order=True)
            .drop("_row")
        )


class Tables(Mapping[str, "pl.DataFrame"]):
    """A section's tables of one mould, or of the workshop (mould None), from a shelf.

    needs: table -> columns ("*" for all). used: those that were looked at.
    """

    def __init__(self, shelf: Shelf, needs: Mapping[str, tuple[str, ...]], mould: str | None) -> None:
        self._shelf = shelf
        self._needs = needs
        self._mould = mould
        self.used: set[str] = set()

    def __getitem__(self, name: str) -> pl.DataFrame:
        if name not in self._needs:
            raise KeyError(f"this section did not say that it needs table {name!r}")
        self.used.add(name)
        return self._shelf.table(name, self._needs[name], self._mould)

    def __iter__(self) -> Iterator[str]:
        return iter(self._needs)

    def __len__(self) -> int:
        return len(self._needs)


__all__ = ["CORE", "Shelf", "Tables"]
