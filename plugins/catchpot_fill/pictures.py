"""The fill section's figures: history of the mould, and the last shots' resistance on the usual band."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from catchpot.report import figures, words
from catchpot.report.section import Figure

if TYPE_CHECKING:
    import polars as pl

    from catchpot.tables import Table

Floats = NDArray[np.float64]
BAND_SHOTS = 60
BAND_LEAST = 8
SHOWN_SHOTS = 3
GRID_PCT = np.linspace(0.0, 120.0, 121)
FILLING_PCT = 97.0


@dataclass(frozen=True)
class Curves:
    """Resistance over share of a reference volume: the last shots and the usual band of those before.

    names: the last shots, newest first. pct, measured, fitted: (shots, bins), NaN where there is no value.
    band_pct, low, high: the usual band where enough earlier shots reach. earlier: how many shots made it.
    thinned: whether the earlier shots were restated to the last shot's viscosity.
    """

    names: tuple[str, ...]
    pct: Floats
    measured: Floats
    fitted: Floats
    band_pct: Floats
    low: Floats
    high: Floats
    earlier: int
    thinned: bool


@dataclass(frozen=True)
class Reference:
    """The volume that counts as 100 % on the axis, l, and what it is."""

    volume_l: float
    words: str


def curves(fit: pl.DataFrame, reference_l: float, viscosity: Mapping[str, float | None] | None = None) -> Curves:
    """Split stored resistance curves into the last shots and the band of the ones before (`fit` in order of time).

    reference_l: the volume that counts as 100 %. The band is median and robust spread of the logarithm at equal shares
    of it and holds 95 % of healthy points; shares that fewer than 8 of up to 60 earlier shots reach have none.
    viscosity: shot -> Pa s. Where it is known of all, earlier shots are restated to the last one's, or the season
    would be the widest part of the band.
    """
    from catchpot.stats.shape import robust_band

    pct = 100.0 * _array(fit, "vol_l") / reference_l
    measured, fitted = _array(fit, "resistance_bar_min_l"), _array(fit, "fitted_bar_min_l")
    first = max(fit.height - SHOWN_SHOTS, 0)
    earlier = range(max(first - BAND_SHOTS, 0), first)
    mu = np.array([(viscosity or {}).get(s) or np.nan for s in fit["shot"][earlier.start :]], dtype=float)
    thinned = bool(np.isfinite(mu).all())
    like_last = mu[-1] / mu if thinned else np.ones(mu.size)
    rows = [_on_grid(pct[i], measured[i] * k) for i, k in zip(earlier, like_last, strict=False)]
    on_grid = np.array(rows).reshape(-1, GRID_PCT.size)
    on_grid[~(on_grid > 0)] = np.nan
    known = np.isfinite(on_grid).sum(axis=0) >= BAND_LEAST
    edges = robust_band(np.log(on_grid[:, known])).edges(0.95) if known.any() else (np.empty(0), np.empty(0))
    low, high = np.exp(edges[0]), np.exp(edges[1])
    last = slice(first, None)
    return Curves(
        names=tuple(fit["shot"][last].reverse().to_list()),
        pct=pct[last][::-1],
        measured=measured[last][::-1],
        fitted=fitted[last][::-1],
        band_pct=GRID_PCT[known],
        low=low,
        high=high,
        earlier=len(earlier),
        thinned=thinned,
    )


def _array(fit: pl.DataFrame, column: str) -> Floats:
    import polars as pl

    flat = fit.select(pl.col(column).explode(empty_as_null=True).cast(pl.Float64)).to_series()
    return flat.fill_null(float("nan")).to_numpy().reshape(fit.height, -1)


def _on_grid(pct: Floats, measured: Floats) -> Floats:
    known = np.isfinite(pct) & np.isfinite(measured)
    if known.sum() < 2:
        return np.full(GRID_PCT.size, np.nan)
    return np.interp(GRID_PCT, pct[known], measured[known], left=np.nan, right=np.nan)


def resistance_figure(drawn: Curves, arrival: Mapping[str, tuple[float, float, float]], reference: Reference) -> Figure:
    """The last shot's resistance, its fit and arrival on the usual band; the two shots before as lines.

    arrival: shot -> (value, low, high) in l, where it is known.
    """
    import polars as pl

    last = drawn.names[0]
    before = f"before it: {words.listed(drawn.names[1:])}"
    lines = [
        *(figures.Curve(before, drawn.pct[i], drawn.measured[i], "faint") for i in range(1, len(drawn.names))),
        figures.Curve(f"{last}, measured", drawn.pct[0], drawn.measured[0], "measured"),
        figures.Curve(f"{last}, fitted", drawn.pct[0], drawn.fitted[0], "fitted"),
    ]
    band = figures.Band("usual band (95 %)", drawn.band_pct, drawn.low, drawn.high) if drawn.band_pct.size else None
    spans, said = [], "Resin's arrival at the vent could not be told in this shot."
    if last in arrival:
        value, low, high = (100.0 * v / reference.volume_l for v in arrival[last])
        spans = [
            figures.Span(low, high, "", "interval"),
            figures.Span(value, value, "resin at the vent", "interval"),
        ]
        said = (
            f"Resin arrived at the vent at {words.with_interval(*arrival[last], 'l')}, "
            f"{words.number(value)} % of {reference.words}; the tinted stretch is the interval."
        )
    # Past the usual arrival a shut vent makes the resistance as large as it likes; the scale is for the filling.
    tops = np.concatenate([drawn.high[drawn.band_pct <= FILLING_PCT], _finite(drawn.fitted[0])])
    ceiling = 1.25 * float(tops.max()) if tops.size else 1.1 * float(np.nanmax(drawn.measured[0]))
    return Figure(
        id="resistance",
        title="Resistance of the last shots on this mould's usual band",
        figure=figures.over_volume(
            lines,
            band,
            spans=spans,
            x_heading=f"share of {reference.words} [%]",
            y_range=(0.0, ceiling),
        ),
        summary=(
            f"Resistance (driving pressure over flow) of shot {last}; "
            f"100 % is {words.number(reference.volume_l, 'l')}. {said} "
            + (
                f"The band is made of the {words.count(drawn.earlier, 'shot')} before those drawn"
                f"{', at the viscosity of this one' if drawn.thinned else ''}."
                if band
                else f"No usual band yet: it takes {BAND_LEAST} shots before those drawn."
            )
        ),
        table=pl.DataFrame({
            f"share of {reference.words} [%], {last}": drawn.pct[0],
            "measured [bar min/l]": drawn.measured[0],
            "fitted [bar min/l]": drawn.fitted[0],
        }).fill_nan(None).filter(pl.first().is_not_null()),
        height=400,
    )  # fmt: skip


def _finite(values: Floats) -> Floats:
    return values[np.isfinite(values)]


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
            pl.col("arrival_volume_low_l").alias("lower end"),
            pl.col("arrival_volume_high_l").alias("upper end"),
            pl.col("injected_volume_l").alias("injected volume [l]"),
            pl.col("mobility_m2_pa_s").alias("mobility [m²/(Pa s)]"),
        ).reverse(),
        height=figures.history_height(len(strips), bool(flags)),
    )
