"""A slice of the arrival study run now, and the committed tables against their bars."""

from __future__ import annotations

import polars as pl
import pytest
from tests.studies.harness import RESULTS
from tests.studies.study_arrival import arrival_table, mobility_table, tries


@pytest.mark.slow
def test_a_slice_of_the_study() -> None:
    """Three moulds of each geometry a case: loose, but a broken analysis would not pass."""
    cases = ("straight", "strokes of 25 ml", "vent hose 2 m, not booked")
    frame = pl.concat([tries(c, 0, copies=3) for c in cases])
    held = (frame["arrival_volume_low_l"] <= frame["truth_l"]) & (frame["truth_l"] <= frame["arrival_volume_high_l"])
    given = frame["arrival_volume_l"].is_not_null()
    assert given.mean() >= 0.8  # type: ignore[operator]  # a share
    assert held.filter(given).mean() >= 0.85  # type: ignore[operator]  # a share
    rows = {(r["case"], r["mould"]): r for r in arrival_table(frame).iter_rows(named=True)}
    for mould in ("strip", "wedge", "all-round", "rim-fed"):
        assert rows["straight", mould]["refused_pct"] == 0
        assert rows["straight", mould]["median_error_pct"] < 2.5
    mobility = mobility_table(frame.filter(pl.col("mould") != "disc"))
    assert mobility["median_error_pct"].drop_nulls().max() < 4.0  # type: ignore[operator]  # a float column
    assert mobility["absolute_covered_pct"].min() >= 90  # type: ignore[operator]  # a float column


def table(name: str) -> pl.DataFrame:
    """A committed table of twenty-five moulds or more of each geometry a case."""
    frame = pl.read_csv(RESULTS / f"{name}.csv")
    assert frame["n"].min() >= 25  # type: ignore[operator]  # a column of whole numbers
    return frame


# What twenty-five shots show of 90-99 % by chance: one in forty lies outside.
LEAST_HELD = 80.0
LARGEST = 2.0
MISSED = {
    # case and geometry: largest median error, least share held; see the study's words
    ("straight, 3 % past the vent", "disc"): (4.0, LEAST_HELD),
    ("straight, 12 % past the vent", "disc"): (4.6, LEAST_HELD),
    ("strokes of 25 ml", "disc"): (3.0, LEAST_HELD),
    ("strokes of 25 ml, 12 % past the vent", "disc"): (3.2, LEAST_HELD),
    ("vent hose 2 m, not booked", "strip"): (2.4, LEAST_HELD),
    ("lanes +-20 %", "rim-fed"): (3.1, LEAST_HELD),
    ("lanes +-15 %", "rim-fed"): (2.9, 70.0),
    ("lanes +-10 %", "rim-fed"): (LARGEST, 66.0),
    ("lanes +-20 %", "strip"): (2.3, LEAST_HELD),
    ("lanes +-20 %, 12 % past the vent", "strip"): (7.0, LEAST_HELD),
    ("lanes +-20 %, 12 % past the vent", "all-round"): (4.1, LEAST_HELD),
    ("lanes +-20 %, 12 % past the vent", "wedge"): (3.5, LEAST_HELD),
    ("lanes +-20 %, 12 % past the vent", "rim-fed"): (5.0, 5.0),
    ("lanes +-20 %, 12 % past the vent", "disc"): (6.4, LEAST_HELD),
}


def test_committed_study_meets_its_bars_but_where_said() -> None:
    frame = table("arrival").filter(~pl.col("case").str.starts_with("stopped"))
    seen = set()
    for row in frame.iter_rows(named=True):
        key = (row["case"], row["mould"])
        largest, least = MISSED.get(key, (LARGEST, LEAST_HELD))
        assert row["median_error_pct"] <= largest, key
        assert row["covered_pct"] >= least, key
        seen.add(key)
    assert set(MISSED) <= seen


def test_committed_study_refuses_hardly_any_that_arrived() -> None:
    frame = table("arrival").filter(~pl.col("case").str.starts_with("stopped"))
    given = frame.filter(~(pl.col("case").str.starts_with("strokes") & pl.col("mould").is_in(["disc", "strip"])))
    assert (given["refused_pct"] <= 5.0).all()
    # what a shot that is given no arrival took at least, by how many there are
    least = frame.drop_nulls("at_least_holds_pct")
    many = least["n"] * least["refused_pct"]
    assert (least["at_least_holds_pct"] * many).sum() >= 90 * many.sum()


@pytest.mark.xfail(strict=True, reason="the first shot of a mould that stops before the vent is given an arrival")
def test_committed_study_gives_no_arrival_where_there_was_none() -> None:
    frame = table("arrival").filter(pl.col("case").str.starts_with("stopped"))
    assert frame.height == 10
    assert frame.filter(pl.col("false_arrivals") > 0.01 * pl.col("n")).is_empty()


def test_committed_study_of_mobility_meets_its_bars() -> None:
    frame = table("mobility")
    assert frame["refused_pct"].max() == 0.0
    kept = frame.filter(pl.col("mould") != "disc", ~pl.col("case").str.starts_with("strokes"))
    assert kept["median_error_pct"].max() <= 3.0  # type: ignore[operator]  # a float column
    # with the book's tolerances, the place of arrival among them
    held = kept.filter(~pl.col("case").is_in(["all together"]))
    assert held["absolute_covered_pct"].min() >= LEAST_HELD  # type: ignore[operator]  # a float column
