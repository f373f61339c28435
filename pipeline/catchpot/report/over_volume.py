"""Figures over volume: curves on the usual band, odd stretches and marks in place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from catchpot.report import theme
from catchpot.report.marks import (
    Band,
    C,
    Curve,
    Plot,
    Ring,
    Span,
    decimate,
    note,
    numbers,
    ring_trace,
    safe,
    span_shape,
    times,
)
from catchpot.shop_units import in_heading


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
    (x_heading, x_factor), (y_heading, y_factor) = in_heading(x_heading), in_heading(y_heading)
    if x_factor != 1.0 or y_factor != 1.0:
        fx, fy = x_factor, y_factor
        curves = [replace(c, x=times(c.x, fx) or [], y=times(c.y, fy) or []) for c in curves]
        if band is not None:
            low, high = times(band.low, fy) or [], times(band.high, fy) or []
            band = replace(band, x=times(band.x, fx) or [], low=low, high=high)
        spans = [replace(s, start=fx * s.start, end=fx * s.end) for s in spans]
        rings = [replace(r, x=fx * r.x, y=fy * r.y) for r in rings]
        y_range = None if y_range is None else (fy * y_range[0], fy * y_range[1])
    data: list[Plot] = _band_traces(band) if band is not None else []
    data.extend(_curve(c, n) for n, c in enumerate(curves))
    _once_in_legend(data)
    figure: Plot = {
        "data": data,
        "layout": {
            "xaxis": {"title": {"text": x_heading}, "rangemode": "tozero"},
            "yaxis": {"title": {"text": y_heading}, **({"range": list(y_range)} if y_range else {})},
            "showlegend": True,
            "shapes": [span_shape(s) for s in spans],
            "annotations": [
                note(safe(s.phrase), x=(s.start + s.end) / 2, y=1, yref="paper", yanchor="bottom")
                for s in spans
                if s.phrase
            ],
        },
    }
    ring_trace(figure, rings, "y", "UTC")
    if rings:
        figure["data"][-1]["showlegend"] = False
    return figure


def _once_in_legend(traces: Sequence[Plot]) -> None:
    """Curves of one name share one entry of the legend."""
    seen: set[str] = set()
    for trace in traces:
        if trace["name"] in seen:
            trace["showlegend"] = False
        seen.add(trace["name"])
        trace.setdefault("legendgroup", trace["name"])


def _band_traces(band: Band) -> list[Plot]:
    x, low, high = numbers(band.x), numbers(band.low), numbers(band.high)
    known = [i for i in range(len(x)) if x[i] is not None and low[i] is not None and high[i] is not None]
    edge: Plot = {
        "type": "scatter", "mode": "lines", "x": [x[i] for i in known], "hoverinfo": "skip",
        "line": {"width": 0.8, "color": C["frame"]}, "legendgroup": "band",
    }  # fmt: skip
    return [
        {**edge, "name": f"{safe(band.name)}, lower edge", "y": [low[i] for i in known], "showlegend": False},
        {**edge, "name": safe(band.name), "y": [high[i] for i in known], "fill": "tonexty", "fillcolor": C["band"]},
    ]


def _curve(curve: Curve, n: int) -> Plot:
    x, y = decimate(curve.x, curve.y)
    trace: Plot = {
        "type": "scatter", "name": safe(curve.name), "x": x, "y": y, "connectgaps": False,
        "hovertemplate": "%{x:.3~f}: %{y:.3~f}<extra></extra>",
    }  # fmt: skip
    if curve.kind == "measured":
        return {**trace, "mode": "markers", "marker": {"size": 4, "color": C["main"]}}
    if curve.kind == "faint":
        return {**trace, "mode": "lines", "line": {"width": 1, "color": C["frame"]}}
    colour = C["second"] if curve.kind == "fitted" else theme.SERIES[n % len(theme.SERIES)]
    dash = "solid" if curve.kind == "fitted" else theme.DASHES[n % len(theme.DASHES)]
    return {**trace, "mode": "lines", "line": {"width": 2, "color": colour, "dash": dash}}
