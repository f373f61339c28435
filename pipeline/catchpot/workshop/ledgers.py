"""events.csv and parts.csv: a row that can't be read is set aside with its line, and the rest goes on."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal
from zoneinfo import ZoneInfo

from catchpot.answers import read_closing
from catchpot.core_tables import EVENT, PART
from catchpot.dates import odd_date
from catchpot.events import KINDS, SEALS
from catchpot.tables import polars_schema
from catchpot.workshop.grid import Grid, read_grid
from catchpot.workshop.problems import Problem, did_you_mean

if TYPE_CHECKING:
    import polars as pl

EVENT_KINDS = tuple(KINDS)
EVENT_COLUMNS = ("time", "mould", "kind", "detail")
VERDICTS = ("good", "rework", "scrap")
_TRUE, _FALSE = ("1", "true", "yes"), ("0", "false", "no")
DateOrder = Literal["year first", "day first", "month first"]
_LOCAL = re.compile(
    r"^(?P<a>\d{1,2})[./-](?P<b>\d{1,2})[./-](?P<year>\d{4})"
    r"(?:[ T,]+(?P<hour>\d{1,2})[:.](?P<minute>\d{2})(?::(?P<second>\d{2}))?)?$"
)


@dataclass(frozen=True)
class Reading:
    """How people here write: order of a date, and whether decimals have a comma."""

    zone: ZoneInfo
    date_order: DateOrder = "year first"
    decimal_comma: bool = False


def parse_time(text: str, zone: ZoneInfo, date_order: DateOrder = "year first") -> datetime:
    """A time in UTC: ISO 8601, or as it is written here; without offset it is read in `zone`. ValueError for none.

    A local time in the repeated autumn hour is taken as the earlier one.

    >>> parse_time("2026-03-02 08:15", ZoneInfo("Europe/Lisbon")).isoformat()
    '2026-03-02T08:15:00+00:00'
    >>> parse_time("7.8.2026 14:30", ZoneInfo("Europe/Lisbon"), "day first").isoformat()
    '2026-08-07T13:30:00+00:00'
    """
    local = _LOCAL.match(text.strip())
    if local is not None:
        if date_order == "year first":
            raise ValueError("day or month first can't be told")
        a, b = int(local["a"]), int(local["b"])
        day, month = (a, b) if date_order == "day first" else (b, a)
        hour, minute, second = (int(local[k] or 0) for k in ("hour", "minute", "second"))
        when = datetime(int(local["year"]), month, day, hour, minute, second, tzinfo=zone)
    else:
        when = datetime.fromisoformat(text.strip())
    return (when if when.tzinfo else when.replace(tzinfo=zone)).astimezone(UTC)


def parse_number(text: str, *, decimal_comma: bool) -> float:
    """A number as it is written here; ValueError for none.

    >>> parse_number("0,14", decimal_comma=True), parse_number("0.14", decimal_comma=True)
    (0.14, 0.14)
    """
    plain = text.strip()
    if "," in plain:
        if not decimal_comma or "." in plain or plain.count(",") > 1:
            raise ValueError(text)
        plain = plain.replace(",", ".")
    value = float(plain)
    if not -float("inf") < value < float("inf"):
        raise ValueError(text)
    return value


def event_problems(kind: str, mould: str, detail: str, moulds: Sequence[str]) -> list[tuple[str, str, bool]]:
    """What is wrong with an event: key, sentence, and whether the row can't be used."""
    if kind not in KINDS:
        near = did_you_mean(kind.replace(" ", "_"), KINDS)
        return [("kind", f"unknown kind of event {kind!r}{near}; `note` takes anything else", True)]
    found: list[tuple[str, str, bool]] = []
    entry = KINDS[kind]
    if entry.detail == "seal" and detail.lower() not in SEALS:
        found.append(("detail", f"says which seal: outer, inner or both; found {detail!r}{did_you_mean(detail, SEALS)}",
                      True))  # fmt: skip
    if entry.detail == "finding" and read_closing(detail) is None:
        found.append(("detail", f"says FINDING by NAME because TEXT; found {detail!r}", True))
    if entry.detail == "seconds" and not re.search(r"(?<![\w.-])\d+(?:[.,]\d+)?(?!\w)", detail):
        found.append(("detail", f"says after how many seconds resin showed, such as 84; found {detail!r}", True))
    if mould and mould not in moulds:
        found.append(("mould", f"the mould book has no {mould!r}{did_you_mean(mould, moulds)}", False))
    elif not mould and entry.about == "mould":
        found.append(("mould", f"{kind} names no mould, so it is taken for every mould", False))
    return found


def read_events(path: Path, reading: Reading, moulds: Sequence[str]) -> tuple[pl.DataFrame, list[Problem]]:
    """events.csv as the event table, and what is wrong with it. A missing file is an empty table."""
    import polars as pl

    schema = polars_schema(EVENT)
    if not path.exists():
        return pl.DataFrame(schema=schema), []
    grid = read_grid(path, EVENT_COLUMNS, ("time", "kind"))
    problems, table = list(grid.problems), []
    file = str(path)
    for line, _, cells in grid.rows if grid.readable else ():
        kind, mould, detail = (cells.get(c, "") for c in ("kind", "mould", "detail"))
        given, when = cells.get("time", ""), None
        wrong: list[Problem] = []
        try:
            when = parse_time(given, reading.zone, reading.date_order)
            if odd := odd_date(when):
                wrong.append(Problem(file, line, "time", odd, "row"))
        except (ValueError, OverflowError):
            wrong.append(Problem(file, line, "time", _no_time(given, reading), "row"))
        for key, message, fatal in event_problems(kind, mould, detail, moulds):
            wrong.append(Problem(file, line, key, message, "row" if fatal else "warning"))
        problems += wrong
        if not any(p.severity == "row" for p in wrong):
            seal = kind in KINDS and KINDS[kind].detail == "seal"
            table.append({"row": line, "time": when, "mould": mould or None, "kind": kind,
                          "detail": (detail.lower() if seal else detail) or None})  # fmt: skip
    return pl.DataFrame(table, schema=schema), problems


def _no_time(given: str, reading: Reading) -> str:
    said = f"expected a time like 2026-03-02 08:15, found {given!r}"
    if reading.date_order == "year first" and _LOCAL.match(given.strip()):
        said += "; date_order in [workshop] of catchpot.toml says whether the day or the month comes first here"
    return said


def read_parts(path: Path, reading: Reading) -> tuple[pl.DataFrame, list[Problem]]:
    """parts.csv as the part table, and what is wrong with it. A missing file is an empty table."""
    import polars as pl

    schema = polars_schema(PART)
    if not path.exists():
        return pl.DataFrame(schema=schema), []
    grid = read_grid(path, PART.names, ("shot",))
    problems, table, seen = list(grid.problems), [], dict[str, int]()
    for line, _, cells in grid.rows if grid.readable else ():
        row, wrong = _part(grid, line, cells, reading, seen)
        problems += wrong
        if not any(p.severity == "row" for p in wrong):
            seen[row["shot"]] = line
            table.append(row)
    return pl.DataFrame(table, schema=schema), problems


def part_lines(path: Path) -> dict[str, int]:
    """The line of each shot's row in parts.csv."""
    if not path.exists():
        return {}
    grid = read_grid(path, PART.names, ("shot",))
    return {cells["shot"]: line for line, _, cells in reversed(grid.rows) if cells.get("shot")}


def _part(
    grid: Grid, line: int, cells: Any, reading: Reading, seen: dict[str, int]
) -> tuple[dict[str, Any], list[Problem]]:
    file = str(grid.path)
    row: dict[str, Any] = dict.fromkeys(PART.names)
    row["shot"] = shot = cells.get("shot", "")
    wrong: list[Problem] = []
    if not shot:
        wrong.append(Problem(file, line, "shot", "this row names no shot", "row"))
    elif shot in seen:
        wrong.append(Problem(file, line, "shot", f"shot {shot!r} already stands in line {seen[shot]}", "row"))
    for name, text in cells.items():
        if name == "shot" or name not in PART.names or not text:
            continue
        try:
            row[name] = part_value(name, text, decimal_comma=reading.decimal_comma or grid.decimal_comma)
        except ValueError as error:
            wrong.append(Problem(file, line, name, str(error), "row"))
    return row, wrong


def part_value(name: str, text: str, *, decimal_comma: bool) -> str | float | bool:
    """A cell of parts.csv; ValueError with a sentence where it can't be meant."""
    if name == "remark":
        return text
    if name == "verdict":
        if text.lower() not in VERDICTS:
            raise ValueError(f"expected good, rework or scrap, found {text!r}{did_you_mean(text.lower(), VERDICTS)}")
        return text.lower()
    if name == "trimmed":
        if text.lower() not in _TRUE + _FALSE:
            raise ValueError(f"expected yes or no, found {text!r}")
        return text.lower() in _TRUE
    try:
        value = parse_number(text, decimal_comma=decimal_comma)
    except ValueError:
        comma = "; decimal_mark in [workshop] of catchpot.toml says whether decimals have a comma here"
        raise ValueError(f"expected a number, found {text!r}{comma if ',' in text else ''}") from None
    if value < 0:
        raise ValueError(f"must be at least 0, found {text}")
    return value


__all__ = [
    "EVENT_COLUMNS", "EVENT_KINDS", "SEALS", "VERDICTS", "DateOrder", "Reading", "event_problems", "parse_number",
    "parse_time", "part_lines", "part_value", "read_events", "read_parts",
]  # fmt: skip
