"""The history of each seal: leaks over the shots since it was new, cut at replacements logged or assumed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from itertools import pairwise
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

Floats = NDArray[np.float64]
FORECAST_SEALS: Final = ("clamp", "outer", "inner")
_TOUCHED: Final = {
    "clamp": ("outer", "inner", "both"),
    "outer": ("outer", "both"),
    "inner": ("inner", "both"),
    "cavity": (),
}


@dataclass(frozen=True)
class Clock:
    """Counts a mould's shots: times of the shots that count, in order, as seconds; what they are called."""

    at: Floats
    unit: str

    def count(self, since: float, until: Floats | float) -> Floats:
        """Shots started after `since` and up to `until`."""
        return np.asarray(
            np.searchsorted(self.at, until, side="right") - np.searchsorted(self.at, since, side="right"), float
        )


@dataclass(frozen=True)
class Seal:
    """One seal from its start to its end, with its leaks.

    since, until: seconds (until infinite for the one in use). whole: whether its start is known. assumed: whether it is
    taken from a fall of the leak. known_from, known_until: when its start, and its end, could be known: an assumed
    replacement shows three leaks late, and till then its first leaks stand at the end of the seal before.
    at: when each leak was measured; age: shots since then; leak, sd; spare: half of what the leak
    laws differ by, the same for all leaks (mbar l/s; nought for the clamp channel as a whole).
    limits: the book's at each leak, NaN if none. reseated: ages at which it was reseated.
    """

    seal: str
    since: float
    until: float
    whole: bool
    assumed: bool
    at: Floats
    known_from: float
    known_until: float
    age: Floats
    leak: Floats
    sd: Floats
    spare: Floats
    limits: Floats
    reseated: tuple[float, ...]
    shots: tuple[str, ...]

    @property
    def limit(self) -> float:
        """The limit at its last leak."""
        return float(self.limits[-1])


def seconds(times: pl.Series) -> Floats:
    """UTC times as seconds."""
    return np.asarray(times.dt.timestamp("us").to_numpy() / 1e6, dtype=float)


def when(second: float) -> datetime:
    """Seconds as UTC time."""
    return datetime.fromtimestamp(second, UTC)


def day_of(second: float, zone: tzinfo) -> datetime:
    """Local time of a second."""
    return datetime.fromtimestamp(second, zone)


def clock(shot: pl.DataFrame, phase: pl.DataFrame) -> Clock:
    """The mould's injected shots; all its logs where none was injected (hold checks alone)."""
    injected = phase.filter(pl.col("phase") == "inject")["shot"].unique()
    made = shot.filter(pl.col("shot").is_in(injected.to_list()))
    if made.is_empty():
        return Clock(np.sort(seconds(shot["started_at"])), "hold checks")
    return Clock(np.sort(seconds(made["started_at"])), "shots")


def seals(
    leak: pl.DataFrame, event: pl.DataFrame, counter: Clock, limits: Mapping[str, Floats], names: tuple[str, ...]
) -> list[Seal]:
    """Every seal the mould has had, oldest first.

    leak: rows of seal_leak with started_at. limits: seal -> limit at each row's time, aligned with `leak`.
    """
    known = leak.with_row_index("_row").filter(
        pl.col("leak_mbar_l_s").is_not_null() & pl.col("started_at").is_not_null()
    )
    noise = _clamp_noise(known)
    found: list[Seal] = []
    falls: list[tuple[float, float]] = []
    for name in names:
        rows = known.filter(pl.col("seal") == name).sort("started_at", "shot")
        if rows.is_empty():
            continue
        at, value = seconds(rows["started_at"]), rows["leak_mbar_l_s"].to_numpy().astype(float)
        hull = (rows["leak_high_mbar_l_s"] - rows["leak_low_mbar_l_s"]).to_numpy().astype(float) / 3.92
        own = 2.5 * np.array([noise.get(s, np.nan) for s in rows["shot"].to_list()])
        # What one law or another would say is common to all shots; only the noise tells them apart.
        sd = hull if name in ("clamp", "cavity") else np.where(np.isfinite(own), np.minimum(own, hull), hull)
        spare = np.zeros(len(value))
        if name in ("outer", "inner"):
            # The middle of what the laws allow: one law's answer may have all of one seal's wear as the other's.
            low, high = (rows[f"leak_{end}_mbar_l_s"].to_numpy().astype(float) for end in ("low", "high"))
            value = 0.5 * (low + high)
            spare = np.sqrt(np.maximum((0.5 * (high - low)) ** 2 - (1.96 * sd) ** 2, 0.0))
        cuts = _replaced(event, name, "seal_replaced")
        reseats = _replaced(event, name, "seal_reseated")
        touched = seconds(event.filter(pl.col("kind").is_in(["seal_replaced", "seal_reseated"]))["time"]).tolist()
        limit = limits[name][rows["_row"].to_numpy()]
        names_of = np.array(rows["shot"].to_list())
        # The clamp channel's leak is the steadiest: a fall of it is taken for a new outer seal.
        if name == "clamp":
            falls = _fallen(at, value, sd, touched)
        starts = sorted([(c, c, False) for c in cuts] + [(c, k, True) for c, k in falls if name != "inner"])
        bounds = [(-np.inf, -np.inf, False), *starts, (np.inf, np.inf, False)]
        for (since, known_from, assumed), (until, known_until, _) in pairwise(bounds):
            part = (at > since) & (at < known_until)
            if assumed:
                part |= at == since
            if not (part & (at <= until)).any():
                continue
            origin = since if np.isfinite(since) else float(min(at[part][0], counter.at[0]) - 1.0)
            found.append(
                Seal(
                    name, origin, until, bool(np.isfinite(since)), assumed, at[part], known_from, known_until,
                    np.maximum(counter.count(origin, at[part]), 0.0), value[part], np.maximum(sd[part], 1e-4),
                    spare[part], limit[part],
                    tuple(float(counter.count(origin, r)) for r in reseats if origin < r <= until),
                    tuple(names_of[part]),
                )
            )  # fmt: skip
    return found


def _clamp_noise(known: pl.DataFrame) -> dict[str, float]:
    rows = known.filter(pl.col("seal") == "clamp")
    width = (rows["leak_high_mbar_l_s"] - rows["leak_low_mbar_l_s"]) / 3.92
    return dict(zip(rows["shot"].to_list(), width.to_list(), strict=True))


def _replaced(event: pl.DataFrame, seal: str, kind: str) -> list[float]:
    rows = event.filter(pl.col("kind") == kind)
    detail = rows["detail"].fill_null("").str.strip_chars().str.to_lowercase().to_list()
    times = seconds(rows["time"]) if rows.height else np.zeros(0)
    touched = _TOUCHED[seal]
    return sorted(
        float(t) for t, d in zip(times, detail, strict=True) if touched and (d in touched or d not in _TOUCHED["clamp"])
    )


LEAST_FALL = float(np.log(1.6))
"""Fall of the logarithm from which a seal may have been replaced."""


def _fallen(at: Floats, leak: Floats, sd: Floats, logged: list[float]) -> list[tuple[float, float]]:
    """When the leak fell by a factor and stayed down with nothing logged (a replacement nobody wrote down), and when
    that could be known.

    Three leaks in a row below all of the four before, and their median below by more than a factor 1.6 and more than
    3.6 times the scatter that leaks have about their neighbours.
    """
    found: list[tuple[float, float]] = []
    low = np.log(np.maximum(leak, np.maximum(sd, 1e-4)))
    last = 0
    for i in range(4, len(leak) - 2):
        if i - last < 4:
            continue
        before, after = low[max(last, i - 8) : i], low[i : i + 3]
        if any(at[i - 1] < t <= at[i] for t in logged):
            last = i
            continue
        fell = np.median(before[-5:]) - np.median(after)
        if fell <= LEAST_FALL or after.max() >= before[-4:].min():
            continue
        scatter = _scatter(low[max(last, i - 30) : i])
        error = float(np.median(sd[i : i + 3] / np.maximum(leak[i : i + 3], 1e-4)))
        if fell > max(LEAST_FALL, 3.6 * scatter, 2.0 * min(error, 1.0)):
            found.append((float(at[i]), float(at[i + 2])))
            last = i
    return found


def _scatter(values: Floats) -> float:
    """Spread of the logarithms about a straight trend, robust; not below 0.1."""
    x = np.arange(len(values), dtype=float)
    slope, start = np.polyfit(x, values, 1)
    rest = values - start - slope * x
    return max(
        0.1, float(1.4826 * np.median(np.abs(rest - np.median(rest))) * np.sqrt(len(values) / max(len(values) - 2, 1)))
    )
