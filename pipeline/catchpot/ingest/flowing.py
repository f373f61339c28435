"""When resin flows: the injection of each shot, told from meter noise, zero offset, pauses and a dying trickle."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from catchpot.ingest.segments import Samples, by_shot, filled, middle_of_three, moving_mean, runs_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Smoothing that takes pump pulsation and noise down without moving the ends of an injection by more than a second.
_SMOOTH_S = 2.0
# A flow below this share of the shot's usual top is not taken as flowing by itself.
_SHARE = 0.02
_LEAST_L_MIN = 0.01
# No meter in use drifts further from zero than this; a steady flow above it is a flow.
_OFFSET_L_MIN = 0.15
# A run of flow that moves less than this share of the shot's volume, or this volume, is a blip.
_BLIP_SHARE, _BLIP_L = 0.003, 0.005
_BLOCK_S = 10.0
# The lowest flow held for this long is the nearest a log comes to its zero, however short beside the injection.
_ZERO_S = 5.0
# A small flow that the line pressure answers to: at least this much flow, and this much pressure.
_SMALL_L_MIN, _ANSWER_BAR = 0.02, 0.05


@dataclass(frozen=True)
class Flowing:
    """Where each shot's resin flowed.

    first, last: rows of the injection's first and last sample, -1 where there was none. on: rows with flow.
    threshold_l_min, offset_l_min, noise_l_min: each shot's; smooth: the smoothed flow.
    """

    first: NDArray[np.int64]
    last: NDArray[np.int64]
    on: NDArray[np.bool_]
    threshold_l_min: NDArray[np.float64]
    offset_l_min: NDArray[np.float64]
    noise_l_min: NDArray[np.float64]
    smooth: NDArray[np.float64]


def _level(
    samples: Samples,
    flow: NDArray[np.float64],
    smooth: NDArray[np.float64],
    pressure: NDArray[np.float64],
    isolated: NDArray[np.bool_],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    """Each shot's zero offset, noise, low and top of the smoothed flow, and whether the zero is surely known."""
    (top,) = by_shot(samples, smooth, None, 0.98)
    (low,) = by_shot(samples, moving_mean(samples, smooth, _ZERO_S), None, 0.0)
    middle_of = low + 0.25 * (top - low)
    quiet = smooth < middle_of[samples.shot_of]
    # where the line stands under pressure a small flow may be a trickle, and tells nothing of the meter's zero
    idle, pressed = by_shot(samples, pressure, None, 0.02, 0.98)
    limit = np.where(pressed - idle > 0.05, idle + 0.4 * (pressed - idle), np.inf)
    quiet &= pressure < limit[samples.shot_of]
    known = np.zeros(len(samples.shots), bool)
    known[np.unique(samples.shot_of[isolated])] = True
    # lines shut for a hold check: certainly no resin moves
    quiet = np.where(known[samples.shot_of], isolated, quiet)
    q10, q50, q90 = by_shot(samples, smooth, quiet, 0.10, 0.50, 0.90)
    jump = np.abs(np.diff(flow, prepend=flow[:1]))
    jump[samples.starts] = np.nan
    (rough,) = by_shot(samples, jump, quiet, 0.5)
    noise = 1.4826 * np.nan_to_num(rough) / np.sqrt(2.0)
    half = np.maximum(np.round(_SMOOTH_S / samples.step_s), 3.0)
    smooth_noise = noise / np.sqrt(half)
    offset = np.where(known, q50, np.nan_to_num(q10) + 1.28 * smooth_noise)
    # a zero is flat and lasts; a slow start or end of the flow is neither
    flat = (q90 - q10 < np.maximum(8.0 * smooth_noise, 0.02)) & (_seconds(samples, quiet) >= 5.0)
    offset = np.where(known | flat, offset, 0.0)
    most = np.maximum(np.where(known, _OFFSET_L_MIN, 0.05), 0.05 * top)
    offset = np.clip(np.nan_to_num(offset), -_OFFSET_L_MIN, most)
    return offset, smooth_noise, low, top, known


def _line_answers(
    samples: Samples,
    smooth: NDArray[np.float64],
    pressure: NDArray[np.float64],
    low: NDArray[np.float64],
    top: NDArray[np.float64],
) -> NDArray[np.bool_]:
    """Whether the line stands under more pressure at high flow than at low, for each shot: no offset does that."""
    share = (smooth - low[samples.shot_of]) / np.maximum(top - low, 1e-9)[samples.shot_of]
    (flowing,), (resting,) = by_shot(samples, pressure, share > 0.5, 0.5), by_shot(samples, pressure, share < 0.1, 0.5)
    return np.asarray(flowing - resting > _ANSWER_BAR)


def _seconds(samples: Samples, mask: NDArray[np.bool_]) -> NDArray[np.float64]:
    return np.asarray(np.bincount(samples.shot_of[mask], minlength=len(samples.shots)) * samples.step_s)


def find_flow(samples: Samples) -> Flowing:
    """The injection of every shot of a batch.

    A pause inside an injection belongs to it; a flow that dies to a trickle belongs to it for as long as the meter
    tells it from its own zero. No injection: only noise about a zero offset, however long.
    """
    flow = filled(samples, "flow_l_min")
    smooth = moving_mean(samples, middle_of_three(samples, flow), _SMOOTH_S)
    pressure = moving_mean(samples, filled(samples, "line_pressure_bar"), _SMOOTH_S)
    flag = filled(samples, "vacuum_isolated") > 0.5
    offset, noise, low, top, known = _level(samples, flow, smooth, pressure, flag)
    threshold = offset + np.maximum.reduce([5.0 * noise, _SHARE * (top - offset), np.full(len(top), _LEAST_L_MIN)])
    # without a flow that stands out from the zero, or one that no offset explains, nothing was injected
    stands_out = top - offset > np.maximum(0.05, 10.0 * noise)
    (steady,) = by_shot(samples, smooth, None, 0.5)
    stands_out &= (top - low > np.maximum(0.06, 8.0 * noise)) | (steady > _OFFSET_L_MIN)
    (high,) = by_shot(samples, smooth, None, 0.995)
    brief = high - offset > np.maximum(0.15, 12.0 * noise)  # a short injection in a long log
    flows = stands_out | brief | (~known & (steady > _OFFSET_L_MIN))
    flows |= (top - offset > np.maximum(_SMALL_L_MIN, 10.0 * noise)) & _line_answers(
        samples, smooth, pressure, low, top
    )
    on = (smooth > threshold[samples.shot_of]) & flows[samples.shot_of] & ~flag
    volume = samples.columns["vol_l"]
    begin, end = runs_of(samples, on)
    of = samples.shot_of[begin]
    t = samples.columns["t_s"]
    moved = volume[end] - volume[begin] - offset[of] * (t[end] - t[begin]) / 60.0
    most = np.zeros(len(samples.shots))
    np.maximum.at(most, of, moved)
    real = (moved >= np.maximum(_BLIP_L, _BLIP_SHARE * most[of])) & (
        (t[end] - t[begin] >= 1.0) | (moved >= 0.5 * most[of])
    )
    keep = np.zeros(len(on) + 1)
    np.add.at(keep, begin[real], 1.0)
    np.add.at(keep, end[real] + 1, -1.0)
    on &= np.cumsum(keep)[:-1] > 0.5
    first = np.full(len(samples.shots), -1, np.int64)
    last = first.copy()
    for b, e in zip(begin[real][::-1].tolist(), end[real][::-1].tolist(), strict=True):
        shot = samples.shot_of[b]
        first[shot] = b
        last[shot] = max(last[shot], e)
    _drop_runs_before_holds(samples, first, last, begin[real], end[real], moved[real], flag)
    _sharpen(samples, flow, threshold, offset, first, last)
    _follow_trickle(samples, flow, offset, noise, top, last)
    return Flowing(first, last, on, threshold, offset, noise, smooth)


def _drop_runs_before_holds(
    samples: Samples,
    first: NDArray[np.int64],
    last: NDArray[np.int64],
    begin: NDArray[np.int64],
    end: NDArray[np.int64],
    moved: NDArray[np.float64],
    flag: NDArray[np.bool_],
) -> None:
    """Hold checks come before resin: of runs parted by one, only those on the side of the largest are the injection."""
    isolated = np.concatenate(([0], np.cumsum(flag)))
    for shot in np.flatnonzero(first >= 0).tolist():
        if isolated[last[shot] + 1] == isolated[first[shot]]:
            continue
        mine = np.flatnonzero(samples.shot_of[begin] == shot)
        main = mine[np.argmax(moved[mine])]
        same = [i for i in mine if isolated[min(begin[i], begin[main])] == isolated[max(end[i], end[main])]]
        first[shot], last[shot] = begin[same].min(), end[same].max()


def _sharpen(
    samples: Samples,
    flow: NDArray[np.float64],
    threshold: NDArray[np.float64],
    offset: NDArray[np.float64],
    first: NDArray[np.int64],
    last: NDArray[np.int64],
) -> None:
    """Put the ends where the raw flow starts and ends; smoothing had spread them by half its window."""
    reach = np.maximum(np.round(_SMOOTH_S / samples.step_s), 3.0).astype(np.int64)
    for shot in np.flatnonzero(first >= 0).tolist():
        rows = samples.rows(shot)
        a, b = int(first[shot]), int(last[shot])
        low = threshold[shot]
        ahead = flow[a : min(a + int(reach[shot]), b) + 1] > low
        a += int(np.argmax(ahead)) if ahead.any() else 0
        # the sample before the first flow is the foot of the trapezoid
        first[shot] = max(a - 1, rows.start)
        back = flow[max(b - int(reach[shot]), a) : b + 1][::-1] > low
        b -= int(np.argmax(back)) if back.any() else 0
        last[shot] = min(b + 1, rows.stop - 1)


def _follow_trickle(
    samples: Samples,
    flow: NDArray[np.float64],
    offset: NDArray[np.float64],
    noise: NDArray[np.float64],
    top: NDArray[np.float64],
    last: NDArray[np.int64],
) -> None:
    """Move the end on over a trickle, block by block, while it stands clear of the meter's zero."""
    raw_noise = noise * np.sqrt(np.maximum(np.round(_SMOOTH_S / samples.step_s), 3.0))
    for shot in np.flatnonzero(last >= 0).tolist():
        stop = samples.rows(shot).stop
        block = max(round(float(_BLOCK_S / samples.step_s[shot])), 5)
        # an offset is known no better than the noise of the quiet part tells, and meters creep a little
        least = offset[shot] + max(4.0 * raw_noise[shot] / np.sqrt(block), 0.004 * top[shot], 0.003)
        at = int(last[shot])
        while at + block <= stop and float(np.mean(flow[at : at + block])) > least:
            at += block
        if stop - at < block <= stop - int(last[shot]) and float(np.mean(flow[stop - block : stop])) > least:
            at = stop  # the log ends in the trickle
        if at > last[shot]:
            last[shot] = min(at, stop - 1)
