"""The plain log's Parquet twin: the same columns; the preamble stands in the file's key-value metadata."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

from catchpot.ingest.metadata import shot_meta
from catchpot.ingest.reader import FrameLayout, LogRefused, ShotFrame, Source
from catchpot_logs.plain import columns_of

if TYPE_CHECKING:
    from catchpot.workshop import Workshop


class ParquetReader:
    """Reads Parquet files with the plain log's columns. Columns constant over the file may give the metadata too."""

    name = "plain log, Parquet"
    order = 900

    def claims(self, source: Source, workshop: Workshop) -> bool:
        """By the file's first bytes, whatever its name."""
        return source.data[:4] == b"PAR1" or source.path.name.lower().endswith((".parquet", ".pq"))

    def settings(self, source: Source, workshop: Workshop) -> str:
        """The zone, in which a start without offset is read."""
        return f"plain parquet 2 {workshop.zone}"

    def describe(self, source: Source, workshop: Workshop) -> FrameLayout:
        """The whole file as one shot."""
        import polars as pl

        try:
            frame = pl.read_parquet(io.BytesIO(source.data))
            entries = {
                k: (v, 0)
                for k, v in pl.read_parquet_metadata(io.BytesIO(source.data)).items()
                if not k.startswith(("ARROW:", "pandas", "polars"))
            }
        except (pl.exceptions.PolarsError, OSError) as e:
            raise LogRefused("the file is no whole Parquet file, or one of a kind that is not known here") from e
        for name in ("shot", "mould", "started_at", "injector", "fabric_batch", "resin_batch", "programmed_volume_l"):
            if name in frame.columns and name not in entries:
                values = frame[name].unique().drop_nulls()
                if values.len() > 1:
                    raise LogRefused(f"column {name} holds {values.len()} values; one file is one shot")
                if values.len() == 1:
                    entries[name] = (str(values[0]), 0)
                frame = frame.drop(name)
        meta = shot_meta(entries, source.stem, workshop.zone)
        header = tuple(n for n in frame.columns if n != "vol_l")
        known, remarks = columns_of(header, 0, meta.stroke_volume_ml is not None)
        meta.remarks += remarks
        try:
            return FrameLayout([ShotFrame(meta, frame.select(pl.col(c).cast(pl.Float64) for c in known))])
        except pl.exceptions.PolarsError as e:
            raise LogRefused("a channel holds something else than numbers") from e
