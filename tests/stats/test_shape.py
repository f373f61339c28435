"""A mould's usual band."""

from __future__ import annotations

import numpy as np
from tests.stats.healthy_curves import healthy

from catchpot.stats import shape
from catchpot.stats.shape import running_mean


def test_a_third_of_odd_curves_does_not_move_the_band() -> None:
    curves = healthy(12, 40, 1)
    clean = shape.robust_band(curves[:8])
    curves[8:] *= 3
    band = shape.robust_band(curves)
    assert np.max(np.abs(band.centre - clean.centre)) < 0.5
    assert np.max(np.abs(curves[8:] - band.centre)) > 10


def test_band_holds_new_curves_with_its_chance() -> None:
    held = []
    for seed in range(40):
        curves = healthy(31, 20, seed)
        low, high = shape.robust_band(curves[:30]).edges(0.9)
        held.append(np.mean((curves[30] > low) & (curves[30] < high)))
    assert 0.82 < np.mean(held) < 0.97


def test_band_with_missing_points_counts_them() -> None:
    band = shape.robust_band([[1.0, np.nan], [1.2, np.nan], [1.1, 3.0]])
    assert band.count.tolist() == [3, 1]
    assert np.isclose(band.centre[1], 3.0)
    empty = shape.robust_band([[np.nan], [np.nan]])
    assert np.isnan(empty.centre[0]) and empty.count[0] == 0


def test_a_running_mean_goes_on_level_beyond_the_ends() -> None:
    from scipy.ndimage import uniform_filter1d

    y = np.random.default_rng(1).standard_normal(120)
    for wide in (1, 4, 7, 15):
        assert np.allclose(running_mean(y, wide), uniform_filter1d(y, wide, mode="nearest"), rtol=0.0, atol=1e-12)
