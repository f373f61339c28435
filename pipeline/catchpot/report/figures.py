"""Helpers that every section draws with. Each takes columns and words and returns a plain plotly dict.

Nothing here computes a result: values, intervals and bands come from stored tables. Numbers are lists, arrays or
polars Series; null and NaN leave a gap. Times are datetimes with a zone, shown in `zone`. Headings carry the unit:
`table.column("arrival_volume_l").heading` gives one. The page puts each figure on the house's theme, so a figure
sets no fonts and takes colours from `theme.LIGHT` only.

    history(...)        measures over time (or shot number) as stacked strips, with intervals, bands, steps and events
    over_volume(...)    curves over volume on a usual band, odd stretches and marks in place
    shot_strips(...)    one shot over time: stacked channels with the phase names as ground
    cause_bars(...)     horizontal bars with whiskers between two volumes on one axis
    ruler(...)          what is still to come, each with its interval: shots or days left
    lanes(...)          marks in lanes by kind along the shots or along time
    spread(...)         the distribution of a measure against its specification band
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal
from zoneinfo import ZoneInfo

from catchpot.report import theme, words

Numbers = Iterable[float | None]
Plot = dict[str, Any]
LIMIT = 2_000
_C = theme.LIGHT


@dataclass(frozen=True)
class Ring:
    """A mark: a ring around the point at `x` (a time or a number) and `y`, with its phrase beside it."""

    x: Any
    y: float
    phrase: str


@dataclass(frozen=True)
class Level:
    """A horizontal piece from `start` to `end` (times or numbers; None: the strip's own end) at `value`, named by its
    phrase; `low`, `high` draw its interval."""

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


@dataclass(frozen=True)
class Flag:
    """An event: a dotted line through all strips with a number on top; `flag_key` gives the words for the numbers."""

    at: Any
    text: str


@dataclass(frozen=True)
class Curve:
    """A curve over volume. kind: how it is drawn; "measured" as points, the others as lines (faint: one of many)."""

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


# --- columns ---------------------------------------------------------------------------------------------------------


def numbers(values: Numbers) -> list[float | None]:
    """Plain floats; null, NaN and infinity as None."""
    return [None if v is None or not math.isfinite(float(v)) else float(v) for v in values]


def places(values: Iterable[Any], zone: str) -> list[Any]:
    """Positions on an x axis: times as local text without offset (plotly knows no zones), numbers as they are."""
    local = ZoneInfo(zone)
    return [
        v.astimezone(local).strftime("%Y-%m-%d %H:%M:%S") if isinstance(v, datetime) and v.tzinfo is not None
        else v.isoformat() if hasattr(v, "isoformat") else v
        for v in values
    ]  # fmt: skip


def kept_points(y: Sequence[float | None], limit: int = LIMIT) -> list[int]:
    """Which points of a long curve to draw: each stretch by its lowest and highest; a stretch without any stays a gap.

    >>> kept_points([0, 9, 1, 1, -5, 1], limit=4)
    [0, 1, 3, 4]
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


# --- over time -------------------------------------------------------------------------------------------------------


def history_height(strips: int, events: bool = True) -> int:
    """Height in pixels that suits a history of that many strips."""
    return 70 + (24 if events else 0) + 132 * strips


def history(strips: Sequence[Strip], flags: Sequence[Flag] = (), *, zone: str = "UTC", x_heading: str = "") -> Plot:
    """Measures as stacked strips on one x axis, one unit each, events as numbered flags through all of them.

    x_heading: title of the x axis where x holds numbers ("shot since the seal was replaced"); times need none.
    A specification band is a strip's `band` with its words; before and after a step are its `levels`.
    """
    figure: Plot = {"data": [], "layout": {"annotations": [], "shapes": [], "margin": {"t": 30 if flags else 14}}}
    for row, (strip, (bottom, top)) in enumerate(zip(strips, _domains(len(strips)), strict=True), 1):
        _strip(figure, strip, row, bottom, top, zone)
    last = f"y{len(strips)}" if len(strips) > 1 else "y"
    figure["layout"]["xaxis"] = {
        "anchor": last,
        "title": {"text": x_heading},
        "hoverformat": "%e %b %Y, %H:%M",
        "tickformatstops": _TIME_TICKS,
    }
    for i, flag in enumerate(flags, 1):
        at = places([flag.at], zone)[0]
        figure["layout"]["shapes"].append(_upright(at, _C["muted"], "dot"))
        figure["layout"]["annotations"].append(
            _words(str(i), x=at, y=1, yref="paper", yshift=14, xanchor="center", hovertext=flag.text, bordercolor=_C["frame"])
        )  # fmt: skip
    return figure


# Days and months as people write them, whatever the zoom.
_TIME_TICKS = [
    {"dtickrange": [None, 86_400_000], "value": "%H:%M\n%e %b %Y"},
    {"dtickrange": [86_400_000, "M1"], "value": "%e %b\n%Y"},
    {"dtickrange": ["M1", "M12"], "value": "%b\n%Y"},
    {"dtickrange": ["M12", None], "value": "%Y"},
]


def _domains(n: int) -> list[tuple[float, float]]:
    """Bottom and top of n strips from top to bottom, with room for each heading above its strip."""
    room = 1 / max(n, 1)
    return [(1 - (i + 1) * room, 1 - i * room - 0.2 * room) for i in range(n)]


def _strip(figure: Plot, strip: Strip, row: int, bottom: float, top: float, zone: str) -> None:
    suffix = "" if row == 1 else str(row)
    y_axis = f"y{suffix}"
    all_x, all_y = places(strip.x, zone), numbers(strip.value)
    kept = kept_points(all_y)
    x, y = [all_x[i] for i in kept], [all_y[i] for i in kept]
    trace: Plot = {
        "type": "scatter",
        "mode": "lines+markers" if strip.joined else "markers",
        "name": strip.heading,
        "x": x,
        "y": y,
        "yaxis": y_axis,
        "marker": {"size": 6 if len(x) < 150 else 4, "color": _C["main"]},
        "line": {"width": 1, "color": _C["main"]},
        "hovertemplate": "%{text}%{x}<br>%{y}<extra></extra>",
        "text": [f"{strip.names[i]}<br>" if i < len(strip.names) else "" for i in kept],
    }
    if strip.low is not None and strip.high is not None:
        low, high = numbers(strip.low), numbers(strip.high)
        trace["error_y"] = {
            "type": "data",
            "symmetric": False,
            "array": [_gap(high[i], all_y[i]) for i in kept],
            "arrayminus": [_gap(all_y[i], low[i]) for i in kept],
            "width": 0,
            "thickness": 1,
            "color": _C["main"],
        }
    figure["data"].append(trace)
    if strip.band is not None:
        figure["layout"]["shapes"].extend(_band_shapes(strip.band, y_axis))
        if strip.band_words:
            figure["layout"]["annotations"].append(
                _words(strip.band_words, x=1, xref="paper", y=top, yref="paper", xanchor="right", yanchor="bottom",
                       font={"color": _C["muted"], "size": 12})
            )  # fmt: skip
    ends = [v for v in x if v is not None]
    for level in strip.levels:
        _level(figure, level, y_axis, ends, zone)
    _rings(figure, strip.rings, y_axis, zone)
    figure["layout"]["annotations"].append(
        _words(f"<b>{strip.heading}</b>", x=0, xref="paper", y=top, yref="paper", xanchor="left", yanchor="bottom")
    )
    figure["layout"][f"yaxis{suffix}"] = {"domain": [bottom, top], "nticks": 5}


def _gap(high: float | None, low: float | None) -> float | None:
    return None if high is None or low is None else max(high - low, 0.0)


def _band_shapes(band: tuple[float | None, float | None], y_axis: str) -> list[Plot]:
    """The tinted range and a thin line at each end that is given (a tint alone is lost on a poor printer)."""
    low, high = band
    shapes: list[Plot] = []
    if low is not None and high is not None:
        shapes.append({
            "type": "rect", "xref": "paper", "x0": 0, "x1": 1, "yref": y_axis, "y0": low, "y1": high,
            "fillcolor": _C["band"], "line": {"width": 0}, "layer": "below",
        })  # fmt: skip
    shapes.extend(
        {"type": "line", "xref": "paper", "x0": 0, "x1": 1, "yref": y_axis, "y0": end, "y1": end,
         "line": {"color": _C["frame"], "width": 1, "dash": "dash"}, "layer": "below"}
        for end in band if end is not None
    )  # fmt: skip
    return shapes


def _level(figure: Plot, level: Level, y_axis: str, ends: Sequence[Any], zone: str) -> None:
    if not ends:
        return
    start = places([level.start], zone)[0] if level.start is not None else min(ends)
    end = places([level.end], zone)[0] if level.end is not None else max(ends)
    if level.low is not None and level.high is not None:
        figure["layout"]["shapes"].append({
            "type": "rect", "xref": "x", "x0": start, "x1": end, "yref": y_axis, "y0": level.low, "y1": level.high,
            "fillcolor": _C["spec"], "line": {"width": 0}, "layer": "below",
        })  # fmt: skip
    figure["data"].append({
        "type": "scatter", "mode": "lines", "name": level.phrase or "level", "x": [start, end],
        "y": [level.value, level.value], "yaxis": y_axis, "line": {"color": _C["second"], "width": 2},
        "hovertemplate": (level.phrase or "%{y}") + "<extra></extra>",
    })  # fmt: skip
    if level.phrase:
        figure["layout"]["annotations"].append(
            _words(level.phrase, x=start, y=level.value, yref=y_axis, xanchor="left", yanchor="bottom",
                   font={"color": _C["second"], "size": 12})
        )  # fmt: skip


def _rings(figure: Plot, rings: Sequence[Ring], y_axis: str, zone: str) -> None:
    if not rings:
        return
    x = places([r.x for r in rings], zone)
    figure["data"].append({
        "type": "scatter", "mode": "markers+text", "name": "marked", "x": x, "y": [r.y for r in rings], "yaxis": y_axis,
        "marker": {"symbol": "circle-open", "size": 15, "color": _C["ink"], "line": {"width": 1.6}},
        "text": [r.phrase for r in rings], "textposition": "top center", "textfont": {"size": 12},
        "hovertemplate": "%{text}<br>%{x}<br>%{y}<extra></extra>", "cliponaxis": False,
    })  # fmt: skip


def _upright(at: Any, colour: str, dash: str = "solid") -> Plot:
    return {
        "type": "line", "xref": "x", "x0": at, "x1": at, "yref": "paper", "y0": 0, "y1": 1, "layer": "below",
        "line": {"color": colour, "width": 1, "dash": dash},
    }  # fmt: skip


def _words(text: str, **where: Any) -> Plot:
    """An annotation without arrow; text may hold plotly's <b> and <br>, so callers pass our own words or numbers."""
    return {"text": text, "showarrow": False, "xref": "x", "yref": "y", "yanchor": "middle", **where}


# --- over volume -----------------------------------------------------------------------------------------------------


def over_volume(
    curves: Sequence[Curve],
    band: Band | None = None,
    *,
    spans: Sequence[Span] = (),
    rings: Sequence[Ring] = (),
    x_heading: str = "metered volume [l]",
    y_heading: str = "resistance [bar min/l]",
    y_range: tuple[float, float] | None = None,
) -> Plot:
    """Curves over volume on the usual band; an odd stretch is tinted in place, a mark is a ring with its phrase."""
    data: list[Plot] = _band_traces(band) if band is not None else []
    data.extend(_curve(c, n) for n, c in enumerate(curves))
    figure: Plot = {
        "data": data,
        "layout": {
            "xaxis": {"title": {"text": x_heading}},
            "yaxis": {"title": {"text": y_heading}, **({"range": list(y_range)} if y_range else {})},
            "showlegend": True,
            "shapes": [_span_shape(s) for s in spans],
            "annotations": [
                _words(s.phrase, x=(s.start + s.end) / 2, y=1, yref="paper", yanchor="bottom")
                for s in spans
                if s.phrase
            ],
        },
    }
    _rings(figure, rings, "y", "UTC")
    if rings:
        figure["data"][-1]["showlegend"] = False
    return figure


def _band_traces(band: Band) -> list[Plot]:
    x, low, high = numbers(band.x), numbers(band.low), numbers(band.high)
    known = [i for i in range(len(x)) if x[i] is not None and low[i] is not None and high[i] is not None]
    edge: Plot = {
        "type": "scatter", "mode": "lines", "x": [x[i] for i in known], "hoverinfo": "skip",
        "line": {"width": 0.8, "color": _C["frame"]}, "legendgroup": "band",
    }  # fmt: skip
    return [
        {**edge, "name": f"{band.name}, lower edge", "y": [low[i] for i in known], "showlegend": False},
        {**edge, "name": band.name, "y": [high[i] for i in known], "fill": "tonexty", "fillcolor": _C["band"]},
    ]


def _curve(curve: Curve, n: int) -> Plot:
    x, y = decimate(curve.x, curve.y)
    trace: Plot = {
        "type": "scatter", "name": curve.name, "x": x, "y": y, "connectgaps": False,
        "hovertemplate": "%{x:.3~f}: %{y:.3~f}<extra></extra>",
    }  # fmt: skip
    if curve.kind == "measured":
        return {**trace, "mode": "markers", "marker": {"size": 4, "color": _C["main"]}}
    if curve.kind == "faint":
        return {**trace, "mode": "lines", "line": {"width": 1, "color": _C["frame"]}, "showlegend": False}
    colour = _C["second"] if curve.kind == "fitted" else theme.SERIES[n % len(theme.SERIES)]
    dash = "solid" if curve.kind == "fitted" else theme.DASHES[n % len(theme.DASHES)]
    return {**trace, "mode": "lines", "line": {"width": 2, "color": colour, "dash": dash}}


def _span_shape(span: Span) -> Plot:
    return {
        "type": "rect", "xref": "x", "x0": span.start, "x1": span.end, "yref": "paper", "y0": 0, "y1": 1,
        "fillcolor": _C["odd"] if span.kind == "odd" else _C["spec"],
        "line": {"width": 1 if span.kind == "odd" else 0, "color": _C["frame"], "dash": "dot"}, "layer": "below",
    }  # fmt: skip


def shot_strips(
    t_s: Numbers,
    channels: Sequence[tuple[str, Numbers]],
    phases: Sequence[tuple[str, float, float]] = (),
    *,
    spans: Sequence[Span] = (),
    x_heading: str = "time since the first sample [s]",
) -> Plot:
    """One shot over time: a strip a channel (heading with unit, values), phases (name, start, end) as ground."""
    times = numbers(t_s)
    figure: Plot = {"data": [], "layout": {"annotations": [], "shapes": [], "margin": {"t": 34 if phases else 14}}}
    for row, ((heading, values), (bottom, top)) in enumerate(zip(channels, _domains(len(channels)), strict=True), 1):
        suffix = "" if row == 1 else str(row)
        x, y = decimate(times, values)
        figure["data"].append({
            "type": "scatter", "mode": "lines", "name": heading, "x": x, "y": y, "yaxis": f"y{suffix}",
            "line": {"width": 1.3, "color": _C["main"]}, "hovertemplate": "%{x:.1f} s: %{y}<extra></extra>",
        })  # fmt: skip
        figure["layout"]["annotations"].append(
            _words(f"<b>{heading}</b>", x=0, xref="paper", y=top, yref="paper", xanchor="left", yanchor="bottom")
        )
        figure["layout"][f"yaxis{suffix}"] = {"domain": [bottom, top], "nticks": 4}
    figure["layout"]["xaxis"] = {
        "anchor": f"y{len(channels)}" if len(channels) > 1 else "y", "title": {"text": x_heading},
    }  # fmt: skip
    for n, (name, start, end) in enumerate(phases):
        if n % 2 == 0:
            figure["layout"]["shapes"].append({
                "type": "rect", "xref": "x", "x0": start, "x1": end, "yref": "paper", "y0": 0, "y1": 1,
                "fillcolor": _C["ground"], "line": {"width": 0}, "layer": "below",
            })  # fmt: skip
        figure["layout"]["annotations"].append(
            _words(f"<i>{name}</i>", x=(start + end) / 2, y=1, yref="paper", yanchor="bottom", yshift=6)
        )
    figure["layout"]["shapes"].extend(_span_shape(s) for s in spans)
    return figure


# --- causes, what is to come, kinds, distributions -------------------------------------------------------------------


def bars_height(rows: int) -> int:
    """Height in pixels that suits a figure of that many named rows (cause_bars, ruler, lanes)."""
    return 84 + 30 * max(rows, 1)


def cause_bars(
    parts: Sequence[Part],
    before: tuple[str, float],
    after: tuple[str, float],
    *,
    heading: str = "volume [l]",
) -> Plot:
    """Horizontal bars with whiskers that lead from the volume before to the volume after, on one axis.

    before, after: (words, value). Each bar begins where the one above it ended; its whisker is its own interval.
    """
    names = [before[0], *(p.name for p in parts), after[0]]
    base, starts = before[1], []
    for part in parts:
        starts.append(base)
        base += part.change
    known = [p.low is not None and p.high is not None for p in parts]
    data: list[Plot] = [
        {
            "type": "bar", "orientation": "h", "name": "change", "y": [p.name for p in parts], "base": starts,
            "x": [p.change for p in parts], "width": 0.5,
            "marker": {
                "color": [_C["main"] if p.change >= 0 else _C["second"] for p in parts],
                "line": {"color": _C["ink"], "width": 1},
            },
            "error_x": {
                "type": "data", "symmetric": False, "thickness": 1.4, "width": 5, "color": _C["ink"],
                "array": [_gap(p.high, p.change) for p in parts], "arrayminus": [_gap(p.change, p.low) for p in parts],
            },
            "text": [words.signed(p.change, "", 3) if ok else "" for p, ok in zip(parts, known, strict=True)],
            "textposition": "none", "hovertemplate": "%{y}: %{text}<extra></extra>",
        },
        {
            "type": "scatter", "mode": "markers", "name": "volume", "x": [before[1], after[1]],
            "y": [before[0], after[0]], "marker": {"symbol": "line-ns-open", "size": 22, "color": _C["ink"],
            "line": {"width": 3}}, "hovertemplate": "%{y}: %{x:.3f}<extra></extra>",
        },
    ]  # fmt: skip
    return {
        "data": data,
        "layout": {
            "xaxis": {"title": {"text": heading}},
            "yaxis": {
                "type": "category",
                "categoryorder": "array",
                "categoryarray": names,
                "autorange": "reversed",
                "ticks": "",
            },
            "shapes": [_upright(before[1], _C["frame"], "dot"), _upright(after[1], _C["frame"], "dot")],
            "bargap": 0.3,
        },
    }


def ruler(rows: Sequence[Coming], *, heading: str = "shots still to come") -> Plot:
    """What is still to come, a row each: a line over its interval, a tick at the estimate, words at the line's end."""
    drawn = [r for r in rows if r.value is not None]
    data: list[Plot] = [
        {
            "type": "scatter", "mode": "lines", "name": f"{r.name}, interval", "x": [r.low, r.high],
            "y": [r.name, r.name], "line": {"width": 5, "color": _C["frame"]}, "hoverinfo": "skip",
        }
        for r in drawn if r.low is not None and r.high is not None
    ]  # fmt: skip
    data.append({
        "type": "scatter", "mode": "markers", "name": "estimate", "x": [r.value for r in drawn],
        "y": [r.name for r in drawn],
        "marker": {"symbol": "line-ns-open", "size": 20, "color": _C["ink"], "line": {"width": 3}},
        "hovertemplate": "%{y}: %{x:.0f}<extra></extra>",
    })  # fmt: skip
    return {
        "data": data,
        "layout": {
            "xaxis": {"title": {"text": heading}, "rangemode": "tozero"},
            "yaxis": {
                "type": "category",
                "categoryorder": "array",
                "categoryarray": [r.name for r in rows],
                "range": [len(rows) - 0.5, -0.5],
                "ticks": "",
            },
            "annotations": [
                _words(r.phrase, x=max(v for v in (r.value, r.high) if v is not None) if r.value is not None else 0,
                       y=r.name, xanchor="left", xshift=10, yanchor="middle")
                for r in rows if r.phrase
            ],
        },
    }  # fmt: skip


def lanes(rows: Sequence[Lane], *, zone: str = "UTC", x_heading: str = "") -> Plot:
    """Marks in lanes, one kind a lane, along shots or time; a heavy mark is filled, the others are rings."""
    data: list[Plot] = []
    for lane in rows:
        x = places(lane.x, zone)
        heavy = [bool(lane.heavy[i]) if i < len(lane.heavy) else False for i in range(len(x))]
        data.append({
            "type": "scatter", "mode": "markers", "name": lane.name, "x": x, "y": [lane.name] * len(x),
            "marker": {
                "symbol": ["circle" if h else "circle-open" for h in heavy], "size": 11, "color": _C["main"],
                "line": {"width": 1.6, "color": _C["main"]},
            },
            "text": [f"{lane.names[i]}<br>" if i < len(lane.names) else "" for i in range(len(x))],
            "hovertemplate": "%{text}%{x}<br>%{y}<extra></extra>",
        })  # fmt: skip
    return {
        "data": data,
        "layout": {
            "xaxis": {
                "title": {"text": x_heading},
                "tickformatstops": _TIME_TICKS,
                "hoverformat": "%e %b %Y, %H:%M",
            },
            "yaxis": {
                "type": "category",
                "categoryorder": "array",
                "categoryarray": [r.name for r in rows],
                "range": [len(rows) - 0.5, -0.5],
                "ticks": "",
            },
        },
    }


def spread(
    values: Numbers,
    band: tuple[float | None, float | None] | None = None,
    *,
    heading: str,
    band_words: str = "",
    bins: int = 20,
) -> Plot:
    """How a measure lies: counts in equal bins over the specification band (tinted; either end None for open)."""
    known = [v for v in numbers(values) if v is not None]
    data: list[Plot] = [{
        "type": "histogram", "name": heading, "x": known, "nbinsx": bins,
        "marker": {"color": _C["main"], "line": {"color": _C["paper"], "width": 1}},
        "hovertemplate": "%{x}: %{y} shots<extra></extra>",
    }]  # fmt: skip
    shapes: list[Plot] = []
    annotations: list[Plot] = []
    if band is not None:
        low, high = band
        if low is not None and high is not None:
            shapes.append({
                "type": "rect", "yref": "paper", "y0": 0, "y1": 1, "xref": "x", "x0": low, "x1": high,
                "fillcolor": _C["spec"], "line": {"width": 0}, "layer": "below",
            })  # fmt: skip
        shapes.extend(_upright(end, _C["frame"], "dash") for end in band if end is not None)
        if band_words:
            annotations.append(
                _words(band_words, x=1, xref="paper", y=1, yref="paper", xanchor="right", yanchor="bottom",
                       font={"color": _C["muted"], "size": 12})
            )  # fmt: skip
    return {
        "data": data,
        "layout": {
            "xaxis": {"title": {"text": heading}},
            "yaxis": {"title": {"text": "shots"}},
            "shapes": shapes,
            "annotations": annotations,
        },
    }


__all__ = [
    "Band", "Coming", "Curve", "Flag", "Lane", "Level", "Numbers", "Part", "Plot", "Ring", "Span", "Strip", "bars_height",
    "cause_bars", "decimate", "flag_key", "history", "history_height", "kept_points", "lanes", "numbers", "over_volume",
    "places", "ruler", "shot_strips", "spread",
]  # fmt: skip
