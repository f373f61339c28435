"""The changes of a mould's measures as rows of `drift`, `drift_value` and `drift_watch`."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

import numpy as np
import polars as pl

from catchpot.happened import Happened
from catchpot.stats.changepoint import Change, Keep, adjusted, find_changes, limit_for
from catchpot.stats.control import cusum, ewma, individuals_chart
from catchpot.stats.run_length import cusum_arl, ewma_arl, stretch_limits
from catchpot.stats.stretch import widened
from catchpot_drift.nearby import nearest
from catchpot_drift.series import Series
from catchpot_drift.settings import DriftParams

Row = dict[str, Any]


def watched(series: Sequence[Series], keep: Keep | None = None) -> list[tuple[Series, list[Change]]]:
    """The changes of each series, limits set for all of them together. keep: as `find_changes` takes it."""
    limit = limit_for(len(series)) if series else 0.0
    return [(s, find_changes(s.values, s.beside, limit, keep=keep)) for s in series]


def drift_rows(mould: str, s: Series, changes: Sequence[Change], happened: Sequence[Happened], reach: int) -> list[Row]:
    """Rows of `drift`, in time order."""
    starts: list[datetime] = s.frame["started_at"].to_list()
    shots: list[str] = s.frame["shot"].to_list()
    rows: list[Row] = []
    for i, c in enumerate(changes):
        event = nearest(happened, s.measure, starts, c.at, c.at_low, c.at_high, reach)
        trend = c.kind == "trend"
        low, high = widened(c.change, (c.change_low, c.change_high), s.lasting_sd)
        later = changes[i + 1].at if i + 1 < len(changes) else (c.until + 1 if c.until < len(starts) - 1 else None)
        rows.append(
            {
                "mould": mould,
                "measure": s.measure,
                "changed_at": starts[c.at],
                "before": c.before,
                "after": c.after,
                "kind": c.kind,
                "unit": s.unit,
                "label": s.label,
                "before_low": c.before_low,
                "before_high": c.before_high,
                "after_low": c.after_low,
                "after_high": c.after_high,
                "change": c.change,
                "change_low": low,
                "change_high": high,
                "per_shot": c.per_shot if trend else None,
                "per_shot_low": c.per_shot_low if trend else None,
                "per_shot_high": c.per_shot_high if trend else None,
                "shot": shots[c.at],
                "changed_low_at": starts[c.at_low],
                "changed_high_at": starts[c.at_high],
                "seen_at": starts[c.seen_at],
                "until": starts[later] if later is not None else None,
                "shots": c.until - c.at + 1,
                "event": event[0].text if event else "",
                "event_at": event[0].at if event else None,
                "shots_after_event": event[1] if event else None,
                "autocorrelation": c.rho,
            }
        )
    return rows


def _rates(params: DriftParams) -> Row:
    """The settings of moving average and CUSUM, and how often they ring falsely."""
    _, _, rates = _limits(params)
    return {
        "smooth_weight": params.smooth_weight, "slack_spreads": params.slack_spreads,
        "baseline_shots": params.baseline_shots, "stretch_shots": params.stretch_shots,
        "stretch_share_pct": 100 * params.stretch_share, "smooth_run_shots": rates[0], "sum_run_shots": rates[1],
    }  # fmt: skip


def _limits(params: DriftParams) -> tuple[float, float, tuple[float, float]]:
    """Limits of moving average and CUSUM in spreads, and their average run lengths were the baseline known."""
    smooth, total = stretch_limits(
        params.baseline_shots, params.stretch_shots, params.stretch_share, params.smooth_weight, params.slack_spreads
    )
    own = smooth / float(np.sqrt(params.smooth_weight / (2 - params.smooth_weight)))
    return smooth, total, (ewma_arl(params.smooth_weight, own), cusum_arl(params.slack_spreads, total))


def value_and_watch(
    mould: str, s: Series, changes: Sequence[Change], watched_at_once: int, params: DriftParams
) -> tuple[pl.DataFrame, Row]:
    """Rows of `drift_value` and the row of `drift_watch`: the present state against its own baseline."""
    level = adjusted(s.values, s.beside, list(changes))
    start = 0
    if changes:
        start = changes[-1].at if changes[-1].until == level.size - 1 else changes[-1].until + 1
    state = level[start:]
    starts = s.frame["started_at"]
    row: Row = {
        "mould": mould, "measure": s.measure, "label": s.label, "unit": s.unit, "shots": level.size,
        "since": starts[start], "state_shots": state.size, "level": None, "spread": None, "smooth_lower": None,
        "smooth_upper": None, "smooth_beyond": None, "sum_up": None, "sum_down": None, "sum_limit": None,
        "taken_out": s.taken_out, "measures_watched": watched_at_once, **_rates(params),
    }  # fmt: skip
    smooth = np.full(level.size, np.nan)
    trending = bool(changes) and changes[-1].kind == "trend" and changes[-1].until == level.size - 1
    if state.size > params.baseline_shots and not trending:
        chart = individuals_chart(state[: params.baseline_shots])
        if chart.sd > 0:
            smooth_limit, sum_limit, _ = _limits(params)
            watched_shots = state[params.baseline_shots :]
            line = ewma(watched_shots, params.smooth_weight, chart.mean)
            smooth[start + params.baseline_shots :] = line
            half = smooth_limit * chart.sd
            up, down = cusum((watched_shots - chart.mean) / chart.sd, 0.0, params.slack_spreads)
            row |= {
                "level": chart.mean, "spread": chart.sd, "smooth_lower": chart.mean - half,
                "smooth_upper": chart.mean + half, "smooth_beyond": bool(abs(line[-1] - chart.mean) > half),
                "sum_up": float(up[-1]), "sum_down": float(down[-1]), "sum_limit": sum_limit,
            }  # fmt: skip
    values = s.frame.with_columns(
        pl.lit(mould).alias("mould"),
        pl.lit(s.measure).alias("measure"),
        pl.Series("value", s.values),
        pl.Series("adjusted", level),
        pl.Series("smooth", smooth).fill_nan(None),
    )
    return values, row
