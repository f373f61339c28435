"""The rises of a batch of shots: from holds logged as such, else found in the clamp pressure's curve."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from catchpot.physics.find_rises import find_rises

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

HOLD: Final = "hold"
FOUND: Final = "rise found in the curve"
TOP_UPS: Final = "top-ups"
_LEAST_HOLD_S: Final = 8.0
_MOVING_MBAR: Final = 12.0


@dataclass(frozen=True)
class Logs:
    """The samples of a batch as long columns, and where each shot's lie; NaN where a channel is silent.

    shots: names, in the order of the samples. first, stop: (shots,). inject: first reading of the injection, or stop.
    has_clamp, has_flag, injected: (shots,).
    """

    shots: list[str]
    first: Ints
    stop: Ints
    inject: Ints
    injected: NDArray[np.bool_]
    t: Floats
    clamp: Floats
    cavity: Floats
    isolated: Floats
    ambient: Floats
    has_clamp: NDArray[np.bool_]
    has_flag: NDArray[np.bool_]


@dataclass(frozen=True)
class Rises:
    """Rises of a batch, by shot, then time: number of the shot, readings first:stop, method, whether the cavity was
    shut off too, whether resin was in the mould."""

    shot: Ints
    first: Ints
    stop: Ints
    method: NDArray[np.str_]
    cavity_shut: NDArray[np.bool_]
    wet: NDArray[np.bool_]


def logs(sample: pl.DataFrame, phase: pl.DataFrame, ambient_default: float) -> Logs:
    """Columns and bounds of the shots in `sample` (ordered by shot, then time)."""

    def column(name: str) -> Floats:
        series = sample[name].cast(pl.Float64)
        return np.asarray(series.to_numpy() if series.null_count() == 0 else series.fill_null(np.nan).to_numpy())

    t, clamp, cavity = column("t_s"), column("clamp_pressure_mbar"), column("cavity_pressure_mbar")
    first, names = _bounds(sample, t)
    stop = np.append(first[1:], len(t))
    last = np.maximum(stop - 1, first)
    # One look at either end tells whether a channel is there at all; only where it is not is the whole shot searched.
    has_clamp, has_flag = np.isfinite(clamp[first] + clamp[last]), np.zeros(len(first), bool)
    for k in np.flatnonzero(~has_clamp):
        has_clamp[k] = np.isfinite(clamp[first[k] : stop[k]]).any()
    isolated = np.full(0, np.nan)
    if sample["vacuum_isolated"].null_count() < sample.height:
        isolated = column("vacuum_isolated")
        has_flag = np.isfinite(isolated[first]) | np.isfinite(isolated[last])
    begins = phase.filter(pl.col("phase") == "inject").group_by("shot").agg(pl.col("start_s").min())
    start = pl.DataFrame({"shot": names}, schema={"shot": pl.String()}).join(
        begins, on="shot", how="left", maintain_order="left"
    )["start_s"]
    inject_s = start.cast(pl.Float64).fill_null(np.inf).to_numpy()
    inject = stop.copy()
    for k in np.flatnonzero(np.isfinite(inject_s)):
        inject[k] = first[k] + np.searchsorted(t[first[k] : stop[k]], inject_s[k])
    ambient = np.full(len(first), ambient_default)
    if sample["ambient_pressure_mbar"].null_count() < sample.height:
        barometer = column("ambient_pressure_mbar")
        seen = barometer[first]
        ambient = np.where(np.isfinite(seen), seen, ambient)
    else:
        ambient = _from_cavity(t, cavity, first, inject, ambient_default)
    return Logs(
        names, first, stop, inject, np.isfinite(inject_s), t, clamp, cavity, isolated, ambient, has_clamp, has_flag
    )  # fmt: skip


def _bounds(sample: pl.DataFrame, t: Floats) -> tuple[Ints, list[str]]:
    """First reading and name of each shot; time runs back only from one shot to the next."""
    if len(t) == 0:
        return np.zeros(0, np.int64), []
    first = np.concatenate(([0], np.flatnonzero(t[1:] <= t[:-1]) + 1)).astype(np.int64)
    names = sample["shot"][first].to_list()
    ends = sample["shot"][np.append(first[1:], len(t)) - 1].to_list()
    if names != ends or len(set(names)) != len(names):
        runs = sample.group_by("shot", maintain_order=True).len()
        first = np.concatenate(([0], np.cumsum(runs["len"].to_numpy())[:-1])).astype(np.int64)
        names = runs["shot"].to_list()
    return first, names


def _from_cavity(t: Floats, cavity: Floats, first: Ints, inject: Ints, default: float) -> Floats:
    """The cavity gauge before evacuation is a barometer, where the log begins before the pump."""
    at = np.minimum(first[:, None] + np.arange(5)[None, :], np.maximum(inject - 1, first)[:, None])
    seen = cavity[at]
    mean = seen.mean(1)
    level = (np.abs(seen - mean[:, None]).max(1) < 6.0) & (np.abs(mean - default) < 100.0)
    return np.where(level, mean, default)


def rises(log: Logs) -> Rises:
    """Holds where they are logged; elsewhere what the clamp curve shows before the injection, else during it."""
    parts = [_logged(log)]
    held = np.zeros(len(log.shots), bool)
    held[parts[0][0]] = True
    search = np.flatnonzero(~held & log.has_clamp)
    if len(search):
        dry = _found(log, search, log.first[search], _with_tail(log, search), wet=False)
        parts.append(dry)
        still = np.setdiff1d(search[log.injected[search]], dry[0])
        if len(still):
            parts.append(_found(log, still, log.inject[still], log.stop[still], wet=True))
    shot, first, stop, method, shut, wet = (np.concatenate(c) for c in zip(*parts, strict=True))
    order = np.lexsort((first, shot))
    return Rises(shot[order], first[order], stop[order], method[order], shut[order], wet[order])


def _with_tail(log: Logs, search: Ints) -> Ints:
    """Up to the injection and a little on: a hold may end where it begins."""
    step = (log.t[log.stop[search] - 1] - log.t[log.first[search]]) / np.maximum(log.stop - log.first, 2)[search]
    more = np.round(20.0 / np.maximum(step, 0.05)).astype(np.int64)
    return np.minimum(log.inject[search] + np.where(log.injected[search], more, 0), log.stop[search])


_Part = tuple[Ints, Ints, Ints, NDArray[np.str_], NDArray[np.bool_], NDArray[np.bool_]]


def _logged(log: Logs) -> _Part:
    """Runs of `vacuum_isolated` before the injection, without what the valves do at either end."""
    none = (np.zeros(0, np.int64),) * 3
    if len(log.isolated) == 0:
        return (*none, np.zeros(0, "U32"), np.zeros(0, bool), np.zeros(0, bool))
    on = np.flatnonzero(log.isolated > 0.5)
    owner = np.searchsorted(log.first, on, side="right") - 1
    inside = on < log.inject[owner]
    on, owner = on[inside], owner[inside]
    if len(on) == 0:
        return (*none, np.zeros(0, "U32"), np.zeros(0, bool), np.zeros(0, bool))
    new = np.concatenate(([True], (np.diff(on) > 2) | (np.diff(owner) != 0)))
    begin = np.flatnonzero(new)
    end = np.append(begin[1:], len(on)) - 1
    first, last, shot = on[begin], on[end], owner[begin]
    length = log.t[last] - log.t[first]
    step = length / np.maximum(last - first, 1)
    spare = np.maximum(1, np.round(np.minimum(1.5, 0.05 * length) / np.maximum(step, 1e-6))).astype(np.int64)
    keep = (length >= _LEAST_HOLD_S) & (last - first - 2 * spare >= 5)
    count = int(keep.sum())
    return (
        shot[keep], (first + spare)[keep], (last + 1 - spare)[keep],
        np.full(count, HOLD, "U32"), np.ones(count, bool), np.zeros(count, bool),
    )  # fmt: skip


def _found(log: Logs, search: Ints, first: Ints, stop: Ints, *, wet: bool) -> _Part:
    found = find_rises(log.t, log.clamp, first, stop, open_end=not wet)
    counts = np.bincount(found.curve, minlength=len(search))
    length = log.t[np.maximum(found.stop - 1, 0)] - log.t[found.first] if len(found.curve) else np.zeros(0)
    longest = np.zeros(len(search))
    np.maximum.at(longest, found.curve, length)
    # A hold or two last; a lone short rise may be anything, several are a pump's.
    holds = (counts[found.curve] <= 2) & (longest[found.curve] >= 15.0)
    many = (counts[found.curve] >= 2) & ~holds
    keep = many | (holds & (length >= 10.0))
    method = np.where(many, TOP_UPS, FOUND).astype("U32")
    shut = np.zeros(len(found.curve), bool)
    lone = np.flatnonzero(keep & ~many)
    if len(lone) and not wet:
        # Was the cavity shut too? Then it climbs through the same stretch and no other.
        own = search[found.curve[lone]]
        also = find_rises(log.t, log.cavity, log.first[own], _with_tail(log, own))
        for a, b, k in zip(also.first, also.stop, also.curve, strict=True):
            i = lone[k]
            overlap = min(b, found.stop[i]) - max(a, found.first[i])
            shut[i] |= overlap > 0.7 * (found.stop[i] - found.first[i])
    pieces: list[tuple[int, int, int, str, bool]] = []
    for i in np.flatnonzero(keep):
        end = int(found.stop[i]) if wet else int(min(found.stop[i], log.inject[search[found.curve[i]]]))
        pieces.extend(
            (int(search[found.curve[i]]), a, b, str(method[i]), bool(shut[i]))
            for a, b in ([(int(found.first[i]), end)] if wet else _steady_cavity(log, int(found.first[i]), end))
        )
    columns = list(zip(*pieces, strict=True)) if pieces else [(), (), (), (), ()]
    shot, begin, finish = (np.asarray(c, dtype=np.int64) for c in columns[:3])
    return (
        shot, begin, finish, np.asarray(columns[3], dtype="U32"), np.asarray(columns[4], dtype=bool),
        np.full(len(pieces), wet),
    )  # fmt: skip


def _steady_cavity(log: Logs, first: int, stop: int) -> list[tuple[int, int]]:
    """Parts of a rise of the clamp during which the cavity was not pumped: the inner seal's share changes with it."""
    cavity, t = log.cavity[first:stop], log.t[first:stop]
    if stop - first < 6 or not np.isfinite(cavity).all():
        return [(first, stop)] if stop - first >= 6 else []
    if np.ptp(cavity) <= _MOVING_MBAR:
        return [(first, stop)]
    reach = max(1, round(2.0 / max(float(np.median(np.diff(t))), 1e-3)))
    padded = np.pad(cavity, reach, mode="edge")
    jump = np.abs(padded[2 * reach :] - padded[: -2 * reach])
    moving = jump > _MOVING_MBAR
    if not moving.any():
        return [(first, stop)]
    edge = np.flatnonzero(np.diff(np.concatenate(([1], moving.astype(np.int8), [1]))))
    runs = edge.reshape(-1, 2)
    return [(first + int(a), first + int(b)) for a, b in runs if b - a >= 6 and t[b - 1] - t[a] >= 6.0]
