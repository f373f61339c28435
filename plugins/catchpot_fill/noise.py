"""The noise of a log, learnt from what its own fit leaves over, and the weights that follow from it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from catchpot.physics.darcy import resistance_share
from catchpot.stats.regress import huber_weights, long_run_factor, two_part_noise
from catchpot_fill.arrival import Bins
from catchpot_fill.prepare import Binned, Samples

Array = NDArray[np.float64]

LONGEST_CORRELATION = 40
"""Samples over which serial correlation is looked for."""


@dataclass(frozen=True)
class Noise:
    """Noise of each shot (shots,): variance of the pressure, squared proportional noise, factor of its correlation."""

    constant: Array
    proportional: Array
    factor: Array


def learn_noise(s: Samples, b: Binned, fitted: Array) -> Noise:
    """Noise from the residuals of samples (of sums over time, where strokes were counted).

    fitted: (shots, bins), driving pressure of the fit at the bins' mean flow.
    """
    groups = len(fitted)
    ratio = fitted / np.where(b.flow_m3_s > 0, b.flow_m3_s, 1.0)
    rows = (b.bin >= 0) & ~b.stroked[s.shot]
    shot, number = s.shot[rows], b.bin[rows]
    predicted = s.flow_m3_s[rows] * ratio[shot, number]
    residual = s.dp_pa[rows] - predicted
    if b.stroked.any():
        whole = (b.n > 0) & b.stroked[:, None]
        of_bin = np.nonzero(whole)[0]
        shot = np.concatenate([shot, of_bin])
        predicted = np.concatenate([predicted, fitted[whole]])
        residual = np.concatenate([residual, _summed(b, fitted)[whole]])
        order = np.argsort(shot, kind="stable")
        shot, predicted, residual = shot[order], predicted[order], residual[order]
    rough = np.sqrt(np.bincount(shot, residual**2, groups) / np.maximum(np.bincount(shot, minlength=groups), 1))
    # clipped, so that a slug of air does not pass for noise
    clipped = np.clip(residual, -3 * rough[shot], 3 * rough[shot])
    constant, proportional = two_part_noise(clipped**2, predicted**2, shot, groups)
    sd = np.sqrt(constant[shot] + proportional[shot] * predicted**2)
    factor = long_run_factor(clipped / np.maximum(sd, 1e-9), shot, groups, LONGEST_CORRELATION)
    return Noise(constant, proportional, factor)


def _summed(b: Binned, fitted: Array) -> Array:
    """Residuals summed over time, Pa s, (shots, bins), about their mean; 0 where no strokes were counted."""
    sums = np.cumsum((b.dp_pa - fitted) * b.spell_s, axis=1)
    there = b.n > 0
    mean = np.sum(np.where(there, sums, 0.0), axis=1) / np.maximum(np.sum(there, axis=1), 1)
    return np.asarray(np.where(there & b.stroked[:, None], sums - mean[:, None], 0.0))


def reweighted(bins: Bins, b: Binned, fitted: Array, noise: Noise, *, robust: bool) -> Bins:
    """Bins with the noise that the residuals show, the volume's uncertainty in it, and outliers held down."""
    variance = noise.constant[:, None] + noise.proportional[:, None] * fitted**2
    # a floor: a log without noise would otherwise claim to know the volume to the last drop
    variance = np.maximum(variance, (1e-3 * np.abs(fitted)) ** 2 + 25.0)
    residual = np.where(b.stroked[:, None], _summed(b, fitted), bins.dp - fitted)
    residual = residual * np.sqrt(b.n / (variance * np.maximum(noise.factor, 1.0)[:, None]))
    n = b.n * (huber_weights(residual) if robust else 1.0)
    volume = _slope(bins, fitted) ** 2 * b.volume_variance * np.maximum(b.n, 1e-9)
    variance = variance * noise.factor[:, None] + volume
    return replace(bins, n=_settled(n * (bins.n > 0)), variance=_settled(variance))


def _settled(x: Array) -> Array:
    """Rounded to 24 bits: sums over a whole batch of samples differ in their last bits with the batch's other shots."""
    fraction, exponent = np.frexp(x)
    return np.asarray(np.ldexp(np.round(fraction * 2.0**24) / 2.0**24, exponent), dtype=float)


def _slope(bins: Bins, fitted: Array) -> Array:
    """Change of the fitted driving pressure with the share's volume, Pa/l, at the bin's flow."""
    end = np.max(bins.vol_l, axis=1, keepdims=True)
    inside = end - bins.runner_l[:, None]
    x = np.clip((bins.vol_l - bins.runner_l[:, None]) / inside, 0.0, 1.0)
    step = 1e-3
    taper = bins.taper[:, None]
    high, low = (resistance_share(np.clip(x + d, 1e-4, 1.0), taper) for d in (step, -step))
    with np.errstate(invalid="ignore"):
        relative = (high - low) / (2 * step) / np.maximum(resistance_share(np.clip(x, 1e-3, 1.0), taper), 1e-6)
    return np.asarray(np.nan_to_num(relative * np.abs(fitted) / inside), dtype=float)
