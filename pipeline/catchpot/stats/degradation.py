"""Wear of a seal from its noisy leaks: when will the fitted curve meet the limit?

The leak is a curve of the shots since the seal was new, times noise: `leak = level x shape(age) x exp(noise)`. Shapes:
`wear_shapes`. The noise may stay bad from shot to shot (first-order autoregressive, by age), or the curve itself may
wander off its shape as the seal ages (Brownian motion of the logarithm: S. Bogdanoff & F. Kozin 1985 of cracks; G. A.
Whitmore 1995), and every leak has its own measuring error beside it, which is also what sets how small the noise may
be. All shapes, noise levels, correlations and wanderings are tried on a grid and weighed by evidence; the level is
integrated out in closed form. None is picked: a crossing is what all of them say together. A wandering curve is
forecast from where it is now, and the further ahead, the wider.

Priors: half no wear; of the growths `wear_shapes.KINDS`; noise that does not last a third, the rest over all
correlations; and a seal looked at at no special moment of its life (a seal of age n reaches age N with odds that fall
as n / N).

A forecast is made only where wear shows, and of the slowly worn seals only those show whose noise happens to look like
wear: their forecasts would all come too early. So where a crossing is read, growth that would seldom show has the more
weight the less often it shows (selection: Heckman 1979), at most twentyfold.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from catchpot.stats.wear_shapes import COARSE, FARTHEST, FARTHEST_SHOTS, FINE, KINDS, LEAST, Shapes, shapes

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
WEAR_SEEN: Final = 0.85
PRIOR_SEALS: Final = 4.0
# Levels between which 80 % of the crossings fell over made-up histories of all shapes and correlations, by the noise
# (calibration of prediction limits by simulation: Beran 1990). The noisier, the farther the shapes that would meet the
# limit at once reach below what comes true.
_NOISE_AT: Final = (0.05, 0.15, 0.3)
_LOW_LEVEL: Final = (0.15, 0.28, 0.31)
HIGH_LEVEL: Final = 0.89
# Growth of so many s.d. of what the noise allows shows every other time; no growth has more than 20 times its weight.
_SHOWS_AT_SD: Final = 1.8
_LEAST_SHOWN: Final = 0.05
_LIGHTEST: Final = 1e-4
_MOST_POINTS: Final = 64
# Directions in which the squares of all curves sum to less than this share of the largest are left out.
_NOUGHT: Final = 1e-15
_MOST_LEAKS: Final = 256
# Gauss-Hermite nodes and weights of the standard normal distribution (Abramowitz & Stegun 1964, table 25.10).
_LEVEL_NODES: Final = np.array([-3.750439718, -2.366759411, -1.154405395, 0.0, 1.154405395, 2.366759411, 3.750439718])
_LEVEL_WEIGHTS: Final = np.array(
    [0.000548268856, 0.030757123968, 0.240123178605, 0.457142857143, 0.240123178605, 0.030757123968, 0.000548268856]
)


@dataclass(frozen=True)
class Wear:
    """What the leaks of one seal say.

    wear: probability that the curve has grown by a tenth or more since the first leak. level, level_low, level_high:
    the curve now (80 %). crossing: ages at which the curve may meet the limit, ascending, with their weights (sum 1).
    shown: the weights corrected for forecasts being made only where wear shows.
    now: age in shots. noise: typical spread of one leak about the curve (share). points: leaks used.
    kinds: probability of each kind of growth among the growing shapes, in the order of `wear_shapes.KINDS`.
    """

    wear: float
    level: float
    level_low: float
    level_high: float
    crossing: Floats
    weights: Floats
    now: float
    noise: float
    points: int
    kinds: tuple[float, ...]
    shown: Floats

    @property
    def seen(self) -> bool:
        """Whether wear shows well enough for a date: no date is made out of noise."""
        return self.wear >= WEAR_SEEN

    @property
    def eighty(self) -> tuple[float, float, float]:
        """Levels of the 80 % interval's lower end, the median, the upper end, for `shots_left`."""
        return float(np.interp(self.noise, _NOISE_AT, _LOW_LEVEL)), 0.5, HIGH_LEVEL

    def shots_left(self, *levels: float) -> tuple[float, ...]:
        """Quantiles of the shots left before the curve meets the limit, 0 where it has; see `quantiles`."""
        return tuple(max(v - self.now, 0.0) for v in quantiles(self.crossing, self.weights, self.shown, levels))

    def reweighed(self, log_mean: float, log_sd: float, base_sd: float = 2.5) -> Wear:
        """The same leaks read with what other seals' lives say: log life normal(log_mean, log_sd) beforehand.

        base_sd: spread of the log life that the grid itself allows, divided out. Only lives beyond the oldest leak
        below the limit are touched in earnest; a strong own history outweighs the others.
        """
        life = np.log(np.maximum(self.crossing, 1.0))
        z, flat = (life - log_mean) / log_sd, (life - log_mean) / base_sd
        factor = np.exp(-0.5 * z * z + 0.5 * flat * flat)
        weights, shown = self.weights * factor + 1e-300, self.shown * factor + 1e-300
        return replace(self, weights=weights / weights.sum(), shown=shown / shown.sum())


def quantiles(values: Floats, weights: Floats, shown: Floats, levels: tuple[float, ...]) -> list[float]:
    """Quantiles of weighted values, those beside the median by the weights `shown`.

    The median is what the leaks themselves say, which errs least. The ends allow for the seal having been picked by
    its wear's showing. values: shape (n,), in any order.
    """
    order = np.argsort(values)
    ascending = values[order]

    def at(w: Floats, level: float) -> float:
        total = np.cumsum(w[order])
        return float(ascending[min(int(np.searchsorted(total, level * total[-1])), len(values) - 1)])

    middle = at(weights, 0.5)
    return [middle if v == 0.5 else min(at(shown, v), middle) if v < 0.5 else max(at(shown, v), middle) for v in levels]


def fit_wear(
    age: Floats,
    leak: Floats,
    sd: Floats,
    limit: float,
    *,
    now: float | None = None,
    breaks: tuple[float, ...] = (),
    doubt: tuple[tuple[float, float], ...] = ((1.0, 1.0),),
    kinds: tuple[float, ...] = tuple(KINDS.values()),
) -> Wear:
    """Fit the curve and its crossing of the limit.

    age: shots since the seal was new, ascending. leak, sd: each leak and its own s.d. (same unit as limit). now: age
    to count from (the last one's). breaks: ages at which the seal was reseated: the level may jump there (s.d. 0.4 in
    the logarithm) and what stayed bad does not carry over. doubt: factors by which all leaks alike may have to be
    multiplied to be right, each with its weight (a leak law that is not known). kinds: how often each kind of growth is
    met beforehand (`wear_shapes.KINDS`); what other seals of the workshop did may have a word in it (`pooled_kinds`).
    Needs 3 leaks. A stray leak (3 s.d. off the curve) is weighted down. Crossing is where the fitted curve meets the
    limit, not the first reading beyond it. Source: Meeker & Escobar 1998, degradation data (curve and crossing); the
    weighing by evidence is Bayes' rule on a grid.

    >>> n = np.arange(1.0, 41.0)
    >>> w = fit_wear(n, 0.05 * np.exp(0.03 * n), 0.001 * np.ones(40), 0.3)
    >>> w.seen, [15 < v < 22 for v in w.shots_left(0.5)]  # ln(6)/0.03 = 59.7, of which 40 are gone
    (True, [True])
    """
    age, leak, sd = (np.asarray(v, float) for v in (age, leak, sd))
    if len(age) < 3:
        raise ValueError("three leaks at least")
    if limit <= 0:
        raise ValueError("the limit must be positive")
    now = float(age[-1]) if now is None else max(float(now), 0.0)
    points = len(age)
    unit = max(float(age[-1]), 1e-9)
    first_age = float(age[age > 0][0]) if (age > 0).any() else unit
    log_leak, error = _in_logs(leak, sd)
    if points > _MOST_LEAKS:
        age, log_leak, error = _averaged(age, log_leak, error)
    # A leak of the very first moment is one of half the first shot.
    history = _History(
        np.maximum(age, 0.5 * first_age) / unit, log_leak, error, tuple(b / unit for b in breaks), now / unit
    )
    pairs = _every_noise(error)
    first = _posterior(shapes(COARSE, kinds=kinds), history, pairs)
    off = np.abs(log_leak - first.mean) / np.hypot(error, first.noise)
    if (off > 3.0).any():
        history = replace(
            history, error=np.where(off > 3.0, np.hypot(error, np.abs(log_leak - first.mean) / 1.5), error)
        )
        first = _posterior(shapes(COARSE, kinds=kinds), history, pairs)
    post = _posterior(shapes(FINE, kinds=kinds), history, first.likely)
    return replace(_read(shapes(FINE, kinds=kinds), post, history, float(np.log(limit)), doubt, unit), points=points)


@dataclass(frozen=True)
class _History:
    """Leaks in logarithms; ages, breaks and now in units of the last leak's age."""

    age: Floats
    log_leak: Floats
    error: Floats
    breaks: tuple[float, ...]
    now: float


@dataclass(frozen=True)
class _Scatter:
    """Noise of a leak (s.d. of the logarithm), its correlation from shot to shot, wandering, prior weight."""

    noise: float
    rho: float
    wander: float
    weight: float


def pooled_kinds(others: Sequence[tuple[float, ...]]) -> tuple[float, ...]:
    """How often each kind of growth is met, by the seals of a workshop: the usual shares, worth four seals, and theirs.

    others: `Wear.kinds` of seals with a history of their own.

    >>> sum(pooled_kinds([(1.0, 0.0, 0.0, 0.0, 0.0)])) > 0.999, pooled_kinds([(1.0, 0.0, 0.0, 0.0, 0.0)])[0]
    (True, 0.6)
    """
    total = PRIOR_SEALS * np.array(list(KINDS.values())) + np.sum(
        [np.zeros(len(KINDS)), *map(np.array, others)], axis=0
    )
    return tuple(float(round(v, 4)) for v in total / total.sum())


def _every_noise(error: Floats) -> tuple[_Scatter, ...]:
    least = float(np.clip(np.median(error) / 3.0, LEAST_NOISE, 0.05))
    noises = [float(v) for v in np.geomspace(least, MOST_NOISE, NOISES)]
    total = sum(CORRELATION.values())
    lasting = [_Scatter(v, rho, 0.0, STEADY * w / total) for rho, w in CORRELATION.items() for v in noises]
    return (*lasting, *(_Scatter(v, 0.0, wander, w) for wander, w in WANDER.items() for v in noises))


def _chance_to_show(distance_sd: Floats) -> Floats:
    """Chance that growth this far from none, in s.d. of what the noise allows, shows; not below a twentieth."""
    # The logistic curve stands in for the normal distribution's (within 0.01).
    return np.maximum(1.0 / (1.0 + np.exp(-1.702 * (distance_sd - _SHOWS_AT_SD))), _LEAST_SHOWN)


def _averaged(age: Floats, log_leak: Floats, error: Floats) -> tuple[Floats, Floats, Floats]:
    """Neighbours averaged so that 256 points remain; the noise that is fitted is then that of the averages."""
    groups = np.array_split(np.arange(len(age)), _MOST_LEAKS)
    weight = 1.0 / (error**2 + 0.04)
    total = np.array([weight[g].sum() for g in groups])
    mean_age = np.array([(weight[g] * age[g]).sum() for g in groups]) / total
    mean = np.array([(weight[g] * log_leak[g]).sum() for g in groups]) / total
    spread = np.sqrt([((weight[g] * error[g]) ** 2).sum() for g in groups]) / total
    return mean_age, mean, spread


def _in_logs(leak: Floats, sd: Floats) -> tuple[Floats, Floats]:
    """Logarithms and their s.d.; a leak drowned in its error is taken about its neighbours' running median."""
    sd = np.maximum(sd, 1e-6)
    half = 4
    padded = np.pad(leak, half, mode="edge")
    middle = np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1), axis=1)
    typical = float(np.median(sd))
    centre = np.maximum(middle, max(0.5 * typical, 1e-6))
    clear = leak > 3.0 * sd
    near = np.log(centre) + np.clip((leak - centre) / centre, -2.0, 2.0)
    log_leak = np.where(clear, np.log(np.where(clear, leak, 1.0)), near)
    return log_leak, sd / np.where(clear, leak, centre)


@dataclass(frozen=True)
class _Part:
    """All that wanders alike: log weight of each shape, the same corrected for showing, log level now, its s.d."""

    wander: float
    weight: Floats
    shown: Floats
    level: Floats
    level_sd: Floats


@dataclass(frozen=True)
class _Posterior:
    """parts: what may be, their weights summing to 1. mean: the curve at the leaks. noise: its expected s.d."""

    parts: list[_Part]
    mean: Floats
    noise: float
    likely: tuple[_Scatter, ...]  # scatter worth a finer grid


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


def _covariances(h: _History, groups: _Groups, scatter: tuple[_Scatter, ...]) -> Floats:
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


def _posterior(grid: Shapes, h: _History, scatter: tuple[_Scatter, ...]) -> _Posterior:
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
        parts.append(_Part(wander, here.sum(0), seldom[rows].sum(0), middle + shift, np.sqrt(var)))
    each = chance.sum(1)
    mean = chance.sum(0) @ curve + float((chance * level).sum())
    noise = float((each * np.array([s.noise for s in scatter])).sum())
    likely = tuple(s for s, c in zip(scatter, each, strict=True) if c > 0.01 * each.max())
    return _Posterior(parts, mean, noise, likely)


def _read(
    grid: Shapes, post: _Posterior, h: _History, log_limit: float, doubt: tuple[tuple[float, float], ...], unit: float
) -> Wear:
    ends = grid.log_curve(np.array([h.age[0], h.now]))
    grown = (ends[:, 1] - ends[:, 0]) > np.log(1.1)
    crossings, owns, showns, levels, weights = [], [], [], [], []
    for part in post.parts:
        at_now = part.level[:, None] + part.level_sd[:, None] * _LEVEL_NODES[None, :]
        levels.append(at_now.ravel())
        weights.append((part.weight[:, None] * _LEVEL_WEIGHTS[None, :]).ravel())
        for factor, w in doubt:
            rest = log_limit - np.log(factor)
            if part.wander > 0:
                middle = grid.age_at(ends[:, 1:] + rest - part.level[:, None])[:, 0]
                horizon = np.clip(middle - h.now, 0.0, FARTHEST)
                sd = np.hypot(part.level_sd, part.wander * np.sqrt(horizon))
                at = part.level[:, None] + sd[:, None] * _LEVEL_NODES[None, :]
            else:
                at = at_now
            crossings.append(grid.age_at(ends[:, 1:] + rest - at).ravel())
            owns.append((w * part.weight[:, None] * _LEVEL_WEIGHTS[None, :]).ravel())
            showns.append((w * part.shown[:, None] * _LEVEL_WEIGHTS[None, :]).ravel())
    crossing, own, shown = (np.concatenate(v) for v in (crossings, owns, showns))
    least = max(h.now, LEAST)
    moment = least / np.maximum(crossing, least)
    own, shown = own * moment, shown * moment
    order = np.argsort(crossing)
    level, weight = np.concatenate(levels), np.concatenate(weights)
    by_level = np.argsort(level)
    total = np.cumsum(weight[by_level])
    low, middle_now, high = np.exp(level[by_level][np.searchsorted(total, np.array([0.1, 0.5, 0.9]) * total[-1])])
    by_shape = np.sum([p.weight for p in post.parts], axis=0)
    wear = float(by_shape[grown].sum() / by_shape.sum())
    each = np.array([float(by_shape[grown & (grid.kind == kind)].sum()) for kind in KINDS])
    kinds = tuple(float(v) for v in (each / each.sum() if each.sum() > 0 else each))
    return Wear(
        wear, float(middle_now), float(low), float(high), unit * crossing[order], own[order] / own.sum(), h.now * unit,
        post.noise, len(h.age), kinds, shown[order] / shown.sum(),
    )  # fmt: skip


__all__ = ["FARTHEST_SHOTS", "WEAR_SEEN", "Shapes", "Wear", "fit_wear", "pooled_kinds", "quantiles", "shapes"]
