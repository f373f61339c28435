"""Time stamps of logs: text or numbers to instants, whole columns at once.

A stamp becomes a count of microseconds since 1970, in UTC or (naive) on the wall clock; `wall_to_utc` turns the second
into the first, file by file.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Formats that are no pattern. Name -> microseconds a unit; "epoch" ones are UTC, "since start" ones have no date.
SINCE_START = {"seconds": 1e6, "minutes": 60e6, "milliseconds": 1e3}
EPOCH = {"epoch_s": 1e6, "epoch_ms": 1e3}
# No log was written before 1970, and none yet after 2100: stamps that read so are none.
_LAST_US = 4102444800_000_000
_EXCEL_ZERO_US = -2209161600_000_000  # 1899-12-30
_CODES = {"Y": r"\d{4}", "p": "[A-Za-z.]{1,4}", "b": r"[^\d\W]{3,}", "B": r"[^\d\W]{3,}", "j": r"\d{1,3}"}
_CODES |= dict.fromkeys("dmyHIMS", r"\d{1,2}")
_FIXED = {"d": 2, "m": 2, "Y": 4, "H": 2, "M": 2, "S": 2, "y": 2}


@dataclass
class Stamps:
    """Parsed stamps. us: microseconds, NaN-free; good: whether the row's stamp was read. kind: what `us` counts from:
    "utc", "wall" (clock on the wall, zone to be settled), "start" (no date), "day" (time of day without date)."""

    us: NDArray[np.int64]
    good: NDArray[np.bool_]
    kind: str


def parse_stamps(text: pl.Series, formats: Sequence[str]) -> Stamps:
    """Read a column of stamps with the formats, tried in turn on what the ones before could not read.

    text: String column, or what a scan that knew the format made of it. formats: strptime patterns or the names of
    `TimeSettings`.
    """
    if text.dtype == pl.Datetime("us"):
        return Stamps(*_plausible(text), "wall")
    formats = formats if text.dtype == pl.String else formats[:1]
    n = text.len()
    us, good = np.zeros(n, np.int64), np.zeros(n, bool)
    kind = ""
    for form in formats:
        todo = np.flatnonzero(~good)
        if not len(todo):
            break
        part = text if len(todo) == n else text.gather(todo)
        got, ok, this = _one(part, form)
        if kind and ok.any() and this != kind:
            continue  # a file tells its time in one way
        us[todo[ok]], good[todo[ok]] = got[ok], True
        kind = kind or (this if ok.any() else "")
    return Stamps(us, good, kind or "wall")


def quick_format(formats: Sequence[str], first: str) -> tuple[bool, str | None]:
    """Whether a scan may read stamps itself, and the pattern to give it (None: they are numbers).

    first: a stamp of the file. Only patterns are named that the scan reads as `parse_stamps` does, or not at all.
    """
    form = formats[0] if formats else ""
    if form in SINCE_START or form in EPOCH or form == "excel":
        return True, None
    if form == "iso":
        found = re.fullmatch(r"\d{4}-\d\d-\d\d([ T])\d\d:\d\d:\d\d(?:([.,])\d{1,6})?", first.strip())
        if found is None:
            return False, None
        return True, f"%Y-%m-%d{found[1]}%H:%M:%S" + (f"{found[2]}%f" if found[2] else "")
    codes = re.findall(r"%(.)", form)
    known = set(codes) <= set("dmYHIMSfp") and len(codes) == len(set(codes)) and "'" not in form
    return known and {"d", "m", "Y", "M"} <= set(codes) and ("H" in codes or {"I", "p"} <= set(codes)), form


def _one(text: pl.Series, form: str) -> tuple[NDArray[np.int64], NDArray[np.bool_], str]:
    if form in SINCE_START or form in EPOCH or form == "excel":
        return _number(text, form)
    if form == "iso":
        return _iso(text)
    pattern = form
    dated = any(d in pattern for d in ("%d", "%j", "%D", "%F"))
    kind = "wall" if dated else "day"
    if "%z" in pattern:
        found = text.str.strip_chars().str.to_datetime(_chrono(pattern), strict=False, time_unit="us")
        return *_plausible(found.dt.convert_time_zone("UTC").dt.replace_time_zone(None)), "utc"
    fixed = _fixed_width(text, pattern)
    if fixed is None:
        return *_any_width(text, pattern, dated), kind
    us, good = fixed
    left = np.flatnonzero(~good)
    if len(left):
        us[left], good[left] = _any_width(text.gather(left), pattern, dated)
    return us, good, kind


def _any_width(text: pl.Series, pattern: str, dated: bool) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    pieces = text.str.strip_chars()
    fraction = np.zeros(text.len(), np.int64)
    if "%f" in pattern:
        pieces, pattern, fraction = _without_fraction(pieces, pattern)
    if not dated:
        pieces, pattern = "1970-01-01 " + pieces, "%Y-%m-%d " + pattern
    us, good = _filled(pieces.str.to_datetime(_chrono(pattern), strict=False, time_unit="us"))
    # a year cut short reads as one of long ago
    return us + fraction, good & (us >= 0) & (us < _LAST_US)


def _chrono(pattern: str) -> str:
    return pattern.replace("%-d", "%e").replace("%-m", "%m").replace("%-H", "%H")


def _filled(found: pl.Series) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    whole = found.cast(pl.Int64)
    return whole.fill_null(0).to_numpy().astype(np.int64), (~whole.is_null()).to_numpy()


def _plausible(found: pl.Series) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    us, good = _filled(found)
    return us, good & (us >= 0) & (us < _LAST_US)


def _number(text: pl.Series, form: str) -> tuple[NDArray[np.int64], NDArray[np.bool_], str]:
    values = text
    if text.dtype == pl.String:
        plain = text.str.strip_chars()
        values = plain.cast(pl.Float64, strict=False)
        if values.null_count() > plain.null_count():
            values = plain.str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)
    low, high = (-_LAST_US, _LAST_US) if form in SINCE_START else (0, _LAST_US)
    scale, zero = (86400e6, _EXCEL_ZERO_US) if form == "excel" else ((SINCE_START | EPOCH)[form], 0)
    numbers = values.fill_null(float("nan")).to_numpy()
    with np.errstate(over="ignore"):
        good = (numbers * scale + zero >= low) & (numbers * scale + zero < high)
    numbers = np.where(good, numbers, 0.0)
    if form == "excel":
        # a serial day has about a microsecond of resolution left; milliseconds are what was meant
        us = np.round(numbers * 86400_000.0).astype(np.int64) * 1000 + _EXCEL_ZERO_US
        return us, good, "wall"
    us = np.round(numbers * scale).astype(np.int64)
    return us, good, "start" if form in SINCE_START else "utc"


def _iso(text: pl.Series) -> tuple[NDArray[np.int64], NDArray[np.bool_], str]:
    plain = text.str.strip_chars().str.replace("T", " ", literal=True).str.replace(r"[.,](\d{1,6})\d*", ".$1")
    has_offset = plain.str.contains(r"(Z|[+-]\d\d:?\d\d)$")
    if bool(has_offset.fill_null(False).any()):
        spelt = plain.str.replace(r"Z$", "+00:00").str.replace(r"([+-]\d\d)(\d\d)$", "$1:$2")
        found = spelt.str.to_datetime("%Y-%m-%d %H:%M:%S%.f%:z", strict=False, time_unit="us")
        return *_plausible(found.dt.convert_time_zone("UTC").dt.replace_time_zone(None)), "utc"
    found = plain.str.to_datetime("%Y-%m-%d %H:%M:%S%.f", strict=False, time_unit="us")
    us, good = _plausible(found)
    if not good.all():
        short, ok = _plausible(plain.str.to_datetime("%Y-%m-%d %H:%M", strict=False, time_unit="us"))
        us, good = np.where(good, us, short), good | ok
    return us, good, "wall"


def _without_fraction(text: pl.Series, pattern: str) -> tuple[pl.Series, str, NDArray[np.int64]]:
    """Take the digits of %f, of any number, out of the text, since the parser counts them as nanoseconds."""
    at = pattern.index("%f")
    ahead = "".join(_CODES.get(p[1:], re.escape(p)) for p in re.findall(r"%.|[^%]", pattern[: at - 1]))
    mark = re.escape(pattern[at - 1])
    frame = pl.DataFrame({"t": text})
    digits = frame["t"].str.extract(f"^{ahead}{mark}(\\d{{1,9}})", 1).fill_null("")
    padded = digits.str.pad_end(6, "0").str.slice(0, 6).cast(pl.Int64, strict=False).fill_null(0).to_numpy()
    cut = frame["t"].str.replace(f"^({ahead}){mark}\\d{{1,9}}", "$1")
    return cut, pattern[: at - 1] + pattern[at + 2 :], padded.astype(np.int64)


def _fixed_width(text: pl.Series, pattern: str) -> tuple[NDArray[np.int64], NDArray[np.bool_]] | None:
    """The quick way for stamps that all have one length, digits in fixed places: arithmetic on the bytes."""
    if text.null_count() or not text.len():
        return None
    width = len(str(text[0]))
    if not bool((text.str.len_bytes() == width).all()):
        return None
    places: list[tuple[str, int, int]] = []
    literals: list[tuple[int, int]] = []
    at, i = 0, 0
    while i < len(pattern):
        if pattern[i] == "%" and i + 1 < len(pattern):
            code = pattern[i + 1]
            digits = _FIXED.get(code, 0)
            if code == "f":
                after = re.findall(r"%.|[^%]", pattern[i + 2 :])
                digits = width - at - sum(_FIXED.get(p[1:], 99) if p[0] == "%" else 1 for p in after)
            if not 1 <= digits <= 9:
                return None
            places.append((code, at, digits))
            at, i = at + digits, i + 2
        else:
            if not pattern[i].isascii():
                return None
            literals.append((at, ord(pattern[i])))
            at, i = at + 1, i + 1
    if at != width:
        return None
    raw = np.frombuffer(str(text.str.join("")[0]).encode(), np.uint8).reshape(-1, width)
    good = np.ones(len(raw), bool)
    for place, character in literals:
        good &= raw[:, place] == character
    values: dict[str, NDArray[np.int64]] = {}
    for code, start, digits in places:
        value = np.zeros(len(raw), np.int32)
        for k in range(start, start + digits):
            digit = raw[:, k] - np.uint8(48)  # wraps round for what is no digit and stands below "0"
            good &= digit <= 9
            value = value * 10 + digit
        values[code] = value.astype(np.int64) * 10**6 // 10**digits if code == "f" else value.astype(np.int64)
    zero = np.zeros(1, np.int64)
    year = values.get("Y", values["y"] + np.where(values["y"] < 70, 2000, 1900) if "y" in values else zero + 1970)
    days, real = _calendar(year, values.get("m", zero + 1), values.get("d", zero + 1), len(raw))
    hour, minute, second = (values.get(c, zero) for c in "HMS")
    good &= real & (year >= 1970) & (year < 2100) & (hour < 24) & (minute < 60) & (second < 60)
    us = ((days * 24 + hour) * 60 + minute) * 60 + second
    return us * 1_000_000 + values.get("f", zero), good


def _calendar(
    year: NDArray[np.int64], month: NDArray[np.int64], day: NDArray[np.int64], n: int
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Days since 1970-01-01 and whether there is such a day; worked out where the day changes, and repeated."""
    whole = np.broadcast_to((year * 100 + month) * 100 + day, n)
    begin = np.concatenate(([0], np.flatnonzero(np.diff(whole)) + 1))
    y, m, d = whole[begin] // 10000, whole[begin] // 100 % 100, whole[begin] % 100
    real = (m >= 1) & (m <= 12) & (d >= 1)
    m = np.clip(m, 1, 12)
    real &= d <= _month_days(y, m)
    lengths = np.diff(np.append(begin, n))
    return np.repeat(_days(y, m, d), lengths), np.repeat(real, lengths)


def _month_days(year: NDArray[np.int64], month: NDArray[np.int64]) -> NDArray[np.int64]:
    days = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])[month - 1]
    leap = ((year % 4 == 0) & (year % 100 != 0)) | (year % 400 == 0)
    return np.asarray(days + ((month == 2) & leap))


def _days(year: NDArray[np.int64], month: NDArray[np.int64], day: NDArray[np.int64]) -> NDArray[np.int64]:
    """Days since 1970-01-01 in the proleptic Gregorian calendar; years counted from March."""
    y = year - (month <= 2)
    era = y // 400
    yoe = y - era * 400
    doy = (153 * ((month + 9) % 12) + 2) // 5 + day - 1
    return np.asarray(era * 146097 + yoe * 365 + yoe // 4 - yoe // 100 + doy - 719468)
