"""Evidence within one shot: catalyst over volume, cavity pressure over volume, gap."""

from __future__ import annotations

import numpy as np
import pytest

from catchpot.physics import shot_signs as within

BINS = 200
GRID = np.asarray(0.005 + 0.0075 * np.arange(160))


def shot(ratio_pct: np.ndarray, flow: float = 2.0, noise: float = 0.0, seed: int = 1) -> within.Ratio:
    """Ratio of one made-up shot with 1.5 % wanted, 0.15 allowed."""
    rng = np.random.default_rng(seed)
    volume = (np.arange(BINS) + 0.5) * 3.0 / BINS
    time = volume / flow * 60
    resin = flow / (1 + ratio_pct / 100)
    catalyst = resin * ratio_pct / 100 * 1e3 * (1 + noise * rng.standard_normal(BINS))
    return within.catalyst_ratio(time[None], volume[None], catalyst[None], np.array([1.5]), np.array([0.15]))


def test_a_ratio_as_set_is_found_to_the_digit() -> None:
    found = shot(np.full(BINS, 1.5))
    assert found.whole[0] == pytest.approx(1.5, rel=1e-6)
    assert found.off_share[0] == 0 and found.starved_share[0] == 0


@pytest.mark.parametrize("off", [-0.2, 0.2])
def test_a_stretch_off_is_found_with_its_place_and_size(off: float) -> None:
    ratio = np.full(BINS, 1.5)
    ratio[80:110] *= 1 + off
    found = shot(ratio, noise=0.02)
    assert found.off_share[0] == pytest.approx(0.15, abs=0.03)
    assert found.from_share[0] == pytest.approx(0.40, abs=0.03)
    assert found.to_share[0] == pytest.approx(0.55, abs=0.03)
    assert found.in_stretch[0] == pytest.approx(1.5 * (1 + off), rel=0.06)


def test_noise_of_the_meters_is_no_fault() -> None:
    assert max(shot(np.full(BINS, 1.5), noise=0.05, seed=s).off_share[0] for s in range(20)) < 0.03


@pytest.mark.parametrize("seed", range(8))
def test_what_must_be_found_is_found_at_its_edge(seed: int) -> None:
    """15 % over a tenth of the volume, with meters that scatter; a deviation within tolerance is none."""
    ratio = np.full(BINS, 1.5)
    ratio[60:80] *= 0.85
    assert shot(ratio, noise=0.03, seed=seed).off_share[0] == pytest.approx(0.10, abs=0.03)
    ratio[60:80] = 1.5 * 0.93
    assert shot(ratio, noise=0.03, seed=seed).off_share[0] == 0


def test_starvation_is_told_from_a_ratio_that_is_off() -> None:
    ratio = np.full(BINS, 1.5)
    ratio[120:] = 0.05
    found = shot(ratio)
    assert found.starved_share[0] == pytest.approx(0.4, abs=0.03)
    assert found.starved_from[0] == pytest.approx(0.6, abs=0.03)


def test_a_pump_that_pauses_keeps_its_ratio() -> None:
    volume = (np.arange(BINS) + 0.5) * 3.0 / BINS
    time = volume * 30
    time[100:] += 200.0
    catalyst = np.full(BINS, 2.0 / 1.015 * 15.0)
    catalyst[99:101] = 0.0
    found = within.catalyst_ratio(time[None], volume[None], catalyst[None], np.array([1.5]), np.array([0.15]))
    assert found.off_share[0] < 0.05


def test_no_catalyst_logged_is_no_ratio() -> None:
    nothing = np.full((1, BINS), np.nan)
    found = within.catalyst_ratio(nothing, nothing, nothing, np.array([1.5]), np.array([0.15]))
    assert np.isnan(found.whole[0]) and found.off_share[0] == 0


def cavity(kind: str, noise: float = 0.7, size: float = 150.0) -> within.Rise:
    """Rise of a cavity at 550 mbar that begins at 40 % of the volume; flow slows down with the volume."""
    rng = np.random.default_rng(3)
    time = 30 * GRID + 60 * GRID**2
    p = np.full(len(GRID), 550.0)
    past = GRID > 0.4
    since = time - time[np.argmax(past)]
    if kind == "squeezed":
        p = np.where(past, 550 * 0.63 / (1.03 - np.minimum(GRID, 1.0)), p)
    elif kind == "lost":
        p = np.where(past, 550 + size * -np.expm1(-np.maximum(since, 0) / 5), p)
    elif kind == "slowly lost":
        p = np.where(past, 550 + 2 * size * -np.expm1(-np.maximum(since, 0) / 60), p)
    return within.cavity_rise(GRID, time, p + noise * rng.standard_normal(len(GRID)), np.zeros(len(GRID)))


def test_squeezed_gas_is_told_from_lost_vacuum() -> None:
    squeezed, lost, slowly = cavity("squeezed"), cavity("lost"), cavity("slowly lost")
    assert squeezed.compressed and not lost.compressed and not slowly.compressed
    assert lost.mbar == pytest.approx(150, abs=8)
    assert lost.begins == pytest.approx(0.4, abs=0.03)
    assert cavity("quiet") == within.NO_RISE


def test_a_spike_is_no_lost_vacuum() -> None:
    p = np.full(len(GRID), 550.0)
    p[60] = 900.0
    assert within.cavity_rise(GRID, 60 * GRID, p, np.zeros(len(GRID))) == within.NO_RISE


def test_what_the_cavity_usually_does_is_no_rise() -> None:
    usual = 80 * GRID
    assert within.cavity_rise(GRID, 60 * GRID, 550 + usual, usual) == within.NO_RISE


def test_gap_rise_ignores_a_single_reading() -> None:
    gap = np.full((3, BINS), 1.0)
    gap[0, 50] = 3.0
    gap[1, 100:] = 1.4
    gap[2] = np.nan
    found = within.gap_rise(gap)
    assert found[0] == pytest.approx(0.0) and found[1] == pytest.approx(0.4) and np.isnan(found[2])
