"""Lone wild shots, which are neither a step nor a trend."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def clip_lone_shots(values: Floats, spreads: float = 4.0, width: int = 7) -> Floats:
    """The values with lone wild shots pulled to the running median -+ 4 spreads; steps and trends stay.

    values: shape (shots,). The spread is the median moving range over the last 60 shots.

    >>> bool(clip_lone_shots(np.array([0.0, 1.0, 0.0, 1.0, 99.0, 1.0, 0.0, 1.0, 0.0]))[4] < 6)
    True
    """
    from numpy.lib.stride_tricks import sliding_window_view

    y = np.asarray(values, dtype=float)
    if y.size < width + 1:
        return y.copy()
    local = np.median(sliding_window_view(y, width), axis=1)
    ranges = np.abs(np.diff(y))
    spread = np.array([np.median(ranges[max(0, i + width - 1 - 60) : i + width - 1]) for i in range(local.size)])
    half = np.maximum(spreads * spread / 0.9538725524, 1e-12 * np.abs(local))
    # Readings so coarse that most neighbours are equal have no moving range: nothing of them is called wild.
    half = np.where(spread > 0, half, np.inf)
    at = np.clip(np.arange(y.size) - width // 2, 0, local.size - 1)
    return np.asarray(np.clip(y, (local - half)[at], (local + half)[at]))


__all__ = ["clip_lone_shots"]
