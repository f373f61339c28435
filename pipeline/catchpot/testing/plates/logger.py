"""What the logger of a made-up plate writes: its own rate, mean flow of each interval, ripple, strokes, noise."""

from __future__ import annotations

import numpy as np
from numpy.random import Generator

from catchpot.testing.geometry import Array
from catchpot.testing.plates.inject import Injected
from catchpot.testing.plates.practice import AMBIENT_MBAR, Practice

EVACUATE_S = (12.0, 35.0)
DIP, DIP_WIDTH = 0.12, 0.05
HEAVY_TAILS = 6


def _noise(rng: Generator, sd: float, n: int) -> Array:
    """Noise with somewhat heavier tails than normal, of this s.d."""
    return np.asarray(sd * np.sqrt((HEAVY_TAILS - 2) / HEAVY_TAILS) * rng.standard_t(HEAVY_TAILS, n))


def sample(
    rng: Generator, done: Injected, row: int, ways: Practice, resin_c: float, mould_c: float
) -> dict[str, Array]:
    """Columns of one plain log: evacuation, injection, settling; t_s from 0."""
    lead = float(rng.uniform(*EVACUATE_S))
    n = int((lead + done.end_s[row]) * ways.hz)
    t = np.arange(n) / ways.hz
    if n > 2:
        t[1:] += rng.uniform(-0.08, 0.08, n - 1) / ways.hz
    t = np.round(t, 3)
    ends = np.concatenate([[0.0], (np.arange(done.metered_l.shape[1]) + 1) * done.dt_s])
    metered = np.concatenate([[0.0], done.metered_l[row]])
    since = t - lead
    volume = np.interp(since, ends, metered)
    edges = np.concatenate([[t[0]], (t[1:] + t[:-1]) / 2, [t[-1]]]) - lead
    flow = np.diff(np.interp(edges, ends, metered)) / np.maximum(np.diff(edges), 1e-9) * 60
    line = np.interp(since, ends[1:], done.line_bar[row])
    cavity = np.interp(since, ends[1:], done.cavity_mbar[row])
    start = done.cavity_mbar[row, 0]
    cavity = np.where(since < 0, start + (AMBIENT_MBAR - start) * np.exp(-t / (lead / 7)), cavity)
    line = np.where(since < 0, 0.0, line)
    running = (since >= 0) & (since < done.stop_s[row])
    wave = np.sin(2 * np.pi * (ways.ripple_hz * t + rng.random()))
    flow = flow * (1 + ways.ripple * wave * np.sinc(ways.ripple_hz / ways.hz))
    above = line + (AMBIENT_MBAR - cavity) / 1e3
    line = np.where(running, line + ways.ripple * above * wave, line)
    if ways.stroke_ml and ways.ripple > 0:
        phase = (volume * 1e3 / ways.stroke_ml) % 1.0
        line = np.where(running, line - DIP * above * np.exp(-((phase / DIP_WIDTH) ** 2)), line)
    flow = np.where(flow > 0, flow * (1 + _noise(rng, ways.flow_noise, n)), 0.0)
    line = np.asarray(line + _noise(rng, ways.pressure_noise_bar, n), dtype=np.float64)
    if ways.gauge_floor:
        line = np.maximum(line, 0.0)
    quiet = ways.flow_noise == 0
    made: dict[str, Array] = {"t_s": np.asarray(t, dtype=np.float64)}
    if ways.stroke_ml:
        made["pump_strokes"] = np.asarray(np.floor(volume * 1e3 / ways.stroke_ml + 1e-9), dtype=np.float64)
    else:
        made["flow_l_min"] = np.asarray(np.round(np.maximum(flow, 0.0), 5 if quiet else 4), dtype=np.float64)
    made["line_pressure_bar"] = np.round(line, 5 if quiet else 3)
    made["cavity_pressure_mbar"] = np.round(cavity + (0 if quiet else _noise(rng, 0.7, n)), 1)
    if ways.logs_clamp:
        clamp = ways.clamp_mbar + 0.8 * np.sin(t / 9.0) + (AMBIENT_MBAR - ways.clamp_mbar) * np.exp(-t / (lead / 9))
        made["clamp_pressure_mbar"] = np.round(clamp + (0 if quiet else _noise(rng, 0.6, n)), 1)
    made["resin_temp_c"] = np.round(resin_c + (0 if quiet else _noise(rng, 0.08, n)), 2) + np.zeros(n)
    if ways.logs_clamp:
        made["mould_temp_c"] = np.round(mould_c + (0 if quiet else _noise(rng, 0.08, n)), 2) + np.zeros(n)
    return made
