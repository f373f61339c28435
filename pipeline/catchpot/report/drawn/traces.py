"""Traces of a drawn figure: scatter (points, lines, bands, error bars, words) and horizontal bars."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import chain, pairwise
from typing import Any

from catchpot.report.drawn import strokes
from catchpot.report.drawn.scale import Scale

Plot = dict[str, Any]
Spot = tuple[float, float]
LETTER = 0.005
"""Half the mean width of a letter as a share of a figure's width, on a narrow page."""
LINE = 14.0
_OPEN = ("circle-open",)
_UPRIGHT = ("line-ns-open", "line-ns")


def drawable(trace: Plot) -> bool:
    """Whether a trace can be drawn here."""
    kind = trace.get("type", "scatter")
    if kind == "bar":
        return trace.get("orientation") == "h"
    return kind == "scatter" and "x" in trace and "y" in trace and trace.get("fill", "none") in ("none", "tonexty", "")


def values_of(trace: Plot) -> tuple[list[Any], list[Any]]:
    """All that the axes have to hold of a trace: x values and y values, with the ends of bars and error bars."""
    x, y = list(trace.get("x", ())), list(trace.get("y", ()))
    if trace.get("type") == "bar":
        base = trace.get("base") or [0.0] * len(x)
        ends = [b + v for b, v in zip(base, x, strict=True)]
        return [*base, *ends, *chain(*_reach(trace, "x", ends))], y
    return x, [*y, *chain(*_reach(trace, "y", y))] if "error_y" in trace else y


def _reach(trace: Plot, axis: str, at: Sequence[Any]) -> list[list[float | None]]:
    bars = trace.get(f"error_{axis}", {})
    more, less = bars.get("array") or [], bars.get("arrayminus") or []
    return [
        [None if v is None or e is None else v + e for v, e in zip(at, more, strict=False)],
        [None if v is None or e is None else v - e for v, e in zip(at, less, strict=False)],
    ]


def trace_strokes(
    trace: Plot, x_scale: Scale, y_scale: Scale, height: Callable[[float], float], before: Plot | None
) -> tuple[str, str]:
    """A trace in two parts: what is stretched with the page's width, and what keeps its shape.

    height: share of the axis -> px. before: the trace before it, whose line a band reaches to.
    """

    def spot(x: Any, y: Any) -> Spot | None:
        across, up = x_scale.share(x), y_scale.share(y)
        return None if across is None or up is None else (across, height(up))

    if trace.get("type") == "bar":
        return _bars(trace, spot, x_scale, y_scale, height)
    spots = [spot(x, y) for x, y in zip(trace.get("x", ()), trace.get("y", ()), strict=False)]
    mode = trace.get("mode", "lines+markers")
    made = []
    if trace.get("fill") == "tonexty" and before is not None:
        other = [spot(x, y) for x, y in zip(before.get("x", ()), before.get("y", ()), strict=False)]
        ring = [s for s in spots if s] + [s for s in reversed(other) if s]
        made.append(f'<path d="{strokes.line(ring)}z"{strokes.colour("f", trace.get("fillcolor"), "n")}/>')
    made.append(_error_bars(trace, spots, y_scale, height))
    if "lines" in mode:
        about = trace.get("line", {})
        kind = strokes.colour("s", about.get("color"), "l", strokes.dash(about.get("dash")))
        made.append(f'<path d="{strokes.line(spots)}"{kind}{_width(about.get("width", 2))}/>')
    plain = ""
    if "markers" in mode:
        stretched, plain = _markers(trace.get("marker", {}), spots)
        made.append(stretched)
    if "text" in mode:  # beneath the rings: words have a ground of their own, which would cut them
        plain = _texts(trace, spots) + plain
    return "".join(made), plain


def _width(value: Any) -> str:
    return f' stroke-width="{float(value):g}"'


def _error_bars(trace: Plot, spots: Sequence[Spot | None], y_scale: Scale, height: Callable[[float], float]) -> str:
    if "error_y" not in trace:
        return ""
    path = []
    for spot, high, low in zip(spots, *_reach(trace, "y", trace["y"]), strict=False):
        ends = y_scale.share(high), y_scale.share(low)
        if spot is not None and ends[0] is not None and ends[1] is not None:
            top, foot = strokes.down(height(ends[0])), strokes.down(height(ends[1]))
            path.append(f"M{strokes.across(spot[0])} {top}V{foot}")
    return f'<path d="{"".join(path)}"{strokes.colour("s", trace["error_y"].get("color"), "l", "e")}/>' if path else ""


def _markers(marker: Plot, spots: Sequence[Spot | None]) -> tuple[str, str]:
    """Dots as one path; rings, which must not be stretched, one by one."""
    symbols = marker.get("symbol", "circle")
    each = symbols if isinstance(symbols, list) else [symbols] * len(spots)
    size = marker.get("size", 6)
    known = [(s, kind) for s, kind in zip(spots, each, strict=False) if s is not None]
    dots = [s for s, kind in known if kind not in (*_OPEN, *_UPRIGHT)]
    ticks = [s for s, kind in known if kind in _UPRIGHT]
    made, plain = "", ""
    if dots:
        made += f'<path d="{strokes.points(dots)}"{strokes.colour("s", marker.get("color"), "p")}{_width(size)}/>'
    if ticks:
        half = size / 2
        path = "".join(f"M{strokes.across(x)} {strokes.down(y - half)}v{strokes.down(size)}" for x, y in ticks)
        made += f'<path d="{path}"{strokes.colour("s", marker.get("color"), "l")} stroke-width="3"/>'
    for (x, y), kind in known:
        if kind in _OPEN and -0.01 <= x <= 1.01:
            at = f'cx="{strokes.percent(x)}" cy="{strokes.down(y)}" r="{size / 2:g}"'
            plain += f"<circle {at}{strokes.colour('s', marker.get('color'), 'r')}/>"
    return made, plain


def _texts(trace: Plot, spots: Sequence[Spot | None]) -> str:
    texts = trace.get("text", ())
    each = [texts] * len(spots) if isinstance(texts, str) else texts
    made = []
    for spot, text in zip(spots, each, strict=False):
        if spot is not None and text and -0.01 <= spot[0] <= 1.01:
            anchor = "start" if spot[0] < 0.15 else "end" if spot[0] > 0.85 else "middle"
            made.append(strokes.words(str(text), spot[0], _above(str(text), spot, spots), anchor=anchor, names="halo"))
    return "".join(made)


def _above(text: str, spot: Spot, spots: Sequence[Spot | None]) -> float:
    """The height of words over a point: above every other point of the trace that they would lie on."""
    reach = LETTER * len(text)
    near = [
        s[1] for s in spots if s is not None and abs(s[0] - spot[0]) <= reach and -LINE <= spot[1] - s[1] <= 2 * LINE
    ]
    return min([spot[1], *near]) - 11


def _bars(
    trace: Plot,
    spot: Callable[[Any, Any], Spot | None],
    x_scale: Scale,
    y_scale: Scale,
    height: Callable[[float], float],
) -> tuple[str, str]:
    base = trace.get("base") or [0.0] * len(trace["x"])
    marker = trace.get("marker", {})
    colours = marker.get("color")
    half = 0.5 * abs(height(0.0) - height(1.0)) * float(trace.get("width", 0.6)) / max(len(y_scale.names), 1)
    made = []
    for i, (start, size, name) in enumerate(zip(base, trace["x"], trace["y"], strict=True)):
        one, other = spot(start, name), spot(start + size, name)
        if one is None or other is None:
            continue
        left, right = sorted((one[0], other[0]))
        fill = colours[i] if isinstance(colours, list) else colours
        box = f"M{strokes.across(left)} {strokes.down(one[1] - half)}H{strokes.across(right)}v{strokes.down(2 * half)}"
        edge = strokes.colour("f", fill, "s-ink")
        made.append(f'<path d="{box}H{strokes.across(left)}z"{edge}/>')
    ends = [b + v for b, v in zip(base, trace["x"], strict=True)]
    for name, high, low in zip(trace["y"], *_reach(trace, "x", ends), strict=False):
        reach = [s for s in (spot(low, name), spot(high, name)) if s is not None]
        for (x0, y), (x1, _) in pairwise(reach):
            caps = "".join(f"M{strokes.across(x)} {strokes.down(y - 4)}v8" for x in (x0, x1))
            made.append(
                f'<path d="M{strokes.across(x0)} {strokes.down(y)}H{strokes.across(x1)}{caps}" class="s-ink l"/>'
            )
    return "".join(made), ""


__all__ = ["drawable", "trace_strokes", "values_of"]
