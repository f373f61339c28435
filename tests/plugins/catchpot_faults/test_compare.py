"""One curve along its usual one: each way of leaving it has its own print."""

from __future__ import annotations

import numpy as np
import pytest

from catchpot_faults.compare import EARLY, LATE, course, level
from catchpot_faults.curves import GRID

USUAL = np.minimum(GRID, 1.0) * 2000 + 150
TIME = 40 * GRID + 40 * GRID**2


def curve(factor: np.ndarray | float = 1.0, added: np.ndarray | float = 0.0, noise: float = 0.01) -> np.ndarray:
    """A resistance with noise that ends at 106 % of the usual arrival volume."""
    r = (USUAL * factor + added) * (1 + noise * np.random.default_rng(5).standard_normal(len(GRID)))
    return np.where(GRID < 1.06, r, np.nan)


def test_a_denser_pack_and_a_longer_hose_leave_nothing() -> None:
    for sound in (curve(1.15), curve(0.9, 60.0)):
        c = course(sound, USUAL, TIME)
        assert c is not None
        assert c.left < 2 and abs(c.step_size) < 0.05


@pytest.mark.parametrize("at", [0.2, 0.5, 0.8])
def test_a_restriction_is_a_jump_that_stays(at: float) -> None:
    c = course(curve(added=np.where(at < GRID, 500.0, 0.0)), USUAL, TIME)
    assert c is not None
    assert c.step_share == pytest.approx(at, abs=0.02)
    assert c.step_size == pytest.approx(500 / np.interp(at, GRID, USUAL), rel=0.15)
    assert c.step_gain > 0.85 > c.growth_gain
    assert c.jump > 5 * c.jump_sd


@pytest.mark.parametrize("efold", [40.0, 120.0])
def test_gel_grows_with_time_and_makes_no_jump(efold: float) -> None:
    since = np.maximum(TIME - np.interp(0.5, GRID, TIME), 0.0)
    c = course(curve(np.exp(since / efold)), USUAL, TIME)
    assert c is not None
    assert c.growth_gain > 0.9
    assert c.growth_s == pytest.approx(efold, rel=0.3)
    assert c.growth_share == pytest.approx(0.53, abs=0.07)
    assert c.jump < 4 * c.jump_sd or c.jump < 0.3 * c.step_size


def test_a_cover_that_lifts_drops_at_once_and_a_race_track_fades() -> None:
    lifted = course(curve(np.where(GRID > 0.45, 0.6, 1.0)), USUAL, TIME)
    raced = course(curve(1 - 0.4 * np.clip(GRID, 0, 1)), USUAL, TIME)
    assert lifted is not None and raced is not None
    assert lifted.drop_gain > lifted.fade_gain and lifted.drop_share == pytest.approx(0.45, abs=0.02)
    assert -lifted.drop_jump > 0.5 * abs(lifted.drop_size)
    assert raced.fade_gain > 0.8 and raced.late < raced.early - 0.1
    assert -raced.drop_jump < 0.5 * abs(raced.drop_size)


def test_slugs_spoil_their_points_not_the_shot() -> None:
    spoilt = curve()
    spoilt[[40, 41, 80, 110]] *= 0.2
    c = course(spoilt, USUAL, TIME)
    assert c is not None
    assert c.left < 3 and np.isnan(c.ratio[[40, 80, 110]]).all()


def test_a_short_curve_is_not_judged() -> None:
    assert course(np.where(GRID < 0.2, USUAL, np.nan), USUAL, TIME) is None
    assert np.isnan(level(np.where(GRID < 0.5, 1.0, np.nan)[None], *LATE)[0])
    assert level(np.full((1, len(GRID)), 1.2), *EARLY)[0] == pytest.approx(np.log(1.2))
