"""Faults put into a made-up mould come back by name, with numbers, and nothing else does."""

from __future__ import annotations

import re

import polars as pl
import pytest
from tests.plugins.catchpot_faults.made import DECLARED, PUT, Judged

from catchpot.tables import violations
from catchpot.testing import made_up as mu
from catchpot_faults.analysis import Faults
from catchpot_faults.signs import FaultSigns


@pytest.mark.parametrize("number", sorted(PUT))
def test_each_fault_is_found_by_its_name(judged: Judged, number: int) -> None:
    assert PUT[number][0] in judged.kinds(number)


def test_healthy_shots_and_hold_checks_have_no_finding(judged: Judged) -> None:
    names = {f"bow-{n + 1:04d}" for n in PUT}
    found = judged.result["finding"].filter(~pl.col("shot").is_in(list(names)))
    assert found.height <= 1, found["message"].to_list()
    assert not found["shot"].str.contains("check").any()
    assert judged.tables["shot"]["shot"].str.contains("check").any()


def test_tables_are_as_promised(judged: Judged) -> None:
    for table in Faults.yields:
        assert violations(table, judged.result[table.name]) == []
    assert violations(FaultSigns.yields[0], judged.tables["fault_sign"]) == []


def test_messages_carry_the_dial_that_was_set(judged: Judged) -> None:
    volume = float(re.search(r"At ([\d.]+) l", judged.message(14, "flow_restriction"))[1])  # type: ignore[index]  # a match is asserted by use
    truth = judged.made.truth_fault.filter(pl.col("kind") == "flow_restriction")["begins_volume_l"][0]
    assert volume == pytest.approx(truth, abs=0.04)
    assert "0.060 bar above nought" in judged.message(26, "sensor_offset")
    assert re.search(r"rose by (19\d|20\d|21\d) mbar", judged.message(30, "vacuum_lost"))
    assert re.search(r"1\.1\d % by volume", judged.message(22, "ratio_off"))
    assert re.search(r"cavity gauge read .* 2[3-6] s", judged.message(28, "sensor_stuck"))


def test_dangerous_findings_carry_their_caution(judged: Judged) -> None:
    advice = dict(judged.result["finding"].select("kind", "advice").iter_rows())
    assert "maker's gel time" in advice["early_gel"] and "Relieve the line pressure" in advice["early_gel"]
    assert "Set the part aside" in advice["ratio_off"] and "Set the part aside" in advice["catalyst_starved"]
    assert "keep hands out" in advice["cover_lifting"] and "keep the clamp vacuum" in advice["cover_lifting"]
    severity = dict(judged.result["finding"].select("kind", "severity").iter_rows())
    assert {severity[k] for k in ("early_gel", "short_fill", "cover_lifting", "catalyst_starved")} == {"act"}


def test_each_finding_stands_with_its_evidence(judged: Judged) -> None:
    found, odds = judged.result["finding"], judged.result["fault_odds"]
    assert found.select("shot", "kind").sort("shot", "kind").equals(odds.select("shot", "kind").sort("shot", "kind"))
    gel = odds.filter(pl.col("kind") == "early_gel").row(0, named=True)
    assert gel["chance_pct"] > 90 and gel["log_ratio"] > -gel["log_odds_before"] > 0
    assert gel["by_channel"].startswith("curve +") and "efold_s" in gel["parameters"]
    assert "To settle it" in judged.message(36, "race_tracking") or "more than 99 %" in judged.message(
        36, "race_tracking"
    )


def test_later_shots_change_nothing_that_was_said(judged: Judged) -> None:
    cut = judged.made.shot.sort("started_at")["started_at"][30]
    early = mu.compute(Faults(), judged.tables, judged.book, declared=DECLARED, until=cut).tables
    for name in ("finding", "fault_evidence"):
        whole = judged.result[name].join(early["fault_evidence"].select("shot"), on="shot", how="semi")
        assert whole.sort("shot", *(["anchor"] if name == "finding" else [])).equals(
            early[name].sort("shot", *(["anchor"] if name == "finding" else []))
        )


def test_what_was_not_assessed_is_said(judged: Judged) -> None:
    said = {(r.unit, r.what): r.reason for r in judged.refused}
    assert "no healthy shot" in said["bow-0001", "faults.usual_curve"]
    assert ("bow-0020", "faults.usual_curve") not in said
    assert "flange gap not logged" in said["bow-0020", "faults.cover_lifting"]


def test_missing_channels_take_away_only_what_needs_them(judged: Judged) -> None:
    gone = ("catalyst_flow_ml_min", "clamp_pressure_mbar", "ambient_pressure_mbar")
    tables = dict(judged.tables)
    nothing = [pl.lit(None, pl.Float64).alias(c) for c in gone]
    tables["sample"] = tables["sample"].with_columns(nothing)
    null_array = [pl.lit(None, tables["curve"].schema[c]).alias(c) for c in gone if c in tables["curve"].columns]
    tables["curve"] = tables["curve"].with_columns(null_array)
    tables |= dict(mu.compute(FaultSigns(), tables, judged.book).tables)
    result = mu.compute(Faults(), tables, judged.book, declared=DECLARED)
    kinds = set(result.tables["finding"]["kind"])
    assert not kinds & {"ratio_off", "catalyst_starved", "clamp_margin_low"}
    assert {"flow_restriction", "early_gel", "air_in_line", "vacuum_lost"} <= kinds
    whats = {r.what for r in result.refused}
    assert {"faults.ratio_off", "faults.clamp_margin_low"} <= whats


def test_a_ratio_by_mass_is_judged_by_mass(judged: Judged) -> None:
    from catchpot.workshop import MouldBook

    data = judged.made.book_data()
    resin = next(iter(data["resins"].values()))
    factor = resin["catalyst_density_kg_m3"] / resin["density_kg_m3"]
    resin["catalyst_ratio_pct_by_mass"] = resin.pop("catalyst_ratio_pct_by_volume") * factor
    resin["catalyst_ratio_tolerance_pct"] *= factor
    result = mu.compute(Faults(), judged.tables, MouldBook.model_validate(data), declared=DECLARED)
    ratio = result.tables["finding"].filter(pl.col("kind") == "ratio_off")
    assert ratio["shot"].to_list() == ["bow-0023"]
    assert "by mass" in ratio["message"][0]


def test_a_mould_without_injections_is_refused(judged: Judged) -> None:
    tables = dict(judged.tables)
    tables["injection"] = tables["injection"].clear()
    result = mu.compute(Faults(), tables, judged.book, declared=DECLARED)
    assert result.tables["finding"].is_empty()
    assert [r.what for r in result.refused] == ["faults"]
