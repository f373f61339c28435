"""Hold checks in logs that don't say when the vacuum lines were shut: found from the pressures themselves."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

LEAST_S = 10.0
_BLOCK_S = 2.0
# Faster is no leak but a valve that lets air in.
_FASTEST_MBAR_S = 5.0
# Rises nearer together are one.
_NEAR_S = 5.0
# More rises than this are the pump's top-ups, not hold checks.
_MOST = 3


def holds_from_pressure(
    t_s: NDArray[np.float64], clamp_mbar: NDArray[np.float64] | None, cavity_mbar: NDArray[np.float64] | None
) -> list[tuple[int, int]]:
    """First and last rows of the holds before the injection.

    All arrays are of one shot, up to its injection. A hold: after a pump-down, a pressure rises slowly for at least
    10 s while the other doesn't fall. Rises of the clamp alone that come again and again between falls are the
    vacuum pump's top-ups and no holds.
    """
    if len(t_s) < 8 or t_s[-1] - t_s[0] < LEAST_S:
        return []
    clamp = _rises(t_s, clamp_mbar, cavity_mbar) if clamp_mbar is not None else []
    cavity = _rises(t_s, cavity_mbar, clamp_mbar) if cavity_mbar is not None else []
    if len(clamp) > _MOST:
        clamp = []
    if len(cavity) > _MOST:
        cavity = []
    found: list[tuple[int, int]] = []
    for a, b in sorted(clamp + cavity):
        if found and found[-1][1] < a and t_s[a] - t_s[found[-1][1]] < _NEAR_S:
            found[-1] = (found[-1][0], b)  # noise had cut one rise in two
        elif found and a <= found[-1][1]:
            # the two channels see one hold: it begins when both lines are shut and ends with the first to open
            before = found.pop()
            both = (max(before[0], a), min(before[1], b))
            long_enough = t_s[both[1]] - t_s[both[0]] >= LEAST_S
            found.append(both if long_enough else max(before, (a, b), key=lambda r: t_s[r[1]] - t_s[r[0]]))
        else:
            found.append((a, b))
    return found


def _rises(
    t: NDArray[np.float64], values: NDArray[np.float64] | None, other: NDArray[np.float64] | None
) -> list[tuple[int, int]]:
    if values is None or np.isnan(values).all():
        return []
    step = float(np.median(np.diff(t)))
    block = max(round(_BLOCK_S / step), 2)
    n = len(t) // block
    if n < 5:
        return []
    x = np.nanmean(values[: n * block].reshape(n, block), axis=1)
    tx = t[: n * block].reshape(n, block).mean(axis=1)
    if np.isnan(x).any():
        return []
    noise = 1.4826 * float(np.median(np.abs(np.diff(x, 2)))) / np.sqrt(6.0) + 1e-9
    legs = _legs(x, max(5.0 * noise, 0.8))
    found = []
    for a, b in legs:
        if x[b] <= x[a]:
            continue
        a = _foot(tx[a : b + 1], x[a : b + 1]) + a
        seconds, rise = tx[b] - tx[a], x[b] - x[a]
        if seconds < LEAST_S or rise / seconds > _FASTEST_MBAR_S or rise < max(4.0 * noise, 0.5):
            continue
        if float(np.max(np.diff(x[a : b + 1]))) / _BLOCK_S > 2 * _FASTEST_MBAR_S:
            continue
        if not x[: a + 1].max() - x[a] > max(20.0, 5.0 * noise):
            continue  # no pump-down came before
        if other is not None and _falls(other[(a + 1) * block : b * block]):
            continue
        found.append((a * block, min((b + 1) * block, len(t)) - 1))
    return found


def _falls(values: NDArray[np.float64]) -> bool:
    """Whether a channel falls clearly: it is being pumped, so its line is open."""
    values = values[~np.isnan(values)]
    third = len(values) // 3
    if third < 3:
        return False
    early, late = values[:third], values[-third:]
    spread = 1.4826 * float(np.median(np.abs(np.diff(values)))) / np.sqrt(2.0)
    drop = float(np.median(early)) - float(np.median(late))
    return drop > max(float(5.0 * spread / np.sqrt(third)), 2.0)


def _legs(x: NDArray[np.float64], swing: float) -> list[tuple[int, int]]:
    """The ups and downs of a series whose turns are larger than `swing`: first and last place of each."""
    turns = [0]
    low = high = 0
    direction = 0
    for i in range(1, len(x)):
        if x[i] > x[high]:
            high = i
        if x[i] < x[low]:
            low = i
        if direction >= 0 and x[high] - x[i] > swing:
            if high != turns[-1]:
                turns.append(high)
            direction, low = -1, i
            high = i
        elif direction <= 0 and x[i] - x[low] > swing:
            if low != turns[-1]:
                turns.append(low)
            direction, high = 1, i
            low = i
    end = high if direction > 0 else low if direction < 0 else len(x) - 1
    if end != turns[-1]:
        turns.append(end)
    return list(itertools.pairwise(turns))


def _foot(t: NDArray[np.float64], x: NDArray[np.float64]) -> int:
    """Where a rise begins after a flat part: the knee of the best flat-then-straight line."""
    if len(x) < 6:
        return 0
    best, place = np.inf, 0
    for k in range(len(x) - 4):
        ramp = np.maximum(t - t[k], 0.0)
        centred = ramp - ramp.mean()
        slope = float(centred @ x) / float(centred @ centred)
        rest = x - x.mean() - slope * centred
        error = float(rest @ rest)
        if error < best - 1e-12:
            best, place = error, k
    return place
