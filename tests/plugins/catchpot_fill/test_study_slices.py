"""A slice of the arrival study run now, and the committed tables against their bars."""

from __future__ import annotations

import polars as pl
import pytest
from tests.studies.harness import RESULTS
from tests.studies.study_arrival import arrival_table, mobility_table, tries


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
    """A committed table of a hundred moulds of each geometry a case."""
    frame = pl.read_csv(RESULTS / f"{name}.csv")
    assert frame["n"].min() >= 100  # type: ignore[operator]  # a column of whole numbers
    return frame


STRAIGHT = (
    "straight",
    "straight, 3 % past the vent",
    "straight, 12 % past the vent",
    "straight, noise x 2.5 at 10 Hz",
    "straight, sampled at 1 Hz",
)
# What a hundred shots show of 90-99 % by chance: one in twenty lies outside.
LEAST_HELD = 86.0
# Strips in which straight and uneven fronts leave one curve: median and 95th percentile of the error, width over the
# bound's; see the study's words.
HARD = {
    ("straight, 3 % past the vent", "strip"): (0.3, 2.2, 4.2),
    ("straight, noise x 2.5 at 10 Hz", "strip"): (0.3, 1.0, 2.2),
    ("straight, sampled at 1 Hz", "strip"): (0.4, 2.6, 2.5),
}
MISSED = {
    # case and geometry: largest median error, least share held
    ("lanes +-15 %", "strip"): (2.6, LEAST_HELD),
    ("cover gives 50 ml a bar within 12 s", "all-round"): (2.0, 80.0),
}


@pytest.mark.parametrize("case", STRAIGHT)
@pytest.mark.parametrize("mould", ["strip", "all-round", "wedge", "rim-fed"])
def test_committed_study_of_straight_fronts_meets_its_bars(case: str, mould: str) -> None:
    row = table("arrival").filter(case=case, mould=mould).row(0, named=True)
    median, high, wide = HARD.get((case, mould), (0.3, 1.0, 2.0))
    assert row["median_error_pct"] <= median
    assert row["p95_error_pct"] <= high
    assert row["width_over_bound"] <= wide
    assert row["refused_pct"] <= 5.0
    assert row["covered_pct"] >= LEAST_HELD


def test_committed_study_of_nuisances_meets_its_bars_but_where_said() -> None:
    frame = table("arrival").filter(pl.col("mould") != "disc")
    given = frame.filter(pl.col("median_error_pct").is_not_null() & (pl.col("refused_pct") < 80))
    seen = set()
    for row in given.iter_rows(named=True):
        key = (row["case"], row["mould"])
        largest, least = MISSED.get(key, (2.0, LEAST_HELD))
        assert row["median_error_pct"] <= largest, key
        assert row["covered_pct"] >= least, key
        seen.add(key)
    assert set(MISSED) <= seen


def test_committed_study_gives_no_arrival_where_there_was_none() -> None:
    frame = table("arrival")
    assert frame["false_arrivals"].sum() <= 3
    assert frame.filter(pl.col("case").str.starts_with("stopped")).height == 10


def test_committed_study_refuses_discs_without_a_vent_hose() -> None:
    discs = table("arrival").filter(mould="disc")
    bare = discs.filter(~pl.col("case").str.contains("hose|together|stopped"))
    assert (bare["refused_pct"] == 100.0).all()
    hosed = discs.filter(pl.col("case").str.contains("hose"))
    assert (hosed["refused_pct"] == 0.0).all() and (hosed["median_error_pct"] < 0.5).all()
    assert (hosed["covered_pct"] >= LEAST_HELD).all()


def test_committed_absolute_interval_holds_an_unbooked_pull() -> None:
    pulled = table("arrival").filter(pl.col("case") == "capillary pull 10 mbar, not booked", pl.col("mould") != "disc")
    assert (pulled["absolute_covered_pct"] >= LEAST_HELD).all()


def test_committed_study_takes_a_booked_cover_out() -> None:
    booked = table("arrival").filter(pl.col("case") == "cover gives 50 ml a bar, booked", pl.col("mould") != "disc")
    assert booked.height == 4
    assert (booked["covered_pct"] >= LEAST_HELD).all()
    assert (booked["median_error_pct"] < 0.5).all()


def test_committed_study_of_mobility_meets_its_bars() -> None:
    frame = table("mobility")
    assert frame["refused_pct"].max() == 0.0
    for row in frame.iter_rows(named=True):
        key = (row["case"], row["mould"])
        assert row["median_error_pct"] <= (2.4 if key == ("lanes +-20 %", "strip") else 2.0), key
        cover = row["case"].startswith("cover")
        if not (cover and row["mould"] == "disc"):
            assert row["absolute_covered_pct"] >= LEAST_HELD, key
        if row["mould"] != "disc" and not cover and row["case"] != "all together":
            assert row["covered_outright_pct"] >= LEAST_HELD - 2, key
