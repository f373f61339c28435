"""The whole curve against healthy ones, with stretches that a gauge's end usually hides."""

from __future__ import annotations

import numpy as np
import pytest

from catchpot_faults import whole

MIDDLE = (whole.EDGES[1:] + whole.EDGES[:-1]) / 2
DRIVING = np.linspace(500.0, 950.0, whole.CELLS)


def rows(shots: int, hidden: int, seed: int) -> np.ndarray:
    """Features of healthy shots of a strip; the first `hidden` stretches of the resistance unknown."""
    rng = np.random.default_rng(seed)
    level = rng.normal(0, 0.05, (shots, 1))
    resistance = np.log(MIDDLE + 0.1) + level + rng.normal(0, 0.008, (shots, whole.CELLS))
    resistance[:, :hidden] = np.nan
    flow, line = (rng.normal(0, 0.02, (shots, whole.CELLS)) for _ in range(2))
    cavity = rng.normal(0, 1.0, (shots, whole.CELLS))
    return np.concatenate([resistance, flow, line, cavity], axis=1)


@pytest.mark.parametrize("hidden", [0, 6])
def test_healthy_is_not_odd_and_a_bump_is(hidden: int) -> None:
    model = whole.learn(rows(30, hidden, 1), np.zeros(30), DRIVING)
    assert model is not None
    sound, bump = rows(2, hidden, 2)
    bump[12:15] += 0.25
    for row, odd in ((sound, False), (bump, True)):
        found = whole.hold_against(row, 0.0, model)
        assert found is not None and found.beyond(model) == odd
    assert found is not None and found.channel == 0 and 11 <= found.stretch[0] <= 13


def test_a_stretch_seen_for_once_is_no_oddity() -> None:
    """The gauge's end hides the first stretches as a rule; a shot that shows some of them is as healthy as any."""
    model = whole.learn(rows(30, 6, 1), np.zeros(30), DRIVING)
    assert model is not None
    for seed in range(5):
        shown = rows(1, 3, 10 + seed)[0]
        found = whole.hold_against(shown, 0.0, model)
        assert found is not None and not found.beyond(model)
        assert found.q < 0.5 * model.q_limit


def test_a_mould_that_hides_half_of_its_curve_has_no_model() -> None:
    assert whole.learn(rows(30, 15, 1), np.zeros(30), DRIVING) is None
