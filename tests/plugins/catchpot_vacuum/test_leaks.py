"""Leaks of each shot: what is given, what is refused, and that the truth lies inside."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import polars as pl
import pytest

from catchpot.analysis import Result
from catchpot.core_tables import SAMPLE
from catchpot.tables import empty
from catchpot.testing import made_up as mu
from catchpot.workshop import MouldBook
from catchpot_vacuum.leak_analysis import LeakParams, SealLeakAnalysis

STRIP = mu.five_geometries()["strip"]
BASE = mu.Mould(
    "m", STRIP, shots=12, holds=1, outer=mu.Seal(floor=0.09, start=0.0, noise=0.2),
    inner=mu.Seal(floor=0.01, start=0.0, noise=0.2, limit=0.05),
)  # fmt: skip


def leaks(made: mu.MadeUp, book: MouldBook | None = None, params: LeakParams | None = None) -> Result:
    return mu.compute(SealLeakAnalysis(), made.tables(), book or made.book(), params=params)


@cache
def simulate(mould: mu.Mould, seed: int = 1) -> mu.MadeUp:
    """Simulated once for all tests that ask for the same."""
    return mu.simulate(mu.Scenario(moulds=(mould,)), seed=seed)


@cache
def usual(mould: mu.Mould) -> Result:
    """Its leaks with the book as it is."""
    return leaks(simulate(mould))


def clamp_errors(made: mu.MadeUp, result: Result) -> tuple[np.ndarray, float]:
    rows = (
        result.tables["seal_leak"]
        .filter(pl.col("seal") == "clamp")
        .join(made.truth_shot.select("shot", "clamp_leak_mbar_l_s"), on="shot")
    )
    truth = rows["clamp_leak_mbar_l_s"]
    held = ((rows["leak_low_mbar_l_s"] <= truth) & (truth <= rows["leak_high_mbar_l_s"])).mean()
    assert isinstance(held, float)
    return np.abs((rows["leak_mbar_l_s"] / truth - 1.0).to_numpy()), held


@pytest.mark.parametrize(
    "other",
    [
        {},
        {"hold_s": 20.0},
        {"sampling_hz": 1.0},
        {"clamp_set_mbar": 200.0},
        {"clamp_set_mbar": 300.0},
        {"holds": 2},
        {"holds": 2, "hold_order": "vacuum first"},
        {"pump": "receiver"},
    ],
)
def test_clamp_leak_from_holds(other: dict[str, object]) -> None:
    mould = replace(BASE, **other)  # type: ignore[arg-type]  # fields by name
    error, held = clamp_errors(simulate(mould), usual(mould))
    assert len(error) == 12
    assert np.median(error) < 0.12
    assert held >= 0.75


@pytest.mark.parametrize("pump", ["switching", "receiver"])
@pytest.mark.parametrize("holds", [1, 2])
def test_a_hold_nobody_logged_is_found(pump: str, holds: int) -> None:
    channels = tuple(c for c in BASE.channels if c != "vacuum_isolated")
    made = simulate(replace(BASE, channels=channels, pump=pump, holds=holds))  # type: ignore[arg-type]  # literal
    result = leaks(made)
    error, held = clamp_errors(made, result)
    assert len(error) >= 10
    assert np.median(error) < 0.1
    assert held >= 0.75
    assert set(result.tables["seal_leak"]["method"]) <= {"rise found in the curve", "top-ups", "two-step hold"}


def test_without_a_hold_the_top_ups_tell_and_a_receiver_is_refused() -> None:
    strong = replace(BASE, holds=0, outer=mu.Seal(floor=0.15, start=0.0, noise=0.2))
    error, held = clamp_errors(made := simulate(strong), leaks(made))
    assert len(error) >= 10
    assert np.median(error) < 0.25
    assert held >= 0.75
    refused = leaks(simulate(replace(strong, pump="receiver")))
    assert refused.tables["seal_leak"].filter(pl.col("seal") == "clamp").is_empty()
    reasons = {r.reason for r in refused.refused if r.what == "seal_leak.clamp"}
    assert len(reasons) == 1
    assert "receiver" in reasons.pop()


def test_no_clamp_channel_is_said_and_the_cavity_still_assessed() -> None:
    made = simulate(replace(BASE, channels=tuple(c for c in BASE.channels if c != "clamp_pressure_mbar")))
    result = leaks(made)
    assert set(result.tables["seal_leak"]["seal"]) == {"cavity"}
    said = [r for r in result.refused if r.what == "seal_leak.clamp"]
    assert len(said) == 12
    assert said[0].reason == "clamp leak not assessed: no clamp pressure logged"
    assert result.tables["seal_hold"]["clamp_rate_mbar_s"].null_count() == 12


def test_missing_volumes_leave_rises_and_a_reason() -> None:
    made = simulate(BASE)
    book = MouldBook.model_validate({"moulds": {"m": {"thickness_mm": 3.0}}})
    result = leaks(made, book)
    table, known = result.tables["seal_leak"], usual(BASE).tables["seal_leak"]
    assert table["leak_mbar_l_s"].null_count() == table.height
    both = table.join(known, on=["shot", "seal"], suffix="_known").filter(pl.col("seal") == "clamp")
    assert both["rise_mbar_min"].to_list() == pytest.approx(
        (both["leak_mbar_l_s_known"] * 60.0 / 0.8).to_list(), rel=0.1
    )
    assert any(r.what == "seal_leak.clamp" and "clamp_volume_l" in r.reason for r in result.refused)


def test_two_step_holds_tell_the_seals_apart_and_one_says_what_it_takes() -> None:
    made = simulate(replace(BASE, holds=2))
    rows = usual(replace(BASE, holds=2)).tables["seal_leak"].join(made.truth_shot, on="shot")
    for seal in ("outer", "inner"):
        own = rows.filter(pl.col("seal") == seal)
        truth = own[f"{seal}_leak_mbar_l_s"]
        held = ((own["leak_low_mbar_l_s"] <= truth) & (truth <= own["leak_high_mbar_l_s"])).mean()
        assert own.height == 12
        assert isinstance(held, float)
        assert held >= 0.9
    one = usual(BASE)
    assert not set(one.tables["seal_leak"]["seal"]) & {"outer", "inner"}
    assert any("cavity at ambient" in r.reason for r in one.refused if r.what == "seal_leak.outer and inner")


def test_rows_are_inside_their_intervals_and_absolute_ones_are_wider() -> None:
    table = usual(replace(BASE, holds=2)).tables["seal_leak"]
    inside = table.filter(
        (pl.col("leak_low_mbar_l_s") > pl.col("leak_mbar_l_s"))
        | (pl.col("leak_mbar_l_s") > pl.col("leak_high_mbar_l_s"))
    )
    assert inside.is_empty()
    wider = table.filter(
        (pl.col("leak_absolute_low_mbar_l_s") > pl.col("leak_low_mbar_l_s") + 1e-9)
        | (pl.col("leak_absolute_high_mbar_l_s") < pl.col("leak_high_mbar_l_s") - 1e-9)
    )
    assert wider.is_empty()


def test_a_shots_rows_do_not_depend_on_its_batch() -> None:
    made = simulate(replace(BASE, shots=6, holds=2))
    tables = made.tables()
    whole = leaks(made).tables["seal_leak"]
    for shot in made.shot["shot"].to_list():
        alone = mu.compute(SealLeakAnalysis(), tables, made.book(), units=[shot]).tables["seal_leak"]
        assert alone.equals(whole.filter(pl.col("shot") == shot))


def test_a_wider_drift_widens_the_interval() -> None:
    made = simulate(BASE)
    narrow, wide = usual(BASE), leaks(made, params=LeakParams(sensor_drift_mbar_min=5.0))

    def width(result: Result) -> float:
        rows = result.tables["seal_leak"].filter(pl.col("seal") == "clamp")
        return float((rows["leak_high_mbar_l_s"] - rows["leak_low_mbar_l_s"]).to_numpy().mean())

    assert width(wide) > 3.0 * width(narrow)


def test_shots_without_samples_are_refused() -> None:
    made = simulate(replace(BASE, shots=2))
    tables = {**made.tables(), "sample": empty(SAMPLE)}
    result = mu.compute(SealLeakAnalysis(), tables, made.book())
    assert result.tables["seal_leak"].is_empty()
    assert {(r.unit, r.what) for r in result.refused} == {(s, "seal_leak") for s in made.shot["shot"]}


def spoilt(made: mu.MadeUp, clamp: pl.Expr) -> Result:
    tables = made.tables()
    sample = tables["sample"].with_columns(clamp.alias("clamp_pressure_mbar"))
    return mu.compute(SealLeakAnalysis(), {**tables, "sample": sample}, made.book())


def test_a_fitting_left_open_is_a_large_leak_not_none() -> None:
    made = simulate(replace(BASE, shots=2))
    shut = pl.col("vacuum_isolated") > 0.5
    since = pl.col("t_s") - pl.col("t_s").filter(shut).min().over("shot")
    torrent = pl.when(shut).then(1010.0 - 960.0 * (-since / 1.5).exp()).otherwise(pl.col("clamp_pressure_mbar"))
    leak = spoilt(made, torrent).tables["seal_leak"].filter(pl.col("seal") == "clamp")
    assert leak.height == 2
    assert (leak["leak_low_mbar_l_s"] > 20.0).all()


def test_a_channel_that_was_never_evacuated_is_refused() -> None:
    made = simulate(replace(BASE, shots=2))
    result = spoilt(made, pl.lit(1009.0))
    assert result.tables["seal_leak"].filter(pl.col("seal") == "clamp").is_empty()
    assert any("near ambient" in r.reason for r in result.refused if r.what == "seal_leak.clamp")


@pytest.mark.parametrize("step", [0.5, 1.0])
def test_a_coarse_gauge_still_shows_a_hold_nobody_logged(step: float) -> None:
    channels = tuple(c for c in BASE.channels if c != "vacuum_isolated")
    made = simulate(replace(BASE, channels=channels, pump="receiver", outer=mu.Seal(floor=0.2, start=0.0, noise=0.2)))
    result = spoilt(made, (pl.col("clamp_pressure_mbar") / step).round() * step)
    error, held = clamp_errors(made, result)
    assert len(error) >= 9
    assert np.median(error) < 0.12
    assert held >= 0.75


def test_the_rate_of_top_ups_is_a_second_witness() -> None:
    from catchpot_vacuum import gather
    from catchpot_vacuum import leaks as maths

    strong = replace(
        BASE, shots=4, holds=0, evacuate_s=150.0, clamp_band_mbar=6.0, outer=mu.Seal(floor=0.4, start=0.0, noise=0.05)
    )
    made = simulate(strong)
    tables = made.tables()
    log = gather.logs(tables["sample"], tables["phase"], 1013.25)
    data = maths.fit(log, gather.rises(log), drift_mbar_min=0.1, gas_k=0.25)
    witness = maths.top_up_rate(data, 4)
    slope = [np.median(data.clamp_fit.slope[data.rises.shot == k]) for k in range(4)]
    seen = np.isfinite(witness)
    assert seen.sum() >= 3
    assert (witness[seen] / np.array(slope)[seen] > 0.5).all()
    assert (witness[seen] / np.array(slope)[seen] < 1.1).all()
