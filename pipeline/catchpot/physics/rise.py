"""Slope of a pressure rise in a closed volume: leak (straight) and outgassing (saturating) fitted together.

Many rises at once: the readings of each are averaged into at most 32 bins of equal count, then everything is a
handful of weighted sums over arrays of shape (rises, bins). Pressures in mbar, times in s.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Final

import numpy as np
from numpy.typing import NDArray

from catchpot.physics.binned import Binned

Floats = NDArray[np.float64]
# Time constants of the outgassing tried, as shares of the rise's length.
TIME_CONSTANTS: Final = (0.08, 0.16, 0.3, 0.6, 1.2)
_NODES: Final = (0.1, 0.3, 0.5, 0.7, 0.9)


@dataclass(frozen=True)
class RiseFit:
    """What each rise shows; arrays of shape (rises,), NaN where there was too little to fit.

    slope, low, high, sd: rate of the leak, mbar/s: median, 95 % interval and s.d. of leak and outgassing weighed by
    evidence. start, end: fitted pressure at the first and last bin, mbar. outgassing: probability that some of the
    rise saturates. saturating_mbar: its expected height. noise_mbar: s.d. of one reading. plain: slope of the straight
    line alone. readings: how many were used.
    """

    slope: Floats
    low: Floats
    high: Floats
    sd: Floats
    start: Floats
    end: Floats
    outgassing: Floats
    saturating_mbar: Floats
    noise_mbar: Floats
    plain: Floats
    readings: Floats


def fit_rises(
    data: Binned,
    *,
    height_mbar: float = 2.0,
    prior_outgassing: float = 0.2,
    drift_mbar_min: float = 0.1,
    rate_floor_sd: Floats | float = 0.0,
) -> RiseFit:
    """Fit `p = a + b t` and `p = a + b t + c (1 - exp(-t / tau))`, c >= 0, and weigh them by evidence.

    height_mbar: scale of the half-normal prior on c. prior_outgassing: chance given beforehand that there is any.
    drift_mbar_min: s.d. of the sensor's own drift. rate_floor_sd: further s.d. of the rate, mbar/s (gas temperature).
    Readings far off the line are weighted down (Huber); noise is taken as found, its correlation from bin to bin and
    the gauge's resolution widen the interval. An outgassing much slower than the rise looks like a leak and can't be
    told from one. Source of the model: pressure-rise test; linear part leak, saturating part outgassing.
    """
    taus = np.broadcast_to(np.array(TIME_CONSTANTS), (len(data.n), len(TIME_CONSTANTS)))
    first = _fit(data, taus, height_mbar, prior_outgassing, drift_mbar_min, rate_floor_sd)
    sure = np.flatnonzero(first.outgassing > 0.99)
    if len(sure) == 0:
        return first
    # Where it surely saturates the time constant is sought between those of the grid and tried as well.
    part = Binned(*(getattr(data, f.name)[sure] for f in fields(Binned)))
    finer = np.concatenate([taus[sure], _sought(part)], axis=1)
    floor = np.broadcast_to(np.asarray(rate_floor_sd, float), (len(data.n),))[sure]
    second = _fit(part, finer, height_mbar, prior_outgassing, drift_mbar_min, floor)
    for f in fields(RiseFit):
        getattr(first, f.name)[sure] = getattr(second, f.name)
    return first


def _sought(data: Binned) -> Floats:
    """Time constants about the best one, as shares of each rise's length, shape (rises, 5)."""
    x = data.t_s / np.maximum(data.length_s, 1e-9)[:, None]
    fit = (data.n > 0).sum(axis=1) >= 5
    w = data.n
    total = np.maximum(w.sum(1), 1.0)
    centre = np.full(len(x), np.log(0.3))
    half = np.log(6.0)
    for _ in range(4):
        tried = centre[:, None] + half * np.linspace(-1.0, 1.0, 9)[None, :]
        left = np.empty_like(tried)
        for k in range(tried.shape[1]):
            rest = data.p_mbar - ((w * data.p_mbar).sum(1) / total)[:, None]
            basis: list[Floats] = []
            for column in (x, 1.0 - np.exp(-x / np.exp(tried[:, k])[:, None])):
                c = column - ((w * column).sum(1) / total)[:, None]
                for b in basis:
                    c = c - ((w * b * c).sum(1) / np.maximum((w * b * b).sum(1), 1e-30))[:, None] * b
                basis.append(c)
                rest = rest - ((w * c * rest).sum(1) / np.maximum((w * c * c).sum(1), 1e-30))[:, None] * c
            left[:, k] = np.where(fit, (w * rest * rest).sum(1), 0.0)
        centre = np.take_along_axis(tried, np.argmin(left, axis=1)[:, None], 1)[:, 0]
        half /= 4.0
    return np.asarray(np.exp(centre[:, None] + np.array([-0.12, -0.05, 0.0, 0.05, 0.12])[None, :]))


def _fit(
    data: Binned, taus: Floats, height_mbar: float, prior: float, drift_mbar_min: float, rate_floor_sd: Floats | float
) -> RiseFit:
    t, y, n = data.t_s, data.p_mbar, data.n
    bins = (n > 0).sum(axis=1)
    fit = (bins >= 5) & (data.length_s > 0)
    span = np.where(fit, data.length_s, 1.0)
    x = t / span[:, None]
    shapes = [1.0 - np.exp(-x / taus[:, k, None]) for k in range(taus.shape[1])]
    w = _robust(x, shapes[2], y, n, fit)
    total = np.where(fit, w.sum(1), 1.0)

    def centred(v: Floats) -> Floats:
        return np.asarray(v - ((w * v).sum(1) / total)[:, None])

    xc, yc = centred(x), centred(y)
    xx = np.where(fit, (w * xc * xc).sum(1), 1.0)
    line = (w * xc * yc).sum(1) / xx
    left = yc - line[:, None] * xc
    ss_line = (w * left * left).sum(1)
    curved: list[tuple[Floats, Floats, Floats]] = []
    best = ss_line
    for s in shapes:
        sc = centred(s)
        lean = (w * sc * xc).sum(1) / xx
        own = sc - lean[:, None] * xc
        oo = np.where(fit, (w * own * own).sum(1), 1.0)
        c = (w * own * left).sum(1) / oo
        best = np.minimum(best, ss_line - np.where(c > 0, c * c * oo, 0.0))
        curved.append((c, oo, lean))
    free = np.maximum(bins - 3.0, 2.0)
    scale = np.where(data.resolution_mbar < np.inf, data.resolution_mbar, 1.0)
    variance = np.maximum(best / free, 1e-12 + (1e-6 * scale) ** 2)
    variance = variance * _correlated(left, w, fit)
    noise = np.sqrt(variance)
    sd0 = noise / np.sqrt(xx)
    rise = np.abs(line)
    # A gauge coarser than its noise shows stairs: the slope is known to a stair's share of them.
    stairs = np.where(noise < 0.5 * scale, 0.5 * scale / np.maximum(1.0, rise / scale), 0.0)
    sd0 = np.sqrt(sd0**2 + stairs**2) * (1.0 + 1.2 / free)
    nodes, weights, height = _weigh(curved, variance, height_mbar, prior)
    quantiles = _quantiles(nodes / sd0[:, None], weights, (0.025, 0.5, 0.975))
    low, middle, high = ((line + q * sd0) / span for q in quantiles)
    mean = -(weights * nodes).sum(1)
    sd = np.sqrt(sd0**2 + (weights * (nodes + mean[:, None]) ** 2).sum(1)) / span
    extra = np.hypot(drift_mbar_min / 60.0, rate_floor_sd)
    blank = np.where(fit, 0.0, np.nan)
    y_mean = (w * y).sum(1) / total
    x_mean = (w * x).sum(1) / total
    return RiseFit(
        slope=middle + blank,
        low=middle - np.hypot(middle - low, 1.96 * extra) + blank,
        high=middle + np.hypot(high - middle, 1.96 * extra) + blank,
        sd=np.hypot(sd, extra) + blank,
        start=y_mean - x_mean * line + blank,
        end=y_mean + (1.0 - x_mean) * line + blank,
        outgassing=1.0 - weights[:, 0] + blank,
        saturating_mbar=height + blank,
        noise_mbar=noise + blank,
        plain=line / span + blank,
        readings=np.where(fit, n.sum(1), 0.0),
    )


def _robust(x: Floats, s: Floats, y: Floats, n: Floats, fit: NDArray[np.bool_]) -> Floats:
    """Counts times Huber weights about a line with one saturating term."""
    w = n.copy()
    for _ in range(3):
        total = np.where(fit, w.sum(1), 1.0)
        basis: list[Floats] = []
        rest = y - ((w * y).sum(1) / total)[:, None]
        for column in (x, s):
            c = column - ((w * column).sum(1) / total)[:, None]
            for b in basis:
                c = c - ((w * b * c).sum(1) / np.maximum((w * b * b).sum(1), 1e-30))[:, None] * b
            basis.append(c)
            rest = rest - ((w * c * rest).sum(1) / np.maximum((w * c * c).sum(1), 1e-30))[:, None] * c
        size = np.abs(rest) * np.sqrt(n)
        # Median over the bins there are: the empty ones are sorted to the end.
        ordered = np.sort(np.where(n > 0, size, np.inf), axis=1)
        middle = np.take_along_axis(ordered, np.maximum((n > 0).sum(1)[:, None] // 2, 0).clip(max=n.shape[1] - 1), 1)
        limit = 2.5 * 1.4826 * np.where(np.isfinite(middle), middle, 1.0) + 1e-9
        w = n * np.minimum(1.0, limit / np.maximum(size, 1e-12))
    return np.where(fit[:, None], w, 0.0)


def _correlated(left: Floats, w: Floats, fit: NDArray[np.bool_]) -> Floats:
    """Factor on the variance of a slope for noise that is correlated from bin to bin."""
    z = left * np.sqrt(w)
    r = (z[:, 1:] * z[:, :-1]).sum(1) / np.where(fit, np.maximum((z * z).sum(1), 1e-30), 1.0)
    # What chance alone gives (half an s.d. of r) is not held against the data.
    r = np.clip(r - 0.5 / np.sqrt(np.maximum((w > 0).sum(1), 1)), 0.0, 0.8)
    return np.asarray((1.0 + r) / (1.0 - r))


def _weigh(
    curved: list[tuple[Floats, Floats, Floats]], variance: Floats, height: float, prior: float
) -> tuple[Floats, Floats, Floats]:
    """Shifts of the slope, weights (first column: no outgassing), expected height; a posterior on c in five nodes."""
    from scipy.special import log_ndtr, ndtr, ndtri

    shifts, odds, heights = [np.zeros_like(variance)[:, None]], [np.zeros_like(variance)], []
    for c, oo, lean in curved:
        var_c = variance / oo
        v = 1.0 / (1.0 / var_c + 1.0 / height**2)
        sd = np.sqrt(v)
        m = v * c / var_c
        z = m / sd
        odds.append(np.log(2.0) + np.log(sd / height) + 0.5 * z * z + log_ndtr(z))
        # Quantiles of a normal cut off below zero, from its upper tail so that z far below zero stays accurate.
        above = ndtr(z)[:, None]
        node = m[:, None] - sd[:, None] * ndtri(np.clip(above * (1.0 - np.array(_NODES)), 1e-300, 1.0 - 1e-15))
        node = np.maximum(node, 0.0)
        heights.append(node.mean(1))
        shifts.append(lean[:, None] * node)
    log_odds = np.stack(odds, axis=1)
    log_odds[:, 0] += np.log1p(-prior)
    log_odds[:, 1:] += np.log(prior / len(curved))
    chance = np.exp(log_odds - log_odds.max(axis=1, keepdims=True))
    chance /= chance.sum(axis=1, keepdims=True)
    expected = (chance[:, 1:] * np.stack(heights, axis=1)).sum(1)
    weights = np.concatenate([chance[:, :1], np.repeat(chance[:, 1:] / len(_NODES), len(_NODES), axis=1)], axis=1)
    return np.concatenate(shifts, axis=1), weights, expected


def _quantiles(shift: Floats, weights: Floats, levels: tuple[float, ...]) -> list[Floats]:
    """Quantiles of a mixture of unit normals at minus `shift`, by tabulating its distribution."""
    from scipy.special import ndtr

    deepest = np.max(np.where(weights > 1e-4, shift, 0.0), axis=1)
    share = np.linspace(0.0, 1.0, 25)[None, :]
    grid = -4.0 - deepest[:, None] + share * (8.0 + deepest[:, None])
    # Widely spread mixtures get their table refined once about each level.
    found: list[Floats] = []
    table = np.einsum("hj,hjg->hg", weights, ndtr(grid[:, None, :] + shift[:, :, None]))
    rows = np.arange(len(grid))
    for level in levels:
        k = np.clip((table < level).sum(axis=1), 1, grid.shape[1] - 1)
        low, high = grid[rows, k - 1], grid[rows, k]
        f_low, f_high = table[rows, k - 1], table[rows, k]
        for _ in range(3):
            # Interpolation in the normal's own scale is nearly straight.
            middle = low + (high - low) * np.clip((level - f_low) / np.maximum(f_high - f_low, 1e-12), 0.02, 0.98)
            f = (weights * ndtr(middle[:, None] + shift)).sum(1)
            under = f < level
            low, f_low = np.where(under, middle, low), np.where(under, f, f_low)
            high, f_high = np.where(under, high, middle), np.where(under, f_high, f)
        found.append(low + (high - low) * np.clip((level - f_low) / np.maximum(f_high - f_low, 1e-12), 0.0, 1.0))
    return found
