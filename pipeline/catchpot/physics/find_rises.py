"""Rises of a pressure between two times a pump drew on it, found from the curve alone.

A hold check whose switch was not logged and the rises between a pump's top-ups look alike: the pressure climbs
steadily, then falls fast. The curve is averaged into cells and cut into straight pieces at least total cost (optimal
partition with a penalty a piece), all curves at once. Pressures in mbar, times in s.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from catchpot.physics.rise import bin_rises

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
CELLS: Final = 300
_LEAST_CELLS: Final = 4
_LEAST_S: Final = 5.0


@dataclass(frozen=True)
class Found:
    """Rises found, in order of curve and time; arrays of shape (rises,) but `drops` of shape (curves,).

    curve: which curve. first, stop: readings first:stop of the long column. top_mbar: pressure where the pump drew
    again. drops: how many fast falls each curve has, a rise before it or not. steady: curves without any (a large
    receiver, a bleed regulator or a pump that never stops, from which nothing can be read.
    """

    curve: Ints
    first: Ints
    stop: Ints
    top_mbar: Floats
    drops: Ints


def find_rises(t_s: Floats, p_mbar: Floats, first: Ints, stop: Ints, *, open_end: bool = False) -> Found:
    """Rises within the readings first:stop of each curve of a long column.

    A rise counts where it lasts 5 s and 4 cells (a cell is 1 s, or 1/300 of the stretch), stands out of the noise and
    is ended by a fall at least three times as fast. A pressure that wanders up and down alike has none.
    open_end: a rise that begins right after a pump drew the pressure down by far and lasts to the end counts too.
    """
    count = np.maximum(stop - first, 0)
    usable = count >= 12
    cells = bin_rises(t_s, p_mbar, first, np.where(usable, stop, first), CELLS)
    width = np.where(usable, cells.length_s / np.maximum(count - 1, 1), 1.0)
    per_cell = np.maximum(1, np.round(1.0 / np.maximum(width, 1e-6)))
    wanted = np.clip(count / per_cell, 1, CELLS).astype(np.int64)
    # Most logs are longer than 300 readings and shorter than 300 s: cells of 1 s need fewer bins.
    most = int(wanted.max(initial=1))
    if most < CELLS:
        cells = bin_rises(t_s, p_mbar, first, np.where(usable, stop, first), most)
    t, p, n = cells.t_s, cells.p_mbar, cells.n
    there = n > 0
    # A gauge that shows stairs has at least a third of a stair of noise.
    stairs = np.where(cells.resolution_mbar < 20.0, 0.3 * cells.resolution_mbar, 0.0)
    noise = np.maximum(_noise(p, there), stairs)
    out: list[tuple[int, int, int, float]] = []
    drops = np.zeros(len(first), dtype=np.int64)
    edges = _partition(t, p, there, noise)
    # Loop over curves: each has a handful of pieces, and the rules between neighbours are sequential.
    for k in np.flatnonzero(usable):
        rises, drops[k] = _rises(t[k], p[k], edges[k], float(noise[k]), open_end)
        used = int(there[k].sum())
        for i, j, top in rises:
            a = int(first[k] + (i * count[k]) // used)
            b = int(first[k] + (j * count[k]) // used)
            out.append((int(k), a, b, top))
    columns = list(zip(*out, strict=True)) if out else [(), (), (), ()]
    whole = [np.asarray(c, dtype=np.int64) for c in columns[:3]]
    return Found(whole[0], whole[1], whole[2], np.asarray(columns[3], dtype=np.float64), drops)


def _noise(p: Floats, there: NDArray[np.bool_]) -> Floats:
    """S.d. of a cell, from the median of second differences (a straight rise has none)."""
    bend = np.abs(p[:, 2:] - 2.0 * p[:, 1:-1] + p[:, :-2])
    bend = np.where(there[:, 2:] & there[:, 1:-1] & there[:, :-2], bend, np.nan)
    with np.errstate(all="ignore"):
        ordered = np.sort(bend, axis=1)
        known = np.isfinite(ordered).sum(axis=1)
        middle = ordered[np.arange(len(p)), np.maximum(known // 2, 0).clip(max=max(ordered.shape[1] - 1, 0))]
    return np.where(known > 2, np.maximum(1.4826 * np.nan_to_num(middle) / np.sqrt(6.0), 0.02), 1.0)


def _partition(t: Floats, p: Floats, there: NDArray[np.bool_], noise: Floats) -> list[list[int]]:
    """Edges of the straight pieces of each curve (optimal partition, penalty 3 log(n) noise^2 a piece)."""
    curves, cells = p.shape
    used = there.sum(axis=1)
    middle = np.where(there, p, 0.0).sum(1) / np.maximum(used, 1)
    x = np.where(there, t, 0.0) / np.maximum(t.max(axis=1, initial=1.0), 1e-9)[:, None]
    y = np.where(there, p - middle[:, None], 0.0) / noise[:, None]

    def sums(v: Floats) -> Floats:
        return np.concatenate([np.zeros((curves, 1)), np.cumsum(v, axis=1)], axis=1)

    sx, sy, sxx, sxy, syy = sums(x), sums(y), sums(x * x), sums(x * y), sums(y * y)
    penalty = 3.0 * np.log(np.maximum(used, 3))
    best = np.full((curves, cells + 1), np.inf)
    best[:, 0] = 0.0
    before = np.zeros((curves, cells + 1), dtype=np.int64)
    for j in range(2, cells + 1):
        i = np.arange(0, j - 1)
        n = (j - i).astype(float)[None, :]
        dx, dy = sx[:, j, None] - sx[:, i], sy[:, j, None] - sy[:, i]
        xx = sxx[:, j, None] - sxx[:, i] - dx * dx / n
        xy = sxy[:, j, None] - sxy[:, i] - dx * dy / n
        yy = syy[:, j, None] - syy[:, i] - dy * dy / n
        cost = best[:, i] + np.maximum(yy - xy * xy / np.maximum(xx, 1e-12), 0.0)
        pick = np.argmin(cost, axis=1)
        best[:, j] = cost[np.arange(curves), pick] + penalty
        before[:, j] = pick
    edges = []
    for k in range(curves):
        at, cut = int(used[k]), [int(used[k])]
        while at > 0:
            at = int(before[k, at])
            cut.append(at)
        edges.append(cut[::-1])
    return edges


def _rises(
    t: Floats, p: Floats, edges: list[int], noise: float, open_end: bool
) -> tuple[list[tuple[int, int, float]], int]:
    """Rises of one curve as (first cell, cell after the last, pressure at the top), and the number of fast falls."""
    pieces = [(i, j, *_line(t[i:j], p[i:j])) for i, j in pairwise(edges) if j - i >= 2]
    groups: list[list[tuple[int, int, float, float, float]]] = []
    for piece in pieces:
        i, j, slope, start, _end = piece
        span = float(t[j - 1] - t[i])
        spread = noise * np.sqrt(12.0 / (j - i)) / max(span, 1e-9)
        rising = slope > 3.0 * spread and slope * span > 2.0 * noise
        if rising and groups and groups[-1][-1][1] == i and abs(start - groups[-1][-1][4]) < 5.0 * noise:
            groups[-1].append(piece)
        elif rising:
            groups.append([piece])
    found, falls = [], 0
    for piece in pieces:
        falls += int(piece[2] * (t[piece[1] - 1] - t[piece[0]]) < -5.0 * noise)
    for group in groups:
        i, j, top = group[0][0], group[-1][1], group[-1][4]
        span = float(t[j - 1] - t[i])
        mean_slope = (top - group[0][3]) / max(span, 1e-9)
        if j - i < _LEAST_CELLS or span < _LEAST_S:
            continue
        cut = 1 if j - i > 6 else 0
        if j >= edges[-1] - 1:
            height = top - group[0][3]
            last = next((q for q in reversed(pieces) if q[1] <= i), None)
            falling = (
                last is not None and last[1] == i and last[4] - last[3] < -3.0 * noise / np.sqrt(last[1] - last[0])
            )
            drawn = float(p[:i].max(initial=-np.inf)) - group[0][3]
            straight = open_end and span >= 20.0 and height > 8.0 * noise / np.sqrt(j - i)
            if straight and falling and drawn > 5.0 * height:
                found.append((i + cut, j - cut, float(top)))
            continue
        after = p[j : min(j + max(3, (j - i) // 3), edges[-1])]
        steps = np.arange(1, len(after) + 1) * max(float(np.median(np.diff(t[i:j]))), 1e-9)
        fall = top - after
        # The fall must be faster than the rise by far and give back what the noise can't fake.
        fast = np.flatnonzero(
            (fall > 4.0 * noise) & (fall > 3.0 * mean_slope * steps) & (fall > 0.25 * (top - group[0][3]))
        )
        if len(fast) == 0:
            continue
        found.append((i + cut, j - cut, float(top)))
    return found, falls


def _line(t: Floats, p: Floats) -> tuple[float, float, float]:
    """Slope, fitted first and fitted last value."""
    x = t - t.mean()
    slope = float((x * p).sum() / max(float((x * x).sum()), 1e-12))
    return slope, float(p.mean() + slope * x[0]), float(p.mean() + slope * x[-1])
