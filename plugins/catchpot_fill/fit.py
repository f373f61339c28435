"""The fit of many shots at once: coarse grid, noise learnt from the residuals, fine grid, intervals."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from catchpot.physics.lanes import lane_family
from catchpot.stats.regress import grid_quantiles, shortest_interval
from catchpot_fill.arrival import BED, HOSE, LINE, Bins, fitted_pressure, profile
from catchpot_fill.noise import learn_noise, reweighted
from catchpot_fill.prepare import Binned, Samples

Array = NDArray[np.float64]
Ints = NDArray[np.intp]

SPREADS = (0.0, 0.14, 0.19, 0.25)
CHANCES = np.array([0.85, 0.05, 0.05, 0.05])
"""Half-spreads of the lanes' permeability that are tried, and what is thought of them before the shot is seen.

The plain front has most of it, or a straight front's volume would never be known to better than 2 %. The price: lanes
within +-10 % pass for a straight front, and the volume found is then that at which the middle of the front arrives, up
to 2 % late. tests/studies/study_arrival.py shows both.
"""
COARSE = np.concatenate([np.linspace(0.45, 0.8, 36)[:-1], np.linspace(0.8, 1.0, 51)])
BEYOND = 1.0 + np.array(
    [0.0, 5e-4, 1e-3, 2e-3, 4e-3, 7e-3, 0.01, 0.015, 0.02, 0.03, 0.05, 0.08, 0.12, 0.2, 0.35, 0.6, 1.0, 2.0]
)
SPAN = np.concatenate([COARSE[::2], BEYOND[1::3]])
"""Shares of the injected volume tried as arrival volume: from coarse to fine, and beyond its end: no arrival."""
BOOK = np.linspace(-4.0, 4.0, 33)
"""Standard deviations around the volume the book expects that are tried where no arrival is found."""
FINE = 61
ALL, ROUGHLY = (0, 1, 2, 3), (0, 2)
"""Numbers of the spreads tried; learning the noise needs a fair curve, not every one."""
PATTERN_SD = 0.0035
"""What a fabric's own pattern of lanes moves the arrival, beyond the drawn patterns' shapes; share of the volume."""
SPREADING_SD = 0.02
"""In a diverging channel the bend is so gentle that small errors of the book move it: what is added for them there."""
SAMPLING_SD = 3e-4
"""What sampling, time stamps and bins leave, as seen where all else is known best; share of the volume."""
FAR = 40.0
"""Grid points whose deviance lies this much above the least carry no weight."""
CHUNK = 16
FEWEST_BINS = 20
LEAST_GAIN = 12.0
"""Deviance by which a curve with an arrival must beat every curve without one: three and a half standard deviations.
At less, those arrivals that noise happens to make look clear would be the ones reported, and too early."""


@dataclass(frozen=True)
class Fit:
    """Outcome of the fit, one row a shot (shots,); NaN where there was too little to fit.

    arrival_l, low_l, high_l: median and 95 % interval of the arrival volume. gain: how much worse, in deviance, the
    best curve without an arrival fits. chance_straight: of a straight front. smear_l. inverse_permeability and sd; line
    resistance and sd. hose: resistance of a litre of filled vent hose, free of viscosity. flow_noise: the proportional
    part of the noise. correlation_factor: how much its serial correlation widens the intervals, squared.
    fitted_dp_pa, fill: (shots, bins), the best curve's driving pressure and the share filled.
    """

    arrival_l: Array
    low_l: Array
    high_l: Array
    gain: Array
    chance_straight: Array
    smear_l: Array
    inverse_permeability: Array
    inverse_permeability_sd: Array
    line_resistance: Array
    line_resistance_sd: Array
    hose: Array
    flow_noise: Array
    correlation_factor: Array
    fitted_dp_pa: Array
    fill: Array


@dataclass
class _Grid:
    volumes: Array
    spreads: Ints
    deviance: Array
    terms: Array
    covariance: Array


def _evaluate(bins: Bins, volumes: Array, spreads: tuple[int, ...]) -> _Grid:
    every = [profile(bins, volumes, lane_family(float(bins.taper[0]), SPREADS[j])) for j in spreads]
    return _Grid(
        volumes,
        np.array(spreads),
        np.stack([p.deviance for p in every], axis=-1),
        np.stack([p.terms for p in every], axis=-2),
        np.stack([p.covariance for p in every], axis=-3),
    )


def _best(grid: _Grid) -> tuple[Array, Ints, Array]:
    shots = np.arange(len(grid.volumes))
    flat = np.argmin(grid.deviance.reshape(len(shots), -1), axis=1)
    at, spread = np.unravel_index(flat, grid.deviance.shape[1:])
    return grid.volumes[shots, at], grid.spreads[spread], grid.terms[shots, at, spread]


def fit_shots(s: Samples, b: Binned, bins: Bins, expected_l: Array, expected_sd: Array) -> Fit:
    """Fit all shots.

    bins: what `b` says, with the book's values beside it and a first guess of the noise. expected_l, expected_sd:
    (shots,), the arrival volume by the book and its s.d.; where no arrival is found, it scales the permeability.
    """
    groups = len(bins.n)
    total = np.max(np.where(bins.n > 0, bins.vol_l, 0.0), axis=1)
    ready = (np.sum(bins.n > 0, axis=1) >= FEWEST_BINS) & np.isfinite(bins.taper) & (total > 1.2 * bins.runner_l)
    nan = np.full(groups, np.nan)
    curves = {name: np.full(bins.n.shape, np.nan) for name in ("fitted_dp_pa", "fill")}
    out = Fit(**{f.name: nan.copy() for f in fields(Fit) if f.name not in curves}, **curves)
    rows = np.flatnonzero(ready)
    if not len(rows):
        return out
    # one channel and one set of terms a chunk
    kind = np.stack([bins.taper, bins.runner_sd_l > 0, bins.hose_l > 0, b.stroked], axis=1)[rows]
    _, alike = np.unique(kind, axis=0, return_inverse=True)
    chunks = [
        group[i : i + CHUNK]
        for k in range(int(alike.max()) + 1)
        for group in [rows[alike.reshape(-1) == k]]
        for i in range(0, len(group), CHUNK)
    ]
    fitted = np.zeros_like(bins.dp)
    for turn in range(2):
        for c in chunks:
            fitted[c] = _fitted(bins.part(c), _evaluate(bins.part(c), total[c, None] * SPAN, ROUGHLY))[0]
        noise = learn_noise(s, b, fitted)
        bins = reweighted(bins, b, fitted, noise, robust=turn > 0)
    # the running volume wanders with the flow meter's noise as learnt, not as first guessed
    wander = b.wander_l * np.where(b.stroked, 1.0, np.clip(np.sqrt(noise.proportional) / b.flow_noise, 0.5, 3.0))
    for c in chunks:
        _finish(out, c, bins.part(c), total[c], wander[c])
    lost = rows[~(out.gain[rows] > LEAST_GAIN) & (expected_l[rows] > 1.05 * bins.runner_l[rows])]
    for c in chunks:
        _by_the_book(out, np.intersect1d(c, lost), bins, expected_l, expected_sd)
    out.flow_noise[rows] = np.sqrt(noise.proportional[rows])
    out.correlation_factor[rows] = noise.factor[rows]
    return out


def _fitted(bins: Bins, grid: _Grid) -> tuple[Array, Array]:
    """Driving pressure and filled share (shots, bins) of the likeliest curve."""
    volume, spread, terms = _best(grid)
    dp = np.empty_like(bins.dp)
    for j in np.unique(spread):
        rows = spread == j
        family = lane_family(float(bins.taper[0]), SPREADS[j])
        dp[rows] = fitted_pressure(bins.part(rows), volume[rows], family, terms[rows])
    return dp, np.clip((bins.vol_l - bins.runner_l[:, None]) / (volume - bins.runner_l)[:, None], 0.0, 1.0)


def _finish(out: Fit, c: Ints, bins: Bins, total: Array, wander: Array) -> None:
    coarse = _evaluate(bins, total[:, None] * COARSE, ALL)
    beyond = np.min(_evaluate(bins, total[:, None] * BEYOND, ROUGHLY).deviance, axis=(1, 2))
    least = np.min(coarse.deviance, axis=(1, 2))
    near = np.min(coarse.deviance, axis=2) - least[:, None] < FAR
    last = len(COARSE) - 1
    low = COARSE[np.maximum(np.argmax(near, axis=1) - 1, 0)]
    high = COARSE[np.minimum(last - np.argmax(near[:, ::-1], axis=1) + 1, last)]
    volumes = total[:, None] * (low[:, None] + (high - low)[:, None] * np.linspace(0.0, 1.0, FINE))
    fine = _evaluate(bins, volumes, ALL)
    least = np.minimum(least, np.min(fine.deviance, axis=(1, 2)))
    density = np.exp(-0.5 * (fine.deviance - least[:, None, None])) * CHANCES
    median = grid_quantiles(volumes, density.sum(axis=2), [0.5])[:, 0]
    low, high = shortest_interval(volumes, density.sum(axis=2), 0.95)
    straight = grid_quantiles(volumes, density[:, :, 0] + 1e-300, [0.5])[:, 0]
    weight = density / density.sum(axis=(1, 2), keepdims=True)
    by_spread = weight.sum(axis=1)
    # the plainer explanation unless the data speak clearly against it; the interval keeps both
    plain = (by_spread[:, 0] > 0.25) & (straight > low) & (straight < high)
    middle = np.clip(np.where(plain, straight, median), low, high)
    unseen = SAMPLING_SD + PATTERN_SD * (1.0 - by_spread[:, 0]) + np.where(bins.taper > 1.5, SPREADING_SD, 0.0)
    wander = np.hypot(wander, unseen * (middle - bins.runner_l))
    out.arrival_l[c] = middle
    out.low_l[c] = middle - np.hypot(middle - low, 1.96 * wander)
    out.high_l[c] = middle + np.hypot(high - middle, 1.96 * wander)
    out.gain[c] = beyond - least
    out.chance_straight[c] = by_spread[:, 0]
    smear = np.array([lane_family(float(bins.taper[0]), s).smear for s in SPREADS])
    out.smear_l[c] = by_spread @ smear * (middle - bins.runner_l)
    out.hose[c] = _terms(out, c, bins, fine, weight)[:, HOSE]


def _terms(out: Fit, c: Ints, bins: Bins, grid: _Grid, weight: Array) -> Array:
    """Write the terms with their spread, and the likeliest curve; returns the mean terms (shots, TERMS).

    weight: (shots, volumes, spreads), what each curve of the grid counts, 1 in all for a shot.
    """
    mean = np.einsum("svj,svjt->st", weight, grid.terms)
    between = np.einsum("svj,svjt->st", weight, (grid.terms - mean[:, None, None, :]) ** 2)
    within = np.einsum("svj,svjtt->st", weight, grid.covariance)
    sd = np.sqrt(np.maximum(between[:, :HOSE] + within[:, :HOSE], 0.0))
    # which lanes they are changes the permeability that the curve stands for
    patterns = weight.sum(axis=1) @ np.array([lane_family(float(bins.taper[0]), s).factor_sd for s in SPREADS])
    out.inverse_permeability[c] = mean[:, BED]
    out.inverse_permeability_sd[c] = np.hypot(sd[:, BED], patterns * mean[:, BED])
    out.line_resistance[c], out.line_resistance_sd[c] = mean[:, LINE], sd[:, LINE]
    out.fitted_dp_pa[c], out.fill[c] = _fitted(bins, grid)
    return np.asarray(mean, dtype=float)


def _by_the_book(out: Fit, c: Ints, bins: Bins, expected_l: Array, expected_sd: Array) -> None:
    """Terms of shots without a clear arrival: every volume counts by what the book expects and by how it fits.

    The book alone would not do: where the mould takes more than the book says, a curve that bends at the book's volume
    fits the rising resistance only with a permeability far off. Heavy tails let the curve overrule the book.
    """
    if not len(c):
        return
    part = bins.part(c)
    total = np.max(np.where(part.n > 0, part.vol_l, 0.0), axis=1)
    volumes = np.sort(
        np.concatenate([expected_l[c, None] + expected_sd[c, None] * BOOK, total[:, None] * BEYOND], axis=1), axis=1
    )
    volumes = np.maximum(volumes, 1.02 * part.runner_l[:, None])
    grid = _evaluate(part, volumes, ALL)
    width = np.gradient(volumes, axis=1)
    away = (volumes - expected_l[c, None]) / expected_sd[c, None]
    prior = (1.0 + away**2 / 4.0) ** -2.5 * np.maximum(width, 0.0)
    least = np.min(grid.deviance, axis=(1, 2), keepdims=True)
    weight = np.exp(-0.5 * (grid.deviance - least)) * prior[:, :, None] * CHANCES
    weight /= weight.sum(axis=(1, 2), keepdims=True)
    _terms(out, c, part, grid, weight)
