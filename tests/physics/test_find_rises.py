"""Rises found in curves: switching pumps, holds nobody logged, and supplies that show none."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from catchpot.physics.find_rises import Found, find_rises

Floats = NDArray[np.float64]
RATE_HZ = 4.0


def find(curves: list[Floats]) -> Found:
    t = np.concatenate([np.arange(len(c)) / RATE_HZ for c in curves])
    edge = np.concatenate([[0], np.cumsum([len(c) for c in curves])]).astype(np.int64)
    return find_rises(t, np.concatenate(curves), edge[:-1], edge[1:])


def saw(leak: float, rng: np.random.Generator, seconds: float = 300.0) -> Floats:
    p, on, out = 1013.0, True, []
    for _ in range(int(seconds * RATE_HZ)):
        on = p >= 60.0 or (on and p > 50.0)
        p += (leak - (0.5 * p if on else 0.0)) / 0.8 / RATE_HZ
        out.append(p)
    return np.array(out) + rng.normal(0.0, 0.5, len(out))


def held(leak: float, rng: np.random.Generator) -> Floats:
    p, out = 50.0, []
    for i in range(int(200 * RATE_HZ)):
        shut = 100.0 <= i / RATE_HZ < 145.0
        p += (leak / 0.8 if shut else -2.0 * (p - 50.0)) / RATE_HZ * (1.0 if shut else 0.3)
        out.append(p)
    return np.array(out) + rng.normal(0.0, 0.5, len(out))


@pytest.mark.parametrize(("leak", "least"), [(0.1, 2), (0.3, 5), (1.0, 12)])
def test_rises_between_top_ups_have_the_leaks_slope(leak: float, least: int) -> None:
    rng = np.random.default_rng(1)
    curves = [saw(leak, rng) for _ in range(10)]
    found = find(curves)
    counts = np.bincount(found.curve, minlength=10)
    assert (counts >= least).all()
    t, p = np.tile(np.arange(len(curves[0])) / RATE_HZ, 10), np.concatenate(curves)
    slopes = [np.polyfit(t[a:b], p[a:b], 1)[0] for a, b in zip(found.first, found.stop, strict=True) if b - a > 20]
    assert np.median(slopes) == pytest.approx(leak / 0.8, rel=0.1)
    assert found.top_mbar == pytest.approx(60.0, abs=3.5)


@pytest.mark.parametrize("leak", [0.05, 0.1, 0.3])
def test_a_hold_nobody_logged_is_found_where_it_was(leak: float) -> None:
    rng = np.random.default_rng(2)
    found = find([held(leak, rng) for _ in range(20)])
    assert np.bincount(found.curve, minlength=20).max() == 1
    assert len(found.curve) >= 18
    assert np.median(found.first % 800) == pytest.approx(400, abs=50)
    assert (found.stop % 800 <= 584).all()


def wander(rng: np.random.Generator) -> Floats:
    t = np.arange(1200) / RATE_HZ
    return np.asarray(50.0 + 5.0 * np.sin(2 * np.pi * t / 80.0 + rng.uniform(0, 6)) + rng.normal(0, 0.5, 1200))


def steady(rng: np.random.Generator) -> Floats:
    t = np.arange(1200) / RATE_HZ
    return np.asarray(50.0 + 960.0 * np.exp(-t / 4.0) + rng.normal(0, 0.5, 1200))


@pytest.mark.parametrize("supply", [steady, wander])
def test_a_supply_without_top_ups_shows_no_rises(supply: Callable[[np.random.Generator], Floats]) -> None:
    rng = np.random.default_rng(3)
    found = find([supply(rng) for _ in range(40)])
    assert (np.bincount(found.curve, minlength=40) > 0).mean() <= 0.05


def test_a_rise_to_the_end_counts_only_where_it_is_asked_for() -> None:
    rng = np.random.default_rng(4)
    t = np.arange(0.0, 90.0, 1 / RATE_HZ)
    p = np.where(t < 20, 50 + 960 * np.exp(-t / 3.0), 51.2 + 0.08 * (t - 20)) + rng.normal(0, 0.5, len(t))
    bounds = np.array([0]), np.array([len(t)])
    assert len(find_rises(t, p, *bounds).curve) == 0
    found = find_rises(t, p, *bounds, open_end=True)
    assert len(found.curve) == 1
    assert 18.0 < t[found.first[0]] < 32.0


def test_empty_and_short_curves() -> None:
    found = find_rises(np.arange(5.0), np.arange(5.0), np.array([0, 5]), np.array([5, 5]))
    assert len(found.curve) == 0


def test_a_gap_in_the_readings_does_not_move_a_hold() -> None:
    rng = np.random.default_rng(6)
    curves = [held(0.3, rng) for _ in range(20)]
    for curve in curves:
        curve[120:160] = np.nan
    found = find(curves)
    assert len(found.curve) >= 18
    assert np.median(found.first % 800) == pytest.approx(400, abs=50)
    assert (found.stop % 800 <= 584).all()
