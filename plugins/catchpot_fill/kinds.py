"""The kinds of curve that are weighed against each other, and their likelihoods on grids of arrival volumes.

A kind is a spread of the lanes' permeability and one thing the mould book may be wrong in, or nothing. What is thought
of a kind before the shot is seen, and how well it fits, is what it counts (Bayesian model averaging; Hoeting, Madigan,
Raftery and Volinsky 1999, Statistical Science 14:382). So a doubt widens the interval of those shots whose curve leaves
room for it, and hardly that of the others.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from catchpot.physics.lanes import Family, lane_family
from catchpot.stats.regress import grid_quantiles
from catchpot_fill.arrival import COVER, HOSE, PULL, Bins, fitted_pressure, profiles

Array = NDArray[np.float64]
Ints = NDArray[np.intp]
Kind = tuple[int, int | None]

SPREADS = (0.0, 0.14, 0.19, 0.25)
CHANCES = np.array([0.8, 0.2 / 3, 0.2 / 3, 0.2 / 3])
"""Half-spreads of the lanes' permeability that are tried, and what is thought of them before the shot is seen.

The plain front has most of it, or a straight front's volume would never be known to better than 2 %: on a strip with 6
% past the vent, lanes of +-15 % leave the same curve as a straight front with 3 %. At 0.86 the intervals of strips with
such lanes held four shots in five, at 0.8 nine in ten. Straight strips pay for it little where 6 % go past the vent,
and more (2.2 times the bound's width) sampled at 1 Hz or with 3 %, as the question is open there. At 0.76 noisy
straight strips would be at 2.4 times the bound's with 6 % past the vent too. Finer spreads were tried: they hold no
more of the uneven strips and cost the straight ones a fifth to a half of their width.
"""
DOUBTS: dict[int | None, float] = {None: 0.63, PULL: 0.15, COVER: 0.15, HOSE: 0.07}
"""What is thought of the book's being right, of its pull of the fibres or yield of the cover being wrong, and of a vent
hose not being in it."""
TAKEN_IN, TAKEN_IN_FROM = 0.90, 0.05
"""Part of each doubt's own distribution that the interval takes in, and the evidence, over that of the best kind with a
straight front, from which it does.

Whatever is thought of a pull or a yield beforehand is a guess, and one that decides: without this, 64-75 % of the
intervals held on strips and wedges with 10 mbar of pull that the book lacks. Both make the arrival seem late, so that
the lower end moves and this is a one-sided 95 %. At a two-sided one the intervals of straight strips with 12 % past the
vent would be more than twice the bound's.
"""
PLAIN: list[Kind] = [(j, None) for j in range(len(SPREADS))]
ROUGHLY: list[Kind] = [(0, None), (2, None)]
LEARNING: list[Kind] = [(0, None), (0, HOSE), (2, None)]
EVERY: list[Kind] = [
    (0, None), (0, PULL), (0, COVER), (0, HOSE), *((j, d) for j in range(1, len(SPREADS)) for d in (None, HOSE))
]  # fmt: skip
"""Kinds ordered by spread. Pull and cover are doubted for the straight front only: with lanes, that would be one thing
too many to tell from one bend. LEARNING: to learn the noise needs a fair curve, not every one."""


@dataclass(frozen=True)
class Grid:
    """Curves of several kinds at several volumes: (shots, volumes, kinds), terms and variance (..., TERMS).

    kinds: what they are. spread: (kinds,), number of each one's spread.
    """

    volumes: Array
    kinds: list[Kind]
    spread: Ints
    deviance: Array
    terms: Array
    variance: Array

    @property
    def chances(self) -> Array:
        """What is thought of each kind before the shot is seen, (kinds,)."""
        return np.array([CHANCES[j] * DOUBTS[d] for j, d in self.kinds])

    @property
    def doubtful(self) -> Array:
        """The same where the book's pull and yield are never taken at their word: a straight front has the
        whole tolerance of one of them."""
        share = CHANCES[0] * (1.0 - DOUBTS[HOSE]) / 2.0
        certain = {(0, None): 0.0, (0, PULL): share, (0, COVER): share}
        return np.array([certain.get(k, c) for k, c in zip(self.kinds, self.chances, strict=True)])


def doubted_ends(grid: Grid, likelihood: Array) -> tuple[Array, Array]:
    """Lower and upper end (shots,) of what a pull or a yield other than the book's would make of the arrival.

    likelihood: (shots, volumes, kinds). NaN where the curve speaks against both.
    """
    mass = likelihood.sum(axis=1)
    best = np.max(mass[:, grid.spread == 0], axis=1)
    outside = (1.0 - TAKEN_IN) / 2.0
    low, high = np.full((2, len(mass)), np.nan)
    for number in (grid.kinds.index((0, d)) for d in (PULL, COVER) if (0, d) in grid.kinds):
        ends = grid_quantiles(grid.volumes, likelihood[:, :, number] + 1e-300, [outside, 1.0 - outside])
        ends = np.where((mass[:, number] > TAKEN_IN_FROM * best)[:, None], ends, np.nan)
        low, high = np.fmin(low, ends[:, 0]), np.fmax(high, ends[:, 1])
    return low, high


def family_of(bins: Bins, spread: int) -> Family:
    """The family of lanes of that number in the channel that all these shots share."""
    return lane_family(float(bins.taper[0]), SPREADS[spread])


def evaluate(bins: Bins, volumes: Array, kinds: Sequence[Kind]) -> Grid:
    """Fit every kind at every volume (shots, volumes); there is no doubt about a hose that the book has."""
    wanted = [k for k in kinds if k[1] != HOSE or not np.any(bins.hose_l > 0)]
    flat = []
    for j, alike in groupby(wanted, key=lambda kind: kind[0]):
        flat += profiles(bins, volumes, family_of(bins, j), [d for _, d in alike])
    return Grid(
        volumes,
        wanted,
        np.array([j for j, _ in wanted]),
        np.stack([p.deviance for p in flat], axis=-1),
        np.stack([p.terms for p in flat], axis=-2),
        np.stack([p.variance for p in flat], axis=-2),
    )


def likeliest(grid: Grid) -> tuple[Array, Ints, Array]:
    """Volume (shots,), number of the spread (shots,) and terms (shots, TERMS) of the best curve."""
    shots = np.arange(len(grid.volumes))
    flat = np.argmin(grid.deviance.reshape(len(shots), -1), axis=1)
    at, kind = np.unravel_index(flat, grid.deviance.shape[1:])
    return grid.volumes[shots, at], grid.spread[kind], grid.terms[shots, at, kind]


def likeliest_curve(bins: Bins, grid: Grid) -> tuple[Array, Array]:
    """Driving pressure and filled share (shots, bins) of the best curve."""
    volume, spread, terms = likeliest(grid)
    dp = np.empty_like(bins.dp)
    for j in np.unique(spread):
        rows = spread == j
        dp[rows] = fitted_pressure(bins.part(rows), volume[rows], family_of(bins, int(j)), terms[rows])
    return dp, np.clip((bins.vol_l - bins.runner_l[:, None]) / (volume - bins.runner_l)[:, None], 0.0, 1.0)
