"""Findings, refusals and failures as pages show them."""

from __future__ import annotations

from datetime import UTC, datetime

import polars as pl

from catchpot.core_tables import FINDING, REFUSAL
from catchpot.report import collect
from catchpot.tables import Column, Table, shape


def _refusals(*rows: tuple[str, str, str, str]) -> pl.DataFrame:
    return shape(REFUSAL, pl.DataFrame(rows, schema=REFUSAL.names, orient="row").to_dict())


def test_values_that_one_reason_takes_from_the_same_shots_stand_together(declared: dict[str, Table]) -> None:
    rows = _refusals(
        ("fill", "s1", "fill.arrival_volume_l", "never arrived"), ("fill", "s1", "fill.overflow_l", "never arrived"),
        ("fill", "s3", "fill.arrival_volume_l", "never arrived"), ("fill", "s3", "fill.overflow_l", "never arrived"),
        ("fill", "s2", "fill.clamp_margin_n", "no clamp pressure logged"), ("drift", "m", "drift", "too few shots"),
    )  # fmt: skip
    groups = collect.not_given(rows, ["s3", "s2", "s1"], declared)
    said = [(g.analysis, g.what, g.reason, g.units, g.noun) for g in groups]
    assert said == [
        ("drift", 'The whole analysis "drift"', "too few shots", ("m",), "mould"),
        ("fill", "Arrival volume and overflow", "never arrived", ("s3", "s1"), "shot"),
        ("fill", "Lowest net closing force of the shot", "no clamp pressure logged", ("s2",), "shot"),
    ]
    mould_of = {"s1": "m", "s3": "k"}
    assert collect.counts_by_mould(groups[1], mould_of) == [("k", "1 shot"), ("m", "1 shot")]
    assert collect.counts_by_mould(groups[0], mould_of) == [("m", "")]


def test_reasons_that_differ_in_a_number_are_one(declared: dict[str, Table]) -> None:
    rows = _refusals(
        ("faults", "s1", "faults", "only 7 shots (8 needed) of batch B-17"),
        ("faults", "s2", "faults", "only 0 shots (8 needed) of batch B-17"),
        ("faults", "s3", "faults", "only 2.5 shots (8 needed) of batch B-18"),
    )
    said = [(g.reason, g.units) for g in collect.not_given(rows, ["s3", "s2", "s1"], declared)]
    assert said == [
        ("only 0 to 7 shots (8 needed) of batch B-17", ("s2", "s1")),
        ("only 2.5 shots (8 needed) of batch B-18", ("s3",)),
    ]


def test_a_measure_named_under_another_analysis_has_its_columns_words(declared: dict[str, Table]) -> None:
    drift = Table("drift", ("mould",), (Column("mould", "str", "", "the mould"),))
    assert collect.value_words("drift.arrival_volume_l", {**declared, "drift": drift}) == "arrival volume"


def test_values_nobody_declares_are_still_words() -> None:
    assert collect.value_words("seal_leak.leak_mbar_l_s[inner]", {}) == "leak mbar l s (inner)"


def test_findings_stand_before_ended_ones_and_the_gravest_first() -> None:
    days = [datetime(2026, 3, d, tzinfo=UTC) for d in (1, 2, 3, 4)]
    frame = shape(FINDING, {
        "anchor": ["a", "b", "c", "d"], "severity": ["note", "act", "watch", "act"], "since": days,
        "until": [None, days[3], None, None], "kind": ["air_in_line"] * 4, "mould": ["m"] * 4,
    })  # fmt: skip
    found = collect.findings(frame)
    assert [f.anchor for f in found] == ["d", "c", "a", "b"]
    assert found[0].kind == "air in line"


def test_competing_explanations_keep_their_rank() -> None:
    frame = shape(FINDING, {
        "anchor": ["x-1", "x-0"], "severity": ["watch"] * 2, "rank": [1, 2], "kind": ["a", "b"], "mould": ["m"] * 2,
        "since": [datetime(2026, 3, 1, tzinfo=UTC)] * 2,
    })  # fmt: skip
    assert [f.rank for f in collect.findings(frame)] == [1, 2]
