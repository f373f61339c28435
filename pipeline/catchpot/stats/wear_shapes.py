"""Shapes a seal's leak may take over its shots, on a grid: none, linear, proportional, each with floors.

A shape is the leak over its level: 1; `offset + age`; `floor + (1 - floor) exp(rate age)`. Ages in shots.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# Floors (shares of the first leak), offsets and rates tried: first few, then many where the noise is settled.
COARSE: Final = ((0.0, 0.4, 0.7, 0.9), 12, 14)
FINE: Final = ((0.0, 0.15, 0.3, 0.45, 0.6, 0.7, 0.8, 0.87), 40, 44)
FARTHEST_SHOTS: Final = 20000.0


@dataclass(frozen=True)
class Shapes:
    """The grid of shapes: kind 0 none, 1 linear, 2 proportional; offset or floor; rate; log of the prior weight."""

    kind: NDArray[np.int64]
    floor: Floats
    rate: Floats
    log_prior: Floats

    def log_curve(self, age: Floats) -> Floats:
        """Logarithm of each shape at these ages, shape (shapes, ages)."""
        n = np.maximum(np.asarray(age, float), 0.5)[None, :]
        floor, rate = self.floor[:, None], self.rate[:, None]
        linear = np.log(np.where(self.kind[:, None] == 1, floor + n, 1.0))
        grow = np.log(floor + (1.0 - floor) * np.exp(np.minimum(rate * n, 300.0)))
        return np.where(self.kind[:, None] == 1, linear, np.where(self.kind[:, None] == 2, grow, 0.0))

    def age_at(self, log_ratio: Floats) -> Floats:
        """Age at which each shape is exp(log_ratio) times its level, shape as log_ratio (shapes, ...); far if never."""
        extra = (1,) * (log_ratio.ndim - 1)
        kind, floor, rate = (v.reshape(-1, *extra) for v in (self.kind, self.floor, self.rate))
        ratio = np.exp(np.clip(log_ratio, -50.0, 50.0))
        linear = ratio - floor
        inside = (ratio - floor) / np.where(kind == 2, 1.0 - floor, 1.0)
        grow = np.log(np.maximum(inside, 1e-9)) / np.where(kind == 2, rate, 1.0)
        level = np.where(log_ratio > 0, FARTHEST_SHOTS, -FARTHEST_SHOTS)
        age = np.where(kind == 1, linear, np.where(kind == 2, grow, level))
        return np.clip(age, -FARTHEST_SHOTS, FARTHEST_SHOTS)


@cache
def shapes(size: tuple[tuple[float, ...], int, int] = FINE, wear_prior: float = 0.5) -> Shapes:
    """The grid: log-spaced offsets (none, 1 to 3,000 shots) and rates (an e-fold in 5 to 1,000 shots)."""
    floors, n_offsets, n_rates = size
    offsets = np.concatenate([[0.0], np.geomspace(1.0, 3000.0, n_offsets)])
    rates = np.geomspace(1.0 / 1000.0, 0.2, n_rates)
    kind = np.repeat([0, 1, 2], [1, len(offsets), len(rates) * len(floors)])
    floor = np.concatenate([[0.0], offsets, np.repeat(floors, len(rates))])
    rate = np.concatenate([np.zeros(1 + len(offsets)), np.tile(rates, len(floors))])
    # A quarter to a third without any floor; the floors cover their range evenly but for the last.
    width = np.gradient(np.asarray(floors[1:])) if len(floors) > 2 else np.ones(len(floors) - 1)
    share = np.concatenate([[0.35], 0.65 * width / width.sum()])
    prior = np.concatenate(
        [
            [1.0 - wear_prior],
            0.5 * wear_prior * np.concatenate([[0.25], np.full(n_offsets, 0.75 / n_offsets)]),
            0.5 * wear_prior / len(rates) * np.repeat(share, len(rates)),
        ]
    )
    return Shapes(kind.astype(np.int64), floor, rate, np.log(prior))
