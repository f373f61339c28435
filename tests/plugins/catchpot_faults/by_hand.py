"""A mould's shots made by hand, curve by curve."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from catchpot.core_tables import CURVE_BINS
from catchpot_faults.decide import Odds
from catchpot_faults.hypothesis import Kind, kinds
from catchpot_faults.judge import Finding, Judged, judge
from catchpot_faults.shots import Shots

Floats = NDArray[np.float64]
SHARE: Floats = np.asarray((np.arange(CURVE_BINS) + 0.5) / CURVE_BINS)
OF_CURVE = ("race_tracking", "flow_restriction", "early_gel", "cover_lifting", "unusual_shape")
NOISE, LEVEL = 0.004, 0.05


def shots(curves: Floats, time_s: Floats, injected_l: Floats | None = None) -> Shots:
    """Shots with those resistances over their own volume (shots, CURVE_BINS) and cell times; 2.1 l where not said.

    Resin arrives at 2.0 l; the book has nothing but a gel time.
    """
    n = len(curves)
    injected = np.full(n, 2.1) if injected_l is None else injected_l
    none = np.full((n, CURVE_BINS), np.nan)
    number = {
        "injected_volume_l": injected, "arrival_place_l": np.full(n, 2.0), "arrival_relative": np.ones(n),
        "readings": np.full(n, 800.0), "arrival_place_pct": np.full(n, 2.0), "arrival_chance": np.ones(n),
        "book.gel_time_s": np.full(n, 2400.0),
    }  # fmt: skip
    number |= {k: np.zeros(n) for k in ("slugs", "slugs_s", "slugs_depth_pct")}
    blank = (
        "gap_rise_mm", "stroke_volume_ml", "catch_pot_l", "not_in_part_l", "programmed_volume_l", "book.bleed_target_l",
        "bed_viscosity_pa_s", "ambient_pressure_mbar",
    )  # fmt: skip
    number |= {k: np.full(n, np.nan) for k in blank}
    start = datetime(2026, 3, 2, 8, tzinfo=UTC)
    text: dict[str, list[str | None]] = {k: [None] * n for k in ("fabric_batch", "resin_batch", "still_channel")}
    curve = dict.fromkeys(("cavity_pressure_mbar", "flange_gap_mm", "t_s", "vol_l"), none)
    return Shots(
        "bow", [f"bow-{i + 1:04d}" for i in range(n)], [start + timedelta(hours=3 * i) for i in range(n)], text, number,
        curve, curves, NOISE * curves, time_s,
    )  # fmt: skip


def healthy_past(usual: Floats, n: int = 15, seed: int = 3) -> Floats:
    """Curves of healthy shots about a usual one: noise from cell to cell and a level of their own."""
    rng = np.random.default_rng(seed)
    level = LEVEL * rng.standard_normal((n, 1))
    return np.asarray(usual * np.exp(level + NOISE * rng.standard_normal((n, len(usual)))))


def judged_last(curve: Floats, usual: Floats, time_s: Floats, names: tuple[str, ...] = OF_CURVE) -> Judged:
    """Fifteen healthy shots, then this one."""
    every = np.concatenate([healthy_past(usual), curve[None]])
    times = np.concatenate([np.tile(100.0 * SHARE**2, (15, 1)), time_s[None]])
    looked_for: dict[str, Kind] = {k: v for k, v in kinds().items() if k in names}
    with np.errstate(divide="ignore", invalid="ignore"):
        return judge(shots(every, times), looked_for, Odds())


def found_last(curve: Floats, usual: Floats, time_s: Floats) -> list[Finding]:
    """What is found of that last shot."""
    return judged_last(curve, usual, time_s).findings[-1]
