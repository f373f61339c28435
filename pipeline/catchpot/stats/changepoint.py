"""When a measure changed, whether by a step or a trend, and by how much.

The search is `segments.cut_series`, the one detector of the house; a change's penalty is found by simulation for the
whole set of measures watched at once (`limit_for`), over histories whose shots are alike by up to 0.6.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import astuple
from functools import lru_cache, partial
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from catchpot.stats.bends import bend
from catchpot.stats.changed_levels import Call, Change, Kind, adjusted, measured
from catchpot.stats.long_series import WINDOW, joined
from catchpot.stats.segments import FIRST_SLOPE, Costs, Cut, Least, costs, cut_series, design_of, lifted
from catchpot.stats.wild_shots import clip_lone_shots

Floats = NDArray[np.float64]
LIMITS_FILE = Path(__file__).with_name("changepoint_limits.csv")
SHOTS: Final = 60
"""Length of the steady histories of which a stated share is called at a limit."""
SHARE: Final = 0.045
"""A little short of the 5 % that are promised, as the simulated limit is itself known to a tenth or two."""
NEARNESS: Final = (0.5, 0.7, 0.85, 1.0, 0.85, 0.7, 0.5)
LEVELS_OFF_SD: Final = 3.0
"""A level after a trend that starts within so many standard errors of where the trend stood is its levelling off."""


@lru_cache(maxsize=4)
def limits(kind: str) -> tuple[Floats, Floats, Floats]:
    """Shots, shares and penalties (shots, shares) by simulation; kind: "history" or "month"."""
    rows = [line.split(",") for line in LIMITS_FILE.read_text(encoding="utf-8").splitlines() if line and line[0] != "#"]
    shares = np.array([float(v) for v in rows[0][2:]])
    own = [r for r in rows[1:] if r[0] == kind]
    return np.array([float(r[1]) for r in own]), shares, np.array([[float(v) for v in r[2:]] for r in own])


def limit_at(kind: str, shots: int, share: float) -> float:
    """The penalty that a share of steady series of so many shots passes.

    By straight lines in the logarithms of shots and share; beyond the simulated shares the last line goes on.

    >>> limit_at("history", 60, 0.01) < limit_at("history", 60, 0.002)
    True
    """
    n, shares, table = limits(kind)
    row = np.array([np.interp(np.log(shots), np.log(n), table[:, k]) for k in range(shares.size)])
    x = -np.log(shares)
    at = -np.log(share)
    if at > x[-1]:
        return float(row[-1] + (at - x[-1]) * (row[-1] - row[-3]) / (x[-1] - x[-3]))
    return float(np.interp(at, x, row))


def limit_for(measures: int) -> float:
    """The penalty of a change for a set of measures watched at once.

    So that 4.5 % of steady histories of 60 shots are called in any of them, the shots being as alike as is worst for it
    between 0 and 0.6.

    >>> limit_for(1) < limit_for(9) < limit_for(20)
    True
    """
    if measures < 1:
        raise ValueError("watch one measure or more")
    return limit_at("history", SHOTS, 1 - (1 - SHARE) ** (1 / measures))


Keep = Callable[[str, tuple[Any, ...], Callable[[], list[Any]]], list[Any]]
"""keep(what, content, work): what `work` gives, or gave for this content before (`catchpot.keeping.Worked.out`)."""


def find_changes(
    values: Floats,
    beside: Floats | None = None,
    limit: float | None = None,
    least: Least | None = None,
    keep: Keep | None = None,
) -> list[Change]:
    """All changes of one measure in time order.

    values: shape (shots,). beside: shape (shots, columns): what else may move it (temperature, columns of 0 and 1 for
    resin batches); what they can explain is never called. limit: penalty of a change for 60 shots, `limit_for(1)` by
    default; longer series ask for more, as there are more dates. Fewer than `least.first` shots, values that are not
    all finite, or that are all equal, give no change. Series longer than `long_series.WINDOW` are searched in windows;
    keep: remembers what was found in them.

    >>> rng = np.random.default_rng(1)
    >>> [(c.kind, c.at) for c in find_changes(np.r_[rng.normal(0, 1, 40), rng.normal(4, 1, 20)])]
    [('step', 40)]
    """
    least = least or Least()
    y = np.asarray(values, dtype=float)
    others = None if beside is None or beside.shape[1] == 0 else np.asarray(beside, dtype=float)
    if y.size < least.first or not np.isfinite(y).all() or not np.ptp(y) > 0:
        return []
    asked = limit_for(1) if limit is None else limit

    def called(begin: int, end: int) -> list[Call]:
        part, own = y[begin:end], None if others is None else _moving(others[begin:end])
        plain = partial(_plain_calls, part, own, asked, least)
        content = (part, own, asked, astuple(least))
        return [Call(*c) for c in (plain() if keep is None else keep("changes", content, plain))]

    return measured(y, others, joined(y.size, called) if y.size > WINDOW else called(0, y.size))


def _moving(beside: Floats) -> Floats | None:
    """The columns that are not constant; None where there is none."""
    moving = np.ptp(beside, axis=0) > 0
    return beside[:, moving] if moving.any() else None


def _plain_calls(y: Floats, beside: Floats | None, limit: float, least: Least) -> list[Any]:
    """The calls of one window as plain values."""
    if y.size < least.first or not np.ptp(y) > 0:
        return []
    bound = limit + 2 * float(np.log(max(y.size, SHOTS) / SHOTS))
    calm = _calm(y, beside)
    cut = cut_series(calm, bound, beside, least)
    return [list(astuple(c)) for c in _calls(calm - cut.taken_out, cut, bound, least)] if cut.changes else []


def _calm(y: Floats, beside: Floats | None) -> Floats:
    """Lone wild shots clipped about what lies beside them."""
    if beside is None:
        return clip_lone_shots(y)
    design = np.column_stack([np.ones(y.size), beside])
    explained = design @ np.linalg.lstsq(design, y, rcond=None)[0]
    return np.asarray(explained + clip_lone_shots(y - explained))


def _calls(y: Floats, cut: Cut, bound: float, least: Least) -> list[Call]:
    c = costs(y, cut.rho, least)
    found: list[Call] = []
    if cut.sloped[0]:
        end = cut.starts[1] if len(cut.starts) > 1 else y.size
        found.append(_from_the_first(y[:end], cut, _seen(c, cut, -1, 0, 0, end, bound, least), least))
    for k in range(1, len(cut.starts)):
        begin, at = cut.starts[k - 1], cut.starts[k]
        end = cut.starts[k + 1] if k + 1 < len(cut.starts) else y.size
        middle, low, high = _dated(c, cut, k, begin, at, end)
        seen = _seen(c, cut, k, begin, at, end, bound, least)
        levels_off = cut.sloped[k - 1] and not cut.sloped[k] and not _jumps(y, cut, k)
        bends = False
        if cut.sloped[k] and not cut.sloped[k - 1]:
            found_bend = bend(y[begin:end], cut.rho, cut.variance, least.ramp, throughout=False)
            jumped = c.level[begin, at] + c.slope[at, end]
            # A jump is one more coefficient than a bend: the logarithm of the shots (G. Schwarz 1978).
            if found_bend and found_bend.squares - jumped < cut.variance * np.log(end - begin):
                middle, low, high = (begin + v for v in (found_bend.at, found_bend.low, found_bend.high))
                bends, seen = True, max(seen, middle)
        kind: Kind = "trend" if cut.sloped[k] else "step"
        found.append(Call(middle, low, high, seen, kind, cut.rho, levels_off, bends))
    return found


def _from_the_first(y: Floats, cut: Cut, seen: int, least: Least) -> Call:
    """The call of a slope in the first stretch: from the first shot on, or from where its level bends."""
    found = bend(y, cut.rho, cut.variance, least.ramp, throughout=True)
    if found is None:
        return Call(0, 0, 0, seen, "trend", cut.rho)
    return Call(found.at, found.low, found.high, max(seen, found.at), "trend", cut.rho, bends=True)


def _stretch(c: Costs, sloped: bool) -> Floats:
    return c.slope if sloped else c.level


def _dated(c: Costs, cut: Cut, k: int, begin: int, at: int, end: int, level: float = 0.98) -> tuple[int, int, int]:
    """The date with most odds within three shots of it, near ones counting more, and the span that holds `level`

    of the odds (more than 95 %, as the other dates and the noise are not known either).

    All other changes held where they are.
    """
    dates = np.arange(begin + 1, end)
    total = _stretch(c, cut.sloped[k - 1])[begin, dates] + _stretch(c, cut.sloped[k])[dates, end]
    odds = -0.5 * total / cut.variance
    if not np.isfinite(odds).any():
        return at, at, at
    share = np.exp(odds - odds[np.isfinite(odds)].max())
    share = np.where(np.isfinite(odds), share, 0.0) / share[np.isfinite(odds)].sum()
    reach = len(NEARNESS) // 2
    dense = np.convolve(share, NEARNESS)[reach : reach + share.size]
    order = np.argsort(-share)
    kept = dates[order[: int(np.searchsorted(np.cumsum(share[order]), level)) + 1]]
    middle = int(dates[np.argmax(np.where(share > 0, dense, 0.0))])
    return middle, min(middle, int(kept.min())), max(middle, int(kept.max()))


def _seen(c: Costs, cut: Cut, k: int, begin: int, at: int, end: int, bound: float, least: Least) -> int:
    """The shot with whose log a change is first worth its penalty, the noise known; at latest the last."""
    fresh, bound = -float(np.log(1 - cut.rho**2)), lifted(bound, cut.rho)
    for last in range(at + least.end, end):
        if k < 0:
            gain = c.level[0, last] - c.slope[0, last]
            asked = FIRST_SLOPE * bound
        else:
            after = min(c.level[at, last], c.slope[at, last])
            gain = _stretch(c, cut.sloped[k - 1])[begin, last] - _stretch(c, cut.sloped[k - 1])[begin, at] - after
            asked = bound + fresh
        if np.isfinite(gain) and gain / cut.variance > asked:
            return last - 1
    return end - 1


def _jumps(y: Floats, cut: Cut, k: int) -> bool:
    """Whether the level of stretch k differs from where the trend before it stood."""
    edges = [*cut.starts, y.size]
    design = design_of(y.size, cut.starts, cut.sloped)
    fit = np.linalg.lstsq(design, y, rcond=None)[0]
    covariance = np.linalg.pinv(design.T @ design) * cut.variance / (1 - cut.rho) ** 2
    first = sum(1 + s for s in cut.sloped[: k - 1])
    weights = np.zeros(design.shape[1])
    weights[first], weights[first + 1], weights[first + 2] = -1.0, -float(edges[k] - edges[k - 1]), 1.0
    return bool(abs(weights @ fit) > LEVELS_OFF_SD * np.sqrt(max(float(weights @ covariance @ weights), 0.0)))


__all__ = ["Change", "Keep", "Least", "adjusted", "find_changes", "limit_at", "limit_for"]
