"""The whole curve against a mould's healthy ones: multiway PCA over resistance, flow, line and cavity pressure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from catchpot.stats.multiway import Multiway, fit_multiway, left_out_false_alarms
from catchpot.stats.shape import nan_median
from catchpot_faults.curves import GRID, Shots

Floats = NDArray[np.float64]

NAMES = ("resistance", "flow", "line_pressure", "cavity_pressure")
CELLS = 24
"""Stretches along the volume, 4 % to 90 % of the usual arrival volume: what lies beyond depends on when somebody
stops."""
EDGES = np.linspace(0.04, 0.90, CELLS + 1)
LEAST_SHOTS = 14
CHANCE = 0.9995
FLOORS = (0.025, 0.35, 0.35, 4.0)
"""Least scatter believed: 2.5 % of resistance, 4 mbar of the cavity pressure; 35 % of flow and driving pressure, whose
courses bend wherever the machine meets its pressure limit, at a place that moves from shot to shot with the
resistance."""
PRESSURE_MBAR = 12.0
"""What capillary pull, weather and gauges leave open of a driving pressure: early in a shot that is much of it."""
TAIL = 1.5
"""The limits are set so many times as high as theory has them: fronts that run unevenly make healthy curves scatter
with heavier tails than normal ones. What the limits then let through is measured by bootstrap and stands in the
sentence."""
LEAST_LIMIT = 0.12
"""Nor is the squared residual's limit below an eighth of a believed scatter squared at every point: a mould that
repeats more closely than its gauges are believed is not odd for moving within that."""


def features(shots: Shots, share_l: float, rows: NDArray[np.intp]) -> Floats:
    """Channels on CELLS stretches, side by side (rows, 4 x CELLS); NaN where a shot has nothing.

    Log resistance, log flow and log driving pressure are taken less their own middle, cavity pressure less its start:
    a colder day, a thicker resin or another setting moves levels and is no odd shape.
    """
    parts = []
    for channel, kind in (
        (shots.resistance, "log"), (shots.curve["flow_l_min"], "log"), (shots.driving, "log"),
        (shots.curve["cavity_pressure_mbar"], "start"),
    ):  # fmt: skip
        curve = shots.on_share(channel, share_l, rows)
        if kind == "log":
            with np.errstate(invalid="ignore", divide="ignore"):
                curve = np.log(np.where(curve > 0, curve, np.nan))
        cells = _cells(curve)
        centre = nan_median(cells) if kind == "log" else nan_median(cells[:, :3])
        parts.append(cells - centre[:, None])
    return np.concatenate(parts, axis=1)


def _cells(curve: Floats) -> Floats:
    out = np.full((len(curve), CELLS), np.nan)
    number = np.clip(np.searchsorted(EDGES, GRID, side="right") - 1, -1, CELLS)
    for c in range(CELLS):
        part = curve[:, (number == c) & (EDGES[-1] > GRID)]
        known = np.isfinite(part)
        n = known.sum(axis=1)
        out[:, c] = np.where(n > 0, np.where(known, part, 0.0).sum(axis=1) / np.maximum(n, 1), np.nan)
    return out


@dataclass(frozen=True)
class Whole:
    """A model of the healthy curves: what it uses of the features, and how often it would cry wolf, by bootstrap."""

    model: Multiway
    columns: NDArray[np.intp]
    usual: Floats
    free: Floats
    covariate: Floats
    middle: float
    t2_limit: float
    q_limit: float
    alarm: tuple[float, float, float]
    shots: int


def driving_cells(shots: Shots, share_l: float, rows: NDArray[np.intp]) -> Floats:
    """Usual driving pressure on each stretch, mbar (CELLS,)."""
    cells = _cells(shots.on_share(shots.driving, share_l, rows))
    return nan_median(cells.T)


def _free(usual: Floats, driving_mbar: Floats) -> Floats:
    """What a sound shot's log resistance may do freely, as orthonormal directions (CELLS, k).

    Another level; more or less line resistance (a constant beside a bed that grows); another arrival volume (a shift
    along it); gauges or weather off by some mbar (most where the driving pressure is least). Stretches without a usual
    course (NaN) take no part.
    """
    known = np.isfinite(usual)
    middle = ((EDGES[1:] + EDGES[:-1]) / 2)[known]
    driving, course = np.nan_to_num(driving_mbar[known], nan=1e3), usual[known]
    shift = np.gradient(course, middle) * middle
    ways = np.stack([np.ones(len(course)), np.exp(-course), shift, 100.0 / driving.clip(50)], axis=1)
    free = np.zeros((CELLS, ways.shape[1]))
    free[known] = np.linalg.qr(ways)[0]
    return free


def _without_free(rows: Floats, usual: Floats, free: Floats) -> Floats:
    """Rows with the free directions taken out of their resistance; gaps stay gaps and bear on nothing."""
    out = rows.copy()
    off = rows[:, :CELLS] - usual
    judged = np.isfinite(usual)
    whole = np.isfinite(off[:, judged]).all(axis=1)
    out[:, :CELLS] = off
    out[np.ix_(whole, judged)] = (off - np.where(np.isfinite(off), off, 0.0) @ free @ free.T)[np.ix_(whole, judged)]
    for i in np.flatnonzero(~whole):
        known = np.isfinite(off[i])
        if known.sum() > 2 * free.shape[1]:
            size = np.linalg.lstsq(free[known], off[i, known], rcond=None)[0]
            out[i, :CELLS] = off[i] - free @ size
    return out


def learn(rows: Floats, levels: Floats, driving_mbar: Floats) -> Whole | None:
    """A model of healthy rows (shots, 4 x CELLS); None where too few shots or channels are whole.

    driving_mbar: usual driving pressure on each stretch (CELLS,). levels: log level of each shot's resistance. What
    goes along with it (a slow fill reaches its pressure limit earlier) is taken out first, so that a season is not an
    odd shape.
    """
    whole_columns = np.isfinite(rows).mean(axis=0) > 0.85
    if whole_columns.sum() < CELLS:
        return None
    columns = np.flatnonzero(whole_columns)
    usual = np.where(whole_columns[:CELLS], nan_median(rows[:, :CELLS], axis=0), np.nan)
    if np.isfinite(usual).sum() < CELLS // 2:
        return None
    free = _free(usual, driving_mbar)
    x = _without_free(rows, usual, free)[:, columns]
    whole = np.isfinite(x).all(axis=1) & np.isfinite(levels)
    if whole.sum() < LEAST_SHOTS:
        return None
    x, z = x[whole], levels[whole]
    middle = float(np.median(z))
    z = z - middle
    slope = (z @ (x - x.mean(axis=0))) / max(float(z @ z) + 4 * 0.03**2, 1e-9)
    x = x - z[:, None] * slope
    floor = np.repeat(FLOORS, CELLS)
    floor[:CELLS] = np.hypot(floor[:CELLS], np.nan_to_num(PRESSURE_MBAR / np.maximum(driving_mbar, 1.0), nan=1.0))
    floor = floor[columns]
    model = fit_multiway(x, 0.8, floor)
    t2_limit, q_limit = (TAIL * limit for limit in model.limits(CHANCE))
    q_limit = max(q_limit, LEAST_LIMIT * len(columns))
    alarm = left_out_false_alarms(model, CHANCE, TAIL)
    return Whole(model, columns, usual, free, slope, middle, t2_limit, q_limit, alarm, int(whole.sum()))


@dataclass(frozen=True)
class Odd:
    """How far one shot's whole curve lies off. parts: (4, CELLS) share of the squared residual; stretch: cells,
    worst."""

    t2: float
    q: float
    parts: Floats
    channel: int
    stretch: tuple[int, int]

    def beyond(self, whole: Whole, times: float = 1.0) -> bool:
        """Beyond so many times either limit."""
        return self.t2 > times * whole.t2_limit or self.q > times * whole.q_limit


def hold_against(row: Floats, level: float, whole: Whole) -> Odd | None:
    """One shot's features against the model; None where less than half of it is known."""
    x = _without_free(row[None], whole.usual, whole.free)[0][whole.columns]
    x = x - (level - whole.middle if np.isfinite(level) else 0.0) * whole.covariate
    if np.isfinite(x).mean() < 0.5:
        return None
    t2, q, parts = whole.model.judge(x)
    flat = np.zeros(len(row))
    # Where T2 alone is out, what lies within the model's plane is the odd thing: all of the deviation counts.
    deviation = np.where(np.isfinite(x), (x - whole.model.mean) / whole.model.scale, 0.0) ** 2
    flat[whole.columns] = parts[0] if q[0] > whole.q_limit else deviation
    cells: Floats = flat.reshape(len(NAMES), CELLS)
    cells = cells / max(float(cells.sum()), 1e-12)
    channel = int(np.argmax(cells.sum(axis=1)))
    along = cells.sum(axis=0)
    begin, end = _narrowest(along, 0.6)
    return Odd(float(t2[0]), float(q[0]), cells, channel, (begin, end))


def _narrowest(along: Floats, share: float) -> tuple[int, int]:
    """Shortest run of cells that holds that share of the whole: first cell and one past the last."""
    total = np.concatenate([[0.0], np.cumsum(along)])
    for width in range(1, len(along) + 1):
        held = total[width:] - total[:-width]
        at = int(np.argmax(held))
        if held[at] >= share * total[-1]:
            return at, at + width
    return 0, len(along)


__all__ = ["CELLS", "EDGES", "NAMES", "Odd", "Whole", "driving_cells", "features", "hold_against", "learn"]
