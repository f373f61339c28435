"""Resin in the clamp channel: does its pressure follow the line, does it rise faster while resin is injected?

Resin that enters the channel squeezes the gas in it. Arrays of shape (shots, bins): a shot's compact curve during the
injection. Pressures in mbar (the line's in bar), times in s.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def follow(t_s: Floats, line_bar: Floats, clamp_mbar: Floats, known: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Clamp pressure per line pressure, mbar/bar, and its s.d., each shot; all arguments of shape (shots, bins).

    Straight drift and curvature in time are taken out first: a leak makes them too. A line pressure that only grows
    with time therefore tells nothing (wide interval). Noise that lasts (a pump's saw teeth) widens the interval.
    """
    n = known.sum(1)
    w = known.astype(float)
    span = np.where(known, t_s, 0.0).max(1)
    x = np.where(known, t_s, 0.0) / np.maximum(span, 1e-9)[:, None]

    def cleaned(v: Floats, basis: list[Floats]) -> Floats:
        out = np.where(known, v, 0.0)
        out = (out - ((w * out).sum(1) / np.maximum(n, 1))[:, None]) * w
        for b in basis:
            out = out - ((b * out).sum(1) / np.maximum((b * b).sum(1), 1e-12))[:, None] * b
        return np.asarray(out)

    basis: list[Floats] = []
    for power in (1, 2, 3):
        basis.append(cleaned(x**power, basis))
    line, clamp = cleaned(line_bar, basis), cleaned(clamp_mbar, basis)
    ll = (line * line).sum(1)
    enough = (n >= 30) & (ll > n * 0.005**2)
    safe = np.where(enough, ll, 1.0)
    slope = (line * clamp).sum(1) / safe
    rest = clamp - slope[:, None] * line
    variance = (rest * rest).sum(1) / np.maximum(n - 5, 1)
    # Effective number of readings: products of the two correlations over lags (Bartlett 1935).
    inflate = np.ones(len(n))
    total_rest = np.maximum((rest * rest).sum(1), 1e-30)
    for lag in range(1, 30):
        a = (rest[:, lag:] * rest[:, :-lag]).sum(1) / total_rest
        b = (line[:, lag:] * line[:, :-lag]).sum(1) / np.maximum(ll, 1e-30)
        inflate += 2.0 * np.maximum(a * b, 0.0)
    blank = np.where(enough, 0.0, np.nan)
    return slope + blank, np.sqrt(variance * inflate / safe) + blank


def rise_during(t_s: Floats, clamp_mbar: Floats, known: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Rise of the clamp channel between a pump's falls, mbar/s, and its s.d., each shot; arguments (shots, bins).

    One slope through all stretches between falls, each about its own mean. A bin that falls by more than the noise can
    fake ends a stretch. NaN for fewer than 12 bins in stretches.

    >>> t = np.arange(40.0)[None, :]
    >>> slope, _ = rise_during(t, 50.0 + 0.2 * (t % 20.0) * 4.0, np.ones((1, 40), dtype=bool))
    >>> float(slope[0].round(3))
    0.8
    """
    shots, bins = t_s.shape
    step = np.diff(np.where(known, clamp_mbar, np.nan), axis=1)
    bend = np.abs(np.diff(step, axis=1))
    bent = np.isfinite(bend)
    ordered = np.sort(np.where(bent, bend, np.inf), axis=1)
    middle = ordered[np.arange(shots), np.minimum(bent.sum(axis=1) // 2, max(bins - 3, 0))]
    noise = 1.4826 * np.where(np.isfinite(middle), middle, 1.0) / np.sqrt(6.0)
    fall = ~(step > -np.maximum(2.0, 6.0 * noise)[:, None])
    piece = np.concatenate([np.zeros((shots, 1), dtype=np.int64), np.cumsum(fall, axis=1)], axis=1)
    group = (piece + bins * np.arange(shots)[:, None]).ravel()
    w = known.astype(float).ravel()
    t, p = np.where(known, t_s, 0.0).ravel(), np.where(known, clamp_mbar, 0.0).ravel()
    count = np.maximum(np.bincount(group, w, shots * bins), 1.0)
    t = (t - (np.bincount(group, w * t, shots * bins) / count)[group]) * w
    p = (p - (np.bincount(group, w * p, shots * bins) / count)[group]) * w
    used = (known & (np.bincount(group, w, shots * bins)[group] >= 5).reshape(shots, bins)).astype(float)
    t, p = t.reshape(shots, bins) * used, p.reshape(shots, bins) * used
    tt, n = (t * t).sum(1), used.sum(1)
    enough = (n >= 12) & (tt > 0)
    slope = (t * p).sum(1) / np.where(enough, tt, 1.0)
    rest = p - slope[:, None] * t
    freedom = np.maximum(n - 2.0 - fall.sum(1) * (n > 0), 3.0)
    sd = np.sqrt((rest * rest).sum(1) / freedom / np.where(enough, tt, 1.0))
    blank = np.where(enough, 0.0, np.nan)
    return slope + blank, sd + blank
