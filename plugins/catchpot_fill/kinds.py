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
from catchpot_fill.arrival import HOSE, PULL, Bins, fitted_pressure, profiles

Array = NDArray[np.float64]
Ints = NDArray[np.intp]
Kind = tuple[int, int | None]

SPREADS = (0.0, 0.14, 0.19, 0.25)
CHANCES = np.array([0.86, 0.14 / 3, 0.14 / 3, 0.14 / 3])
"""Half-spreads of the lanes' permeability that are tried, and what is thought of them before the shot is seen.

The plain front has most of it, or a straight front's volume would never be known to better than 2 %: on a strip with
6 % past the vent, lanes of +-15 % leave the same curve as a straight front with 3 %. Much nearer 0.7 the intervals of
straight strips would be more than twice the bound's, and those of uneven strips would hold but a few shots more.
"""
DOUBTS: dict[int | None, float] = {None: 0.78, PULL: 0.15, HOSE: 0.07}
"""What is thought of the book's being right, its pull of the fibres being wrong, and a vent hose not being in it.

A pull costs straight strips width, as it shifts the bend much as a later arrival would; a hose costs next to nothing.
"""
PLAIN: list[Kind] = [(j, None) for j in range(len(SPREADS))]
ROUGHLY: list[Kind] = [(0, None), (2, None)]
LEARNING: list[Kind] = [(0, None), (0, HOSE), (2, None)]
EVERY: list[Kind] = [
    (0, None), (0, PULL), (0, HOSE), *((j, d) for j in range(1, len(SPREADS)) for d in (None, HOSE))
]  # fmt: skip
"""Kinds ordered by spread. A pull is doubted for the straight front only: with lanes, it would be one thing too many to
tell from one bend. LEARNING: to learn the noise needs a fair curve, not every one."""


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
        """The same where the book's pull is never taken at its word: a straight front has the whole tolerance of it."""
        certain = {(0, None): 0.0, (0, PULL): CHANCES[0] * (1.0 - DOUBTS[HOSE])}
        return np.array([certain.get(k, c) for k, c in zip(self.kinds, self.chances, strict=True)])


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
