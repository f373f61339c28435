"""Air in the line, from the samples of a shot: for a moment the pressure collapses while the meter goes on.

Samples of many shots lie end to end; `owner` says which shot each belongs to (0 .. shots - 1, ascending), times rise
within a shot.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from catchpot.physics.signs import group_median

Floats = NDArray[np.float64]
Index = NDArray[np.intp]
Bools = NDArray[np.bool_]

DIP_SHARE = 0.2
"""Share of the driving pressure that must be gone for a moment to count as air: a pump's ripple is some percent."""
LONGEST_SLUG_S = 15.0


@dataclass(frozen=True)
class Slugs:
    """Brief collapses of the driving pressure with the meter still turning (shots,)."""

    count: Index
    first_from_s: Floats
    last_to_s: Floats
    total_s: Floats
    depth: Floats


def on_grid(t_s: Floats, values: Floats, owner: Index, shots: int, step_s: float, steps: int) -> Floats:
    """Mean of the readings in each step of an even time grid (shots, steps); empty steps keep the last mean.

    Times count from 0 at the grid's start; NaN before the first and after the last reading of a shot.
    """
    keep = np.isfinite(values)
    cell = owner[keep] * steps + np.clip((t_s[keep] / step_s).astype(np.intp), 0, steps - 1)
    n = np.bincount(cell, minlength=shots * steps)
    total = np.bincount(cell, weights=values[keep], minlength=shots * steps)
    with np.errstate(invalid="ignore"):
        grid = (total / n).reshape(shots, steps)
    known = n.reshape(shots, steps) > 0
    last = np.where(known.any(axis=1), steps - 1 - np.argmax(known[:, ::-1], axis=1), -1)
    where = np.maximum.accumulate(np.where(known, np.arange(steps), -1), axis=1)
    filled = np.take_along_axis(grid, np.maximum(where, 0), axis=1)
    filled[(where < 0) | (np.arange(steps) > last[:, None])] = np.nan
    return filled


def air_slugs(
    t_s: Floats,
    drive_mbar: Floats,
    vol_l: Floats,
    owner: Index,
    shots: int,
    floor_mbar: Floats | None = None,
    flow_l_min: Floats | None = None,
) -> Slugs:
    """Air in the line: for a moment (up to 15 s) what drives the resin collapses while the meter goes on counting.

    t_s: since the injection's first sample. drive_mbar: line (gauge) + ambient - cavity. vol_l: metered so far.
    A dip is measured against a closing of the curve (the curve with every gap narrower than 15 s filled), so that a
    pump that ramps up or down makes none. It counts where at least a fifth of the driving pressure is gone, well above
    the shot's own noise, and the flow through it stays at 40 % or more of what it is around: a pump that stops also
    loses its pressure. flow_l_min: of a meter that reads flow, NaN elsewhere; then a fifth of the resistance (pressure
    over flow) counts as well: a pump at its pressure limit keeps its pressure and runs faster. floor_mbar: driving
    pressure with the gauge at its lower end (shots,), -inf where there is none: a fall to it from 40 mbar or more above
    counts whatever its share, since how far it went was not read. What begins within the first 3 % of the volume is
    the valve's opening and the hose's filling.
    """
    zero = np.zeros(shots, np.intp)
    nan = np.full(shots, np.nan)
    none = Slugs(zero, nan, nan.copy(), np.zeros(shots), np.zeros(shots))
    if not len(t_s):
        return none
    longest = float(np.nanmax(t_s))
    step = max(0.5, longest / 8000)
    steps = int(longest / step) + 1
    drive = on_grid(t_s, drive_mbar, owner, shots, step, steps)
    volume = on_grid(t_s, vol_l, owner, shots, step, steps)
    inside = np.isfinite(drive) & np.isfinite(volume)
    if not inside.any():
        return none
    level = np.where(inside, drive, np.nanmin(drive, initial=0.0))
    around, noise = _around(level, inside, step)
    gone = around - level
    low = inside & (gone > DIP_SHARE * around) & (gone > 6 * noise)
    share = np.where(low, gone / np.maximum(around, 1e-9), 0.0)
    if floor_mbar is not None:  # a gauge that stops at its end hides the depth, not the dip
        low |= inside & (level <= floor_mbar[:, None]) & (gone > np.maximum(40.0, 6 * noise))
    if flow_l_min is not None and np.isfinite(flow_l_min).any():
        easier = _easier(drive, on_grid(t_s, flow_l_min, owner, shots, step, steps), inside, step)
        low |= easier > 0
        share = np.maximum(share, easier)
    low = _bridged(low, 1 + round(1.5 / step))  # one slug, with a reading in between
    edge = np.diff(np.pad(low, ((0, 0), (1, 1))).astype(np.int8), axis=1)
    row, begin = np.nonzero(edge == 1)
    _, stop = np.nonzero(edge == -1)
    last = np.where(inside.any(axis=1), steps - 1 - np.argmax(inside[:, ::-1], axis=1), -1)
    # Nor is a stop that throttles: the last moments count for nothing.
    whole = (begin > 0) & (stop <= last[row] - round(1.5 / step)) & ((stop - begin) * step <= LONGEST_SLUG_S)
    whole &= volume[row, begin] > 0.03 * volume[row, np.maximum(last[row], 0)]
    row, begin, stop = row[whole], begin[whole], stop[whole]
    turning = _still_turning(volume, last, row, begin, stop, step, _quantum(vol_l, owner, shots))
    row, begin, stop = row[turning], begin[turning], stop[turning]
    count = np.bincount(row, minlength=shots)
    first_s, last_s, depth = nan.copy(), nan.copy(), np.zeros(shots)
    np.fmin.at(first_s, row, begin * step)
    np.fmax.at(last_s, row, stop * step)
    for r, b, e in zip(row, begin, stop, strict=True):  # few runs in all
        depth[r] = max(depth[r], float(share[r, b:e].max()))
    total = np.bincount(row, weights=(stop - begin) * step, minlength=shots)
    return Slugs(count.astype(np.intp), first_s, last_s, total.astype(np.float64), depth)


def _around(level: Floats, inside: Bools, step_s: float) -> tuple[Floats, Floats]:
    """The curve with its gaps filled (shots, steps), and its noise from one step to the next (shots, 1)."""
    width = round(LONGEST_SLUG_S / step_s) | 1
    # Carried on at either end: else a pump's ramp in the first seconds would be filled up like a gap.
    beyond = np.pad(level, ((0, 0), (width, width)), mode="edge")
    around = _running(_running(beyond, width, np.maximum), width, np.minimum)[:, 1:-1]
    jumps = np.abs(np.diff(level, axis=1))
    moving = inside[:, 1:] & inside[:, :-1] & (jumps > 0)
    noise = 1.05 * group_median(jumps[moving], np.nonzero(moving)[0], len(level))
    return around, np.where(np.isfinite(noise), noise, 0.0)[:, None]


def _running(values: NDArray[Any], width: int, of_two: np.ufunc) -> NDArray[Any]:
    """The greatest (np.maximum) or least of each `width` neighbours: (rows, n) -> (rows, n - width + 1).

    Spans of 1, 2, 4, ... are put together, so that the work grows with the logarithm of the width. With closings made
    of these the curve is what scipy.ndimage gives (a test holds them equal), whose import takes longer than a shot.
    """
    span = 1
    while span < width:
        on = min(span, width - span)
        values = of_two(values[:, :-on], values[:, on:])
        span += on
    return values


def _bridged(low: Bools, width: int) -> Bools:
    """A flag with gaps of fewer than `width` steps filled (rows, n); beyond the ends it counts as off."""
    before, after = (width - 1) // 2, width // 2
    grown = _running(np.pad(low, ((0, 0), (before, after))), width, np.maximum)
    return _running(np.pad(grown, ((0, 0), (after, before))), width, np.minimum)


def _easier(drive: Floats, flow: Floats, inside: Bools, step_s: float) -> Floats:
    """Share of the resistance that is gone in a dip, 0 elsewhere (shots, steps); all 0 where no flow was read.

    Judged only while the flow is at a third of its median or more, and not just after it was less: a pump that starts
    anew has not built up its pressure.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        pace = group_median(flow[inside & (flow > 0)], np.nonzero(inside & (flow > 0))[0], len(flow))[:, None]
        runs = inside & (flow > pace / 3) & (drive > 0)
        runs &= np.pad(runs, ((0, 0), (round(2.0 / step_s), 0)))[:, : flow.shape[1]]
        value = np.where(runs, np.log(drive / flow), np.nan)
    at = np.maximum.accumulate(np.where(runs, np.arange(flow.shape[1]), -1), axis=1)
    known = at >= 0
    level = np.where(known, np.take_along_axis(value, np.maximum(at, 0), axis=1), np.nan)
    first = np.take_along_axis(value, np.argmax(runs, axis=1)[:, None], axis=1)
    level = np.where(known, level, np.nan_to_num(first))
    around, noise = _around(level, runs, step_s)
    gone = around - level
    dip = runs & (-np.expm1(-gone) > DIP_SHARE) & (gone > 6 * noise)
    return np.where(dip, -np.expm1(-gone), 0.0)


def _quantum(vol_l: Floats, owner: Index, shots: int) -> Floats:
    """Typical step of the metered volume from one reading to the next that moved it: a stroke, or flow x interval."""
    rise = np.diff(vol_l)
    up = (rise > 0) & (owner[1:] == owner[:-1])
    step = group_median(rise[up], owner[1:][up], shots)
    return np.where(np.isfinite(step), step, 0.0)


def _still_turning(
    volume: Floats, last: Index, row: Index, begin: Index, stop: Index, step_s: float, quantum_l: Floats
) -> Bools:
    """Whether the meter went on at 40 % or more of its pace through each run (runs,).

    The pace is looked at over a span wide enough for the meter to move at all: half a second, or one stroke, each way.
    """
    end = last[row]
    wide = round(LONGEST_SLUG_S / step_s)
    before, after = np.maximum(begin - wide, 0), np.minimum(stop + wide, end)
    outside = (volume[row, after] - volume[row, np.minimum(stop, end)]) + (volume[row, begin] - volume[row, before])
    outside_s = (after - np.minimum(stop, end) + begin - before) * step_s
    pace = outside / np.maximum(outside_s, step_s)
    margin = np.maximum(0.5, quantum_l[row] / np.maximum(pace, 1e-9)) / step_s
    each = np.clip(np.ceil(margin), 1, wide).astype(np.intp)
    low, high = np.maximum(begin - each, 0), np.minimum(stop + each, end)
    through = (volume[row, high] - volume[row, low]) / np.maximum((high - low) * step_s, step_s)
    return np.asarray((pace > 0) & (through >= 0.4 * pace))


__all__ = ["Slugs", "air_slugs", "on_grid"]
