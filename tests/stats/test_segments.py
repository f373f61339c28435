"""The detector of changes: exact search, correlation kept, what lies beside, edges."""

from __future__ import annotations

import numpy as np
import pytest

from catchpot.stats.changepoint import find_changes, limit_for
from catchpot.stats.segments import Costs, Least, costs, cut_series, design_of
from catchpot.stats.simulate_limits import steady_series
from catchpot.stats.wild_shots import clip_lone_shots


@pytest.mark.parametrize("rho", [0.0, 0.6])
def test_costs_of_stretches_against_least_squares(rho: float) -> None:
    # Against numpy's least squares on the whitened rows of one stretch.
    y = np.random.default_rng(1).normal(size=30).cumsum()
    c = costs(y, rho, Least())
    for first, last in ((0, 30), (3, 29), (5, 30)):
        part, order = y[first:last], np.arange(last - first, dtype=float)
        rows = np.column_stack([part, np.ones(part.size), order])
        white = rows.copy()
        white[1:] -= rho * rows[:-1]
        white[0] *= np.sqrt(1 - rho**2)
        for columns, got in ((white[:, 1:2], c.level), (white[:, 1:], c.slope)):
            rest = white[:, 0] - columns @ np.linalg.lstsq(columns, white[:, 0], rcond=None)[0]
            assert got[first, last] == pytest.approx(float(rest @ rest), rel=1e-9)


def test_the_search_against_exact_search_of_ruptures() -> None:
    # General-purpose library: the same places for a stated number of steps in white noise.
    import ruptures

    rng = np.random.default_rng(2)
    for _ in range(10):
        y = rng.normal(size=90) + 5.0 * (np.arange(90) >= 31) - 4.0 * (np.arange(90) >= 60)
        cut = cut_series(y, 15.0, None, Least(ramp=91))
        found = ruptures.Dynp(model="l2", min_size=5, jump=1).fit(y).predict(n_bkps=len(cut.starts) - 1)[:-1]
        assert list(cut.starts[1:]) == found
        assert len(found) == 2


def test_correlation_is_kept_across_a_change() -> None:
    rng = np.random.default_rng(3)
    rhos = []
    for _ in range(10):
        y = steady_series(rng, 160, 0.6) + 6.0 * (np.arange(160) >= 80)
        found = find_changes(y)
        assert [abs(c.at - 80) <= 2 for c in found] == [True]
        rhos.append(found[0].rho)
    assert np.mean(rhos) == pytest.approx(0.6, abs=0.15)


@pytest.mark.parametrize("alike", [0.0, 0.3, 0.6])
def test_steady_histories_are_seldom_called(alike: float) -> None:
    # A slice of the study: one measure of a set of nine; 0.44 % of 300 is 1.3 expected, 6 or more once in 500.
    rng = np.random.default_rng(round(10 * alike))
    calls = sum(bool(find_changes(steady_series(rng, 60, alike), None, limit_for(9))) for _ in range(300))
    assert calls <= 6


def test_a_trend_is_one_trend_and_not_stairs() -> None:
    rng = np.random.default_rng(5)
    for _ in range(10):
        found = find_changes(rng.normal(size=120) + 0.08 * np.arange(120))
        assert [c.kind for c in found] == ["trend"]
        assert found[0].per_shot_low <= 0.08 <= found[0].per_shot_high or abs(found[0].per_shot - 0.08) < 0.02


def test_what_lies_beside_is_no_change() -> None:
    rng = np.random.default_rng(6)
    season = 4 * np.sin(np.arange(120) / 20)
    batch = (np.arange(120) >= 60).astype(float)
    y = rng.normal(size=120) + season + 3.0 * batch
    assert find_changes(y, np.column_stack([season, batch])) == []
    found = find_changes(y, season[:, None])
    assert [abs(c.at - 60) <= 2 for c in found] == [True]


def test_a_step_is_dated_with_its_interval_and_seen_after_it() -> None:
    rng = np.random.default_rng(7)
    held = []
    for _ in range(60):
        found = find_changes(rng.normal(size=80) + 2.0 * (np.arange(80) >= 40))
        assert found
        held.append(found[0].at_low <= 40 <= found[0].at_high)
        if found[0].kind == "step":
            assert found[0].at_low + 4 <= found[0].seen_at < 80
    assert np.mean(held) >= 0.85


@pytest.mark.parametrize(
    "values",
    [
        np.empty(0),
        np.ones(1),
        np.array([1.0, 2.0]),
        np.full(60, 3.3),
        np.r_[np.nan, np.ones(40)],
        np.tile([1.0, 2.0], 30),
    ],
)
def test_edges_give_no_change(values: np.ndarray) -> None:
    assert find_changes(values) == []


def test_ties_with_a_step_are_found() -> None:
    assert [c.at for c in find_changes(np.r_[np.tile([1.0, 2.0, 1.0], 12), np.tile([6.0, 7.0, 6.0], 10)])] == [36]


def test_lone_shots_are_clipped_and_steps_are_not() -> None:
    rng = np.random.default_rng(8)
    y = rng.normal(size=80) + 8.0 * (np.arange(80) >= 40)
    y[20] = 60.0
    clipped = clip_lone_shots(y)
    assert clipped[20] < 8.0
    assert np.array_equal(clipped[36:46], y[36:46])


def test_design_of_stretches() -> None:
    assert design_of(4, (0, 2), (False, True)).tolist() == [[1, 0, 0], [1, 0, 0], [0, 1, 0], [0, 1, 1]]
    assert isinstance(costs(np.arange(6.0), 0.0, Least(end=1, within=1)), Costs)
