"""Figures of the faults section: flagged curves on what was expected of them, findings in lanes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from catchpot.report import figures, words
from catchpot.report.section import Figure

WITHOUT_PLACE = {"sensor_offset", "overfill", "ratio_off", "catalyst_starved", "clamp_margin_low"}
"""Findings that say nothing about a stretch of the resistance."""


def odd_curve(row: Mapping[str, Any], found: Sequence[Mapping[str, Any]], zone: str) -> Figure:
    """One shot's resistance over the share of the usual arrival volume, on the healthy band, the fault's model over it.

    row: of `odd_curve`; found: the shot's findings.
    """
    arrival = float(row["usual_arrival_l"])
    last = max((i for i, v in enumerate(row["usual_bar_min_l"]) if v is not None), default=len(row["vol_l"]) - 1)
    last = max([last, *(i for i, v in enumerate(row["resistance_bar_min_l"]) if v is not None)])
    x, own, usual, fault, low, high = (
        row[c][: last + 1]
        for c in (
            "vol_l", "resistance_bar_min_l", "usual_bar_min_l", "fault_bar_min_l", "usual_low_bar_min_l",
            "usual_high_bar_min_l",
        )
    )  # fmt: skip
    x = [round(100 * v / arrival, 2) for v in x]
    spans = [_span(f, arrival, x, own) for f in found if f["kind"] not in WITHOUT_PLACE]
    curves = [figures.Curve("this shot", x, own)]
    known = any(v is not None for v in usual)
    if known:
        curves.append(figures.Curve("expected, healthy", x, usual, "fitted"))
    if any(v is not None for v in fault):
        curves.append(figures.Curve("expected with the named fault", x, fault, "other"))
    top = max([v for v in [*own, *high] if v is not None], default=1.0)
    band_top = max([v for v in high if v is not None], default=top)
    plot = figures.over_volume(
        curves,
        figures.Band("healthy range, 95 %", x, low, high) if known else None,
        spans=_apart([s for s in spans if s is not None]),
        x_heading="share of the usual arrival volume [%]",
        y_range=(0.0, 1.08 * min(top, 6 * band_top)),
    )
    kinds = words.listed([words.words_of(f["kind"]) for f in found])
    table = pl.DataFrame(
        {
            "share of the usual arrival volume [%]": x,
            "resistance [bar min/l]": own,
            "expected, healthy [bar min/l]": usual,
            "with the named fault [bar min/l]": fault,
        },
        schema_overrides={
            f"{n} [bar min/l]": pl.Float64 for n in ("resistance", "expected, healthy", "with the named fault")
        },
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


__all__ = ["lanes", "odd_curve"]
