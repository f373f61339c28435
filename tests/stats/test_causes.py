"""Changes between periods with their errors, and sets of causes."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from catchpot.stats.causes import Priors, difference, estimate, sets_of


def test_difference_of_means_and_its_error() -> None:
    rng = np.random.default_rng(2)
    held = 0
    for _ in range(300):
        after = np.arange(40) >= 20
        y = rng.normal(0, 1, (40, 2)) + np.outer(after, [1.0, 0.0])
        change, covariance, _ = difference(y, after)
        held += abs(change[0] - 1.0) <= 1.96 * np.sqrt(covariance[0, 0])
    assert 0.92 <= held / 300 <= 0.99


def test_common_scatter_shows_in_the_covariance() -> None:
    rng = np.random.default_rng(3)
    common = rng.normal(0, 1, 60)
    y = np.column_stack([common + rng.normal(0, 0.3, 60), -common + rng.normal(0, 0.3, 60)])
    _, covariance, _ = difference(y, np.arange(60) >= 30)
    assert covariance[0, 1] / np.sqrt(covariance[0, 0] * covariance[1, 1]) == pytest.approx(-0.85, abs=0.12)


def test_a_wild_shot_is_pulled_in_and_an_unknown_witness_is_nan() -> None:
    y = np.column_stack([np.tile([0.0, 1.0], 20), np.full(40, np.nan)]).astype(float)
    y[5, 0] = 500.0
    change, _, fewest = difference(y, np.arange(40) >= 20)
    assert abs(change[0]) < 0.5
    assert np.isnan(change[1])
    assert fewest[1] == 0


def test_sets_leave_out_what_is_impossible() -> None:
    sets = sets_of(4, 2, np.array([True, False, True, True]))
    assert not sets[0].any()
    assert not sets[:, 1].any()
    assert len(sets) == 1 + 3 + 3


def test_nothing_seen_leaves_the_prior_odds_below_a_half() -> None:
    priors = Priors(np.full(2, 0.01), np.full(2, 1.0), np.full(2, 0.1), np.zeros(2, bool))
    got = estimate(np.zeros(2), np.eye(2) * 0.01, [np.eye(2)], np.zeros((2, 2)), priors, 2)
    assert got.chance(0, 1) < 0.1
    seen = estimate(np.array([1.0, 0.0]), np.eye(2) * 0.01, [np.eye(2)], np.zeros((2, 2)), priors, 2)
    assert seen.chance(0) > 0.99
    assert seen.chance(1) < 0.1


def test_a_cause_that_can_only_add_is_not_found_where_something_is_missing() -> None:
    priors = Priors(np.full(1, 0.01), np.full(1, 1.0), np.full(1, 0.2), np.ones(1, bool))
    got = estimate(np.array([-1.0]), np.eye(1) * 0.25, [np.eye(1)], np.zeros((1, 1)), priors, 1)
    both = Priors(priors.quiet_sd, priors.active_sd, priors.chance, np.zeros(1, bool))
    assert got.chance(0) < estimate(np.array([-1.0]), np.eye(1) * 0.25, [np.eye(1)], np.zeros((1, 1)), both, 1).chance(
        0
    )


def test_a_witness_with_several_readings_is_their_mixture() -> None:
    """Weights of the sets under each reading, by scipy's densities, times the reading's own weight."""
    priors = Priors(np.full(2, 0.01), np.full(2, 1.0), np.array([0.1, 0.2]), np.zeros(2, bool))
    law, d, noise = np.array([[1.0, 1.0], [0.0, 1.0]]), np.array([0.8, 0.0]), np.diag([0.04, 0.0])
    readings = [(0.7, 0.02, np.log(0.8)), (0.1, 0.5, np.log(0.2))]
    got = estimate(d, noise, [law], np.zeros((2, 2)), priors, 2, None, readings)
    active = sets_of(2, 2)
    expected = []
    for value, variance, log_share in readings:
        for row in active:
            sd = np.where(row, priors.active_sd, priors.quiet_sd)
            total = np.diag([0.04, variance]) + law @ np.diag(sd**2) @ law.T
            chance = np.prod(np.where(row, priors.chance, 1 - priors.chance))
            density = multivariate_normal(np.zeros(2), total).pdf(np.array([0.8, value]))
            expected.append(density * chance * np.exp(log_share))
    assert got.weight == pytest.approx(np.array(expected) / np.sum(expected), rel=1e-9)
