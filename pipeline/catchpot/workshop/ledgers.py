"""events.csv and parts.csv: read whole, every wrong cell with its line."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from catchpot.core_tables import EVENT, PART
from catchpot.dates import odd_date
from catchpot.tables import polars_schema
from catchpot.workshop.problems import Problem, did_you_mean

if TYPE_CHECKING:
    import polars as pl

EVENT_KINDS = (
    "seal_replaced", "seal_reseated", "fabric_batch", "resin_batch", "gel_coat_changed", "core_changed",
    "hose_changed", "vent_changed", "mould_serviced", "mould_cleaned", "meter_calibrated", "meter_checked",
    "sensor_calibrated", "pump_serviced", "note",
)  # fmt: skip
SEALS = ("outer", "inner", "both")
VERDICTS = ("good", "rework", "scrap")
_TRUE, _FALSE = ("1", "true", "yes"), ("0", "false", "no")


def parse_time(text: str, zone: ZoneInfo) -> datetime:
    """An ISO 8601 time in UTC; without offset it is read in `zone`. ValueError where it is none.

    A local time in the repeated autumn hour is taken as the earlier one.

    >>> parse_time("2026-03-02 08:15", ZoneInfo("Europe/Lisbon")).isoformat()
    '2026-03-02T08:15:00+00:00'
    """
    when = datetime.fromisoformat(text.strip())
    return (when if when.tzinfo else when.replace(tzinfo=zone)).astimezone(UTC)


_Rows = list[tuple[int, dict[str, str]]]


def _rows(path: Path, columns: Sequence[str], needed: Sequence[str]) -> tuple[_Rows, list[Problem], str]:
    """Rows with their lines, problems of the layout, and the decimal mark (a comma in a file separated by `;`)."""
    file = str(path)
    data = path.read_bytes()
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as e:
        line = data[: e.start].count(b"\n") + 1
        return [], [Problem(file, line, "", "this is not UTF-8 text; save the file as UTF-8")], "."
    header_line = text.split("\n", 1)[0]
    separator = ";" if ";" in header_line and "," not in header_line else ","
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    header = [h.strip() for h in next(reader, [])]
    problems = [
        Problem(file, 1, h, f"unknown column{did_you_mean(h, columns)}; known are {', '.join(columns)}")
        for h in header
        if h not in columns
    ]
    problems += [Problem(file, 1, n, "this column is needed and is missing") for n in needed if n not in header]
    twice = sorted({h for h in header if header.count(h) > 1})
    problems += [Problem(file, 1, h, "this column stands twice") for h in twice]
    rows = []
    line = reader.line_num + 1
    for cells in reader:
        if any(c.strip() for c in cells):
            if len(cells) > len(header):
                problems.append(Problem(file, line, "", f"{len(cells)} fields, the header has {len(header)}"))
            rows.append((line, {h: c.strip() for h, c in zip(header, cells, strict=False)}))
        line = reader.line_num + 1
    return rows, problems, "," if separator == ";" else "."


def read_events(path: Path, zone: ZoneInfo, moulds: Sequence[str]) -> tuple[pl.DataFrame, list[Problem]]:
    """events.csv as the event table, and what is wrong with it. A missing file is an empty table."""
    import polars as pl

    schema = polars_schema(EVENT)
    if not path.exists():
        return pl.DataFrame(schema=schema), []
    rows, problems, _ = _rows(path, ("time", "mould", "kind", "detail"), ("time", "kind"))
    file, table = str(path), []
    for line, cells in rows:
        kind, mould, detail = cells.get("kind", ""), cells.get("mould", ""), cells.get("detail", "")
        when = None
        try:
            when = parse_time(cells.get("time", ""), zone)
            if odd := odd_date(when):
                problems.append(Problem(file, line, "time", odd))
        except (ValueError, OverflowError):
            message = f"expected a time like 2026-03-02 08:15, found {cells.get('time', '')!r}"
            problems.append(Problem(file, line, "time", message))
        if kind not in EVENT_KINDS:
            message = f"unknown kind of event {kind!r}{did_you_mean(kind, EVENT_KINDS)}; `note` takes anything else"
            problems.append(Problem(file, line, "kind", message))
        if kind in ("seal_replaced", "seal_reseated") and detail not in SEALS:
            message = f"says which seal: outer, inner or both; found {detail!r}{did_you_mean(detail, SEALS)}"
            problems.append(Problem(file, line, "detail", message))
        if mould and mould not in moulds:
            message = f"the mould book has no {mould!r}{did_you_mean(mould, moulds)}"
            problems.append(Problem(file, line, "mould", message, "warning"))
        table.append({"row": line, "time": when, "mould": mould or None, "kind": kind, "detail": detail or None})
    return pl.DataFrame(table, schema=schema), problems


def read_parts(path: Path) -> tuple[pl.DataFrame, list[Problem]]:
    """parts.csv as the part table, and what is wrong with it. A missing file is an empty table."""
    import polars as pl

    schema = polars_schema(PART)
    if not path.exists():
        return pl.DataFrame(schema=schema), []
    rows, problems, decimal = _rows(path, PART.names, ("shot",))
    file, table, seen = str(path), [], dict[str, int]()
    for line, cells in rows:
        row: dict[str, Any] = dict.fromkeys(PART.names)
        row["shot"] = shot = cells.get("shot", "")
        if not shot:
            problems.append(Problem(file, line, "shot", "this row names no shot"))
        elif shot in seen:
            problems.append(Problem(file, line, "shot", f"shot {shot!r} already stands in line {seen[shot]}"))
        seen.setdefault(shot, line)
        for name, text in cells.items():
            if name == "shot" or name not in PART.names or not text:
                continue
            if name == "verdict":
                row[name] = text
                if text not in VERDICTS:
                    message = f"expected good, rework or scrap, found {text!r}{did_you_mean(text, VERDICTS)}"
                    problems.append(Problem(file, line, name, message))
            elif name == "trimmed":
                row[name] = text.lower() in _TRUE
                if text.lower() not in _TRUE + _FALSE:
                    problems.append(Problem(file, line, name, f"expected yes or no, found {text!r}"))
            else:
                try:
                    row[name] = float(text.replace(",", ".") if decimal == "," else text)
                except ValueError:
                    problems.append(Problem(file, line, name, f"expected a number, found {text!r}"))
                    continue
                if not 0 <= row[name] < float("inf"):
                    problems.append(Problem(file, line, name, f"must be at least 0, found {text}"))
        table.append(row)
    return pl.DataFrame(table, schema=schema), problems
