"""Which dates a workshop can mean: a mistyped year is refused where it comes in, and never met again."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

# No electronic log of such a shot is older; a year typed with a digit too few or too many falls before it.
EARLIEST = date(1990, 1, 1)
# Of dates that may lie ahead (a book's change, an event that is planned): beyond it a digit was mistyped.
LATEST = date(2199, 12, 31)


def odd_start(start: datetime, now: datetime) -> str | None:
    """Why a shot can't have started then, in words; None for a start between 1990 and tomorrow.

    >>> odd_start(datetime(2062, 3, 2, tzinfo=UTC), datetime(2026, 3, 2, tzinfo=UTC))
    'the start, 2062-03-02, lies after tomorrow'
    """
    if start.year < EARLIEST.year:
        return f"the start, {start.date().isoformat()}, lies before {EARLIEST.year}"
    if start > now + timedelta(days=1):
        return f"the start, {start.date().isoformat()}, lies after tomorrow"
    return None


def odd_date(when: date) -> str | None:
    """Why a date in a ledger or the mould book can't be meant, in words; None for one of 1990 to 2199."""
    if EARLIEST.year <= when.year <= LATEST.year:
        return None
    return f"expected a date from {EARLIEST.year} to {LATEST.year}, found the year {when.year}"


def in_zone(when: datetime, zone: str | ZoneInfo) -> datetime:
    """A time in a zone; the first and last day a calendar has, which no zone can shift, stay in UTC."""
    try:
        return when.astimezone(ZoneInfo(zone) if isinstance(zone, str) else zone)
    except OverflowError:
        return when.astimezone(UTC) if when.tzinfo is not None else when


__all__ = ["EARLIEST", "LATEST", "in_zone", "odd_date", "odd_start"]
