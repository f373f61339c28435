"""A made-up store in memory: frames as an analysis would leave them, numbers of no real workshop."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest
from numpy.typing import NDArray

from catchpot.core_tables import CORE_TABLES, CURVE_BINS, EVENT, FINDING, QUARANTINE, REFUSAL, SHOT
from catchpot.tables import Table, shape
from catchpot.testing.check_frames import Frames
from catchpot_fill.tables import CURVE_POINTS, FILL, INJECTION, OWN_CURVE, PERMEABILITY

Floats = NDArray[np.float64]
DECLARED: dict[str, Table] = {t.name: t for t in (*CORE_TABLES, INJECTION, FILL, PERMEABILITY, OWN_CURVE)}
START = datetime(2026, 3, 2, 7, 30, tzinfo=UTC)


VISCOSITY_PA_S = 0.19


def resistance(volume_l: Floats, arrival_l: float) -> Floats:
    """What every curve of the made-up store follows, bar min/l."""
    return np.asarray(0.02 + 0.05 * np.minimum(volume_l, arrival_l))


def _injections(shots: list[str], arrival: Sequence[float], rng: np.random.Generator) -> dict[str, Any]:
    curves = []
    for a in arrival:
        volume = 1.05 * a * (np.arange(CURVE_BINS) + 0.5) / CURVE_BINS
        noisy: list[float | None] = (
            resistance(volume, a) * rng.normal(1.0, 0.03, CURVE_BINS) * 1e5 * 6e4 / VISCOSITY_PA_S
        ).tolist()
        noisy[:3] = [None, None, None]
        curves.append(noisy)
    n = len(shots)
    return {"shot": shots, "step": [1] * n, "from_s": [20.0] * n, "to_s": [251.0] * n,
            "injected_volume_l": [1.05 * a for a in arrival],
            "bed_viscosity_pa_s": [VISCOSITY_PA_S] * n,
            "resistance_per_m3": pl.Series(curves, dtype=pl.Array(pl.Float64, CURVE_BINS))}  # fmt: skip


def _own(mould: str, arrival: Sequence[float]) -> dict[str, Any]:
    usual = float(np.median(arrival))
    volume = np.linspace(0.0, 1.05 * usual, CURVE_POINTS)
    curve = resistance(volume, usual)
    array = pl.Array(pl.Float64, CURVE_POINTS)
    return {
        "mould": [mould], "as_of": [START], "shots": [len(arrival)], "vol_l": pl.Series([volume.tolist()], dtype=array),
        "resistance_bar_min_l": pl.Series([curve.tolist()], dtype=array),
        "scatter_bar_min_l": pl.Series([(0.03 * curve).tolist()], dtype=array), "viscosity_pa_s": [VISCOSITY_PA_S],
        "arrival_volume_l": [usual],
        "arrival_volume_low_l": [0.98 * usual], "arrival_volume_high_l": [1.015 * usual], "by_curve_pct": [3.0],
        "pots": [1], "eyes": [0], "knowledge": ["Where resin arrives is known to 1.7 % either way."],
    }  # fmt: skip


def made_store(moulds: Mapping[str, int], seed: int = 1) -> Frames:
    """Moulds with that many shots each, one shot a working day; one in nine ended before, with a reason."""
    rng = np.random.default_rng(seed)
    parts: dict[str, list[pl.DataFrame]] = {t.name: [] for t in (SHOT, INJECTION, FILL, PERMEABILITY, OWN_CURVE)}
    refused: list[dict[str, str]] = []
    for k, (mould, n) in enumerate(moulds.items()):
        shots = [f"{mould}-{i:03d}" for i in range(1, n + 1)]
        started = [START + timedelta(days=i + (i // 5) * 2, minutes=17 * k) for i in range(n)]
        arrival = ((2.5 + k) * (1 + 0.0004 * np.arange(n)) + rng.normal(0, 0.01, n)).tolist()
        unknown = [i % 9 == 4 for i in range(n)]
        refused += [
            {"analysis": "fill", "unit": shots[i], "what": "fill.arrival_volume_l",
             "reason": "The shot stopped before the arrival could be told."}
            for i in range(n) if unknown[i]
        ]  # fmt: skip
        given = [None if u else a for a, u in zip(arrival, unknown, strict=True)]
        mobility = (2.3e-9 * rng.normal(1, 0.04, n)).tolist()
        parts["shot"].append(
            shape(SHOT, {"shot": shots, "mould": [mould] * n, "started_at": started, "source_file": ["x"] * n})
        )
        parts["fill"].append(
            shape(FILL, {
                "shot": shots, "mould": [mould] * n, "injected_volume_l": [1.05 * a for a in arrival],
                "arrival_volume_l": given,
                "arrival_volume_low_l": [a - 0.015 for a in arrival],
                "arrival_volume_high_l": [None if a is None else a + 0.018 for a in given],
                "arrival_relative": [a / (2.5 + k) for a in arrival],
                "arrival_relative_low": [a / (2.5 + k) - 0.004 for a in arrival],
                "arrival_relative_high": [a / (2.5 + k) + 0.005 for a in arrival],
                "taken_volume_l": [1.01 * a for a in arrival], "taken_volume_low_l": arrival,
                "taken_volume_high_l": [1.03 * a for a in arrival],
                "overflow_l": [None if a is None else 0.05 * a for a in given],
                "overflow_low_l": [None if a is None else 0.05 * a - 0.015 for a in given],
                "overflow_high_l": [None if a is None else 0.05 * a + 0.015 for a in given],
                "fill_time_s": [None if a is None else 214.0 for a in given], "injection_time_s": [231.0] * n,
                "peak_line_pressure_bar": [0.42] * n, "clamp_margin_n": [9_800.0] * n,
                "blocked_vent_margin_n": [3_100.0 if k else -1_250.0] * n,
            })
        )  # fmt: skip
        parts["permeability"].append(
            shape(PERMEABILITY, {
                "shot": shots, "mould": [mould] * n, "mobility_m2_pa_s": mobility,
                "mobility_low_m2_pa_s": [0.98 * m for m in mobility],
                "mobility_high_m2_pa_s": [1.02 * m for m in mobility], "viscosity_pa_s": [0.19] * n,
                "permeability_m2": [0.19 * m for m in mobility], "permeability_low_m2": [0.186 * m for m in mobility],
                "permeability_high_m2": [0.194 * m for m in mobility], "porosity": [0.85] * n,
            })
        )  # fmt: skip
        parts["injection"].append(shape(INJECTION, _injections(shots, arrival, rng)))
        if n:
            parts["own_curve"].append(shape(OWN_CURVE, _own(mould, arrival)))
    frames = {name: pl.concat(some) for name, some in parts.items() if some}
    frames["refusal"] = shape(REFUSAL, pl.DataFrame(refused, schema=["analysis", "unit", "what", "reason"]).to_dict())
    first = next(iter(moulds))
    frames["event"] = shape(EVENT, {
        "row": [2, 3, 4], "time": [START + timedelta(days=d) for d in (12, 30, 31)],
        "mould": [first, first, None], "kind": ["seal_replaced", "fabric_batch", "note"],
        "detail": ["outer", "B-17", "heating out of order"],
    })  # fmt: skip
    frames["finding"] = shape(FINDING, {
        "shot": [None, f"{first}-002"], "mould": [first, first], "kind": ["volume_drift", "race_tracking"],
        "severity": ["watch", "act"], "since": [START + timedelta(days=20), START + timedelta(days=1)],
        "message": [f"{first} takes 2.55 l now, 2.51 l before (+1.6 %, 95 %: 1.2 to 2.0).",
                    "Resin ran ahead along an edge from 0.8 l on."],
        "advice": ["Check the outer seal.", "Look at the edge of the fabric."],
        "analysis": ["drift", "fill"], "anchor": [f"drift-volume_drift-{first}-2026-03-22", f"faults-race-{first}-002"],
        "rank": [1, 1],
    })  # fmt: skip
    frames["quarantine"] = shape(QUARANTINE, {
        "source_file": ["logs/cut.csv"], "reason": ["The last line is cut."], "line": [812],
        "seen_at": [START + timedelta(days=40)], "digest": ["00"],
    })  # fmt: skip
    return Frames(frames, DECLARED)


@pytest.fixture
def store() -> Callable[..., Frames]:
    """Makes a store of moulds with so many shots each."""
    return made_store


@pytest.fixture
def declared() -> dict[str, Table]:
    """All declarations of the made-up store."""
    return DECLARED


HOSTILE = "</script><script>alert(1)</script><a href='https://example.invalid/x'>&amp;\u2028"


@pytest.fixture
def hostile() -> str:
    """A text no log should hold, and one may."""
    return HOSTILE
