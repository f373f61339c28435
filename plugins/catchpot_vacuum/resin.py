"""Resin past the inner seal: does the clamp pressure follow the line pressure during injection?"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from catchpot.analysis import Job, Refused, Result
from catchpot.tables import Table, shape
from catchpot_vacuum.tables import SEAL_RESIN

Floats = NDArray[np.float64]
_FACTOR_999 = 3.29


class ResinParams(BaseModel):
    """Settings, `[analyses.seal_resin]`: none."""

    model_config = ConfigDict(extra="forbid")


def follow(t_s: Floats, line_bar: Floats, clamp_mbar: Floats, known: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Clamp pressure per line pressure, mbar/bar, and its s.d., each shot; all arguments of shape (shots, bins).

    Straight drift and curvature in time are taken out first: a leak makes them too. A line pressure that only grows
    with time therefore tells nothing (wide interval). Noise that lasts (a pump's saw teeth) widens the interval.
    """
    n = known.sum(1)
    w = known.astype(float)
    span = np.where(known, t_s, 0.0).max(1)
    x = np.where(known, t_s, 0.0) / np.maximum(span, 1e-9)[:, None]

    def cleaned(v: Floats, basis: list[Floats]) -> Floats:
        out = np.where(known, v, 0.0)
        out = (out - ((w * out).sum(1) / np.maximum(n, 1))[:, None]) * w
        for b in basis:
            out = out - ((b * out).sum(1) / np.maximum((b * b).sum(1), 1e-12))[:, None] * b
        return np.asarray(out)

    basis: list[Floats] = []
    for power in (1, 2, 3):
        basis.append(cleaned(x**power, basis))
    line, clamp = cleaned(line_bar, basis), cleaned(clamp_mbar, basis)
    ll = (line * line).sum(1)
    enough = (n >= 30) & (ll > n * 0.005**2)
    safe = np.where(enough, ll, 1.0)
    slope = (line * clamp).sum(1) / safe
    rest = clamp - slope[:, None] * line
    variance = (rest * rest).sum(1) / np.maximum(n - 5, 1)
    # Effective number of readings: products of the two correlations over lags (Bartlett 1935).
    inflate = np.ones(len(n))
    total_rest = np.maximum((rest * rest).sum(1), 1e-30)
    for lag in range(1, 30):
        a = (rest[:, lag:] * rest[:, :-lag]).sum(1) / total_rest
        b = (line[:, lag:] * line[:, :-lag]).sum(1) / np.maximum(ll, 1e-30)
        inflate += 2.0 * np.maximum(a * b, 0.0)
    blank = np.where(enough, 0.0, np.nan)
    return slope + blank, np.sqrt(variance * inflate / safe) + blank


class SealResinAnalysis:
    """The analysis `seal_resin`: works on the compact curves."""

    name = "seal_resin"
    part: Literal["shot", "mould", "workshop"] = "shot"
    causal = True
    needs: Mapping[str, tuple[str, ...]] = MappingProxyType(
        {
            "curve": ("n", "t_s", "line_pressure_bar", "clamp_pressure_mbar"),
        }
    )
    optional: Mapping[str, tuple[str, ...]] = MappingProxyType({})
    yields: tuple[Table, ...] = (SEAL_RESIN,)
    params: type[BaseModel] = ResinParams

    def compute(self, job: Job) -> Result:
        """Compute all shots of the job."""
        curve = job.tables["curve"]

        def array(name: str) -> Floats:
            if curve.is_empty():
                return np.zeros((0, 1))
            return np.asarray(curve[name].to_numpy(), dtype=float)

        count, t = array("n"), array("t_s")
        line, clamp = array("line_pressure_bar"), array("clamp_pressure_mbar")
        known = (count > 0) & np.isfinite(t) & np.isfinite(line) & np.isfinite(clamp)
        slope, sd = follow(t, line, clamp, known)
        given = np.isfinite(slope)
        names = curve["shot"].to_numpy()[given] if curve.height else np.zeros(0, "U1")
        frame = shape(
            SEAL_RESIN,
            {
                "shot": pl.Series(names.tolist(), dtype=pl.String),
                "clamp_per_line_mbar_bar": slope[given],
                "clamp_per_line_low_mbar_bar": (slope - _FACTOR_999 * sd)[given],
                "clamp_per_line_high_mbar_bar": (slope + _FACTOR_999 * sd)[given],
            },
        )
        silent = set(job.units) - set(frame["shot"].to_list())
        why = "resin past the inner seal not assessed: no clamp pressure, no injection or hardly any line pressure"
        return Result({SEAL_RESIN.name: frame}, [Refused(s, self.name, why) for s in job.units if s in silent])
