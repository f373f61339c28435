"""Leaks of 2,000 shots x 4,000 samples over one DuckDB scan of the columns they are read from."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import pytest
from tests.benchmarks.timing import best

from catchpot.analysis import Job
from catchpot.core_tables import PHASE, SHOT
from catchpot.tables import shape
from catchpot.workshop import MouldBook
from catchpot_vacuum.leak_analysis import LeakParams, SealLeakAnalysis

SHOTS, SAMPLES, BATCH, RATE_HZ = 2_000, 4_000, 500, 4.0
COLUMNS = ("shot_no", "t_s", "cavity_pressure_mbar", "clamp_pressure_mbar", "ambient_pressure_mbar", "vacuum_isolated")


def samples(first: int, flagged: bool) -> pl.DataFrame:
    """500 shots: evacuation, a hold of 45 s, injection."""
    rng = np.random.default_rng(first)
    t = np.arange(SAMPLES) / RATE_HZ
    shut = (t >= 60.0) & (t < 105.0)
    clamp = 50.0 + np.where(shut, 0.2 * (t - 60.0), 0.0)
    names = [f"s{first + k:05d}" for k in range(BATCH)]
    n = BATCH * SAMPLES
    return pl.DataFrame(
        {
            "shot": np.repeat(names, SAMPLES),
            "t_s": np.tile(t, BATCH),
            "cavity_pressure_mbar": np.round(550.0 + rng.normal(0.0, 0.5, n), 1),
            "clamp_pressure_mbar": np.round(np.tile(clamp, BATCH) + rng.normal(0.0, 0.5, n), 1),
            "ambient_pressure_mbar": pl.repeat(None, n, dtype=pl.Float64, eager=True),
            "vacuum_isolated": np.tile(shut.astype(float), BATCH)
            if flagged
            else pl.repeat(None, n, dtype=pl.Float64, eager=True),
        }
    )


def job(frame: pl.DataFrame) -> Job:
    names = frame["shot"].unique(maintain_order=True).to_list()
    start = datetime(2026, 3, 2, tzinfo=UTC)
    shot = shape(SHOT, {"shot": names, "mould": ["m"] * len(names), "started_at": [start] * len(names)})
    phase = shape(
        PHASE,
        {"shot": names, "phase": ["inject"] * len(names), "step": [1] * len(names), "start_s": [110.0] * len(names)},
    )
    book = MouldBook.model_validate({"moulds": {"m": {"clamp_volume_l": 0.8, "cavity_gas_volume_l": 5.0}}})
    tables = {"shot": shot.select("shot", "mould", "started_at", "resin_batch"), "sample": frame, "phase": phase}
    return Job(tuple(names), tables, {}, book, LeakParams())


# Without the hold's flag every curve is cut into straight pieces first.
@pytest.mark.parametrize(("flagged", "most"), [(True, 4.0), (False, 12.0)])
def test_leaks_against_one_scan(
    tmp_path: Path, flagged: bool, most: float, ratio: Callable[[str, str, float], None]
) -> None:
    frames = [samples(first, flagged) for first in range(0, SHOTS, BATCH)]
    with duckdb.connect(str(tmp_path / "samples.duckdb")) as connection:
        for k, frame in enumerate(frames):
            number = np.repeat(np.arange(k * BATCH, (k + 1) * BATCH), SAMPLES)
            # As in the store: a number stands for the shot's name.
            arrow = frame.select(pl.Series("shot_no", number), pl.exclude("shot")).to_arrow()
            connection.register("batch", arrow)
            verb = "create table sample as" if k == 0 else "insert into sample"
            connection.execute(f"{verb} select * from batch")
            connection.unregister("batch")
        query = f"select {', '.join(COLUMNS)} from sample"
        scan = best(lambda: connection.sql(query).to_arrow_table())
    jobs = [job(frame) for frame in frames]
    analysis = SealLeakAnalysis()
    leaks = best(lambda: [analysis.compute(j) for j in jobs])
    found = analysis.compute(jobs[0]).tables["seal_leak"].filter(pl.col("seal") == "clamp")
    assert found.height == BATCH
    assert found["leak_mbar_l_s"].median() == pytest.approx(0.16, rel=0.05)
    print(f"scan {scan:.3f} s, leaks {leaks:.3f} s, ratio {leaks / scan:.2f}")
    ratio(f"seal leaks, {'holds flagged' if flagged else 'holds found'}", "one scan of their columns", leaks / scan)
    assert leaks < most * scan
