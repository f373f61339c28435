"""A stroke counter in the place of a flow meter."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from catchpot.ingest.strokes import from_strokes


def test_a_steady_pump_by_hand() -> None:
    t = np.arange(0, 10.0, 0.5)
    flow, volume, _ = from_strokes(t, np.floor(t).astype(np.float64), 100.0)  # a stroke a second, 0.1 l each: 6 l/min
    assert volume[-1] == pytest.approx(0.9)
    assert flow[:1].tolist() == [0.0]
    assert np.allclose(flow[1:-1], 6.0)


@given(st.lists(st.integers(0, 3), min_size=2, max_size=60), st.floats(1.0, 80.0))
def test_the_flow_carries_the_volume(steps: list[int], ml: float) -> None:
    t = np.arange(len(steps) + 1, dtype=np.float64) * 0.5
    count = np.concatenate(([0], np.cumsum(steps))).astype(float)
    flow, volume, _ = from_strokes(t, count, ml)
    assert volume[-1] == pytest.approx(count[-1] * ml / 1000)
    assert (flow >= 0).all()
    # every stroke's volume is in the flow, but for the part of the first wait that lies before the log began
    assert np.sum(flow * 0.5) / 60 <= volume[-1] * (1 + 1e-9)


def test_a_reset_counter_goes_on_and_is_said() -> None:
    t = np.arange(8.0)
    _, volume, remarks = from_strokes(t, np.array([7, 8, 9, 10, 1, 2, 3, 4], float), 10.0)
    assert volume[-1] == pytest.approx((3 + 1 + 3) * 0.01)
    assert [r.kind for r in remarks] == ["strokes_stand_in", "counter_reset"]


def test_a_pause_holds_no_flow() -> None:
    t = np.arange(0, 100.0, 0.5)
    count = np.where(t < 20, t, np.where(t < 80, 20, t - 60)) // 1
    flow, _, _ = from_strokes(t, count, 50.0)
    assert np.all(flow[(t > 22) & (t < 78)] == 0.0)


def test_missing_counts_are_bridged() -> None:
    t = np.arange(6.0)
    _, volume, _ = from_strokes(t, np.array([0, 1, np.nan, np.nan, 4, 5]), 100.0)
    assert volume.tolist() == pytest.approx([0, 0.1, 0.1, 0.1, 0.4, 0.5])
