"""Rows of the leak tables, and the sentences for what is not given."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl
from numpy.typing import NDArray

from catchpot.analysis import Refused
from catchpot.tables import empty, shape
from catchpot_vacuum.gather import Logs
from catchpot_vacuum.leaks import Estimate, Fitted
from catchpot_vacuum.tables import SEAL_HOLD, SEAL_LEAK

Floats = NDArray[np.float64]
Given = Mapping[str, tuple[Estimate, NDArray[np.str_], Floats, Floats]]


def _series(values: Floats) -> pl.Series:
    return pl.Series(values, dtype=pl.Float64).fill_nan(None)


def leak_rows(shots: list[str], estimates: Given) -> pl.DataFrame:
    """SEAL_LEAK: a row for each shot and seal with an estimate; leaks are null where the gas volume is missing."""
    frames = []
    names = np.array(shots)
    for seal, (e, method, volume, tolerance) in estimates.items():
        ok = np.isfinite(e.value)
        if not ok.any():
            continue
        value, low, high, litres = e.value[ok], e.low[ok], e.high[ok], volume[ok]
        spare = np.where(np.isfinite(tolerance[ok]), tolerance[ok], 20.0) / 100.0
        least, most = np.maximum(low, 0.0), np.maximum(high, 0.0)
        middle = np.clip(value, least, most)
        wide_low = np.maximum(middle - np.hypot(middle - least, spare * middle), 0.0)
        wide_high = middle + np.hypot(most - middle, spare * middle)
        frames.append(
            shape(
                SEAL_LEAK,
                {
                    "shot": names[ok],
                    "seal": np.full(int(ok.sum()), seal),
                    "leak_mbar_l_s": _series(middle * litres),
                    "leak_low_mbar_l_s": _series(least * litres),
                    "leak_high_mbar_l_s": _series(most * litres),
                    "method": method[ok],
                    "leak_absolute_low_mbar_l_s": _series(wide_low * litres),
                    "leak_absolute_high_mbar_l_s": _series(wide_high * litres),
                    "rise_mbar_min": _series(60.0 * value),
                    "rise_low_mbar_min": _series(60.0 * low),
                    "rise_high_mbar_min": _series(60.0 * high),
                    "outgassing_chance": _series(np.clip(e.outgassing[ok], 0.0, 1.0)),
                },
            )
        )
    return pl.concat(frames).sort("shot", "seal") if frames else empty(SEAL_LEAK)


def hold_rows(log: Logs, data: Fitted) -> pl.DataFrame:
    """SEAL_HOLD: a row a rise."""
    r, clamp, cavity = data.rises, data.clamp_fit, data.cavity_fit
    if len(r.shot) == 0:
        return empty(SEAL_HOLD)
    shut = np.where(r.cavity_shut, 0.0, np.nan)
    first = np.searchsorted(r.shot, r.shot)
    return shape(
        SEAL_HOLD,
        {
            "shot": np.array(log.shots)[r.shot],
            "step": np.arange(len(r.shot)) - first + 1,
            "method": r.method.astype(str),
            "start_s": _series(data.start_s),
            "end_s": _series(data.end_s),
            "ambient_mbar": _series(data.ambient),
            "clamp_mbar": _series(np.where(log.has_clamp[r.shot], data.clamp, np.nan)),
            "cavity_mbar": _series(data.cavity),
            "clamp_rate_mbar_s": _series(clamp.slope),
            "clamp_rate_low_mbar_s": _series(clamp.low),
            "clamp_rate_high_mbar_s": _series(clamp.high),
            "clamp_outgassing_chance": _series(np.clip(clamp.outgassing, 0.0, 1.0)),
            "clamp_noise_mbar": _series(clamp.noise_mbar),
            "cavity_rate_mbar_s": _series(cavity.slope + shut),
            "cavity_rate_low_mbar_s": _series(cavity.low + shut),
            "cavity_rate_high_mbar_s": _series(cavity.high + shut),
            "cavity_outgassing_chance": _series(np.clip(cavity.outgassing + shut, 0.0, 1.0)),
            "rate_hz": _series(data.rate_hz),
        },
    )


NO_CLAMP = "clamp leak not assessed: no clamp pressure logged"
NO_RISE = (
    "clamp leak not assessed: no hold check was made and the clamp pressure shows no rise between top-ups of a pump "
    "(a central receiver, a bleed regulator or a pump that never stops holds it); shut both vacuum lines for 45 s "
    "before injecting and log it"
)
NOT_EVACUATED = "clamp leak not assessed: the clamp channel stood near ambient pressure during the hold check"
WANDERING = (
    "clamp leak not assessed: the clamp pressure rises and falls unevenly, as a shared vacuum supply does, and not as "
    "between a pump's top-ups; shut both vacuum lines for 45 s before injecting and log it"
)
NO_VOLUME = (
    "no {key} in the mould book: the rise is given in mbar/min; a leak in mbar l/s needs the gas volume (evacuate it, "
    "open a bottle of known volume at ambient pressure into it, and compare the pressures before and after)"
)
NO_HOLD = "cavity leak not assessed: it needs a hold check with both vacuum lines shut and the cavity evacuated"
ONE_STATE = (
    "outer and inner seal can't be told apart in this shot: it takes a hold with the cavity at ambient and one with "
    "the cavity evacuated"
)


def refusals(
    log: Logs, data: Fitted, estimates: Given, wandering: NDArray[np.bool_], told: NDArray[np.bool_]
) -> list[Refused]:
    """What is not given, and why, shot by shot."""
    clamp, cavity = np.isfinite(estimates["clamp"][0].value), np.isfinite(estimates["cavity"][0].value)
    no_clamp_volume, no_cavity_volume = ~np.isfinite(estimates["clamp"][2]), ~np.isfinite(estimates["cavity"][2])
    out: list[Refused] = []

    def say(which: NDArray[np.bool_], what: str, reason: str) -> None:
        out.extend(Refused(log.shots[k], f"seal_leak.{what}", reason) for k in np.flatnonzero(which))

    say(~log.has_clamp, "clamp", NO_CLAMP)
    say(log.has_clamp & wandering, "clamp", WANDERING)
    full = np.zeros(len(log.shots), bool)
    full[data.rises.shot[data.clamp > 0.7 * data.ambient]] = True
    say(log.has_clamp & ~wandering & ~clamp & full, "clamp", NOT_EVACUATED)
    say(log.has_clamp & ~wandering & ~clamp & ~full, "clamp", NO_RISE)
    say(clamp & no_clamp_volume, "clamp", NO_VOLUME.format(key="clamp_volume_l"))
    say(clamp & ~told, "outer and inner", ONE_STATE)
    say(clamp & told & no_clamp_volume, "outer and inner", NO_VOLUME.format(key="clamp_volume_l"))
    say(~cavity, "cavity", NO_HOLD)
    say(cavity & no_cavity_volume, "cavity", NO_VOLUME.format(key="cavity_gas_volume_l"))
    return out
