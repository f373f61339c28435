"""Which two periods of a mould to compare: by changes found in its witnesses, by events, or as asked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from catchpot.events import KINDS
from catchpot.keeping import Worked
from catchpot.stats.changepoint import find_changes, limit_for
from catchpot_volume.gather import Floats, column, log_volume, pot_volume_l

Bools = NDArray[np.bool_]
LEAST = 5
"""Shots with a volume that either period needs."""
FAIR = 8
REACH = 60
"""Shots that a period reaches back at most."""
NEAR = 4
"""Changes and events so many shots apart are one."""
FOUND = "change found"
"""Why periods are compared whose boundary the shots themselves gave."""
DOUBTED = 10
"""Shots either side of a boundary where it may lie as well."""
TELLING = tuple(k.name for k in KINDS.values() if k.causes)


@dataclass(frozen=True)
class Periods:
    """Rows (of the frame) of the earlier and the later period, and why these."""

    before: NDArray[np.intp]
    after: NDArray[np.intp]
    why: str


def date_sd(log_v: Floats, after: Bools) -> float:
    """What a boundary that the shots themselves gave adds to the s.d. of the change of their mean.

    The boundary may lie some shots earlier or later: each place counts by how well two levels fit with it (normal
    scatter, levels and spread integrated out under flat priors), and the change differs from place to place.
    log_v: NaN where unknown. 0 where either side has fewer than LEAST shots.
    """
    known = np.isfinite(log_v)
    y, first = log_v[known], int((known & ~after).sum())
    n = len(y)
    places = np.arange(max(first - DOUBTED, LEAST), min(first + DOUBTED, n - LEAST) + 1)
    if first not in places:
        return 0.0
    before = np.cumsum(y)[places - 1]
    change = (y.sum() - before) / (n - places) - before / places
    left = ((y - y.mean()) ** 2).sum() - change**2 * places * (n - places) / n
    odds = -0.5 * (n - 2) * np.log(np.maximum(left, 1e-12)) - 0.5 * np.log(places * (n - places))
    weight = np.exp(odds - odds.max())
    apart = (change - change[places == first]) ** 2
    return float(np.sqrt(weight @ apart / weight.sum()))


def best_volume(frame: pl.DataFrame) -> tuple[Floats, str]:
    """Log arrival volumes from the curve, or where those are few from the catch pot, and which."""
    own = log_volume(frame)
    with np.errstate(divide="ignore", invalid="ignore"):
        pot = np.log(pot_volume_l(frame))
    if np.isfinite(own).sum() < 0.5 * np.isfinite(pot).sum():
        return pot, "the catch pot"
    return own, "the filling curve"


@dataclass(frozen=True)
class Called:
    """A change of one series: at, between which shots it may lie, until when, and whether it is a trend."""

    at: int
    at_low: int
    at_high: int
    until: int
    trend: bool


def found(
    frame: pl.DataFrame,
    events: Sequence[dict[str, Any]],
    meter_steps: Sequence[datetime] = (),
    worked: Worked | None = None,
) -> list[Periods]:
    """The comparisons worth storing, oldest first; the last one is the newest change. Empty for a thin history.

    meter_steps: when the moulds of an injector together showed a step of its meter: a change of this mould too.
    """
    n = frame.height
    known = _known(frame)
    if known.sum() < 2 * LEAST + 2:
        return []
    started = [t.timestamp() for t in frame["started_at"]]
    stepped = [int(np.searchsorted(started, t.timestamp())) for t in meter_steps]
    changes = _merged(
        [c for series in _series(frame, worked or Worked(None)) for c in series], n, [s for s in stepped if 0 < s < n]
    )
    made: list[Periods] = []
    for i, (at, until, trend) in enumerate(changes):
        start = changes[i - 1][0] if i else 0
        end = changes[i + 1][0] if i + 1 < len(changes) else n
        made += _around(at, max(start, 0), end, until, trend, known)
    if not made:
        made = _by_event(frame, events, known) or _halves(known)
    # a trend's later end may begin with the very shot of the next change: one comparison a beginning, the newer change
    return list({int(p.after[0]): p for p in made}.values())[-3:]


def asked(frame: pl.DataFrame, since: datetime, against: tuple[datetime, datetime] | None) -> Periods | None:
    """The periods somebody asked for: from `since` on, against a span or all of the REACH shots before."""
    at = np.array([t.timestamp() for t in frame["started_at"]])
    known = _known(frame)
    after = np.flatnonzero((at >= since.timestamp()) & known)[:REACH]
    if against is None:
        before = np.flatnonzero((at < since.timestamp()) & known)[-REACH:]
    else:
        low, high = against[0].timestamp(), against[1].timestamp()
        before = np.flatnonzero((at >= low) & (at <= high) & known)
        after = after[~np.isin(after, before)]
    if min(len(before), len(after)) < LEAST:
        return None
    return Periods(np.arange(before[0], before[-1] + 1), np.arange(after[0], after[-1] + 1), "asked for")


def _known(frame: pl.DataFrame) -> Bools:
    """Shots whose volume is known."""
    return np.isfinite(best_volume(frame)[0])


def comparable(frame: pl.DataFrame, p: Periods) -> bool:
    """Whether both periods have the volumes that a comparison needs."""
    rows = np.r_[p.before, p.after]
    after = np.arange(len(rows)) >= len(p.before)
    known = _known(frame[rows])
    return bool(min((known & after).sum(), (known & ~after).sum()) >= 3)


def _series(frame: pl.DataFrame, worked: Worked) -> list[list[tuple[Called, NDArray[np.intp]]]]:
    """Changes of the volume, the permeability, the injected volume and the overflow, each with its shots' rows."""
    volume, _ = best_volume(frame)
    with np.errstate(divide="ignore", invalid="ignore"):
        permeability = np.log(column(frame, "permeability_m2"))
    injected = column(frame, "injected_volume_l")
    overflow = injected - np.exp(volume)
    made = []
    unknown = frame["book_batch_viscosity_pa_s"].is_null().to_numpy()
    batches = frame["resin_batch"].fill_null("").to_numpy()
    for values, by_batch in ((volume, False), (permeability, True), (injected, False), (overflow, False)):
        rows = np.flatnonzero(np.isfinite(values))
        if len(rows) < 12 or np.std(values[rows]) < 1e-9:
            continue
        beside = None
        if by_batch:
            # a batch whose viscosity nobody measured may have its own level
            names = list(dict.fromkeys(batches[rows][unknown[rows]].tolist()))
            levels = [f for b in names if 0 < (f := (batches[rows] == b).astype(float)).sum() < len(rows)]
            beside = np.column_stack(levels) if 0 < len(levels) < len(rows) // 4 else None
        calls = find_changes(values[rows], beside, limit_for(4), keep=worked.out)
        made.append([(Called(c.at, c.at_low, c.at_high, c.until, c.kind == "trend"), rows) for c in calls])
    return made


def _merged(
    calls: Sequence[tuple[Called, NDArray[np.intp]]], n: int, steps: Sequence[int] = ()
) -> list[tuple[int, int, bool]]:
    """Changes of several measures as one where they may be the same: (first row, last row, trend)."""
    placed = sorted([
        *((int(rows[c.at]), int(rows[min(c.until, len(rows) - 1)]), c.trend, c.at_high - c.at_low)
          for c, rows in calls),
        *((s, n - 1, False, 0) for s in steps),
    ])  # fmt: skip
    groups: list[list[tuple[int, int, bool, int]]] = []
    for p in placed:
        if groups and p[0] - groups[-1][-1][0] <= NEAR:
            groups[-1].append(p)
        else:
            groups.append([p])
    best = [min(g, key=lambda p: p[3]) for g in groups]
    return [(p[0], p[1], p[2]) for p in best]


def _around(at: int, start: int, end: int, until: int, trend: bool, known: Bools) -> list[Periods]:
    before, after = np.flatnonzero(known[:at])[-REACH:], np.flatnonzero(known[at:end])[:REACH] + at
    before = before[before >= start]
    why = FOUND
    if trend:
        why = "trend found"
        course = np.flatnonzero(known[at : until + 1]) + at
        third = max(len(course) // 3, FAIR)
        after = course[-third:]
        if len(before) < FAIR:
            before = np.r_[before, course[:third]]
        before = before[before < after[0]] if len(after) else before
    if min(len(before), len(after)) < LEAST:
        return []
    return [Periods(np.arange(before[0], before[-1] + 1), np.arange(after[0], after[-1] + 1), why)]


def _by_event(frame: pl.DataFrame, events: Sequence[dict[str, Any]], known: Bools) -> list[Periods]:
    at = np.array([t.timestamp() for t in frame["started_at"]])
    for e in sorted(events, key=lambda e: e["time"], reverse=True):
        if e["kind"] not in TELLING:
            continue
        first = int(np.searchsorted(at, e["time"].timestamp()))
        made = _around(first, 0, len(at), len(at) - 1, False, known)
        if made and min(known[:first].sum(), known[first:].sum()) >= FAIR:
            return [Periods(made[0].before, made[0].after, f"event: {e['kind'].replace('_', ' ')}")]
    return []


def _halves(known: Bools) -> list[Periods]:
    rows = np.flatnonzero(known)[-2 * REACH :]
    half = len(rows) // 2
    before, after = rows[:half], rows[half:]
    return [Periods(np.arange(before[0], before[-1] + 1), np.arange(after[0], after[-1] + 1), "halves of the history")]
