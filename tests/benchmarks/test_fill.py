"""Injection and fill of 200 shots through four channels over one DuckDB scan of the columns that they read."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import duckdb
import numpy as np
from tests.benchmarks.timing import best

from catchpot.testing import made_up as mu
from catchpot.testing.jobs import core_tables
from catchpot_fill.prepare import SAMPLE_COLUMNS

SHOTS = 50
CHANNELS = ("strip", "wedge", "all-round", "rim-fed")
MOST = 200.0
"""Every shot is laid on its mould's curve at some tens of stretches; a scan only reads."""


def test_fill_against_one_scan(tmp_path: Path, ratio: Callable[[str, str, float], None]) -> None:
    moulds = tuple(m for m in mu.five_moulds(SHOTS) if m.name in CHANNELS)
    shots = mu.simulate(mu.Scenario(moulds=moulds, nuisances=mu.Nuisances.off()), 3)
    tables, book = core_tables(shots), shots.book()
    with duckdb.connect(str(tmp_path / "samples.duckdb")) as connection:
        arrow = tables["sample"].to_arrow()
        connection.register("batch", arrow)
        connection.execute("create table sample as select * from batch")
        query = f"select shot, {', '.join(SAMPLE_COLUMNS)} from sample"
        scan = best(lambda: connection.sql(query).to_arrow_table())
    taken = best(lambda: mu.filled(tables, book))
    fill = mu.filled(tables, book).tables["fill"].join(shots.truth_shot, on="shot", suffix="_true")
    assert fill.height == SHOTS * len(CHANNELS)
    error = (fill["arrival_relative"] - 1).abs()
    assert error.null_count() == 0
    assert np.median(error.to_numpy()) < 0.003
    print(f"scan {scan:.4f} s, fill {taken:.2f} s, ratio {taken / scan:.0f}, a shot {1e3 * taken / fill.height:.1f} ms")
    ratio("injection and fill", "one scan of their columns", taken / scan)
    assert taken < MOST * scan
