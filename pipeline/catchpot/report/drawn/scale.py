"""Axes of a drawn figure: their range, their ticks, and where a value lies on them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

from catchpot.shop_dates import MONTHS, written

Axis = dict[str, Any]
DAY_S = 86_400.0
_MARGIN = 0.05
_STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)
_HOURS, _WEEKS, _YEARLY = (1, 2, 3, 6, 12, 24), (1, 2, 4), (1, 2, 3, 6, 12)
MONDAY = datetime(2000, 1, 3, tzinfo=UTC)


@dataclass(frozen=True)
class Tick:
    """A tick: where it stands (in the axis' own numbers) and its words, a line each."""

    at: float
    lines: tuple[str, ...]


@dataclass
class Scale:
    """One axis. kind: number, time (seconds, wall clock) or names. low, high: its two ends, left or bottom first."""

    kind: str
    low: float = 0.0
    high: float = 1.0
    names: list[str] = field(default_factory=list)
    ticks: list[Tick] = field(default_factory=list)

    def number(self, value: Any) -> float | None:
        """A value of a trace or shape in the axis' own numbers; None for what is not known."""
        if value is None:
            return None
        if self.kind == "names":
            return float(self.names.index(value)) if value in self.names else _plain(value)
        if self.kind == "time":
            return seconds(value)
        return _plain(value)

    def share(self, value: Any) -> float | None:
        """How far along the axis a value lies, 0 to 1 (beyond where it lies outside)."""
        at = self.number(value)
        return None if at is None else (at - self.low) / ((self.high - self.low) or 1.0)

    def share_of(self, tick: Tick) -> float:
        """How far along the axis a tick lies."""
        return (tick.at - self.low) / ((self.high - self.low) or 1.0)


def _plain(value: Any) -> float | None:
    try:
        number = float(value)
    except (TypeError, ValueError):
        return None
    return number if math.isfinite(number) else None


def seconds(value: Any) -> float | None:
    """A time as figures hold it (wall clock, as text) in seconds.

    >>> seconds("1970-01-02 00:00:01")
    86401.0
    """
    if isinstance(value, int | float):
        return float(value) / 1000.0
    try:
        when = value if isinstance(value, datetime) else datetime.fromisoformat(str(value))
    except ValueError:
        return None
    return when.replace(tzinfo=UTC).timestamp()


def is_time(value: Any) -> bool:
    """Whether a value on an axis is a time."""
    return isinstance(value, str) and len(value) >= 10 and value[4:5] == "-" and value[7:8] == "-"


def scale_of(axis: Mapping[str, Any], values: Iterable[Any], most: int, *, padded: bool) -> Scale:
    """The scale of an axis that shows these values.

    axis: plotly's description. most: ticks there is room for. padded: leave a little room beyond the values.
    """
    known = [v for v in values if v is not None]
    if axis.get("type") == "category":
        names = [str(n) for n in axis.get("categoryarray") or dict.fromkeys(known)]
        scale = Scale("names", -0.5, len(names) - 0.5, names)
        scale.ticks = [Tick(float(i), (name,)) for i, name in enumerate(names)]
    else:
        first = next(iter(known), None)
        scale = Scale("time" if is_time(first) or axis.get("type") == "date" else "number")
        at = [n for n in map(scale.number, known) if n is not None]
        scale.low, scale.high = _span(at, scale.kind, padded)
    given = axis.get("range")
    if given is not None:
        ends = [float(g) if scale.kind == "names" else scale.number(g) for g in given]
        if ends[0] is not None and ends[1] is not None:
            scale.low, scale.high = ends[0], ends[1]
    elif axis.get("rangemode") == "tozero" and scale.kind == "number":
        scale.low, scale.high = min(scale.low, 0.0) if min(at, default=0.0) < 0 else 0.0, max(scale.high, 0.0)
    if axis.get("autorange") == "reversed" and scale.low < scale.high:
        scale.low, scale.high = scale.high, scale.low
    _tick(scale, axis, most)
    return scale


def _span(at: Sequence[float], kind: str, padded: bool) -> tuple[float, float]:
    if not at:
        return (0.0, 1.0) if kind == "number" else (0.0, DAY_S)
    low, high = min(at), max(at)
    if low == high:
        half = DAY_S if kind == "time" else abs(low) * _MARGIN or 1.0
        return low - half, high + half
    margin = _MARGIN * (high - low) if padded else 0.0
    return low - margin, high + margin


def _tick(scale: Scale, axis: Mapping[str, Any], most: int) -> None:
    if axis.get("showticklabels") is False:
        scale.ticks = []
        return
    low, high = sorted((scale.low, scale.high))
    if axis.get("tickvals") is not None:
        said = axis.get("ticktext") or axis["tickvals"]
        pairs = [(scale.number(v), str(t)) for v, t in zip(axis["tickvals"], said, strict=False)]
        scale.ticks = [Tick(at, (text,)) for at, text in pairs if at is not None and low <= at <= high]
    elif scale.kind == "time":
        scale.ticks = time_ticks(low, high, most)
    elif scale.kind == "number":
        scale.ticks = number_ticks(low, high, most)


def number_ticks(low: float, high: float, most: int) -> list[Tick]:
    """Round numbers between two ends, at most so many.

    >>> [t.lines[0] for t in number_ticks(2.4, 2.71, 4)]
    ['2.4', '2.5', '2.6', '2.7']
    """
    span = high - low
    if not span > 0 or not math.isfinite(span):
        return []
    power = 10.0 ** math.floor(math.log10(span / max(most, 1)))
    step = next(power * s for s in (*_STEPS, 20.0) if span / (power * s) <= most)
    first = math.ceil(low / step - 1e-9)
    count = math.floor(high / step + 1e-9) - first + 1
    places = max(0, -math.floor(math.log10(step) + 1e-9))
    if round(step, places) != round(step, 12):
        places += 1
    return [Tick((first + i) * step, (number_text((first + i) * step, places),)) for i in range(count)]


def number_text(value: float, places: int) -> str:
    """A tick's number: plain, or with a power of ten where it is very large or small.

    >>> number_text(-0.25, 2), number_text(2.5e9, 0)
    ('−0.25', '2.5 × 10⁹')
    """
    if value and (places > 5 or abs(value) >= 1e6):
        exponent = math.floor(math.log10(abs(value)))
        raised = str(exponent).translate(str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"))
        return f"{value / 10.0**exponent:.3g} × 10{raised}".replace("-", "−")
    return f"{value + 0.0:.{min(places, 6)}f}".replace("-", "−")


def time_ticks(low: float, high: float, most: int) -> list[Tick]:
    """Hours, days, Mondays with the week's number, or months, as the span asks for. low, high: seconds."""
    start, end = (datetime.fromtimestamp(s, UTC) for s in (low, high))
    days = (high - low) / DAY_S
    if days <= 2:
        step = next((h for h in _HOURS if 24 * days / h <= most), 24)
        return _regular(start, end, timedelta(hours=step), lambda t: (f"{t:%H:%M}", _day(t)))
    if days <= most:
        return _regular(start, end, timedelta(days=1), lambda t: (_day(t), str(t.year)))
    weeks = next((w for w in _WEEKS if days / 7 / w <= most), None)
    if weeks is not None:
        return _regular(start, end, timedelta(weeks=weeks), lambda t: (_day(t), f"week {t.isocalendar().week}"))
    every = next((m for m in _YEARLY if days / 30.4 / m <= most), 12 * math.ceil(days / 365 / most))
    ticks = []
    for n in range(start.year * 12 + start.month - 1, end.year * 12 + end.month):
        when = datetime(n // 12, n % 12 + 1, 1, tzinfo=UTC)
        if n % every == 0 and start <= when <= end:
            ticks.append(Tick(when.timestamp(), (MONTHS[when.month - 1], str(when.year))))
    return ticks


def _regular(start: datetime, end: datetime, step: timedelta, said: Any) -> list[Tick]:
    n = math.ceil((start - MONDAY) / step)
    ticks = []
    while (when := MONDAY + n * step) <= end:
        ticks.append(Tick(when.timestamp(), said(when)))
        n += 1
    return ticks


def _day(when: datetime) -> str:
    return written(when, year=False)


__all__ = ["Axis", "Scale", "Tick", "is_time", "number_text", "number_ticks", "scale_of", "seconds", "time_ticks"]
