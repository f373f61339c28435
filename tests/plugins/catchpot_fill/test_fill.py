"""The fill analysis on made-up shots with known truth, and on what it must refuse."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import polars as pl
import pytest

from catchpot.analysis import Result
from catchpot.tables import violations
from catchpot.testing import made_up as mu
from catchpot.testing.jobs import core_tables
from catchpot.workshop import MouldBook
from catchpot_fill.analysis import FillAnalysis, FillParams
from catchpot_fill.fit import METER_SD, book_odds
from catchpot_fill.prepare import censored
from catchpot_fill.tables import FILL, FILL_FIT, PERMEABILITY

OFF = mu.Nuisances.off()
Tables = Mapping[str, pl.DataFrame]


@lru_cache(maxsize=8)
def made(name: str = "all-round", shots: int = 6, nuisances: mu.Nuisances = OFF, seed: int = 5,
         settings: tuple[tuple[str, Any], ...] = ()) -> tuple[mu.MadeUp, Tables]:  # fmt: skip
    """Made-up shots of one mould and their core tables."""
    mould = mu.Mould("m", mu.five_geometries()[name], shots=shots, **dict(settings))
    shots_made = mu.simulate(mu.Scenario(moulds=(mould,), nuisances=nuisances), seed)
    return shots_made, core_tables(shots_made)


def run(tables: Tables, book: MouldBook, params: FillParams | None = None) -> Result:
    result = mu.compute(FillAnalysis(), tables, book, params)
    for table in (FILL, PERMEABILITY, FILL_FIT):
        assert violations(table, result.tables[table.name]) == []
    return result


def without(book: MouldBook, *keys: str, **changed: Any) -> MouldBook:
    """The book with keys of the mould taken out or changed."""
    data = book.model_dump(exclude_none=True)
    for key in keys:
        data["moulds"]["m"].pop(key)
    data["moulds"]["m"].update(changed)
    return MouldBook.model_validate(data)


def reasons(result: Result, what: str) -> set[str]:
    return {r.reason for r in result.refused if r.what == what}


@pytest.mark.parametrize("name", ["strip", "wedge", "all-round", "rim-fed"])
def test_straight_fronts_are_found_within_their_intervals(name: str) -> None:
    shots, tables = made(name)
    result = run(tables, shots.book())
    fill = result.tables["fill"].join(shots.truth_shot, on="shot", suffix="_true")
    error = fill["arrival_volume_l"] / fill["arrival_volume_l_true"] - 1
    assert error.null_count() == 0
    assert error.abs().median() < 0.003  # type: ignore[operator]  # a float column without nulls here
    held = (fill["arrival_volume_low_l"] <= fill["arrival_volume_l_true"]) & (
        fill["arrival_volume_l_true"] <= fill["arrival_volume_high_l"]
    )
    assert held.sum() >= 5
    assert (fill["overflow_l"] - fill["overflow_l_true"]).abs().max() < 0.03  # type: ignore[operator]  # as above
    assert (fill["arrival_time_s"] - fill["arrival_s"]).abs().max() < 4.0  # type: ignore[operator]  # as above
    permeability = result.tables["permeability"].join(shots.truth_shot, on="shot", suffix="_true")
    ratio = permeability["permeability_m2"] / permeability["permeability_seen_m2"]
    assert ratio.to_numpy() == pytest.approx(np.ones(6), abs=0.02)
    line = permeability["line_resistance_per_m3"] / permeability["line_resistance_per_m3_true"]
    assert line.median() == pytest.approx(1.0, abs=0.25)
    assert permeability["porosity"].to_numpy() == pytest.approx(permeability["porosity_true"].to_numpy(), rel=1e-6)


def test_a_batch_gives_what_its_shots_give() -> None:
    shots, tables = made()
    whole = run(tables, shots.book()).tables
    names = shots.shot["shot"].to_list()
    for part in (names[:1], names[3:5]):
        alone = mu.compute(FillAnalysis(), tables, shots.book(), units=part).tables
        for table in ("fill", "permeability"):
            expected = whole[table].filter(pl.col("shot").is_in(part))
            numbers = [c for c, t in expected.schema.items() if t == pl.Float64]
            got, want = alone[table].select(numbers).to_numpy(), expected.select(numbers).to_numpy()
            assert got == pytest.approx(want, rel=1e-9, nan_ok=True)


def test_a_shot_stopped_before_the_vent_has_no_arrival_but_a_mobility() -> None:
    shots, tables = made(settings=(("stop", "operator"), ("operator_share", 0.9)))
    result = run(tables, shots.book())
    fill = result.tables["fill"]
    assert fill["arrival_volume_l"].null_count() == fill.height
    assert fill["overflow_l"].null_count() == fill.height
    assert fill["injected_volume_l"].null_count() == 0
    expected = {"resin never arrived at the vent, or the shot stopped before it could be told"}
    assert reasons(result, "fill.arrival_volume_l") == expected
    permeability = result.tables["permeability"].join(shots.truth_shot, on="shot", suffix="_true")
    held = (permeability["permeability_low_m2"] <= permeability["permeability_seen_m2"]) & (
        permeability["permeability_seen_m2"] <= permeability["permeability_high_m2"]
    )
    assert held.all()


def test_where_the_mould_takes_more_than_the_book_says_permeability_is_not_bent() -> None:
    # the meter reads 7 % high, so that a shot stopped before the vent has metered more than the book's volume
    mould = mu.Mould("m", mu.five_geometries()["all-round"], shots=6, stop="operator", operator_share=0.995)
    changes = (mu.Change("m", "flow_meter", 0.07, 0),)
    shots = mu.simulate(mu.Scenario(moulds=(mould,), nuisances=OFF, changes=changes), 5)
    result = run(core_tables(shots), shots.book())
    fill = result.tables["fill"].join(shots.truth_shot, on="shot", suffix="_true")
    assert (fill["injected_volume_l"] > fill["pore_volume_l"]).all()
    assert fill["arrival_volume_l"].null_count() >= 5
    permeability = result.tables["permeability"].join(shots.truth_shot, on="shot", suffix="_true")
    ratio = permeability["permeability_m2"] / permeability["permeability_seen_m2"]
    assert ratio.to_numpy() == pytest.approx(np.ones(6), abs=0.08)


def test_a_disc_is_refused_rather_than_wrong() -> None:
    shots, tables = made("disc", 8)
    result = run(tables, shots.book())
    fill = result.tables["fill"].join(shots.truth_shot, on="shot", suffix="_true").drop_nulls("arrival_volume_l")
    assert fill.height <= 2
    assert all("fill a vent hose" in r for r in reasons(result, "fill.arrival_volume_l"))
    assert len(reasons(result, "fill.arrival_volume_l")) == 1


def test_a_hold_check_is_said_to_be_one() -> None:
    shots, tables = made(shots=4, settings=(("holds", 1), ("hold_checks", 2)))
    checks = shots.truth_shot.filter(pl.col("kind") != "shot")["shot"].to_list()
    assert checks
    result = run(tables, shots.book())
    fill = result.tables["fill"].filter(pl.col("shot").is_in(checks))
    assert fill["injected_volume_l"].null_count() == fill.height
    said = {r.reason for r in result.refused if r.unit in checks}
    assert said == {"a hold check, no injection"}


def test_without_geometry_what_needs_none_is_given() -> None:
    shots, tables = made()
    result = run(tables, without(shots.book(), "flow_length_m"))
    fill = result.tables["fill"]
    assert fill["arrival_volume_l"].null_count() == fill.height
    for given in ("injected_volume_l", "injection_time_s", "peak_line_pressure_bar", "resin_temp_c"):
        assert fill[given].null_count() == 0
    assert reasons(result, "fill.arrival_volume_l") == {"the mould book has no flow_length_m for this mould"}
    assert reasons(result, "permeability.permeability_m2") == {"the mould book has no flow_length_m for this mould"}


def test_an_unknown_mould_is_said_to_be_one() -> None:
    _, tables = made()
    result = run(tables, MouldBook.model_validate({}))
    assert reasons(result, "fill.arrival_volume_l") == {"the mould book does not have this mould"}
    assert result.tables["fill"]["injected_volume_l"].null_count() == 0


def test_without_fibre_permeability_stays_and_porosity_goes() -> None:
    shots, tables = made()
    result = run(tables, without(shots.book(), "fibre_density_kg_m3"))
    assert result.tables["permeability"]["permeability_m2"].null_count() == 0
    assert result.tables["permeability"]["porosity"].null_count() == 6
    assert reasons(result, "permeability.porosity") == {"the mould book has no fibre_density_kg_m3"}


def test_without_resin_mobility_stays_and_permeability_goes() -> None:
    shots, tables = made()
    whole, bare = run(tables, shots.book()), run(tables, without(shots.book(), "resin"))
    assert bare.tables["permeability"]["permeability_m2"].null_count() == 6
    assert bare.tables["permeability"]["mobility_m2_pa_s"].to_numpy() == pytest.approx(
        whole.tables["permeability"]["mobility_m2_pa_s"].to_numpy(), rel=5e-3
    )
    assert bare.tables["fill"]["arrival_volume_l"].to_numpy() == pytest.approx(
        whole.tables["fill"]["arrival_volume_l"].to_numpy(), rel=1e-3
    )


def test_without_clamp_pressure_only_the_margin_goes() -> None:
    shots, tables = made()
    bare = {**tables, "sample": tables["sample"].with_columns(clamp_pressure_mbar=pl.lit(None, dtype=pl.Float64))}
    result = run(bare, shots.book())
    assert result.tables["fill"]["clamp_margin_n"].null_count() == 6
    assert reasons(result, "fill.clamp_margin_n") == {"clamp margin not assessed: no clamp pressure logged"}
    assert {r.what for r in result.refused} == {"fill.clamp_margin_n", "fill.blocked_vent_margin_n"}


def test_margins_against_the_force_balance_by_hand() -> None:
    """Blocked vent: (ambient - clamp) x clamp area - limit x part area. The shot's own lies between that and dry."""
    shots, tables = made()
    fill = run(tables, shots.book()).tables["fill"]
    book = shots.book().moulds["m"]
    assert book.clamp_area_m2 and book.part_area_m2 and book.line_pressure_limit_bar
    worst = tables["sample"].join(tables["phase"].filter(pl.col("phase") == "inject"), on="shot")
    worst = worst.filter(pl.col("t_s").is_between("start_s", "end_s"))
    clamp = worst.group_by("shot").agg(pl.col("clamp_pressure_mbar").max()).sort("shot")["clamp_pressure_mbar"]
    ambient = fill["ambient_pressure_mbar"]
    by_hand = (ambient - clamp) * 100 * book.clamp_area_m2 - book.line_pressure_limit_bar * 1e5 * book.part_area_m2
    assert fill["blocked_vent_margin_n"].to_numpy() == pytest.approx(by_hand.to_numpy(), rel=1e-6)
    assert (fill["clamp_margin_n"] > fill["blocked_vent_margin_n"]).all()
    dry = (ambient - 40) * 100 * book.clamp_area_m2 + (ambient - 500) * 100 * book.part_area_m2
    assert (fill["clamp_margin_n"] < dry).all()


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


def test_a_gauge_that_stops_at_nought_is_censored() -> None:
    """The gauge shows 0 while the cavity sucks the line below ambient: those readings must not enter the fit."""
    nuisances = replace(OFF, gauge_ends=True)
    shots, tables = made("all-round", 6, nuisances)
    floored = tables["sample"]["line_pressure_bar"].min()
    assert floored == 0.0
    result = run(tables, without(shots.book(), "line_pressure_range_bar"))
    both = result.tables["permeability"].join(shots.truth_shot, on="shot", suffix="_true")
    assert (both["permeability_m2"] / both["permeability_seen_m2"]).to_numpy() == pytest.approx(np.ones(6), abs=0.02)


def test_packing_is_neither_fill_nor_overflow() -> None:
    shots, tables = made("all-round", 6, replace(OFF, packing=True), settings=(("pack_s", 30.0),))
    fill = run(tables, shots.book()).tables["fill"].join(shots.truth_shot, on="shot", suffix="_true")
    assert (fill["injected_volume_l"] / fill["injected_volume_l_true"]).to_numpy() == pytest.approx(1.0, abs=0.01)
    assert (fill["packed_volume_l"] >= 0).all()
    assert (fill["arrival_volume_l"] / fill["arrival_volume_l_true"]).to_numpy() == pytest.approx(1.0, abs=0.005)


@pytest.mark.parametrize("count", [0, 3, 30])
def test_few_samples_are_refused_in_words(count: int) -> None:
    shots, tables = made()
    phase = tables["phase"].filter(pl.col("phase") == "inject").select("shot", begin="start_s")
    cut = tables["sample"].join(phase, on="shot").filter(pl.col("t_s") < pl.col("begin") + count * 0.25).drop("begin")
    result = run({**tables, "sample": cut}, shots.book())
    assert result.tables["fill"]["arrival_volume_l"].null_count() == 6
    assert len(reasons(result, "fill.arrival_volume_l")) == 1


def test_a_viscosity_of_the_batch_goes_into_permeability_only() -> None:
    shots, tables = made()
    data = shots.book().model_dump(exclude_none=True)
    data["resin_batches"] = {b: {"viscosity_pa_s": 0.24} for b in shots.shot["resin_batch"].unique().to_list()}
    base, thick = run(tables, shots.book()), run(tables, MouldBook.model_validate(data))
    ratio = {
        c: (thick.tables["permeability"][c] / base.tables["permeability"][c]).median()
        for c in ("permeability_m2", "mobility_m2_pa_s")
    }
    assert ratio["permeability_m2"] == pytest.approx(0.24 / 0.20, rel=5e-3)
    assert ratio["mobility_m2_pa_s"] == pytest.approx(1.0, rel=5e-3)


def test_without_temperatures_mobility_stays_and_permeability_goes() -> None:
    shots, tables = made()
    unmeasured = [pl.lit(None, dtype=pl.Float64).alias(c) for c in ("resin_temp_c", "mould_temp_c")]
    result = run({**tables, "sample": tables["sample"].with_columns(unmeasured)}, shots.book())
    assert result.tables["permeability"]["permeability_m2"].null_count() == 6
    assert result.tables["permeability"]["mobility_m2_pa_s"].null_count() == 0
    expected = {"neither resin nor mould temperature was logged, so the resin's viscosity is not known"}
    assert reasons(result, "permeability.permeability_m2") == expected


@pytest.mark.parametrize(
    ("kind", "severity"), [("flow_restriction", 3.0), ("race_tracking", 0.4), ("air_in_line", 4.0)]
)
def test_a_troubled_shot_is_refused_rather_than_wrong(kind: str, severity: float) -> None:
    mould = mu.Mould("m", mu.five_geometries()["all-round"], shots=4)
    faults = tuple(mu.Fault("m", kind, i, severity) for i in range(4))
    shots = mu.simulate(mu.Scenario(moulds=(mould,), nuisances=OFF, faults=faults), 8)
    result = run(core_tables(shots), shots.book())
    fill = result.tables["fill"].join(shots.truth_shot, on="shot", suffix="_true").drop_nulls("arrival_volume_l")
    assert fill["arrival_volume_l_true"].null_count() == 0
    held = (fill["arrival_volume_low_l"] <= fill["arrival_volume_l_true"]) & (
        fill["arrival_volume_l_true"] <= fill["arrival_volume_high_l"]
    )
    assert (~held).sum() <= 1


def test_absolute_interval_holds_the_within_shot_one() -> None:
    shots, tables = made()
    p = run(tables, shots.book()).tables["permeability"]
    assert (p["permeability_absolute_low_m2"] < p["permeability_low_m2"]).all()
    assert (p["permeability_absolute_high_m2"] > p["permeability_high_m2"]).all()
    assert ((p["permeability_absolute_high_m2"] / p["permeability_m2"] - 1) > 0.15).all()


def test_a_wider_permitted_interval_gives_more_and_a_narrow_one_refuses() -> None:
    shots, tables = made("strip")
    strict = run(tables, shots.book(), FillParams(widest_interval_pct=0.1))
    assert strict.tables["fill"]["arrival_volume_l"].null_count() == 6
    assert all("bends too gently" in r for r in reasons(strict, "fill.arrival_volume_l"))


def test_a_gauge_that_stopped_a_few_times_shows_its_floor() -> None:
    line = np.concatenate([np.zeros(4), [0.001, 0.004, 0.1, 0.2], [0.0, 0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6]])
    group, unknown = np.repeat([0, 1], 8), np.full(2, np.nan)
    hit = censored(line, group, 2, unknown, unknown)
    # four readings at nought and two neighbours; of the other shot's two, nothing is thought
    assert hit[:8].tolist() == [True] * 6 + [False] * 2
    assert not hit[8:].any()


def test_a_vent_hose_that_the_book_lacks_does_not_make_the_arrival_early() -> None:
    shots, tables = made("strip", nuisances=replace(OFF, hoses=True), settings=(("vent_hose_m", 2.0),))
    assert shots.book().moulds["m"].vent_hose_volume_l > 0
    fill = run(tables, without(shots.book(), vent_hose_volume_l=0.0)).tables["fill"]
    fill = fill.join(shots.truth_shot, on="shot", suffix="_true")
    error = fill["arrival_volume_l"] / fill["arrival_volume_l_true"] - 1
    assert error.null_count() == 0
    assert error.abs().median() < 0.008  # type: ignore[operator]  # a float column without nulls here


def test_strokes_tell_the_arrival_stroke_by_stroke() -> None:
    varied = replace(OFF, strokes=True, permeability_sd=0.05)
    shots, tables = made("rim-fed", nuisances=varied, settings=(("stroke_ml", 50.0),))
    fill = run(tables, shots.book()).tables["fill"].join(shots.truth_shot, on="shot", suffix="_true")
    error = fill["arrival_volume_l"] / fill["arrival_volume_l_true"] - 1
    assert error.null_count() == 0
    # a twentieth of a stroke, though the channel runs almost to a point within its last one
    assert float(np.median(np.abs(error * fill["arrival_volume_l_true"]))) < 0.0025
    drawn = run(tables, shots.book()).tables["fill_fit"]["vol_l"].to_numpy()
    strokes = np.round(fill["injected_volume_l"].to_numpy() / 0.05)
    assert np.abs(np.sum(np.isfinite(drawn), axis=1) - strokes).max() <= 2


def test_the_absolute_interval_holds_a_pull_that_the_book_lacks() -> None:
    pulled = replace(OFF, capillary_mbar=12.0, capillary_sd_mbar=2.0)
    shots, tables = made("strip", nuisances=pulled)
    fill = run(tables, shots.book()).tables["fill"].join(shots.truth_shot, on="shot", suffix="_true")
    truth = fill["arrival_volume_l_true"]
    assert (fill["arrival_volume_absolute_low_l"] <= fill["arrival_volume_low_l"]).all()
    assert (fill["arrival_volume_absolute_high_l"] >= fill["arrival_volume_high_l"]).all()
    held = (fill["arrival_volume_absolute_low_l"] <= truth) & (truth <= fill["arrival_volume_absolute_high_l"])
    assert held.sum() >= 5
    booked = run(tables, without(shots.book(), capillary_pressure_mbar=12.0)).tables["fill"]
    error = booked["arrival_volume_l"] / truth - 1
    assert abs(float(np.median(error))) < 0.003


def test_the_interval_holds_a_pull_that_the_book_lacks() -> None:
    pulled = replace(OFF, capillary_mbar=10.0, capillary_sd_mbar=2.0, permeability_sd=0.05)
    shots, tables = made("wedge", 12, pulled)
    fill = run(tables, shots.book()).tables["fill"].join(shots.truth_shot, on="shot", suffix="_true")
    truth = fill["arrival_volume_l_true"]
    assert ((fill["arrival_volume_low_l"] <= truth) & (truth <= fill["arrival_volume_high_l"])).sum() >= 9


@pytest.mark.parametrize("name", ["strip", "wedge", "all-round"])
def test_a_yield_of_the_cover_in_the_book_takes_the_lateness_away(name: str) -> None:
    shots, tables = made(name, 8, replace(OFF, cover=True), settings=(("cover_l_bar", 0.05),))
    truth = shots.truth_shot["arrival_volume_l"]
    unsaid = run(tables, without(shots.book(), cover_yield_tolerance_ml_bar=0.0)).tables["fill"]
    booked = run(tables, without(shots.book(), cover_yield_ml_bar=50.0)).tables["fill"]
    late, error = (float(np.median(f["arrival_volume_l"] / truth - 1)) for f in (unsaid, booked))
    assert abs(error) < 0.005
    if name == "strip":
        assert late > 0.01
    held = (booked["arrival_volume_low_l"] <= truth) & (truth <= booked["arrival_volume_high_l"])
    assert held.sum() >= 7


def test_more_than_the_books_volume_speaks_for_an_arrival_and_less_for_nothing() -> None:
    room, expected = np.array([0.9, 1.0, 1.03, 1.06, 1.5]), np.ones(5)
    odds = book_odds(room, expected, 0.02 * expected)
    assert odds[0] == odds[1] == 1.0
    assert np.all(np.diff(odds[1:]) > 0)
    assert odds[-1] == 50.0
    assert book_odds(room, 0.0 * expected, 0.0 * expected).tolist() == [1.0] * 5
    # a share of Student's distribution with four degrees of freedom, from its table: 2.132 for 95 % one-sided
    at = 1.0 + 2.132 * np.hypot(0.02, METER_SD)
    assert book_odds(np.array([at]), np.ones(1), np.full(1, 0.02))[0] == pytest.approx(19.0, rel=2e-3)
