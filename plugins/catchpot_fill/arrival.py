"""Likelihood of an arrival volume: where the resistance stops growing, because resin has arrived at the vent.

Model, per volume bin:  dp = Q mu_line r  +  (1/K) Q mu_bed G(x)  [+ Q mu_bed c hose]  + what is known + noise,
x = (V - runner) / (Va - runner), G from the lane families of `physics.lanes`, so that the mould is full, or the first
of its lanes is, at Va. For every Va and spread of the lanes on a grid the rest is linear; what remains of the sum of
squares, with the price of the terms that carry a prior, is the likelihood. Such terms are an error common to all
pressures, an error of the runner's volume, and the shapes in which lane patterns differ.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from catchpot.physics.darcy import position_share
from catchpot.physics.lanes import NODES_PER_ARRIVAL, SHAPES, Family
from catchpot.stats.regress import gram, solve_normal

Array = NDArray[np.float64]

LINE, BED, HOSE, OFFSET, RUNNER, SHAPE = 0, 1, 2, 3, 4, 5
TERMS = SHAPE + SHAPES
FREE = (LINE, BED, HOSE)


@dataclass(frozen=True)
class Bins:
    """Shots on volume bins; every array (shots, bins) but where said. SI, volumes in litres.

    n: samples (0: empty bin, or nothing usable in it), less where outlying. vol_l: metered volume. line, bed: mean of
    flow x viscosity in the line and in the bed. dp: mean driving pressure. variance: of one sample's noise in dp.
    (shots,): runner_l and runner_sd_l, volume before the bed and how well it is known (0: well enough); hose_l, of the
    vent hose; head_pa, weight of the resin column up to the vent; capillary_pa, pull of the fibres until arrival;
    scale, L / (w0 h); taper, width ratio; offset_pa, prior s.d. of an error common to all pressures; guess, a rough
    1/K, which sets how far shapes and runner may bend the curve.
    """

    n: Array
    vol_l: Array
    line: Array
    bed: Array
    dp: Array
    variance: Array
    runner_l: Array
    runner_sd_l: Array
    hose_l: Array
    head_pa: Array
    capillary_pa: Array
    scale: Array
    taper: Array
    offset_pa: Array
    guess: Array

    def part(self, index: slice | NDArray[np.intp] | NDArray[np.bool_]) -> Bins:
        """Some of the shots."""
        return Bins(**{k: v[index] for k, v in vars(self).items()})


@dataclass(frozen=True)
class Profile:
    """On a grid (shots, volumes): minus twice the log likelihood, all TERMS, and the covariance of the FREE ones."""

    deviance: Array
    terms: Array
    covariance: Array


def _look_up(table: Array, low: NDArray[np.intp], part: Array) -> Array:
    first = table[low]
    return np.asarray(first + part * (table[low + 1] - first))


def _columns(bins: Bins, volumes_l: Array, family: Family) -> tuple[dict[int, Array], Array]:
    """The regressors by number, each broadcasting to (shots, volumes, bins), and the known part of the pressure."""
    runner = bins.runner_l[:, None]
    room = np.maximum(volumes_l - runner, 1e-9)[:, :, None]
    share = (bins.vol_l - runner)[:, None, :] / room
    node = np.clip(share * NODES_PER_ARRIVAL, 0.0, len(family.mean) - 1.001)
    low = node.astype(np.intp)
    part = node - low
    known: Array = np.zeros((len(bins.n), 1, 1))
    if np.any(bins.head_pa != 0):
        along = position_share(np.clip(share, 0.0, 1.0), bins.taper[:, None, None])
        known = known + bins.head_pa[:, None, None] * along
    if np.any(bins.capillary_pa != 0):
        known = known - bins.capillary_pa[:, None, None] * (share < 1.0)
    bed = (bins.bed * bins.scale[:, None])[:, None, :]
    columns: dict[int, Array] = {LINE: bins.line[:, None, :], BED: bed * _look_up(family.mean, low, part)}
    if np.any(bins.hose_l > 0):
        past = np.clip(bins.vol_l[:, None, :] - volumes_l[:, :, None], 0.0, bins.hose_l[:, None, None])
        columns[HOSE] = bins.bed[:, None, :] * past
    columns[OFFSET] = np.ones_like(bins.line)[:, None, :]
    if np.any(bins.runner_sd_l > 0):
        slope = (family.mean[low + 1] - family.mean[low]) * NODES_PER_ARRIVAL
        columns[RUNNER] = bed * np.where(share > 0, slope * (np.minimum(share, 1.0) - 1.0) / room, 0.0)
    if family.smear > 0:
        for i in range(SHAPES):
            columns[SHAPE + i] = bed * _look_up(family.shapes[i], low, part)
    return columns, known


def _precision(bins: Bins, number: int) -> Array:
    if number == OFFSET:
        return 1.0 / bins.offset_pa**2
    if number == RUNNER:
        return np.asarray(1.0 / (bins.guess * np.maximum(bins.runner_sd_l, 1e-6)) ** 2)
    return 1.0 / bins.guess**2


def profile(bins: Bins, volumes_l: Array, family: Family) -> Profile:
    """Fit the linear terms at every arrival volume (shots, volumes), for one channel and one family of lanes."""
    columns, known = _columns(bins, volumes_l, family)
    weights = np.where(bins.n > 0, bins.n / bins.variance, 0.0)[:, None, :]
    sums = gram([*columns.values(), bins.dp[:, None, :] - known], weights)
    numbers = list(columns)
    out = _solve(bins, sums, numbers)
    if HOSE not in columns:
        return out
    # resin in the hose can only add resistance
    at = numbers.index(HOSE)
    bare = _solve(bins, np.delete(np.delete(sums, at, axis=-1), at, axis=-2), [n for n in numbers if n != HOSE])
    adds = (out.terms[..., HOSE] > 0) & (bins.hose_l[:, None] > 0)
    return Profile(
        np.where(adds, out.deviance, bare.deviance),
        np.where(adds[..., None], out.terms, bare.terms),
        np.where(adds[..., None, None], out.covariance, bare.covariance),
    )


def _solve(bins: Bins, sums: Array, numbers: list[int]) -> Profile:
    free = sum(n in FREE for n in numbers)
    precision = np.stack([_precision(bins, n) for n in numbers[free:]], axis=-1)[:, None, :]
    fit = solve_normal(sums, np.concatenate([np.zeros((len(bins.n), 1, free)), precision], axis=-1))
    price = np.sum(fit.log_pivots[..., free:] - np.log(precision), axis=-1)
    terms = np.zeros((*fit.left.shape, TERMS))
    terms[..., numbers] = fit.coefficients
    covariance = np.zeros((*fit.left.shape, len(FREE), len(FREE)))
    covariance[..., :free, :free] = fit.inverse[..., :free, :free]
    return Profile(fit.left + price, terms, covariance)


def fitted_pressure(bins: Bins, volumes_l: Array, family: Family, terms: Array) -> Array:
    """Driving pressure (shots, bins) of the model at one arrival volume a shot (shots,) and terms (shots, TERMS)."""
    columns, known = _columns(bins, volumes_l[:, None], family)
    pressure = sum((terms[:, n, None, None] * c for n, c in columns.items()), start=known)
    return np.asarray(np.broadcast_to(pressure, (len(bins.n), 1, bins.n.shape[1]))[:, 0])
