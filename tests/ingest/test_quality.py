"""Faults of a log, each made on purpose, and none where there is none."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest
from numpy.typing import NDArray

from catchpot.core_tables import LOG_NOTE
from catchpot.ingest.reduce import reduce_samples
from catchpot.tables import empty, polars_schema
from catchpot.workshop import MouldBook


def log(seed: int = 1) -> dict[str, NDArray[np.float64]]:
    """A noisy shot: 60 s of evacuation, 120 s of injection, 40 s of settling, at 4 Hz."""
    rng = np.random.default_rng(seed)
    t = np.arange(0, 220, 0.25)
    flowing = (t >= 60) & (t < 180)
    n = rng.standard_normal((4, len(t)))
    return {
        "t_s": t,
        "flow_l_min": np.where(flowing, 1.2, 0.0) + 0.01 * n[0],
        "line_pressure_bar": np.where(flowing, 0.1 + 0.3 * (t - 60) / 120, 0.0) + 0.004 * n[1],
        "cavity_pressure_mbar": 550 + 460 * np.exp(-t / 8) + 2 * n[2],
        "clamp_pressure_mbar": 50 + 960 * np.exp(-t / 6) + n[3],
    }


def quality(
    columns: dict[str, NDArray[np.float64]], notes: list[dict[str, Any]] | None = None, **mould: Any
) -> dict[tuple[str, str], dict[str, Any]]:
    t, flow = columns["t_s"], np.nan_to_num(columns["flow_l_min"])
    volume = np.concatenate(([0.0], np.cumsum(0.5 * (flow[1:] + flow[:-1]) * np.diff(t) / 60)))
    frame = pl.DataFrame({"shot": ["s"] * len(t), "t_s": t, "vol_l": volume}).with_columns(
        pl.Series(k, v).fill_nan(None) for k, v in columns.items() if k != "t_s"
    )
    shots = pl.DataFrame(
        {"shot": ["s"], "mould": ["m"], "started_at": [None], "resin_batch": [None]},
        schema_overrides={"started_at": pl.Datetime("us", "UTC"), "resin_batch": pl.String},
    )
    noted = pl.DataFrame(notes, schema=polars_schema(LOG_NOTE)) if notes else empty(LOG_NOTE)
    book = MouldBook.model_validate({"moulds": {"m": mould}})
    rows = reduce_samples(frame, shots, noted, book)["quality"].to_dicts()
    return {(r["kind"], r["channel"]): r for r in rows}


@pytest.mark.parametrize("seed", range(20))
def test_a_sound_log_has_no_faults(seed: int) -> None:
    assert quality(log(seed), line_pressure_range_bar=[-1, 6]) == {}


def test_a_gap() -> None:
    c = log()
    keep = (c["t_s"] < 100) | (c["t_s"] > 112)
    row = quality({k: v[keep] for k, v in c.items()})["gap", ""]
    assert (row["from_s"], row["to_s"], row["count"]) == (99.75, 112.25, 49)
    assert row["detail"] == "no samples for 12.5 s from 99.8 s on"


def test_a_channel_that_sticks() -> None:
    c = log()
    c["clamp_pressure_mbar"][400:600] = 51.3
    row = quality(c)["stuck", "clamp_pressure_mbar"]
    assert (row["from_s"], row["to_s"], row["count"]) == (100.0, 149.75, 200)
    assert "stood at exactly 51.3 mbar for 50 s while it moves elsewhere" in row["detail"]


def test_a_coarse_sensor_does_not_stick() -> None:
    c = log()
    c["clamp_pressure_mbar"] = np.round(c["clamp_pressure_mbar"] / 20) * 20
    assert ("stuck", "clamp_pressure_mbar") not in quality(c)


def test_a_saturated_channel() -> None:
    c = log()
    c["cavity_pressure_mbar"] = np.minimum(c["cavity_pressure_mbar"], 800.0)
    row = quality(c)["at_range_end", "cavity_pressure_mbar"]
    assert row["from_s"] == 0.0 and "stood at its highest value, 800 mbar" in row["detail"]


def test_the_line_gauge_at_the_end_the_book_names() -> None:
    c = log()
    c["line_pressure_bar"] = np.clip(c["line_pressure_bar"], 0.0, 0.35)
    rows = quality(c, line_pressure_range_bar=[0, 0.35])
    assert "at its upper end (0.35 bar)" in rows["at_range_end", "line_pressure_bar"]["detail"]


def test_a_floor_that_the_log_shows_itself() -> None:
    c = log()
    c["line_pressure_bar"] = np.maximum(c["line_pressure_bar"] - 0.2, 0.0)
    row = quality(c)["at_range_end", "line_pressure_bar"]
    assert "never went below 0 bar" in row["detail"] and row["count"] > 100


def test_a_gauge_that_lay_at_its_floor_all_through() -> None:
    c = log()
    c["line_pressure_bar"] = np.zeros(len(c["t_s"]))
    row = quality(c)["at_range_end", "line_pressure_bar"]
    assert row["count"] >= 480 and "never went below 0 bar" in row["detail"]


def test_impossible_readings() -> None:
    c = log()
    c["clamp_pressure_mbar"][500:503] = 9999.0
    row = quality(c)["implausible", "clamp_pressure_mbar"]
    assert row["count"] == 3 and "9999 mbar" in row["detail"]


def test_missing_readings_of_a_channel_that_is_logged() -> None:
    c = log()
    c["clamp_pressure_mbar"][500:510] = np.nan
    assert quality(c)["missing", "clamp_pressure_mbar"]["count"] == 10
    c["clamp_pressure_mbar"][:] = np.nan
    assert quality(c) == {}


def test_a_meter_that_runs_backwards() -> None:
    c = log()
    c["flow_l_min"][760:800] -= 0.4
    row = quality(c)["negative_flow", "flow_l_min"]
    assert 36 <= row["count"] <= 48 and "down to -0.4" in row["detail"]


def test_what_the_reader_met_is_told_too() -> None:
    notes = [
        {"shot": "s", "kind": k, "channel": "t_s", "line": 9, "count": 2, "detail": f"{k} in words"}
        for k in ("dropped_row", "out_of_order", "non_finite", "assumed")
    ]
    rows = quality(log(), notes)
    assert set(rows) == {("dropped_row", "t_s"), ("clock_step", "t_s"), ("non_finite", "t_s")}
    assert rows["clock_step", "t_s"]["detail"] == "out_of_order in words"


def test_a_log_that_ends_while_resin_flows() -> None:
    c = log()
    assert ("ends_flowing", "flow_l_min") not in quality(c)
    cut = quality({k: v[c["t_s"] < 130] for k, v in c.items()})
    assert "what came after is not in it" in cut["ends_flowing", "flow_l_min"]["detail"]


def test_a_lone_reading_that_changes_the_volume() -> None:
    c = log()
    c["flow_l_min"][480] = 60.0
    row = quality(c)["implausible", "flow_l_min"]
    assert row["from_s"] == 120.0 and "stands alone at 60 l/min" in row["detail"]
    c["flow_l_min"][480] = 2.0  # a hundredth of a litre in 2.4 changes nothing
    assert ("implausible", "flow_l_min") not in quality(c)
