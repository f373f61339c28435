"""The usual course of a mould's curves: robust centre and spread at each point.

Rows are shots, columns are points of the curve.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
MAD_TO_SD = 1.482602218505602


def nan_median(values: ArrayLike, axis: int = -1) -> Floats:
    """Median of what is known along an axis; NaN where nothing is. Many times quicker on small arrays than numpy's.

    >>> nan_median([[3.0, float("nan"), 1.0], [float("nan")] * 3]).tolist()
    [2.0, nan]
    """
    x = np.moveaxis(np.sort(np.asarray(values, dtype=np.float64), axis=axis), axis, -1)
    n = np.sum(~np.isnan(x), axis=-1)
    low, high = np.maximum((n - 1) // 2, 0), np.minimum(n // 2, x.shape[-1] - 1)
    pick = np.take_along_axis(x, np.stack([low, high], axis=-1), axis=-1)
    return np.asarray(np.where(n > 0, (pick[..., 0] + pick[..., 1]) / 2, np.nan))


def around(y: Floats, wide: int) -> Floats:
    """The `wide` values about each place, (n,) -> (n, wide); the outermost values go on beyond the ends."""
    return np.lib.stride_tricks.sliding_window_view(np.pad(y, (wide // 2, wide - 1 - wide // 2), mode="edge"), wide)


def running_mean(y: Floats, wide: int) -> Floats:
    """Mean of `wide` values about each place, (n,). As `scipy.ndimage.uniform_filter1d` has it with the mode "nearest"
    (a test holds them equal); its import outlasts a shot."""
    return np.asarray(around(y, wide).mean(axis=1))


@dataclass(frozen=True)
class Band:
    """A usual band: centre and spread (as a standard deviation) at each point, and the number of curves behind each."""

    centre: Floats
    spread: Floats
    count: NDArray[np.int64]

    def edges(self, chance: float = 0.95) -> tuple[Floats, Floats]:
        """Band that holds a new healthy curve's point with that chance (Student's t on the count, centre unknown)."""
        from scipy import special

        n = np.maximum(self.count, 2)
        half = special.stdtrit(n - 1, (1 + chance) / 2) * self.spread * np.sqrt(1 + 1 / n)
        return self.centre - half, self.centre + half


def robust_band(curves: ArrayLike, floor: float = 0.0) -> Band:
    """Median and MAD of curves at each point, NaN left out; a minority of odd curves does not move it.

    curves: (shots, points). floor: the least spread believed, in the curves' unit.
    Spread: MAD x 1.4826, with n/(n - 0.8) for few curves (Croux and Rousseeuw 1992, for n > 9; a slight
    under-correction below). Points with no curve are NaN with count 0.

    >>> b = robust_band([[1.0], [2.0], [3.0], [90.0], [2.0]])
    >>> float(b.centre[0]), int(b.count[0])
    (2.0, 5)
    """
    x = np.asarray(curves, dtype=np.float64)
    count = np.isfinite(x).sum(axis=0)
    centre = np.full(x.shape[1], np.nan)
    spread = np.full(x.shape[1], np.nan)
    some = count > 0
    if some.any():
        centre[some] = nan_median(x[:, some], axis=0)
        mad = nan_median(np.abs(x[:, some] - centre[some]), axis=0)
        n = count[some]
        spread[some] = np.maximum(MAD_TO_SD * mad * n / np.maximum(n - 0.8, 0.5), floor)
    return Band(centre, spread, count.astype(np.int64))


__all__ = ["Band", "nan_median", "robust_band"]
