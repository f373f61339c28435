"""Limits of a multiway PCA of curves: Hotelling's T2 and the squared residual, for shots new and old."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def hotelling_t2(x: ArrayLike, mean: ArrayLike, covariance: ArrayLike) -> Floats:
    """Hotelling's T2 of each row of x: (x - mean)' S^-1 (x - mean).

    >>> hotelling_t2([[2.0, 0.0]], [0.0, 0.0], [[4.0, 0.0], [0.0, 1.0]]).tolist()
    [1.0]
    """
    d = np.atleast_2d(np.asarray(x, dtype=np.float64)) - np.asarray(mean, dtype=np.float64)
    solved = np.linalg.solve(np.asarray(covariance, dtype=np.float64), d.T).T
    return np.asarray(np.einsum("ij,ij->i", d, solved))


def successive_covariance(x: ArrayLike) -> Floats:
    """Covariance from successive differences, D'D / 2(n - 1): blind to steps and drifts (Holmes and Mergen 1993)."""
    d = np.diff(np.asarray(x, dtype=np.float64), axis=0)
    return np.asarray(d.T @ d / (2 * d.shape[0]))


def t2_limit_new(n: int, components: int, chance: float) -> float:
    """T2 a new healthy shot stays below with that chance: A(n^2 - 1)/(n(n - A)) F(A, n - A).

    n: reference shots, components: A < n. (Nomikos and MacGregor 1995, Technometrics 37:41.)
    """
    from scipy import special

    a = components
    if not 0 < a < n:
        raise ValueError(f"T2 needs more reference shots than components, not {n} and {a}")
    return float(a * (n * n - 1) / (n * (n - a)) * special.fdtri(a, n - a, chance))


def t2_limit_reference(n: int, components: int, chance: float) -> float:
    """T2 one of the reference shots themselves stays below: (n - 1)^2/n Beta(A/2, (n - A - 1)/2).

    Lower than for a new shot (by 30 % at 50 shots and 3 components): a reference shot pulls the model to itself.
    """
    from scipy import special

    if not 0 < components < n - 1:
        raise ValueError(f"T2 needs more reference shots than components, not {n} and {components}")
    return float((n - 1) ** 2 / n * special.betaincinv(components / 2, (n - components - 1) / 2, chance))


def q_limit_jackson_mudholkar(residual_eigenvalues: ArrayLike, chance: float) -> float:
    """Limit of the squared residual from the eigenvalues left out of the model.

    theta1 [1 + z sqrt(2 theta2 h0^2)/theta1 + theta2 h0 (h0 - 1)/theta1^2]^(1/h0), with
    h0 = 1 - 2 theta1 theta3/(3 theta2^2)
    (Jackson and Mudholkar 1979, Technometrics 21:341). About 4 % high at 99 % for few unlike eigenvalues.
    """
    from scipy import special

    ev = np.asarray(residual_eigenvalues, dtype=np.float64)
    t1, t2, t3 = (float((ev**k).sum()) for k in (1, 2, 3))
    if t1 <= 0 or t2 <= 0:
        return 0.0
    h0 = 1 - 2 * t1 * t3 / (3 * t2**2)
    if abs(h0) < 1e-9:
        h0 = 1e-9
    z = float(special.ndtri(chance))
    base = 1 + z * np.sqrt(2 * t2 * h0**2) / t1 + t2 * h0 * (h0 - 1) / t1**2
    return float(t1 * max(base, 0.0) ** (1 / h0))


def q_limit_box(mean: float, variance: float, chance: float) -> float:
    """Limit of the squared residual as a scaled chi-square, g chi2(h) with g = v/2m and h = 2m^2/v.

    mean, variance: of the squared residual over healthy shots; from eigenvalues m = theta1, v = 2 theta2 (Box 1954).
    About 3 % low at 99 % for few unlike eigenvalues.
    """
    from scipy import special

    if mean <= 0:
        return 0.0
    if variance <= 0:
        return mean
    return float(variance / (2 * mean) * special.chdtri(2 * mean**2 / variance, 1 - chance))


def q_limit_of_sample(values: Floats, chance: float) -> Floats:
    """Box's limit with mean and variance at the upper end (80 %) of what each sample, along the last axis, leaves open.

    The variance is never quite nought: a sample of one value over and over keeps that value as its limit.
    """
    from scipy import special

    n = values.shape[-1]
    variance = values.var(axis=-1, ddof=1) * (n - 1) / float(special.chdtri(n - 1, 0.8))
    mean = values.mean(axis=-1) + 0.84 * np.sqrt(variance / n)
    safe = np.maximum(variance, 1e-12 * np.maximum(mean, 1e-300) ** 2)
    top = safe / (2 * np.maximum(mean, 1e-300)) * special.chdtri(2 * mean**2 / safe, 1 - chance)
    return np.asarray(np.where(mean > 0, np.where(variance > 0, top, mean), 0.0))


__all__ = [
    "hotelling_t2",
    "q_limit_box",
    "q_limit_jackson_mudholkar",
    "q_limit_of_sample",
    "successive_covariance",
    "t2_limit_new",
    "t2_limit_reference",
]
