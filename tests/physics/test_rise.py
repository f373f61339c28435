"""Slopes of rises: coverage, robustness, quantisation, outgassing."""

from __future__ import annotations

from dataclasses import astuple

import numpy as np
import pytest
from numpy.typing import NDArray

from catchpot.physics.binned import bin_rises
from catchpot.physics.rise import RiseFit, fit_rises

Floats = NDArray[np.float64]


def fit(p: Floats, rate_hz: float, **other: float) -> RiseFit:
    rises, n = p.shape
    t = np.tile(np.arange(n) / rate_hz, (rises, 1))
    first = np.arange(rises) * n
    given = {"drift_mbar_min": 0.0, **other}
    return fit_rises(bin_rises(t.ravel(), p.ravel(), first, first + n), **given)


def rises(
    rng: np.random.Generator, count: int, length: float, rate_hz: float, noise: float, slope: float, c: float = 0.0,
    tau: float = 1.0,
) -> Floats:  # fmt: skip
    t = np.arange(int(length * rate_hz)) / rate_hz
    return np.asarray(50.0 + slope * t + c * (1.0 - np.exp(-t / tau)) + rng.normal(0.0, noise, (count, len(t))))


@pytest.mark.parametrize(
    ("length", "rate_hz", "noise"), [(45.0, 4.0, 0.5), (20.0, 4.0, 0.5), (120.0, 1.0, 0.5), (45.0, 10.0, 0.2)]
)
def test_straight_rises_are_covered(length: float, rate_hz: float, noise: float) -> None:
    found = fit(rises(np.random.default_rng(1), 800, length, rate_hz, noise, 0.0625), rate_hz)
    held = ((found.low <= 0.0625) & (found.high >= 0.0625)).mean()
    assert 0.93 <= held <= 0.995
    best = noise * np.sqrt(12.0 / rate_hz) / length**1.5
    assert abs(np.median(found.slope) - 0.0625) < best
    assert found.slope.std() < 2.5 * best


def test_a_saturating_rise_is_not_called_a_leak() -> None:
    found = fit(rises(np.random.default_rng(2), 300, 120.0, 4.0, 0.3, 0.0, c=4.0, tau=15.0), 4.0, height_mbar=5.0)
    assert np.median(found.outgassing) > 0.99
    assert np.median(found.plain) > 0.018
    assert abs(np.median(found.slope)) < 0.002
    assert (found.low <= 0.0).mean() > 0.9


def test_leak_and_outgassing_together_are_covered() -> None:
    found = fit(rises(np.random.default_rng(3), 400, 45.0, 4.0, 0.5, 0.0625, c=2.0, tau=10.0), 4.0)
    assert ((found.low <= 0.0625) & (found.high >= 0.0625)).mean() >= 0.9


@pytest.mark.parametrize("step", [0.1, 0.5, 1.0])
def test_a_coarse_gauge_widens_the_interval(step: float) -> None:
    p = rises(np.random.default_rng(4), 300, 45.0, 4.0, 0.02, 0.05)
    coarse, fine = fit(np.round(p / step) * step, 4.0), fit(p, 4.0)
    assert ((coarse.low <= 0.05) & (coarse.high >= 0.05)).mean() >= 0.95
    assert np.median(coarse.high - coarse.low) > np.median(fine.high - fine.low)


def test_noise_that_lasts_is_covered() -> None:
    rng = np.random.default_rng(5)
    p = rises(rng, 600, 45.0, 4.0, 0.0, 0.0625)
    noise = np.zeros(p.shape)
    for i in range(1, p.shape[1]):
        noise[:, i] = 0.9 * noise[:, i - 1] + rng.normal(0.0, 0.2, len(p))
    found = fit(p + noise, 4.0)
    assert ((found.low <= 0.0625) & (found.high >= 0.0625)).mean() >= 0.85


def test_spikes_do_not_move_the_slope() -> None:
    p = rises(np.random.default_rng(6), 200, 45.0, 4.0, 0.3, 0.0625)
    p[:, 40] += 60.0
    p[:, 150] -= 40.0
    found = fit(p, 4.0)
    assert abs(np.median(found.slope) - 0.0625) < 0.004


def test_warming_gas_and_drift_are_in_the_interval() -> None:
    p = rises(np.random.default_rng(7), 50, 45.0, 4.0, 0.2, 0.05)
    bare, drifting = fit(p, 4.0), fit(p, 4.0, drift_mbar_min=1.0)
    assert (drifting.high - drifting.low > bare.high - bare.low).all()
    assert np.median(drifting.high - drifting.low) > 2.0 * 1.96 / 60.0


def test_missing_readings_and_short_rises() -> None:
    p = rises(np.random.default_rng(8), 3, 45.0, 4.0, 0.2, 0.05)
    p[0, 10:60] = np.nan
    found = fit(p, 4.0)
    assert found.slope[0] == pytest.approx(0.05, abs=0.01)
    short = fit_rises(bin_rises(np.arange(3.0), np.arange(3.0), np.array([0, 0]), np.array([3, 0])))
    assert np.isnan(short.slope).all()
    assert not np.isnan(short.readings).any()


def test_no_rises_at_all() -> None:
    none = np.zeros(0, dtype=np.int64)
    found = fit_rises(bin_rises(np.zeros(0), np.zeros(0), none, none))
    assert all(len(v) == 0 for v in astuple(found))


def test_bins_keep_the_mean() -> None:
    t = np.array([0.0, 0.3, 0.9, 1.0, 1.4, 2.0, 2.2, 3.0] * 10).cumsum()
    p = np.linspace(0.0, 8.0, len(t))
    data = bin_rises(t, p, np.array([0]), np.array([len(t)]), bins=16)
    assert data.n.sum() == len(t)
    assert float((data.n * data.p_mbar).sum() / len(t)) == pytest.approx(p.mean())
    assert float(data.length_s[0]) == pytest.approx(t[-1] - t[0])
