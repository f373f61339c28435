"""What was wrong with a log: gaps, stuck or saturated channels, gauges at their end, impossible readings."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from catchpot.channels import BY_NAME
from catchpot.core_tables import QUALITY
from catchpot.ingest.flowing import Flowing
from catchpot.ingest.segments import Samples, by_shot, middle_of_three, runs_of
from catchpot.ingest.unknown import GAP_S, GAP_STEPS, possible
from catchpot.tables import polars_schema

if TYPE_CHECKING:
    from numpy.typing import NDArray

# A last reading above this share of the shot's middle flow is no flow that died away.
ENDS_FLOWING = 0.5
# A lone reading that changes the volume by more is said.
SPIKE_SHARE = 0.01
_STUCK_S, _STUCK_ROWS = 30.0, 40
_END_ROWS = 10
# What is checked for standing still; temperatures and flags stand still by nature.
_LIVELY = ("line_pressure_bar", "cavity_pressure_mbar", "clamp_pressure_mbar", "flow_l_min")
# Remarks of the reader that tell of a fault of the log, and what the quality table calls them.
_FROM_NOTES = {
    "dropped_row": "dropped_row", "cut_line": "dropped_row", "non_finite": "non_finite",
    "out_of_order": "clock_step", "duplicate_time": "clock_step", "duplicate_row": "duplicate_row",
    "counter_reset": "counter_reset", "clock_set_back": "clock_step", "bad_quality": "dropped_row",
    "no_time": "dropped_row", "no_number": "dropped_row", "odd_volume": "implausible",
    "no_injection": "no_injection",
}  # fmt: skip

Row = tuple[int, str, str, float, float, int, str]


def find_faults(
    samples: Samples, flowing: Flowing, end: NDArray[np.int64], gauge: tuple[NDArray[np.float64], NDArray[np.float64]]
) -> list[Row]:
    """Faults of every log of a batch: shot, kind, channel, from_s, to_s, count, a sentence.

    end: last row of each injection. gauge: low and high end of each shot's line pressure gauge by the mould book, NaN
    where it names none.
    """
    found = _gaps(samples)
    for name, values in samples.columns.items():
        if name in BY_NAME:
            found += _impossible(samples, name, values) + _missing(samples, name, values)
        if name in _LIVELY:
            found += _standing_still(samples, name, values, flowing, gauge[1])
    found += _gauge_at_end(samples, flowing, end, gauge)
    found += _negative_flow(samples, flowing)
    found += _flow_spikes(samples, flowing, end)
    found += _ends_flowing(samples, flowing)
    return found


def from_notes(notes: pl.DataFrame, shots: list[str], last_s: NDArray[np.float64]) -> list[Row]:
    """Faults that the reader met; they concern the whole log."""
    place = {s: i for i, s in enumerate(shots)}
    found: list[Row] = []
    rows = notes.filter(pl.col("kind").is_in(list(_FROM_NOTES)) & pl.col("shot").is_in(shots))
    for shot, kind, channel, count, detail in rows.select("shot", "kind", "channel", "count", "detail").iter_rows():
        i = place[shot]
        found.append((i, _FROM_NOTES[kind], channel or "", 0.0, float(last_s[i]), int(count), detail))
    return found


def quality_frame(found: list[Row], shots: list[str]) -> pl.DataFrame:
    """Rows of the quality table; rows of one key are put together."""
    merged: dict[tuple[int, str, str, float], Row] = {}
    for row in found:
        key = row[:4]
        if key in merged:
            old = merged[key]
            detail = old[6] if row[6] in old[6] else f"{old[6]}; {row[6]}"
            row = (*key, max(old[4], row[4]), old[5] + row[5], detail)
        merged[key] = row
    rows = [[shots[s], *rest] for s, *rest in sorted(merged.values())]
    return pl.DataFrame(rows, schema=polars_schema(QUALITY), orient="row")


def _gaps(samples: Samples) -> list[Row]:
    t = samples.columns["t_s"]
    dt = np.diff(t, prepend=0.0)
    dt[samples.starts] = 0.0
    wide = np.flatnonzero(dt > np.maximum(GAP_STEPS * samples.step_s, GAP_S)[samples.shot_of])
    found = []
    for i in wide.tolist():
        shot = int(samples.shot_of[i])
        lost = max(round(dt[i] / samples.step_s[shot]) - 1, 1)
        detail = f"no samples for {dt[i]:.1f} s from {t[i - 1]:.1f} s on"
        found.append((shot, "gap", "", float(t[i - 1]), float(t[i]), int(lost), detail))
    return found


def _grouped(samples: Samples, mask: NDArray[np.bool_]) -> list[tuple[int, float, float, int]]:
    rows = np.flatnonzero(mask)
    if not len(rows):
        return []
    t, of = samples.columns["t_s"], samples.shot_of[rows]
    cuts = np.flatnonzero(np.diff(of)) + 1
    return [(int(samples.shot_of[r[0]]), float(t[r[0]]), float(t[r[-1]]), len(r)) for r in np.split(rows, cuts)]


def _impossible(samples: Samples, name: str, values: NDArray[np.float64]) -> list[Row]:
    c = BY_NAME[name]
    found: list[Row] = []
    with np.errstate(invalid="ignore"):
        outside = (values < c.low) | (values > c.high)
    for shot, a, b, n in _grouped(samples, outside):
        part = values[samples.rows(shot)]
        worst = part[np.nanargmax(np.abs(part - (c.low + c.high) / 2))]
        detail = f"{n} readings of {name} are impossible for a sound sensor (e.g. {worst:g} {c.unit})"
        found.append((shot, "implausible", name, a, b, n, detail))
    return found


def _missing(samples: Samples, name: str, values: NDArray[np.float64]) -> list[Row]:
    gone = np.isnan(values)
    if not gone.any():
        return []
    found: list[Row] = []
    for shot, a, b, n in _grouped(samples, gone):
        if n < samples.counts[shot]:  # a channel that is not logged at all is no fault
            found.append((shot, "missing", name, a, b, n, f"{n} samples hold no reading of {name}"))
    return found


def _standing_still(
    samples: Samples, name: str, values: NDArray[np.float64], flowing: Flowing, gauge_high: NDArray[np.float64]
) -> list[Row]:
    """Runs of one and the same value in a channel that is alive elsewhere in the log."""
    same = np.diff(values, prepend=np.nan) == 0.0
    same[samples.starts] = False
    begin, end = runs_of(samples, same)
    if not len(begin):
        return []
    t = samples.columns["t_s"]
    begin = begin - 1
    rows = end - begin + 1
    long = rows >= _END_ROWS
    begin, end, rows = begin[long], end[long], rows[long]
    still = np.bincount(samples.shot_of[same], minlength=len(samples.shots)).astype(float)
    inside = np.zeros(len(samples.shots))
    np.add.at(inside, samples.shot_of[begin], (rows - 1).astype(float))
    rest = np.maximum(samples.counts - inside, 1.0)
    # a channel with noise of its own: outside the long runs, neighbours are seldom equal
    alive = (still - inside) / rest < 0.5
    alive &= _noisy(samples, values)
    alive &= rest > np.maximum(_STUCK_ROWS, 0.05 * samples.counts)
    found: list[Row] = []
    for a, b, n in zip(begin.tolist(), end.tolist(), rows.tolist(), strict=True):
        shot = int(samples.shot_of[a])
        if not alive[shot]:
            continue
        part = values[samples.rows(shot)]
        value, high, low = values[a], np.nanmax(part), np.nanmin(part)
        unit, seconds = BY_NAME[name].unit, t[b] - t[a]
        ranged = name == "line_pressure_bar" and not np.isnan(gauge_high[shot])
        if value == high and high > low and name != "flow_l_min":
            if ranged:
                continue  # the book names the gauge's ends: they are looked at by themselves
            detail = f"{name} stood at its highest value, {value:g} {unit}, for {seconds:.0f} s: the sensor's end"
            found.append((shot, "at_range_end", name, float(t[a]), float(t[b]), n, detail))
        elif n >= _STUCK_ROWS and seconds >= _STUCK_S and not _rests(name, float(value), a, b, flowing, shot):
            detail = f"{name} stood at exactly {value:g} {unit} for {seconds:.0f} s while it moves elsewhere"
            found.append((shot, "stuck", name, float(t[a]), float(t[b]), n, detail))
    return found


def _noisy(samples: Samples, values: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Shots in which the channel carries noise: its changes turn about instead of following a smooth line."""
    first = np.abs(np.diff(values, prepend=np.nan))
    second = np.abs(np.diff(np.diff(values, prepend=np.nan), prepend=np.nan))
    moving = first > 0
    (one,) = by_shot(samples, first, moving, 0.5)
    (two,) = by_shot(samples, second, moving, 0.5)
    return np.asarray(np.nan_to_num(two) > 0.7 * np.nan_to_num(one, nan=np.inf))


def _rests(name: str, value: float, a: int, b: int, flowing: Flowing, shot: int) -> bool:
    """Flow and line pressure may rest at one value while nothing is injected."""
    if name not in ("flow_l_min", "line_pressure_bar"):
        return False
    first, last = int(flowing.first[shot]), int(flowing.last[shot])
    return (
        first < 0
        or b <= first + 1
        or a >= last - 1
        or (name == "flow_l_min" and value <= flowing.threshold_l_min[shot])
    )


def _gauge_at_end(
    samples: Samples, flowing: Flowing, end: NDArray[np.int64], gauge: tuple[NDArray[np.float64], NDArray[np.float64]]
) -> list[Row]:
    """Line pressure at the end of its gauge during the injection: by the book's range, or a floor the log shows."""
    name = "line_pressure_bar"
    values = samples.columns.get(name)
    if values is None:
        return []
    rows, of = np.arange(len(values)), samples.shot_of
    inside = (flowing.first[of] >= 0) & (rows >= flowing.first[of]) & (rows <= end[of])
    low, high = gauge
    found: list[Row] = []
    with np.errstate(invalid="ignore"):
        near = 0.002 * (high - low)
        ends = (("lower", values <= (low + near)[of], low), ("upper", values >= (high - near)[of], high))
    for word, at, limit in ends:
        for shot, a, b, n in _grouped(samples, at & inside):
            detail = f"the line gauge was at its {word} end ({limit[shot]:g} bar) in {n} samples of the injection"
            found.append((shot, "at_range_end", name, a, b, n, detail))
    for shot in np.flatnonzero((flowing.first >= 0) & np.isnan(low)).tolist():
        part = values[int(flowing.first[shot]) : int(end[shot]) + 1]
        if not len(part) or np.isnan(part).all():
            continue
        floor = float(np.nanmin(part))
        at_floor = int((part == floor).sum())
        moving = float(np.mean(np.diff(part[part != floor]) != 0)) if (part != floor).sum() > 5 else 0.0
        clipped = at_floor >= max(5, 0.01 * len(part)) and moving > 0.5
        if (clipped or at_floor > 0.9 * len(part)) and floor <= 0.02 and len(part) > 5:
            at = (values == floor) & inside & (of == shot)
            for _, a, b, n in _grouped(samples, at):
                detail = (
                    f"line pressure never went below {floor:g} bar, where it stood in {n} samples: the gauge's floor"
                )
                found.append((shot, "at_range_end", name, a, b, n, detail))
    return found


def _flow_spikes(samples: Samples, flowing: Flowing, end: NDArray[np.int64]) -> list[Row]:
    """Single flow readings far beyond both neighbours that put more than a hundredth into the injected volume."""
    flow = samples.columns.get("flow_l_min")
    if flow is None or not len(flow):
        return []
    t, volume = samples.columns["t_s"], samples.columns["vol_l"]
    good = possible(flow)
    steady = np.where(good, flow, 0.0)
    beyond = np.where(good, steady - middle_of_three(samples, steady), 0.0)
    wait = np.diff(t, prepend=t[0], append=t[-1])
    wait[samples.starts] = 0.0
    put_in = beyond * np.maximum(wait[:-1] + wait[1:], 0.0) / 120.0
    injected = np.where(flowing.first >= 0, np.abs(volume[end] - volume[np.maximum(flowing.first, 0)]), np.inf)
    found: list[Row] = []
    for i in np.flatnonzero(np.abs(put_in) > SPIKE_SHARE * np.maximum(injected, 1e-9)[samples.shot_of]).tolist():
        detail = (
            f"one reading of flow_l_min stands alone at {flow[i]:.3g} l/min and puts {put_in[i]:.2g} l into the volume"
        )
        found.append((int(samples.shot_of[i]), "implausible", "flow_l_min", float(t[i]), float(t[i]), 1, detail))
    return found


def _ends_flowing(samples: Samples, flowing: Flowing) -> list[Row]:
    """Logs whose last reading still has resin flowing: what came after is not in them, as after a copy broken off."""
    flow = samples.columns.get("flow_l_min")
    if flow is None or not len(flow):
        return []
    usual = by_shot(samples, flow, flowing.on, 0.5)[0]
    found: list[Row] = []
    for shot in np.flatnonzero(flowing.first >= 0).tolist():
        last = int(samples.rows(shot).stop) - 1
        if flowing.on[last] and flow[last] > ENDS_FLOWING * usual[shot]:
            at = float(samples.columns["t_s"][last])
            detail = f"the log ends while resin flows, at {flow[last]:.2g} l/min: what came after is not in it"
            found.append((shot, "ends_flowing", "flow_l_min", at, at, 1, detail))
    return found


def _negative_flow(samples: Samples, flowing: Flowing) -> list[Row]:
    limit = np.minimum(flowing.offset_l_min, 0.0) - np.maximum(0.05, 6.0 * flowing.noise_l_min)
    found: list[Row] = []
    for shot, a, b, n in _grouped(samples, flowing.smooth < limit[samples.shot_of]):
        least = float(flowing.smooth[samples.rows(shot)].min())
        detail = f"the flow meter ran backwards in {n} samples (down to {least:.2f} l/min)"
        found.append((shot, "negative_flow", "flow_l_min", a, b, n, detail))
    return found
