"""A made-up store in memory: frames as an analysis would leave them, numbers of no real workshop."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from catchpot.core_tables import CORE_TABLES, EVENT, FINDING, QUARANTINE, REFUSAL, SHOT
from catchpot.tables import Table, shape
from catchpot.testing.check_frames import Frames
from catchpot_fill.tables import FILL, FILL_FIT, PERMEABILITY

DECLARED: dict[str, Table] = {t.name: t for t in (*CORE_TABLES, FILL, PERMEABILITY, FILL_FIT)}
START = datetime(2026, 3, 2, 7, 30, tzinfo=UTC)


def _fits(n: int, arrival: Sequence[float], rng: np.random.Generator) -> dict[str, Any]:
    volumes, measured, fitted = [], [], []
    for i in range(n):
        v = np.linspace(0.01, 1.06 * arrival[i], 200)
        line = 0.02 + 0.05 * np.minimum(v, arrival[i])
        volumes.append(v.tolist())
        fitted.append(line.tolist())
        noisy: list[float | None] = (line * rng.normal(1.0, 0.03, 200)).tolist()
        noisy[:3] = [None, None, None]
        measured.append(noisy)
    return {"vol_l": volumes, "resistance_bar_min_l": measured, "fitted_bar_min_l": fitted}


def made_store(moulds: Mapping[str, int], seed: int = 1) -> Frames:
    """Moulds with that many shots each, one shot a working day; one in nine has no arrival volume, with a reason."""
    rng = np.random.default_rng(seed)
    parts: dict[str, list[pl.DataFrame]] = {t.name: [] for t in (SHOT, FILL, PERMEABILITY, FILL_FIT)}
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
                "shot": shots, "injected_volume_l": [1.05 * a for a in arrival], "arrival_volume_l": given,
                "arrival_volume_low_l": [None if a is None else a - 0.015 for a in given],
                "arrival_volume_high_l": [None if a is None else a + 0.018 for a in given],
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
                "shot": shots, "mobility_m2_pa_s": mobility, "mobility_low_m2_pa_s": [0.98 * m for m in mobility],
                "mobility_high_m2_pa_s": [1.02 * m for m in mobility], "viscosity_pa_s": [0.19] * n,
                "permeability_m2": [0.19 * m for m in mobility], "permeability_low_m2": [0.186 * m for m in mobility],
                "permeability_high_m2": [0.194 * m for m in mobility], "porosity": [0.85] * n,
            })
        )  # fmt: skip
        parts["fill_fit"].append(shape(FILL_FIT, {"shot": shots, **_fits(n, arrival, rng)}))
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
