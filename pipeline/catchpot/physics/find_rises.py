"""Rises of a pressure between two times a pump drew on it, found from the curve alone.

A hold check whose switch was not logged and the rises between a pump's top-ups look alike: the pressure climbs
steadily, then falls fast. The curve is averaged into cells and cut into straight pieces; runs of rising pieces that
end in a fast fall are the rises. All curves at once. Pressures in mbar, times in s.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from catchpot.physics.binned import bin_rises
from catchpot.physics.straight_pieces import Pieces, straight_pieces

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
CELLS: Final = 300
_LEAST_CELLS: Final = 4
_LEAST_S: Final = 5.0


@dataclass(frozen=True)
class Found:
    """Rises found, in order of curve and time; arrays of shape (rises,).

    curve: which curve. first, stop: readings first:stop of the long column. top_mbar: pressure where the pump drew
    again. A curve without any has a large receiver, a bleed regulator or a pump that never stops.
    """

    curve: Ints
    first: Ints
    stop: Ints
    top_mbar: Floats


def find_rises(t_s: Floats, p_mbar: Floats, first: Ints, stop: Ints, *, open_end: bool = False) -> Found:
    """Rises within the readings first:stop of each curve of a long column.

    A rise counts where it lasts 5 s and 4 cells (a cell is 1 s, or 1/300 of the stretch), stands out of the noise and
    is ended by a fall at least three times as fast. A pressure that wanders up and down alike has none.
    open_end: a rise that begins right after a pump drew the pressure down by far and lasts to the end counts too.
    """
    count = np.maximum(stop - first, 0)
    usable = count >= 12
    if not usable.any():
        none = np.zeros(0, np.int64)
        return Found(none, none, none, np.zeros(0))
    width = np.where(usable, t_s[np.where(usable, stop - 1, 0)] - t_s[np.where(usable, first, 0)], 1.0)
    per_cell = np.maximum(1, np.round(np.maximum(count - 1, 1) / np.maximum(width, 1e-6)))
    wanted = np.where(usable, np.clip(count / per_cell, _LEAST_CELLS, CELLS), _LEAST_CELLS).astype(np.int64)
    cells = bin_rises(t_s, p_mbar, first, np.where(usable, stop, first), int(wanted.max(initial=_LEAST_CELLS)))
    used = (cells.n > 0).sum(axis=1)
    # Cells without a reading go to the end: a gap is bridged by the line on either side.
    order = np.argsort(cells.n <= 0, axis=1, kind="stable")
    t, p = np.take_along_axis(cells.t_s, order, 1), np.take_along_axis(cells.p_mbar, order, 1)
    there = np.arange(t.shape[1])[None, :] < used[:, None]
    # A gauge that shows stairs has at least a third of a stair of noise.
    stairs = np.where(cells.resolution_mbar < 20.0, 0.3 * cells.resolution_mbar, 0.0)
    noise = np.maximum(_noise(p, there), stairs)
    curve, begin, end, top = _rises(t, p, used, noise, straight_pieces(t, p, used, noise), open_end)
    share = np.minimum(count, cells.n.shape[1])[curve]
    begin, end = order[curve, begin], order[curve, end - 1] + 1
    start, many = first[curve], count[curve]
    return Found(curve, start + (begin * many) // share, start + (end * many) // share, top)


def _noise(p: Floats, there: NDArray[np.bool_]) -> Floats:
    """S.d. of a cell, from the median of second differences (a straight rise has none)."""
    bend = np.abs(p[:, 2:] - 2.0 * p[:, 1:-1] + p[:, :-2])
    bend = np.where(there[:, 2:] & there[:, 1:-1] & there[:, :-2], bend, np.nan)
    with np.errstate(all="ignore"):
        ordered = np.sort(bend, axis=1)
        known = np.isfinite(ordered).sum(axis=1)
        middle = ordered[np.arange(len(p)), np.maximum(known // 2, 0).clip(max=max(ordered.shape[1] - 1, 0))]
    return np.where(known > 2, np.maximum(1.4826 * np.nan_to_num(middle) / np.sqrt(6.0), 0.02), 1.0)


def _rises(
    t: Floats, p: Floats, used: Ints, noise: Floats, pieces: Pieces, open_end: bool
) -> tuple[Ints, Ints, Ints, Floats]:
    """Rises as (curve, first cell, cell after the last, pressure at the top)."""
    k, i, j = pieces.curve, pieces.first, pieces.stop
    slope, start, end = _lines(t, p, pieces)
    span = t[k, j - 1] - t[k, i]
    spread = noise[k] * np.sqrt(12.0 / (j - i)) / np.maximum(span, 1e-9)
    rising = (slope > 3.0 * spread) & (slope * span > 2.0 * noise[k])
    # A bend in a rise does not end it; a jump does.
    onward = np.zeros(len(k), dtype=bool)
    onward[1:] = rising[1:] & rising[:-1] & (k[1:] == k[:-1]) & (np.abs(start[1:] - end[:-1]) < 5.0 * noise[k[1:]])
    begins = np.flatnonzero(rising & ~onward)
    lasts = np.flatnonzero(rising & ~np.append(onward[1:], False))
    lasting = (j[lasts] - i[begins] >= _LEAST_CELLS) & (t[k[lasts], j[lasts] - 1] - t[k[begins], i[begins]] >= _LEAST_S)
    begins, lasts = begins[lasting], lasts[lasting]
    k, i, j, foot, top = k[begins], i[begins], j[lasts], start[begins], end[lasts]
    height, span = top - foot, t[k, j - 1] - t[k, i]
    at_end = j >= used[k] - 1
    ended = ~at_end & _falls_fast(p, used, noise, (k, i, j), top, height)
    prior = np.maximum(begins - 1, 0)
    falling = (begins > 0) & (pieces.curve[prior] == k)
    falling &= end[prior] - start[prior] < -3.0 * noise[k] / np.sqrt(pieces.stop[prior] - pieces.first[prior])
    drawn = np.maximum.accumulate(p, axis=1)[k, np.maximum(i - 1, 0)] - foot
    straight = (span >= 20.0) & (height > 8.0 * noise[k] / np.sqrt(j - i))
    still = at_end & falling & straight & (drawn > 5.0 * height) if open_end else np.zeros(len(k), dtype=bool)
    keep = ended | still
    cut = np.where(j - i > 6, 1, 0)
    return k[keep], (i + cut)[keep], (j - cut)[keep], top[keep]


def _falls_fast(
    p: Floats, used: Ints, noise: Floats, rise: tuple[Ints, Ints, Ints], top: Floats, height: Floats
) -> NDArray[np.bool_]:
    """Whether a fall follows that is faster than the rise by far and gives back what the noise can't fake."""
    k, i, j = rise
    look = np.minimum(np.maximum(3, (j - i) // 3), np.maximum(used[k] - j, 0))
    ahead = np.arange(int(look.max(initial=0)))[None, :]
    cell = np.minimum(j[:, None] + ahead, p.shape[1] - 1)
    fall = top[:, None] - p[k[:, None], cell]
    would = (height / np.maximum(j - 1 - i, 1))[:, None] * (ahead + 1.0)
    fast = (fall > 4.0 * noise[k][:, None]) & (fall > 3.0 * would) & (fall > 0.25 * height[:, None])
    return np.asarray((fast & (ahead < look[:, None])).any(axis=1))


def _lines(t: Floats, p: Floats, pieces: Pieces) -> tuple[Floats, Floats, Floats]:
    """Slope, fitted first and fitted last value of each piece."""
    if len(pieces.curve) == 0:
        return (np.zeros(0),) * 3
    n = pieces.stop - pieces.first
    edge = np.concatenate(([0], np.cumsum(n)[:-1]))
    owner = np.repeat(np.arange(len(n)), n)
    cell = np.arange(len(owner)) - edge[owner] + pieces.first[owner]
    x, y = t[pieces.curve[owner], cell], p[pieces.curve[owner], cell]
    x_mean, y_mean = np.add.reduceat(x, edge) / n, np.add.reduceat(y, edge) / n
    x, y = x - x_mean[owner], y - y_mean[owner]
    slope = np.add.reduceat(x * y, edge) / np.maximum(np.add.reduceat(x * x, edge), 1e-12)
    return slope, y_mean + slope * x[edge], y_mean + slope * x[edge + n - 1]
