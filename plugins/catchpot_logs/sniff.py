"""Looks at an unknown log: encoding, separator, decimal mark, where header, units and data stand, how time is written.

The dialect is decided here, from the whole beginning of the file, and never left to a CSV library's guess.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import zip_longest

import polars as pl

from catchpot.units import UnitError, parse_unit
from catchpot_logs.stamps import parse_stamps

_SEPARATORS = (";", "\t", "|", ",")
_PLAIN = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_COMMA = re.compile(r"[+-]?(\d+,?\d*|,\d+)([eE][+-]?\d+)?")
_GROUPED = re.compile(r"[+-]?\d{1,3}(\.\d{3})+(,\d+)?|[+-]?\d{1,3}('\d{3})+(\.\d+)?|[+-]?\d{1,3}(,\d{3})+(\.\d+)?")
_STAMP = re.compile(
    r"(\d{1,4}([./-])\d{1,2}\2\d{1,4}[ T]?)?(\d{1,2}:\d\d(:\d\d([.,]\d+)?)?)?( ?[AaPp]\.?[Mm]\.?)?(Z|[+-]\d\d:?\d\d)?"
)
_STAMP_WORDS = re.compile(
    r"[dtjmyah.,:/ -]*(hh?:mm|[dt][dt][./-]mm)[a-z.,:/0 -]*", re.IGNORECASE
)  # dd.mm.yyyy, hh:mm:ss,0
_DATES = ("%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%Y-%m-%d", "%Y/%m/%d", "%d-%m-%Y", "%d.%m.%y", "%Y%m%d")
_CLOCKS = ("%H:%M:%S", "%H:%M:%S.%f", "%H:%M:%S,%f", "%I:%M:%S %p", "%I:%M:%S.%f %p", "%H:%M")
STAMPS = ("iso", *(f"{d} {c}" for d in _DATES for c in _CLOCKS), "%Y%m%d%H%M%S", "%Y-%m-%dT%H:%M:%S,%f")


@dataclass
class Sniffed:
    """What a file seems to be. Lines are 1-based. rows: cells of the first data rows. tail: the file's last lines.
    assumed, unsure: sentences."""

    encoding: str
    separator: str
    decimal: str
    thousands: str | None
    header_line: int
    header_lines: int
    units_line: int | None
    first_data_line: int
    header: list[str]
    units: list[str]
    rows: list[list[str]]
    preamble: list[str]
    tail: list[str] = field(default_factory=list)
    assumed: list[str] = field(default_factory=list)
    unsure: list[str] = field(default_factory=list)


def sniff(data: bytes) -> Sniffed | None:
    """The layout of a text table; None where no run of alike rows with numbers is found."""
    encoding, text, said = _text(data)
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    if not data.endswith((b"\n", b"\r", b"\0")):
        lines = lines[:-1]  # it may be cut
    best: tuple[float, str, int, int] | None = None
    for separator in _SEPARATORS:
        cells = [split_cells(line, separator) for line in lines[:2000]]
        run = _longest(cells)
        if run is None:
            continue
        begin, end = run
        width = len(cells[begin])
        told = sum(is_number(c) or is_stamp(c) or not c for row in cells[begin:end] for c in row)
        # a wrong separator cuts numbers in pieces that are none
        score = (end - begin) * min(width, 20) * (told / (width * (end - begin))) ** 2
        if best is None or score > best[0]:
            best = (score, separator, begin, end)
    if best is None or best[3] - best[2] < 3:
        return None
    _, separator, begin, end = best
    rows = [split_cells(line, separator) for line in lines[begin:end]]
    decimal, thousands = _decimal(rows, separator)
    width = len(rows[0])
    header_at, units_at, header_lines = _heads(lines, begin, separator, width)
    header = split_cells(lines[header_at], separator) if header_at is not None else []
    if header_at is not None and header_lines > 1:
        second = split_cells(lines[header_at + 1], separator)
        header = [" ".join(filter(None, pair)) for pair in zip_longest(header, second, fillvalue="")]
    found = Sniffed(
        encoding, separator, decimal, thousands, (header_at if header_at is not None else begin - 1) + 1, header_lines,
        units_at + 1 if units_at is not None else None, begin + 1, header,
        split_cells(lines[units_at], separator) if units_at is not None else [], rows[:400],
        lines[: header_at if header_at is not None else begin], lines[max(end - 3, len(lines) - 60) :],
    )  # fmt: skip
    found.assumed += said
    if header_at is None:
        found.unsure.append("no line with column names was found above the data; the profile needs one")
    return found


def _text(data: bytes) -> tuple[str, str, list[str]]:
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return "utf-16", data.decode("utf-16", "replace"), ["the byte order mark says UTF-16"]
    if data[1:200:2].count(0) > 40:
        return "utf-16-le", data.decode("utf-16-le", "replace"), ["every second byte is zero: UTF-16 without a mark"]
    try:
        return "utf-8-sig", data.decode("utf-8-sig"), []
    except UnicodeDecodeError:
        pass
    said = "the file is not UTF-8; cp1252 was taken, which reads any Western text: look at special letters"
    return "cp1252", data.decode("cp1252", "replace"), [said]


def split_cells(line: str, separator: str) -> list[str]:
    """The cells of a line, blanks and quotation marks taken off."""
    try:
        return [c.strip() for c in next(csv.reader([line], delimiter=separator), [])]
    except csv.Error:
        return [line]  # too long for a row of a log


def is_number(cell: str) -> bool:
    """Whether a cell is a number, with either decimal mark."""
    return bool(_PLAIN.fullmatch(cell) or _COMMA.fullmatch(cell) or _GROUPED.fullmatch(cell))


def is_stamp(cell: str) -> bool:
    """Whether a cell looks like a date, a time of day, or both."""
    return sum(c.isdigit() for c in cell) > 2 and bool(_STAMP.fullmatch(cell))


def _longest(cells: Sequence[Sequence[str]]) -> tuple[int, int] | None:
    """The longest run of rows of one width of which each holds numbers; begin and end."""
    best: tuple[int, int] | None = None
    begin = 0
    for i in range(len(cells) + 1):
        good = i < len(cells) and len(cells[i]) > 1 and _is_data(cells[i])
        if good and i > begin and len(cells[i]) == len(cells[begin]):
            continue
        if i > begin and (best is None or i - begin > best[1] - best[0]):
            best = (begin, i)
        begin = i if good else i + 1
    return best


def _is_data(cells: Sequence[str]) -> bool:
    """Whether a row holds a stamp, as no header does, or a third of its cells are numbers."""
    return any(map(is_stamp, cells)) or sum(map(is_number, cells)) * 3 >= len(cells)


def _decimal(rows: Sequence[Sequence[str]], separator: str) -> tuple[str, str | None]:
    cells = [c for row in rows for c in row]
    comma = sum(bool(_COMMA.fullmatch(c)) and "," in c for c in cells)
    point = sum(bool(_PLAIN.fullmatch(c)) and "." in c for c in cells)
    grouped = [c for c in cells if _GROUPED.fullmatch(c)]
    if any("," in c and "." in c and c.rindex(",") < c.rindex(".") for c in grouped):
        return ".", ","  # 1,013.25
    # a comma within a cell of a text that commas separate was quoted
    decimal = "," if comma > point else "."
    if decimal == "," and any("." in c for c in grouped):
        return ",", "."
    return decimal, "'" if any("'" in c for c in grouped) else None


def _heads(lines: Sequence[str], begin: int, separator: str, width: int) -> tuple[int | None, int | None, int]:
    """Line places (0-based) of header and units row, and how many lines the header has."""
    above = []
    for at in range(begin - 1, max(begin - 5, -1), -1):
        cells = split_cells(lines[at], separator)
        filled = [c for c in cells if c]
        if abs(len(cells) - width) > 1 or not filled or sum(map(is_number, filled)) > len(filled) / 3:
            break
        above.append((at, cells))
    if not above:
        return None, None, 1
    units_at = above.pop(0)[0] if len(above) > 1 and _units_only(above[0][1]) else None
    at, cells = above[0]
    if len(above) > 1 and _two_rows(above[1][1], cells):
        return above[1][0], units_at, 2
    return at, units_at, 1


def _two_rows(upper: Sequence[str], lower: Sequence[str]) -> bool:
    """Whether two lines make up the column names together: the lower one alone leaves some out, or repeats some."""
    filled = [c for c in lower if c]
    if sum(map(bool, upper)) < 2:
        return False
    lacking = any(u and not low for u, low in zip_longest(upper, lower, fillvalue=""))
    return lacking or len(set(filled)) < len(filled)


def _units_only(cells: Sequence[str]) -> bool:
    filled = [c.strip("[]()") for c in cells if c.strip("[]() -")]
    known = 0
    for c in filled:
        try:
            parse_unit(c)
        except UnitError:
            known += c.lower() in ("-", "0/1", "datetime", "date", "time", "%") or bool(_STAMP_WORDS.fullmatch(c))
        else:
            known += 1
    return bool(filled) and known * 2 > len(filled)


def unit_in_name(name: str) -> tuple[str, str | None]:
    """A column name without the unit, in brackets or not, that it may end in, and that unit.

    >>> unit_in_name("P line [psi]"), unit_in_name("line_kpa_g")
    (('P line', 'psi'), ('line', 'kpa g'))
    """
    found = re.search(r"[\[(]([^\])]+(?:\([a-z]+\))?\s*)[\])]\s*$", name) or re.search(r"\s+in\s+(\S+)$", name)
    if found and known_unit(found.group(1)):
        return name[: found.start()].strip(), found.group(1).strip()
    words = re.split(r"[\s_]+", name.strip())
    for n in (3, 2, 1):
        unit = " ".join(words[-n:])
        # a letter or two at a name's end is more often a number or a place than a unit
        if n < len(words) and len(re.sub(r"[^A-Za-z]", "", unit)) > 2 and known_unit(unit):
            return " ".join(words[:-n]), unit
    return name, None


def known_unit(text: str) -> bool:
    """Whether text is a unit that can be converted.

    >>> known_unit("mbar abs"), known_unit("furlong")
    (True, False)
    """
    try:
        parse_unit(text)
    except UnitError:
        return False
    return True


def stamp_formats(cells: Sequence[str]) -> list[str]:
    """Formats that read every one of these cells, most telling first."""
    column = pl.Series(list(cells), dtype=pl.String)
    found = []
    for form in STAMPS:
        stamps = parse_stamps(column, [form])
        if stamps.good.all() and (stamps.us[1:] >= stamps.us[:-1]).mean() > 0.95:
            found.append(form)
    return found


def clock_formats(cells: Sequence[str]) -> list[str]:
    """Formats of times of day that read every one of these cells."""
    column = pl.Series(list(cells), dtype=pl.String)
    return [f for f in _CLOCKS if parse_stamps(column, [f]).good.all()]


def date_formats(cells: Sequence[str]) -> list[str]:
    """Formats of dates that read every one of these cells."""
    column = pl.Series(list(cells), dtype=pl.String)
    return [f for f in _DATES if parse_stamps(column, [f]).good.all()]
