"""From rises to leaks at the reference states: clamp, outer and inner where the holds tell, cavity."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from catchpot.physics import vacuum
from catchpot.physics.binned import Binned, bin_rises
from catchpot.physics.rise import RiseFit, fit_rises
from catchpot_vacuum.gather import TOP_UPS, Logs, Rises

Floats = NDArray[np.float64]
_LAWS: Final = vacuum.LAWS


@dataclass(frozen=True)
class Fitted:
    """The rises with their slopes and states; arrays (rises,). Rates in mbar/s."""

    rises: Rises
    ambient: Floats
    clamp: Floats
    cavity: Floats
    clamp_fit: RiseFit
    cavity_fit: RiseFit
    start_s: Floats
    end_s: Floats
    rate_hz: Floats


@dataclass(frozen=True)
class Estimate:
    """A leak of each shot in the unit of its rates; NaN where there is none."""

    value: Floats
    low: Floats
    high: Floats
    outgassing: Floats

    @staticmethod
    def none(count: int) -> Estimate:
        """Nothing known of any shot."""
        return Estimate(*(np.full(count, np.nan) for _ in range(4)))


def fit(log: Logs, found: Rises, *, drift_mbar_min: float, gas_k: float) -> Fitted:
    """Fit every rise of clamp and cavity; a source near ambient bends a large rise, which is taken out first."""
    ambient = log.ambient[found.shot]
    clamp_bins = bin_rises(log.t, log.clamp, found.first, found.stop)
    cavity_bins = bin_rises(log.t, log.cavity, found.first, found.stop)

    def fitted(data: Binned, height: float, prior: float) -> RiseFit:
        level = _start(data)
        straight = vacuum.straighten(data.p_mbar, level, ambient)
        # Near ambient a rise says nothing more: what lies beyond 0.7 of it is left out where enough lies below.
        high = data.p_mbar > 0.7 * ambient[:, None]
        enough = ((data.n > 0) & ~high).sum(axis=1) >= 6
        n = np.where(high & enough[:, None], 0.0, data.n)
        used = Binned(data.t_s, straight, n, data.resolution_mbar, data.length_s, data.start_s)
        floor = vacuum.thermal_rate_mbar_s(level, gas_k, np.maximum(data.length_s, 1.0))
        return fit_rises(
            used, height_mbar=height, prior_outgassing=prior, drift_mbar_min=drift_mbar_min, rate_floor_sd=floor
        )

    clamp_fit, cavity_fit = fitted(clamp_bins, 2.0, 0.2), fitted(cavity_bins, 6.0, 0.5)
    clamp_fit = _torrents(clamp_bins, clamp_fit, ambient, _just_before(log, found))
    weight = np.maximum(cavity_bins.n.sum(1), 1.0)
    length = np.maximum(clamp_bins.length_s, cavity_bins.length_s)
    start = _start(clamp_bins)
    start = np.where(start > 0.7 * ambient, _just_before(log, found), start)
    return Fitted(
        found, ambient, start, (cavity_bins.n * cavity_bins.p_mbar).sum(1) / weight,
        clamp_fit, cavity_fit, log.t[found.first], log.t[found.stop - 1],
        (found.stop - found.first - 1) / np.maximum(length, 1e-9),
    )  # fmt: skip


_LOOK_BACK_S: Final = 4.0


def _just_before(log: Logs, found: Rises) -> Floats:
    """Clamp pressure four seconds before each rise as it was cut out, the valve's own doings included."""
    step = (log.t[log.stop - 1] - log.t[log.first]) / np.maximum(log.stop - log.first - 1, 1)
    back = np.round(_LOOK_BACK_S / np.maximum(step, 1e-3)).astype(np.int64)[found.shot]
    return np.asarray(log.clamp[np.maximum(found.first - back, log.first[found.shot])])


def _torrents(data: Binned, fit: RiseFit, ambient: Floats, before: Floats) -> RiseFit:
    """A rise to near ambient within seconds (a fitting left open) is read from its first readings alone.

    One that stood there before the hold as well says nothing: the channel was not evacuated.
    """
    there = data.n > 0
    high = (data.p_mbar > 0.7 * ambient[:, None]) & there
    below = (there & ~high).sum(axis=1)
    at = np.argmax(high, axis=1)
    rows = np.arange(len(at))
    quick = high.any(axis=1) & (below < 6) & (below >= 1)
    gone = high.any(axis=1) & (below == 0)
    at_once = gone & (before < 0.5 * ambient)
    if not (quick | gone).any():
        return fit
    slope = (data.p_mbar[rows, at] - data.p_mbar[:, 0]) / np.maximum(data.t_s[rows, at] - data.t_s[:, 0], 1e-3)
    slope = np.where(at_once, (data.p_mbar[:, 0] - before) / _LOOK_BACK_S, slope)
    known = quick | at_once

    def put(value: Floats, torrent: Floats) -> Floats:
        return np.where(known, torrent, np.where(gone, np.nan, value))

    return replace(
        fit, slope=put(fit.slope, slope), low=put(fit.low, 0.5 * slope), high=put(fit.high, 5.0 * slope),
        sd=put(fit.sd, slope), outgassing=put(fit.outgassing, np.zeros(len(at))),
    )  # fmt: skip


def _start(data: Binned) -> Floats:
    """Pressure at the start of each rise: median of its first three bins, the first where they lie far apart."""
    first, middle = data.p_mbar[:, 0], np.median(data.p_mbar[:, :3], axis=1)
    return np.where(((data.n > 0).sum(1) >= 3) & (np.abs(middle - first) < 30.0), middle, first)


def factors(
    ambient: Floats, clamp: Floats, cavity: Floats, usual_share: Floats, squeeze: float, wet: NDArray[np.bool_]
) -> tuple[Floats, Floats, Floats]:
    """Clamp leak at the reference states over the one measured: middle, least and most, shape (rises,).

    usual_share: share of the inner seal in it at the reference states, between none and half where nothing tells.
    The laws and the squeeze of the outer seal are in the spread; wet: resin lay on the inner seal, which then lets by
    a tenth of the gas or so, perhaps none and perhaps half.
    """
    openness = np.clip(
        (cavity - vacuum.REFERENCE_CAVITY_MBAR) / (vacuum.REFERENCE_AMBIENT_MBAR - vacuum.REFERENCE_CAVITY_MBAR), 0, 1.1
    )

    def factor(law: vacuum.Law, share: Floats | float, k: float, dry: float) -> Floats:
        outer = (1.0 + k * openness) / vacuum.outer_factor(law, ambient, clamp)
        inner = np.maximum(1.0 / vacuum.inner_factor(law, cavity, clamp), 0.0)
        inner = inner * np.where(wet, dry, 1.0)
        return np.asarray(1.0 / np.maximum((1.0 - share) * outer + share * inner, 0.05))

    middle = np.mean([factor(law, usual_share, 0.5 * squeeze, 0.15) for law in _LAWS], axis=0)
    every = [factor(law, share, k, 0.0) for law in _LAWS for share in (0.0, 0.5) for k in (0.0, squeeze)]
    return middle, np.minimum(np.min(every, axis=0), middle), np.maximum(np.max(every, axis=0), middle)


def clamp_leaks(data: Fitted, shots: int, usual_share: Floats, squeeze: float) -> tuple[Estimate, NDArray[np.str_]]:
    """The clamp channel's rise at the reference states, mbar/s, with the method; usual_share: (shots,).

    Rises nearest the reference cavity pressure count; those at another only where a shot has no better.
    """
    r, f = data.rises, data.clamp_fit
    k = r.shot
    ok = np.isfinite(f.slope)
    middle, least, most = factors(data.ambient, data.clamp, data.cavity, usual_share[k], squeeze, r.wet)
    wide = (most - least) / middle
    best = np.full(shots, np.inf)
    np.minimum.at(best, k[ok], wide[ok])
    ok &= wide <= best[k] + 0.15
    half = np.maximum(0.5 * (f.high - f.low), 1e-9)
    w = np.where(ok, 1.0 / (half * middle) ** 2, 0.0)

    def total(v: Floats) -> Floats:
        return np.bincount(k, np.where(ok, v, 0.0), shots).astype(float)

    weight = total(w)
    some = weight > 0
    safe = np.where(some, weight, 1.0)
    value = total(w * middle * f.slope) / safe
    count = np.bincount(k[ok], minlength=shots)
    scatter = total(w * (middle * f.slope - value[k]) ** 2) * 1.96**2 / np.maximum(count - 1, 1)
    # Rises that differ by more than their own intervals are worth less than those say; two alone say little of it.
    stretch = np.sqrt(np.maximum(1.0, np.where(count >= 2, scatter * (1.0 + 2.0 / np.maximum(count - 1, 1)), 1.0)))
    lower = np.sqrt(total((w * middle * (f.slope - f.low)) ** 2)) / safe * stretch
    upper = np.sqrt(total((w * middle * (f.high - f.slope)) ** 2)) / safe * stretch
    down, up = total(w * least / middle) / safe, total(w * most / middle) / safe
    low, high = (value - lower) * np.where(value > lower, down, up), (value + upper) * up
    # The second witness: where the rate of the top-ups says otherwise, the interval reaches to what it says.
    witness = top_up_rate(data, shots) * value / np.where(some, total(w * f.slope) / safe, 1.0)
    low, high = (
        np.fmin(low, witness * np.where(witness < 0.6 * value, 1.0, np.inf)),
        np.fmax(high, witness * np.where(witness > 1.15 * value, 1.0, -np.inf)),
    )
    method = np.full(shots, "", "U40")
    method[k[ok]] = r.method[ok]
    method[k[ok & r.wet]] = "top-ups during injection"
    blank = np.where(some, 0.0, np.nan)
    outgassing = total(w * np.nan_to_num(f.outgassing)) / safe
    return Estimate(value + blank, low + blank, high + blank, outgassing + blank), method


def top_up_rate(data: Fitted, shots: int) -> Floats:
    """Gas drawn by a pump's top-ups over time, as a rise in mbar/s; NaN for fewer than four rises in a row.

    The heights regained between the first top-up and the last, over the time between: it needs no slope, and falls
    short of it by the time the pump runs.
    """
    r, f = data.rises, data.clamp_fit
    pumped = (r.method == TOP_UPS) & np.isfinite(f.slope)
    k = r.shot[pumped]
    count = np.bincount(k, minlength=shots)
    first, last = np.full(shots, np.inf), np.full(shots, -np.inf)
    np.minimum.at(first, k, data.start_s[pumped])
    np.maximum.at(last, k, data.start_s[pumped])
    ends = data.start_s[pumped] >= last[k]
    height = np.where(ends, 0.0, (f.end - f.start)[pumped])
    span = np.where(count >= 4, last - first, np.nan)
    return np.asarray(np.bincount(k, height, shots) / span)


def disagreeing(data: Fitted, shots: int) -> NDArray[np.bool_]:
    """Shots whose rises between falls differ so much that no pump's top-ups made them (a wandering supply)."""
    r, f = data.rises, data.clamp_fit
    from_curve = (r.method == TOP_UPS) & np.isfinite(f.slope)
    # The inner seal leaks with the cavity's pressure: only rises at a like cavity pressure should be alike.
    near = from_curve & (data.cavity < 800.0)
    few = np.bincount(r.shot[near], minlength=shots) < 2
    near = np.where(few[r.shot], from_curve, near)
    k = r.shot[near]
    n = np.maximum(np.bincount(k, minlength=shots), 1)
    top = f.end[near]
    mean, mean_top = np.bincount(k, f.slope[near], shots) / n, np.bincount(k, top, shots) / n
    spread = np.sqrt(np.bincount(k, (f.slope[near] - mean[k]) ** 2, shots) / np.maximum(n - 1, 1))
    own = np.bincount(k, 0.5 * (f.high - f.low)[near] / 1.96, shots) / n
    tops = np.sqrt(np.bincount(k, (top - mean_top[k]) ** 2, shots) / np.maximum(n - 1, 1))
    height = np.bincount(k, (f.end - f.start)[near], shots) / n
    uneven = spread > 0.35 * np.abs(mean) + 2.0 * own
    return np.asarray((n >= 2) & (uneven | (tops > 0.3 * np.maximum(height, 1e-9))))


def seals(data: Fitted, shots: int, volume: Floats, squeeze: tuple[float, ...]) -> vacuum.Seals:
    """Outer and inner seal of each shot from its holds at different cavity pressures; mbar l/s for volume in l."""
    rate, sd, ambient, clamp, cavity = by_shot(data, shots)
    return vacuum.solve_seals(rate * volume[:, None], sd * volume[:, None], ambient, clamp, cavity, squeeze=squeeze)


def by_shot(data: Fitted, shots: int) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Clamp rate, its s.d., ambient, clamp and cavity pressure of each shot's rises, shape (shots, most rises)."""
    k = data.rises.shot
    place = np.arange(len(k)) - np.searchsorted(k, k)
    width = int(place.max(initial=0)) + 1
    f = data.clamp_fit
    columns = (f.slope, 0.5 * (f.high - f.low) / 1.96, data.ambient, data.clamp, data.cavity)
    out = [np.full((shots, width), np.nan) for _ in columns]
    dry = ~data.rises.wet
    for target, values in zip(out, columns, strict=True):
        target[k[dry], place[dry]] = values[dry]
    return out[0], out[1], out[2], out[3], out[4]


def cavity_leaks(
    data: Fitted, shots: int, inner: tuple[Floats, Floats, Floats], ratio: Floats
) -> tuple[Estimate, NDArray[np.str_]]:
    """Rise of the cavity at the reference states, mbar/s, with what the inner seal takes from it put back.

    inner: leak past the inner seal at the reference states, low, middle, high, in mbar/s of the clamp channel.
    ratio: clamp volume over cavity volume; NaN where a volume is missing: then nothing is put back.
    """
    r, f = data.rises, data.cavity_fit
    k = r.shot
    ok = np.isfinite(f.slope) & r.cavity_shut & (data.cavity < data.ambient - 200.0)
    taken = np.stack(
        [np.maximum(1.0 / vacuum.inner_factor(law, data.cavity, data.clamp), 0.0) for law in _LAWS]
    ).mean(0)  # fmt: skip
    low_inner, mid_inner, high_inner = (np.nan_to_num(v * ratio)[k] * taken for v in inner)
    many = np.stack([vacuum.cavity_factor(law, data.ambient, data.cavity) for law in _LAWS])
    many = np.where(np.isfinite(many), many, 1.0)
    factor = many.mean(0)
    value = factor * (f.slope + mid_inner)
    low = many.min(0) * (f.slope - np.hypot(f.slope - f.low, mid_inner - low_inner) + mid_inner)
    high = many.max(0) * (f.slope + np.hypot(f.high - f.slope, high_inner - mid_inner) + mid_inner)
    w = np.where(ok, 1.0 / np.maximum(high - low, 1e-9) ** 2, 0.0)

    def mean(v: Floats) -> Floats:
        total = np.bincount(k, w, shots)
        return np.where(
            total > 0, np.bincount(k, np.where(ok, w * v, 0.0), shots) / np.where(total > 0, total, 1), np.nan
        )

    method = np.full(shots, "", "U40")
    method[k[ok]] = r.method[ok]
    return Estimate(mean(value), mean(low), mean(high), mean(f.outgassing)), method
