"""One shot's curve against its mould's usual one: level, steps, growth with time, lasting drops."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from catchpot.stats import breaks
from catchpot.stats.shape import nan_median
from catchpot_faults.curves import GRID

Floats = NDArray[np.float64]

GROWTH_S = (25.0, 50.0, 100.0, 180.0, 300.0)
"""Times of e-fold growth tried; a gelling resin doubles its viscosity within minutes, not hours."""
FIRST, LAST_BEFORE_ARRIVAL = 0.05, 0.97
EARLY, LATE = (0.2, 0.6), (0.7, 0.98)


@dataclass(frozen=True)
class Course:
    """How a curve runs along its usual one; numbers, NaN where the curve is too short to tell.

    early, late: log of resistance over usual, median over 0.2 to 0.6 and 0.7 to 0.98 of the usual arrival volume (late
    falls back on the last quarter of a curve that ends before). noise: of a point.
    left: mean square of what K, line and arrival volume leave, in units of the noise. step_*: additive rise that
    stays; growth_*: growth with time; drop_*: sudden and lasting relative fall;
    fade: a fall that grows along the volume. *_share: where it begins; *_gain: share of `left`
    it explains. jump: the rise within a point or two at the step, relative, and jump_sd its own noise;
    drop_jump likewise the fall within a few points at the drop.
    """

    early: float
    late: float
    end_share: float
    noise: float
    left: float
    step_share: float
    step_size: float
    step_gain: float
    jump: float
    jump_sd: float
    growth_share: float
    growth_s: float
    growth_total: float
    growth_gain: float
    drop_share: float
    drop_size: float
    drop_gain: float
    drop_jump: float
    fade_gain: float
    ratio: Floats


def level(ratio: Floats, begin: float, end: float) -> Floats:
    """Median log ratio of resistance over usual between two shares of the usual arrival volume (shots,); NaN if few."""
    span = (begin <= GRID) & (end >= GRID)
    part = np.where(ratio[:, span] > 0, ratio[:, span], np.nan)
    with np.errstate(invalid="ignore"):
        middle = nan_median(np.log(part))
    return np.where(np.isfinite(part).sum(axis=1) >= 10, middle, np.nan)


def without_spikes(ratio: Floats) -> Floats:
    """The curve without points that lie far off their neighbours' median: an air slug spoils its bin, not the shot."""
    width = 4
    padded = np.pad(ratio, (width, width), constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * width + 1)
    middle = nan_median(windows)
    noise = breaks.point_noise(ratio[None])[0]
    with np.errstate(invalid="ignore"):
        far = np.abs(ratio - middle) > np.maximum(5 * np.nan_to_num(noise), 0.08) * np.abs(middle)
    return np.where(far, np.nan, ratio)


def course(resistance: Floats, usual: Floats, time_s: Floats) -> Course | None:
    """Hold one curve on GRID against the usual one; None where fewer than 30 points of it are known.

    resistance, usual, time_s: (POINTS,). What a sound shot may do freely: another permeability (a factor), a little
    more or less line resistance (a constant), another arrival volume (a shift along the volume).
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = without_spikes(resistance / usual)
    known = np.isfinite(ratio) & (GRID >= FIRST) & (ratio > 0)
    if known.sum() < 30:
        return None
    noise = float(np.nan_to_num(breaks.point_noise(np.where(known, ratio, np.nan)[None])[0], nan=0.02))
    middle = float(np.median(ratio[known & (GRID < 1.0)])) if (known & (GRID < 1.0)).any() else 1.0
    y = np.where(known, ratio / middle, 0.0)
    noise = max(noise / middle, 0.003)
    weight = np.where(known, 1.0 / np.maximum(y, 1.0) ** 2, 0.0)
    scale = float(nan_median(usual[known]))
    constant = np.where(known, scale / usual, 0.0)
    with np.errstate(invalid="ignore"):
        shift = np.gradient(np.log(usual), GRID) * GRID
    base = np.stack([np.ones_like(y), constant, np.where(known, np.nan_to_num(shift), 0.0)], axis=1)[None]
    # Priors in units of the squares: line resistance within a tenth of the curve's middle, arrival within 4 %.
    precision = noise**2 / np.array([1e6, 0.1**2, 0.04**2])
    end = float(GRID[np.flatnonzero(known)[-1]])
    starts = np.flatnonzero((GRID >= FIRST + 0.03) & (min(end - 0.03, 1.05) >= GRID) & known)[::2]
    if len(starts) < 3:
        return None
    past = (np.arange(len(GRID))[:, None] >= starts).astype(float)
    steps = past * constant[:, None]
    clock = np.where(known, time_s, np.nan)
    clock = np.interp(GRID, GRID[known], clock[known])
    grows = starts[(GRID[starts] <= min(end - 0.05, LAST_BEFORE_ARRIVAL))][::2]
    since = np.maximum(clock[:, None] - clock[grows], 0.0)
    growth = np.concatenate([np.expm1(np.minimum(since / tau, 5.0)) for tau in GROWTH_S], axis=1)
    fade = np.maximum(GRID[:, None] - GRID[starts], 0.0)
    everything = np.concatenate([steps, past, fade, growth], axis=1)[None]
    found = breaks.scan(y[None], base, everything, weight[None], precision)
    n = len(starts)
    left = float(found.left[0]) + 1e-12

    def part(begin: int, end_at: int, positive: bool) -> tuple[int, float, float]:
        piece = breaks.Scan(found.left, found.gain[:, begin:end_at], found.size[:, begin:end_at])
        at, gain, size = piece.best(positive)
        return int(at[0]), float(gain[0]) / left, float(size[0])

    step_at, step_gain, step_size = part(0, n, True)
    drop_at, drop_gain, drop_size = part(n, 2 * n, False)
    grow_at, grow_gain, grow_size = part(3 * n, everything.shape[2], True)
    _, fade_gain, _ = part(2 * n, 3 * n, False)
    jumps, factor = breaks.local_jump(_bridged(y, known)[None], 10, 3)
    here = starts[step_at]
    near = jumps[0, max(here - 3, 0) : here + 4]
    jump = float(np.nanmax(near)) if np.isfinite(near).any() else np.nan
    before_step, before_drop = _level_before(y, known, here), _level_before(y, known, starts[drop_at])
    fallen = starts[drop_at]
    at_drop = jumps[0, max(fallen - 6, 0) : fallen + 7]
    grown = 1.0 + grow_size * growth[:, grow_at]
    at_end = np.flatnonzero(known)[-1]
    total = float(grown[at_end])
    # It begins where it shows; a start found together with a time constant is too soft a thing to name.
    g = int(np.argmax(grown > 1.0 + 0.05 * min(1.0, max(total - 1.0, 0.0)))) if total > 1.001 else int(grows[0])
    lasted = float(clock[at_end] - clock[g])
    efold = lasted / np.log(total) if total > 1.001 and lasted > 0 else np.inf
    return Course(
        early=float(level(ratio[None], *EARLY)[0]),
        late=float(level(ratio[None], *LATE)[0]),
        end_share=end,
        noise=noise,
        left=left / (known.sum() * noise**2),
        step_share=float(GRID[here]),
        step_size=step_size * float(constant[here]) / before_step,
        step_gain=step_gain,
        jump=jump / before_step,
        jump_sd=factor * noise / before_step,
        growth_share=float(GRID[g]),
        growth_s=float(efold),
        growth_total=total,
        growth_gain=grow_gain,
        drop_share=float(GRID[starts[drop_at]]),
        drop_size=drop_size / before_drop,
        drop_gain=drop_gain,
        drop_jump=float(np.nanmin(at_drop)) / before_drop if np.isfinite(at_drop).any() else np.nan,
        fade_gain=fade_gain,
        ratio=ratio,
    )


def _level_before(y: Floats, known: NDArray[np.bool_], here: int) -> float:
    """Where the curve ran before a point, against the usual one: what a step or a drop is relative to."""
    before = y[:here][known[:here]][-12:]
    return max(float(np.median(before)), 0.05) if len(before) else 1.0


def _bridged(y: Floats, known: NDArray[np.bool_]) -> Floats:
    """The curve with its gaps bridged by straight lines; NaN before its first and after its last known point."""
    at = np.flatnonzero(known)
    return np.interp(GRID, GRID[known], y[known], left=np.nan, right=np.nan) if len(at) else np.full_like(y, np.nan)


__all__ = ["EARLY", "LATE", "Course", "course", "level", "without_spikes"]
