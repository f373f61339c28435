"""Helpers that every section draws with. Each takes columns and words and returns a plain plotly dict.

Nothing here computes a result: values, intervals and bands come from stored tables. Numbers are lists, arrays or
polars Series; null and NaN leave a gap. Times are datetimes with a zone, shown in `zone`. Headings carry the unit:
`table.column("arrival_volume_l").heading` gives one. The page puts each figure on the house's theme, so a figure
sets no fonts and takes colours from `theme.LIGHT` only. `catchpot.report.words` writes numbers, intervals and dates.

    history(...)        measures over time (or shot number) as stacked strips, with intervals, bands, steps and events
    over_volume(...)    curves over volume on a usual band, odd stretches and marks in place
    shot_strips(...)    one shot over time: stacked channels with the phase names as ground
    cause_bars(...)     horizontal bars with whiskers between two volumes on one axis
    ruler(...)          what is still to come, each with its interval: shots or days left
    lanes(...)          marks in lanes by kind along the shots or along time
    spread(...)         the distribution of a measure against its specification band
"""

from __future__ import annotations

from catchpot.report.in_rows import bars_height, cause_bars, lanes, ruler, spread
from catchpot.report.marks import (
    Band,
    Coming,
    Curve,
    Flag,
    Lane,
    Level,
    Numbers,
    Part,
    Plot,
    Ring,
    Span,
    Strip,
    decimate,
    flag_key,
    kept_points,
    numbers,
    places,
)
from catchpot.report.over_time import history, history_height, shot_strips
from catchpot.report.over_volume import over_volume

__all__ = [
    "Band", "Coming", "Curve", "Flag", "Lane", "Level", "Numbers", "Part", "Plot", "Ring", "Span", "Strip",
    "bars_height", "cause_bars", "decimate", "flag_key", "history", "history_height", "kept_points", "lanes", "numbers",
    "over_volume", "places", "ruler", "shot_strips", "spread",
]  # fmt: skip
