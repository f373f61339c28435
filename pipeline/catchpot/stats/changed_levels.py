"""How far a measure changed at the dates called: levels and slopes with intervals, all its states fitted at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Kind = Literal["step", "trend"]


@dataclass(frozen=True)
class Change:
    """A change of a measure, in its unit, with 95 % intervals. Places are 0-based shots of the series.

    at: first shot of the new state (of the trend); at_low, at_high: 95 % interval of it. seen_at: the shot whose log
    made it certain enough. before, after: level before and after; of a trend, where it began and where it stands at
    `until`. per_shot: slope of a trend, else 0. until: last shot of the state that the change began. rho: the lag-1
    correlation of the shots that was allowed for.
    """

    at: int
    at_low: int
    at_high: int
    seen_at: int
    kind: Kind
    before: float
    before_low: float
    before_high: float
    after: float
    after_low: float
    after_high: float
    change: float
    change_low: float
    change_high: float
    per_shot: float
    per_shot_low: float
    per_shot_high: float
    until: int
    rho: float


@dataclass(frozen=True)
class Call:
    """A change as called. ends_trend: the trend before it levels off here, which is no change of its own.

    bends: a trend that goes on from the level before it, without a jump.
    """

    at: int
    low: int
    high: int
    seen: int
    kind: Kind
    rho: float
    ends_trend: bool = False
    bends: bool = False


def _calm(y: Floats, design: Floats) -> Floats:
    """The values with those beyond 3.5 spreads of the fit pulled to it."""
    fitted = design @ np.linalg.lstsq(design, y, rcond=None)[0]
    rest = y - fitted
    half = 3.5 * 1.4826 * float(np.median(np.abs(rest - np.median(rest))))
    return np.asarray(fitted + np.clip(rest, -half, half)) if half > 0 else y


def regression(y: Floats, design: Floats) -> tuple[Floats, Floats]:
    """Least squares coefficients and covariance (pseudo-inverse where columns repeat each other)."""
    inverse = np.linalg.pinv(design.T @ design, hermitian=True)
    fit = inverse @ design.T @ y
    rest = y - design @ fit
    free = max(y.size - np.linalg.matrix_rank(design), 1)
    return fit, inverse * float(rest @ rest) / free


def _design(
    edges: list[int], found: list[Call], others: Floats | None
) -> tuple[Floats, dict[int, int], dict[int, int]]:
    """A column a level and a column a slope and what lies beside; which column is each state's level, each trend's
    slope. A level that bends goes on under its slope."""
    order = np.arange(edges[-1])

    def within(first: int, last: int) -> Floats:
        return np.asarray((order >= edges[first]) & (order < edges[last]), dtype=float)

    columns: list[Floats] = []
    level_of: dict[int, int] = {}
    for i in range(len(edges) - 1):
        if i and found[i - 1].bends:
            level_of[i] = level_of[i - 1]
            columns[level_of[i]] += within(i, i + 1)
        else:
            level_of[i] = len(columns)
            columns.append(within(i, i + 1))
    slope_of: dict[int, int] = {}
    for i, f in enumerate(found):
        if f.kind == "trend":
            slope_of[i] = len(columns)
            columns.append(within(i + 1, i + 2) * (order - edges[i + 1]))
    if others is not None:
        columns += list((others - others.mean(axis=0)).T)
    return np.column_stack(columns), level_of, slope_of


def _slopes(y: Floats, others: Floats | None, edges: list[int], found: list[Call], i: int) -> list[float]:
    """The slope of a trend that bends were it to begin at either end of its date's interval."""
    made = []
    for at in {found[i].low, found[i].high} if found[i].bends else ():
        moved = [*edges[: i + 1], min(max(at, edges[i]), edges[i + 2] - 3), *edges[i + 2 :]]
        design, _, slope_of = _design(moved, found, others)
        made.append(float(regression(_calm(y, design), design)[0][slope_of[i]]))
    return made


def _with_the_date(estimate: tuple[float, float, float], slopes: list[float]) -> tuple[float, float, float]:
    """An estimate with a 95 % interval that also allows for its date: variances add up."""
    value, low, high = estimate
    down, up = (max(v, 0.0) for v in (value - min([value, *slopes]), max([value, *slopes]) - value))
    return value, value - float(np.hypot(value - low, down)), value + float(np.hypot(high - value, up))


def measured(y: Floats, others: Floats | None, found: list[Call]) -> list[Change]:
    """Levels, slopes and intervals of the changes, jointly with what lies beside them, over all shots at once."""
    from scipy.special import stdtrit

    if not found:
        return []
    n = y.size
    edges = [0, *(f.at for f in found), n]
    design, level_of, slope_of = _design(edges, found, others)
    fit, covariance = regression(_calm(y, design), design)
    free = max(n - int(np.linalg.matrix_rank(design)), 1)
    reach = float(stdtrit(free, 0.975))
    changes: list[Change] = []
    for i, call in enumerate(found):
        if call.ends_trend:
            continue
        wide = reach * float(np.sqrt((1 + call.rho) / (1 - call.rho)))
        length = edges[i + 2] - edges[i + 1]

        def estimate(weights: dict[int, float], wide: float = wide) -> tuple[float, float, float]:
            w = np.zeros(design.shape[1])
            for k, v in weights.items():
                w[k] += v
            value = float(w @ fit)
            half = wide * float(np.sqrt(np.maximum(w @ covariance @ w, 0.0)))
            return value, value - half, value + half

        before = {level_of[i]: 1.0}
        if i - 1 in slope_of:  # a change out of a trend: from where the trend stood
            before[slope_of[i - 1]] = float(edges[i + 1] - edges[i])
        after = {level_of[i + 1]: 1.0}
        slope = (0.0, 0.0, 0.0)
        if call.kind == "trend":
            after[slope_of[i]] = float(length - 1)
            slope = _with_the_date(estimate({slope_of[i]: 1.0}), _slopes(y, others, edges, found, i))
            if call.at <= 2:
                before = {level_of[i + 1]: 1.0}  # nothing before it: from where it began
        difference = dict(after)
        for k, v in before.items():
            difference[k] = difference.get(k, 0.0) - v
        changes.append(
            Change(call.at, call.low, call.high, call.seen, call.kind, *estimate(before), *estimate(after),
                   *estimate(difference), *slope, edges[i + 2] - 1, call.rho)
        )  # fmt: skip
    return changes


def adjusted(values: Floats, beside: Floats | None, changes: list[Change]) -> Floats:
    """The values with what lies beside them taken out, at its mean; shape of the values."""
    y = np.asarray(values, dtype=float)
    if beside is None or beside.shape[1] == 0:
        return y.copy()
    order = np.arange(y.size)
    columns = [np.ones(y.size)]
    for c in changes:
        columns.append((order >= c.at).astype(float))
        if c.kind == "trend":
            columns.append(np.clip(order - c.at, 0, c.until - c.at).astype(float))
    others = beside - beside.mean(axis=0)
    design = np.column_stack([*columns, others])
    fit, _ = regression(_calm(y, design), design)
    return np.asarray(y - others @ fit[len(columns) :])


__all__ = ["Call", "Change", "Kind", "adjusted", "measured", "regression"]
