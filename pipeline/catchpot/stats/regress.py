"""Linear least squares for many series at once: weighted, robust, with the noise learnt from the series themselves.

Arrays carry their batch axes first: `(..., points)` for a column, `(..., points, terms)` for a design.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.intp]


@dataclass(frozen=True)
class LinearFit:
    """A fitted line, plane, ...: coefficients (..., terms), their covariance, residual s.d. (...) and residuals."""

    coefficients: Array
    covariance: Array
    residual_sd: Array
    residuals: Array

    @property
    def standard_errors(self) -> Array:
        """Standard errors of the coefficients, (..., terms)."""
        return np.sqrt(np.diagonal(self.covariance, axis1=-2, axis2=-1))


def fit_linear(design: ArrayLike, y: ArrayLike, weights: ArrayLike | None = None) -> LinearFit:
    """Weighted least squares through a QR decomposition of the scaled design; for ill-conditioned designs too.

    design: (..., points, terms). y, weights: (..., points); a weight of nought leaves a point out. The residual s.d.
    is that of a point of weight one, on (points with weight) - terms degrees of freedom.

    >>> fit = fit_linear([[1.0, 0.0], [1.0, 1.0], [1.0, 2.0]], [1.0, 3.0, 5.0])
    >>> [round(float(c), 9) for c in fit.coefficients]
    [1.0, 2.0]
    """
    X, Y = np.asarray(design, dtype=float), np.asarray(y, dtype=float)
    w = np.ones_like(Y) if weights is None else np.broadcast_to(np.asarray(weights, dtype=float), Y.shape)
    root = np.sqrt(w)
    scaled = X * root[..., None]
    size = np.sqrt(np.sum(scaled**2, axis=-2, keepdims=True))
    size = np.where(size > 0, size, 1.0)
    q, r = np.linalg.qr(scaled / size)
    z = np.einsum("...pt,...p->...t", q, Y * root)
    inverse = np.linalg.inv(r)
    beta = np.einsum("...tu,...u->...t", inverse, z)
    # one step of refinement wins back the digits that a nearly collinear design costs
    residual = Y * root - np.einsum("...pt,...t->...p", scaled / size, beta)
    beta = beta + np.einsum("...tu,...u->...t", inverse, np.einsum("...pt,...p->...t", q, residual))
    beta = beta / size[..., 0, :]
    residuals = Y - np.einsum("...pt,...t->...p", X, beta)
    freedom = np.sum(w > 0, axis=-1) - X.shape[-1]
    with np.errstate(invalid="ignore", divide="ignore"):
        variance = np.sum(w * residuals**2, axis=-1) / np.where(freedom > 0, freedom, np.nan)
    unscaled = np.einsum("...tu,...vu->...tv", inverse, inverse)
    unscaled = unscaled / (size[..., 0, :, None] * size[..., 0, None, :])
    return LinearFit(beta, unscaled * variance[..., None, None], np.sqrt(variance), residuals)


def gram(varying: Array, common: Array, weights: Array) -> Array:
    """Weighted sums of products for designs that share some of their columns.

    varying: (batch, designs, v, points), the columns in which a batch's designs differ. common: (batch, c, points),
    those they share. weights: (batch, points). Returns (batch, designs, v + c, v + c), varying columns first.
    """
    batch, designs, v, points = varying.shape
    c = common.shape[1]
    root = np.sqrt(weights)
    scaled = varying * root[:, None, None, :]
    shared = common * root[:, None, :]
    out = np.empty((batch, designs, v + c, v + c))
    np.matmul(scaled, scaled.swapaxes(-1, -2), out=out[..., :v, :v])
    crossed = scaled.reshape(batch, designs * v, points) @ shared.swapaxes(-1, -2)
    out[..., :v, v:] = crossed.reshape(batch, designs, v, c)
    out[..., v:, :v] = out[..., :v, v:].swapaxes(-1, -2)
    out[..., v:, v:] = (shared @ shared.swapaxes(-1, -2))[:, None]
    return out


@dataclass(frozen=True)
class NormalFit:
    """Solution of normal equations.

    coefficients: (..., terms). variance: diagonal of the inverse of the normal matrix, prior included, (..., terms).
    left: sum of squares left, the prior's share included. log_pivots: (..., terms), logarithms of the pivots; the sum
    over the last few terms is the log determinant of their normal matrix after the first ones have been fitted. Terms
    that are left out are nought in all of them.
    """

    coefficients: Array
    variance: Array
    left: Array
    log_pivots: Array


def solve_branches(sums: Array, prior: ArrayLike, branches: Sequence[tuple[int, ...]]) -> list[NormalFit]:
    """Least squares from the sums that `gram` makes, for several models at once that share their first terms.

    sums: (..., terms + 1, terms + 1), symmetric; the last column is the response. prior: (..., terms) or scalar,
    precision of a Gaussian prior about nought for each coefficient (0: free).
    branches: for each model the terms it has beyond those that no branch names, by number. Each is added by one more
    sweep (Beaton 1964; Goodnight 1979, The American Statistician 33:149) over the upper triangle, spelt out over the
    few terms because the batch is long.
    """
    terms = sums.shape[-1] - 1
    batch = sums.shape[:-2]
    shared = [k for k in range(terms) if not any(k in b for b in branches)]
    work = np.array(np.moveaxis(sums.reshape(-1, terms + 1, terms + 1), 0, -1), order="C")
    added = np.broadcast_to(np.asarray(prior, dtype=float), (*batch, terms)).reshape(-1, terms).T
    diagonal = np.arange(terms)
    work[diagonal, diagonal] += added
    scale = np.sqrt(np.maximum(work[diagonal, diagonal], 1e-300))
    scale = np.concatenate([scale, np.ones_like(scale[:1])])
    work /= scale[:, None]
    work /= scale[None]
    # a column that its fellows already span gets no weight of its own instead of an infinite one
    work[diagonal, diagonal] += 1e-12
    pivots = np.ones((terms, work.shape[-1]))
    for k in shared:
        _sweep(work, pivots, k)
    out = []
    for i, branch in enumerate(branches):
        # the last branch may spoil what all of them share
        own, logs = (work, pivots) if i == len(branches) - 1 or not branch else (work.copy(), pivots.copy())
        for k in branch:
            _sweep(own, logs, k)
        there = [*shared, *branch]
        beta, variance, log_pivots = (np.zeros((terms, work.shape[-1])) for _ in range(3))
        beta[there] = own[there, terms] / scale[there]
        variance[there] = -own[there, there] / scale[there] ** 2
        log_pivots[there] = np.log(np.maximum(logs[there], 1e-300)) + 2.0 * np.log(scale[there])
        shape = (*batch, terms)
        out.append(
            NormalFit(beta.T.reshape(shape), variance.T.reshape(shape), own[terms, terms].reshape(batch).copy(),
                      log_pivots.T.reshape(shape))
        )  # fmt: skip
    return out


def _sweep(work: Array, pivots: Array, k: int) -> None:
    """Sweep term k in place; work: (terms + 1, terms + 1, batch), its upper triangle."""
    column = np.concatenate([work[:k, k], work[k, k:]])
    pivot = column[k].copy()
    row = column / pivot
    pivots[k] = pivot
    for i in range(len(column)):
        if i != k:
            work[i, i:] -= column[i] * row[i:]
    work[:k, k], work[k, k:] = row[:k], row[k:]
    work[k, k] = -1.0 / pivot


def huber_weights(standardised: Array, bend: float = 2.5) -> Array:
    """Weights that let residuals beyond `bend` standard deviations count in proportion, not squared (Huber 1964).

    >>> huber_weights(np.array([0.5, -5.0])).tolist()
    [1.0, 0.5]
    """
    size = np.abs(standardised)
    return np.where(size <= bend, 1.0, bend / np.maximum(size, 1e-300))


def long_run_factor(residuals: Array, group: Ints, groups: int, longest_lag: int) -> Array:
    """How much more the mean of serially correlated noise scatters than independent noise would: 1 + 2 sum of rho.

    residuals: (rows,), standardised, in time order within each group. group: (rows,), ascending. Bartlett's window
    over lags (Newey and West 1987); the first lag at which the correlation is no longer distinguishable from nought
    ends the sum, so that white noise is not charged for the noise of its correlogram. At least 1/4, at most 50.
    """
    power = np.bincount(group, residuals**2, groups)
    count = np.bincount(group, minlength=groups).astype(float)
    total = np.zeros(groups)
    alive = count > 8
    threshold = 2.0 / np.sqrt(np.maximum(count, 1.0))
    for lag in range(1, longest_lag + 1):
        same = group[lag:] == group[:-lag]
        product = np.bincount(group[lag:][same], (residuals[lag:] * residuals[:-lag])[same], groups)
        rho = product / np.maximum(power, 1e-300) * count / np.maximum(count - lag, 1.0)
        alive &= np.abs(rho) > threshold
        if not alive.any():
            break
        total += np.where(alive, rho, 0.0)
    return np.asarray(np.clip(1.0 + 2.0 * total, 0.25, 50.0), dtype=float)


def two_part_noise(squares: Array, size_squared: Array, group: Ints, groups: int) -> tuple[Array, Array]:
    """Noise as the sum of a constant and a proportional part: least squares of squared residuals on [1, size^2].

    Each returned shape (groups,): variance of the constant part, and variance of the proportional part's factor.
    Neither is negative; where one would be, the other carries all.
    """

    def total(values: Array) -> Array:
        return np.asarray(np.bincount(group, values, groups), dtype=float)

    # squared residuals scatter in proportion to what they estimate: weigh by the inverse square of a first guess
    n = np.maximum(np.bincount(group, minlength=groups).astype(float), 1.0)
    mean_size, mean_square = total(size_squared) / n, total(squares) / n
    guess = mean_square[group] * 0.5 * (1.0 + size_squared / np.maximum(mean_size, 1e-300)[group])
    w = 1.0 / np.maximum(guess, 1e-300) ** 2
    s0, s1, s2 = total(w), total(w * size_squared), total(w * size_squared**2)
    t0, t1 = total(w * squares), total(w * squares * size_squared)
    determinant = s0 * s2 - s1**2
    sound = determinant > 1e-9 * s0 * s2
    safe = np.where(sound, determinant, 1.0)
    constant, proportional = (s2 * t0 - s1 * t1) / safe, (s0 * t1 - s1 * t0) / safe
    all_proportional = t1 / np.maximum(s2, 1e-300)
    all_constant = t0 / np.maximum(s0, 1e-300)
    only_p = ~sound | (constant < 0)
    only_c = sound & (proportional < 0)
    constant = np.where(only_p, 0.0, np.where(only_c, all_constant, constant))
    proportional = np.where(only_p, all_proportional, np.where(only_c, 0.0, proportional))
    return constant, proportional


def shortest_interval(grid: Array, density: Array, mass: float, points: int = 801) -> tuple[Array, Array]:
    """Ends of the shortest set that holds a share of a tabulated density, gaps filled.

    grid, density: (batch, points), grid ascending and even. The logarithm is interpolated, since a narrow peak may
    stand on few points. A second hump is taken in when what lies outside the first holds more than 1 - mass.

    >>> grid = np.linspace(-6.0, 6.0, 61)[None, :]
    >>> [round(float(end[0]), 1) for end in shortest_interval(grid, np.exp(-0.5 * grid**2), 0.95)]
    [-2.0, 2.0]
    """
    at = np.linspace(0.0, grid.shape[1] - 1.0, points)
    low = np.minimum(at.astype(np.intp), grid.shape[1] - 2)
    part = at - low
    log = np.log(np.maximum(density, 1e-300))
    fine = np.exp(log[:, low] * (1 - part) + log[:, low + 1] * part)
    order = np.argsort(-fine, axis=1)
    ranked = np.cumsum(np.take_along_axis(fine, order, axis=1), axis=1)
    needed = np.sum(ranked < mass * ranked[:, -1:], axis=1)
    least = np.take_along_axis(fine, np.take_along_axis(order, needed[:, None], axis=1), axis=1)
    within = fine >= least
    first, last = np.argmax(within, axis=1), points - 1 - np.argmax(within[:, ::-1], axis=1)
    step = (grid[:, -1] - grid[:, 0]) / (points - 1)
    return grid[:, 0] + step * first, grid[:, 0] + step * last


def grid_quantiles(grid: Array, density: Array, probabilities: Sequence[float]) -> Array:
    """Quantiles of a density tabulated on a grid: the cumulative trapezoid, inverted by interpolation.

    grid, density: (batch, points), grid ascending. Returns (batch, probabilities).

    >>> grid_quantiles(np.array([[0.0, 1.0, 2.0]]), np.array([[1.0, 1.0, 1.0]]), [0.25]).tolist()
    [[0.5]]
    """
    step = np.diff(grid, axis=-1) * (density[..., 1:] + density[..., :-1]) / 2
    sums = np.concatenate([np.zeros((*grid.shape[:-1], 1)), np.cumsum(step, axis=-1)], axis=-1)
    sums = sums / np.maximum(sums[..., -1:], 1e-300)
    out = np.empty((*grid.shape[:-1], len(probabilities)))
    for row in np.ndindex(grid.shape[:-1]):
        out[row] = np.interp(probabilities, sums[row], grid[row])
    return out
