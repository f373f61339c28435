"""Numbers and dates as people read them."""

from __future__ import annotations

import doctest
import importlib
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest

from catchpot.report import figures, marks, words
from catchpot.report.blocks import rows_of
from catchpot.report.decimal import with_comma
from catchpot.shop_dates import writing
from catchpot.shop_units import in_shop, speaking
from catchpot.workshop import open_workshop


@pytest.mark.parametrize(
    "module",
    ["words", "marks", "theme", "over_time", "over_volume", "in_rows", "blocks", "collect", "mould_page", "shown_text"],
)
def test_examples_in_docstrings_hold(module: str) -> None:
    result = doctest.testmod(importlib.import_module(f"catchpot.report.{module}"))
    assert result.failed == 0


@pytest.mark.parametrize("module", ["shop_units", "shop_dates"])
def test_examples_of_units_and_dates_hold(module: str) -> None:
    result = doctest.testmod(importlib.import_module(f"catchpot.{module}"))
    assert result.failed == 0 and result.attempted


@pytest.mark.parametrize(
    ("value", "low", "high", "unit", "said"),
    [
        (2.6137, 2.5952, 2.6321, "l", "2.614 l (95 %: 2.595 to 2.632)"),
        (2.6137, 2.5, 2.7, "l", "2.61 l (95 %: 2.50 to 2.70)"),
        (-0.012, -0.05, 0.03, "l", "−0.01 l (95 %: −0.05 to 0.03)"),
        (4.47e-10, 4.38e-10, 4.57e-10, "m2", "4.47 × 10⁻¹⁰ m² (95 %: 4.38 to 4.57)"),
        (2.5, 2.5, 2.5, "l", "2.50 l (95 %: 2.50 to 2.50)"),
        (1520.0, 1480.0, 1560.0, "s", "1520 s (95 %: 1480 to 1560)"),
    ],
)
def test_interval_decides_the_digits(value: float, low: float, high: float, unit: str, said: str) -> None:
    assert words.with_interval(value, low, high, unit) == said


def test_unknown_values_say_so() -> None:
    assert words.with_interval(None, 1.0, 2.0, "l") == "not known"
    assert words.number(float("nan"), "l") == "not known"
    assert words.signed(None) == "not known"
    assert words.day(None, "UTC") == "not known"


def test_no_minus_before_zero() -> None:
    assert words.signed(-0.04, "%") == "0.0 %"
    assert words.signed(0.0, "%") == "0.0 %"
    assert words.number(-1250.0 / 1000, "kN", 2) == "−1.2 kN"


def test_days_are_the_workshops() -> None:
    midnight = datetime(2026, 10, 24, 23, 30, tzinfo=UTC)  # summer time in Lisbon still: half past midnight
    assert words.minute(midnight, "Europe/Lisbon") == "25 Oct 2026, 00:30"
    assert words.day(midnight, "America/New_York") == "24 Oct 2026"


@pytest.mark.parametrize("zone", ["Pacific/Kiritimati", "America/Los_Angeles"])
def test_no_date_that_a_store_can_hold_costs_a_page(zone: str) -> None:
    for when in (datetime.min.replace(tzinfo=UTC), datetime.max.replace(tzinfo=UTC)):
        assert words.day(when, zone) and words.minute(when, zone)
        assert marks.places([when], zone)


def test_volumes_and_pressures_are_shown_in_the_workshop_s_units() -> None:
    """1 kPa is 10 mbar and 1 l is 1000 ml (SI brochure, 9th edition; from memory)."""
    with speaking("kPa", "ml"):
        assert words.number(52.0, "mbar") == "5.20 kPa"
        assert words.with_interval(2.6137, 2.5952, 2.6321, "l") == "2614 ml (95 %: 2595 to 2632)"
        assert words.signed(0.124, "l", 3) == "+124 ml"
        assert words.fixed(2.61, "l", 2) == "2610 ml"
        assert words.between(50.0, 170.0, "mbar", 0, "and") == "5.0 and 17.0 kPa"
        assert words.number(0.35, "mbar l/s", 2) == "0.035 kPa l/s"
        assert words.number(0.5, "bar", 2) == "0.50 bar"
        assert words.with_interval(2.5, None, None, "l") == "2500 ml (interval not known)"
    assert words.number(52.0, "mbar") == "52.0 mbar"


def test_cells_whose_heading_names_the_unit_leave_it_out() -> None:
    with speaking("kPa", "ml"):
        assert words.number(2.6137, "l", 4, bare=True) == "2614"
        assert words.with_interval(2.6137, 2.5952, 2.6321, "l", bare=True) == "2614 (2595 to 2632)"
        assert words.signed(-0.124, "l", 3, bare=True) == "−124"


def test_figures_and_tables_are_in_the_workshop_s_units() -> None:
    """Values come in as they are stored; 1 l is 1000 ml, 1 kPa 10 mbar, and 1 bar min/l is 0.06 bar s/ml."""
    strip = figures.Strip(
        "clamp pressure [mbar]", [1, 2], [50.0, None], [45.0, None], [60.0, None], band=(None, 80.0),
        rings=[figures.Ring(1, 50.0, "odd")], levels=[figures.Level(1, 2, 55.0, "before")],
    )  # fmt: skip
    with speaking("kPa", "ml"):
        history = figures.history([strip])
        curve = figures.over_volume([figures.Curve("own", [1.0, 2.0], [0.5, 1.5])], spans=[figures.Span(1.0, 1.5, "")])
        bars = figures.cause_bars([figures.Part("x", 0.1, 0.05, 0.15)], ("a", 2.4), ("b", 2.5))
        dots = figures.spread([2.4, 2.5], (2.3, None), heading="injected volume [l]")
        table = rows_of(pl.DataFrame({"leak [mbar l/s]": [0.3], "shot": ["a"], "written [l]": ["2.5"]}), "UTC")
    first, level, ring = history["data"]
    assert first["name"] == "clamp pressure [kPa]" and first["y"] == [5.0, None]
    assert first["error_y"]["array"][0] == pytest.approx(1.0)
    assert level["y"] == [5.5, 5.5] and ring["y"] == [5.0]
    assert [s["y0"] for s in history["layout"]["shapes"]] == [8.0]
    assert curve["data"][0]["x"] == [1000.0, 2000.0] and curve["data"][0]["y"] == pytest.approx([0.03, 0.09])
    assert curve["layout"]["yaxis"]["title"]["text"] == "resistance [bar s/ml]"
    assert curve["layout"]["shapes"][0]["x1"] == 1500.0
    assert bars["layout"]["xaxis"]["title"]["text"] == "volume [ml]" and bars["data"][0]["base"] == [2400.0]
    assert dots["data"][0]["x"] == [2400.0, 2500.0] and dots["layout"]["shapes"][0]["x0"] == 2300.0
    assert table.headings == ("leak [kPa l/s]", "shot", "written [ml]") and table.rows[0] == ["0.03000", "a", "2.5"]
    assert figures.history([strip])["data"][0]["y"] == [50.0, None]


def test_dates_are_written_as_the_workshop_does(tmp_path: Path) -> None:
    when = datetime(2026, 3, 2, 7, 5, tzinfo=UTC)
    (tmp_path / "moulds.toml").write_text("")
    (tmp_path / "catchpot.toml").write_text('[workshop]\ndate_style = "02.03.2026"\n')
    with writing("2 Mar 2026"):
        open_workshop(tmp_path)
        assert words.minute(when, "UTC") == "02.03.2026, 07:05"
        assert marks.time_axis()["hoverformat"] == "%d.%m.%Y, %H:%M"
        # a decimal comma changes no date
        assert with_comma("from 02.03.2026 on, 2.5 l") == "from 02.03.2026 on, 2,5 l"
    assert words.day(when, "UTC") == "2 Mar 2026"


def test_opening_a_workshop_sets_its_units(tmp_path: Path) -> None:
    (tmp_path / "moulds.toml").write_text("")
    with speaking():
        (tmp_path / "catchpot.toml").write_text('[workshop]\npressure_unit = "kPa"\nvolume_unit = "ml"\n')
        open_workshop(tmp_path)
        assert in_shop("mbar")[0] == "kPa" and in_shop("l")[0] == "ml"
        (tmp_path / "catchpot.toml").write_text("[workshop]\n")
        open_workshop(tmp_path)
        assert in_shop("mbar")[0] == "mbar" and in_shop("l")[0] == "l"
