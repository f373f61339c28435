"""Slices of the drift and capability studies; the committed tables hold the full number of seeds."""

from __future__ import annotations

import polars as pl
import pytest
from tests.studies.harness import RESULTS, slice_of


def test_drift_study_slice() -> None:
    rows = {r["what"]: r for r in slice_of("drift").iter_rows(named=True)}
    # 25 seeds: a share of 0.89 has a standard error of 0.06.
    assert rows["step of 2.5 s.d., 8 shots after it: found"]["share"] >= 0.7
    assert rows["step of 1.5 s.d., 20 shots after it: found"]["share"] >= 0.7
    assert rows["step of 1.5 s.d., 20 shots after it: dated within 3 shots, of those found"]["share"] >= 0.65
    assert rows["trend of 3 s.d. over 60 shots after 30 steady ones: called a trend"]["share"] >= 0.85
    assert rows["steady, normal: any of nine measures called in 60 shots"]["share"] <= 0.16


def test_capability_study_slice() -> None:
    frame = slice_of("capability").filter(pl.col("case").str.starts_with("normal"))
    # 60 months a case, 12 cases: 0.95 has a standard error of 0.028 a case, 0.008 over all.
    assert frame["cpk"].min() >= 0.84  # type: ignore[operator]  # a float column without nulls here
    assert frame["cpk"].mean() == pytest.approx(0.945, abs=0.027)
    assert frame["ppk"].mean() == pytest.approx(0.95, abs=0.027)


def test_committed_drift_study_meets_its_bars() -> None:
    frame = pl.read_csv(RESULTS / "drift.csv")
    assert frame["seeds"].min() >= 300  # type: ignore[operator]  # an integer column
    barred = frame.filter(pl.col("bar").fill_null("") != "")
    assert barred.height >= 8
    for row in barred.iter_rows(named=True):
        sign, bar = row["bar"].split()
        assert row["share"] >= float(bar) if sign == ">=" else row["share"] <= float(bar), row["what"]


def test_committed_capability_study_meets_its_bars() -> None:
    frame = pl.read_csv(RESULTS / "capability.csv").filter(pl.col("case").str.starts_with("normal"))
    assert set(frame["n"]) == {20, 40, 100}
    for column in ("cpk", "ppk"):
        assert frame[column].is_between(0.93, 0.97).all()
