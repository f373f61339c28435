"""What "*" stands for: one wide frame with every measure of every shot."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import replace

import polars as pl

from catchpot.core_tables import SHOT
from catchpot.tables import Column, Table


def wide(
    shots: pl.DataFrame,
    rows: Mapping[str, pl.DataFrame],
    measures: Mapping[str, tuple[str, ...]],
    declared: Mapping[str, Table],
) -> tuple[pl.DataFrame, Table]:
    """One row a shot (shot, mould, started_at, then the measures), and its declaration.

    shots: shot, mould, started_at, in the order wanted. rows: each table's rows. measures: table -> columns.
    A table with keys beside the shot is pivoted: `leak_mbar_l_s[clamp]`. A name that two tables have is given with the
    table's name before it: `fill.resin_temp_c`.
    """
    often = Counter(c for columns in measures.values() for c in columns)
    frame = shots.select("shot", "mould", "started_at")
    found = [SHOT.column(c) for c in frame.columns]
    for name in sorted(measures):
        table = declared[name]
        called = {c: f"{name}.{c}" if often[c] > 1 else c for c in measures[name]}
        extra = [k for k in table.key if k != "shot"]
        for suffix, part in _by_extra_keys(rows[name], extra):
            columns = {c: f"{n}[{suffix}]" if suffix else n for c, n in called.items()}
            picked = part.select("shot", *(pl.col(c).alias(n) for c, n in columns.items()))
            frame = frame.join(picked, on="shot", how="left", maintain_order="left")
            found += [_renamed(table.column(c), n, suffix) for c, n in columns.items()]
    return frame, Table("*", ("shot",), tuple(found), doc="every measure of every shot")


def _by_extra_keys(frame: pl.DataFrame, extra: list[str]) -> list[tuple[str, pl.DataFrame]]:
    if not extra:
        return [("", frame)]
    groups = frame.partition_by(extra, as_dict=True, maintain_order=True)
    return sorted((",".join(map(str, key)), part) for key, part in groups.items())


def _renamed(column: Column, name: str, suffix: str) -> Column:
    label = f"{column.label or column.doc.split(';')[0].split(' (')[0]}, {suffix}" if suffix else column.label
    return replace(column, name=name, label=label)
