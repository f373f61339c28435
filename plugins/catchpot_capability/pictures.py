"""Figures of a month: the shots as a strip with the moving range beneath, and the distribution of a steady month."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from catchpot.report import figures, words
from catchpot.report.section import Figure
from catchpot_capability.sentences import limits_words

Row = Mapping[str, Any]
# The moving range is a low strip: its share of the height, the gap above it, where the upper strip ends.
LOW_TOP, UPPER_BOTTOM = 0.15, 0.28


def scale_of(row: Row) -> tuple[float, str]:
    """What to divide a measure by for drawing, and its unit with that power of ten."""
    known = [v for v in (row["mean"], row["lower_limit"], row["upper_limit"]) if v is not None]
    exponent = words.tenfold(known)
    unit = " ".join(x for x in (words.power(exponent), words.pretty_unit(row["unit"])) if x)
    return 10.0**exponent, unit


def _scaled(value: float | None, scale: float) -> float | None:
    return None if value is None else value / scale


def rings(shots: pl.DataFrame, column: str, scale: float) -> list[figures.Ring]:
    """A ring around each marked shot; a phrase that goes on from shot to shot is written once."""
    drawn: list[figures.Ring] = []
    before = ""
    for at, value, mark in shots.select("started_at", column, "mark").iter_rows():
        if mark:
            drawn.append(figures.Ring(at, value / scale, mark if mark != before else ""))
        before = mark
    return drawn


def low_second_strip(figure: figures.Plot) -> figures.Plot:
    """Make the lower of two strips a low one."""
    layout = figure["layout"]
    top = layout["yaxis2"]["domain"][1]
    layout["yaxis"]["domain"] = [UPPER_BOTTOM, layout["yaxis"]["domain"][1]]
    layout["yaxis2"]["domain"] = [0.0, LOW_TOP]
    layout["yaxis2"]["nticks"] = 3
    for note in layout["annotations"]:
        if note.get("yref") == "paper" and note.get("y") == top:
            note["y"] = LOW_TOP
    return figure


def strip(row: Row, shots: pl.DataFrame, flags: Sequence[figures.Flag], zone: str, slug: str) -> Figure:
    """The month's shots with specification band, control limits in words, marks and events; moving range beneath."""
    scale, unit = scale_of(row)
    x = shots["started_at"].to_list()
    levels: list[figures.Level] = []
    for name, value in (("upper", row["control_upper"]), ("lower", row["control_lower"])):
        if value is not None:
            levels.append(
                figures.Level(None, None, value / scale, f"{name} control limit {words.number(value / scale)} {unit}")
            )
    within = limits_words(row["lower_limit"], row["upper_limit"], row["unit"])
    upper = figures.Strip(
        heading=f"{row['label']} [{unit}]",
        x=x,
        value=(shots["value"] / scale).to_list(),
        names=shots["shot"].to_list(),
        band=(_scaled(row["lower_limit"], scale), _scaled(row["upper_limit"], scale)),
        band_words=f"specification limits: {within}",
        rings=rings(shots, "value", scale),
        levels=levels,
        joined=True,
    )
    top = row["moving_range_upper"]
    ranges = figures.Strip(
        heading=f"moving range [{unit}]",
        x=x,
        value=[_scaled(v, scale) for v in shots["moving_range"].to_list()],
        names=shots["shot"].to_list(),
        levels=[] if top is None else
        [figures.Level(None, None, top / scale, f"upper limit of the moving range {words.number(top / scale)} {unit}")],
    )  # fmt: skip
    figure = low_second_strip(figures.history([upper, ranges], list(flags), zone=zone))
    marked = shots.filter(pl.col("mark") != "")
    said = [f"shot {s} on {words.day(at, zone)}: {mark}" for s, at, mark in
            marked.select("shot", "started_at", "mark").iter_rows()]  # fmt: skip
    key = figures.flag_key(flags, zone)
    summary = f"{words.count(shots.height, 'shot')} in time order; {within} is the specification."
    summary += f" Marked: {words.listed(said, 6)}." if said else " None is marked."
    summary += f" Events: {key}." if key else ""
    table = shots.select(
        shot="shot", start=pl.Series([words.minute(v, zone) for v in x], dtype=pl.String), value=pl.col("value"),
        mark="mark",
    )  # fmt: skip
    return Figure(f"strip-{slug}", f"{row['label']}: shot by shot", figure, summary, table, 420)


def distribution(row: Row, shots: pl.DataFrame, slug: str) -> Figure:
    """How a steady month's shots lie between the limits, each a dot."""
    scale, unit = scale_of(row)
    band = (_scaled(row["lower_limit"], scale), _scaled(row["upper_limit"], scale))
    within = limits_words(row["lower_limit"], row["upper_limit"], row["unit"])
    figure = figures.spread((shots["value"] / scale).to_list(), band, heading=f"{row['label']} [{unit}]",
                            band_words=f"specification limits: {within}", names=shots["shot"].to_list())  # fmt: skip
    summary = f"The {words.count(shots.height, 'shot')} of the month one by one, between {within}."
    return Figure(f"spread-{slug}", f"{row['label']}: how the shots lie", figure, summary, None, 150)
