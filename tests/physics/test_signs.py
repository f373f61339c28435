"""Signs in the samples: gauges at rest, still channels."""

from __future__ import annotations

import numpy as np
import pytest

from catchpot.physics import signs


def test_a_stuck_channel_against_a_coarse_one() -> None:
    t = np.arange(0, 100, 0.25)
    rng = np.random.default_rng(2)
    fine = rng.normal(1.5, 0.02, len(t))
    stuck = fine.copy()
    stuck[100:150] = stuck[100]
    coarse = np.round(rng.normal(20, 0.02, len(t)), 1)
    owner = np.repeat(np.arange(3), len(t))
    found = signs.longest_still(np.tile(t, 3), np.concatenate([fine, stuck, coarse]), owner, 3)
    assert found.log10_chance[1] < -50
    assert found.from_s[1] == 25.0 and 12 <= found.lasted_s[1] <= 12.5
    assert found.log10_chance[0] > -4 and found.log10_chance[2] > -4


def test_nothing_logged_is_nothing_found() -> None:
    empty = np.array([])
    found = signs.longest_still(empty, empty, np.array([], np.intp), 2)
    assert found.lasted_s.tolist() == [0, 0] and np.isnan(found.value).all()


def test_opening_plateau_ends_where_the_pump_pulls() -> None:
    t = np.arange(0, 20, 0.5)
    falling = np.where(t < 5, 1003.0, 1003 * np.exp(-(t - 5) / 5))
    evacuated = np.full(len(t), 500.0)
    at_once = 1003 * np.exp(-t / 5)
    owner = np.repeat(np.arange(3), len(t))
    flat = signs.opening_plateau(np.tile(t, 3), np.concatenate([falling, evacuated, at_once]), owner, 3)
    assert flat[: len(t)].sum() == 10 and flat[:10].all()
    assert not flat[len(t) :].any()


def test_rest_level_ignores_a_spike() -> None:
    found = signs.rest(np.array([0.05, 0.051, 9.0, 0.049, 0.05]), np.zeros(5, np.intp), 2)
    assert found.level[0] == pytest.approx(0.05)
    assert found.count.tolist() == [5, 0] and np.isnan(found.level[1])
