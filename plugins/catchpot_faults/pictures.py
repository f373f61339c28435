"""Figures of the faults section: flagged curves on their usual band, findings in lanes, shares along the volume."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from catchpot.report import figures, theme, words
from catchpot.report.section import Figure
from catchpot_faults.curves import GRID

WITHOUT_PLACE = {"sensor_offset", "overfill", "ratio_off", "catalyst_starved", "clamp_margin_low"}
"""Findings that say nothing about a stretch of the resistance."""
SHARE_WORDS = {
    "share_resistance_pct": "resistance",
    "share_flow_pct": "flow",
    "share_line_pressure_pct": "driving pressure",
    "share_cavity_pressure_pct": "cavity pressure",
}


def percent() -> list[float]:
    """The share of the usual arrival volume at each point, %."""
    return [round(100 * float(g), 2) for g in GRID]


def odd_curve(row: Mapping[str, Any], found: Sequence[Mapping[str, Any]], zone: str) -> Figure:
    """One shot's resistance over the share of the usual arrival volume, on the usual band, odd stretches in place.

    row: of `odd_curve`; found: the shot's findings.
    """
    x, arrival = percent(), float(row["usual_arrival_l"])
    own, usual = row["resistance_bar_min_l"], row["usual_bar_min_l"]
    low, high = row["usual_low_bar_min_l"], row["usual_high_bar_min_l"]
    spans = [_span(f, arrival, x, own) for f in found if f["kind"] not in WITHOUT_PLACE]
    curves = [figures.Curve("this shot", x, own)]
    known = any(v is not None for v in usual)
    if known:
        curves.append(figures.Curve("usual course", x, usual, "fitted"))
    top = max([v for v in [*own, *high] if v is not None], default=1.0)
    band_top = max([v for v in high if v is not None], default=top)
    plot = figures.over_volume(
        curves,
        figures.Band("usual range, 95 %", x, low, high) if known else None,
        spans=_apart([s for s in spans if s is not None]),
        x_heading="share of the usual arrival volume [%]",
        y_range=(0.0, 1.08 * min(top, 6 * band_top)),
    )
    kinds = words.listed([words.words_of(f["kind"]) for f in found])
    table = pl.DataFrame(
        {"share of the usual arrival volume [%]": x, "resistance [bar min/l]": own, "usual [bar min/l]": usual},
        schema_overrides={"resistance [bar min/l]": pl.Float64, "usual [bar min/l]": pl.Float64},
    ).filter(pl.col("resistance [bar min/l]").is_not_null())
    return Figure(
        f"curve-{row['shot']}",
        f"{row['shot']}, {words.minute(found[0]['since'], zone)}: {kinds}",
        plot,
        " ".join(str(f["message"]) for f in found),
        table.with_columns(pl.selectors.float().round(4)),
        height=340,
    )


def _span(found: Mapping[str, Any], arrival: float, x: Sequence[float], own: Sequence[float | None]) -> Any:
    last = max((p for p, v in zip(x, own, strict=True) if v is not None), default=x[-1])
    begin = 0.0 if found["from_volume_l"] is None else 100 * found["from_volume_l"] / arrival
    end = last if found["to_volume_l"] is None else 100 * found["to_volume_l"] / arrival
    if found["kind"] in ("short_fill", "stopped_before_vent"):
        begin, end = min(begin, 100.0), max(begin, 100.0)
    if begin >= end:
        return None
    return figures.Span(begin, end, words.words_of(found["kind"]))


def _apart(spans: Sequence[Any]) -> list[Any]:
    """Stretches with their words set apart: phrases of spans that share a middle are put into one."""
    made: list[Any] = []
    for span in sorted(spans, key=lambda s: s.start):
        if made and abs((made[-1].start + made[-1].end) - (span.start + span.end)) < 24:
            before = made.pop()
            made.append(
                figures.Span(
                    min(before.start, span.start), max(before.end, span.end), f"{before.phrase}, {span.phrase}"
                )
            )
        else:
            made.append(span)
    return made


def shares(row: Mapping[str, Any], zone: str) -> Figure | None:
    """How much of what is unusual lies in each channel, as shading along the volume; None where nothing was judged."""
    names = [n for n in SHARE_WORDS if any(v for v in row[n] if v is not None)]
    if not names:
        return None
    x = percent()
    inside = [i for i in range(len(x)) if row[names[0]][i] is not None]
    z = [[row[n][i] for i in inside] for n in names]
    labels = [SHARE_WORDS[n] for n in names]
    totals = {SHARE_WORDS[n]: sum(_per_cell(row[n], inside)) for n in names}
    most = max(totals, key=lambda k: totals[k])
    plot: dict[str, Any] = {
        "data": [
            {
                "type": "heatmap", "x": [x[i] for i in inside], "y": labels, "z": z, "zmin": 0,
                "colorscale": [[0, theme.LIGHT["paper"]], [1, theme.LIGHT["main"]]], "showscale": False,
                "hovertemplate": "%{y}, %{x:.0f} %: %{z:.1f} % of what is unusual<extra></extra>",
            }
        ],
        "layout": {
            "xaxis": {"title": {"text": "share of the usual arrival volume [%]"}, "rangemode": "tozero"},
            "yaxis": {"type": "category", "autorange": "reversed", "ticks": ""},
        },
    }  # fmt: skip
    return Figure(
        f"shares-{row['shot']}",
        f"{row['shot']}: where it is unusual",
        plot,
        f"The darker, the more of what is unusual lies there. Most of it lies in the {most}: {totals[most]:.0f} %.",
        pl.DataFrame({"channel": labels, "part of what is unusual [%]": [round(totals[k], 1) for k in labels]}),
        height=figures.bars_height(len(labels)),
    )


def _per_cell(values: Sequence[float | None], inside: Sequence[int]) -> list[float]:
    """Each stretch's share once: points of one stretch carry the same number."""
    made: list[float] = []
    last: float | None = None
    for i in inside:
        if values[i] is not None and values[i] != last:
            made.append(float(values[i] or 0.0))
        last = values[i]
    return made


def _times(n: int) -> str:
    return {1: "once", 2: "twice"}.get(n, f"{n} times")


def lanes(found: pl.DataFrame, shots: pl.Series, zone: str) -> Figure:
    """Findings in lanes by kind along the time of all the mould's shots; those to act on are filled.

    shots: when each shot started.
    """
    rows = []
    for kind, part in sorted(found.group_by("kind"), key=lambda kp: -kp[1].height):
        part = part.filter(pl.col("since").is_not_null()).sort("since", "shot")
        rows.append(
            figures.Lane(
                words.words_of(str(kind[0])),
                part["since"].to_list(),
                part["shot"].to_list(),
                [s == "act" for s in part["severity"]],
            )
        )
    counted = found.group_by("kind").len().sort(["len", "kind"], descending=[True, False])
    said = words.listed([f"{words.words_of(k)} {_times(n)}" for k, n in counted.iter_rows()])
    table = found.select(pl.col("shot"), pl.col("kind").str.replace_all("_", " ", literal=True), pl.col("severity"))
    plot = figures.lanes(rows, zone=zone, x_heading="start of the shot")
    starts = sorted(shots.drop_nulls().dt.convert_time_zone(zone).dt.replace_time_zone(None).to_list())
    if len(starts) > 1:
        margin = 0.03 * (starts[-1] - starts[0])
        plot["layout"]["xaxis"]["range"] = [str(starts[0] - margin), str(starts[-1] + margin)]
    return Figure(
        "findings-by-kind",
        "Findings by kind, along the shots",
        plot,
        f"Of this mould's shots: {said}. Filled marks are those to act on.",
        table,
        height=figures.bars_height(len(rows)),
    )


__all__ = ["lanes", "odd_curve", "percent", "shares"]
