"""Evidence within one shot that needs no history: catalyst over volume, cavity pressure over volume, gap."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Ratio:
    """Catalyst ratio over the volume, per cent by volume of resin, each (shots,).

    whole: over the whole injection. off_share: length of the stretch that lay beyond the tolerance, share of the shot's
    own volume, 0 where there is none; from_share, to_share: its ends, where half of the deviation is reached;
    in_stretch: the ratio over it. starved_share: share with less than two fifths of the setting, from starved_from to
    starved_to.
    """

    whole: Floats
    off_share: Floats
    from_share: Floats
    to_share: Floats
    in_stretch: Floats
    starved_share: Floats
    starved_from: Floats
    starved_to: Floats
    starved_ratio: Floats


RATIO_WINDOW, TEST_WINDOW = 8, 17
"""Bins over which the ratio is taken: 4 % of the volume, several strokes of a metering pump; and over which it is held
against the tolerance: 8.5 %, a little less than the tenth of the volume that must be found, in noise as low as it
gets."""
LEAST_STRETCH = 14
"""Bins: 7 % of the volume. A pause of the pumps spoils one or two, and the window about them."""


def catalyst_ratio(
    time_s: Floats, volume_l: Floats, catalyst_ml_min: Floats, setting: Floats, tolerance: Floats
) -> Ratio:
    """Catalyst ratio in windows of 4 % of the volume, against the setting.

    time_s, volume_l, catalyst_ml_min: (shots, bins) of the compact curve; setting, tolerance: (shots,), % by volume of
    resin and percentage points. The ratio is that of volumes (flow of catalyst integrated over time, by the resin
    that went with it), so that neither a pump's ripple nor a pause counts.
    """
    n, bins = time_s.shape
    known = np.isfinite(catalyst_ml_min) & np.isfinite(time_s) & np.isfinite(volume_l)
    # cumulated catalyst at each bin's middle, the trapezoid on the bins' mean times
    t = np.where(known, time_s, 0.0)
    flow = np.where(known, catalyst_ml_min, 0.0)
    step = np.diff(t, axis=1)
    both = known[:, 1:] & known[:, :-1]
    added = np.where(both, (flow[:, 1:] + flow[:, :-1]) / 2 * step / 60e3, 0.0)
    total = np.concatenate([np.zeros((n, 1)), np.cumsum(added, axis=1)], axis=1)
    w = RATIO_WINDOW
    ratio, tested = (_window_ratio(volume_l, total, known, width) for width in (w, TEST_WINDOW))
    whole_resin = volume_l[:, -1] - volume_l[:, 0] - total[:, -1]
    with np.errstate(invalid="ignore", divide="ignore"):
        whole = np.where(known.sum(axis=1) > bins // 2, 100 * total[:, -1] / np.maximum(whole_resin, 1e-12), np.nan)
    smooth = _running_median(ratio, 3)
    away = np.nan_to_num(np.abs(tested - setting[:, None]))
    worst = np.argmax(away, axis=1)
    off = away[np.arange(n), worst] > tolerance
    size = tested[np.arange(n), worst] - setting
    # The middle of the worst window, and from there both ways until half of the deviation is gone.
    middle = worst + (TEST_WINDOW - w) // 2
    beyond = (smooth - setting[:, None]) * np.sign(size)[:, None] > 0.5 * np.abs(size)[:, None]
    begin, end = _run_through(beyond | ~np.isfinite(smooth), middle)
    off &= end - begin >= LEAST_STRETCH
    begin, end = np.where(off, begin, 0), np.where(off, end, 0)
    starved = np.isfinite(smooth) & (smooth < 0.4 * setting[:, None])
    starved_run, starved_begin, starved_end = _longest_run(starved)
    at = np.arange(ratio.shape[1])
    inside = (at >= begin[:, None]) & (at < end[:, None])
    inside_starved = (at >= starved_begin[:, None]) & (at < starved_end[:, None])
    return Ratio(
        whole,
        (end - begin) / bins,
        (begin + w / 2) / bins,
        (end + w / 2) / bins,
        _mean(smooth, inside),
        starved_run / bins,
        (starved_begin + w / 2) / bins,
        (starved_end + w / 2) / bins,
        _mean(smooth, inside_starved),
    )


def _window_ratio(volume_l: Floats, catalyst_l: Floats, known: NDArray[np.bool_], width: int) -> Floats:
    """Catalyst over resin, per cent, between bins `width` apart; NaN where either end is unknown."""
    with_catalyst = volume_l[:, width:] - volume_l[:, :-width]
    catalyst = catalyst_l[:, width:] - catalyst_l[:, :-width]
    good = known[:, width:] & known[:, :-width] & (with_catalyst > 0)
    return np.where(good, 100 * catalyst / np.maximum(with_catalyst - catalyst, 1e-12), np.nan)


def _run_through(mask: NDArray[np.bool_], at: NDArray[np.intp]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Begin and end (exclusive) of the run of True through column `at` of each row; at and at + 1 where it is False."""
    m = mask.shape[1]
    column = np.arange(m)
    ahead = np.where(~mask & (column > at[:, None]), column, m).min(axis=1)
    back = np.where(~mask & (column < at[:, None]), column, -1).max(axis=1) + 1
    return back, ahead


def _mean(values: Floats, inside: NDArray[np.bool_]) -> Floats:
    use = inside & np.isfinite(values)
    n = use.sum(axis=1)
    return np.where(n > 0, np.where(use, values, 0.0).sum(axis=1) / np.maximum(n, 1), np.nan)


def _running_median(values: Floats, half: int) -> Floats:
    padded = np.pad(values, ((0, 0), (half, half)), mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1, axis=1)
    n = np.isfinite(windows).sum(axis=2)
    ranked = np.sort(windows, axis=2)  # unknown ones last
    low, high = (
        np.take_along_axis(ranked, np.maximum(k, 0)[..., None], axis=2)[..., 0] for k in ((n - 1) // 2, n // 2)
    )
    return np.where(n > half, (low + high) / 2, np.nan)


def _longest_run(mask: NDArray[np.bool_]) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]]:
    """Length, begin and end (exclusive) of the longest run of True in each row; 0, 0, 0 where there is none."""
    n, m = mask.shape
    count = np.zeros(n, np.intp)
    best, end = np.zeros(n, np.intp), np.zeros(n, np.intp)
    for j in range(m):
        count = np.where(mask[:, j], count + 1, 0)
        better = count > best
        best, end = np.where(better, count, best), np.where(better, j + 1, end)
    return best, end - best, end


@dataclass(frozen=True)
class Rise:
    """A rise of the cavity pressure before arrival, mbar; 0 where there is none that lasted.

    begins: share of the usual arrival volume. compressed: gas squeezed ahead of the front explains the rise better
    than a new level the pump holds. own, other: what either explanation leaves (mean square, mbar2).
    """

    mbar: float
    begins: float
    top_mbar: float
    compressed: bool
    own: float
    other: float


NO_RISE = Rise(0.0, float("nan"), float("nan"), False, float("nan"), float("nan"))


def cavity_rise(
    share: Floats,
    time_s: Floats,
    cavity_mbar: Floats,
    usual_mbar: Floats,
    ambient_mbar: float = 1013.25,
    least_mbar: float = 40.0,
) -> Rise:
    """Rise of one shot's cavity pressure over its usual course before resin arrives, and which of two ways it went.

    share, time_s, cavity_mbar: points of the curve; usual_mbar: usual course above its start (zeros where unknown).
    A vent that shuts leaves gas before the front: its pressure goes as 1 / (1 - share) (Boyle), rises ever faster with
    the volume, and may pass ambient. A vacuum that is lost comes to a new level with time, ambient at most.
    """
    use = np.isfinite(cavity_mbar) & np.isfinite(time_s) & (share < 0.98)
    if use.sum() < 20:
        return NO_RISE
    x, t = share[use], time_s[use]
    p = cavity_mbar[use] - np.nan_to_num(usual_mbar[use])
    width = 2
    padded = np.pad(p, width, mode="edge")
    p = np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * width + 1), axis=1)
    start = float(np.median(p[: max(3, int((x < 0.08).sum()))]))
    rise = p - start
    quiet = float(np.median(np.abs(np.diff(p)))) * 1.5
    top = float(np.max(rise))
    if top < least_mbar or np.mean(rise > 0.5 * top) * (x[-1] - x[0]) < 0.015:
        return NO_RISE
    begun = np.flatnonzero(rise > max(0.1 * top, 5 * quiet, 4.0))
    first = max(int(begun[0]) - 1, 0)
    after = slice(first, None)
    px, pt, pr = x[after], t[after] - t[first], rise[after]
    squeezed = _best_fit(
        pr, [((1 + d - px[0]) / (1 + d - px)) ** b - 1 for d in (0.02, 0.1, 0.3, 1.0) for b in (0.5, 1.0)]
    )
    lost = _best_fit(pr, [-np.expm1(-pt / tau) for tau in (1.5, 4.0, 10.0, 25.0, 60.0, 150.0)])
    if float(np.median(np.sort(cavity_mbar[use])[-5:])) > ambient_mbar + 30.0:
        lost = np.inf
    else:
        squeezed, lost = (v / _bend(px, pr) ** s for v, s in ((squeezed, 1), (lost, -1)))
    return Rise(top, float(x[first]), start + top, squeezed < lost, min(squeezed, lost), max(squeezed, lost))


def _bend(x: Floats, rise: Floats) -> float:
    """Slope late over slope early in the rise from 10 to 90 % of its top, against x; 1 where too short to tell."""
    top = float(rise.max())
    part = (rise > 0.1 * top) & (np.arange(len(rise)) <= int(np.argmax(rise > 0.9 * top)))
    if part.sum() < 6:
        return 0.5  # it came within a few hundredths of the volume: nothing was squeezed
    px, pr = x[part], rise[part]
    half = len(px) // 2
    early = (pr[half] - pr[0]) / max(px[half] - px[0], 1e-9)
    late = (pr[-1] - pr[half]) / max(px[-1] - px[half], 1e-9)
    return float(np.clip(late / max(early, 1e-9), 0.2, 5.0))


def _best_fit(y: Floats, shapes: list[Floats]) -> float:
    """Least mean square that one of the shapes, scaled by a positive factor, leaves."""
    left = []
    for s in shapes:
        size = max(float(s @ y) / max(float(s @ s), 1e-12), 0.0)
        left.append(float(np.mean((y - size * s) ** 2)))
    return min(left)


def gap_rise(gap_mm: Floats) -> Floats:
    """Rise of the flange gap within each shot: highest running median less the first tenth's median (shots,)."""
    out = np.full(len(gap_mm), np.nan)
    for i in np.flatnonzero(np.isfinite(gap_mm).sum(axis=1) > 50):
        g = gap_mm[i][np.isfinite(gap_mm[i])]
        smooth = np.median(np.lib.stride_tricks.sliding_window_view(g, 7), axis=1)
        out[i] = float(smooth.max() - np.median(g[: max(5, len(g) // 10)]))
    return out


__all__ = ["NO_RISE", "Ratio", "Rise", "catalyst_ratio", "cavity_rise", "gap_rise"]
