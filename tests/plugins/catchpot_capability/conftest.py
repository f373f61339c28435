"""Made-up months of shots for the capability tests."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest
from numpy.typing import NDArray

from catchpot.analysis import Job
from catchpot.core_tables import EVENT
from catchpot.tables import Column, Table, shape
from catchpot.workshop import MouldBook
from catchpot_capability.settings import CapabilityParams

Floats = NDArray[np.float64]
LIMITS = {"injected_volume_l": [2.4, 2.7], "cavity_pressure_mbar": [500, 620]}
START = datetime(2026, 10, 1, 6, tzinfo=UTC)


def _job(
    values: Mapping[str, Floats],
    *,
    mould: str = "hatch-3",
    start: datetime = START,
    hours: float = 16.0,
    limits: Mapping[str, Any] | None = None,
    events: list[tuple[int, str, str]] | None = None,
    params: CapabilityParams | None = None,
    first: int = 0,
) -> Job:
    shots = len(next(iter(values.values())))
    starts = [start + timedelta(hours=hours * i) for i in range(shots)]
    beside = {
        "shot": [f"{mould}-{first + i:03d}" for i in range(shots)],
        "mould": [mould] * shots,
        "started_at": starts,
    }
    none = pl.Series([None] * shots, dtype=pl.String)
    columns = [Column("shot", "str", "", "the shot")]
    columns += [Column(n, "f64", n.rsplit("_", 1)[-1], n.rsplit("_", 1)[0].replace("_", " ")) for n in values]
    rows = events or []
    event = shape(
        EVENT,
        {
            "row": list(range(1, len(rows) + 1)),
            "time": [starts[at] - timedelta(minutes=5) for at, _, _ in rows],
            "mould": [mould] * len(rows),
            "kind": [k for _, k, _ in rows],
            "detail": [d for _, _, d in rows],
        },
    )
    shot = pl.DataFrame(
        {
            **beside,
            "injector": ["injector-1"] * shots,
            "fabric_batch": none,
            "resin_batch": none,
            "programmed_volume_l": [2.6] * shots,
        }
    )
    return Job(
        (mould,),
        {"shot": shot, "*": pl.DataFrame({**beside, **values}), "event": event},
        {"*": Table("*", ("shot",), tuple(columns))},
        MouldBook.model_validate({"moulds": {mould: {"limits": LIMITS if limits is None else dict(limits)}}}),
        params or CapabilityParams(),
    )


@pytest.fixture
def make_job() -> Callable[..., Job]:
    """make_job(values, mould=, start=, hours=, limits=, events=, params=): one mould's job, a shot every 16 hours."""
    return _job
