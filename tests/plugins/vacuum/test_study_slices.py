"""A slice of each study on every run; the full tables stand in tests/studies/results."""

from __future__ import annotations

import numpy as np
import polars as pl
from tests.studies.harness import slice_of


def test_no_date_out_of_noise() -> None:
    assert slice_of("seal-no-wear")["dated_pct"].mean() <= 5.0  # type: ignore[operator]  # a number: the column is


def test_forecasts_hold_and_are_given() -> None:
    frame = slice_of("seal-life").filter(pl.col("dated_pct") > 0)
    share = float(np.average(frame["held_pct"].to_numpy(), weights=frame["dated_pct"].to_numpy()))
    assert 65.0 <= share <= 97.0
    assert frame.filter(pl.col("growth") == "linear")["dated_pct"].mean() >= 70.0  # type: ignore[operator]  # as above


def test_half_life_error() -> None:
    frame = slice_of("seal-half-life").filter(pl.col("growth") == "all")
    assert frame["median_error_pct"][0] <= 30.0


def test_inner_leak_from_two_step_holds() -> None:
    inner = slice_of("seal-split").filter(pl.col("seal") == "inner")
    linear = inner.filter(pl.col("case") == "linear")
    assert linear["sd_mbar_l_s"].max() <= 0.01  # type: ignore[operator]  # as above
    assert linear["bias_mbar_l_s"].abs().max() <= 0.003  # type: ignore[operator]  # as above
    assert inner["covered_pct"].min() >= 90.0  # type: ignore[operator]  # as above
