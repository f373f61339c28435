"""The clamp's pressure and margin watched: drawn series whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest

from catchpot_vacuum.clamp_watch import Floats, margin, moved, which_end
from catchpot_vacuum.findings import beyond


def _ramp(rng: np.random.Generator, *, steady: int = 30, per_shot: float = 10.0, shots: int = 8) -> Floats:
    risen = 55 + per_shot * np.arange(1, shots + 1) + rng.normal(0, 3, shots)
    return np.concatenate([rng.normal(55, 3, steady), risen])


def test_a_ramp_is_found_within_five_shots_as_one_move() -> None:
    found = 0
    for seed in range(30):
        series = _ramp(np.random.default_rng(seed), shots=5)
        moves = moved(series)
        found += len(moves) == 1 and moves[0].after > 80
    assert found >= 28


def test_a_steady_clamp_is_left_alone() -> None:
    called = sum(bool(moved(np.random.default_rng(seed).normal(55, 4, 60))) for seed in range(200))
    assert called <= 4  # 2 %


def test_the_margin_beside_a_ramp_and_how_long_it_lasts() -> None:
    series = _ramp(np.random.default_rng(3), shots=10)
    (m,) = moved(series)
    force = 7000.0 - 40.0 * (series - 55.0)
    left = margin(force, m)
    assert left is not None
    assert left.usual == pytest.approx(7000.0, abs=100)
    assert left.lost == pytest.approx(40 * 90 / 7000, abs=0.08)
    assert left.shots_left == pytest.approx(left.now / 400.0, rel=0.25)
    assert margin(np.full(series.size, np.nan), m) is None


@pytest.mark.parametrize(("grown", "supply"), [(1.0, True), (1.1, True), (2.6, False), (4.0, False)])
def test_holds_tell_the_supply_from_the_seals(grown: float, supply: bool) -> None:
    right = 0
    for seed in range(50):
        rng = np.random.default_rng(seed)
        old, new = (0.1 * k * np.exp(rng.normal(0, 0.15, n)) for k, n in ((1.0, 12), (grown, 3)))
        ends = which_end((55.0, 140.0), old, new)
        assert ends.pump is not None
        right += (ends.pump > 0.5) == supply
    assert right >= 48  # 95 %


def test_without_a_hold_neither_end_is_blamed() -> None:
    assert which_end((55.0, 140.0), np.full(5, np.nan), np.array([0.1])).pump is None


def test_a_leak_likelier_than_not_beyond_its_limit_has_a_chance() -> None:
    wide = {"leak_mbar_l_s": 0.07, "leak_low_mbar_l_s": 0.003, "leak_high_mbar_l_s": 0.15}
    sure = {"leak_mbar_l_s": 0.40, "leak_low_mbar_l_s": 0.36, "leak_high_mbar_l_s": 0.44}
    chance = beyond(wide, 0.05)
    assert chance is not None and 0.5 < chance < 0.9
    assert (beyond(sure, 0.30) or 0.0) > 0.99
    assert beyond({**sure, "leak_high_mbar_l_s": None}, 0.3) is None
