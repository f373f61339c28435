"""The studies' harness: registration, tables that depend on seeds and version only, slices."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import polars as pl
import pytest
from tests.studies import harness


def test_a_study_writes_version_and_seeds_and_nothing_of_the_clock(tmp_path: Path) -> None:
    @harness.study("tried-here", seeds=5, slice_seeds=2)
    def tried(seeds: Sequence[int]) -> pl.DataFrame:
        """Sum of the seeds."""
        return pl.DataFrame({"total": [float(sum(seeds))]})

    try:
        path = harness.run_study("tried-here", folder=tmp_path)
        first = path.read_text(encoding="utf-8")
        assert pl.read_csv(path).select("first_seed", "seeds", "total").rows() == [(0, 5, 10.0)]
        assert harness.run_study("tried-here", folder=tmp_path).read_text(encoding="utf-8") == first
        assert pl.read_csv(harness.run_study("tried-here", 3, 10, tmp_path))["total"][0] == 33.0
        assert harness.slice_of("tried-here")["total"][0] == 1.0
    finally:
        harness.REGISTERED.pop("tried-here", None)


def test_an_unknown_study_is_named_with_those_there_are() -> None:
    with pytest.raises(KeyError, match="generator-lanes"):
        harness.find("no-such-study")


def test_every_study_says_what_it_is_about() -> None:
    for study in harness.all_studies().values():
        assert study.about, study.name


def test_interval_table() -> None:
    frame = pl.DataFrame(
        {
            "case": ["a"] * 4,
            "v": [1.0, 1.2, 0.9, None],
            "l": [0.9, 1.1, 0.8, None],
            "h": [1.1, 1.3, 1.0, None],
            "t": [1.0] * 4,
        }
    )
    row = harness.interval_table(frame, ["case"], value="v", low="l", high="h", truth="t").row(0, named=True)
    assert row["n"] == 4
    assert row["refused_pct"] == 25.0
    assert row["covered_pct"] == pytest.approx(100 * 2 / 3)
    assert row["median_error_pct"] == pytest.approx(10.0)


def test_uneven_lanes_bring_the_arrival_forward_by_5_to_9_percent() -> None:
    """Lanes of +-15-20 % in permeability: arrival at the vent 5-9 % before the last corner on the usual shapes."""
    made = harness.slice_of("generator-lanes")
    usual = made.filter(pl.col("mould").is_in(["strip", "wedge", "all-round"]))
    even = usual.filter(pl.col("lane_sd") == 0.0)["arrival_pct"].to_list()
    uneven = usual.filter(pl.col("lane_sd") == 0.17)["arrival_pct"].to_list()
    assert all(v == pytest.approx(100.0, abs=0.02) for v in even)
    assert all(89.0 < v < 97.0 for v in uneven)
