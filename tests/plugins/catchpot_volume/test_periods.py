"""Which periods are compared."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from catchpot_volume import periods

SHOTS = 60


@pytest.mark.parametrize("step_at", range(20, 56))
def test_a_trend_that_ends_in_a_step_is_not_compared_twice_from_the_same_shot(
    step_at: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    changes = [(12, SHOTS - 1, True), (step_at, SHOTS - 1, False)]
    stubs: dict[str, Any] = {
        "best_volume": lambda frame: (np.zeros(frame.height), "the filling curve"),
        "_series": lambda *_: [],
        "_merged": lambda *_: changes,
    }
    for name, stub in stubs.items():
        monkeypatch.setattr(periods, name, stub)
    frame = pl.DataFrame({"started_at": [datetime(2026, 3, 2, tzinfo=UTC) + timedelta(days=i) for i in range(SHOTS)]})
    first = [int(p.after[0]) for p in periods.found(frame, [])]
    assert step_at in first
    assert len(set(first)) == len(first)
