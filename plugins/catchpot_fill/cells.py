"""The resistance of each shot over its own volume, in cells of equal volume.

Resistance free of viscosity is `R = dp / (mu Q)`. Its integral over volume is the integral of `dp / mu` over time, and
that is what is formed here: between any two volumes the mean resistance is `(W2 - W1) / (V2 - V1)` with `W` the running
integral. No flow is divided by, so pump strokes (whose volume is exact and whose time stamp is known to a sample) and
flow meters are read in one way, and the cells of a shot may be cut anew at other volumes without loss.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from catchpot.core_tables import CURVE_BINS
from catchpot.stats.shape import around, running_mean
from catchpot_fill.prepare import Samples, extreme_by

Array = NDArray[np.float64]
Ints = NDArray[np.intp]

FEWEST_SAMPLES = 12
LEAST_COVERED = 0.5
"""Share of a cell's volume that usable samples must cover."""
LEAST_NOISE = 1e-3
"""Relative noise of a cell below which no log is believed: resolution of the gauges."""
READINGS_A_CELL = 1.2
"""Readings that a cell which is compared with a curve holds at least."""
WAVE_CELLS, MORE_THAN_NOISE = 31, 1.4
"""Cells of the running parabola that waves are seen against, and how far they must stand out of the noise."""
NEAR_CELLS = 31
"""Cells over which the noise is taken to be the same."""


@dataclass(frozen=True)
class Cells:
    """Mean resistance of each cell and its noise, 1/m3, and the mean driving pressure, Pa; (shots, CURVE_BINS).

    readings: (shots,), samples or counted strokes. The cells share the injected volume equally, as those of the table
    `curve` do. NaN where no usable sample fell.
    """

    resistance: Array
    noise: Array
    drive_pa: Array
    readings: Array


def cells_of(s: Samples, groups: int, injected_l: Array, stroked: NDArray[np.bool_]) -> Cells:
    """Cells of a batch. injected_l: (groups,). stroked: (groups,), whether strokes were counted.

    Work per volume is summed between neighbouring usable samples by the trapezoid, and cut at the cells' edges in
    proportion. Where strokes were counted the flow is the stroke's own, constant between its time stamps.
    """
    edges = np.linspace(0.0, 1.0, CURVE_BINS + 1)
    shape = (groups, CURVE_BINS)
    if not len(s.shot):
        none = np.full(shape, np.nan)
        return Cells(none, none, none, np.zeros(groups))
    same = (np.diff(s.shot, prepend=-1) == 0) & s.usable & np.roll(s.usable, 1)
    step = np.where(same, s.step_s, 0.0)

    def between(values: Array) -> Array:
        return np.where(same, 0.5 * (values + np.roll(values, 1)) * step, 0.0)

    with np.errstate(invalid="ignore"):
        stroke = stroked[s.shot]
        volume = np.where(stroke, np.where(same, np.diff(s.vol_l, prepend=0.0), 0.0), 1e3 * between(s.flow_m3_s))
        work = between(s.dp_pa / s.bed_viscosity)
        drive = between(s.dp_pa * s.flow_m3_s) * 1e3
    added = np.nan_to_num(np.stack([volume, work, drive]))
    whole = np.where(np.isfinite(injected_l) & (injected_l > 0), injected_l, 1.0)
    own, done, driven = np.diff(along_shots(s, groups, whole, added, edges, running=True), axis=2)
    width = whole[:, None] / CURVE_BINS
    there = (own > LEAST_COVERED * width) & (np.bincount(s.shot[s.usable], minlength=groups) >= FEWEST_SAMPLES)[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        resistance = np.where(there, 1e3 * done / own, np.nan)
        resistance = np.where(resistance > 0, resistance, np.nan)
        drive = np.where(there, driven / own, np.nan)
    resistance = _without_ends(resistance)
    strokes = np.nan_to_num(extreme_by(_strokes(s), s.shot, groups, largest=True))
    readings = np.where(stroked, strokes, np.bincount(s.shot[s.usable], minlength=groups))
    return Cells(resistance, _noise(resistance, readings), drive, readings)


def along_shots(
    s: Samples, groups: int, injected_l: Array, values: Array, at: Array, *, running: bool = False
) -> Array:
    """Values of each shot at shares of its injected volume, on straight lines between its samples.

    injected_l: (groups,). values: (rows, samples). at: (places,), ascending. running: the values are summed up first.
    (rows, groups, places), nought for a shot without samples. Shot by shot: in one sum over all of a batch the last
    digits of a shot would hang on the others.
    """
    out = np.zeros((len(values), groups, len(at)))
    bounds = np.searchsorted(s.shot, np.arange(groups + 1))
    for shot, (low, high) in enumerate(pairwise(bounds.tolist())):
        if low == high:
            continue
        place = np.maximum.accumulate(np.clip(np.nan_to_num(s.vol_l[low:high]) / injected_l[shot], 0.0, 1.0))
        mine = np.cumsum(values[:, low:high], axis=1) if running else values[:, low:high]
        for row, line in enumerate(mine):
            out[row, shot] = np.interp(at, place, line)
    return out


def _strokes(s: Samples) -> Array:
    """Number of each sample's stroke within its shot, from 1."""
    first = np.diff(s.shot, prepend=-1) != 0
    number = np.cumsum((np.diff(s.stroke_end_s, prepend=-1.0) != 0) | first)
    base = np.maximum.accumulate(np.where(first, number - 1, 0))
    return np.asarray(number - base, dtype=float)


def _without_ends(resistance: Array) -> Array:
    """Without the first and the last cell that samples reached: flow sets in and stops within them."""
    known = np.isfinite(resistance)
    order = np.arange(resistance.shape[1])
    first = np.argmax(known, axis=1)[:, None]
    last = resistance.shape[1] - 1 - np.argmax(known[:, ::-1], axis=1)[:, None]
    return np.where((order > first) & (order < last), resistance, np.nan)


def merged(values: Array, noise: Array, readings: float) -> tuple[Array, Array, Array]:
    """Edges (of the unit interval), means and noise of cells so wide that each holds a reading or more.

    values, noise: (CURVE_BINS,) of one shot, NaN where unknown.
    """
    together = max(1, int(np.ceil(CURVE_BINS / max(readings, 1.0) * READINGS_A_CELL)))
    first = np.arange(0, CURVE_BINS, together)
    edges = np.append(first, CURVE_BINS) / CURVE_BINS
    if together == 1:
        return edges, values, noise
    known = np.isfinite(values)
    count = np.add.reduceat(known.astype(float), first)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.add.reduceat(np.where(known, values, 0.0), first) / count
        # the noise within one reading is one error, as `_noise` has it
        error = np.sqrt(np.add.reduceat(np.where(known, noise, 0.0) ** 2, first)) / count
    whole = count > LEAST_COVERED * np.diff(np.append(first, CURVE_BINS))
    return edges, np.where(whole, mean, np.nan), np.where(whole, error, np.nan)


def _noise(resistance: Array, readings: Array) -> Array:
    """Noise of each cell's mean, from how its neighbours differ; (shots, cells), in the resistance's own unit.

    Second differences over a running mean, their median over NEAR_CELLS. Where a cell holds less than one sample (or
    stroke), neighbours share it and differ too little: cells one reading apart are compared, and the noise of a whole
    reading is given so that a mean over it has it.
    """
    out = np.full(resistance.shape, np.nan)
    for i in np.flatnonzero(np.isfinite(resistance).sum(axis=1) >= FEWEST_SAMPLES):
        k = np.flatnonzero(np.isfinite(resistance[i]))
        apart = int(np.clip(np.ceil(CURVE_BINS / max(float(readings[i]), 1.0)), 1, len(k) // 4))
        y = resistance[i, k]
        level = running_mean(y, 2 * apart + 5)
        z = running_mean(y, apart) / level
        jumps = np.abs(z[2 * apart :] - 2 * z[apart:-apart] + z[: -2 * apart]) / np.sqrt(6.0) * 1.4826
        jumps = np.pad(jumps, apart, mode="edge")
        local = running_mean(np.median(around(jumps, NEAR_CELLS), axis=1), NEAR_CELLS // 2)
        local = np.maximum(local * np.sqrt(apart), LEAST_NOISE)
        out[i, k] = local * _waves(y, local, apart) * level
    return out


def _waves(y: Array, noise: Array, apart: int) -> float:
    """Factor on the noise for what swings more slowly than from cell to cell: ripple that a slow logger folds down.

    y: (n,) means of neighbouring cells. What a running parabola leaves over is held against the noise, with the length
    over which it keeps its sign; a swing that a curve could be laid upon must not pass for the curve's own.
    """
    wide = WAVE_CELLS | 1
    if len(y) < 2 * wide:
        return 1.0
    left = y / running_parabola(y, wide) - 1.0
    size = float(np.median(np.abs(left))) * 1.4826
    beyond = size / max(float(np.median(noise)) / np.sqrt(apart), 1e-12)
    if beyond < MORE_THAN_NOISE:
        return 1.0
    cut = np.clip(left, -3 * size, 3 * size)
    length = 1.0
    for lag in range(1, wide):
        follow = float(cut[lag:] @ cut[:-lag] / max(float(cut @ cut), 1e-300))
        if follow <= 0:
            break
        length += 2 * follow
    return float(beyond * np.sqrt(max(length / apart, 1.0)))


@lru_cache(maxsize=8)
def _parabola(wide: int) -> Array:
    """What makes `wide` evenly spaced values their least-squares parabola, (wide, wide)."""
    x = np.vander(np.arange(wide) - wide // 2, 3)
    return np.asarray(x @ np.linalg.pinv(x))


def running_parabola(y: Array, wide: int) -> Array:
    """At each place the least-squares parabola over `wide` values about it; at the ends that of the outermost values.

    (n,), n >= wide. As `scipy.signal.savgol_filter` has it (a test holds them equal); its import outlasts a shot.
    """
    half, fitted = wide // 2, _parabola(wide)
    middle = np.convolve(y, fitted[half][::-1], mode="valid")
    return np.concatenate([fitted[:half] @ y[:wide], middle, fitted[half + 1 :] @ y[-wide:]])
