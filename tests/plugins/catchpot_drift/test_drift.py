"""The drift analysis over made-up measures: what is called, what is not, how it is told."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest
from numpy.typing import NDArray

from catchpot.analysis import Job, Result
from catchpot.core_tables import EVENT
from catchpot.tables import Column, Table, shape, violations
from catchpot.workshop import MouldBook
from catchpot_drift.analysis import DriftAnalysis
from catchpot_drift.settings import MEASURES, DriftParams

START = datetime(2026, 3, 2, 7, tzinfo=UTC)
Floats = NDArray[np.float64]
LEVELS = {
    "arrival_relative": (1.0, 0.004, ""), "beyond_programmed_l": (0.004, 0.002, "l"),
    "permeability_m2": (2.0e-9, 6e-11, "m2"), "fill_time_s": (180.0, 4.0, "s"),
    "peak_line_pressure_bar": (0.3, 0.01, "bar"), "fill.cavity_pressure_mbar": (550.0, 5.0, "mbar"),
    "leak_mbar_l_s[clamp]": (0.1, 0.01, "mbar l/s"), "catalyst_ratio_pct": (1.5, 0.02, "%"),
}  # fmt: skip


def job(
    shots: int = 60,
    seed: int = 1,
    change: dict[str, Floats] | None = None,
    events: list[tuple[int, str, str]] | None = None,
    resin_batch: list[str] | None = None,
    book: dict[str, Any] | None = None,
    fabric_batch: list[str] | None = None,
) -> Job:
    """A mould's job: steady measures, plus `change` (in the measure's spreads) added."""
    rng = np.random.default_rng(seed)
    names = [f"s{i:03d}" for i in range(shots)]
    starts = [START + timedelta(hours=4 * i) for i in range(shots)]
    beside = {"shot": names, "mould": ["hatch-3"] * shots, "started_at": starts}
    columns: dict[str, Any] = {}
    for name, (level, spread, _) in LEVELS.items():
        shift = (change or {}).get(name, np.zeros(shots))
        columns[name] = level + spread * (rng.standard_normal(shots) + shift)
    measured = [Column(n, "f64", u, n.replace("_", " ")) for n, (_, _, u) in LEVELS.items()]
    declared = Table("*", ("shot",), (Column("shot", "str", "", "the shot"), *measured))
    none: list[str | None] = [None] * shots
    shot = pl.DataFrame(
        {
            **beside,
            "injector": ["injector-1"] * shots,
            "programmed_volume_l": [2.6] * shots,
            "fabric_batch": fabric_batch or none,
            "resin_batch": resin_batch or none,
        },
        schema_overrides={"fabric_batch": pl.String(), "resin_batch": pl.String()},
    )
    event = shape(
        EVENT,
        {
            "row": list(range(1, len(events or []) + 1)),
            "time": [starts[at] - timedelta(minutes=5) for at, _, _ in events or []],
            "mould": [None if kind.startswith("meter") else "hatch-3" for _, kind, _ in events or []],
            "kind": [kind for _, kind, _ in events or []],
            "detail": [detail for _, _, detail in events or []],
        },
    )
    return Job(
        ("hatch-3",),
        {"shot": shot, "*": pl.DataFrame({**beside, **columns}), "event": event},
        {"*": declared},
        MouldBook.model_validate(book or {"moulds": {"hatch-3": {}}}),
        DriftParams(),
    )


def run(the_job: Job) -> Result:
    analysis = DriftAnalysis("Europe/Lisbon")
    result = analysis.compute(the_job)
    for table in analysis.yields:
        assert violations(table, result.tables[table.name]) == []
    return result


def after(at: int, size: float, shots: int = 60) -> Floats:
    return np.where(np.arange(shots) >= at, size, 0.0)


def test_a_step_is_dated_named_and_laid_beside_its_event() -> None:
    result = run(job(change={"arrival_relative": after(40, 3.0)}, events=[(37, "fabric_batch", "FB-118")]))
    drift = result.tables["drift"]
    row = drift.row(0, named=True)
    assert drift.height == 1
    assert (row["measure"], row["kind"], row["shot"]) == ("arrival_relative", "step", "s040")
    assert row["changed_at"] == START + timedelta(hours=160)
    assert row["change_low"] < 0.012 < row["change_high"]
    assert (row["event"], row["shots_after_event"]) == ("fabric batch FB-118", 3)
    finding = result.tables["finding"].row(0, named=True)
    assert result.tables["finding"].height == 1
    assert (finding["kind"], finding["severity"], finding["until"]) == ("volume_drift", "watch", None)
    assert "3 shots after fabric batch FB-118" in finding["message"]
    assert "8 Mar 2026" in finding["message"]


def test_several_volumes_moving_at_once_are_one_finding() -> None:
    both = {"arrival_relative": after(40, 3.0), "beyond_programmed_l": after(40, -3.0)}
    result = run(job(change=both))
    assert set(result.tables["drift"]["measure"]) == set(both)
    assert result.tables["finding"].height == 1
    assert "beyond programmed l" in result.tables["finding"]["message"][0]


def test_a_change_back_ends_the_finding_and_opens_none() -> None:
    there_and_back = after(40, 4.0, 100) - after(70, 4.0, 100)
    result = run(job(100, change={"arrival_relative": there_and_back}))
    assert result.tables["drift"].height == 2
    found = result.tables["finding"]
    assert found.height == 1
    assert found["until"][0] == START + timedelta(hours=4 * 70)
    assert found["severity"][0] == "note"
    assert "went back" in found["message"][0]


def test_a_trend_is_called_a_trend() -> None:
    result = run(job(90, change={"permeability_m2": 4 * np.clip((np.arange(90) - 30) / 60, 0, None)}))
    row = result.tables["drift"].row(0, named=True)
    assert (row["measure"], row["kind"]) == ("permeability_m2", "trend")
    assert row["per_shot_low"] < 4 * 6e-11 / 60 < row["per_shot_high"]
    assert result.tables["finding"]["kind"].to_list() == ["permeability_drift"]


@pytest.mark.parametrize("seed", range(6))
def test_a_resin_batch_without_its_own_viscosity_never_raises_permeability_drift(seed: int) -> None:
    batches = ["RB-1"] * 25 + ["RB-2"] * 35
    moved = {"permeability_m2": after(25, 5.0), "fill_time_s": after(25, -5.0)}
    result = run(job(seed=seed, change=moved, resin_batch=batches))
    assert result.tables["finding"].is_empty()
    assert result.tables["drift"].is_empty()


def test_with_viscosities_in_the_book_the_same_change_is_found() -> None:
    batches = ["RB-1"] * 25 + ["RB-2"] * 35
    book = {
        "moulds": {"hatch-3": {}},
        "resin_batches": {"RB-1": {"viscosity_pa_s": 0.2}, "RB-2": {"viscosity_pa_s": 0.21}},
    }
    result = run(job(change={"permeability_m2": after(25, 5.0)}, resin_batch=batches, book=book))
    assert result.tables["finding"]["kind"].to_list() == ["permeability_drift"]
    assert result.tables["drift"]["event"][0] == "resin batch RB-2"


def test_a_change_within_a_resin_batch_is_found() -> None:
    batches = ["RB-1"] * 20 + ["RB-2"] * 60
    result = run(job(80, change={"permeability_m2": after(50, 4.0, 80)}, resin_batch=batches))
    assert result.tables["drift"]["shot"].to_list() == ["s050"]


def test_too_few_shots_are_refused_with_a_reason() -> None:
    result = run(job(12))
    assert {r.what for r in result.refused} == {f"drift.{m}" for m in MEASURES}
    assert all("20 are needed" in r.reason for r in result.refused)
    assert result.tables["drift"].is_empty()


def test_one_wild_shot_is_no_change() -> None:
    wild = np.zeros(60)
    wild[45], wild[59] = 12.0, 9.0
    assert run(job(change={"arrival_relative": wild})).tables["drift"].is_empty()


def test_the_watch_of_the_present_state() -> None:
    result = run(job())
    watch = {r["measure"]: r for r in result.tables["drift_watch"].iter_rows(named=True)}
    assert set(watch) == set(MEASURES)
    row = watch["cavity_pressure_mbar"]
    assert row["smooth_lower"] < row["level"] < row["smooth_upper"]
    assert row["unit"] == "mbar"
    assert row["measures_watched"] == 8
    assert row["stretch_share_pct"] == pytest.approx(5.0)
    # Limits for a baseline of 25 shots are wider than those that ring once in 500 shots of a known process.
    assert row["smooth_run_shots"] > 500 and row["sum_run_shots"] > 500
    values = result.tables["drift_value"].filter(pl.col("measure") == "beyond_programmed_l")
    assert values["smooth"].null_count() == 25


def test_measures_named_in_the_book_are_tracked_too() -> None:
    book = {"moulds": {"hatch-3": {"measures": ["packed_volume_l"], "limits": {"part_mass_kg": [3, 4]}}}}
    refused = {r.what: r.reason for r in run(job(book=book)).refused}
    assert set(refused) == {"drift.packed_volume_l", "drift.part_mass_kg"}  # asked for, and not measured here


def test_stretch_limits_ring_as_often_as_they_say() -> None:
    from catchpot.stats.control import ewma
    from catchpot.stats.run_length import stretch_limits

    smooth_limit, _ = stretch_limits(25, 60, 0.05, 0.2, 0.5)
    z = np.random.default_rng(77).standard_normal((4000, 85))
    sd = np.abs(np.diff(z[:, :25], axis=1)).mean(axis=1) * np.sqrt(np.pi) / 2
    y = (z[:, 25:] - z[:, :25].mean(axis=1, keepdims=True)) / sd[:, None]
    rung = (np.abs(ewma(y, 0.2, 0.0)) > smooth_limit).any(axis=1).mean()
    assert rung == pytest.approx(0.05, abs=0.012)


def test_expansion_between_meter_and_mould_is_taken_out() -> None:
    from catchpot_drift.series import gather

    warm = np.where(np.arange(40) >= 20, 30.0, 20.0)
    frame = pl.DataFrame(
        {"shot": [f"s{i}" for i in range(40)], "mould": ["m"] * 40, "started_at": [START] * 40,
         "arrival_relative": 1 / (1 + 8e-4 * (warm - 20)), "mould_temp_c": warm, "resin_temp_c": np.full(40, 20.0)}
    )  # fmt: skip
    declared = Table(
        "*",
        ("shot",),
        (Column("shot", "str", "", "s"), Column("arrival_relative", "f64", "", "volume against the usual")),
    )
    made, _ = gather(frame, declared, [None] * 40, ["arrival_relative"], DriftParams())
    assert np.ptp(made[0].values) < 1e-4  # 0.008 before: 10 K at 0.08 % per kelvin
    assert made[0].taken_out == "expansion between meter and mould"


def test_two_moulds_in_one_job_keep_their_own_events() -> None:
    one = job(change={"arrival_relative": after(40, 3.0)}, events=[(37, "fabric_batch", "FB-118")])
    shift = {"hatch-3": "locker-1"}
    other = {n: f.with_columns(pl.col("mould").replace(shift)) for n, f in one.tables.items()}
    other = {n: f.with_columns(pl.col("shot") + "x") if "shot" in f.columns else f.clear() for n, f in other.items()}
    both = Job(
        ("hatch-3", "locker-1"),
        {n: pl.concat([one.tables[n], other[n]]) for n in one.tables},
        one.declared,
        MouldBook.model_validate({"moulds": {"hatch-3": {}, "locker-1": {}}}),
        one.params,
    )
    drift = run(both).tables["drift"]
    assert dict(drift.select("mould", "event").iter_rows()) == {"hatch-3": "fabric batch FB-118", "locker-1": ""}
    alone = run(one).tables["drift"]
    assert drift.filter(pl.col("mould") == "hatch-3").equals(alone)
