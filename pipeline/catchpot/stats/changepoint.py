"""When a measure changed, whether by a step or a trend, and by how much.

Shots are watched in order; a change is called when the weight of evidence passes a limit found by simulation for the
whole set of measures watched at once (`limit_for`). After a change the watch begins anew from its date.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from catchpot.stats.changed_levels import Call, Change, Kind, adjusted, measured, regression
from catchpot.stats.evidence import Evidence, Scan, change_evidence, clip_lone_shots
from catchpot.stats.laws import lag_one

Floats = NDArray[np.float64]
LIMITS_FILE = Path(__file__).with_name("changepoint_limits.csv")
LATER = (0, 8, 16, 32, 64, 120)
# After a change the next may come soon, and there is a past to go by: less is asked of the new state.
AGAIN_FIRST, AGAIN_BEFORE = 14, 8
NEARNESS = (0.5, 0.7, 0.85, 1.0, 0.85, 0.7, 0.5)
CORRELATIONS = (0.25, 0.5, 0.75)
CORRELATED = 2.3  # standard errors; one white history in a hundred


@lru_cache(maxsize=1)
def _limits() -> Floats:
    return np.loadtxt(LIMITS_FILE, delimiter=",", comments="#", skiprows=0, ndmin=2, usecols=(0, 1, 2))


def limit_for(measures: int) -> float:
    """The limit of the log odds for a set of measures watched at once.

    Chosen by simulation (`limits_by_simulation`) so that 4.5 % of steady histories of 60 shots ring in any of them;
    between the simulated set sizes by straight line in the logarithm of the size.

    >>> limit_for(1) < limit_for(9) < limit_for(20)
    True
    """
    if measures < 1:
        raise ValueError("watch one measure or more")
    table = _limits()
    return float(np.interp(np.log(measures), np.log(table[:, 0]), table[:, 1]))


def healthy_shots_between(measures: int) -> float:
    """Shots of steady running between two false calls, on average, over the whole set (by simulation)."""
    table = _limits()
    return float(np.interp(np.log(measures), np.log(table[:, 0]), table[:, 2]))


def find_changes(
    values: Floats, beside: Floats | None = None, limit: float | None = None, scan: Scan | None = None
) -> list[Change]:
    """All changes of one measure in time order.

    values: shape (shots,), finite. beside: shape (shots, columns): what else may move it (temperature, columns of 0 and
    1 for resin batches); what they can explain is never called. limit: of the log odds, `limit_for(1)` by default.
    Fewer than `scan.first` shots give no change.

    >>> rng = np.random.default_rng(1)
    >>> [(c.kind, c.at) for c in find_changes(np.r_[rng.normal(0, 1, 40), rng.normal(4, 1, 20)])]
    [('step', 40)]
    """
    scan = scan or Scan()
    bound = limit_for(1) if limit is None else limit
    y = np.asarray(values, dtype=float)
    others = None if beside is None or beside.shape[1] == 0 else np.asarray(beside, dtype=float)
    found: list[Call] = []
    start, line = 0, False
    while y.size - start >= scan.first:
        called = _first_call(y, others, start, line, bound, scan)
        if called is None:
            break
        if line and called.kind == "trend" and not _still_moves(y, others, called.at):
            called = replace(called, kind="step", ends_trend=True)
        found.append(called)
        start, line = called.at, called.kind == "trend"
        scan = replace(scan, first=min(scan.first, AGAIN_FIRST), before=min(scan.before, AGAIN_BEFORE))
    return measured(y, others, found)


def _segment(others: Floats | None, start: int, shots: int, line: bool) -> Floats | None:
    columns = [] if others is None else [others[start:]]
    if line:
        columns.append(np.arange(shots - start, dtype=float)[:, None])
    return np.column_stack(columns) if columns else None


def _without_wild_shots(y: Floats, beside: Floats | None, centred: bool = False) -> Floats:
    """Shape (1, shots): lone wild shots clipped about what lies beside them, which is taken out for that."""
    if beside is not None:
        design = np.column_stack([np.ones(y.size), beside])
        y = y - design @ np.linalg.lstsq(design, y, rcond=None)[0]
    return clip_lone_shots(y[None, :], centred=centred)


def _first_call(y: Floats, others: Floats | None, start: int, line: bool, bound: float, scan: Scan) -> Call | None:
    """The first change after `start`, or None."""
    beside = _segment(others, start, y.size, line)
    clipped = _without_wild_shots(y[start:], beside)
    ringing = np.flatnonzero(change_evidence(clipped, beside, scan).log_odds[0] > bound)
    for look in ringing:
        shots = int(look) + 1
        rho, detail = _allowing(clipped, beside, shots, scan, line)
        if detail.log_odds[0, 0] <= bound:
            continue
        # Later shots tell step from trend and date both, as long as one change explains them.
        for further in sorted({min(shots + k, y.size - start) for k in LATER}, reverse=True):
            part = None if beside is None else beside[:further]
            known = _without_wild_shots(y[start : start + further], part, centred=True)
            detail = _detail(known, beside, further, scan, rho, line)
            kind, at, low, high = _named(detail, further, scan)
            if further == shots or (at < shots and _explains(y[start:], others, start, at, further, kind, bound, scan)):
                break
        return Call(start + at, start + low, start + high, start + shots - 1, kind, rho)
    return None


def _named(detail: Evidence, shots: int, scan: Scan) -> tuple[Kind, int, int, int]:
    stepped = detail.step[0, 0] + scan.favour_step >= detail.trend[0, 0]
    odds = (detail.by_date_step if stepped else detail.by_date_trend)[0, 0]
    return ("step" if stepped else "trend", *_dated(odds, shots, scan))


def _still_moves(y: Floats, others: Floats | None, at: int) -> bool:
    """Whether the slope from `at` on differs from none by three standard errors."""
    n = y.size - at
    design = np.column_stack([np.ones(n), np.arange(n), *([] if others is None else [others[at:]])])
    fit, covariance = regression(y[at:], design)
    return bool(abs(fit[1]) > 3 * np.sqrt(covariance[1, 1]))


def _explains(
    y: Floats, others: Floats | None, start: int, at: int, shots: int, kind: Kind, bound: float, scan: Scan
) -> bool:
    """Whether nothing more is called between a change and `shots`, both counted from `start`."""
    beside = _segment(None if others is None else others[: start + shots], start + at, start + shots, kind == "trend")
    clipped = _without_wild_shots(y[at:shots], beside)
    return bool(np.all(change_evidence(clipped, beside, scan).log_odds <= bound))


def _detail(clipped: Floats, beside: Floats | None, shots: int, scan: Scan, rho: float, line: bool) -> Evidence:
    ev = change_evidence(clipped[:, :shots], None if beside is None else beside[:shots], scan, rho=rho, last_only=True)
    if not line:
        return ev
    date = shots - scan.after - np.arange(ev.by_date_trend.shape[2])
    trend = np.where(date >= scan.before, ev.by_date_trend, -np.inf)
    total = np.logaddexp.reduce(trend, axis=2)
    return Evidence(np.logaddexp(ev.step, total), ev.step, total, ev.by_date_step, trend)


def _allowing(clipped: Floats, beside: Floats | None, shots: int, scan: Scan, line: bool) -> tuple[float, Evidence]:
    """The evidence after `shots`, with the correlation that shots keep once the likeliest change is taken out."""
    plain = _detail(clipped, beside, shots, scan, 0.0, line)
    stepped = plain.step[0, 0] >= plain.trend[0, 0]
    odds = (plain.by_date_step if stepped else plain.by_date_trend)[0, 0]
    if not np.isfinite(odds).any():
        return 0.0, plain
    at = shots - scan.after - int(np.argmax(odds))
    order = np.arange(shots)
    column = (order >= at).astype(float) if stepped else np.maximum(order - at + 1, 0.0)
    # A line beside the change, or what is left of a trend that a step stands for would pass for correlation.
    columns = [np.ones(shots), order.astype(float), column] + ([] if beside is None else [beside[:shots]])
    design = np.column_stack(columns)
    rest = clipped[0, :shots] - design @ np.linalg.lstsq(design, clipped[0, :shots], rcond=None)[0]
    r = lag_one(rest)
    r += (1 + 3 * r) / shots  # bias of the lag-1 correlation of residuals, F. H. C. Marriott and J. A. Pope 1954
    if r <= CORRELATED / np.sqrt(shots):
        return 0.0, plain
    rho = min(CORRELATIONS, key=lambda c: (c - r) ** 2)
    return rho, _detail(clipped, beside, shots, scan, rho, line)


def _dated(odds: Floats, shots: int, scan: Scan, level: float = 0.95) -> tuple[int, int, int]:
    """The date with most odds within three shots of it, near ones counting more, and the span that holds `level`.

    A neighbourhood is oftener right to within three shots than the one likeliest date (0.91 against 0.89 for a step of
    1.5 spreads 20 shots ago).
    """
    share = np.exp(odds - odds.max())
    share /= share.sum()
    dense = np.convolve(share, NEARNESS, "same")
    order = np.argsort(-share)
    kept = order[: int(np.searchsorted(np.cumsum(share[order]), level)) + 1]
    dates = shots - scan.after - kept
    at = int(shots - scan.after - np.argmax(np.where(share > 0, dense, 0.0)))
    return at, min(at, int(dates.min())), max(at, int(dates.max()))


__all__ = ["Change", "adjusted", "find_changes", "healthy_shots_between", "limit_for"]
