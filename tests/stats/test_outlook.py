"""The outlook: closed forms where there are any, calibration, no look ahead."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from catchpot.stats.outlook import Follower, Outlook


def test_quantiles_of_a_single_run_are_students() -> None:
    o = Outlook(np.ones(1), np.array([1.0]), np.array([0.2]), np.array([7.0]), 8)
    assert o.quantile(0.99) == pytest.approx(float(stats.t.ppf(0.99, 7, 1.0, 0.2)), abs=1e-6)
    assert o.chance_below(1.1) == pytest.approx(float(stats.t.cdf(1.1, 7, 1.0, 0.2)), abs=1e-9)
    assert o.moved(0.5).quantile(0.5) == pytest.approx(1.5, abs=1e-6)


def test_a_steady_series_is_met_by_its_mean_and_scatter() -> None:
    values = np.random.default_rng(0).normal(3.0, 0.02, 400)
    follower = Follower(0.05)
    for v in values:
        follower.take(float(v))
    o = follower.outlook()
    assert o.quantile(0.5) == pytest.approx(3.0, abs=0.006)
    assert o.quantile(0.99) - o.quantile(0.5) == pytest.approx(2.33 * 0.02, rel=0.2)


@pytest.mark.parametrize("kind", ["steady", "wandering", "trend"])
def test_what_was_said_with_99_percent_comes_true(kind: str) -> None:
    below = []
    for seed in range(12):
        rng = np.random.default_rng([seed, 5])
        y = rng.normal(0, 0.015, 60)
        if kind == "wandering":
            y += np.cumsum(rng.normal(0, 0.004, 60))
        if kind == "trend":
            y += 0.001 * np.arange(60)
        follower = Follower(0.015)
        for i, v in enumerate(y):
            if i >= 10:
                below.append(v <= follower.outlook().quantile(0.99))
            follower.take(float(v))
    assert 0.97 <= np.mean(below) <= 1.0


def test_an_outlook_does_not_know_what_comes() -> None:
    rng = np.random.default_rng(4)
    values = rng.normal(0, 1, 30)
    said = []
    for tail in (0.0, 50.0):
        follower = Follower(1.0)
        for v in values[:20]:
            follower.take(float(v))
        said.append(follower.outlook().quantile(0.9))
        follower.take(tail)
    assert said[0] == said[1]


def test_no_outlook_from_nothing() -> None:
    with pytest.raises(ValueError, match="no value"):
        Follower(1.0).outlook()


def test_a_step_is_followed_within_two_values_and_the_outlook_is_wide_just_after_it() -> None:
    """A step of three spreads: half-way believed after one value, nearly wholly after two, and calm again later."""
    level, width = [], []
    for seed in range(12):
        rng = np.random.default_rng([seed, 9])
        follower = Follower(0.015)
        values = np.r_[rng.normal(0, 0.015, 30), 0.06 + rng.normal(0, 0.015, 25)]
        levels, widths = [], []
        for i, v in enumerate(values):
            if i in (30, 31, 32, 54):
                o = follower.outlook()
                levels.append(o.quantile(0.5))
                widths.append(o.quantile(0.99) - o.quantile(0.5))
            follower.take(float(v))
        level.append(levels)
        width.append(widths)
    after, wide = np.mean(level, axis=0), np.mean(width, axis=0)
    assert after[2] > 0.03
    assert after[3] == pytest.approx(0.06, abs=0.005)
    assert wide[1] > 1.2 * wide[0]
    assert wide[3] < 1.25 * wide[0]


def test_a_step_that_is_known_to_be_likely_widens_the_outlook_and_is_believed_sooner() -> None:
    follower, warned = Follower(0.015), Follower(0.015)
    for v in np.random.default_rng(2).normal(0, 0.015, 20):
        follower.take(float(v))
        warned.take(float(v))
    assert warned.outlook(0.5, 0.03).quantile(0.99) > 1.2 * follower.outlook().quantile(0.99)
    follower.take(0.05)
    warned.take(0.05, 0.0, 0.5, 0.03)
    assert warned.outlook().quantile(0.5) > follower.outlook().quantile(0.5)
