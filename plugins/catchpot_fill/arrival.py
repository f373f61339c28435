"""Likelihood of an arrival volume: where the resistance stops growing, because resin has arrived at the vent.

Model, per volume bin:  dp = Q mu_line r  +  (1/K) Q mu_bed G(x)  [+ Q mu_bed c hose]  +  offset  +  noise,
x = (V - runner) / (Va - runner), G from the lane families of `physics.lanes`, so that the mould is full, or the first
of its lanes is, at Va. For every Va and spread of the lanes on a grid the rest is linear; what remains of the sum of
squares, with the price of the terms that carry a prior, is the likelihood.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from catchpot.physics.darcy import position_share
from catchpot.physics.lanes import NODES_PER_ARRIVAL, SHAPES, Family
from catchpot.stats.regress import gram, solve_normal

Array = NDArray[np.float64]

LINE, BED, HOSE = 0, 1, 2
KEPT = 3


@dataclass(frozen=True)
class Bins:
    """Shots on volume bins; every array (shots, bins) but where said. SI, volumes in litres.

    n: samples (0: empty bin, or nothing usable in it), less where outlying. vol_l: metered volume. line, bed: mean of
    flow x viscosity in the line and in the bed. dp: mean driving pressure. variance: of one sample's noise in dp.
    runner_l, hose_l, head_pa, scale, taper, offset_pa: (shots,), volume before the bed, of the vent hose, weight of
    the resin column up to the vent, L / (w0 h), width ratio, prior s.d. of an error common to all pressures.
    """

    n: Array
    vol_l: Array
    line: Array
    bed: Array
    dp: Array
    variance: Array
    runner_l: Array
    hose_l: Array
    head_pa: Array
    scale: Array
    taper: Array
    offset_pa: Array

    def part(self, index: slice | NDArray[np.intp] | NDArray[np.bool_]) -> Bins:
        """Some of the shots."""
        return Bins(**{k: v[index] for k, v in vars(self).items()})


@dataclass(frozen=True)
class Profile:
    """On a grid (shots, volumes): minus twice the log likelihood, terms (line, 1/K, hose) and their covariance."""

    deviance: Array
    terms: Array
    covariance: Array


def _look_up(table: Array, low: NDArray[np.intp], part: Array) -> Array:
    first = table[low]
    return np.asarray(first + part * (table[low + 1] - first))


def profile(bins: Bins, volumes_l: Array, family: Family, mobility_scale: Array | None) -> Profile:
    """Fit the linear terms at every arrival volume, for shots of one channel and one family of lanes.

    volumes_l: (shots, volumes). mobility_scale: (shots,), a first guess of 1/K, which sets how far the family's shapes
    may bend the curve; None for the straight front.
    """
    weights = np.where(bins.n > 0, bins.n / bins.variance, 0.0)[:, None, :]
    runner = bins.runner_l[:, None]
    share = (bins.vol_l - runner)[:, None, :] / np.maximum(volumes_l - runner, 1e-9)[:, :, None]
    node = np.clip(share * NODES_PER_ARRIVAL, 0.0, len(family.mean) - 1.001)
    low = node.astype(np.intp)
    part = node - low
    response: Array = bins.dp[:, None, :]
    if np.any(bins.head_pa != 0):
        along = position_share(np.clip(share, 0.0, 1.0), bins.taper[:, None, None])
        response = response - bins.head_pa[:, None, None] * along
    bed = (bins.bed * bins.scale[:, None])[:, None, :]
    free = [bins.line[:, None, :], bed * _look_up(family.mean, low, part)]
    with_hose = bool(np.any(bins.hose_l > 0))
    if with_hose:
        past = np.clip(bins.vol_l[:, None, :] - volumes_l[:, :, None], 0.0, bins.hose_l[:, None, None])
        free.append(bins.bed[:, None, :] * past)
    bound: list[Array] = [np.ones_like(bins.line)[:, None, :]]
    precision = [1.0 / bins.offset_pa**2]
    if mobility_scale is not None:
        bound += [bed * _look_up(family.shapes[i], low, part) for i in range(SHAPES)]
        precision += [1.0 / mobility_scale**2] * SHAPES
    sums = gram([*free, *bound, response], weights)
    out = _solve(sums, len(free), np.stack(precision, axis=-1)[:, None, :])
    if not with_hose:
        return out
    # resin in the hose can only add resistance
    bare = _solve(np.delete(np.delete(sums, HOSE, axis=-1), HOSE, axis=-2), 2, np.stack(precision, axis=-1)[:, None, :])
    adds = (out.terms[..., HOSE] > 0) & (bins.hose_l[:, None] > 0)
    return Profile(
        np.where(adds, out.deviance, bare.deviance),
        np.where(adds[..., None], out.terms, bare.terms),
        np.where(adds[..., None, None], out.covariance, bare.covariance),
    )


def _solve(sums: Array, free: int, precision: Array) -> Profile:
    prior = np.concatenate([np.zeros((*precision.shape[:-1], free)), precision], axis=-1)
    fit = solve_normal(sums, prior)
    price = np.sum(fit.log_pivots[..., free:] - np.log(precision), axis=-1)
    terms = np.zeros((*fit.left.shape, KEPT))
    covariance = np.zeros((*fit.left.shape, KEPT, KEPT))
    terms[..., :free] = fit.coefficients[..., :free]
    covariance[..., :free, :free] = fit.inverse[..., :free, :free]
    return Profile(fit.left + price, terms, covariance)
