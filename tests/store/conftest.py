"""Shots and samples put together by hand, and a fresh store."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from catchpot.core_tables import SAMPLE, SHOT
from catchpot.store import Store
from catchpot.tables import shape

Shots = Callable[..., pl.DataFrame]
START = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """A store that doesn't exist yet, and that waits for nobody."""
    return Store(tmp_path / "shots.duckdb", patience_s=0.3)


@pytest.fixture
def shots() -> Shots:
    """Rows of SHOT: names, their moulds in turn, an hour apart."""

    def make(names: Sequence[str], moulds: Sequence[str | None] = ("hatch", "lid"), revision: int = 1) -> pl.DataFrame:
        n = len(names)
        return shape(
            SHOT,
            {
                "shot": list(names),
                "mould": [moulds[i % len(moulds)] for i in range(n)],
                "started_at": [START + timedelta(hours=i) for i in range(n)],
                "source_file": [f"logs/{s}.csv" for s in names],
                "source_digest": [f"{s}-{revision}" for s in names],
                "revision": [revision] * n,
                "samples": [5] * n,
            },
        )

    return make


@pytest.fixture
def samples() -> Shots:
    """Rows of SAMPLE: five a shot, a second apart, flow as given."""

    def make(names: Sequence[str], flow: float = 1.2) -> pl.DataFrame:
        n = len(names)
        return shape(
            SAMPLE,
            {
                "shot": [s for s in names for _ in range(5)],
                "t_s": [float(i) for _ in names for i in range(5)],
                "vol_l": [flow / 60 * i + 0.00001234 for _ in names for i in range(5)],
                "flow_l_min": [flow] * (5 * n),
                "line_pressure_bar": [0.4] * (5 * n),
                "cavity_pressure_mbar": [550.0] * (5 * n),
            },
        )

    return make
