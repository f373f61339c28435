"""What the gauges of a shot themselves show: their readings at rest, and a channel that stands still.

Samples of many shots lie end to end; `owner` says which shot each belongs to (0 .. shots - 1, ascending), times rise
within a shot.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Index = NDArray[np.intp]
Bools = NDArray[np.bool_]


def bounds(owner: Index, shots: int) -> tuple[Index, Index]:
    """First sample and one past the last of each shot (shots,)."""
    return np.searchsorted(owner, np.arange(shots)), np.searchsorted(owner, np.arange(shots), side="right")


def group_median(values: Floats, owner: Index, shots: int) -> Floats:
    """Median of each shot's finite values (shots,); NaN where it has none.

    >>> group_median(np.array([1.0, 9.0, 2.0, 5.0]), np.array([0, 0, 0, 1]), 3).tolist()
    [2.0, 5.0, nan]
    """
    keep = np.isfinite(values)
    v, o = values[keep], owner[keep]
    order = np.lexsort((v, o))
    v, o = v[order], o[order]
    first, last = bounds(o, shots)
    out = np.full(shots, np.nan)
    some = last > first
    n, f = (last - first)[some], first[some]
    out[some] = (v[f + (n - 1) // 2] + v[f + n // 2]) / 2
    return out


@dataclass(frozen=True)
class Rest:
    """A gauge at rest: level, scatter of its readings (robust s.d.) and how many there were, each (shots,)."""

    level: Floats
    scatter: Floats
    count: Index


def rest(values: Floats, owner: Index, shots: int) -> Rest:
    """Median and scatter of readings taken at rest; NaN where there are none."""
    level = group_median(values, owner, shots)
    scatter = 1.4826 * group_median(np.abs(values - level[owner]), owner, shots)
    return Rest(level, scatter, np.bincount(owner[np.isfinite(values)], minlength=shots).astype(np.intp))


def opening_plateau(
    t_s: Floats, pressure_mbar: Floats, owner: Index, shots: int, least_mbar: float = 850.0, fall_mbar: float = 8.0
) -> Bools:
    """Samples at the beginning of each log, before a gauge on a volume is pulled down from ambient (samples,).

    The plateau ends with the first reading more than `fall_mbar` below the log's first one. A log that begins below
    `least_mbar` has none: nobody knows how long its pump had been running. Nor has one with fewer than three samples
    or less than a second on the plateau, which may be the first moment of the fall.
    """
    first, last = bounds(owner, shots)
    out = np.zeros(len(t_s), bool)
    some = last > first
    if not some.any():
        return out
    start = np.full(shots, np.nan)
    start[some] = pressure_mbar[first[some]]
    fallen = ~(pressure_mbar >= start[owner] - fall_mbar)
    seen = np.cumsum(fallen)
    before_shot = np.zeros(shots, np.int64)
    before_shot[some] = seen[first[some]] - fallen[first[some]]
    out = (seen - before_shot[owner] == 0) & (start[owner] >= least_mbar)
    count = np.bincount(owner[out], minlength=shots)
    lasted = np.zeros(shots)
    end = first + count - 1
    lasted[some] = t_s[np.clip(end, first, last - 1)[some]] - t_s[first[some]]
    # The last readings before the fall already belong to it.
    position = np.arange(len(t_s)) - first[owner]
    out &= position < np.maximum(count - 1, 0)[owner]
    return np.asarray(out & ((count >= 3) & (lasted >= 1.0))[owner])


@dataclass(frozen=True)
class Still:
    """The longest run of one and the same reading in each shot (shots,).

    log10_chance: chance that so long a run turns up in a sound channel that repeats readings as often as this one does
    outside the run (powers of ten). from_s: where it begins. lasted_s, samples, value: of the run.
    """

    log10_chance: Floats
    from_s: Floats
    lasted_s: Floats
    samples: Index
    value: Floats


def longest_still(t_s: Floats, values: Floats, owner: Index, shots: int) -> Still:
    """Longest run of identical readings by shot, and how likely a sound channel would show it.

    With n pairs of neighbours, k of them equal outside the run of m readings, a pair is equal with chance about
    p = (k + 1)/(n - m + 2); a run so long starts at any of n places with chance n p^(m - 1). Readings that are coarse
    for the noise repeat often by nature, and are then not called stuck.
    """
    keep = np.isfinite(values)
    t, v, o = t_s[keep], values[keep], owner[keep]
    nothing = Still(
        np.zeros(shots), np.full(shots, np.nan), np.zeros(shots), np.zeros(shots, np.intp), np.full(shots, np.nan)
    )
    if not len(v):
        return nothing
    new = np.ones(len(v), bool)
    new[1:] = (v[1:] != v[:-1]) | (o[1:] != o[:-1])
    begin = np.flatnonzero(new)
    end = np.append(begin[1:], len(v)) - 1
    run_owner, lasted, count = o[begin], t[end] - t[begin], end - begin + 1
    order = np.lexsort((lasted, run_owner))
    last = np.searchsorted(run_owner[order], np.arange(shots), side="right") - 1
    has = (last >= 0) & (run_owner[order[np.maximum(last, 0)]] == np.arange(shots))
    best = order[np.maximum(last, 0)]
    n = np.bincount(o, minlength=shots)
    equal = np.bincount(run_owner, weights=(count - 1).astype(float), minlength=shots)
    m = np.where(has, count[best], 0)
    outside = np.maximum(n - m, 0)
    p = np.clip((equal - np.maximum(m - 1, 0) + 1) / (outside + 2), 1e-6, 1 - 1e-6)
    chance = np.log10(np.maximum(n, 1)) + np.maximum(m - 1, 0) * np.log10(p)
    return Still(
        np.where(has, np.minimum(chance, 0.0), 0.0),
        np.where(has, t[begin[best]], np.nan),
        np.where(has, lasted[best], 0.0),
        m.astype(np.intp),
        np.where(has, v[begin[best]], np.nan),
    )


__all__ = ["Rest", "Still", "bounds", "group_median", "longest_still", "opening_plateau", "rest"]
