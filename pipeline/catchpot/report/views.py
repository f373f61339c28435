"""What sections and pages look at: stored tables, a mould at a time, read when first asked for."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from catchpot.core_tables import CORE_TABLES

if TYPE_CHECKING:
    import polars as pl

    from catchpot.reads import Reads, Source
    from catchpot.tables import Table

CORE = {t.name: t for t in CORE_TABLES}


class Tables(Mapping[str, "pl.DataFrame"]):
    """Tables of one mould (or of the workshop, mould None), read on first use and kept as long as the view lives.

    needs: table -> columns ("*" for all). Rows come ordered by started_at, then shot, with `mould` and `started_at`
    beside each shot row. `event` holds the mould's own events and those of the whole workshop.
    A table that nobody declares comes without rows and with columns of no type.
    """

    def __init__(self, source: Source, needs: Mapping[str, tuple[str, ...]], mould: str | None) -> None:
        self._source = source
        self._needs = needs
        self._mould = mould
        self._read: dict[str, pl.DataFrame] = {}

    def __getitem__(self, name: str) -> pl.DataFrame:
        if name not in self._needs:
            raise KeyError(f"this section did not say that it needs table {name!r}")
        if name not in self._read:
            # One mould: all its tables on one connection. The workshop: only what is looked at, whole tables are large.
            names = [n for n in self._needs if n not in self._read] if self._mould is not None else [name]
            with self._source.reading() as reads:
                declared = reads.tables()
                shots = self._shots(reads)
                for n in names:
                    self._read[n] = self._table(reads, declared, n, shots)
        return self._read[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._needs)

    def __len__(self) -> int:
        return len(self._needs)

    def _moulds(self) -> list[str] | None:
        return None if self._mould is None else [self._mould]

    def _shots(self, reads: Reads) -> pl.DataFrame:
        rows = reads.table("shot", ["shot", "mould", "started_at"], moulds=self._moulds())
        return rows.sort("started_at", "shot", nulls_last=True, maintain_order=True).with_row_index("_row")

    def _table(self, reads: Reads, declared: Mapping[str, Table], name: str, shots: pl.DataFrame) -> pl.DataFrame:
        import polars as pl

        asked = self._needs[name]
        if name not in declared:
            return pl.DataFrame(schema=dict.fromkeys([c for c in asked if c != "*"], pl.Null()))
        table = declared[name]
        columns = None if "*" in asked else list(dict.fromkeys([*table.key, *asked]))
        moulds = self._moulds()
        if name == "event" and moulds is not None:
            if columns is not None and "mould" not in columns:
                columns.append("mould")
            rows = reads.table(name, columns)
            return rows.filter(pl.col("mould").is_null() | pl.col("mould").is_in(moulds))
        rows = reads.table(name, columns, moulds=moulds)
        if "shot" not in rows.columns:
            return rows
        beside = [c for c in ("mould", "started_at") if c not in rows.columns]
        return (
            rows.join(shots.select("shot", "_row", *beside), on="shot", how="left", maintain_order="left")
            .sort("_row", nulls_last=True, maintain_order=True)
            .drop("_row")
        )


__all__ = ["CORE", "Tables"]
