"""Likelihood of an arrival volume: where the resistance stops growing, because resin has arrived at the vent.

Model, per volume bin:  dp = Q mu_line r  +  (1/K) Q mu_bed G(x)  [+ Q mu_bed c hose]  + what is known + noise,
x = (V - runner) / (Va - runner), G from the lane families of `physics.lanes`, so that the mould is full, or the first
of its lanes is, at Va. For every Va and spread of the lanes on a grid the rest is linear; what remains of the sum of
squares, with the price of the terms that carry a prior, is the likelihood. Such terms are an error common to all
pressures, an error of the runner's volume, and the shapes in which lane patterns differ.
Where strokes are counted, both sides are summed up over time first: a stroke's time stamp is wrong by part of a sample,
which its neighbour makes good, so that the sums have independent errors where the flows have not.
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
START = SHAPE + SHAPES
TERMS = START + 1
FREE = (LINE, BED)
HOSE_SD_PER_M3_L = 5e10
"""Resistance that a litre of filled vent hose may add, free of viscosity: that of a bore of 10 mm (Hagen-Poiseuille).

Without a price for it, a hose that adds nothing could be taken for one that goes on just as the bed did before it.
"""


@dataclass(frozen=True)
class Bins:
    """Shots on volume bins; every array (shots, bins) but where said. SI, volumes in litres.

    n: samples (0: empty bin, or nothing usable in it), less where outlying. vol_l: metered volume. line, bed: mean of
    flow x viscosity in the line and in the bed. dp: mean driving pressure. variance: of one sample's noise in dp.
    (shots,): runner_l and runner_sd_l, volume before the bed and how well it is known (0: well enough); hose_l, of the
    vent hose; head_pa, weight of the resin column up to the vent; capillary_pa, pull of the fibres until arrival;
    scale, L / (w0 h); taper, width ratio; offset_pa, prior s.d. of an error common to all pressures; guess, a rough
    1/K, which sets how far shapes and runner may bend the curve. spell_s: (shots, bins), how long each bin lasted where
    sums over time are fitted (n and variance are then the sums'), 0 where not.
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
    spell_s: Array

    def part(self, index: slice | NDArray[np.intp] | NDArray[np.bool_]) -> Bins:
        """Some of the shots."""
        return Bins(**{k: v[index] for k, v in vars(self).items()})


@dataclass(frozen=True)
class Profile:
    """On a grid (shots, volumes): minus twice the log likelihood, all TERMS, and the covariance of the FREE ones."""

    deviance: Array
    terms: Array
    covariance: Array


@dataclass(frozen=True)
class _Design:
    """Columns by number: `varying` (shots, volumes, bins, v) with the arrival volume, `common` (shots, bins, c) not.

    known: pressure that is no term, or None where there is none.
    """

    varying: Array
    varying_numbers: list[int]
    common: Array
    known: Array | None


def _design(bins: Bins, volumes_l: Array, family: Family) -> _Design:
    runner = bins.runner_l[:, None]
    room = np.maximum(volumes_l - runner, 1e-9)[:, :, None]
    share = (bins.vol_l - runner)[:, None, :] / room
    node = np.rint(np.clip(share * NODES_PER_ARRIVAL, 0.0, len(family.table) - 1.0)).astype(np.intp)
    bed = (bins.bed * bins.scale[:, None])[:, None, :]
    with_runner = bool(np.any(bins.runner_sd_l > 0))
    kept = [0, *([1] if with_runner else []), *range(2, family.table.shape[1])]
    numbers = [BED, *([RUNNER] if with_runner else []), *range(SHAPE, SHAPE + family.table.shape[1] - 2)]
    varying = np.take(family.table[:, kept], node, axis=0)
    varying *= bed[..., None]
    if with_runner:
        varying[..., 1] /= room
    if np.any(bins.hose_l > 0):
        past = np.clip(bins.vol_l[:, None, :] - volumes_l[:, :, None], 0.0, bins.hose_l[:, None, None])
        varying = np.concatenate([varying, (bins.bed[:, None, :] * past)[..., None]], axis=-1)
        numbers.append(HOSE)
    known: Array | None = None
    if np.any(bins.head_pa != 0):
        along = position_share(np.clip(share, 0.0, 1.0), bins.taper[:, None, None])
        known = bins.head_pa[:, None, None] * along
    if np.any(bins.capillary_pa != 0):
        known = (0.0 if known is None else known) - bins.capillary_pa[:, None, None] * (share < 1.0)
    common = np.stack([bins.line, np.ones_like(bins.line), bins.dp], axis=-1)
    return _Design(varying, numbers, common, known)


def _summed(design: _Design, spell_s: Array) -> _Design:
    """The design over sums in time, with a column for the first stroke's time stamp before the response."""
    spell = spell_s[:, :, None]
    common = np.cumsum(design.common * spell, axis=1)
    common = np.concatenate([common[..., :2], np.ones_like(spell), common[..., 2:]], axis=-1)
    known = None if design.known is None else np.cumsum(design.known * spell_s[:, None, :], axis=-1)
    return _Design(np.cumsum(design.varying * spell[:, None], axis=2), design.varying_numbers, common, known)


def _precision(bins: Bins, number: int) -> Array:
    if number == OFFSET:
        return 1.0 / bins.offset_pa**2
    if number == RUNNER:
        return np.asarray(1.0 / (bins.guess * np.maximum(bins.runner_sd_l, 1e-6)) ** 2)
    if number == HOSE:
        return np.full(len(bins.n), 1.0 / HOSE_SD_PER_M3_L**2)
    if number == START:
        return np.asarray(1.0 / np.maximum(np.mean(np.abs(bins.dp), axis=1), 1.0) ** 2)
    return 1.0 / bins.guess**2


def profile(bins: Bins, volumes_l: Array, family: Family) -> Profile:
    """Fit the linear terms at every arrival volume (shots, volumes), for one channel and one family of lanes."""
    design = _design(bins, volumes_l, family)
    common_numbers = [LINE, OFFSET]
    if np.any(bins.spell_s > 0):
        design = _summed(design, bins.spell_s)
        common_numbers.append(START)
    weights = np.where(bins.n > 0, bins.n / bins.variance, 0.0)
    varying, common, numbers = design.varying, design.common, list(design.varying_numbers)
    if design.known is None:
        everything = [*numbers, *common_numbers]
        response = len(everything)
    else:
        varying = np.concatenate([varying, (common[:, None, :, -1] - design.known)[..., None]], axis=-1)
        common = common[..., :-1]
        everything = [*numbers, -1, *common_numbers]
        response = len(numbers)
    sums = gram(varying, common, weights)
    out = _solve(bins, sums, everything, response, with_hose=True)
    if HOSE not in numbers:
        return out
    # resin in the hose can only add resistance, and must be worth its price
    bare = _solve(bins, sums, everything, response, with_hose=False)
    adds = (out.terms[..., HOSE] > 0) & (bins.hose_l[:, None] > 0) & (out.deviance < bare.deviance)
    return Profile(
        np.where(adds, out.deviance, bare.deviance),
        np.where(adds[..., None], out.terms, bare.terms),
        np.where(adds[..., None, None], out.covariance, bare.covariance),
    )


def _solve(bins: Bins, sums: Array, columns: list[int], response: int, *, with_hose: bool) -> Profile:
    """Solve with the columns in the order of their numbers, so that those with a prior come last."""
    place = {n: i for i, n in enumerate(columns) if n >= 0 and (with_hose or n != HOSE)}
    numbers = sorted(place)
    order = [*(place[n] for n in numbers), response]
    free = sum(n in FREE for n in numbers)
    precision = np.stack([_precision(bins, n) for n in numbers[free:]], axis=-1)[:, None, :]
    prior = np.concatenate([np.zeros((len(bins.n), 1, free)), precision], axis=-1)
    fit = solve_normal(sums[..., order, :][..., order], prior)
    price = np.sum(fit.log_pivots[..., free:] - np.log(precision), axis=-1)
    terms = np.zeros((*fit.left.shape, TERMS))
    terms[..., numbers] = fit.coefficients
    covariance = np.zeros((*fit.left.shape, len(FREE), len(FREE)))
    covariance[..., :free, :free] = fit.inverse[..., :free, :free]
    return Profile(fit.left + price, terms, covariance)


def fitted_pressure(bins: Bins, volumes_l: Array, family: Family, terms: Array) -> Array:
    """Driving pressure (shots, bins) of the model at one arrival volume a shot (shots,) and terms (shots, TERMS)."""
    design = _design(bins, volumes_l[:, None], family)
    pressure = np.einsum("sbt,st->sb", design.varying[:, 0], terms[:, design.varying_numbers])
    pressure += bins.line * terms[:, LINE, None] + terms[:, OFFSET, None]
    if design.known is not None:
        pressure = pressure + np.broadcast_to(design.known, design.varying.shape[:3])[:, 0]
    return np.asarray(pressure, dtype=float)
