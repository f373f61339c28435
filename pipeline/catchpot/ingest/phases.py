"""The phases of a shot: evacuate, hold, inject, pack, settle."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from catchpot.ingest.flowing import Flowing
from catchpot.ingest.holds import holds_from_pressure
from catchpot.ingest.segments import Samples, filled

if TYPE_CHECKING:
    from numpy.typing import NDArray

_LEAST_HOLD_S = 3.0
# Resin stands under pressure: at least this share of the pressure at the end of the injection, for this long.
_HELD_SHARE, _HELD_S = 0.8, 10.0
# Flow that stops within this time has met a shut vent or a stopped pump; a slower end is a filling mould.
_ABRUPT_S = 6.0


@dataclass(frozen=True)
class Phase:
    """A phase of one shot: place of the shot in the batch, first and last row."""

    shot: int
    phase: str
    step: int
    first: int
    last: int


def find_phases(samples: Samples, flowing: Flowing) -> tuple[list[Phase], NDArray[np.int64]]:
    """Phases of every shot of a batch in time order, and the last row of each injection (-1: none).

    A shot has a handful of phases, so they are put together shot by shot from what was found on whole columns.
    """
    t = samples.columns["t_s"]
    pressure = filled(samples, "line_pressure_bar")
    flow = filled(samples, "flow_l_min")
    end = flowing.last.copy()
    found: list[Phase] = []
    for shot in range(len(samples.shots)):
        rows = samples.rows(shot)
        first, last = int(flowing.first[shot]), int(flowing.last[shot])
        before = slice(rows.start, first if first >= 0 else rows.stop)
        holds = _holds(samples, before)
        found += _before(t, shot, before, holds)
        if first < 0:
            continue
        shut = _vent_shut(samples, shot, first, last)
        held = last
        if shut is not None:
            last, held = shut, _held_until(t, pressure, shut, last, rows.stop)
        else:
            held = _held_without_vent(t, pressure, flow, flowing, shot, last, rows.stop)
        end[shot] = last
        found.append(Phase(shot, "inject", 1, first, last))
        if held > last:
            found.append(Phase(shot, "pack", 1, last, held))
        if held < rows.stop - 1:
            found.append(Phase(shot, "settle", 1, held, rows.stop - 1))
    return found, end


def _holds(samples: Samples, before: slice) -> list[tuple[int, int]]:
    t = samples.columns["t_s"]
    flag = samples.columns.get("vacuum_isolated")
    if flag is not None and not np.isnan(flag[before]).all():
        shut = flag[before] > 0.5
        edges = np.flatnonzero(np.diff(np.concatenate(([0], shut.astype(np.int8), [0]))))
        runs = [
            (int(a) + before.start, int(b) - 1 + before.start) for a, b in zip(edges[::2], edges[1::2], strict=True)
        ]
        merged: list[tuple[int, int]] = []
        for a, b in runs:
            if merged and a - merged[-1][1] <= 3 and t[a] - t[merged[-1][1]] < 2.0:
                merged[-1] = (merged[-1][0], b)  # the flag flickered
            else:
                merged.append((a, b))
        return [(a, b) for a, b in merged if t[b] - t[a] >= _LEAST_HOLD_S]
    clamp, cavity = (samples.columns.get(n) for n in ("clamp_pressure_mbar", "cavity_pressure_mbar"))
    picked = holds_from_pressure(
        t[before], clamp[before] if clamp is not None else None, cavity[before] if cavity is not None else None
    )
    return [(a + before.start, b + before.start) for a, b in picked]


def _before(t: NDArray[np.float64], shot: int, before: slice, holds: list[tuple[int, int]]) -> list[Phase]:
    """Evacuation and holds: what is no hold before the injection is evacuation."""
    found: list[Phase] = []
    at, evacuations = before.start, 0
    for step, (a, b) in enumerate(holds, 1):
        if a - at >= 2:
            evacuations += 1
            found.append(Phase(shot, "evacuate", evacuations, at, a - 1))
        found.append(Phase(shot, "hold", step, a, b))
        at = b + 1
    if before.stop - at >= 2:
        found.append(Phase(shot, "evacuate", evacuations + 1, at, before.stop - 1))
    return found


def _vent_shut(samples: Samples, shot: int, first: int, last: int) -> int | None:
    """Row at which the vent was shut for good while resin still flowed; None where it wasn't or can't be told."""
    vent = samples.columns.get("vent_open")
    if vent is None:
        return None
    here = vent[first : last + 1]
    known = here[~np.isnan(here)]
    if not len(known) or known[-1] > 0.5 or not (known > 0.5).any():
        return None
    row = first + int(np.flatnonzero(here > 0.5)[-1]) + 1
    return row if row < last else None


def _held_until(t: NDArray[np.float64], pressure: NDArray[np.float64], start: int, flow_end: int, stop: int) -> int:
    """Last row of the pressure holding that begins at `start`: as long as resin flows or the pressure stands."""
    level = float(np.max(pressure[start : flow_end + 1]))
    idle = float(np.min(pressure[start:stop]))
    stands = pressure[flow_end:stop] - idle >= 0.5 * (level - idle)
    if level - idle < 0.02 or stands.all():
        return flow_end if level - idle < 0.02 else stop - 1
    return flow_end + max(int(np.argmin(stands)) - 1, 0)


def _held_without_vent(
    t: NDArray[np.float64],
    pressure: NDArray[np.float64],
    flow: NDArray[np.float64],
    flowing: Flowing,
    shot: int,
    last: int,
    stop: int,
) -> int:
    """The same where no vent is logged: flow that stops at once while the pressure stands is taken as a shut vent."""
    first = int(flowing.first[shot])
    a, b = first + np.searchsorted(t[first:last], [t[last] - 3 * _ABRUPT_S, t[last] - _ABRUPT_S])
    window = slice(int(a), int(b))
    rate = float(np.median(flow[window])) if b > a else 0.0
    if rate < 5.0 * (flowing.threshold_l_min[shot] - flowing.offset_l_min[shot]):
        return last  # it died slowly: the mould filled, or the limit held the flow down
    level = float(np.median(pressure[window]))
    idle = float(np.min(pressure[max(last - 1, 0) : stop]))
    if level < 0.05:
        return last
    stands = pressure[last:stop] >= _HELD_SHARE * level
    length = len(stands) if stands.all() else int(np.argmin(stands))
    held = last + length - 1
    return held if length and t[held] - t[last] >= _HELD_S and (held < stop - 1 or idle > 0.0) else last
