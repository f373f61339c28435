"""Stretches of a long column averaged into a few bins of equal count each, all stretches at once.

Pressures in mbar, times in s.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
BINS: Final = 32


@dataclass(frozen=True)
class Binned:
    """Rises in bins, shape (rises, bins): mean time from the start of the rise, mean pressure, count (0: no bin).

    resolution_mbar: smallest step between readings. length_s, start_s: extent of each rise; shape (rises,).
    """

    t_s: Floats
    p_mbar: Floats
    n: Floats
    resolution_mbar: Floats
    length_s: Floats
    start_s: Floats


def bin_rises(t_s: Floats, p_mbar: Floats, first: Ints, stop: Ints, bins: int = BINS) -> Binned:
    """Average the readings first:stop of one long column into at most `bins` bins of equal count each.

    Readings that are NaN are left out. A rise of fewer than 2 readings has no bins.
    """
    count = np.maximum(stop - first, 0)
    used = np.minimum(count, bins)
    step = np.arange(bins)[None, :]
    share = np.maximum(used, 1)[:, None]
    edge = first[:, None] + (np.minimum(step, share) * count[:, None]) // share
    over = first[:, None] + (np.minimum(step + 1, share) * count[:, None]) // share
    valid = (step < used[:, None]) & (over > edge)
    shape = valid.shape
    t_out, p_out, n_out = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    resolution = np.full(len(first), np.inf)
    length, start = np.zeros(len(first)), np.zeros(len(first))
    if valid.any():
        # The rises are cut out of the column first, so that the cost is that of the holds, not of the logs.
        offset = np.concatenate(([0], np.cumsum(count)))
        pick = np.arange(offset[-1]) + np.repeat(first - offset[:-1], count)
        t, p = t_s[pick], p_mbar[pick]
        local = edge - first[:, None] + offset[:-1, None]
        cut = local[valid]
        good = np.isfinite(p)
        if good.all():
            n = np.diff(np.append(cut, offset[-1])).astype(float)
            p_sum, t_sum = np.add.reduceat(p, cut), np.add.reduceat(t, cut)
        else:
            n = np.add.reduceat(good.astype(float), cut)
            p_sum, t_sum = np.add.reduceat(np.where(good, p, 0.0), cut), np.add.reduceat(np.where(good, t, 0.0), cut)
        some = np.maximum(n, 1.0)
        n_out[valid], p_out[valid], t_out[valid] = n, p_sum / some, t_sum / some
        long = count >= 2
        at = offset[:-1][long]
        end = offset[1:][long] - 1
        start[long], length[long] = t[at], t[end] - t[at]
        jump = np.abs(np.diff(p, append=p[-1]))
        jump[offset[1:][count > 0] - 1] = np.inf
        jump[~(jump > 1e-9)] = np.inf
        resolution[long] = np.minimum.reduceat(jump, at)
    t_out -= np.where(n_out > 0, start[:, None], 0.0)
    return Binned(t_out, p_out, n_out, resolution, length, start)
