"""Multiway PCA limits, T2 and the resin facts behind two faults, against values from outside the project.

Sources stand beside each check; CERT: published number reproduced from its data rows; MEM: form from memory.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from catchpot.stats import multiway, multiway_limits, shape

DATA = Path(__file__).parent / "data"
RESIDUAL = np.array([0.5, 0.3, 0.2, 0.1])


def holmes_mergen() -> np.ndarray:
    """56 samples of particle sizes (large, medium) (Holmes and Mergen 1993; rows from NIST's public MONTGOME.DAT)."""
    return pl.read_csv(DATA / "hotelling_holmes_mergen.csv").select("large", "medium").to_numpy()


def test_squared_residual_limit_jackson_mudholkar() -> None:
    """Jackson and Mudholkar 1979, Technometrics 21:341; four eigenvalues worked by hand (theta 1.1, 0.39, 0.161)."""
    assert multiway_limits.q_limit_jackson_mudholkar(RESIDUAL, 0.95) == pytest.approx(2.8717868512, rel=1e-8)
    assert multiway_limits.q_limit_jackson_mudholkar(RESIDUAL, 0.99) == pytest.approx(4.3749845292, rel=1e-8)


def test_squared_residual_limit_box() -> None:
    """Box 1954; g chi2(h) with g = theta2/theta1 = 0.354545, h = theta1^2/theta2 = 3.102564."""
    mean, variance = RESIDUAL.sum(), 2 * (RESIDUAL**2).sum()
    assert variance / (2 * mean) == pytest.approx(0.354545, rel=1e-5)
    assert 2 * mean**2 / variance == pytest.approx(3.102564, rel=1e-6)
    assert multiway_limits.q_limit_box(mean, variance, 0.95) == pytest.approx(2.833453, rel=1e-6)
    assert multiway_limits.q_limit_box(mean, variance, 0.99) == pytest.approx(4.095142, rel=1e-6)


def test_squared_residual_limit_from_moments() -> None:
    """Nomikos and MacGregor 1995, Technometrics 37:41: m = 2, v = 1.6 at 99 %."""
    assert multiway_limits.q_limit_box(2.0, 1.6, 0.99) == pytest.approx(6.034510, rel=1e-6)


def test_squared_residual_limits_against_simulation() -> None:
    """The truth by drawing: sum of eigenvalue x chi-square(1); at 99 % the first form is high, the second low."""
    rng = np.random.default_rng(0)
    drawn = (rng.standard_normal((1_000_000, 4)) ** 2) @ RESIDUAL
    true95, true99 = np.quantile(drawn, [0.95, 0.99])
    mean, variance = RESIDUAL.sum(), 2 * (RESIDUAL**2).sum()
    assert multiway_limits.q_limit_jackson_mudholkar(RESIDUAL, 0.95) == pytest.approx(true95, rel=0.02)
    assert multiway_limits.q_limit_box(mean, variance, 0.95) == pytest.approx(true95, rel=0.02)
    assert true99 < multiway_limits.q_limit_jackson_mudholkar(RESIDUAL, 0.99) < 1.05 * true99
    assert 0.96 * true99 < multiway_limits.q_limit_box(mean, variance, 0.99) < true99


def test_t2_limits_for_new_and_reference_shots() -> None:
    """Nomikos and MacGregor 1995: n = 50, three components, 99 %; chi-square would be 11.344867."""
    assert multiway_limits.t2_limit_new(50, 3, 0.99) == pytest.approx(13.48790231, rel=1e-8)
    assert multiway_limits.t2_limit_reference(50, 3, 0.99) == pytest.approx(10.39889733, rel=1e-8)
    assert multiway_limits.t2_limit_new(5000, 3, 0.99) == pytest.approx(11.344867, rel=0.01)


def test_hotelling_t2_of_particle_sizes() -> None:
    """Holmes and Mergen 1993: means, both covariances (CERT), T2 of sample 45; limits at 1 % from F and beta."""
    x = holmes_mergen()
    mean, usual, successive = x.mean(axis=0), np.cov(x.T), multiway_limits.successive_covariance(x)
    assert mean == pytest.approx([5.682, 88.22], abs=5e-3)
    assert [usual[0, 0], usual[0, 1], usual[1, 1]] == pytest.approx([3.770, -5.495, 13.53], abs=5e-3)
    assert [successive[0, 0], successive[0, 1], successive[1, 1]] == pytest.approx([1.562, -2.093, 6.721], abs=5e-3)
    assert multiway_limits.hotelling_t2(x, mean, successive)[44] == pytest.approx(17.66551, rel=1e-6)
    t2 = multiway_limits.hotelling_t2(x, mean, usual)
    assert int(np.argmax(t2)) == 25
    assert t2.max() == pytest.approx(9.225714, rel=1e-6)
    assert multiway_limits.t2_limit_reference(56, 2, 0.99) == pytest.approx(8.616833, rel=1e-6)
    assert multiway_limits.t2_limit_new(56, 2, 0.99) == pytest.approx(10.411056, rel=1e-6)


def test_components_equal_a_general_library() -> None:
    """Scores and T2 against scikit-learn's PCA and its empirical covariance's Mahalanobis distance."""
    from sklearn.covariance import EmpiricalCovariance
    from sklearn.decomposition import PCA

    rng = np.random.default_rng(5)
    x = rng.standard_normal((30, 3)) @ rng.standard_normal((3, 12)) + 0.1 * rng.standard_normal((30, 12))
    model = multiway.fit_multiway(x)
    z = (x - model.mean) / model.scale
    theirs = PCA(n_components=model.components, svd_solver="full").fit(z)
    t2, q, _ = model.judge(x)
    scores = theirs.transform(z)
    assert t2 == pytest.approx(np.sum(scores**2 / theirs.explained_variance_, axis=1), rel=1e-9)
    assert q == pytest.approx(np.sum((z - theirs.inverse_transform(scores)) ** 2, axis=1), rel=1e-9)
    distance = EmpiricalCovariance().fit(scores).mahalanobis(scores) * 29 / 30
    assert t2 == pytest.approx(distance, rel=1e-9)


def test_robust_band_against_a_general_library() -> None:
    """Centre of contaminated points near scikit-learn's minimum covariance determinant, far from the mean."""
    from sklearn.covariance import MinCovDet

    rng = np.random.default_rng(6)
    x = rng.normal([3.0, 8.0], 0.5, (60, 2))
    x[:12] += 10
    theirs = MinCovDet(random_state=0).fit(x)
    band = shape.robust_band(x)
    assert band.centre == pytest.approx(theirs.location_, abs=0.4)
    assert np.all(np.abs(x.mean(axis=0) - theirs.location_) > 1.5)
