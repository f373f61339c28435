"""Time stamps: formats, the repeated and the missing hour, midnight."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from catchpot_logs.stamps import parse_stamps
from catchpot_logs.wall_clock import over_midnight, wall_to_utc

LISBON = ZoneInfo("Europe/Lisbon")
EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001 - a wall clock has no zone
FORMATS = [
    "%d.%m.%Y %H:%M:%S", "%d.%m.%Y %H:%M:%S,%f", "%m/%d/%Y %H:%M:%S", "%m/%d/%Y %I:%M:%S %p", "%Y-%m-%d %H:%M:%S.%f",
    "%Y%m%d%H%M%S", "%d-%m-%y %H:%M:%S", "%Y/%m/%d %I:%M:%S.%f %p", "%H.%M.%S.%f %d.%m.%Y", "%d.%m.%Y %H.%M.%S.%f",
]  # fmt: skip
clocks = st.datetimes(datetime(1971, 1, 1), datetime(2068, 12, 31))  # noqa: DTZ001 - wall clocks


def us(when: datetime) -> int:
    return round((when - EPOCH) / timedelta(microseconds=1))


@given(st.lists(clocks, min_size=1, max_size=8), st.sampled_from(FORMATS))
def test_every_format_reads_what_it_writes(whens: list[datetime], form: str) -> None:
    if "%f" not in form:
        whens = [w.replace(microsecond=0) for w in whens]
    stamps = parse_stamps(pl.Series([w.strftime(form) for w in whens]), [form])
    assert stamps.good.all() and stamps.kind == "wall"
    assert stamps.us.tolist() == [us(w) for w in whens]


@given(clocks, st.integers(1, 6))
def test_a_fraction_of_any_number_of_digits(when: datetime, digits: int) -> None:
    micro = when.microsecond // 10 ** (6 - digits) * 10 ** (6 - digits)
    text = when.strftime("%d.%m.%Y %H:%M:%S,") + f"{micro:06d}"[:digits]
    for column in ([text], [text, "1.2.2026 3:04:05,5"]):  # the quick way, and the other
        stamps = parse_stamps(pl.Series(column), ["%d.%m.%Y %H:%M:%S,%f"])
        assert stamps.us[0] == us(when.replace(microsecond=micro))


@pytest.mark.parametrize(
    "text",
    [
        "31.02.2026 10:00:00",
        "01.13.2026 10:00:00",
        "01.01.2026 24:00:00",
        "01.01.2026 10:60:00",
        "x",
        "01-01-2026 10:00:00",
    ],
)
def test_what_is_no_time_is_none(text: str) -> None:
    stamps = parse_stamps(pl.Series(["01.03.2026 10:00:00", text]), ["%d.%m.%Y %H:%M:%S"])
    assert stamps.good.tolist() == [True, False]


def test_formats_are_tried_in_turn() -> None:
    stamps = parse_stamps(pl.Series(["01.03.2026 10:00:00", "2026-03-01 10:00:01"]), ["%d.%m.%Y %H:%M:%S", "iso"])
    assert np.diff(stamps.us).tolist() == [1_000_000]


def test_serial_days_by_hand() -> None:
    # 46083.5 days after 1899-12-30 is noon of 2 March 2026
    stamps = parse_stamps(pl.Series(["46083.5", "46083,75"]), ["excel"])
    assert stamps.us.tolist() == [us(datetime(2026, 3, 2, 12)), us(datetime(2026, 3, 2, 18))]  # noqa: DTZ001 - wall


def wall(*clock: str) -> NDArray[np.int64]:
    return np.array([us(datetime.fromisoformat(c)) for c in clock])


def utc(got: NDArray[np.int64]) -> list[str]:
    return [datetime.fromtimestamp(int(x) / 1e6, UTC).strftime("%d %H:%M") for x in got]


def test_a_summer_day_is_an_hour_off() -> None:
    got, said = wall_to_utc(wall("2026-07-01 08:00", "2026-07-01 08:10"), LISBON)
    assert (utc(got), said) == (["01 07:00", "01 07:10"], [])


# In Lisbon the clock goes back from 02:00 to 01:00 on 25 October 2026, and forward from 01:00 on 29 March.
def test_the_repeated_hour_with_a_step_back_is_told_by_it() -> None:
    clock = ["00:50", "01:05", "01:55", "01:05", "01:50", "02:10"]
    got, said = wall_to_utc(wall(*(f"2026-10-25 {c}" for c in clock)), LISBON)
    assert utc(got) == ["24 23:50", "25 00:05", "25 00:55", "25 01:05", "25 01:50", "25 02:10"]
    assert said == []


def test_the_repeated_hour_is_told_by_what_comes_before_or_after() -> None:
    into, said = wall_to_utc(wall("2026-10-25 00:55", "2026-10-25 01:05", "2026-10-25 01:15"), LISBON)
    assert (utc(into), said) == (["24 23:55", "25 00:05", "25 00:15"], [])
    out, said = wall_to_utc(wall("2026-10-25 01:45", "2026-10-25 01:55", "2026-10-25 02:05"), LISBON)
    assert (utc(out), said) == (["25 01:45", "25 01:55", "25 02:05"], [])


def test_the_repeated_hour_that_can_not_be_told_is_said() -> None:
    clock = wall("2026-10-25 01:10", "2026-10-25 01:20")
    got, said = wall_to_utc(clock, LISBON)
    assert utc(got) == ["25 00:10", "25 00:20"]
    assert [r.kind for r in said] == ["assumed"] and "can't be told from it: the earlier one was taken" in said[
        0
    ].detail
    later, said = wall_to_utc(clock, LISBON, "latest")
    assert utc(later) == ["25 01:10", "25 01:20"] and "the later one was taken" in said[0].detail


def test_the_missing_hour_comes_from_a_clock_not_yet_put_forward() -> None:
    got, said = wall_to_utc(wall("2026-03-29 00:50", "2026-03-29 01:10", "2026-03-29 01:30"), LISBON)
    assert utc(got) == ["29 00:50", "29 01:10", "29 01:30"]
    assert "missing spring hour of Europe/Lisbon" in said[0].detail and said[0].count == 2


@given(
    st.integers(1577836800, 1893456000),
    st.sampled_from(["Europe/Lisbon", "America/New_York", "Australia/Lord_Howe", "Asia/Kolkata", "UTC"]),
)
def test_a_log_of_some_hours_comes_back_from_its_wall_clock(begin: int, name: str) -> None:
    """Sampled each five minutes for five hours, whatever the clock does."""
    zone = ZoneInfo(name)
    instants = [datetime.fromtimestamp(begin + 300 * i, UTC) for i in range(60)]
    clock = np.array([us(w.astimezone(zone).replace(tzinfo=None)) for w in instants])
    got, _ = wall_to_utc(clock, zone)
    assert utc(got) == [w.strftime("%d %H:%M") for w in instants]


def test_midnight_adds_a_day() -> None:
    hour = 3600_000_000
    assert (over_midnight(np.array([23 * hour, 24 * hour - 1, 0, hour])) // hour).tolist() == [23, 23, 24, 25]
