"""Batched least squares, robust weights and noise laws against plain computations and known truth."""

from __future__ import annotations

import numpy as np
import pytest

from catchpot.stats import regress
from catchpot.stats.regress import Array, NormalFit


def solved(sums: Array, prior: Array | float = 0.0) -> NormalFit:
    """One model with all its terms."""
    return regress.solve_branches(sums, prior, [()])[0]


def test_normal_equations_of_a_grid_agree_with_a_fit_of_each() -> None:
    rng = np.random.default_rng(1)
    batch, designs, points = 3, 4, 50
    varying = rng.normal(size=(batch, designs, 2, points))
    common = rng.normal(size=(batch, 2, points))
    weights = rng.uniform(0.5, 2.0, (batch, points))
    response = common[:, :1] * 2.0 - 1.0 + rng.normal(size=(batch, 1, points))
    sums = regress.gram(varying, np.concatenate([common, response], axis=1), weights)
    fit = solved(sums)
    for i in range(batch):
        for j in range(designs):
            design = np.concatenate([varying[i, j], common[i]]).T
            plain = regress.fit_linear(design, response[i, 0], weights[i])
            assert fit.coefficients[i, j] == pytest.approx(plain.coefficients, rel=1e-6)
            left = float(np.sum(weights[i] * plain.residuals**2))
            assert float(fit.left[i, j]) == pytest.approx(left, rel=1e-8)
            assert fit.variance[i, j] * left / (points - 4) == pytest.approx(np.diag(plain.covariance), rel=1e-6)


def test_models_that_share_their_first_terms_agree_with_each_alone() -> None:
    rng = np.random.default_rng(4)
    x, y = rng.normal(size=(2, 3, 4, 40)), rng.normal(size=(2, 1, 40))
    prior = np.array([0.0, 0.0, 2.0, 3.0])
    sums = regress.gram(x, y, np.ones((2, 40)))
    branches = [(), (2,), (3,), (2, 3)]
    for fit, branch in zip(regress.solve_branches(sums, prior, branches), branches, strict=True):
        there = [0, 1, *branch]
        alone = solved(sums[..., [*there, 4], :][..., [*there, 4]], prior[there])
        assert fit.coefficients[..., there] == pytest.approx(alone.coefficients, rel=1e-9)
        assert fit.variance[..., there] == pytest.approx(alone.variance, rel=1e-9)
        assert fit.log_pivots[..., there] == pytest.approx(alone.log_pivots, rel=1e-9)
        assert fit.left == pytest.approx(alone.left, rel=1e-9)
        absent = [k for k in (2, 3) if k not in branch]
        assert np.all(fit.coefficients[..., absent] == 0) and np.all(fit.log_pivots[..., absent] == 0)


def test_a_prior_is_a_measurement_of_nought() -> None:
    """By hand: y = 4 measured twice, prior precision 2 about nought: (4 + 4) / (2 + 2) = 2, and 2 * 4 + 2 * 4 left."""
    column, y = np.ones((1, 1, 1, 2)), np.full((1, 1, 2), 4.0)
    fit = solved(regress.gram(column, y, np.ones((1, 2))), np.array([2.0]))
    assert float(fit.coefficients[0, 0, 0]) == pytest.approx(2.0)
    assert float(fit.left[0, 0]) == pytest.approx(2 * 2.0**2 + 2 * 2.0**2)


def test_pivots_give_the_determinant() -> None:
    rng = np.random.default_rng(2)
    x = rng.normal(size=(1, 1, 3, 30))
    sums = regress.gram(x, np.zeros((1, 1, 30)), np.ones((1, 30)))
    fit = solved(sums)
    _, log_determinant = np.linalg.slogdet(sums[0, 0, :3, :3])
    assert float(fit.log_pivots.sum()) == pytest.approx(float(log_determinant), rel=1e-9)


def test_a_weight_of_nought_leaves_a_point_out() -> None:
    x = np.stack([np.ones(5), np.arange(5.0)], axis=1)
    y = np.array([1.0, 3.0, 5.0, 7.0, 1e6])
    fit = regress.fit_linear(x, y, np.array([1.0, 1, 1, 1, 0]))
    assert fit.coefficients == pytest.approx([1.0, 2.0])


@pytest.mark.parametrize("rho", [0.0, 0.5, 0.8, -0.4])
def test_long_run_factor_of_autoregressive_noise(rho: float) -> None:
    """Theory: the mean of AR(1) noise scatters (1 + rho) / (1 - rho) times as much as independent noise."""
    rng = np.random.default_rng(3)
    groups, length = 40, 800
    noise = rng.normal(size=(groups, length))
    for i in range(1, length):
        noise[:, i] += rho * noise[:, i - 1]
    factor = regress.long_run_factor(noise.reshape(-1), np.repeat(np.arange(groups), length), groups, 60)
    assert float(np.median(factor)) == pytest.approx(max((1 + rho) / (1 - rho), 0.25), rel=0.2)


@pytest.mark.parametrize(("constant", "proportional"), [(4.0, 0.012), (10.0, 0.0), (0.0, 0.03)])
def test_two_part_noise_is_told_apart(constant: float, proportional: float) -> None:
    rng = np.random.default_rng(4)
    size = rng.uniform(50, 900, 200_000)
    residual = rng.normal(size=size.size) * np.hypot(constant, proportional * size)
    a, b = regress.two_part_noise(residual**2, size**2, np.zeros(size.size, dtype=np.intp), 1)
    assert np.sqrt(a[0]) == pytest.approx(constant, abs=1.5)
    assert np.sqrt(b[0]) == pytest.approx(proportional, abs=0.003)


def test_two_part_noise_where_all_sizes_are_one() -> None:
    """Under constant pressure the parts can't be told apart; together they must still be the noise there is."""
    rng = np.random.default_rng(5)
    residual = rng.normal(size=5000) * 7.0
    a, b = regress.two_part_noise(residual**2, np.full(5000, 800.0**2), np.zeros(5000, dtype=np.intp), 1)
    assert np.sqrt(a[0] + b[0] * 800.0**2) == pytest.approx(7.0, rel=0.05)


def test_quantiles_of_a_tabulated_normal() -> None:
    grid = np.linspace(-6, 6, 601)[None, :]
    found = regress.grid_quantiles(grid, np.exp(-0.5 * grid**2), [0.025, 0.5, 0.975])
    assert found[0] == pytest.approx([-1.95996, 0.0, 1.95996], abs=1e-3)
