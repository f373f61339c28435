"""The mean of values some of which are only known to lie above a bound, against a general-purpose optimiser."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize
from scipy.stats import norm, truncnorm

from catchpot.stats.censored import above, censored_mean


def _drawn(seed: int, mean: float, n: int = 40) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    values, bound = rng.normal(mean, 1.0, n), rng.normal(0.0, 0.3, n)
    return values[values < bound], bound[values >= bound]


def test_moments_above_a_bound_are_scipys() -> None:
    a = np.array([-3.0, 0.0, 1.5])
    mean, variance = above(a)
    assert mean == pytest.approx(truncnorm.mean(a, np.inf), abs=1e-9)
    assert variance == pytest.approx(truncnorm.var(a, np.inf), abs=1e-9)


def test_the_mean_is_the_likelihoods_maximum() -> None:
    """scipy.optimize on minus the log likelihood: densities of the values seen, tails of the others."""
    seen, bound = _drawn(1, 0.6)
    got = censored_mean(seen, bound, 1.0)

    def cost(m: float) -> float:
        return -float(norm.logpdf(seen, m).sum() + norm.logsf(bound, m).sum())

    found = optimize.minimize_scalar(cost, bounds=(-3, 5), method="bounded", options={"xatol": 1e-9})
    assert got.mean == pytest.approx(found.x, abs=1e-4)
    everything = np.concatenate([seen, got.stand_in])
    assert everything.mean() == pytest.approx(got.mean, abs=1e-9)
    # the s.d. by the curvature at the maximum: plain part and what is added to it
    h = 1e-3
    curvature = (cost(got.mean + h) - 2 * cost(got.mean) + cost(got.mean - h)) / h**2
    assert np.hypot(got.sd, 1 / np.sqrt(len(everything))) == pytest.approx(curvature**-0.5, rel=0.02)


def test_with_most_values_late_the_interval_still_holds() -> None:
    held = []
    for seed in range(200):
        seen, bound = _drawn(seed, 1.0)
        if not len(seen):
            continue
        got = censored_mean(seen, bound, 1.0)
        held.append(abs(got.mean - 1.0) < 1.96 * np.hypot(got.sd, 40**-0.5))
    assert 0.90 <= np.mean(held) <= 0.99


def test_bounds_far_below_move_nothing() -> None:
    seen = np.random.default_rng(2).normal(0.0, 1.0, 20)
    got = censored_mean(seen, np.full(5, -9.0), 1.0)
    assert got.mean == pytest.approx(seen.mean(), abs=1e-4)
