"""The injection analysis: facts of each shot, and its resistance in cells against what was marched."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from tests.plugins.catchpot_fill.made import OFF, first, made, plates, run, without

from catchpot.core_tables import CURVE_BINS
from catchpot.testing import made_up as mu
from catchpot.testing.geometry import Array
from catchpot_fill.cells import merged, running_parabola
from catchpot_fill.injection_analysis import InjectionAnalysis
from catchpot_fill.prepare import censored
from catchpot_fill.witnesses import rows


def test_a_running_parabola_is_that_of_savitzky_and_golay() -> None:
    from scipy.signal import savgol_filter

    y = np.random.default_rng(1).standard_normal(200).cumsum() + 50.0
    for wide in (5, 21, 199):
        assert np.allclose(running_parabola(y, wide), savgol_filter(y, wide, 2), rtol=1e-11, atol=0.0)


def resistance(tables: dict[str, pl.DataFrame], book: object) -> tuple[Array, Array]:
    injection = mu.compute(InjectionAnalysis(), tables, book).tables["injection"].sort("shot")  # type: ignore[arg-type]
    return rows(injection["resistance_per_m3"]), rows(injection["resistance_sd_per_m3"])


def test_a_batch_gives_what_its_shots_give() -> None:
    shots, tables = made()
    whole = mu.compute(InjectionAnalysis(), tables, shots.book()).tables["injection"]
    names = shots.shot["shot"].to_list()
    for part in (names[:1], names[3:5]):
        alone = mu.compute(InjectionAnalysis(), tables, shots.book(), units=part).tables["injection"]
        expected = whole.filter(pl.col("shot").is_in(part))
        assert [c for c in expected.columns if not alone[c].equals(expected[c])] == []


def test_cells_show_the_marched_resistance_within_their_noise() -> None:
    """A strip by hand: line + L / (K w h) times the share filled; the generator marches it cell by cell."""
    shots, tables = made("strip", 6)
    got, noise = resistance(dict(tables), shots.book())
    g = mu.five_geometries()["strip"]
    for i, t in enumerate(shots.truth_shot.sort("shot").iter_rows(named=True)):
        volume = t["injected_volume_l"] * (np.arange(CURVE_BINS) + 0.5) / CURVE_BINS
        share = (volume - t["volume_before_l"]) / (t["arrival_volume_l"] - t["volume_before_l"])
        bed = g.flow_length_m / (t["permeability_seen_m2"] * g.inlet_width_m * g.thickness_mm * 1e-3)
        line = t["line_resistance_per_m3"] * t["viscosity_line_pa_s"] / t["viscosity_pa_s"]
        want = line + bed * np.clip(share, 0, 1)
        early = (share > 0.15) & (share < 0.97) & np.isfinite(got[i])
        assert early.sum() > 100
        assert np.median(got[i][early] / want[early]) == pytest.approx(1.0, abs=0.01)
        z = (got[i] - want)[early] / np.hypot(noise[i], 0.003 * want)[early]
        assert np.mean(np.abs(z) < 1.96) > 0.85


def test_strokes_and_flow_meter_give_the_same_resistance() -> None:
    """The same shots, metered once by flow and once by strokes of 25 ml; cells as wide as a stroke are compared."""
    plain, by_flow = made("all-round", 4)
    counted, by_strokes = made("all-round", 4, replace(OFF, strokes=True), settings=(("stroke_ml", 25.0),))
    got = [resistance(dict(t), s.book()) for t, s in ((by_flow, plain), (by_strokes, counted))]
    injected = by_strokes["phase"].filter(phase="inject")["end_volume_l"].to_numpy()
    for i in range(4):
        strokes = injected[i] / 0.025
        (_, flow, _), (edges, stroke, error) = (merged(r[i], n[i], strokes) for r, n in got)
        middle = (edges[:-1] + edges[1:]) / 2
        use = np.isfinite(flow) & np.isfinite(stroke) & (middle > 0.1) & (middle < 0.9)
        assert use.sum() > 30
        assert np.median(stroke[use] / flow[use]) == pytest.approx(1.0, abs=0.01)
        assert np.mean(np.abs(stroke - flow)[use] < 3 * np.hypot(error, 0.01 * flow)[use]) > 0.9


def test_cells_merged_to_a_readings_width_keep_their_mean() -> None:
    rng = np.random.default_rng(4)
    y = 1.0 + rng.random(CURVE_BINS)
    edges, mean, error = merged(y, np.full(CURVE_BINS, 0.1), 40.0)
    assert len(mean) == len(edges) - 1 <= 40
    assert edges[0] == 0.0 and edges[-1] == 1.0
    assert float(mean @ np.diff(edges)) == pytest.approx(float(y.mean()), rel=1e-9)
    assert np.all(error < 0.1)
    fine, same, _ = merged(y, np.full(CURVE_BINS, 0.1), 1e4)
    assert len(fine) == CURVE_BINS + 1 and np.array_equal(same, y)
    gap = y.copy()
    gap[:20] = np.nan
    assert np.isnan(merged(gap, np.full(CURVE_BINS, 0.1), 40.0)[1][0])


def test_the_stated_noise_is_that_of_repeated_logs() -> None:
    """Two logs of one shot differ by their sensors alone: their difference over the stated noise has an s.d. of 1."""
    pair = [made("all-round", 4, OFF, seed) for seed in (5, 6)]
    (a, na), (b, nb) = (resistance(dict(t), s.book()) for s, t in pair)
    inner = slice(20, 180)
    z = ((np.log(a) - np.log(b)) / np.hypot(na / a, nb / b))[:, inner]
    z = z - np.nanmedian(z, axis=1, keepdims=True)
    assert 0.6 < 1.4826 * float(np.nanmedian(np.abs(z))) < 1.5


def test_facts_of_the_injection() -> None:
    shots, tables = made()
    result = run(tables, shots.book())
    injection = result.tables["injection"].join(shots.truth_shot, on="shot", suffix="_true")
    assert (injection["injected_volume_l"] / injection["injected_volume_l_true"]).to_numpy() == pytest.approx(
        np.ones(6), abs=0.01
    )
    assert (injection["from_s"] - injection["inject_from_s"]).abs().max() < 1.5  # type: ignore[operator]  # floats
    assert (injection["to_s"] - injection["stop_s"]).abs().max() < 1.5  # type: ignore[operator]  # floats
    assert injection["resin_temp_c"].to_numpy() == pytest.approx(injection["resin_temp_c_true"].to_numpy(), abs=0.5)
    assert not injection["stroked"].any()
    times = rows(injection["time_s"])
    assert np.all(np.diff(times, axis=1) >= 0)
    assert times[:, -1] == pytest.approx(injection["to_s"].to_numpy(), abs=1.5)


def test_a_hold_check_is_said_to_be_one() -> None:
    shots, tables = made(shots=4, settings=(("holds", 1), ("hold_checks", 2)))
    checks = shots.truth_shot.filter(pl.col("kind") != "shot")["shot"].to_list()
    assert checks
    result = run(tables, shots.book())
    assert not set(result.tables["injection"]["shot"]) & set(checks)
    fill = result.tables["fill"].filter(pl.col("shot").is_in(checks))
    assert fill.height == len(checks)
    assert fill["injected_volume_l"].null_count() == fill.height
    assert {r.reason for r in result.refused if r.unit in checks} == {
        "a hold check, no injection", "no injection in this log"
    }  # fmt: skip


@pytest.mark.parametrize("count", [0, 3, 30])
def test_few_samples_are_refused_in_words(count: int) -> None:
    shots, tables = made()
    phase = tables["phase"].filter(pl.col("phase") == "inject").select("shot", begin="start_s")
    cut = tables["sample"].join(phase, on="shot").filter(pl.col("t_s") < pl.col("begin") + count * 0.25).drop("begin")
    result = run({**tables, "sample": cut}, shots.book())
    fill = result.tables["fill"]
    assert fill["arrival_volume_l"].null_count() == 6
    # no curve, no place: not even a least volume is made up
    curve = {r.reason for r in result.refused if r.what in ("fill.arrival_volume_l", "fill.arrival_relative")}
    assert len(curve) == 1
    if count < 20:
        assert next(iter(curve)).startswith("too few usable samples")
        assert fill["arrival_volume_low_l"].null_count() == 6


def test_cavity_gauge_before_evacuation_is_the_barometer() -> None:
    """Weather 40 mbar below the settings and no barometer: mobility must not take the difference for resin."""
    shots, tables = made()
    low = tables["sample"].with_columns(
        ambient_pressure_mbar=pl.lit(None, dtype=pl.Float64),
        cavity_pressure_mbar=pl.col("cavity_pressure_mbar") - 40,
        clamp_pressure_mbar=pl.col("clamp_pressure_mbar") - 40,
    )
    fill = run({**tables, "sample": low}, shots.book()).tables["fill"]
    assert fill["ambient_source"].unique().to_list() == ["cavity gauge before evacuation"]
    assert fill["ambient_pressure_mbar"].to_numpy() == pytest.approx(np.full(6, 973.25), abs=2.0)
    started = tables["sample"].filter(pl.col("t_s") > 20).with_columns(
        pl.col("t_s") - 20, ambient_pressure_mbar=pl.lit(None, dtype=pl.Float64)
    )  # fmt: skip
    phase = tables["phase"].with_columns(pl.col("start_s", "end_s") - 20)
    late = run({**tables, "sample": started, "phase": phase}, shots.book()).tables["fill"]
    assert late["ambient_source"].unique().to_list() == ["settings"]


def test_a_gauge_that_stopped_a_few_times_shows_its_floor() -> None:
    line = np.concatenate([np.zeros(4), [0.001, 0.004, 0.1, 0.2], [0.0, 0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6]])
    group, unknown = np.repeat([0, 1], 8), np.full(2, np.nan)
    hit = censored(line, group, 2, unknown, unknown)
    # four readings at nought and two neighbours; of the other shot's two, nothing is thought
    assert hit[:8].tolist() == [True] * 6 + [False] * 2
    assert not hit[8:].any()


def test_a_gauge_that_stops_at_nought_is_censored() -> None:
    """The gauge shows 0 while the cavity sucks the line below ambient: those readings must not enter the curve."""
    shots, tables = made("all-round", 6, replace(OFF, gauge_ends=True))
    assert tables["sample"]["line_pressure_bar"].min() == 0.0
    result = run(tables, without(shots.book(), "line_pressure_range_bar"))
    both = result.tables["permeability"].join(shots.truth_shot, on="shot", suffix="_true")
    assert (both["permeability_m2"] / both["permeability_seen_m2"]).to_numpy() == pytest.approx(np.ones(6), abs=0.03)


def test_a_gauge_that_never_leaves_its_floor_tells_nothing_and_that_is_said() -> None:
    _, tables, book = plates()
    stuck = tables["sample"].with_columns(line_pressure_bar=pl.lit(0.0))
    result = run(first({**tables, "sample": stuck}, 3), without(book, line_pressure_range_bar=[0.0, 6.0]))
    assert result.tables["injection"]["readings"].to_list() == [0.0] * 3
    (said,) = {r.reason for r in result.refused if r.what == "fill.arrival_volume_l"}
    assert "the line gauge stood at the end of its range" in said
    assert result.tables["own_curve"].is_empty()


def test_packing_is_neither_fill_nor_overflow() -> None:
    shots, tables = made("all-round", 6, replace(OFF, packing=True), settings=(("pack_s", 30.0),))
    fill = run(tables, shots.book()).tables["fill"].join(shots.truth_shot, on="shot", suffix="_true")
    assert (fill["injected_volume_l"] / fill["injected_volume_l_true"]).to_numpy() == pytest.approx(1.0, abs=0.01)
    assert (fill["packed_volume_l"] >= 0).all()
    held = (fill["arrival_volume_low_l"] <= fill["arrival_volume_l_true"]) & (
        fill["arrival_volume_l_true"] <= fill["arrival_volume_high_l"]
    )
    assert held.sum() >= 5
