"""How likely each shape of wear is, given a seal's leaks, with every noise, correlation and wandering tried on a grid.

Leaks and curves are logarithms; the level is integrated out in closed form. See `degradation`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from catchpot.stats.wear_shapes import NONE, Shapes

Floats = NDArray[np.float64]

MOST_NOISE: Final = 0.5
LEAST_NOISE: Final = 0.01
"""Smallest noise tried, where the leaks' own errors are smaller; else a third of their median error."""
NOISES: Final = 10
# Wandering of the curve over the history, s.d. of the logarithm, with the weight of each beside no wandering's 6.
WANDER: Final = {0.1: 1.0, 0.25: 1.0, 0.6: 0.5}
STEADY: Final = 6.0
# Correlations of neighbouring leaks tried, with the weight of each.
CORRELATION: Final = {0.0: 2.0, 0.2: 1.0, 0.4: 1.0, 0.6: 1.0, 0.75: 0.7, 0.88: 0.5, 0.96: 0.5}
# Growth of so many s.d. of what the noise allows shows every other time; no growth has more than 20 times its weight.
_SHOWS_AT_SD: Final = 1.8
_LEAST_SHOWN: Final = 0.05
REFINEMENTS: Final = 2
FEW_SHAPES: Final = 12.0
"""With fewer likely shapes than that (one over the sum of their squared chances) the grid is made finer."""
REFINED: Final = 60
"""So many of the likeliest shapes are split."""
_LIGHTEST: Final = 1e-4
_MOST_POINTS: Final = 64
# Directions in which the squares of all curves sum to less than this share of the largest are left out.
_NOUGHT: Final = 1e-15


@dataclass(frozen=True)
class History:
    """Leaks in logarithms; ages, breaks and now in units of the last leak's age."""

    age: Floats
    log_leak: Floats
    error: Floats
    breaks: tuple[float, ...]
    now: float


@dataclass(frozen=True)
class Scatter:
    """Noise of a leak (s.d. of the logarithm), its correlation from shot to shot, wandering, prior weight."""

    noise: float
    rho: float
    wander: float
    weight: float


def every_noise(error: Floats) -> tuple[Scatter, ...]:
    least = float(np.clip(np.median(error) / 3.0, LEAST_NOISE, 0.05))
    noises = [float(v) for v in np.geomspace(least, MOST_NOISE, NOISES)]
    total = sum(CORRELATION.values())
    lasting = [Scatter(v, rho, 0.0, STEADY * w / total) for rho, w in CORRELATION.items() for v in noises]
    return (*lasting, *(Scatter(v, 0.0, wander, w) for wander, w in WANDER.items() for v in noises))


def _chance_to_show(distance_sd: Floats) -> Floats:
    """Chance that growth this far from none, in s.d. of what the noise allows, shows; not below a twentieth."""
    # The logistic curve stands in for the normal distribution's (within 0.01).
    return np.maximum(1.0 / (1.0 + np.exp(-1.702 * (distance_sd - _SHOWS_AT_SD))), _LEAST_SHOWN)


@dataclass(frozen=True)
class Part:
    """All that wanders alike: log weight of each shape, the same corrected for showing, log level now, its s.d."""

    wander: float
    weight: Floats
    shown: Floats
    level: Floats
    level_sd: Floats


@dataclass(frozen=True)
class Posterior:
    """parts: what may be, their weights summing to 1. mean: the curve at the leaks. noise: its expected s.d."""

    parts: list[Part]
    mean: Floats
    noise: float
    likely: tuple[Scatter, ...]  # scatter worth a finer grid


class _Groups:
    """Neighbouring leaks taken together by their weights, so that no more than _MOST_POINTS remain."""

    def __init__(self, error: Floats) -> None:
        members = np.array_split(np.arange(len(error)), min(len(error), _MOST_POINTS))
        self.starts = np.array([m[0] for m in members])
        weight = 1.0 / (error**2 + 0.04)
        self.weight = weight / np.repeat(np.add.reduceat(weight, self.starts), [len(m) for m in members])

    def mean(self, values: Floats) -> Floats:
        """Weighted means along the last axis."""
        return np.asarray(np.add.reduceat(self.weight * values, self.starts, axis=-1))

    def covariance(self, of_leaks: Floats) -> Floats:
        """That of the means."""
        return self.mean(self.mean(of_leaks).T)


def _covariances(h: History, groups: _Groups, scatter: tuple[Scatter, ...]) -> Floats:
    """Of the grouped leaks about their curve, for each scatter: (scatter, groups, groups)."""
    block = np.searchsorted(np.asarray(h.breaks, float), h.age, side="right")
    same = block[:, None] == block[None, :]
    gap = np.abs(h.age[:, None] - h.age[None, :])
    # The level is that of the last stretch; those before a reseating lie off it by a jump of their own.
    before = [np.asarray(block < b, float) for b in range(1, len(h.breaks) + 1)]
    jump = sum((0.16 * np.outer(off, off) for off in before), np.zeros(gap.shape))
    # Correlations are from shot to shot: the usual distance of two leaks stands for one.
    step = max(float(np.median(np.diff(h.age))), 1e-9) if len(h.age) > 1 else 1.0
    pattern = {
        rho: groups.covariance(np.where(same, np.exp(np.log(rho) / step * gap) if rho else np.eye(len(h.age)), 0.0))
        for rho in {s.rho for s in scatter}
    }
    wandering = groups.covariance(np.minimum(h.age[:, None], h.age[None, :]))
    fixed = groups.covariance(np.diag(h.error**2) + jump)
    return np.array([fixed + s.noise**2 * pattern[s.rho] + s.wander**2 * wandering for s in scatter])


def posterior(grid: Shapes, h: History, scatter: tuple[Scatter, ...]) -> Posterior:
    groups = _Groups(h.error)
    curve = grid.log_curve(h.age)
    shift = grid.log_curve(np.array([h.now]))[:, 0]
    at_groups = groups.mean(curve)
    # Hundreds of smooth curves span a space of few dimensions: each is a sum of those few.
    sizes, directions = np.linalg.eigh(at_groups.T @ at_groups)
    few = directions[:, sizes > _NOUGHT * float(sizes[-1])].T
    part = at_groups @ few.T
    every = np.vstack(
        [few, groups.mean(h.log_leak), np.ones(len(groups.starts)), groups.mean(np.minimum(h.age, h.now))]
    ).T
    wander_var = np.array([s.wander**2 for s in scatter])
    root = np.linalg.cholesky(_covariances(h, groups, scatter))
    white = np.linalg.inv(root) @ every
    gram = white.transpose(0, 2, 1) @ white  # of the few, the leaks, ones, and what wandering carries on to now
    few_, y, one, lead = slice(0, -3), -3, -2, -1
    information, carried = gram[:, one, one], wander_var * gram[:, lead, one]
    along = part @ gram[:, few_, -3:]
    squares = np.einsum("csk,sk->cs", part @ gram[:, few_, few_], part)
    level = (gram[:, one, y, None] - along[:, :, one]) / information[:, None]
    distance = squares - along[:, :, one] ** 2 / information[:, None]
    misfit = gram[:, y, y, None] - 2 * along[:, :, y] + squares - level**2 * information[:, None]
    prior = np.log([s.weight for s in scatter]) - 0.5 * np.log(information)
    prior -= np.log(np.diagonal(root, axis1=1, axis2=2)).sum(1)
    odds = prior[:, None] - 0.5 * misfit
    # Where a wandering curve is now: level and wandering together, given the leaks.
    now = level * (1.0 - carried[:, None]) + wander_var[:, None] * (gram[:, lead, y, None] - along[:, :, lead])
    now_var = (1.0 - carried) ** 2 / information + np.maximum(
        wander_var * h.now - wander_var**2 * gram[:, lead, lead], 0.0
    )
    odds += grid.log_prior[None, :]
    chance = np.exp(odds - odds.max())
    chance /= chance.sum()
    seldom = chance * (grid.kind > 0) / _chance_to_show(np.sqrt(np.maximum(distance, 0.0)))
    seldom = seldom / seldom.sum() if seldom.sum() > 0 else chance
    parts = []
    for wander in sorted({s.wander for s in scatter}):
        rows = np.array([s.wander == wander for s in scatter])
        here = chance[rows]
        if here.sum() < _LIGHTEST and seldom[rows].sum() < _LIGHTEST:
            continue
        safe = np.maximum(here.sum(0), 1e-300)
        middle = (here * now[rows]).sum(0) / safe
        var = (here * (now_var[rows, None] + (now[rows] - middle) ** 2)).sum(0) / safe
        parts.append(Part(wander, here.sum(0), seldom[rows].sum(0), middle + shift, np.sqrt(var)))
    each = chance.sum(1)
    mean = chance.sum(0) @ curve + float((chance * level).sum())
    noise = float((each * np.array([s.noise for s in scatter])).sum())
    likely = tuple(s for s, c in zip(scatter, each, strict=True) if c > 0.01 * each.max())
    return Posterior(parts, mean, noise, likely)


def refined(
    grid: Shapes, h: History, scatter: tuple[Scatter, ...], every: tuple[Scatter, ...]
) -> tuple[Shapes, Posterior]:
    """The posterior, on a finer grid about the likely shapes where so few are likely that the grid is too coarse.

    scatter: what is likely on a coarser grid, of `every` one. What a coarse grid misses has passed for noise there, so
    smaller noise is tried again.
    """
    post = posterior(grid, h, scatter)
    for _ in range(REFINEMENTS):
        chance = np.sum([p.weight + p.shown for p in post.parts], axis=0) / 2.0
        if 1.0 / float((chance * chance).sum()) > FEW_SHAPES or chance[grid.kind == NONE].sum() > 0.5:
            break
        grid = grid.refined(np.argsort(-chance)[:REFINED])
        most, lasting = max(s.noise for s in post.likely), {(s.rho, s.wander) for s in post.likely}
        post = posterior(grid, h, tuple(s for s in every if s.noise <= most and (s.rho, s.wander) in lasting))
    return grid, post


__all__ = ["History", "Part", "Posterior", "Scatter", "every_noise", "posterior", "refined"]
