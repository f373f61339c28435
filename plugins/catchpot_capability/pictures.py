"""Figures of a month: the shots along time with what happened, and one by one between their limits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from catchpot.report import figures, words
from catchpot.report.section import Figure
from catchpot.shop_units import in_heading
from catchpot_capability.sentences import limits_words

Row = Mapping[str, Any]


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


def strip(row: Row, shots: pl.DataFrame, flags: Sequence[figures.Flag], zone: str, slug: str) -> Figure:
    """The month's shots as dots on the range where a steady month stays, with marks and events."""
    scale, unit = scale_of(row)
    x = shots["started_at"].to_list()
    ends = [_scaled(row[f"control_{end}"], scale) for end in ("lower", "upper")]
    within = limits_words(row["lower_limit"], row["upper_limit"], row["unit"])
    steady = limits_words(row["control_lower"], row["control_upper"], row["unit"]) if any(ends) else ""
    said = [f"tinted: where a steady month stays ({steady})" if steady else "", f"specification: {within}"]
    values = figures.Strip(
        heading=f"{row['label']} [{unit}]",
        x=x,
        value=(shots["value"] / scale).to_list(),
        names=shots["shot"].to_list(),
        band=(ends[0], ends[1]) if any(ends) else None,
        band_words="; ".join(filter(None, said)),
        rings=rings(shots, "value", scale),
    )
    figure = figures.history([values], list(flags), zone=zone, headed=False)
    marked = shots.filter(pl.col("mark") != "")
    told = [f"shot {s} on {words.day(at, zone)}: {mark}" for s, at, mark in
            marked.select("shot", "started_at", "mark").iter_rows()]  # fmt: skip
    key = figures.flag_key(flags, zone)
    summary = f"{words.count(shots.height, 'shot')} in time order; {within} is the specification."
    summary += f" Marked: {words.listed(told, 6)}." if told else " None is marked."
    summary += f" Events: {key}." if key else ""
    table = shots.select(
        "shot", pl.Series("start", [words.minute(v, zone) for v in x], dtype=pl.String),
        pl.col("value").alias(f"value [{words.pretty_unit(row['unit'])}]"), "mark",
    )  # fmt: skip
    title = in_heading(f"{row['label']} [{unit}]")[0]
    return Figure(f"strip-{slug}", f"{title}: shot by shot", figure, summary, table, 230)


def distribution(row: Row, shots: pl.DataFrame, slug: str) -> Figure:
    """How a steady month's shots lie between the limits, each a dot."""
    scale, unit = scale_of(row)
    band = (_scaled(row["lower_limit"], scale), _scaled(row["upper_limit"], scale))
    within = limits_words(row["lower_limit"], row["upper_limit"], row["unit"])
    figure = figures.spread((shots["value"] / scale).to_list(), band, heading=f"{row['label']} [{unit}]",
                            band_words=f"specification limits: {within}", names=shots["shot"].to_list())  # fmt: skip
    summary = f"The {words.count(shots.height, 'shot')} of the month one by one, between {within}."
    return Figure(f"spread-{slug}", f"{row['label']}: how the shots lie", figure, summary, None, 150)
