"""Resin past the inner seal: does the clamp channel rise faster during injection than before, or follow the line?

Resin that enters the channel squeezes the gas in it: the channel rises faster than its leaks make it, which the hold or
the top-ups before the injection show. A wetted seal alone lets less gas by, so a healthy channel rises more slowly.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal

import numpy as np
import polars as pl
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from catchpot.analysis import Job, Refused, Result
from catchpot.physics.channel import follow, rise_during
from catchpot.tables import Table, shape
from catchpot_vacuum.tables import SEAL_RESIN

Floats = NDArray[np.float64]
_FACTOR_999 = 3.29


class ResinParams(BaseModel):
    """Settings, `[analyses.seal_resin]`: none."""

    model_config = ConfigDict(extra="forbid")


def rise_before(hold: pl.DataFrame, shots: list[str], begins_s: Floats) -> tuple[Floats, Floats]:
    """Rise of the clamp channel in each shot's last hold or top-up before the injection, and its s.d.; NaN where none.

    The one with the cavity evacuated furthest, since that is its state during the injection.
    """
    value, sd = np.full(len(shots), np.nan), np.full(len(shots), np.nan)
    if hold.is_empty():
        return value, sd
    start = pl.DataFrame(
        {"shot": shots, "_begins": begins_s, "_place": np.arange(len(shots))},
        schema={"shot": pl.String, "_begins": pl.Float64, "_place": pl.Int64},
    )
    dry = hold.join(start, on="shot").filter(
        pl.col("clamp_rate_mbar_s").is_not_null() & (pl.col("end_s") <= pl.col("_begins") + 2.0)
    )
    last = dry.sort("cavity_mbar", nulls_last=True).group_by("_place", maintain_order=True).first()
    place = last["_place"].to_numpy()
    value[place] = last["clamp_rate_mbar_s"].to_numpy()
    sd[place] = (last["clamp_rate_high_mbar_s"] - last["clamp_rate_low_mbar_s"]).to_numpy() / 3.92
    return value, sd


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
    optional: Mapping[str, tuple[str, ...]] = MappingProxyType({
        "seal_hold": (
            "end_s", "cavity_mbar", "clamp_rate_mbar_s", "clamp_rate_low_mbar_s", "clamp_rate_high_mbar_s",
        ),
    })  # fmt: skip
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
        during, during_sd = rise_during(t, clamp, known)
        given = np.isfinite(slope) | np.isfinite(during)
        names = curve["shot"].to_numpy()[given] if curve.height else np.zeros(0, "U1")
        begins = np.where(known, t, np.inf).min(axis=1, initial=np.inf)[given]
        before, before_sd = rise_before(job.tables.get("seal_hold", pl.DataFrame()), names.tolist(), begins)
        # A receiver or regulator holds the channel where it is, so that a rise shows before the injection only.
        held = during[given] < 0.3 * before
        more = np.where(held, np.nan, during[given] - before)
        spread = _FACTOR_999 * np.hypot(during_sd[given], before_sd)

        def numbers(values: Floats) -> pl.Series:
            return pl.Series(values, dtype=pl.Float64).fill_nan(None)

        frame = shape(
            SEAL_RESIN,
            {
                "shot": pl.Series(names.tolist(), dtype=pl.String),
                "clamp_per_line_mbar_bar": numbers(slope[given]),
                "clamp_per_line_low_mbar_bar": numbers((slope - _FACTOR_999 * sd)[given]),
                "clamp_per_line_high_mbar_bar": numbers((slope + _FACTOR_999 * sd)[given]),
                "rise_before_mbar_s": numbers(before),
                "rise_during_mbar_s": numbers(during[given]),
                "rise_more_low_mbar_s": numbers(more - spread),
                "rise_more_high_mbar_s": numbers(more + spread),
            },
        )
        silent = set(job.units) - set(frame["shot"].to_list())
        why = "resin past the inner seal not assessed: no clamp pressure, no injection or hardly any line pressure"
        steady = "the line pressure hardly moved, so that nothing shows whether the clamp pressure goes with it"
        unknown = frame.filter(pl.col("clamp_per_line_mbar_bar").is_null())["shot"]
        refused = [Refused(s, self.name, why) for s in job.units if s in silent]
        refused += [Refused(s, f"{SEAL_RESIN.name}.clamp_per_line_mbar_bar", steady) for s in unknown]
        return Result({SEAL_RESIN.name: frame}, refused)
