"""What the moulds of an injector say together of its meter, and what bucket and scales found."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import combinations
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from catchpot.stats.causes import difference
from catchpot.stats.stretch import lasting_sd
from catchpot_volume.gather import column

Floats = NDArray[np.float64]
Span = tuple[datetime, datetime, datetime, datetime]
OWN, OWN_WIDE, OWN_CHANGED = 0.0035, 0.03, 0.10
"""S.d. of another mould's own change of volume: everyday, and where it changed for itself; and how often it does."""
MOST_CHANGED, FAR = 3, 14.0
CHECKED_SD = 0.005
"""S.d. of a gain found by bucket and scales (common practice, no source)."""
_NUMBER = re.compile(r"(?<![\w.,-])([+-]?\d+(?:[.,]\d+)?)\s*(%?)(?![\w-])")


@dataclass(frozen=True)
class Check:
    """A gain found by bucket and scales. kind: meter_checked (holds from before on), meter_calibrated (until then)."""

    injector: str
    at: datetime
    kind: str
    gain: float | None


def gain_of(detail: str, injector: str) -> float | None:
    """The gain in an event's detail, None where there is none.

    >>> gain_of("injector-1 1.02", "injector-1"), gain_of("injector-1: +2 %", "injector-1"), gain_of("b-2", "b-2")
    (1.02, 1.02, None)
    """
    for number, percent in _NUMBER.findall(detail.replace(injector, " ")):
        value = float(number.replace(",", "."))
        if percent and abs(value) < 20:
            return 1 + value / 100
        if not percent and 0.8 <= value <= 1.25:
            return value
    return None


def checks_of(events: Sequence[dict[str, Any]], injectors: Sequence[str]) -> list[Check]:
    """Calibrations and checks, each with its injector; an event that names none is every injector's."""
    made = []
    for e in events:
        if e["kind"] not in ("meter_checked", "meter_calibrated"):
            continue
        detail = e["detail"] or ""
        # the longest name first: "injector-1" stands in "injector-12" too
        named = [i for i in sorted(injectors, key=len, reverse=True) if i in detail]
        made += [Check(i, e["time"], e["kind"], gain_of(detail, i)) for i in named[:1] or injectors]
    return sorted(made, key=lambda c: c.at)


def known_step(checks: Sequence[Check], span: Span) -> tuple[float, float] | None:
    """Log step of the gain between two periods by checks alone, and its s.d.; None where no two checks tell it."""
    found = [c for c in checks if c.kind == "meter_checked" and c.gain is not None]
    before = [c for c in found if c.at <= span[2]]
    after = [c for c in found if c.at > span[2]]
    # a calibration says what was found before it was set
    set_at = [c for c in checks if c.kind == "meter_calibrated" and span[1] <= c.at <= span[2]]
    if set_at and set_at[-1].gain is not None:
        return float(-np.log(set_at[-1].gain)), CHECKED_SD * 2.0
    if not before or not after or before[-1].gain is None or after[0].gain is None:
        return None
    if before[-1].at < span[0] or after[0].at > span[3]:
        return None
    return float(np.log(after[0].gain / before[-1].gain)), CHECKED_SD * float(np.sqrt(2.0))


def shared_readings(others: pl.DataFrame, span: Span) -> tuple[list[tuple[float, float, float]], int]:
    """What the other moulds say together of the gain's log step: readings to choose from, and how many moulds.

    others: meter_witness rows of one injector. Each mould either kept its everyday or changed for itself; for every
    set of up to MOST_CHANGED that did, the moulds' steps multiply to one normal reading: (value, variance, log weight).
    """
    steps = mould_steps(others, span)
    if not steps:
        return [], 0
    step, sd = np.array([s for s, _ in steps]), np.array([s for _, s in steps])
    made = []
    for n in range(min(MOST_CHANGED, len(steps)) + 1):
        for own in combinations(range(len(steps)), n):
            changed: NDArray[np.bool_] = np.zeros(len(steps), dtype=np.bool_)
            changed[list(own)] = True
            variance: Floats = sd**2 + np.where(changed, OWN_WIDE, OWN) ** 2
            pooled = 1.0 / float((1.0 / variance).sum())
            value = pooled * float((step / variance).sum())
            log_weight = float(
                n * np.log(OWN_CHANGED)
                + (len(steps) - n) * np.log1p(-OWN_CHANGED)
                - 0.5 * (np.log(2 * np.pi * variance) + (step - value) ** 2 / variance).sum()
                + 0.5 * np.log(2 * np.pi * pooled)
            )
            made.append((value, pooled, log_weight))
    top = max(w - 0.5 * np.log(v) for _, v, w in made)
    # far less likely wherever the step may be: left out, but for the widest
    widest = max(v for _, v, _ in made)
    return [m for m in made if m[2] - 0.5 * np.log(m[1]) > top - FAR or m[1] == widest], len(step)


def common_step(others: pl.DataFrame, span: Span) -> tuple[tuple[float, float] | None, int]:
    """Log step that other moulds share between two periods, its s.d., and how many of them were compared."""
    readings, compared = shared_readings(others, span)
    if not readings:
        return None, 0
    value, variance, log_weight = np.array(readings).T
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    mean = float(weight @ value)
    return (mean, float(np.sqrt(weight @ (variance + (value - mean) ** 2)))), compared


def mould_steps(others: pl.DataFrame, span: Span) -> list[tuple[float, float]]:
    """Step of each other mould's log volume (or log balance, whichever is sharper) between the periods, and its s.d."""
    start, last, first, end = span
    made = []
    boundary = last + (first - last) / 2
    inside = others.filter((pl.col("at") >= start) & (pl.col("at") <= end))
    for _, shots in inside.group_by("of_mould", maintain_order=True):
        after = (shots["at"] > boundary).to_numpy()
        columns = shots.select("log_volume", "log_balance").fill_null(float("nan")).to_numpy().astype(float)
        change, covariance, fewest = difference(columns, after)
        covariance[0, 0] += lasting_sd(column(shots, "shared_sd")) ** 2
        usable = [i for i in range(2) if fewest[i] >= 3 and np.isfinite(change[i])]
        if usable:
            best = min(usable, key=lambda i: covariance[i, i])
            made.append((float(change[best]), float(np.sqrt(covariance[best, best]))))
    return made
