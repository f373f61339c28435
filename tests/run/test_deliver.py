"""What is null has a reason, by a rule that a table's columns declare."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest

from catchpot import Column, Refused, Result, Table
from catchpot.run.deliver import estimates, unreasoned
from catchpot.tables import shape

LEAK = Table(
    "leak",
    ("shot", "seal"),
    (
        Column("shot", "str", "", "the shot"),
        Column("seal", "str", "", "the seal"),
        Column("rate_mbar_s", "f64", "mbar/s", "rise"),
        Column("rate_low_mbar_s", "f64", "mbar/s", "lower end"),
        Column("rate_high_mbar_s", "f64", "mbar/s", "upper end"),
        Column("slope", "f64", "", "slope of a trend; null for a step"),
        Column("slope_low", "f64", "", "lower end"),
        Column("volume_l", "f64", "l", "volume, of a kind that has no bounds"),
    ),
)


class Leak:
    """As much of an analysis as the rule looks at."""

    name, part, yields = "leaks", "shot", (LEAK,)


def said(*refused: Refused, **row: Any) -> list[str]:
    cells = {"shot": "s1", "seal": "outer", "rate_mbar_s": None, "volume_l": 1.0, **row}
    frame = shape(LEAK, {k: [v] for k, v in cells.items()})
    return unreasoned(Leak(), Result({"leak": frame}, refused), {LEAK: frame})  # type: ignore[arg-type]


def test_an_estimate_is_a_number_with_bounds_of_its_own() -> None:
    assert estimates(LEAK) == ["rate_mbar_s"]


@pytest.mark.parametrize(
    "what", ["leaks", "leak", "leaks.rate_mbar_s", "leak.rate_mbar_s", "leaks.outer", "leaks.outer and inner"]
)
def test_a_refusal_of_the_whole_the_value_or_what_the_row_is_about(what: str) -> None:
    assert said(Refused("s1", what, "no clamp pressure")) == []


@pytest.mark.parametrize(
    "refused", [(), (Refused("s2", "leaks", "no"),), (Refused("s1", "leaks.inner", "no"),),
                (Refused("s1", "leaks.volume_l", "no"),), (Refused("s1", "fill.rate_mbar_s", "no"),)],
)  # fmt: skip
def test_no_refusal_of_it(refused: tuple[Refused, ...]) -> None:
    assert said(*refused) == [
        "table leak: rate_mbar_s of s1 is null and no refusal says why (Refused('s1', 'leak.rate_mbar_s', ...))"
    ]


def test_a_row_without_any_number_and_one_with_all() -> None:
    assert said(volume_l=None) == ["table leak: no value for s1, and no refusal says why"]
    assert said(rate_mbar_s=0.1) == []


def test_no_rows_need_no_reason() -> None:
    frame = pl.DataFrame(schema=shape(LEAK, {"shot": []}).schema)
    assert unreasoned(Leak(), Result({"leak": frame}), {LEAK: frame}) == []  # type: ignore[arg-type]
