"""Healthy, as a distribution learned from a mould: one curve, and how its shots scatter about it.

The logarithm of a shot's resistance lies at `m + level + departure`: the mean curve, a level that wanders with resin
and cloth, and a departure of shape. Departures are normal with a covariance learned from this mould's own shots on top
of what is expected of any mould (line resistance, stretch, cloth), so that it counts from the second shot on; each shot
has a scale of its own, which makes the density a multivariate t. Everything is a function of the shots before.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from catchpot.stats.shape import nan_median

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Index = NDArray[np.intp]

CELL, CELLS = 0.02, 75
"""Length of a cell and number of them, as a share of the mould's first injected volume."""
GRID: Floats = np.asarray((np.arange(CELLS) + 0.5) * CELL)
LEFT_OUT_END = 0.015
"""Share of a shot's volume at its end that is left out: there the machine throttles."""
FIRST_CELL = 2
"""Cells at the beginning that are left out: valves open, hoses fill."""
STRETCH_WITHIN = 0.03
"""How far a shot's own stretch is believed beside that of the shots before it; a fault can imitate more."""
LOOK_BACK = 5
"""Shots before, whose median level and stretch the next one is expected to have."""
MOST_SHOTS = 60
FREEDOM = 12.0
"""Degrees of freedom of a shot's own scale."""
WORTH = 8.0
"""How many shots the expected covariance is worth."""
SHAPE_SD, SHAPE_REACH = 0.03, 0.15
"""Smooth departures expected of any mould: s.d. of the log and reach along the volume (two-dimensional plates)."""
OFFSET_SD, STRETCH_SD, CELL_SD, EARLY_SD = 0.04, 0.010, 0.012, 0.15
"""Offset of the line (share of the median resistance), stretch, single cells, and more of them near the start."""
EARLY_REACH = 0.05
LEVEL_SD, LEVEL_WORTH, LEVEL_FLOOR = 0.09, 5.0, 0.03
"""Scatter of the level beside the shots before: expected, worth so many shots, and at least."""
BATCH_SD = 0.10
"""What a new resin or fabric batch adds to it: +-10 to 20 % in viscosity, common practice, no source."""
SCALE_WORTH, LEAST_SCALE = 1.5, 0.04
"""How many shots the expected size of the departures is worth, and the least share of their variance believed."""
TRUST, LEAST_TRUST = 3.0, 0.3
"""Squared distance, over its number of cells, from which a shot teaches less; and what it teaches at least."""


@dataclass(frozen=True)
class Injections:
    """Repetitions of a process over their own volume; arrays (shots, bins) or (shots,), NaN where unknown.

    resistance, noise: mean of each bin of equal volume, and the noise of that mean. time_s: at each bin's end.
    injected_l: volume of all bins. readings: how many made them. place_l: where resin arrives in a usual shot.
    """

    resistance: Floats
    noise: Floats
    time_s: Floats
    injected_l: Floats
    readings: Floats
    place_l: Floats


@dataclass(frozen=True)
class Laid:
    """How shots lie on GRID: unit_l: volume of share 1 without a stretch. y, variance, known: cells of some rows.
    stretch, scale_l, place_l: of all of them; see `Aligned`."""

    unit_l: float
    rows: Index
    y: Floats
    variance: Floats
    known: Bools
    stretch: Floats
    scale_l: Floats
    place_l: Floats


class Aligned:
    """Shots on GRID: log resistance, its noise's variance, log time (shots, CELLS); NaN where unknown.

    known: whether the cell is. scale_l: volume of share 1 in each shot: the first one's volume, and the stretch it was
    laid with (shots,). place_l: where resin arrives, with that stretch.
    """

    def __init__(self, shots: Injections, laid: Laid | None = None) -> None:
        """laid: shots before these, as they lie; the given ones are numbered after them and only they can be laid."""
        bins = shots.resistance.shape[1]
        log = _without_spikes(np.log(shots.resistance))
        seen = np.isfinite(log)
        at = np.maximum.accumulate(np.where(seen, np.arange(bins), -1), axis=1)
        first = np.argmax(seen, axis=1)[:, None]
        at = np.where(at < 0, first, at)
        self._fit = seen.sum(axis=1) >= bins // 10
        full = np.where(self._fit[:, None], np.nan_to_num(np.take_along_axis(log, at, axis=1)), 0.0)
        relative = np.nan_to_num(np.take_along_axis(shots.noise / shots.resistance, at, axis=1))
        self._running = np.stack([_sums(full), _sums(seen.astype(float)), _sums(relative**2)])
        self._time = np.concatenate([shots.time_s[:, :1], shots.time_s], axis=1)
        self._injected, self._bins = shots.injected_l, bins
        self._readings = np.clip(np.nan_to_num(shots.readings, nan=bins) / bins, 0.0, 1.0)
        self._usual_place = shots.place_l
        before = 0 if laid is None else len(laid.stretch)
        self.first, n = before, before + len(shots.resistance)
        self.unit_l = float(shots.injected_l[0]) if laid is None else laid.unit_l
        self.y, self.variance, self.time_s = (np.full((n, CELLS), np.nan) for _ in range(3))
        self.known = np.zeros((n, CELLS), dtype=bool)
        self.stretch, self.scale_l = np.zeros(n), np.full(n, self.unit_l)
        self.place_l = np.concatenate([np.full(before, np.nan), self._usual_place])
        if laid is not None:
            self.y[laid.rows], self.variance[laid.rows], self.known[laid.rows] = laid.y, laid.variance, laid.known
            self.stretch[:before], self.scale_l[:before], self.place_l[:before] = (
                laid.stretch, laid.scale_l, laid.place_l,
            )  # fmt: skip

    def laid(self, rows: Index, n: int) -> Laid:
        """How the first n shots lie; the cells of `rows` only."""
        return Laid(self.unit_l, rows, self.y[rows], self.variance[rows], self.known[rows], self.stretch[:n].copy(),
                    self.scale_l[:n].copy(), self.place_l[:n].copy())  # fmt: skip

    def cells_at(self, rows: Index, stretch: Floats) -> tuple[Floats, Floats, Bools]:
        """Log resistance, noise's variance and whether it is known, of shots laid with a log stretch, (rows, CELLS)."""
        own = self._own_cells(rows, stretch)
        mine = rows - self.first
        edges = np.arange(CELLS + 1) * CELL * own[:, None]
        part = np.diff(_between(self._running[:, mine], edges), axis=2)
        wide = (CELL * own)[:, None]
        last = self._bins * (1.0 - LEFT_OUT_END)
        use = (part[1] > 0.5 * wide) & (edges[:, 1:] <= last) & (np.arange(CELLS) >= FIRST_CELL)
        use &= self._fit[mine][:, None]
        # cells that share a reading share its noise
        told = np.maximum(wide * self._readings[mine, None], 1.0)
        return np.where(use, part[0] / wide, np.nan), np.where(use, part[2] / wide / told, np.nan), use

    def lay(self, rows: Index, stretch: Floats) -> None:
        """Lay some shots on GRID anew. stretch: log, (rows,)."""
        self.stretch[rows] = stretch
        self.scale_l[rows] = self.unit_l * np.exp(stretch)
        self.place_l[rows] = self._usual_place[rows - self.first] * np.exp(stretch)
        self.y[rows], self.variance[rows], self.known[rows] = self.cells_at(rows, stretch)
        at = GRID * self._own_cells(rows, stretch)[:, None]
        self.time_s[rows] = _between(self._time[None, rows - self.first], at)[0]

    def _own_cells(self, rows: Index, stretch: Floats) -> Floats:
        """How many of its own cells a shot has to a share of 1, (rows,)."""
        return np.asarray(self.unit_l * np.exp(stretch) / self._injected[rows - self.first] * self._bins)


def _sums(values: Floats) -> Floats:
    """Running sums with a nought in front, (rows, columns + 1)."""
    return np.concatenate([np.zeros((len(values), 1)), np.cumsum(values, axis=1)], axis=1)


def _between(channels: Floats, at: Floats) -> Floats:
    """Values of each row at places counted in columns, straight between them, level beyond the ends.

    channels: (channels, rows, columns); at: (rows, places).
    """
    at = np.clip(at, 0.0, channels.shape[2] - 1.0)
    low = np.minimum(at.astype(np.intp), channels.shape[2] - 2)
    row = np.arange(len(at))[:, None]
    left = channels[:, row, low]
    return np.asarray(left + (at - low) * (channels[:, row, low + 1] - left))


def before(values: Floats, look_back: int = LOOK_BACK) -> Floats:
    """Median of the last few values before each (shots,); NaN where there is none."""
    padded = np.concatenate([np.full(look_back, np.nan), values])
    return nan_median(np.lib.stride_tricks.sliding_window_view(padded, look_back)[:-1])


def _without_spikes(log: Floats, half: int = 3) -> Floats:
    """Log resistance as running median over seven own cells: a slug of air spoils its cells, not the shot."""
    padded = np.pad(log, ((0, 0), (half, half)), constant_values=np.nan)
    middle = nan_median(np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1, axis=1))
    return np.where(np.isfinite(log), middle, np.nan)


@dataclass(frozen=True)
class Healthy:
    """What is known of a mould's healthy shots.

    mean: (CELLS,) log resistance. cells: which are judged. white: inverse root of the covariance of departures on the
    judged cells, level left out. level_sd: of the level beside that of the shots before. scatter: of both, (CELLS,).
    noise: of the gauges in it, variance, (CELLS,). shots: behind it.
    """

    mean: Floats
    cells: Bools
    white: Floats
    level_sd: float
    scatter: Floats
    noise: Floats
    shots: int

    def wider(self, variance: Floats) -> Floats:
        """How much wider than usual the departures of noisier shots are, (shots,). variance: theirs, (shots, CELLS)."""
        more = np.nan_to_num(variance - self.noise)[:, self.cells]
        usual = np.mean(np.diag(np.linalg.inv(self.white.T @ self.white)))
        return np.asarray(1.0 + np.maximum(np.mean(more, axis=1), 0.0) / usual)

    @property
    def slope(self) -> Floats:
        """What a log stretch of 1 takes off the log resistance, (CELLS,)."""
        known = np.where(self.cells, self.mean, np.interp(GRID, GRID[self.cells], self.mean[self.cells]))
        return np.asarray(np.gradient(known, GRID) * GRID)


def learn(a: Aligned, rows: Index, believed: Floats) -> Healthy | None:
    """The distribution from healthy shots. believed: weight of each row; None where nothing is known."""
    rows, believed = rows[-MOST_SHOTS:], believed[-MOST_SHOTS:]
    y, known = a.y[rows], a.known[rows]
    if not len(rows) or not known.any():
        return None
    weight = believed[:, None] * known
    enough = weight.sum(axis=0) >= max(1.0, 0.3 * believed.sum()) - 1e-9
    if enough.sum() < 10:
        return None
    mean, level = _mean(np.where(known, y, 0.0), weight, enough)
    left = np.where(known & enough, y - mean - level[:, None], 0.0)
    expected = expected_covariance(mean, enough)
    noise = nan_median(np.where(known, a.variance[rows], np.nan), axis=0)
    noise = np.nan_to_num(noise)
    expected *= _scale(left, expected + np.diag(noise), enough, believed, known)
    expected += np.diag(noise)
    # a shot that lies far out teaches little
    size = np.einsum("sc,sc->s", left, left / np.maximum(np.diag(expected), 1e-6)) / np.maximum(known.sum(axis=1), 1)
    weight = weight * np.maximum(LEAST_TRUST, 1.0 / np.maximum(1.0, size / TRUST) ** 2)[:, None]
    both = (weight > 0).astype(float)
    root = np.sqrt(weight)
    count = root.T @ root
    own = (root * left).T @ (root * left) * len(rows) / max(len(rows) - 1.0, 1.0)
    covariance = (WORTH * expected + own) / (WORTH + count)
    covariance *= 1.0 + 1.0 / np.maximum(both.sum(axis=0).max(), 1.0)
    covariance = _positive(covariance[np.ix_(enough, enough)])
    moved = level - before(level)
    moved = moved[np.isfinite(moved)]
    robust = 1.4826 * float(np.median(np.abs(moved))) if len(moved) else 0.0
    level_sd = np.sqrt((LEVEL_WORTH * LEVEL_SD**2 + len(moved) * robust**2) / (LEVEL_WORTH + len(moved)))
    scatter = np.full(CELLS, np.nan)
    scatter[enough] = np.sqrt(np.diag(covariance) + level_sd**2)
    white = np.linalg.inv(np.linalg.cholesky(covariance))
    return Healthy(mean, enough, white, float(max(level_sd, LEVEL_FLOOR)), scatter, noise, len(rows))


def _scale(left: Floats, expected: Floats, enough: Bools, believed: Floats, known: Bools) -> float:
    """Size of this mould's departures beside the expected ones, squared: between LEAST_SCALE and 1.

    The mean square of each shot in the units of what is expected; a mould with few shots counts as any mould.
    """
    white = np.linalg.inv(np.linalg.cholesky(expected[np.ix_(enough, enough)]))
    square = np.sum((left[:, enough] @ white.T) ** 2, axis=1) / np.maximum((known & enough).sum(axis=1), 1)
    square = np.minimum(square, 3.0)
    lost = max(len(left) - 1.0, 0.0) / max(len(left), 1)  # the mean is their own
    seen = float(believed @ square)
    return float(np.clip((SCALE_WORTH + seen) / (SCALE_WORTH + lost * believed.sum()), LEAST_SCALE, 1.0))


def _mean(y: Floats, weight: Floats, enough: Bools) -> tuple[Floats, Floats]:
    """Mean curve (CELLS,) and level of each shot (shots,) beside it; found in turn, so that a short shot has a level
    over its own cells only. Of three shots and more the middle one counts, not the mean."""
    level = np.zeros(len(y))
    mean = np.zeros(y.shape[1])
    for _ in range(3):
        lowered = np.where(weight > 0, y - level[:, None], np.nan)
        middle = nan_median(lowered.T)
        near = np.abs(lowered - middle) < 0.25
        use = np.where(near & (weight > 0), weight, 0.0)
        total = use.sum(axis=0)
        mean = np.where(total > 0, np.where(use > 0, use * np.nan_to_num(lowered), 0.0).sum(axis=0)
                        / np.maximum(total, 1e-12), np.nan_to_num(middle))  # fmt: skip
        level = level_of(y, mean, (weight > 0) & enough)
    return mean, level


def level_of(y: Floats, mean: Floats, known: Bools) -> Floats:
    """Median of what lies between a shot and the mean over the cells it has (shots,); 0 where it has none."""
    return np.nan_to_num(nan_median(np.where(known, y - mean, np.nan)))


def expected_covariance(mean: Floats, enough: Bools) -> Floats:
    """Covariance of departures expected of any mould with that mean curve, (CELLS, CELLS)."""
    relative = np.exp(np.median(mean[enough]) - mean)
    slope = np.gradient(np.where(enough, mean, np.interp(GRID, GRID[enough], mean[enough])), GRID) * GRID
    apart = np.abs(GRID[:, None] - GRID[None, :])
    made = SHAPE_SD**2 * np.exp(-0.5 * (apart / SHAPE_REACH) ** 2)
    made = made + (0.5 * SHAPE_SD) ** 2 * np.exp(-apart / (0.3 * SHAPE_REACH))
    made = made + OFFSET_SD**2 * np.outer(relative, relative) + STRETCH_SD**2 * np.outer(slope, slope)
    # a jump of the curve lies a cell to and fro
    steep = np.abs(np.gradient(np.nan_to_num(mean)))
    single = CELL_SD**2 + (0.3 * steep) ** 2 + EARLY_SD**2 * np.exp(-2.0 * GRID / EARLY_REACH)
    return np.asarray(made + np.diag(single))


def _positive(matrix: Floats) -> Floats:
    """The nearest covariance: pairs of cells known to different shots need not make one."""
    matrix = 0.5 * (matrix + matrix.T)
    values, vectors = np.linalg.eigh(matrix)
    return np.asarray((vectors * np.maximum(values, 1e-5)) @ vectors.T)


__all__ = [
    "CELL", "CELLS", "FREEDOM", "GRID", "STRETCH_SD", "STRETCH_WITHIN", "Aligned", "Healthy", "Injections", "Laid",
    "before",
    "learn", "level_of",
]  # fmt: skip
