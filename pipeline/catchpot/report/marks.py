"""The pieces figures are made of: what callers hand in, columns made plain, shapes and notes all figures share."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, Literal
from zoneinfo import ZoneInfo

from catchpot.dates import in_zone
from catchpot.report import theme, words
from catchpot.shop_dates import for_figures
from catchpot.shop_units import in_heading

Numbers = Iterable[float | None]
Plot = dict[str, Any]
LIMIT = 2_000
C = theme.LIGHT


@dataclass(frozen=True)
class Ring:
    """A mark: a ring around the point at `x` (a time or a number) and `y`, with its phrase beside it."""

    x: Any
    y: float
    phrase: str


@dataclass(frozen=True)
class Level:
    """A horizontal piece from `start` to `end` (times or numbers; None: the strip's own end) at `value`.

    phrase names it; low, high draw its interval.
    """

    start: Any
    end: Any
    value: float
    phrase: str = ""
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class Strip:
    """One measure of a history.

    heading: words with unit, printed above the strip. x: times or shot numbers, one a value. value, low, high: the
    measure and its interval (low, high None: no interval drawn).
    names: what each point is called when pointed at (the shot). band: usual range or tolerance as (low, high), either
    end None for open, tinted; band_words says what it is. rings: marked points. levels: means before and after a step.
    usual: a value that the axis also names in per cent of.
    """

    heading: str
    x: Iterable[Any]
    value: Numbers
    low: Numbers | None = None
    high: Numbers | None = None
    names: Sequence[str] = ()
    band: tuple[float | None, float | None] | None = None
    band_words: str = ""
    rings: Sequence[Ring] = ()
    levels: Sequence[Level] = ()
    joined: bool = False
    usual: float | None = None


@dataclass(frozen=True)
class Flag:
    """An event: a dotted line through all strips with a number on top; `flag_key` gives the words for the numbers."""

    at: Any
    text: str


@dataclass(frozen=True)
class Curve:
    """A curve over volume. kind: how it is drawn; "measured" as points, the others as lines.

    faint: one of several of the same name, which stands once in the legend.
    """

    name: str
    x: Numbers
    y: Numbers
    kind: Literal["measured", "fitted", "other", "faint"] = "measured"


@dataclass(frozen=True)
class Band:
    """A range along x, tinted: x, low, high of equal length; `name` says what it is."""

    name: str
    x: Numbers
    low: Numbers
    high: Numbers


@dataclass(frozen=True)
class Span:
    """A stretch of the x axis, tinted, its phrase on top. kind "odd" for a fault, "interval" for an uncertainty."""

    start: float
    end: float
    phrase: str
    kind: Literal["odd", "interval"] = "odd"


@dataclass(frozen=True)
class Part:
    """One bar of `cause_bars`: what it is, the change (litres or any unit) and its interval."""

    name: str
    change: float
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class Coming:
    """One row of `ruler`: what it is about, the estimate, its interval (None: not given) and words at the end."""

    name: str
    value: float | None
    low: float | None = None
    high: float | None = None
    phrase: str = ""


@dataclass(frozen=True)
class Lane:
    """One lane: a kind's words and where its marks stand; heavy[i] draws mark i filled, else it is a ring."""

    name: str
    x: Iterable[Any]
    names: Sequence[str] = ()
    heavy: Sequence[bool] = field(default=())


def time_axis() -> Plot:
    """Days and months as the workshop writes them, whatever the zoom."""
    day = for_figures()
    short = "%b %e" if day.startswith("%b") else "%e %b"
    ticks = [
        {"dtickrange": [None, 86_400_000], "value": f"%H:%M\n{day}"},
        {"dtickrange": [86_400_000, "M1"], "value": f"{short}\n%Y"},
        {"dtickrange": ["M1", "M12"], "value": "%b\n%Y"},
        {"dtickrange": ["M12", None], "value": "%Y"},
    ]
    return {"tickformatstops": ticks, "hoverformat": f"{day}, %H:%M"}


def times(values: Numbers | None, factor: float) -> list[float | None] | None:
    """Values in the unit that is printed."""
    return None if values is None else [None if v is None else factor * float(v) for v in values]


def in_shop_unit(strip: Strip) -> Strip:
    """A strip in the unit that the workshop speaks in; as it is where that is the stored one."""
    heading, factor = in_heading(strip.heading)
    if factor == 1.0:
        return strip

    def each(value: float | None) -> float | None:
        return None if value is None else factor * value

    return replace(
        strip, heading=heading, value=times(strip.value, factor) or [], low=times(strip.low, factor),
        high=times(strip.high, factor),
        band=None if strip.band is None else (each(strip.band[0]), each(strip.band[1])),
        rings=[replace(r, y=factor * r.y) for r in strip.rings],
        levels=[replace(v, value=factor * v.value, low=each(v.low), high=each(v.high)) for v in strip.levels],
        usual=each(strip.usual),
    )  # fmt: skip


def numbers(values: Numbers) -> list[float | None]:
    """Plain floats; null, NaN and infinity as None."""
    return [None if v is None or not math.isfinite(float(v)) else float(v) for v in values]


def places(values: Iterable[Any], zone: str) -> list[Any]:
    """Positions on an x axis: times as local text without offset (plotly knows no zones), numbers as they are."""
    local = ZoneInfo(zone)
    return [
        in_zone(v, local).strftime("%Y-%m-%d %H:%M:%S") if isinstance(v, datetime) and v.tzinfo is not None
        else v.isoformat() if hasattr(v, "isoformat") else v
        for v in values
    ]  # fmt: skip


def kept_points(y: Sequence[float | None], limit: int = LIMIT) -> list[int]:
    """Which points of a long curve to draw: each stretch by its lowest and highest; a stretch without any stays a gap.

    >>> kept_points([0, 9, 1, 1, -5, 1], limit=4)
    [0, 1, 4, 5]
    """
    if len(y) <= limit:
        return list(range(len(y)))
    step = math.ceil(2 * len(y) / limit)
    kept: list[int] = []
    for start in range(0, len(y), step):
        known = [(v, i) for i, v in enumerate(y[start : start + step], start) if v is not None]
        kept.extend(sorted({min(known)[1], max(known)[1]}) if known else [start])
    return kept


def decimate(x: Numbers, y: Numbers, limit: int = LIMIT) -> tuple[list[float | None], list[float | None]]:
    """A curve at no more than about `limit` points that keeps its minima and maxima; x, y of equal length."""
    xs, ys = numbers(x), numbers(y)
    kept = kept_points(ys, limit)
    return [xs[i] for i in kept], [ys[i] for i in kept]


def flag_key(flags: Sequence[Flag], zone: str) -> str:
    """The words for the numbers on top of a history: "1: 3 Mar 2026, seal replaced (outer); 2: ..."; empty for none."""
    said = [
        f"{i}: {words.day(f.at, zone) + ', ' if isinstance(f.at, datetime) else ''}{f.text}"
        for i, f in enumerate(flags, 1)
    ]
    return "; ".join(said)


def gap(high: float | None, low: float | None) -> float | None:
    return None if high is None or low is None else max(high - low, 0.0)


def ring_trace(figure: Plot, rings: Sequence[Ring], y_axis: str, zone: str) -> None:
    if not rings:
        return
    x = places([r.x for r in rings], zone)
    figure["data"].append({
        "type": "scatter", "mode": "markers+text", "name": "marked", "x": x, "y": [r.y for r in rings], "yaxis": y_axis,
        "marker": {"symbol": "circle-open", "size": 15, "color": C["ink"], "line": {"width": 1.6}},
        "text": [safe(r.phrase) for r in rings], "textposition": "top center", "textfont": {"size": 12},
        "hovertemplate": "%{text}<br>%{x}<br>%{y}<extra></extra>", "cliponaxis": False,
    })  # fmt: skip


def upright(at: Any, colour: str, dash: str = "solid") -> Plot:
    return {
        "type": "line", "xref": "x", "x0": at, "x1": at, "yref": "paper", "y0": 0, "y1": 1, "layer": "below",
        "line": {"color": colour, "width": 1, "dash": dash},
    }  # fmt: skip


def safe(text: str) -> str:
    """Text from a log as it may stand in a figure: the plotting library reads <b>, <a href> and the like.

    >>> safe("<a href='x'>A & B</a>")
    "&lt;a href='x'&gt;A &amp; B&lt;/a&gt;"
    """
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


# Letters of a line that fit a narrow page.
LINE_LETTERS = 44


def plain_lines(text: str) -> list[str]:
    """Text broken into lines that fit a narrow page, safe to stand in a figure; none for empty text."""
    return [safe(line) for line in textwrap.wrap(text, LINE_LETTERS)]


def bold_lines(text: str) -> list[str]:
    """The same in bold, which runs wider."""
    return [f"<b>{safe(line)}</b>" for line in textwrap.wrap(text, LINE_LETTERS - 6)]


def note(text: str, **where: Any) -> Plot:
    """An annotation without arrow; text may hold plotly's <b> and <br>, so callers pass our own words or numbers."""
    return {"text": text, "showarrow": False, "xref": "x", "yref": "y", "yanchor": "middle", **where}


def span_shape(span: Span) -> Plot:
    """A stretch as a shape: tinted, an odd one with a dotted frame; one without width is a line."""
    line: Plot = {"width": 1 if span.kind == "odd" else 0, "color": C["frame"], "dash": "dot"}
    if span.start == span.end:
        line = {"width": 1.5, "color": C["ink"], "dash": "solid"}
    return {
        "type": "rect", "xref": "x", "x0": span.start, "x1": span.end, "yref": "paper", "y0": 0, "y1": 1,
        "fillcolor": C["odd"] if span.kind == "odd" else C["spec"], "line": line, "layer": "below",
    }  # fmt: skip
