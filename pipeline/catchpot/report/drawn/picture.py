"""A figure as SVG, drawn from the same numbers that the plotting library takes over when a reader touches it.

So a page reads and prints without scripts, and shows its first picture at once. What it draws: scatter traces (points,
lines, bands, error bars, words), horizontal bars, shapes and notes on number, time and name axes. `draw` returns None
for anything else (a plugin may deliver any trace of the page's plotting library): that is drawn live only.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from catchpot.report.drawn import strokes
from catchpot.report.drawn.scale import Scale, Tick, scale_of
from catchpot.report.drawn.traces import drawable, trace_strokes, values_of

Plot = dict[str, Any]
LETTER_PX = 6.6
"""Mean width of a letter of a tick's words."""
SIDES = (48, 64, 84, 112, 150, 190)
"""Room left of the plot area there may be, in pixels; the style sheet has a class for each."""
RIGHT_PX, TICK_PX, LINE_PX = 18, 5, 15
X_TICKS = 6
AT_END = 0.985
NARROW_PX = 250
"""Width of the plot area on a telephone."""


@dataclass(frozen=True)
class Drawn:
    """A drawn figure. svg: the markup. left: room for the words of the y axes, px. layout: what the live figure has to
    take over so that it lies where the drawn one lay: ranges, ticks, margins."""

    svg: str
    left: int
    layout: Plot


@dataclass(frozen=True)
class Frame:
    """Where the plot area lies, px from the top."""

    top: float
    bottom: float

    def y(self, share: float) -> float:
        """Height of a share (0 at the bottom) of the plot area."""
        return self.bottom - share * (self.bottom - self.top)


def draw(figure: Plot, height: int) -> Drawn | None:
    """Draw a plain plotly figure; None where it holds what can't be drawn here."""
    figure = {"data": figure["data"], "layout": dict(figure["layout"])}
    layout = figure["layout"]
    if not all(drawable(t) for t in figure["data"]) or not _axes_known(layout):
        return None
    x_axis = layout.get("xaxis", {})
    scales = _scales(figure)
    layout["annotations"] = [_kept_inside(n, scales["x"]) for n in layout.get("annotations", ())]
    layout["annotations"] += [
        _heading(name, layout, _left(scales, layout)) for name in scales if _title_of(name, layout)
    ]
    titled = bool(_title(x_axis))
    tall = max((len(t.lines) for t in scales["x"].ticks), default=0)
    named = any(_title_of(name, layout) for name in scales)
    margin = {"t": 30 if named else 14, **layout.get("margin", {})}
    bottom = 8 + TICK_PX + LINE_PX * tall + (18 if titled else 0)
    frame = Frame(float(margin["t"]), float(height - bottom))
    parts = [_shapes(layout, scales, frame, below=True)]
    parts += [_grid(scales, layout, frame)]
    parts += [_traces(figure, scales, layout, frame)]
    parts += [_shapes(layout, scales, frame, below=False), _axes(scales, layout, frame)]
    parts += [_note(n, scales, frame, layout) for n in layout.get("annotations", ())]
    svg = f'<svg class="fig" width="100%" height="{height}" aria-hidden="true">{"".join(parts)}</svg>'
    left = _left(scales, layout)
    return Drawn(svg, left, _taken_over(figure, scales, {"l": left, "r": RIGHT_PX, "t": margin["t"], "b": bottom}))


EDGE = 0.2


def _kept_inside(note: Plot, x: Scale) -> Plot:
    """A note near an edge, with its words towards the middle."""
    if note.get("xref", "x") != "x" or "xanchor" in note:
        return note
    share = x.share(note["x"])
    if share is None or EDGE < share < 1 - EDGE:
        return note
    return {**note, "xanchor": "left" if share <= EDGE else "right"}


def _title_of(name: str, layout: Plot) -> str:
    return _title(layout.get(_key(name), {})) if name != "x" else ""


def _heading(name: str, layout: Plot, left: int) -> Plot:
    """The title of a y axis above it, not turned: a turned line is hard to read and needs room at the side."""
    top = layout.get(_key(name), {}).get("domain", (0.0, 1.0))[1]
    return {
        "text": _title_of(name, layout), "showarrow": False, "x": 0, "xref": "paper", "xanchor": "left",
        "xshift": 4 - left, "y": top, "yref": "paper", "yanchor": "bottom", "yshift": 4,
    }  # fmt: skip


def _axes_known(layout: Plot) -> bool:
    x_axes = [k for k in layout if k.startswith("xaxis")]
    return x_axes in ([], ["xaxis"]) and all(
        layout[k].get("type", "-") in ("-", "linear", "date", "category") and "overlaying" not in layout[k]
        for k in layout if k[1:5] == "axis"
    )  # fmt: skip


def _title(axis: Mapping[str, Any]) -> str:
    title = axis.get("title", "")
    return str(title.get("text") or "") if isinstance(title, Mapping) else str(title or "")


def _key(axis: str) -> str:
    return f"{axis[0]}axis{axis[1:]}"


def _scales(figure: Plot) -> dict[str, Scale]:
    """The scale of each axis by plotly's name for it: x, y, y2, ..."""
    layout = figure["layout"]
    made: dict[str, Scale] = {}
    x_values: list[Any] = []
    by_y: dict[str, list[Any]] = {}
    for trace in figure["data"]:
        xs, ys = values_of(trace)
        x_values += xs
        by_y.setdefault(trace.get("yaxis", "y"), []).extend(ys)
    for shape in layout.get("shapes", ()):
        if str(shape.get("yref", "y")) in {k.replace("axis", "") for k in layout} and "yref" in shape:
            by_y.setdefault(shape["yref"], []).extend([shape["y0"], shape["y1"]])
    names = {k.replace("axis", "") for k in layout if k.startswith("yaxis")} | set(by_y) or {"y"}
    marked = any("markers" in t.get("mode", "lines+markers") for t in figure["data"] if t.get("type") != "bar")
    made["x"] = scale_of(layout.get("xaxis", {}), x_values, X_TICKS, padded=marked)
    usual = (layout.get("meta") or {}).get("usual", {}) if isinstance(layout.get("meta"), Mapping) else {}
    for name in sorted(names):
        axis = layout.get(_key(name), {})
        made[name] = scale_of(axis, by_y.get(name, ()), axis.get("nticks", 6), padded=True)
        if usual.get(name):
            made[name].ticks = [_of_usual(t, float(usual[name])) for t in made[name].ticks]
    return made


def _of_usual(tick: Tick, usual: float) -> Tick:
    """A tick with what it is of the usual value."""
    return Tick(tick.at, (f"{tick.lines[0]} ({100 * tick.at / usual:.0f} %)",))


def _region(name: str, layout: Plot, frame: Frame) -> Frame:
    low, high = layout.get(_key(name), {}).get("domain", (0.0, 1.0))
    return Frame(frame.y(high), frame.y(low))


def _traces(figure: Plot, scales: dict[str, Scale], layout: Plot, frame: Frame) -> str:
    made = []
    for name in (n for n in scales if n != "x"):
        region = _region(name, layout, frame)
        drawn = [
            trace_strokes(trace, scales["x"], scales[name], region.y, before)
            for trace, before in _with_before(figure["data"])
            if trace.get("yaxis", "y") == name and trace.get("visible", True) is True
        ]
        stretched, plain = "".join(d[0] for d in drawn), "".join(d[1] for d in drawn)
        top, tall = region.top - 5, region.bottom - region.top + 10
        made.append(
            f'<svg y="{strokes.down(top)}" width="100%" height="{strokes.down(tall)}" preserveAspectRatio="none" '
            f'viewBox="0 {strokes.down(top)} {strokes.WIDE} {strokes.down(tall)}">{stretched}</svg>{plain}'
        )
    return "".join(made)


def _with_before(data: list[Plot]) -> list[tuple[Plot, Plot | None]]:
    return list(zip(data, [None, *data[:-1]], strict=True))


def _grid(scales: dict[str, Scale], layout: Plot, frame: Frame) -> str:
    made = []
    for name, scale in scales.items():
        if name == "x" or layout.get(_key(name), {}).get("showgrid") is False or scale.kind == "names":
            continue
        region = _region(name, layout, frame)
        for tick in scale.ticks:
            y = strokes.down(region.y(scale.share_of(tick)))
            made.append(f'<line x2="100%" y1="{y}" y2="{y}" class="s-rule"/>')
    return "".join(made)


def _axes(scales: dict[str, Scale], layout: Plot, frame: Frame) -> str:
    foot = strokes.down(frame.bottom)
    made = [f'<line x2="100%" y1="{foot}" y2="{foot}" class="s-frame"/>']
    wide = sum(LETTER_PX * max(map(len, t.lines)) + LINE_PX for t in scales["x"].ticks)
    for n, tick in enumerate(scales["x"].ticks):
        # A telephone has no room for all of them: every other one steps back there.
        spare = " o" if n % 2 and wide > NARROW_PX else ""
        at = strokes.percent(scales["x"].share_of(tick))
        made.append(
            f'<line x1="{at}" x2="{at}" y1="{foot}" y2="{strokes.down(frame.bottom + TICK_PX)}" class="s-frame"/>'
        )
        share, text = scales["x"].share_of(tick), "<br>".join(tick.lines)
        # Words at the right end stop where the figure does, or a printer would cut them.
        anchor, shift = ("end", float(RIGHT_PX)) if share > AT_END else ("middle", 0.0)
        made.append(strokes.words(text, share, frame.bottom + TICK_PX + 12, anchor=anchor, shift=shift, names=spare))
    if title := _title(layout.get("xaxis", {})):
        lowest = frame.bottom + TICK_PX + 8 + LINE_PX * max((len(t.lines) for t in scales["x"].ticks), default=0)
        made.append(strokes.words(title, 0.5, lowest + 14, size=13))
    for name in (n for n in scales if n != "x"):
        region = _region(name, layout, frame)
        axis = layout.get(_key(name), {})
        if axis.get("showticklabels") is not False:
            top, low = strokes.down(region.top), strokes.down(region.bottom)
            made.append(f'<line y1="{top}" y2="{low}" class="s-frame"/>')
        for tick in scales[name].ticks:
            y = region.y(scales[name].share_of(tick))
            lines = _wrapped(tick.lines[0]) if scales[name].kind == "names" else list(tick.lines)
            if 0.0 <= scales[name].share_of(tick) <= 1.0:
                made.append(
                    strokes.words("<br>".join(lines), 0, y + 4 - 7.5 * (len(lines) - 1), anchor="end", shift=-7)
                )
    return "".join(made)


def _wrapped(text: str, letters: int = 26) -> list[str]:
    import textwrap

    from markupsafe import escape

    return [str(escape(line)) for line in textwrap.wrap(strokes.lines_of(text)[0], letters)] or [""]


def _left(scales: dict[str, Scale], layout: Plot) -> int:
    longest = 0
    for name, scale in scales.items():
        if name != "x" and layout.get(_key(name), {}).get("showticklabels") is not False:
            lines = [w for t in scale.ticks for w in (_wrapped(t.lines[0]) if scale.kind == "names" else t.lines)]
            longest = max([longest, *map(len, lines)])
    wanted = 14 + LETTER_PX * longest
    return next((s for s in SIDES if s >= wanted), SIDES[-1]) if longest else 16


def _shapes(layout: Plot, scales: dict[str, Scale], frame: Frame, *, below: bool) -> str:
    return "".join(
        _shape(s, scales, frame, layout) for s in layout.get("shapes", ()) if (s.get("layer") == "below") is below
    )


def _place(value: Any, ref: str, scales: dict[str, Scale], frame: Frame, layout: Plot) -> float | None:
    """A share of the width for x, a height in px for y; `ref` is plotly's (paper, x, y2)."""
    name = ref.split(" ")[0]
    if ref.startswith("paper") or name not in scales:
        share = float(value)
        return share if ref == "paper-x" else frame.y(share)
    if ref.endswith(" domain"):
        share = float(value)
    else:
        found = scales[name].share(value)
        if found is None:
            return None
        share = found
    return share if name == "x" else _region(name, layout, frame).y(share)


def _shape(shape: Plot, scales: dict[str, Scale], frame: Frame, layout: Plot) -> str:
    x_ref = "paper-x" if shape.get("xref", "x") == "paper" else "x"
    y_ref = shape.get("yref", "y")
    x0, x1 = (_place(shape[k], x_ref, scales, frame, layout) for k in ("x0", "x1"))
    y0, y1 = (_place(shape[k], y_ref, scales, frame, layout) for k in ("y0", "y1"))
    if x0 is None or x1 is None or y0 is None or y1 is None or max(x0, x1) < -0.001 or min(x0, x1) > 1.001:
        return ""
    x0, x1 = (min(max(v, 0.0), 1.0) for v in (x0, x1))
    region = _region(y_ref.split(" ")[0], layout, frame) if y_ref in scales else frame
    y0, y1 = (min(max(v, region.top), region.bottom) for v in (y0, y1))
    edge = shape.get("line", {})
    if shape.get("type") == "line":
        kind = strokes.colour("s", edge.get("color"), strokes.dash(edge.get("dash")))
        ends = f'x1="{strokes.percent(x0)}" x2="{strokes.percent(x1)}" y1="{strokes.down(y0)}" y2="{strokes.down(y1)}"'
        return f"<line {ends}{kind}/>"
    kind = strokes.colour("f", shape.get("fillcolor"))
    at = f'x="{strokes.percent(min(x0, x1))}" y="{strokes.down(min(y0, y1))}"'
    size = f'width="{strokes.percent(abs(x1 - x0))}" height="{strokes.down(abs(y1 - y0))}"'
    made = f"<rect {at} {size}{kind}/>"
    if edge.get("width"):
        line = strokes.colour("s", edge.get("color"), strokes.dash(edge.get("dash")))
        y = f'y1="{strokes.down(y0)}" y2="{strokes.down(y1)}"'
        made += "".join(
            f'<line x1="{strokes.percent(x)}" x2="{strokes.percent(x)}" {y}{line}/>' for x in {x0: 0, x1: 0}
        )
    return made


def _note(note: Plot, scales: dict[str, Scale], frame: Frame, layout: Plot) -> str:
    x_ref = "paper-x" if note.get("xref", "x") == "paper" else note.get("xref", "x")
    x = _place(note["x"], x_ref, scales, frame, layout)
    y = _place(note["y"], note.get("yref", "y"), scales, frame, layout)
    if x is None or y is None or not -0.01 <= x <= 1.01:
        return ""
    size = float(note.get("font", {}).get("size", 12))
    count = len(strokes.lines_of(str(note["text"])))
    y -= float(note.get("yshift", 0))
    anchor = {"left": "start", "right": "end"}.get(str(note.get("xanchor", "auto")), "middle")
    if note.get("xanchor", "auto") == "auto" and x_ref == "paper-x":
        anchor = "start" if x < 1 / 3 else "end" if x > 2 / 3 else "middle"
    tall = 1.25 * size * count
    head = {"bottom": y - tall, "top": y}.get(str(note.get("yanchor", "middle")), y - tall / 2)
    names = "m halo" if "bgcolor" in note else "m" if "color" in note.get("font", {}) else ""
    text = strokes.words(str(note["text"]), x, head + size, anchor=anchor, shift=float(note.get("xshift", 0)),
                         names=names, size=size)  # fmt: skip
    if "bordercolor" not in note:
        return text
    half = max(8.0, 4 + 3.5 * max(map(len, strokes.lines_of(str(note["text"])))))
    left = {"start": -4.0, "end": 4.0 - 2 * half}.get(anchor, -half)
    box = f'<rect x="{strokes.down(left)}" y="{strokes.down(head - 1)}" width="{strokes.down(2 * half)}" height="18"'
    return f'<svg x="{strokes.percent(x)}" overflow="visible">{box} class="box"/></svg>{text}'


def _taken_over(figure: Plot, scales: dict[str, Scale], margin: Plot) -> Plot:
    """What the live figure has to know: the same margins, ranges and ticks."""
    made: Plot = {"margin": margin, "annotations": figure["layout"]["annotations"]}
    for name, scale in scales.items():
        axis: Plot = {"automargin": False}
        reversed_ = figure["layout"].get(_key(name), {}).get("autorange") == "reversed"
        if scale.kind == "time":
            axis["range"] = [_text_of(scale.low), _text_of(scale.high)]
        else:
            axis["range"] = [_round(scale.low), _round(scale.high)]
        if reversed_:
            axis["autorange"] = False
        if name != "x":
            axis |= {"fixedrange": True, "title": {"text": ""}}
            if scale.kind == "number" and scale.ticks:
                axis |= {"tickvals": [_round(t.at) for t in scale.ticks], "ticktext": [t.lines[0] for t in scale.ticks]}
            elif scale.kind == "names":
                told = {"tickvals": scale.names, "ticktext": ["<br>".join(_wrapped(n)) for n in scale.names]}
                axis |= {**told, "tickfont": {"size": 12}}
        made[_key(name)] = axis
    return made


def _round(value: float) -> float:
    return float(f"{value:.7g}") if math.isfinite(value) else 0.0


def _text_of(second: float) -> str:
    from datetime import UTC, datetime

    return datetime.fromtimestamp(second, UTC).strftime("%Y-%m-%d %H:%M:%S")


__all__ = ["SIDES", "Drawn", "Tick", "draw"]
