"""Calendar months of the workshop's time zone, and how they are written."""

from __future__ import annotations

import re
from datetime import datetime
from zoneinfo import ZoneInfo

import polars as pl

_NAMES = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
    "December",
)  # fmt: skip


def month_of(column: str, zone: str) -> pl.Expr:
    """The month of a UTC time column, as 2026-10, in the zone."""
    return pl.col(column).dt.convert_time_zone(zone).dt.strftime("%Y-%m")


def check_month(text: str) -> str:
    """The month as written; ValueError where it is none.

    >>> check_month("2026-10")
    '2026-10'
    """
    if not re.fullmatch(r"\d{4}-(0[1-9]|1[0-2])", text):
        raise ValueError(f"expected a month like 2026-10, found {text!r}")
    return text


def spoken(month: str, year: bool = True) -> str:
    """A month in words.

    >>> spoken("2026-10"), spoken("2026-10", year=False)
    ('October 2026', 'October')
    """
    name = _NAMES[int(month[5:]) - 1]
    return f"{name} {month[:4]}" if year else name


def shifted(month: str, by: int) -> str:
    """The month that many months later.

    >>> shifted("2026-01", -1), shifted("2026-11", 2)
    ('2025-12', '2027-01')
    """
    at = int(month[:4]) * 12 + int(month[5:]) - 1 + by
    return f"{at // 12:04d}-{at % 12 + 1:02d}"


def ends(month: str, zone: str) -> datetime:
    """The first moment after the month, in the zone."""
    after = shifted(month, 1)
    return datetime(int(after[:4]), int(after[5:]), 1, tzinfo=ZoneInfo(zone))
