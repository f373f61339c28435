"""Outer and inner seal from the last holds together, and the hold check that would settle what they leave open."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from catchpot.physics.vacuum import Seals, hold_time_s, shares, solve_seals

Floats = NDArray[np.float64]
_LAST: Final = 24
_LAST_SHOTS: Final = 8
_APART_MBAR: Final = 150.0
_DAYS: Final = 60.0
_USUAL_NOISE_MBAR: Final = 0.5
_USUAL_RATE_HZ: Final = 4.0
_SCATTER: Final = 0.2


@dataclass(frozen=True)
class Pooled:
    """(value, low, high) of outer and inner in mbar l/s, from so many shots; None where the holds can't tell."""

    outer: tuple[float, float, float] | None
    inner: tuple[float, float, float] | None
    shots: int
    since: float
    needed_hold_s: float


def pooled(hold: pl.DataFrame, at: Floats, since: float, volume_l: float, inner_limit: float) -> Pooled:
    """Pool the holds since the last replacement: those of the last 8 shots held at two cavity pressures.

    Where no shot was, the last 24 rises; nothing older than 60 days, since seals wear meanwhile.
    hold: rows of seal_hold in order of time, at: their times in seconds. A leak scatters by a fifth or so from shot to
    shot, each seal's in all holds of a shot alike; between the holds of one shot only the rises' own uncertainty
    stands. needed_hold_s: length of each of two holds after which the
    inner leak is known to a quarter of its limit (0.01 mbar l/s without one).
    """
    wanted = inner_limit / 4.0 if np.isfinite(inner_limit) else 0.01
    noise, rate = _median(hold, "clamp_noise_mbar", _USUAL_NOISE_MBAR), _median(hold, "rate_hz", _USUAL_RATE_HZ)
    needed = float(hold_time_s(wanted, noise, rate, volume_l)) if np.isfinite(volume_l) else float("nan")
    recent = (at > since) & (at > (at.max(initial=0.0) - _DAYS * 86400.0))
    rows, times = hold.filter(pl.Series(recent, dtype=pl.Boolean)), at[recent]
    span = pl.col("cavity_mbar").max() - pl.col("cavity_mbar").min()
    stepped = rows.group_by("shot", maintain_order=True).agg(span.alias("span")).filter(pl.col("span") > _APART_MBAR)
    chosen = stepped["shot"].tail(_LAST_SHOTS).to_list()
    keep = rows["shot"].is_in(chosen) if chosen else pl.Series([True] * rows.height, dtype=pl.Boolean)
    rows, times = rows.filter(keep).tail(_LAST), times[keep.to_numpy()][-_LAST:]
    if rows.height < 2 or not np.isfinite(volume_l):
        return Pooled(None, None, 0, float("nan"), needed)

    def column(name: str) -> Floats:
        return np.asarray(rows[name].cast(pl.Float64).fill_null(np.nan).to_numpy(), dtype=float)

    slope = column("clamp_rate_mbar_s")
    own = (column("clamp_rate_high_mbar_s") - column("clamp_rate_low_mbar_s")) / 3.92
    gas, sd = volume_l * slope[None, :], volume_l * np.hypot(own, _SCATTER * np.abs(slope))[None, :]
    states = tuple(column(f"{name}_mbar")[None, :] for name in ("ambient", "clamp", "cavity"))
    first = solve_seals(gas, sd, states[0], states[1], states[2])
    answer = first
    if np.isfinite(first.inner[0]):
        covariance = _covariance(rows["shot"].to_list(), volume_l * own, first, states)
        answer = solve_seals(gas, sd, states[0], states[1], states[2], covariance=covariance[None])
    shots = rows["shot"].n_unique()
    if not np.isfinite(answer.inner[0]):
        return Pooled(None, None, shots, float(times[0]), needed)
    outer = float(answer.outer[0]), float(answer.outer_low[0]), float(answer.outer_high[0])
    inner = float(answer.inner[0]), float(answer.inner_low[0]), float(answer.inner_high[0])
    return Pooled(outer, inner, shots, float(times[0]), needed)


def _covariance(shots: list[str], own: Floats, first: Seals, states: tuple[Floats, ...]) -> Floats:
    """Covariance of the rises: their own uncertainty, and what each seal scatters by from shot to shot."""
    names = np.array(shots)
    same = names[:, None] == names[None, :]
    outer, inner = (v[0] for v in shares("linear", 0.0, states[0], states[1], states[2]))
    scatter = np.outer(first.outer[0] * outer, first.outer[0] * outer)
    scatter = scatter + np.outer(first.inner[0] * inner, first.inner[0] * inner)
    return np.asarray(np.diag(own**2) + _SCATTER**2 * same * scatter)


def _median(hold: pl.DataFrame, name: str, otherwise: float) -> float:
    values = hold[name].drop_nulls() if hold.height else pl.Series([], dtype=pl.Float64)
    middle = values.median()
    return float(middle) if isinstance(middle, int | float) and middle > 0 else otherwise
