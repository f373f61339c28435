"""A store in memory: the tables of a made-up workshop, read as the store's are."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING

from catchpot.core_tables import CORE_TABLES
from catchpot.reads import in_stored_order, of_units
from catchpot.tables import Table, empty

if TYPE_CHECKING:
    import polars as pl


class Frames:
    """Tables in memory with the store's way of reading.

    declared: declarations beside the core's. A table without rows given is empty.
    past: the ledger; None for one without rows.
    """

    def __init__(
        self,
        frames: Mapping[str, pl.DataFrame],
        declared: Mapping[str, Table] | None = None,
        past: pl.DataFrame | None = None,
    ) -> None:
        from catchpot.store.ledger import nothing

        self.past = past if past is not None else nothing()
        self.declared = {**{t.name: t for t in CORE_TABLES}, **(declared or {})}
        self.frames = {n: frames[n] if n in frames else empty(t) for n, t in self.declared.items()}

    @contextmanager
    def reading(self) -> Iterator[Frames]:
        """Itself, as a store's connection."""
        yield self

    def tables(self) -> dict[str, Table]:
        """Declarations of all tables."""
        return dict(self.declared)

    def thinned(self, shots: Sequence[str], columns: Sequence[str], buckets: int) -> pl.DataFrame:
        """Thinned samples, as `Reading.thinned` gives them."""
        import polars as pl

        rows = self.samples(shots)
        asked = [c for c in columns if c not in ("shot", "t_s")]
        step = pl.col("t_s").max().over("shot") / buckets
        place = pl.when(step > 0).then((pl.col("t_s") / step).floor().clip(0, buckets - 1)).otherwise(0.0)
        ends = [pl.col(c).min().alias(f"{c}_low") for c in asked] + [pl.col(c).max().alias(f"{c}_high") for c in asked]
        made = rows.with_columns(place.alias("_place")).group_by("shot", "_place").agg(pl.col("t_s").min(), *ends)
        order = [f"{c}_{end}" for c in asked for end in ("low", "high")]
        return made.sort("shot", "t_s").select("shot", "t_s", *order)

    def ledger(self, status: str | None = None) -> pl.DataFrame:
        """The ledger."""
        import polars as pl

        return self.past if status is None else self.past.filter(pl.col("status") == status)

    def standing(self) -> Mapping[str, str]:
        """The ledger's rows of each mould and its shots."""
        mould_of = dict(self.frames["shot"].select("shot", "mould").iter_rows())
        found: dict[str, list[str]] = {}
        for part, *said in self.past.select("part", "analysis", "key", "status").iter_rows():
            found.setdefault(mould_of.get(part) or part, []).append(" ".join(map(str, (part, *said))))
        return {of: "\n".join(sorted(said)) for of, said in found.items()}

    def table(
        self,
        name: str,
        columns: Sequence[str] | None = None,
        shots: Sequence[str] | None = None,
        moulds: Sequence[str] | None = None,
    ) -> pl.DataFrame:
        """Rows of a table, as `Reading.table` gives them."""
        table = self.declared[name]
        frame = in_stored_order(of_units(self.frames[name], table, shots, moulds, self), table)
        return frame.select(list(columns)) if columns is not None else frame

    def samples(self, shots: Sequence[str] | None, columns: Sequence[str] | None = None) -> pl.DataFrame:
        """Samples of some shots, ordered by shot, then t_s."""
        frame = self.table("sample", None, shots).sort("shot", "t_s", maintain_order=True)
        if columns is None:
            return frame
        return frame.select(list(dict.fromkeys(["shot", *columns])) if "shot" in columns else list(columns))

    def put(self, frames: Mapping[str, pl.DataFrame]) -> None:
        """Append the rows of some tables."""
        import polars as pl

        for name, frame in frames.items():
            self.frames[name] = pl.concat([self.frames[name], frame])
