"""What a logger makes of what happened: sampling, noise, steps, ends of range, drop-outs, stuck and shifted sensors."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from catchpot.testing.geometry import Array
from catchpot.testing.march import Record
from catchpot.testing.nuisances import Nuisances
from catchpot.testing.scenario import Fault, Mould

# channel -> (noise s.d. absolute, noise s.d. relative, step)
SENSORS: dict[str, tuple[float, float, float]] = {
    "flow_l_min": (0.0, 0.012, 0.001),
    "line_pressure_bar": (0.004, 0.0, 0.001),
    "cavity_pressure_mbar": (0.5, 0.0, 0.1),
    "clamp_pressure_mbar": (0.5, 0.0, 0.1),
    "resin_temp_c": (0.1, 0.0, 0.1),
    "mould_temp_c": (0.1, 0.0, 0.1),
    "catalyst_flow_ml_min": (0.0, 0.015, 0.1),
    "flange_gap_mm": (0.01, 0.0, 0.01),
    "ambient_pressure_mbar": (0.15, 0.0, 0.1),
}


@dataclass(frozen=True)
class LogTruth:
    """What sensors need of one shot besides the record."""

    resin_temp_c: float
    mould_temp_c: float
    ambient_mbar: float
    catalyst_pct: float
    ripple: float
    ripple_hz: float
    expected_metered_l: float
    opening_mm: float


def _at(record: Record, row: int, channel: str, t: Array) -> Array:
    return np.asarray(np.interp(t, record.t_s, getattr(record, channel)[row]))


def _step_at(record: Record, row: int, channel: str, t: Array) -> Array:
    i = np.clip((t / record.dt_s).astype(int), 0, len(record.t_s) - 1)
    return np.asarray(getattr(record, channel)[row][i], dtype=float)


def metered_at(record: Record, row: int, t: Array) -> Array:
    """True metered volume (l) at times t."""
    ends = np.concatenate([[0.0], record.t_s + record.dt_s / 2])
    return np.asarray(np.interp(t, ends, np.concatenate([[0.0], record.volume_metered_l[row]])))


def onset_s(record: Record, row: int, volume_l: float) -> float:
    """Time at which the metered volume is first reached; NaN where it never is."""
    volume = record.volume_metered_l[row]
    reached = volume >= volume_l * (1 - 1e-6)
    return float(record.t_s[int(np.argmax(reached))]) if reached[-1] else float("nan")


def _catalyst(pct: float, flow: Array, volume: Array, expected: float, faults: Sequence[Fault]) -> Array:
    ratio = np.full_like(flow, pct / 100)
    for f in faults:
        share = volume / expected
        if f.kind == "ratio_off":
            ratio = np.where((share >= f.begins) & (share < f.begins + f.span), ratio * (1 + f.severity), ratio)
        elif f.kind == "catalyst_starved":
            ratio = np.where(share >= f.begins, ratio * (1 - f.severity), ratio)
    return ratio * flow * 1e3


def sample_log(
    record: Record,
    row: int,
    mould: Mould,
    nuisances: Nuisances,
    truth: LogTruth,
    faults: Sequence[Fault],
    rng: Generator,
) -> dict[str, Array]:
    """The logged columns of one shot: t_s and the mould's channels, in the units of the plain log."""
    hz, noise = mould.sampling_hz, nuisances.sensor_noise
    t: Array = np.arange(0.0, record.end_s[row], 1 / hz, dtype=np.float64)
    if nuisances.jitter:
        t[1:] += nuisances.jitter / hz * np.clip(rng.standard_normal(len(t) - 1), -3, 3)
    if nuisances.drop_outs and rng.random() < nuisances.drop_outs:
        gone = rng.uniform(10.0, max(t[-1] - 5.0, 11.0))
        t = t[(t < gone) | (t > gone + rng.uniform(0.5, 3.0)) | (t < 1.0)]
    t = np.asarray(np.round(t, 3), dtype=np.float64)
    flow = _at(record, row, "flow_l_min", t)
    cavity = _at(record, row, "cavity_pressure_mbar", t)
    line = _at(record, row, "line_pressure_bar", t)
    wave = 1 + truth.ripple * np.sin(2 * np.pi * (truth.ripple_hz * t + rng.random()))
    floor = (cavity - truth.ambient_mbar) / 1e3
    line = np.where(flow > 0, floor + (line - floor) * wave, line)
    flow = flow * wave
    volume = metered_at(record, row, t)
    clean: dict[str, Array] = {
        "flow_l_min": flow,
        "line_pressure_bar": line,
        "cavity_pressure_mbar": cavity,
        "clamp_pressure_mbar": _at(record, row, "clamp_pressure_mbar", t),
        "resin_temp_c": np.full_like(t, truth.resin_temp_c),
        "mould_temp_c": np.full_like(t, truth.mould_temp_c),
        "catalyst_flow_ml_min": _catalyst(truth.catalyst_pct, flow, volume, truth.expected_metered_l, faults),
        "flange_gap_mm": _at(record, row, "gap_mm", t) + truth.opening_mm,
        "ambient_pressure_mbar": np.full_like(t, truth.ambient_mbar),
    }
    strokes = mould.stroke_ml if nuisances.strokes else None
    wanted = [c for c in mould.channels if not (strokes and c == "flow_l_min")]
    if mould.flange_gap and "flange_gap_mm" not in wanted:
        wanted.append("flange_gap_mm")
    made: dict[str, Array] = {"t_s": t}
    for name in wanted:
        if name == "vent_open":
            made[name] = _step_at(record, row, "vent_open", t)
        elif name == "vacuum_isolated":
            made[name] = _step_at(record, row, "isolated", t)
        else:
            absolute, relative, step = SENSORS[name]
            value = clean[name] * (1 + noise * relative * rng.standard_normal(len(t)))
            value = value + noise * absolute * rng.standard_normal(len(t))
            for f in faults:
                if f.kind == "sensor_offset" and f.channel == name:
                    value = value + f.severity
            if name == "line_pressure_bar" and mould.gauge_bar and nuisances.gauge_ends:
                value = np.clip(value, *mould.gauge_bar)
            for f in faults:
                if f.kind == "sensor_stuck" and f.channel == name:
                    begin = onset_s(record, row, f.begins * truth.expected_metered_l)
                    held = (t >= begin) & (t < begin + f.severity)
                    value = np.where(held, value[int(np.argmax(held))], value)
            made[name] = np.round(np.round(value / step) * step, 6) if nuisances.quantise else value
    if strokes:
        made["pump_strokes"] = np.floor(volume * 1e3 / strokes + 1e-9)
    return made


def running_volume(log: dict[str, Array], stroke_ml: float | None) -> Array:
    """Metered volume so far as the core stores it (l): trapezoid of flow, or strokes; rounded to 0.1 ml."""
    if stroke_ml:
        return np.round(log["pump_strokes"] * stroke_ml * 1e-3, 4)
    flow, t = log["flow_l_min"] / 60, log["t_s"]
    return np.round(np.concatenate([[0.0], np.cumsum((flow[1:] + flow[:-1]) / 2 * np.diff(t))]), 4)
