"""Wear of a seal from its noisy leaks: when will the fitted curve meet the limit?

The leak is a curve of the shots since the seal was new, times noise: `leak = level x shape(age) x exp(noise)`. Shapes:
`wear_shapes`. The noise may stay bad from shot to shot (first-order autoregressive, by age), or the curve itself may
wander off its shape as the seal ages (Brownian motion of the logarithm: S. Bogdanoff & F. Kozin 1985 of cracks; G. A.
Whitmore 1995), and every leak has its own measuring error beside it, which is also what sets how small the noise may
be. All shapes, noise levels, correlations and wanderings are tried on a grid and weighed by evidence; the level is
integrated out in closed form. None is picked: a crossing is what all of them say together. A wandering curve is
forecast from where it is now, and the further ahead, the wider.

Priors: half no wear; of the growths `wear_shapes.KINDS`; noise that does not last a third, the rest over all
correlations; and a seal that is asked about rather late in its life than early (`MOMENT`), as early wear does not show.

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

from catchpot.stats.wear_posterior import History, Posterior, every_noise, posterior, refined
from catchpot.stats.wear_shapes import COARSE, FARTHEST, FARTHEST_SHOTS, FINE, KINDS, LEAST, Shapes, shapes

Floats = NDArray[np.float64]

WEAR_SEEN: Final = 0.85
PRIOR_SEALS: Final = 4.0
MOMENT: Final = 1.5
"""A seal of age n meets its limit at N with odds, over the logarithm of N, that fall as (n / N) to this power: 1 would
be a seal looked at at no special moment, 2 one looked at the oftener the older it is."""
# Levels between which 80 % of the crossings fell, and the one that erred least on either side, over made-up histories
# of the study's six laws and of worlds with none of these shapes, by the noise (calibration of prediction limits by
# simulation: Beran 1990). The noisier, the farther the shapes that would meet the limit at once reach below what comes
# true.
_NOISE_AT: Final = (0.02, 0.05, 0.15, 0.3)
_LOW_LEVEL: Final = (0.1, 0.2, 0.34, 0.36)
_MIDDLE_LEVEL: Final = (0.5, 0.58, 0.6, 0.6)
HIGH_LEVEL: Final = 0.91
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
    the curve now (80 %). crossing: ages at which the curve may meet the limit, ascending, with their weights (sum 1),
    corrected for forecasts being made only where wear shows. now: age in shots. noise: typical spread of one leak about
    the curve (share). points: leaks used.
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

    @property
    def seen(self) -> bool:
        """Whether wear shows well enough for a date: no date is made out of noise."""
        return self.wear >= WEAR_SEEN

    @property
    def eighty(self) -> tuple[float, float, float]:
        """Levels of the 80 % interval's lower end, the middle, the upper end, for `shots_left`."""
        low, middle = (float(np.interp(self.noise, _NOISE_AT, v)) for v in (_LOW_LEVEL, _MIDDLE_LEVEL))
        return low, middle, HIGH_LEVEL

    def shots_left(self, *levels: float) -> tuple[float, ...]:
        """Quantiles of the shots left before the curve meets the limit, 0 where it has; see `quantiles`."""
        return tuple(max(v - self.now, 0.0) for v in quantiles(self.crossing, self.weights, levels))

    def reweighed(self, log_mean: float, log_sd: float, base_sd: float = 2.5) -> Wear:
        """The same leaks read with what other seals' lives say: log life normal(log_mean, log_sd) beforehand.

        base_sd: spread of the log life that the grid itself allows, divided out. Only lives beyond the oldest leak
        below the limit are touched in earnest; a strong own history outweighs the others.
        """
        life = np.log(np.maximum(self.crossing, 1.0))
        z, flat = (life - log_mean) / log_sd, (life - log_mean) / base_sd
        factor = np.exp(-0.5 * z * z + 0.5 * flat * flat)
        weights = self.weights * factor + 1e-300
        return replace(self, weights=weights / weights.sum())


def quantiles(values: Floats, weights: Floats, levels: tuple[float, ...]) -> list[float]:
    """Quantiles of weighted values, shape (n,), in any order.

    >>> quantiles(np.array([3.0, 1.0, 2.0]), np.ones(3), (0.3, 0.5))
    [1.0, 2.0]
    """
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    at = np.minimum(np.searchsorted(total, np.array(levels) * total[-1]), len(values) - 1)
    return [float(v) for v in values[order][at]]


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
    history = History(
        np.maximum(age, 0.5 * first_age) / unit, log_leak, error, tuple(b / unit for b in breaks), now / unit
    )
    pairs = every_noise(error)
    first = posterior(shapes(COARSE, kinds=kinds), history, pairs)
    off = np.abs(log_leak - first.mean) / np.hypot(error, first.noise)
    if (off > 3.0).any():
        history = replace(
            history, error=np.where(off > 3.0, np.hypot(error, np.abs(log_leak - first.mean) / 1.5), error)
        )
        first = posterior(shapes(COARSE, kinds=kinds), history, pairs)
    grid, post = refined(shapes(FINE, kinds=kinds), history, first.likely, pairs)
    return replace(_read(grid, post, history, float(np.log(limit)), doubt, unit), points=points)


def pooled_kinds(others: Sequence[tuple[float, ...]]) -> tuple[float, ...]:
    """How often each kind of growth is met, by the seals of a workshop: the usual shares, worth four seals, and theirs.

    others: `Wear.kinds` of seals with a history of their own.

    >>> even = (1.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    >>> sum(pooled_kinds([even])) > 0.999, pooled_kinds([even])[0]
    (True, 0.6)
    """
    total = PRIOR_SEALS * np.array(list(KINDS.values())) + np.sum(
        [np.zeros(len(KINDS)), *map(np.array, others)], axis=0
    )
    return tuple(float(round(v, 4)) for v in total / total.sum())


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


def _read(
    grid: Shapes, post: Posterior, h: History, log_limit: float, doubt: tuple[tuple[float, float], ...], unit: float
) -> Wear:
    ends = grid.log_curve(np.array([h.age[0], h.now]))
    grown = (ends[:, 1] - ends[:, 0]) > np.log(1.1)
    crossings, showns, levels, weights = [], [], [], []
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
            meets = grid.age_at(ends[:, 1:] + rest - at)
            crossings.append(meets.ravel())
            showns.append((w * part.shown[:, None] * _LEVEL_WEIGHTS[None, :]).ravel())
    crossing, shown = np.concatenate(crossings), np.concatenate(showns)
    least = max(h.now, LEAST)
    shown *= (least / np.maximum(crossing, least)) ** MOMENT
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
        wear, float(middle_now), float(low), float(high), unit * crossing[order], shown[order] / shown.sum(),
        h.now * unit, post.noise, len(h.age), kinds,
    )  # fmt: skip


__all__ = ["FARTHEST_SHOTS", "WEAR_SEEN", "Shapes", "Wear", "fit_wear", "pooled_kinds", "quantiles", "shapes"]
