"""Whether two readings of a log show the same samples: then only what is said about them was corrected."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from catchpot.channels import BY_NAME

if TYPE_CHECKING:
    from collections.abc import Callable

    from catchpot.ingest.batch import Batch, Candidate
    from catchpot.store.store import Store

# A row dropped or a cell mended leaves the log the same one; another shot on the same clock shares next to nothing.
_SHARE = 0.9


def same_samples(before: pl.DataFrame, now: pl.DataFrame) -> bool:
    """Whether nine tenths of the shorter log's rows stand in the other one, with the same time and readings.

    before, now: t_s and channels (f64, null where not read).
    """
    channels = [n for n in BY_NAME if n in before.columns and n in now.columns and n != "flow_l_min"]
    shorter = min(before.height, now.height)
    if not shorter or not channels:
        return False
    rows = [f.select(pl.col(c).round(6) for c in ("t_s", *channels)).unique() for f in (before, now)]
    common = rows[0].join(rows[1], on=["t_s", *channels], how="semi", nulls_equal=True)
    return common.height >= _SHARE * shorter


def same_log_in(store: Store) -> Callable[[str, Candidate, Batch], bool]:
    """The comparison of a candidate with the samples that the store has of a shot."""

    def same(shot: str, candidate: Candidate, batch: Batch) -> bool:
        now = batch.frame.filter(pl.col("file_no") == candidate.index)
        with store.reading() as r:
            before = r.samples([shot], ["t_s", *(n for n in BY_NAME if n in now.columns)])
        return same_samples(before, now)

    return same


__all__ = ["same_log_in", "same_samples"]
