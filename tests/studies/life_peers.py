"""Plain forecasts of when a rising series meets a limit, as benchmarks: what a general-purpose library gives.

Each takes ages, leaks (above zero) and the limit, and returns draws of the age at which its curve meets the limit, no
further than `FARTHEST` times the last age.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Peer = Callable[[Floats, Floats, float, np.random.Generator], Floats]
DRAWS = 400
FARTHEST = 10.0


def _first_meeting(ages: Floats, curves: Floats, limit: float) -> Floats:
    """Where each curve (draws, ages) first meets the limit."""
    over = curves >= limit
    at = np.where(over.any(axis=1), over.argmax(axis=1), len(ages) - 1)
    return np.asarray(ages[at])


def _line(age: Floats, y: Floats, limit: float, rng: np.random.Generator) -> Floats:
    """Least squares line; draws of its coefficients by the t law."""
    x = age / age[-1]
    design = np.column_stack([np.ones_like(x), x])
    inverse = np.linalg.inv(design.T @ design)
    fit = inverse @ design.T @ y
    free = max(len(y) - 2, 1)
    variance = float(((y - design @ fit) ** 2).sum()) / free
    scale = np.sqrt(variance * free / rng.chisquare(free, DRAWS))
    draws = fit + scale[:, None] * (rng.standard_normal((DRAWS, 2)) @ np.linalg.cholesky(inverse).T)
    with np.errstate(divide="ignore", invalid="ignore"):
        meets = np.where(draws[:, 1] > 0, (limit - draws[:, 0]) / draws[:, 1], FARTHEST)
    return np.asarray(age[-1] * np.clip(meets, 0.0, FARTHEST))


def straight_line(age: Floats, leak: Floats, limit: float, rng: np.random.Generator) -> Floats:
    """A straight line through the leaks."""
    return _line(age, leak, limit, rng)


def log_linear(age: Floats, leak: Floats, limit: float, rng: np.random.Generator) -> Floats:
    """A straight line through the leaks' logarithms."""
    return _line(age, np.log(leak), float(np.log(limit)), rng)


def bayesian_ridge(age: Floats, leak: Floats, limit: float, rng: np.random.Generator) -> Floats:
    """scikit-learn's Bayesian ridge on age, its square and its logarithm, of the leaks' logarithms."""
    from sklearn.linear_model import BayesianRidge

    def terms(x: Floats) -> Floats:
        return np.column_stack([x, x**2, np.log(np.maximum(x, 1e-3))])

    ages = np.linspace(0.0, FARTHEST, 800)[1:]
    model = BayesianRidge().fit(terms(age / age[-1]), np.log(leak))
    beta = rng.multivariate_normal(model.coef_, model.sigma_, DRAWS)
    centre = np.log(leak).mean() - terms(age / age[-1]).mean(axis=0) @ model.coef_
    curves = (
        centre
        + (beta - model.coef_) @ (terms(ages) - terms(age / age[-1]).mean(axis=0)).T
        + model.coef_ @ terms(ages).T
    )
    return np.asarray(age[-1] * _first_meeting(ages, curves, float(np.log(limit))))


def gaussian_process(age: Floats, leak: Floats, limit: float, rng: np.random.Generator) -> Floats:
    """scikit-learn's Gaussian process: linear and smooth part and noise, of the leaks' logarithms."""
    from sklearn.gaussian_process import GaussianProcessRegressor
    from sklearn.gaussian_process.kernels import RBF, ConstantKernel, DotProduct, WhiteKernel

    y = np.log(leak)
    mean, sd = float(y.mean()), max(float(y.std()), 1e-9)
    kernel = (
        ConstantKernel(1.0, (1e-2, 1e2)) * DotProduct(1.0, (1e-2, 1e1))
        + ConstantKernel(0.3, (1e-3, 1e1)) * RBF(0.7, (0.2, 5.0))
        + WhiteKernel(0.1, (1e-4, 2.0))
    )
    ages = np.linspace(0.0, FARTHEST, 250)[1:]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = GaussianProcessRegressor(kernel, random_state=0).fit((age / age[-1])[:, None], (y - mean) / sd)
        centre, covariance = model.predict(ages[:, None], return_cov=True)
    # The curve, not the next leak: the noise is taken off the diagonal.
    noise = float(np.exp(model.kernel_.theta[-1]))
    covariance = covariance - noise * np.eye(len(ages))
    root = np.linalg.cholesky(covariance + 1e-5 * float(covariance.diagonal().max()) * np.eye(len(ages)))
    curves = centre + rng.standard_normal((DRAWS, len(ages))) @ root.T
    return np.asarray(age[-1] * _first_meeting(ages, curves, (float(np.log(limit)) - mean) / sd))


PEERS: dict[str, Peer] = {
    "straight line": straight_line,
    "log-linear": log_linear,
    "Bayesian ridge": bayesian_ridge,
    "Gaussian process": gaussian_process,
}


def interval_score(low: float, high: float, truth: float, level: float = 0.8) -> float:
    """Width plus 2 / (1 - level) times the miss (T. Gneiting, A. E. Raftery 2007); the lower the better.

    >>> round(interval_score(1.0, 3.0, 4.0), 9)
    12.0
    """
    return high - low + 2 / (1 - level) * (max(low - truth, 0.0) + max(truth - high, 0.0))
