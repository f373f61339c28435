"""Figures over time: stacked strips of a history, and one shot's channels with its phases."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from catchpot.report import words
from catchpot.report.marks import (
    C,
    Flag,
    Level,
    Numbers,
    Plot,
    Span,
    Strip,
    bold_lines,
    decimate,
    gap,
    in_shop_unit,
    kept_points,
    note,
    numbers,
    places,
    ring_trace,
    safe,
    span_shape,
    time_axis,
    upright,
)
from catchpot.shop_units import in_heading


def history_height(strips: int, events: bool = True) -> int:
    """Height in pixels that suits a history of that many strips."""
    return 62 + (24 if events else 0) + 132 * strips


def history(
    strips: Sequence[Strip], flags: Sequence[Flag] = (), *, zone: str = "UTC", x_heading: str = "", headed: bool = True
) -> Plot:
    """Measures as stacked strips on one x axis, one unit each, events as numbered flags through all of them.

    x_heading: title of the x axis where x holds numbers ("shot since the seal was replaced"); times need none.
    headed: each strip's heading stands above it; a figure of one strip may have it in its title.
    A specification band is a strip's `band` with its words; before and after a step are its `levels`.
    """
    figure: Plot = {"data": [], "layout": {"annotations": [], "shapes": [], "margin": {"t": 30 if flags else 14}}}
    strips = [in_shop_unit(strip) for strip in strips]
    above = [bold_lines(strip.heading) if headed else [] for strip in strips]
    key: list[Plot] = []
    usual: Plot = {}
    for row, (strip, lines, (bottom, top)) in enumerate(zip(strips, above, _domains(above), strict=True), 1):
        first = len(figure["data"])
        _strip(figure, strip, row, zone)
        traces = list(range(first, len(figure["data"])))
        key.append({"name": strip.heading, "words": _beside(strip), "traces": traces})
        if strip.usual:
            usual["y" if row == 1 else f"y{row}"] = strip.usual
        _headings(figure, lines, top)
        figure["layout"]["yaxis" if row == 1 else f"yaxis{row}"] = {"domain": [bottom, top], "nticks": 5}
    figure["layout"]["xaxis"] = {
        "anchor": f"y{len(strips)}" if len(strips) > 1 else "y",
        "title": {"text": x_heading},
        **(time_axis() if _timed(v for strip in strips for v in strip.x) else {}),
    }
    figure["layout"]["meta"] = {"key": key, "usual": usual}
    for names, together in _flags_apart(flags, strips):
        for flag in together:
            figure["layout"]["shapes"].append(upright(places([flag.at], zone)[0], C["muted"], "dot"))
        at = places([together[len(together) // 2].at], zone)[0]
        said = "<br>".join(safe(flag.text) for flag in together)
        figure["layout"]["annotations"].append(
            note(names, x=at, y=1, yref="paper", yshift=14, hovertext=said, bordercolor=C["frame"])
        )  # fmt: skip
    return figure


# Numbers closer than this share of the x axis would be printed over each other.
_FLAG_ROOM = 0.035


def _flags_apart(flags: Sequence[Flag], strips: Sequence[Strip]) -> list[tuple[str, list[Flag]]]:
    """Flags with their numbers; neighbours too close for two numbers share one ("2-4")."""
    where = [_as_number(f.at) for f in flags]
    along = [*where, *(_as_number(x) for s in strips for x in s.x if x is not None)]
    room = _FLAG_ROOM * (max(along) - min(along)) if along else 0.0
    groups: list[list[int]] = []
    for i in sorted(range(len(flags)), key=lambda i: where[i]):
        if groups and where[i] - where[groups[-1][0]] < room:
            groups[-1].append(i)
        else:
            groups.append([i])
    return [(_run(group), [flags[i] for i in group]) for group in groups]


def _run(group: Sequence[int]) -> str:
    numbers = sorted(i + 1 for i in group)
    if len(numbers) == 1:
        return str(numbers[0])
    unbroken = numbers[-1] - numbers[0] == len(numbers) - 1
    return f"{numbers[0]}–{numbers[-1]}" if unbroken else ", ".join(map(str, numbers))


def _as_number(at: Any) -> float:
    if hasattr(at, "timestamp"):
        return float(at.timestamp())
    return 86_400.0 * at.toordinal() if hasattr(at, "toordinal") else float(at)


def _timed(values: Iterable[Any]) -> bool:
    """Whether an x axis holds times."""
    first = next((v for v in values if v is not None), None)
    return hasattr(first, "isoformat")


def _beside(strip: Strip) -> str:
    """What a strip's band and levels are, for the key beneath the figure."""
    said = [strip.band_words, *(v.phrase for v in strip.levels)]
    if strip.usual:
        said.append(f"100 % is {words.number(strip.usual)}, the median of the first shots")
    return "; ".join(filter(None, said))


def _headings(figure: Plot, lines: Sequence[str], top: float) -> None:
    if not lines:
        return
    text = "<br>".join(lines)
    figure["layout"]["annotations"].append(
        note(text, x=0, xref="paper", y=top, yref="paper", xanchor="left", yanchor="bottom", align="left",
             font={"size": 12}, bgcolor=C["paper"])
    )  # fmt: skip


def _domains(said: Sequence[Sequence[str]]) -> list[tuple[float, float]]:
    """Bottom and top of the strips from top to bottom, with room above each for its lines."""
    room = 1 / max(len(said), 1)
    return [(1 - (i + 1) * room, 1 - i * room - room * (0.06 + 0.12 * len(lines))) for i, lines in enumerate(said)]


def _strip(figure: Plot, strip: Strip, row: int, zone: str) -> None:
    y_axis = "y" if row == 1 else f"y{row}"
    all_x, all_y = places(strip.x, zone), numbers(strip.value)
    kept = kept_points(all_y)
    x, y = [all_x[i] for i in kept], [all_y[i] for i in kept]
    trace: Plot = {
        "type": "scatter",
        "mode": "lines+markers" if strip.joined else "markers",
        "name": safe(strip.heading),
        "x": x,
        "y": y,
        "yaxis": y_axis,
        "marker": {"size": 6 if len(x) < 150 else 4, "color": C["main"]},
        "line": {"width": 1, "color": C["main"]},
        "hovertemplate": "%{x}<br>%{y}<extra></extra>",
        "customdata": [strip.names[i] if i < len(strip.names) else "" for i in kept],
    }
    if strip.low is not None and strip.high is not None:
        low, high = numbers(strip.low), numbers(strip.high)
        trace["error_y"] = {
            "type": "data",
            "symmetric": False,
            "array": [gap(high[i], all_y[i]) for i in kept],
            "arrayminus": [gap(all_y[i], low[i]) for i in kept],
            "width": 0,
            "thickness": 1,
            "color": C["main"],
        }
    figure["data"].append(trace)
    if strip.band is not None:
        figure["layout"]["shapes"].extend(_band_shapes(strip.band, y_axis))
    ends = [v for v in x if v is not None]
    for level in strip.levels:
        _level(figure, level, y_axis, ends, zone)
    ring_trace(figure, strip.rings, y_axis, zone)


def _band_shapes(band: tuple[float | None, float | None], y_axis: str) -> list[Plot]:
    """The tinted range and a thin line at each end that is given (a tint alone is lost on a poor printer)."""
    low, high = band
    shapes: list[Plot] = []
    if low is not None and high is not None:
        shapes.append({
            "type": "rect", "xref": "paper", "x0": 0, "x1": 1, "yref": y_axis, "y0": low, "y1": high,
            "fillcolor": C["band"], "line": {"width": 0}, "layer": "below",
        })  # fmt: skip
    shapes.extend(
        {"type": "line", "xref": "paper", "x0": 0, "x1": 1, "yref": y_axis, "y0": end, "y1": end,
         "line": {"color": C["frame"], "width": 1, "dash": "dash"}, "layer": "below"}
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
            "fillcolor": C["spec"], "line": {"width": 0}, "layer": "below",
        })  # fmt: skip
    figure["data"].append({
        "type": "scatter", "mode": "lines", "name": safe(level.phrase) or "level", "x": [start, end],
        "y": [level.value, level.value], "yaxis": y_axis, "line": {"color": C["second"], "width": 2},
        "hovertemplate": (safe(level.phrase) or "%{y}") + "<extra></extra>",
    })  # fmt: skip


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
    channels = [(h, [None if v is None else f * v for v in numbers(c)])
                for (h, f), c in ((in_heading(heading), values) for heading, values in channels)]  # fmt: skip
    figure: Plot = {"data": [], "layout": {"annotations": [], "shapes": [], "margin": {"t": 34 if phases else 14}}}
    for row, ((heading, values), (bottom, top)) in enumerate(
        zip(channels, _domains([bold_lines(h) for h, _ in channels]), strict=True), 1
    ):
        suffix = "" if row == 1 else str(row)
        x, y = decimate(times, values)
        figure["data"].append({
            "type": "scatter", "mode": "lines", "name": safe(heading), "x": x, "y": y, "yaxis": f"y{suffix}",
            "line": {"width": 1.3, "color": C["main"]}, "hovertemplate": "%{x:.1f} s: %{y}<extra></extra>",
        })  # fmt: skip
        _headings(figure, bold_lines(heading), top)
        figure["layout"][f"yaxis{suffix}"] = {"domain": [bottom, top], "nticks": 4}
    figure["layout"]["xaxis"] = {
        "anchor": f"y{len(channels)}" if len(channels) > 1 else "y", "title": {"text": x_heading},
    }  # fmt: skip
    for n, (name, start, end) in enumerate(phases):
        if n % 2 == 0:
            figure["layout"]["shapes"].append({
                "type": "rect", "xref": "x", "x0": start, "x1": end, "yref": "paper", "y0": 0, "y1": 1,
                "fillcolor": C["ground"], "line": {"width": 0}, "layer": "below",
            })  # fmt: skip
        figure["layout"]["annotations"].append(
            note(f"<i>{safe(name)}</i>", x=(start + end) / 2, y=1, yref="paper", yanchor="bottom", yshift=6)
        )
    figure["layout"]["shapes"].extend(span_shape(s) for s in spans)
    return figure
