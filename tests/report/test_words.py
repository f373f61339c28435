"""Numbers and dates as people read them."""

from __future__ import annotations

import doctest
import importlib
from datetime import UTC, datetime
from pathlib import Path

import pytest

from catchpot.report import marks, words
from catchpot.shop_units import in_shop, speaking
from catchpot.workshop import open_workshop


@pytest.mark.parametrize(
    "module", ["words", "marks", "theme", "over_time", "over_volume", "in_rows", "blocks", "collect"]
)
def test_examples_in_docstrings_hold(module: str) -> None:
    result = doctest.testmod(importlib.import_module(f"catchpot.report.{module}"))
    assert result.failed == 0


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


def test_opening_a_workshop_sets_its_units(tmp_path: Path) -> None:
    (tmp_path / "moulds.toml").write_text("")
    with speaking():
        (tmp_path / "catchpot.toml").write_text('[workshop]\npressure_unit = "kPa"\nvolume_unit = "ml"\n')
        open_workshop(tmp_path)
        assert in_shop("mbar")[0] == "kPa" and in_shop("l")[0] == "ml"
        (tmp_path / "catchpot.toml").write_text("[workshop]\n")
        open_workshop(tmp_path)
        assert in_shop("mbar")[0] == "mbar" and in_shop("l")[0] == "l"
