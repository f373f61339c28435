"""Steps and growth beside what a sound curve may do anyway."""

from __future__ import annotations

import numpy as np

from catchpot.stats import breaks


def test_scan_equals_ordinary_least_squares() -> None:
    rng = np.random.default_rng(1)
    y, base, extra = rng.normal(size=(1, 30)), rng.normal(size=(1, 30, 2)), rng.normal(size=(1, 30, 3))
    weight = rng.uniform(0.5, 2, (1, 30))
    weight[0, 4] = 0
    found = breaks.scan(y, base, extra, weight, np.zeros(2))
    root = np.sqrt(weight[0])
    for c in range(3):
        design = np.column_stack([base[0], extra[0, :, c]]) * root[:, None]
        coefficient, left, *_ = np.linalg.lstsq(design, y[0] * root, rcond=None)
        assert np.isclose(found.size[0, c], coefficient[-1])
        assert np.isclose(found.left[0] - found.gain[0, c], left[0])


def test_a_candidate_the_base_already_holds_gains_nothing() -> None:
    base = np.stack([np.ones(20), np.arange(20.0)], axis=1)[None]
    found = breaks.scan(np.arange(20.0)[None] ** 2, base, base.copy(), np.ones((1, 20)), np.zeros(2))
    assert np.allclose(found.gain, 0)


def test_a_prior_keeps_a_base_term_small() -> None:
    y = np.r_[np.zeros(10), np.ones(10)][None]
    step = y[:, :, None]
    free = breaks.scan(y, step, step, np.ones((1, 20)), np.zeros(1))
    held = breaks.scan(y, step, step, np.ones((1, 20)), np.array([1e6]))
    assert free.left[0] < 1e-9 and held.left[0] > 9.9


def test_best_of_one_sign() -> None:
    x = np.arange(20.0)
    y = np.asarray(-2.0 * (x >= 5) + 1.0 * (x >= 12), dtype=np.float64)[None]
    steps = np.asarray(x[:, None] >= [5, 12], dtype=np.float64)[None]
    found = breaks.scan(y, np.ones((1, 20, 1)), steps, np.ones((1, 20)), np.zeros(1))
    assert found.best(positive=False)[0][0] == 0
    assert found.best(positive=True)[1][0] <= found.best()[1][0]


def test_jump_is_measured_and_slope_and_bend_make_none() -> None:
    x = np.arange(100.0)
    curves = np.stack([np.where(x >= 40, 1.3, 1.0), 0.05 * x, np.maximum(0, x - 50) * 0.02])
    jump, factor = breaks.local_jump(curves)
    assert np.isclose(jump[0, 40], 0.3) and np.nanargmax(jump[0]) in range(38, 43)
    assert np.nanmax(np.abs(jump[1])) < 1e-9
    assert np.nanmax(np.abs(jump[2])) < 0.06
    noise = np.random.default_rng(3).normal(0, 1, (200, 100))
    assert np.isclose(np.nanstd(breaks.local_jump(noise)[0]), factor, rtol=0.1)


def test_noise_is_not_fooled_by_a_step() -> None:
    rng = np.random.default_rng(4)
    y = rng.normal(0, 0.02, (2, 200)) + np.where(np.arange(200) > 90, 1.0, 0.0) * np.array([[0.0], [1.0]])
    noise = breaks.point_noise(y)
    assert np.allclose(noise, 0.02, rtol=0.25)
    assert np.isnan(breaks.point_noise(np.full((1, 50), np.nan))[0])
