"""Air in the line: the pressure collapses and the meter goes on."""

from __future__ import annotations

import numpy as np
import pytest

from catchpot.physics import air


def made(rate_hz: float, seconds: float, seed: int = 1) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times, driving pressure with a ramp and noise, metered volume."""
    t = np.arange(0, seconds, 1 / rate_hz)
    drive = 700 * np.clip(t / 8, 0.1, 1) + np.random.default_rng(seed).normal(0, 4, len(t))
    return t, drive, 0.02 * t


@pytest.mark.parametrize("rate", [1.0, 4.0, 20.0])
def test_slugs_are_counted_at_every_rate(rate: float) -> None:
    t, drive, vol = made(rate, 200)
    for at in (60.0, 90.0, 140.0):
        drive[(t >= at) & (t < at + 1.2)] *= 0.2
    found = air.air_slugs(t, drive, vol, np.zeros(len(t), np.intp), 1)
    assert found.count.tolist() == [3]
    assert abs(found.first_from_s[0] - 60) <= 1
    assert found.depth[0] > 0.6


@pytest.mark.parametrize("rate", [1.0, 4.0, 20.0])
def test_ramp_noise_and_the_end_are_no_air(rate: float) -> None:
    t, drive, vol = made(rate, 200)
    drive[t > 190] *= np.linspace(1, 0.1, int((t > 190).sum()))
    found = air.air_slugs(t, drive, vol, np.zeros(len(t), np.intp), 1)
    assert found.count.tolist() == [0]
    assert np.isnan(found.first_from_s[0])


def test_a_pump_that_pauses_is_no_air() -> None:
    t, drive, vol = made(4.0, 200)
    pause = (t >= 100) & (t < 108)
    drive[pause] *= 0.05
    vol = np.cumsum(np.where(pause, 0.0, 0.005))
    assert air.air_slugs(t, drive, vol, np.zeros(len(t), np.intp), 1).count[0] == 0


def test_a_gauge_that_stops_at_nought_still_shows_dips() -> None:
    t, drive, vol = made(4.0, 200)
    for at in (60.0, 90.0, 140.0):
        drive[(t >= at) & (t < at + 2)] = 585.0
    owner = np.zeros(len(t), np.intp)
    assert air.air_slugs(t, drive, vol, owner, 1).count[0] == 0
    assert air.air_slugs(t, drive, vol, owner, 1, np.array([586.0])).count[0] == 3


def test_a_runner_that_fills_before_the_bed_is_no_air() -> None:
    """The valve opens to the vacuum, the runner fills at a steady pressure, then the bed's resistance grows."""
    t = np.arange(0, 100, 0.25)
    noise = np.random.default_rng(3).normal(0, 4, len(t))
    drive = (
        np.where(t < 0.5, 463.0, np.where(t < 1.5, 450 * t / 1.5, np.where(t < 5, 540.0, 540 + 30 * (t - 5)))) + noise
    )
    vol = np.cumsum(np.clip(t / 1.5, 0, 1)) * 0.02
    flow = np.clip(t / 1.5, 0.02, 1) * 4.8
    for metered in (None, flow):
        assert air.air_slugs(t, drive, vol, np.zeros(len(t), np.intp), 1, None, metered).count[0] == 0


def test_a_pump_at_its_pressure_limit_shows_air_in_its_flow() -> None:
    t, drive, vol = made(4.0, 200)
    flow = np.where(t < 8, 2.0, 2.0 - 0.006 * t) * np.random.default_rng(4).normal(1, 0.015, len(t))
    for at in (60.0, 90.0, 140.0):
        flow[(t >= at) & (t < at + 1.2)] *= 2.5
    owner = np.zeros(len(t), np.intp)
    assert air.air_slugs(t, drive, vol, owner, 1).count[0] == 0
    found = air.air_slugs(t, drive, vol, owner, 1, None, flow)
    assert found.count[0] == 3 and found.depth[0] == pytest.approx(0.6, abs=0.1)


def test_a_pump_that_starts_anew_is_no_air() -> None:
    """After a pause the flow is there before the pressure."""
    t, drive, vol = made(4.0, 200)
    flow = np.full(len(t), 2.0)
    for at in (60.0, 90.0, 140.0):
        flow[(t >= at) & (t < at + 5)] = 0.0
        drive[(t >= at + 1) & (t < at + 6)] *= 0.3
    vol = np.cumsum(flow) * 0.25 / 60
    assert air.air_slugs(t, drive, vol, np.zeros(len(t), np.intp), 1, None, flow).count[0] == 0


def test_shots_do_not_leak_into_each_other() -> None:
    t, drive, vol = made(4.0, 100)
    odd = drive.copy()
    odd[(t > 50) & (t < 52)] = 50
    both = air.air_slugs(
        np.tile(t, 2), np.concatenate([drive, odd]), np.tile(vol, 2), np.repeat(np.arange(2), len(t)), 3
    )
    assert both.count.tolist() == [0, 1, 0]


def test_nothing_logged_is_nothing_found() -> None:
    empty = np.array([])
    assert air.air_slugs(empty, empty, empty, np.array([], np.intp), 2).count.tolist() == [0, 0]


@pytest.mark.parametrize("width", [1, 2, 3, 4, 7, 31])
@pytest.mark.parametrize("steps", [1, 2, 5, 40, 200])
def test_closings_are_those_of_a_general_library(width: int, steps: int) -> None:
    """scipy.ndimage's closings, of a flag and of a curve carried on at either end."""
    from scipy import ndimage

    rng = np.random.default_rng(width * 1000 + steps)
    flag = rng.random((6, steps)) < 0.4
    assert (air._bridged(flag, width) == ndimage.binary_closing(flag, np.ones((1, width), bool))).all()
    level, inside = rng.normal(500, 50, (6, steps)), np.ones((6, steps), bool)
    step_s = air.LONGEST_SLUG_S / (width | 1)
    around, _ = air._around(level, inside, step_s)
    wide = round(air.LONGEST_SLUG_S / step_s) | 1
    beyond = np.pad(level, ((0, 0), (wide, wide)), mode="edge")
    assert (around == ndimage.grey_closing(beyond, size=(1, wide), mode="nearest")[:, wide:-wide]).all()
