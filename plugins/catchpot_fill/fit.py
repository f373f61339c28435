"""The fit of many shots at once: coarse grid, noise learnt from the residuals, fine grid, intervals."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from catchpot.physics.darcy import position_share, resistance_share
from catchpot.physics.lanes import NODES_PER_ARRIVAL, lane_family
from catchpot.stats.regress import grid_quantiles, huber_weights, long_run_factor, two_part_noise
from catchpot_fill.arrival import BED, HOSE, LINE, Bins, profile
from catchpot_fill.prepare import Binned, Samples

Array = NDArray[np.float64]
Ints = NDArray[np.intp]

SPREADS = (0.0, 0.14, 0.19, 0.25)
CHANCES = np.array([0.7, 0.1, 0.1, 0.1])
"""What is thought of the front before the shot is seen: as likely straight as not. Studied in tests/studies."""
COARSE = np.concatenate([np.linspace(0.45, 0.8, 36)[:-1], np.linspace(0.8, 1.0, 51)])
BEYOND = np.array([1.0, 1.02, 1.05, 1.1, 1.2, 1.35, 1.6, 2.0, 3.0])
FINE = 61
ALL, ROUGHLY = (0, 1, 2, 3), (0, 2)
"""Numbers of the spreads tried; learning the noise needs a fair curve, not every one."""
FAR = 40.0
"""Grid points whose deviance lies this much above the least carry no weight."""
CHUNK = 16
FEWEST_BINS = 20
LEAST_GAIN = 10.83
"""Deviance by which a curve with an arrival must beat every curve without one: one chance in a thousand by noise."""


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


def _evaluate(bins: Bins, volumes: Array, guess: Array | None, spreads: tuple[int, ...]) -> tuple[_Grid, Array]:
    taper = float(bins.taper[0])
    straight = profile(bins, volumes, lane_family(taper, 0.0), None)
    if guess is None:
        best = np.argmin(straight.deviance, axis=1)
        guess = np.maximum(np.abs(straight.terms[np.arange(len(best)), best, BED]), 1.0)
    every = [straight if not j else profile(bins, volumes, lane_family(taper, SPREADS[j]), guess) for j in spreads]
    return _Grid(
        volumes,
        np.array(spreads),
        np.stack([p.deviance for p in every], axis=-1),
        np.stack([p.terms for p in every], axis=-2),
        np.stack([p.covariance for p in every], axis=-3),
    ), guess


def _coarse(bins: Bins, ends: Array, spreads: tuple[int, ...]) -> tuple[_Grid, Array, Array]:
    grid, guess = _evaluate(bins, ends[:, None] * COARSE, None, spreads)
    beyond = profile(bins, ends[:, None] * BEYOND, lane_family(float(bins.taper[0]), 0.0), None)
    return grid, guess, np.min(beyond.deviance, axis=1)


def _best(grid: _Grid) -> tuple[Array, Ints, Array]:
    shots = np.arange(len(grid.volumes))
    flat = np.argmin(grid.deviance.reshape(len(shots), -1), axis=1)
    at, spread = np.unravel_index(flat, grid.deviance.shape[1:])
    return grid.volumes[shots, at], grid.spreads[spread], grid.terms[shots, at, spread]


def _resistances(taper: Array, spread: Ints, share: Array) -> Array:
    """Resistance share at (shots, points) of each shot's own channel and family."""
    out = np.empty_like(share)
    for t in np.unique(taper):
        for j, s in enumerate(SPREADS):
            rows = (taper == t) & (spread == j)
            if rows.any():
                mean = lane_family(float(t), s).mean
                nodes = np.arange(len(mean)) / NODES_PER_ARRIVAL
                out[rows] = np.interp(share[rows], nodes, mean)
    return out


def _noise(s: Samples, b: Binned, bins: Bins, fitted: Array, groups: int) -> tuple[Array, Array, Array]:
    """Variance of the pressures, squared proportional noise, and correlation factor, each (groups,)."""
    ok = b.bin >= 0
    g = s.shot[ok]
    ratio = fitted / np.where(b.flow_m3_s > 0, b.flow_m3_s, 1.0)
    residual = s.dp_pa[ok] - s.flow_m3_s[ok] * ratio[g, b.bin[ok]]
    rough = np.sqrt(np.bincount(g, residual**2, groups) / np.maximum(np.bincount(g, minlength=groups), 1))
    # clipped, so that a slug of air does not pass for noise
    clipped = np.clip(residual, -3 * rough[g], 3 * rough[g])
    predicted = s.flow_m3_s[ok] * ratio[g, b.bin[ok]]
    constant, proportional = two_part_noise(clipped**2, predicted**2, g, groups)
    sd = np.sqrt(constant[g] + proportional[g] * predicted**2)
    factor = long_run_factor(clipped / np.maximum(sd, 1e-9), g, groups, 40)
    return constant, proportional, factor


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
    chunks = [
        group[i : i + CHUNK]
        for t in np.unique(bins.taper[rows])
        for group in [rows[bins.taper[rows] == t]]
        for i in range(0, len(group), CHUNK)
    ]
    fitted = np.zeros_like(bins.dp)
    for turn in range(2):
        for c in chunks:
            grid, _, _ = _coarse(bins.part(c), total[c], ROUGHLY)
            fitted[c] = _fitted(bins.part(c), grid)[0]
        constant, proportional, factor = _noise(s, b, bins, fitted, groups)
        bins = _reweighted(bins, b, fitted, constant, proportional, factor, robust=turn > 0)
    for c in chunks:
        _finish(out, c, bins.part(c), total[c], np.sqrt(np.max(b.volume_variance[c], axis=1)))
    lost = rows[~(out.gain[rows] > LEAST_GAIN) & (expected_l[rows] > 1.05 * bins.runner_l[rows])]
    for c in chunks:
        _by_the_book(out, np.intersect1d(c, lost), bins, expected_l, expected_sd)
    out.flow_noise[rows] = np.sqrt(proportional[rows])
    out.correlation_factor[rows] = factor[rows]
    return out


def _fitted(bins: Bins, grid: _Grid) -> tuple[Array, Array]:
    volume, spread, terms = _best(grid)
    share = (bins.vol_l - bins.runner_l[:, None]) / (volume - bins.runner_l)[:, None]
    fill = np.clip(share, 0.0, 1.0)
    g = _resistances(bins.taper, spread, np.maximum(share, 0.0))
    past = np.clip(bins.vol_l - volume[:, None], 0.0, bins.hose_l[:, None])
    dp = (
        bins.line * terms[:, LINE, None]
        + bins.bed * (bins.scale[:, None] * g * terms[:, BED, None] + past * terms[:, HOSE, None])
        + bins.head_pa[:, None] * position_share(fill, bins.taper[:, None])
    )
    return dp, fill


def _reweighted(bins: Bins, b: Binned, fitted: Array, constant: Array, proportional: Array, factor: Array,
                *, robust: bool) -> Bins:  # fmt: skip
    """Bins with the noise that the residuals show, the volume's uncertainty, and outliers held down."""
    noise = constant[:, None] + proportional[:, None] * fitted**2
    # floor: a noise-free log would otherwise claim to know the volume to the last drop
    noise = np.maximum(noise, (1e-3 * np.abs(fitted)) ** 2 + 25.0)
    residual = (bins.dp - fitted) * np.sqrt(np.maximum(b.n, 1.0) / noise)
    n = b.n * (huber_weights(residual / np.sqrt(np.maximum(factor, 1.0))[:, None]) if robust else 1.0)
    slope = _slope(bins, fitted)
    volume = slope**2 * b.volume_variance * np.maximum(b.n, 1.0)
    return replace(bins, n=n, variance=noise * factor[:, None] + volume)


def _slope(bins: Bins, fitted: Array) -> Array:
    """Change of the fitted driving pressure with the share's volume, Pa/l, at the bin's flow."""
    end = np.max(bins.vol_l, axis=1, keepdims=True)
    x = np.clip((bins.vol_l - bins.runner_l[:, None]) / (end - bins.runner_l[:, None]), 0.0, 1.0)
    step = 1e-3
    taper = bins.taper[:, None]
    high, low = (resistance_share(np.clip(x + d, 1e-4, 1.0), taper) for d in (step, -step))
    with np.errstate(invalid="ignore"):
        relative = (high - low) / (2 * step) / np.maximum(resistance_share(np.clip(x, 1e-3, 1.0), taper), 1e-6)
    per_litre = np.abs(fitted) / (end - bins.runner_l[:, None])
    return np.asarray(np.nan_to_num(relative * per_litre), dtype=float)


def _finish(out: Fit, c: Ints, bins: Bins, total: Array, wander: Array) -> None:
    coarse, guess, beyond = _coarse(bins, total, ALL)
    least = np.min(coarse.deviance, axis=(1, 2))
    near = np.min(coarse.deviance, axis=2) - least[:, None] < FAR
    last = len(COARSE) - 1
    low = COARSE[np.maximum(np.argmax(near, axis=1) - 1, 0)]
    high = COARSE[np.minimum(last - np.argmax(near[:, ::-1], axis=1) + 1, last)]
    volumes = total[:, None] * (low[:, None] + (high - low)[:, None] * np.linspace(0.0, 1.0, FINE))
    fine, _ = _evaluate(bins, volumes, guess, ALL)
    least = np.minimum(least, np.min(fine.deviance, axis=(1, 2)))
    density = np.exp(-0.5 * (fine.deviance - least[:, None, None])) * CHANCES
    quantiles = grid_quantiles(volumes, density.sum(axis=2), [0.025, 0.5, 0.975])
    straight = grid_quantiles(volumes, density[:, :, 0] + 1e-300, [0.5])[:, 0]
    weight = density / density.sum(axis=(1, 2), keepdims=True)
    by_spread = weight.sum(axis=1)
    # the plainer explanation unless the data speak clearly against it; the interval keeps both
    plain = (by_spread[:, 0] > 0.3) & (straight > quantiles[:, 0]) & (straight < quantiles[:, 2])
    middle = np.where(plain, straight, quantiles[:, 1])
    out.arrival_l[c] = middle
    out.low_l[c] = middle - np.hypot(middle - quantiles[:, 0], 1.96 * wander)
    out.high_l[c] = middle + np.hypot(quantiles[:, 2] - middle, 1.96 * wander)
    out.gain[c] = beyond - least
    out.chance_straight[c] = by_spread[:, 0]
    smear = np.array([lane_family(float(bins.taper[0]), s).smear for s in SPREADS])
    out.smear_l[c] = by_spread @ smear * (quantiles[:, 1] - bins.runner_l)
    mean = np.einsum("svj,svjt->st", weight, fine.terms)
    second = np.einsum("svj,svjt->st", weight, fine.terms**2)
    within = np.einsum("svj,svjtt->st", weight, fine.covariance)
    sd = np.sqrt(np.maximum(second - mean**2 + within, 0.0))
    out.inverse_permeability[c], out.inverse_permeability_sd[c] = mean[:, BED], sd[:, BED]
    out.line_resistance[c], out.line_resistance_sd[c] = mean[:, LINE], sd[:, LINE]
    out.hose[c] = mean[:, HOSE]
    out.fitted_dp_pa[c], out.fill[c] = _fitted(bins, fine)


def _by_the_book(out: Fit, c: Ints, bins: Bins, expected_l: Array, expected_sd: Array) -> None:
    """Terms of shots without an arrival, scaled to the volume the book expects, its tolerance in the interval."""
    if not len(c):
        return
    volumes = expected_l[c, None] + expected_sd[c, None] * np.array([-1.0, 0.0, 1.0])
    volumes = np.maximum(volumes, 1.02 * bins.runner_l[c, None])
    part = bins.part(c)
    grid = profile(part, volumes, lane_family(float(part.taper[0]), 0.0), None)
    for values, sds, term in (
        (out.inverse_permeability, out.inverse_permeability_sd, BED),
        (out.line_resistance, out.line_resistance_sd, LINE),
    ):
        values[c] = grid.terms[:, 1, term]
        half = (grid.terms[:, 2, term] - grid.terms[:, 0, term]) / 2
        sds[c] = np.hypot(half, np.sqrt(np.maximum(grid.covariance[:, 1, term, term], 0.0)))
    middle = _Grid(
        volumes[:, 1:2], np.array([0]), grid.deviance[:, 1:2, None], grid.terms[:, 1:2, None], grid.covariance[:, 1:2, None]
    )
    out.fitted_dp_pa[c], out.fill[c] = _fitted(part, middle)
