"""Figures in rows: causes between two volumes, what is to come, kinds in lanes; and how a measure lies."""

from __future__ import annotations

from collections.abc import Sequence

from catchpot.report import words
from catchpot.report.marks import (
    C,
    Coming,
    Lane,
    Numbers,
    Part,
    Plot,
    bold_lines,
    gap,
    note,
    numbers,
    places,
    plain_lines,
    safe,
    time_axis,
    upright,
)
from catchpot.shop_units import in_heading


def bars_height(rows: int) -> int:
    """Height in pixels that suits a figure of that many named rows (cause_bars, lanes)."""
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
    heading, factor = in_heading(heading)
    if factor != 1.0:
        before, after = (before[0], factor * before[1]), (after[0], factor * after[1])
        parts = [
            Part(p.name, factor * p.change, *(None if v is None else factor * v for v in (p.low, p.high)))
            for p in parts
        ]  # fmt: skip
    names = [safe(n) for n in (before[0], *(p.name for p in parts), after[0])]
    base, starts = before[1], []
    for part in parts:
        starts.append(base)
        base += part.change
    known = [p.low is not None and p.high is not None for p in parts]
    data: list[Plot] = [
        {
            "type": "bar", "orientation": "h", "name": "change", "y": [safe(p.name) for p in parts], "base": starts,
            "x": [p.change for p in parts], "width": 0.5,
            "marker": {
                "color": [C["band"] if p.change >= 0 else C["spec"] for p in parts],
                "line": {"color": C["ink"], "width": 1},
            },
            "error_x": {
                "type": "data", "symmetric": False, "thickness": 1.4, "width": 5, "color": C["ink"],
                "array": [gap(p.high, p.change) for p in parts], "arrayminus": [gap(p.change, p.low) for p in parts],
            },
            "text": [words.signed(p.change, "", 3) if ok else "" for p, ok in zip(parts, known, strict=True)],
            "textposition": "none", "hovertemplate": "%{y}: %{text}<extra></extra>",
        },
        {
            "type": "scatter", "mode": "markers", "name": "volume", "x": [before[1], after[1]],
            "y": [names[0], names[-1]], "marker": {"symbol": "line-ns-open", "size": 22, "color": C["ink"],
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
            "shapes": [upright(before[1], C["frame"], "dot"), upright(after[1], C["frame"], "dot")],
            "bargap": 0.3,
        },
    }


def ruler(rows: Sequence[Coming], *, heading: str = "shots still to come") -> Plot:
    """What is still to come, a row each: its words, under them a line over the interval and a tick at the estimate.

    The figure brings its own height.
    """
    drawn = [(i, r) for i, r in enumerate(rows) if r.value is not None]
    data: list[Plot] = [
        {
            "type": "scatter", "mode": "lines", "name": f"{safe(r.name)}, interval", "x": [r.low, r.high], "y": [i, i],
            "line": {"width": 5, "color": C["frame"]}, "hoverinfo": "skip",
        }
        for i, r in drawn if r.low is not None and r.high is not None
    ]  # fmt: skip
    data.append({
        "type": "scatter", "mode": "markers", "name": "estimate", "x": [r.value for _, r in drawn],
        "y": [i for i, _ in drawn], "text": [safe(r.name) for _, r in drawn],
        "marker": {"symbol": "line-ns-open", "size": 16, "color": C["ink"], "line": {"width": 3}},
        "hovertemplate": "%{text}: %{x:.0f}<extra></extra>",
    })  # fmt: skip
    furthest = max((x for _, r in drawn for x in (r.value, r.high) if x is not None), default=0.0)
    # What is due at once would else be drawn on a scale of fractions of a shot.
    span: Plot = {"range": [0, 10]} if furthest < 10 else {"rangemode": "tozero"}
    words_above = [
        note("<br>".join([*bold_lines(r.name), *plain_lines(r.phrase)]), x=0, xref="paper", y=i, xanchor="left",
             yanchor="bottom", yshift=9, align="left", font={"size": 12}, bgcolor=C["paper"])
        for i, r in enumerate(rows)
    ]  # fmt: skip
    return {
        "data": data,
        "layout": {
            "height": 64 + 62 * max(len(rows), 1),
            "margin": {"l": 16, "t": 8},
            "xaxis": {"title": {"text": heading}, **span},
            # Room above each row for its words.
            "yaxis": {"range": [len(rows) - 0.7, -0.85], "showticklabels": False, "ticks": "", "showgrid": False},
            "annotations": words_above,
        },
    }


def lanes(rows: Sequence[Lane], *, zone: str = "UTC", x_heading: str = "") -> Plot:
    """Marks in lanes, one kind a lane, along shots or time; a heavy mark is filled, the others are rings."""
    data: list[Plot] = []
    timed = any(hasattr(x, "isoformat") for lane in rows for x in lane.x)
    for lane in rows:
        x = places(lane.x, zone)
        heavy = [bool(lane.heavy[i]) if i < len(lane.heavy) else False for i in range(len(x))]
        data.append({
            "type": "scatter", "mode": "markers", "name": safe(lane.name), "x": x, "y": [safe(lane.name)] * len(x),
            "marker": {
                "symbol": ["circle" if h else "circle-open" for h in heavy], "size": 11, "color": C["main"],
                "line": {"width": 1.6, "color": C["main"]},
            },
            "customdata": [lane.names[i] if i < len(lane.names) else "" for i in range(len(x))],
            "hovertemplate": "%{x}<br>%{y}<extra></extra>",
        })  # fmt: skip
    return {
        "data": data,
        "layout": {
            "xaxis": {
                "title": {"text": x_heading},
                **(time_axis() if timed else {}),
            },
            "yaxis": {
                "type": "category",
                "categoryorder": "array",
                "categoryarray": [safe(r.name) for r in rows],
                "range": [len(rows) - 0.5, -0.5],
                "ticks": "",
            },
        },
    }


def _times(value: float | None, factor: float) -> float | None:
    return None if value is None else factor * value


DOT_COLUMNS = 80
"""Places along the axis in which single values that nearly agree are stacked."""


def spread(
    values: Numbers,
    band: tuple[float | None, float | None] | None = None,
    *,
    heading: str,
    band_words: str = "",
    names: Sequence[str] = (),
) -> Plot:
    """How a measure lies: each single value a dot, stacked where they nearly agree, over the specification band.

    band: (low, high), either end None for open, tinted. names: what each value is called (the shot).
    """
    heading, factor = in_heading(heading)
    if factor != 1.0:
        low_end, high_end = band or (None, None)
        band = (_times(low_end, factor), _times(high_end, factor)) if band is not None else None
    known = [(factor * v, names[i] if i < len(names) else "") for i, v in enumerate(numbers(values)) if v is not None]
    ends = [v for v in (band or ()) if v is not None]
    low = min([v for v, _ in known] + ends, default=0.0)
    high = max([v for v, _ in known] + ends, default=1.0)
    width = (high - low) / DOT_COLUMNS or 1.0
    piled: dict[int, int] = {}
    heights: list[float] = []
    for v, _ in known:
        place = round((v - low) / width)
        heights.append(float(piled.get(place, 0)))
        piled[place] = piled.get(place, 0) + 1
    shapes: list[Plot] = []
    if band is not None:
        if band[0] is not None and band[1] is not None:
            shapes.append({
                "type": "rect", "yref": "paper", "y0": 0, "y1": 1, "xref": "x", "x0": band[0], "x1": band[1],
                "fillcolor": C["band"], "line": {"width": 0}, "layer": "below",
            })  # fmt: skip
        shapes.extend(upright(end, C["frame"], "dash") for end in ends)
    return {
        "data": [{
            "type": "scatter", "mode": "markers", "name": safe(heading), "x": [v for v, _ in known], "y": heights,
            "marker": {"size": 7, "color": C["main"]}, "customdata": [n for _, n in known],
            "hovertemplate": "%{x}<extra></extra>",
        }],
        "layout": {
            "xaxis": {"title": {"text": heading}},
            "yaxis": {"range": [-0.8, max([*heights, 3.0]) + 0.8], "showticklabels": False, "showgrid": False,
                      "ticks": ""},
            "shapes": shapes,
            "meta": {"key": [{"name": band_words, "words": "", "traces": []}] if band_words else []},
        },
    }  # fmt: skip
