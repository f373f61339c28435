"""Shapes a seal's leak may take over its shots, on a grid, with the weight of each beforehand.

Ages are in units of the history's length (the age of the last leak), so that the grid is the same for a seal that lasts
fifty shots and one that lasts fifty thousand. A shape is the leak over its level:

- none: 1;
- power: `offset^p + age^p` (a floor, then wear that slows down, p < 1, goes on evenly, p = 1, or speeds up, p > 1) and
  `(offset + age)^p` (the same of a seal that was worn before);
- proportional: `floor + (1 - floor) exp(rate age)`;
- late: `1` until a start, then `1 + (age - start) / gap` (a seal that holds until something gives way);
- late and proportional: `1` until a start, then `exp(rate (age - start))` (a flaw that grows once it is there);
- runaway: `floor + (1 - floor) (1 - age / end)^-k` (growth that feeds on itself, as a crack's does, and has no bound at
  `end`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

NONE, POWER, WORN, PROPORTIONAL, LATE, LATE_PROPORTIONAL, RUNAWAY = range(7)
POWERS: Final = (0.25, 0.4, 0.5, 0.65, 0.8, 1.0, 1.25, 1.6, 2.0, 2.5, 3.0)
POWER_WEIGHTS: Final = (0.04, 0.06, 0.08, 0.06, 0.06, 0.4, 0.07, 0.07, 0.08, 0.04, 0.04)
WORN_POWERS: Final = (0.5, 1.6, 2.0, 3.0)
"""Even wear is the usual law of rubbing seals (J. F. Archard, Journal of Applied Physics 24, 1953)."""
FLOORS: Final = (0.0, 0.3, 0.6, 0.8, 0.9)
RUNAWAYS: Final = (0.5, 1.0, 2.0)
RUNAWAY_FLOORS: Final = (0.0, 0.5)
FARTHEST_SHOTS: Final = 20000.0
FARTHEST: Final = 200.0
"""Farthest age looked at, in history lengths."""
LEAST: Final = 1e-3
SPLIT: Final = 5
"""Into so many parts a shape's second parameter is split where the grid proves too coarse."""
# Numbers of offsets, rates, starts, ends: few where noise and correlation are looked for, more afterwards.
COARSE: Final = (8, 9, 4, 5)
FINE: Final = (20, 16, 8, 8)
# How often each kind is met, of those that grow.
KINDS: Final = {POWER: 0.5, WORN: 0.08, PROPORTIONAL: 0.22, LATE: 0.08, LATE_PROPORTIONAL: 0.05, RUNAWAY: 0.07}


@dataclass(frozen=True)
class Shapes:
    """The grid: kind; a: power, floor, start or k; b: offset, rate, gap or end; floor of what runs away; log of the
    prior weight; distance to the next b in its logarithm; of what runs away in that of b - 1."""

    kind: NDArray[np.int64]
    a: Floats
    b: Floats
    floor: Floats
    log_prior: Floats
    step: Floats

    def refined(self, rows: NDArray[np.intp]) -> Shapes:
        """Only these rows, each split into `SPLIT` along b."""
        parts = (np.arange(SPLIT) - (SPLIT - 1) / 2) / SPLIT
        kind = np.repeat(self.kind[rows], SPLIT)
        a, floor, step = (np.repeat(v[rows], SPLIT) for v in (self.a, self.floor, self.step))
        nought = np.where(kind == RUNAWAY, 1.0, 0.0)
        b = nought + (np.repeat(self.b[rows], SPLIT) - nought) * np.exp(np.tile(parts, len(rows)) * step)
        return Shapes(kind, a, b, floor, np.repeat(self.log_prior[rows], SPLIT) - np.log(SPLIT), step / SPLIT)

    def log_curve(self, age: Floats) -> Floats:
        """Logarithm of each shape at these ages (in history lengths), shape (shapes, ages)."""
        n = np.maximum(np.asarray(age, float), LEAST)[None, :]
        out = np.zeros((len(self.kind), n.shape[1]))
        for kind in KINDS:
            rows = self.kind == kind
            a, b, floor = self.a[rows, None], self.b[rows, None], self.floor[rows, None]
            out[rows] = _log_curve(kind, a, b, floor, n)
        return out

    def age_at(self, log_ratio: Floats) -> Floats:
        """Age at which each shape is exp(log_ratio), shape as log_ratio (shapes, ...); far if never."""
        extra = (1,) * (log_ratio.ndim - 1)
        # No wear: at once or never.
        age = np.where(log_ratio > 0, FARTHEST, -FARTHEST)
        ratio = np.exp(np.clip(log_ratio, -50.0, 50.0))
        for kind in KINDS:
            rows = self.kind == kind
            a, b, floor = (v[rows].reshape(-1, *extra) for v in (self.a, self.b, self.floor))
            age[rows] = _age_at(kind, a, b, floor, ratio[rows])
        return np.clip(age, -FARTHEST, FARTHEST)


def _log_curve(kind: int, a: Floats, b: Floats, floor: Floats, n: Floats) -> Floats:
    if kind == POWER:
        return np.asarray(np.log(b**a + n**a))
    if kind == WORN:
        return np.asarray(a * np.log(b + n))
    if kind == PROPORTIONAL:
        return np.asarray(np.log(a + (1.0 - a) * np.exp(np.minimum(b * n, 300.0))))
    if kind == LATE:
        return np.asarray(np.log1p(np.maximum(n - a, 0.0) / b))
    if kind == LATE_PROPORTIONAL:
        return np.asarray(np.minimum(b * np.maximum(n - a, 0.0), 300.0))
    return np.asarray(np.log(floor + (1.0 - floor) * np.maximum(1.0 - n / b, 1e-12) ** -a))


def _age_at(kind: int, a: Floats, b: Floats, floor: Floats, ratio: Floats) -> Floats:
    if kind == POWER:
        return np.asarray(np.maximum(ratio - b**a, 0.0) ** (1.0 / a))
    if kind == WORN:
        return np.asarray(ratio ** (1.0 / a) - b)
    if kind == PROPORTIONAL:
        return np.asarray(np.log(np.maximum((ratio - a) / (1.0 - a), 1e-9)) / b)
    if kind == LATE:
        return np.asarray(np.where(ratio > 1.0, a + (ratio - 1.0) * b, -FARTHEST))
    if kind == LATE_PROPORTIONAL:
        return np.asarray(np.where(ratio > 1.0, a + np.log(np.maximum(ratio, 1.0)) / b, -FARTHEST))
    return np.asarray(b * (1.0 - np.maximum((ratio - floor) / (1.0 - floor), 1e-9) ** (-1.0 / a)))


@cache
def shapes(
    size: tuple[int, int, int, int] = FINE, wear_prior: float = 0.5, kinds: tuple[float, ...] = tuple(KINDS.values())
) -> Shapes:
    """The grid: offsets, rates, starts, gaps and ends evenly in the logarithm.

    kinds: how often each kind of growth is met, in the order of KINDS, summing to 1.
    """
    often = dict(zip(KINDS, kinds, strict=True))
    n_offsets, n_rates, n_starts, n_ends = size
    # Floors in shares of the wear so far; the age at which the wear is as much is their root.
    offsets = np.concatenate([[0.0], np.geomspace(0.01, 30.0, n_offsets)])
    # A quarter of each power starts from nothing.
    offset_weight = np.concatenate([[0.25], np.full(n_offsets, 0.75 / n_offsets)])
    rates = np.geomspace(0.05, 8.0, n_rates)
    starts = np.linspace(0.1, 0.9, n_starts)
    gaps = np.geomspace(0.03, 3.0, n_starts)
    quick = np.geomspace(0.5, 15.0, n_starts)
    ends = 1.0 + np.geomspace(0.15, 6.0, n_ends)
    powers = np.array(POWERS)
    floors = np.array(FLOORS)
    floor_weight = np.concatenate([[0.35], np.full(len(floors) - 1, 0.65 / (len(floors) - 1))])
    parts = [
        (POWER, *_product(powers, np.array(POWER_WEIGHTS), offsets, offset_weight)),
        (WORN, *_product(np.array(WORN_POWERS), np.full(len(WORN_POWERS), 1 / len(WORN_POWERS)), offsets[1:],
                         np.full(n_offsets, 1 / n_offsets))),
        (PROPORTIONAL, *_product(floors, floor_weight, rates, np.full(n_rates, 1 / n_rates))),
        (LATE, *_product(starts, np.full(n_starts, 1 / n_starts), gaps, np.full(n_starts, 1 / n_starts))),
        (LATE_PROPORTIONAL, *_product(starts, np.full(n_starts, 1 / n_starts), quick, np.full(n_starts, 1 / n_starts))),
        *[(RUNAWAY, *_product(np.array(RUNAWAYS), np.full(len(RUNAWAYS), 1 / len(RUNAWAYS) / len(RUNAWAY_FLOORS)), ends,
                              np.full(n_ends, 1 / n_ends))) for _ in RUNAWAY_FLOORS],
    ]  # fmt: skip
    of_power, floor_share = parts[0][1], parts[0][2]
    parts[0] = (POWER, of_power, floor_share ** (1.0 / of_power), parts[0][3])
    kind = np.concatenate([[NONE], *(np.full(len(a), k) for k, a, _, _ in parts)])
    a = np.concatenate([[0.0], *(a for _, a, _, _ in parts)])
    b = np.concatenate([[0.0], *(b for _, _, b, _ in parts)])
    floor = np.zeros(len(kind))
    floor[kind == RUNAWAY] = np.repeat(RUNAWAY_FLOORS, len(RUNAWAYS) * n_ends)
    prior = np.concatenate([[1.0 - wear_prior], *(wear_prior * often[k] * w for k, _, _, w in parts)])
    step = np.zeros(len(kind))
    for k, width in (
        (POWER, np.log(3000.0) / (n_offsets - 1)), (WORN, np.log(3000.0) / (n_offsets - 1)),
        (PROPORTIONAL, np.log(160.0) / (n_rates - 1)), (LATE, np.log(100.0) / (n_starts - 1)),
        (LATE_PROPORTIONAL, np.log(30.0) / (n_starts - 1)), (RUNAWAY, np.log(40.0) / (n_ends - 1)),
    ):  # fmt: skip
        step[kind == k] = width
    # The offset of a power is the root of a share of the wear.
    step[kind == POWER] /= a[kind == POWER]
    return Shapes(kind.astype(np.int64), a, b, floor, np.log(prior), step)


def _product(a: Floats, a_weight: Floats, b: Floats, b_weight: Floats) -> tuple[Floats, Floats, Floats]:
    return np.repeat(a, len(b)), np.tile(b, len(a)), np.outer(a_weight, b_weight).ravel()
