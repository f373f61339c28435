"""Wear of a seal from its noisy leaks: when will the fitted curve meet the limit?

The leak is a curve of the shots since the seal was new, times noise: `leak = level x shape(age) x exp(noise)`. Shapes:
no wear; linear growth `offset + age` (an offset is a floor: fittings, or a leak from the first shot on); proportional
growth `floor + (1 - floor) exp(rate age)`. The noise may stay bad from shot to shot (first-order autoregressive, by
age), and every leak has its own measuring error beside it. All shapes, noise levels and correlations are tried on a
grid and weighed by evidence; the level is integrated out in closed form (which is also what keeps the noise from being
read too small). No one shape, noise or correlation is picked: a crossing is what all of them say together.

Priors: half no wear, a quarter each growth; offsets and rates evenly in the logarithm; noise that does not last a
third, the rest over all correlations; and a seal looked at at no special moment of its life (a seal of age n reaches
age N with odds that fall as n / N).

A forecast is made only where wear shows, and of the slowly worn seals only those show whose noise happens to look like
wear: their forecasts would all come too early. So where a crossing is read, growth that would seldom show has the more
weight the less often it shows (selection: Heckman 1979), at most twentyfold.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from catchpot.stats.wear_shapes import COARSE, FARTHEST_SHOTS, FINE, Shapes, shapes

Floats = NDArray[np.float64]

NOISE: Final = (0.04, 0.07, 0.1, 0.14, 0.19, 0.26, 0.36, 0.5)
# Correlations of neighbouring leaks tried, with the weight of each.
CORRELATION: Final = {0.0: 2.0, 0.2: 1.0, 0.4: 1.0, 0.6: 1.0, 0.75: 0.7, 0.88: 0.5, 0.96: 0.5}
WEAR_SEEN: Final = 0.85
# Levels between which 80 % of the crossings fell over made-up histories of all shapes, noises and correlations; the
# posterior's own tenths held 86 % (calibration of prediction limits by simulation: Beran 1990).
EIGHTY_PERCENT: Final = (0.12, 0.5, 0.88)
# Growth of so many s.d. of what the noise allows shows every other time; no growth has more than 20 times its weight.
_SHOWS_AT_SD: Final = 1.8
_LEAST_SHOWN: Final = 0.05
_MOST_POINTS: Final = 64
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
    proportional: probability of the proportional shapes among the growing ones.
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
    proportional: float
    shown: Floats

    @property
    def seen(self) -> bool:
        """Whether wear shows well enough for a date: no date is made out of noise."""
        return self.wear >= WEAR_SEEN

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
) -> Wear:
    """Fit the curve and its crossing of the limit.

    age: shots since the seal was new, ascending. leak, sd: each leak and its own s.d. (same unit as limit). now: age
    to count from (the last one's). breaks: ages at which the seal was reseated: the level may jump there (s.d. 0.4 in
    the logarithm) and what stayed bad does not carry over. doubt: factors by which all leaks alike may have to be
    multiplied to be right, each with its weight (a leak law that is not known).
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
    now = float(age[-1]) if now is None else float(now)
    points = len(age)
    log_leak, error = _in_logs(leak, sd)
    if points > _MOST_LEAKS:
        age, log_leak, error = _averaged(age, log_leak, error)
    first = _posterior(shapes(COARSE), age, log_leak, error, breaks, _every_noise())
    mean = (first.weight * first.fitted(age)).sum(0)
    off = np.abs(log_leak - mean) / np.hypot(error, first.noise)
    if (off > 3.0).any():
        error = np.where(off > 3.0, np.hypot(error, np.abs(log_leak - mean) / 1.5), error)
        first = _posterior(shapes(COARSE), age, log_leak, error, breaks, _every_noise())
    grid = shapes(FINE)
    post = _posterior(grid, age, log_leak, error, breaks, first.likely)
    return replace(_read(grid, post, age, now, float(np.log(limit)), doubt), points=points)


def _every_noise() -> tuple[tuple[float, float], ...]:
    return tuple((rho, noise) for rho in CORRELATION for noise in NOISE)


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
class _Posterior:
    grid: Shapes
    weight: Floats  # (shapes, 1), summed over the noise grid
    shown: Floats  # (shapes, 1), weight with that of growth which seldom shows put up; no wear has none
    level: Floats  # (shapes, 1) mean of the log level
    level_sd: Floats  # (shapes, 1)
    noise: float
    likely: tuple[tuple[float, float], ...]  # pairs of correlation and noise worth a finer grid

    def fitted(self, age: Floats) -> Floats:
        return self.grid.log_curve(age) + self.level


def _posterior(
    grid: Shapes,
    age: Floats,
    log_leak: Floats,
    error: Floats,
    breaks: tuple[float, ...],
    pairs: tuple[tuple[float, float], ...],
) -> _Posterior:
    groups = np.array_split(np.arange(len(age)), min(len(age), _MOST_POINTS))
    mix = np.zeros((len(groups), len(age)))
    for row, members in enumerate(groups):
        w = 1.0 / (error[members] ** 2 + 0.04)
        mix[row, members] = w / w.sum()
    block = np.searchsorted(np.asarray(breaks, float), age, side="right")
    same = block[:, None] == block[None, :]
    gap = np.abs(age[:, None] - age[None, :])
    # The level is that of the last stretch; those before a reseating lie off it by a jump of their own.
    before = [np.asarray(block < b, float) for b in range(1, len(breaks) + 1)]
    jump = sum((0.16 * np.outer(off, off) for off in before), np.zeros(gap.shape))
    fixed = mix @ (np.diag(error**2) + jump) @ mix.T
    curve = grid.log_curve(age) @ mix.T
    every = np.vstack([curve, mix @ log_leak, np.ones(len(groups))]).T
    log_odds, levels, variances, noises, distances = [], [], [], [], []
    pattern = {rho: mix @ np.where(same, rho**gap if rho else np.eye(len(age)), 0.0) @ mix.T for rho, _ in pairs}
    for rho, noise in pairs:
        root = np.linalg.cholesky(fixed + noise**2 * pattern[rho])
        white = np.linalg.solve(root, every)
        shape, one = white[:, :-2], white[:, -1]
        r = white[:, -2:-1] - shape
        information = float(one @ one)
        distances.append((shape * shape).sum(0) - (one @ shape) ** 2 / information)
        level = (one @ r) / information
        misfit = (r * r).sum(0) - level**2 * information
        likelihood = -0.5 * misfit - np.log(np.diag(root)).sum() - 0.5 * np.log(information)
        log_odds.append(likelihood + np.log(CORRELATION[rho]))
        levels.append(level)
        variances.append(1.0 / information)
        noises.append(noise)
    odds = np.stack(log_odds) + grid.log_prior[None, :]
    chance = np.exp(odds - odds.max())
    chance /= chance.sum()
    weight = chance.sum(0)
    seldom = chance * (grid.kind > 0) / _chance_to_show(np.sqrt(np.maximum(np.stack(distances), 0.0)))
    shown = seldom.sum(0) if seldom.sum() > 0 else weight
    safe = np.maximum(weight, 1e-300)
    level_each, var_each = np.stack(levels), np.array(variances)[:, None]
    mean = (chance * level_each).sum(0) / safe
    var = (chance * (var_each + (level_each - mean) ** 2)).sum(0) / safe
    noise_mean = float((chance.sum(1) * np.array(noises)).sum())
    each = chance.sum(1)
    likely = tuple(p for p, c in zip(pairs, each, strict=True) if c > 0.01 * each.max())
    return _Posterior(
        grid, weight[:, None], (shown / shown.sum())[:, None], mean[:, None], np.sqrt(var)[:, None], noise_mean, likely
    )  # fmt: skip


def _read(
    grid: Shapes, post: _Posterior, age: Floats, now: float, log_limit: float, doubt: tuple[tuple[float, float], ...]
) -> Wear:
    ends = grid.log_curve(np.array([age[0], now]))
    grown = (ends[:, 1] - ends[:, 0]) > np.log(1.1)
    level = post.level + post.level_sd * _LEVEL_NODES[None, :]
    weights = (post.weight * _LEVEL_WEIGHTS[None, :]).ravel()
    at_now = (level + ends[:, 1:]).ravel()
    crossing = np.concatenate([grid.age_at(log_limit - np.log(f) - level).ravel() for f, _ in doubt])
    moment = max(now, 1.0) / np.maximum(crossing, max(now, 1.0))
    own, shown = (
        moment * np.concatenate([w * (each * _LEVEL_WEIGHTS[None, :]).ravel() for _, w in doubt])
        for each in (post.weight, post.shown)
    )
    order = np.argsort(crossing)
    by_level = np.argsort(at_now)
    total = np.cumsum(weights[by_level])
    low, middle, high = np.exp(at_now[by_level][np.searchsorted(total, np.array([0.1, 0.5, 0.9]) * total[-1])])
    wear = float(post.weight[grown].sum())
    growing = float(post.weight[grown & (grid.kind == 2)].sum())
    return Wear(
        wear, float(middle), float(low), float(high), crossing[order], own[order] / own.sum(), now,
        post.noise, len(age), growing / wear if wear > 0 else 0.0, shown[order] / shown.sum(),
    )  # fmt: skip


__all__ = ["EIGHTY_PERCENT", "FARTHEST_SHOTS", "WEAR_SEEN", "Shapes", "Wear", "fit_wear", "quantiles", "shapes"]
