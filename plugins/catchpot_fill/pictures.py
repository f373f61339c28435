"""The fill section's figures: history of the mould, and its own curve with the last shots on it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from catchpot.report import figures, words
from catchpot.report.section import Figure

if TYPE_CHECKING:
    import polars as pl

    from catchpot.tables import Table

Floats = NDArray[np.float64]
SHOWN_SHOTS = 3
TABLED_EVERY = 8
"""Of the curve's points, so many to one row of the numbers behind the figure: a row each 3 % of the volume."""
FILLING = 0.97
"""Share of the usual arrival volume up to which the scale is made for the curve."""


def own_curve_figure(own: Mapping[str, Any], injection: pl.DataFrame) -> Figure:
    """The mould's own curve with its band, the place of arrival with its doubt, and the last shots on it.

    own: the mould's row of `own_curve`. injection: the last shots, oldest first, with shot, injected_volume_l and
    resistance_per_m3.
    """
    import polars as pl

    usual = own["arrival_volume_l"]
    volume, curve, scatter = (
        np.asarray(own[c], dtype=float) for c in ("vol_l", "resistance_bar_min_l", "scatter_bar_min_l")
    )
    pct = 100.0 * volume / usual
    lines, tops, measured = [], [1.96 * scatter[pct < 100 * FILLING] + curve[pct < 100 * FILLING]], None
    shown = injection.tail(SHOWN_SHOTS).reverse()
    for place, row in reversed(list(enumerate(shown.iter_rows(named=True)))):
        own_pct, own_curve = _of_shot(row, usual, own["viscosity_pa_s"])
        if place:
            lines.append(figures.Curve(row["shot"], own_pct, own_curve, "faint"))
        else:
            lines.append(figures.Curve(f"{row['shot']}, the last", own_pct, own_curve, "measured"))
            measured = (row["shot"], own_pct, own_curve)
            tops.append(own_curve[np.isfinite(own_curve) & (own_pct < 100 * FILLING)])
    lines.append(figures.Curve("the mould's own curve", pct, curve, "fitted"))
    band = figures.Band("its scatter from shot to shot (95 %)", pct, np.maximum(curve - 1.96 * scatter, 0.0),
                        curve + 1.96 * scatter)  # fmt: skip
    low, high = 100 * own["arrival_volume_low_l"] / usual, 100 * own["arrival_volume_high_l"] / usual
    spans = [figures.Span(low, high, "", "interval"), figures.Span(100.0, 100.0, "resin at the vent", "interval")]
    ceiling = 1.6 * float(np.concatenate(tops).max(initial=float(np.nanmax(curve)) / 10))
    table = {
        "share of the usual arrival volume [%]": pct,
        "own curve [bar min/l]": curve,
        "scatter, s.d. [bar min/l]": scatter,
    }
    if measured is not None:
        known = np.isfinite(measured[2])
        there = np.interp(pct, measured[1][known], measured[2][known], left=np.nan, right=np.nan)
        table[f"{measured[0]} [bar min/l]"] = there
    return Figure(
        id="resistance",
        title="This mould's own curve, and the last shots on it",
        figure=figures.over_volume(
            lines,
            band, spans=spans, x_heading="share of the usual arrival volume [%]", y_range=(0.0, ceiling)
        ),
        summary=(
            "Resistance (driving pressure over flow), all at the usual viscosity; the curve is made of "
            f"{words.count(own['shots'], 'shot')}; 100 % is {words.number(usual, 'l', 4)}. {own['knowledge']} The "
            f"tinted stretch is where resin may arrive ({words.number(own['arrival_volume_low_l'], 'l', 4)} to "
            f"{words.number(own['arrival_volume_high_l'], 'l', 4)})."
        ),
        table=pl.DataFrame(table).fill_nan(None).gather_every(TABLED_EVERY),
        height=400,
    )  # fmt: skip


def _of_shot(row: Mapping[str, Any], usual_l: float, viscosity: float) -> tuple[Floats, Floats]:
    """Share of the usual arrival volume in % and resistance in bar min/l of a shot's cells, at that viscosity, so that
    a warm and a cold shot lie on the same curve."""
    own = np.array([np.nan if v is None else v for v in row["resistance_per_m3"] or []], dtype=float)
    volume = row["injected_volume_l"] * (np.arange(len(own)) + 0.5) / max(len(own), 1)
    return 100.0 * volume / usual_l, own * viscosity / (1e5 * 6e4)


def history_figure(
    rows: pl.DataFrame, flags: Sequence[figures.Flag], usual_l: float | None, declared: Mapping[str, Table], zone: str
) -> Figure:
    """Arrival volume, injected volume and mobility over time with intervals and events.

    rows: one row a shot with started_at, the columns of `fill` and the mobilities of `permeability`.
    """
    import polars as pl

    rows = rows.filter(pl.col("started_at").is_not_null())
    exponent = words.tenfold(rows["mobility_m2_pa_s"])
    scaled = rows.with_columns(pl.col(r"^mobility.*_pa_s$") / 10.0**exponent)
    unit = f"{words.power(exponent)} m²/(Pa s)".strip()
    x, names = rows["started_at"].to_list(), rows["shot"].to_list()
    level = figures.Level(None, None, usual_l, f"earlier median {words.number(usual_l, 'l')}") if usual_l else None
    strips = [
        figures.Strip(
            declared["fill"].column("arrival_volume_l").heading,
            x, rows["arrival_volume_l"], rows["arrival_volume_low_l"], rows["arrival_volume_high_l"],
            names=names, levels=[level] if level else [],
        ),
        figures.Strip(
            declared["fill"].column("injected_volume_l").heading, x, rows["injected_volume_l"], names=names
        ),
        figures.Strip(
            f"mobility [{unit}]",
            x, scaled["mobility_m2_pa_s"], scaled["mobility_low_m2_pa_s"], scaled["mobility_high_m2_pa_s"], names=names,
        ),
    ]  # fmt: skip
    strips = [s for s in strips if any(v is not None for v in s.value)]
    known = rows["arrival_volume_l"].drop_nulls().len()
    key = figures.flag_key(flags, zone)
    return Figure(
        id="history",
        title="Arrival volume, injected volume and mobility over time",
        figure=figures.history(strips, flags, zone=zone),
        summary=(
            f"{words.count(rows.height, 'shot')}; the arrival volume is known for {known or 'none'} of them. "
            "Upright lines through the points are 95 % intervals within the shot. "
            + (f"Numbered lines: {key}." if key else "No event is noted for this mould.")
        ),
        table=rows.select(
            pl.col("shot"),
            pl.col("started_at").alias("start"),
            pl.col("arrival_volume_l").alias("arrival volume [l]"),
            pl.col("arrival_volume_low_l").alias("lower end [l]"),
            pl.col("arrival_volume_high_l").alias("upper end [l]"),
            pl.col("injected_volume_l").alias("injected volume [l]"),
            pl.col("mobility_m2_pa_s").alias("mobility [m²/(Pa s)]"),
        ).reverse(),
        height=figures.history_height(len(strips), bool(flags)),
    )
