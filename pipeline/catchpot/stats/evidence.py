"""The weight of evidence, shot by shot, that a measure has changed: a step or a trend at a date not known before.

For every candidate date the odds of "changed by an unknown amount" against "unchanged" follow from two linear models
(H. Jeffreys, Theory of Probability, 1939; A. Zellner's g-prior, 1986, on the one added column); the odds are summed
over the dates, as S. W. Roberts (Technometrics 8, 1966) and A. N. Shiryaev (1963) sum them. Columns that may also move
the measure (temperature, a resin batch of unknown viscosity) are fitted beside the change, so that what they can
explain is no evidence. Shots may have a given lag-1 correlation. All shots and all dates at once, from running sums.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
BLOCK = 300


@dataclass(frozen=True)
class Scan:
    """How the evidence is gathered. Numbers of shots, except the priors.

    first: no verdict before that many shots. before, after: least shots on either side of a step. ramp: least length
    of a trend. window: how far back is looked. size, trend_size: typical change in spreads. trend_share: prior share
    of trends. favour_step: added to the step's log odds where the kind is told.
    """

    first: int = 20
    before: int = 15
    after: int = 5
    ramp: int = 36
    window: int = 120
    size: float = 1.0
    trend_size: float = 2.0
    trend_share: float = 0.3
    favour_step: float = 0.15


@dataclass(frozen=True)
class Evidence:
    """Natural logs of odds against "unchanged", after each shot looked at: shape (series, looks); -inf before any.

    step, trend: the two parts of log_odds. by_date_step, by_date_trend: shape (series, looks, dates), the parts of each
    candidate date; the date of entry k after look n is shot n - scan.after - k (0-based, first shot of the new state).
    """

    log_odds: Floats
    step: Floats
    trend: Floats
    by_date_step: Floats
    by_date_trend: Floats

    def arrays(self) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """All arrays in order of declaration."""
        return self.log_odds, self.step, self.trend, self.by_date_step, self.by_date_trend


def _rows(beside: Floats | None, first: int, last: int) -> Floats | None:
    return None if beside is None else beside[first:last]


def clip_lone_shots(values: Floats, spreads: float = 4.0, width: int = 7, centred: bool = False) -> Floats:
    """The values with lone wild shots pulled to the running median -+ 4 spreads; steps and trends stay.

    values: shape (series, shots). The median and the spread (median moving range) use the shots so far only; centred:
    the median uses those on both sides, so that the first shots after a large step are left as they are.

    >>> bool(clip_lone_shots(np.array([[0.0, 1.0, 0.0, 1.0, 0.0, 1.0, 0.0, 99.0]]))[0, -1] < 6)
    True
    """
    from numpy.lib.stride_tricks import sliding_window_view

    values = np.asarray(values, dtype=float)
    shots = values.shape[1]
    if shots < width + 1:
        return values.copy()
    local = np.median(sliding_window_view(values, width, axis=1), axis=2)
    ranges = np.abs(np.diff(values, axis=1))
    spread = np.empty((values.shape[0], shots - width + 1))
    for i in range(spread.shape[1]):
        spread[:, i] = np.median(ranges[:, max(0, i + width - 1 - 60) : i + width - 1], axis=1)
    half = np.maximum(spreads * spread / 0.9538725524, 1e-12 * np.abs(local))
    clipped = values.copy()
    if centred:
        at = np.clip(np.arange(shots) - width // 2, 0, local.shape[1] - 1)
        return np.clip(values, (local - half)[:, at], (local + half)[:, at])
    clipped[:, width - 1 :] = np.clip(values[:, width - 1 :], local - half, local + half)
    return clipped


def _prefix(rows: Floats, axis: int) -> Floats:
    """Running sums with a 0 before the first, along the axis."""
    zero = np.zeros_like(np.take(rows, [0], axis=axis))
    return np.concatenate([zero, np.cumsum(rows, axis=axis)], axis=axis)


def _log_sum(values: Floats, axis: int) -> Floats:
    top = np.max(values, axis=axis, keepdims=True)
    top = np.where(np.isfinite(top), top, 0.0)
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(np.sum(np.exp(values - top), axis=axis)) + np.squeeze(top, axis=axis))


def change_evidence(
    values: Floats,
    beside: Floats | None = None,
    scan: Scan | None = None,
    rho: float = 0.0,
    last_only: bool = False,
) -> Evidence:
    """Evidence of one change after each shot (last_only: after the last one only).

    values: shape (series, shots), finite, in time order. beside: shape (shots, columns), what else may move the
    measure, fitted jointly; a constant is always there. rho: lag-1 correlation of the shots. Valid for roughly normal
    scatter; clip lone wild shots first.

    >>> quiet = np.tile([0.0, 1.0], 15)[None, :]
    >>> float(change_evidence(quiet).log_odds[0, -1]) < 3
    True
    >>> float(change_evidence(np.hstack([quiet, quiet + 3])).log_odds[0, -1]) > 20
    True
    """
    scan = scan or Scan()
    values = np.asarray(values, dtype=float)
    series, shots = values.shape
    if last_only and shots > scan.window:
        values, beside, shots = values[:, -scan.window :], _rows(beside, shots - scan.window, shots), scan.window
    elif not last_only and shots > BLOCK + scan.window:
        # In blocks with the window before each: memory stays flat, and columns that rest in a block cost nothing.
        parts = []
        for first in range(0, shots, BLOCK):
            low = max(0, first - scan.window)
            part = change_evidence(values[:, low : first + BLOCK], _rows(beside, low, first + BLOCK), scan, rho)
            parts.append([array[:, first - low :] for array in part.arrays()])
        return Evidence(*(np.concatenate(arrays, axis=1) for arrays in zip(*parts, strict=True)))
    looks = np.array([shots]) if last_only else np.arange(1, shots + 1)
    columns = np.ones((shots, 1)) if beside is None else np.column_stack([np.ones(shots), _tidy(beside)])
    if shots < scan.first:
        nothing = np.full((series, looks.size), -np.inf)
        dates = np.full((series, looks.size, scan.window - scan.after), -np.inf)
        return Evidence(nothing, nothing, nothing, dates, dates)
    # The common scale is taken out, or sums of squares of large values lose their digits.
    values = values - values.mean(axis=1, keepdims=True)
    scale = values.std(axis=1, keepdims=True)
    by_step, by_trend = _odds_by_date(values / np.where(scale > 0, scale, 1.0), columns, rho, scan, looks)
    early = looks < scan.first
    by_step[:, early], by_trend[:, early] = -np.inf, -np.inf
    step, trend = _log_sum(by_step, 2), _log_sum(by_trend, 2)
    return Evidence(np.logaddexp(step, trend), step, trend, by_step, by_trend)


def _tidy(beside: Floats) -> Floats:
    """Centred and scaled columns; constant ones dropped."""
    beside = np.asarray(beside, dtype=float)
    centred = beside - beside.mean(axis=0)
    spread = centred.std(axis=0)
    keep = spread > 1e-12
    return np.asarray(centred[:, keep] / spread[keep])


def _odds_by_date(
    values: Floats, columns: Floats, rho: float, scan: Scan, whole: NDArray[np.int64]
) -> tuple[Floats, Floats]:
    """Log odds of a step and of a trend at each candidate date against no change, after `whole` shots."""
    shots = columns.shape[0]
    start = np.maximum(0, whole - scan.window)
    white_x, white_y = columns.copy(), values.copy()
    white_x[1:] -= rho * columns[:-1]
    white_y[:, 1:] -= rho * values[:, :-1]
    first_weight = 1 - rho**2

    # Normal equations of the unchanged model, for every last shot.
    sum_xx = _prefix(white_x[:, :, None] * white_x[:, None, :], 0)
    sum_xy = _prefix(white_x[None, :, :] * white_y[:, :, None], 1)
    sum_yy = _prefix(white_y**2, 1)
    xx = sum_xx[whole] - sum_xx[start + 1] + first_weight * columns[start][:, :, None] * columns[start][:, None, :]
    xy = sum_xy[:, whole] - sum_xy[:, start + 1] + first_weight * columns[start][None] * values[:, start][:, :, None]
    yy = sum_yy[:, whole] - sum_yy[:, start + 1] + first_weight * values[:, start] ** 2
    eigen, vectors = np.linalg.eigh(xx)
    kept = eigen > 1e-8 * whole[:, None]
    inverse = np.einsum("nij,nj,nkj->nik", vectors, np.where(kept, 1 / np.where(kept, eigen, 1.0), 0.0), vectors)
    free = (whole - start - kept.sum(axis=1)).astype(float)
    fitted = np.einsum("nij,bnj->bni", inverse, xy)
    rest = np.maximum(yy - np.einsum("bni,bni->bn", fitted, xy), 1e-12 * np.maximum(yy, 1e-12))

    lag = np.arange(scan.after, scan.window)[None, :]  # shots since the candidate date
    date = whole[:, None] - lag
    inside = date - start[:, None] >= 1
    at = np.where(inside, date, 1)
    last = np.broadcast_to(whole[:, None], at.shape)
    sum_x, sum_y = _prefix(white_x, 0), _prefix(white_y, 1)
    after_x, after_y = sum_x[last] - sum_x[at], sum_y[:, last] - sum_y[:, at]

    def odds(ux: Floats, uy: Floats, uu: Floats, size: float) -> Floats:
        left = uu - np.sum((ux @ inverse) * ux, axis=2)
        telling = left > 1e-6 * uu
        left = np.where(telling, left, 1.0)
        explained = (uy - np.moveaxis(ux @ np.moveaxis(fitted, 0, 2), 2, 0)) ** 2 / left
        shrink = size * left / (1 + size * left)
        share = np.minimum(shrink * explained / rest[:, :, None], 1 - 1e-12)
        log_odds = -0.5 * np.log1p(size * left) - 0.5 * free[:, None] * np.log1p(-share)
        return np.where(telling & (free[:, None] >= 3), log_odds, -np.inf)

    step_x = (1 - rho) * after_x + rho * white_x[at]
    step_y = (1 - rho) * after_y + rho * white_y[:, at]
    step_uu = (1 - rho) ** 2 * (lag - 1) + 1.0
    step = odds(step_x, step_y, np.broadcast_to(step_uu, at.shape), scan.size**2)
    step = np.where(inside & (date - start[:, None] >= scan.before), step, -np.inf)

    order = np.arange(1, shots + 1, dtype=float)
    moment_x, moment_y = _prefix(white_x * order[:, None], 0), _prefix(white_y * order, 1)
    rising_x = (moment_x[last] - moment_x[at]) - at[:, :, None] * after_x
    rising_y = (moment_y[:, last] - moment_y[:, at]) - at * after_y
    ramp_x = ((1 - rho) * rising_x + rho * after_x) / lag[:, :, None]
    ramp_y = ((1 - rho) * rising_y + rho * after_y) / lag
    ramp_uu = (
        (1 - rho) ** 2 * lag * (lag + 1) * (2 * lag + 1) / 6 + rho * (1 - rho) * lag * (lag + 1) + rho**2 * lag
    ) / lag**2
    trend = odds(ramp_x, ramp_y, np.broadcast_to(ramp_uu, at.shape), scan.trend_size**2)
    trend = np.where(inside & (lag >= scan.ramp), trend, -np.inf)
    share = scan.trend_share
    return step + np.log1p(-share), trend + np.log(share)


__all__ = ["Evidence", "Scan", "change_evidence", "clip_lone_shots"]
