"""What a mould gets of a workshop's table: its digest changes with those rows, and with no others."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from catchpot.run.content import _Begins

START = datetime(2024, 1, 1, tzinfo=UTC)


def rows(n: int) -> pl.DataFrame:
    at = [START + timedelta(hours=i) for i in range(n)]
    values = np.random.default_rng(5).normal(size=n)
    return pl.DataFrame({"at": at, "value": values}, schema={"at": pl.Datetime("us", "UTC"), "value": pl.Float64()})


def begins(frame: pl.DataFrame) -> _Begins:
    return _Begins(frame, ["at", "value"], "at")


@pytest.mark.parametrize("last", [-1, 0, 3, 255, 256, 257, 511, 512, 700, 999])
def test_what_comes_later_changes_nothing_of_what_came_before(last: int) -> None:
    until = START + timedelta(hours=last)
    of_all, early = begins(rows(1000)), begins(rows(last + 1))
    assert of_all.up_to(until) == early.up_to(until)
    _ = of_all.up_to(START + timedelta(hours=10_000))
    assert of_all.up_to(until) == early.up_to(until)


@pytest.mark.parametrize("place", [0, 255, 256, 700, 998])
def test_one_row_that_changed_is_seen_by_all_that_get_it_and_by_no_other(place: int) -> None:
    frame = rows(1000)
    changed = frame.with_columns(value=pl.when(pl.int_range(pl.len()) == place).then(0.0).otherwise("value"))
    before, after = begins(frame), begins(changed)
    for last in (0, 200, 255, 256, 257, 699, 700, 998, 999):
        until = START + timedelta(hours=last)
        assert (before.up_to(until) == after.up_to(until)) == (last < place)


def test_rows_without_a_date_are_all_given() -> None:
    frame = rows(600)
    assert _Begins(frame, ["value"], None).up_to(START) == _Begins(frame, ["value"], None).up_to(
        START + timedelta(days=9999)
    )
    assert _Begins(frame, ["value"], None).up_to(START) != _Begins(frame[:-1], ["value"], None).up_to(START)
