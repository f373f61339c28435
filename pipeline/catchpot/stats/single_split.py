"""The classical tests for one change: sum of squares with supF (D. W. K. Andrews, Econometrica 61, 1993) and ranks
(A. N. Pettitt, Applied Statistics 28, 1979)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Split:
    """The best single split in two levels: number of values before it, both means, what is left, and supF."""

    before: int
    mean_before: float
    mean_after: float
    rest: float
    sup_f: float


def best_split(values: Floats, least: int = 2) -> Split:
    """Least squares split in two levels (exact search); values shape (n,), least: shots on either side.

    >>> best_split(np.array([0.0, 0.1, 0.0, 5.0, 5.1])).before
    3
    """
    y = np.asarray(values, dtype=float)
    n = y.size
    k = np.arange(least, n - least + 1)
    total, sums = y.sum(), np.cumsum(y)[k - 1]
    gain = (sums / k - (total - sums) / (n - k)) ** 2 * k * (n - k) / n
    i = int(np.argmax(gain))
    whole = float(np.sum((y - y.mean()) ** 2))
    rest = whole - float(gain[i])
    before = int(k[i])
    return Split(before, float(y[:before].mean()), float(y[before:].mean()), rest, float(gain[i]) / (rest / (n - 2)))


def pettitt(values: Floats) -> tuple[int, int, float]:
    """Pettitt's rank test for one change: largest |U|, number of values before it, approximate significance.

    >>> pettitt(np.array([1.0, 2.0, 3.0, 11.0, 12.0, 13.0]))[:2]
    (9, 3)
    """
    y = np.asarray(values, dtype=float)
    signs = np.sign(y[:, None] - y[None, :])
    n = y.size
    u = np.array([np.sum(signs[:k, k:]) for k in range(1, n)])
    at = int(np.argmax(np.abs(u)))
    largest = abs(int(u[at]))
    return largest, at + 1, min(1.0, 2 * float(np.exp(-6 * largest**2 / (n**3 + n**2))))


__all__ = ["Split", "best_split", "pettitt"]
