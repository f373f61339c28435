"""Two gas volumes behind three leaks: the clamp channel and the cavity.

`V dp/dt = leaks in - pump`. Outer seal: ambient to clamp channel. Inner seal: cavity to clamp channel. Cavity:
ambient to cavity (fittings and the rest). Pressures in mbar absolute, volumes in l, leaks in mbar l/s, times in s.
All functions work on whole arrays.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Law = Literal["linear", "laminar", "choked"]

Reading = Literal["linear", "laminar", "choked", "mixed"]

LAWS: Final[tuple[Law, ...]] = ("linear", "laminar", "choked")
READINGS: Final[tuple[Reading, ...]] = ("linear", "laminar", "choked", "mixed")
# Shares by which the outer seal may leak more with the cavity at ambient; close enough for three holds' precision.
SQUEEZES: Final = (0.0, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3)
REFERENCE_AMBIENT_MBAR: Final = 1013.0
REFERENCE_CLAMP_MBAR: Final = 50.0
REFERENCE_CAVITY_MBAR: Final = 550.0
GAMMA_AIR: Final = 1.4
CRITICAL_RATIO: Final = float((2.0 / (GAMMA_AIR + 1.0)) ** (GAMMA_AIR / (GAMMA_AIR - 1.0)))
PA_M3_S_PER_MBAR_L_S: Final = 0.1


def relative_flow(law: Law, upstream_mbar: ArrayLike, downstream_mbar: ArrayLike) -> Floats:
    """Leak flow but for its constant, from two pressures; negative where the pressure falls the other way.

    law: "linear" in the pressure difference (mbar), "laminar" viscous flow in a fine channel, proportional to
    p1^2 - p2^2 (mbar^2), or "choked" flow through an orifice, proportional to the upstream pressure (mbar) below
    about half of it and falling to nothing at equal pressures.
    Source: compressible Poiseuille flow; isentropic orifice flow of air (gamma 1.4), critical ratio 0.5283.

    >>> [float(relative_flow(law, 1013.0, 50.0).round(1)) for law in LAWS]
    [963.0, 1023669.0, 1013.0]
    """
    up, down = np.broadcast_arrays(np.asarray(upstream_mbar, float), np.asarray(downstream_mbar, float))
    if law == "linear":
        return np.asarray(up - down)
    if law == "laminar":
        return np.asarray(up * up - down * down)
    high, low = np.maximum(up, down), np.minimum(up, down)
    ratio = np.clip(low / np.maximum(high, 1e-9), CRITICAL_RATIO, 1.0)
    a, b = 2.0 / GAMMA_AIR, (GAMMA_AIR + 1.0) / GAMMA_AIR
    shape = np.sqrt(np.maximum(ratio**a - ratio**b, 0.0) / (CRITICAL_RATIO**a - CRITICAL_RATIO**b))
    return np.asarray(np.sign(up - down) * high * shape)


def outer_factor(law: Law, ambient_mbar: ArrayLike, clamp_mbar: ArrayLike) -> Floats:
    """Outer leak at the reference states over the same leak at these pressures.

    >>> float(outer_factor("choked", 1013.0, 200.0))
    1.0
    """
    reference = relative_flow(law, REFERENCE_AMBIENT_MBAR, REFERENCE_CLAMP_MBAR)
    return np.asarray(reference / np.maximum(relative_flow(law, ambient_mbar, clamp_mbar), 1e-9))


def inner_factor(law: Law, cavity_mbar: ArrayLike, clamp_mbar: ArrayLike) -> Floats:
    """Inner leak at the reference states over the same leak at these pressures (infinite where there is no drop).

    >>> float(inner_factor("linear", 1013.0, 50.0).round(4))
    0.5192
    """
    reference = relative_flow(law, REFERENCE_CAVITY_MBAR, REFERENCE_CLAMP_MBAR)
    now = relative_flow(law, cavity_mbar, clamp_mbar)
    return np.where(now > 0, reference / np.where(now > 0, now, 1.0), np.inf)


def cavity_factor(law: Law, ambient_mbar: ArrayLike, cavity_mbar: ArrayLike) -> Floats:
    """Cavity leak at the reference states over the same leak at these pressures (infinite where there is no drop)."""
    reference = relative_flow(law, REFERENCE_AMBIENT_MBAR, REFERENCE_CAVITY_MBAR)
    now = relative_flow(law, ambient_mbar, cavity_mbar)
    return np.where(now > 0, reference / np.where(now > 0, now, 1.0), np.inf)


def straighten(p_mbar: Floats, start_mbar: ArrayLike, source_mbar: ArrayLike, laminar_share: float = 0.5) -> Floats:
    """Pressures transformed so that a leak from a constant source rises straight, at the rate it has at the start.

    p_mbar: rising pressures, last axis time. start_mbar, source_mbar: shape of p without its last axis.
    laminar_share: a laminar leak slows down as p^2 rises, a choked one does not; the law is seldom known, so half of
    the laminar bend is taken out. Without it a large leak bends like outgassing.
    """
    p0 = np.asarray(start_mbar, float)[..., None]
    span = np.maximum(np.asarray(source_mbar, float)[..., None] ** 2 - p0**2, 1e4)
    bend = (p_mbar**3 - p0**3) / 3.0 - p0**2 * (p_mbar - p0)
    return np.asarray(p_mbar + laminar_share * bend / span)


def shares(
    law: Reading, squeeze: float, ambient_mbar: Floats, clamp_mbar: Floats, cavity_mbar: Floats
) -> tuple[Floats, Floats]:
    """Flow past the outer and the inner seal at these states over that at the reference states; inner not below 0.

    law: "mixed" is half laminar, half choked. squeeze: share by which the outer seal leaks more with the cavity at full
    ambient.

    >>> [float(v.round(3)) for v in shares("linear", 0.2, np.array(1013.0), np.array(50.0), np.array(1013.0))]
    [1.2, 1.926]
    """
    openness = (cavity_mbar - REFERENCE_CAVITY_MBAR) / (REFERENCE_AMBIENT_MBAR - REFERENCE_CAVITY_MBAR)
    laws: tuple[Law, ...] = ("laminar", "choked") if law == "mixed" else (law,)
    outer = np.mean([1.0 / outer_factor(one, ambient_mbar, clamp_mbar) for one in laws], axis=0)
    inner = np.mean([1.0 / inner_factor(one, cavity_mbar, clamp_mbar) for one in laws], axis=0)
    return np.asarray((1.0 + squeeze * openness) * outer), np.maximum(inner, 0.0)


@dataclass(frozen=True)
class Seals:
    """Outer and inner leak of each case at the reference states, mbar l/s, with a 95 % interval; shape (cases,).

    answers_outer, answers_inner, spread_outer, spread_inner, weight: one column a way of reading the holds (leak law
    x how much less the outer seal is squeezed with the cavity open); weight 1 for the best, less where holds at three
    states or more speak against it.
    """

    outer: Floats
    outer_low: Floats
    outer_high: Floats
    inner: Floats
    inner_low: Floats
    inner_high: Floats
    answers_outer: Floats
    answers_inner: Floats
    spread_outer: Floats
    spread_inner: Floats
    weight: Floats


def solve_seals(
    rate_mbar_l_s: Floats,
    sd_mbar_l_s: Floats,
    ambient_mbar: Floats,
    clamp_mbar: Floats,
    cavity_mbar: Floats,
    *,
    squeeze: tuple[float, ...] = SQUEEZES,
    covariance: Floats | None = None,
) -> Seals:
    """Outer and inner seal told apart by holds at different cavity pressures, with covariance.

    rate, sd: gas let into the clamp channel in each hold and its s.d., shape (cases, holds); NaN where no hold.
    ambient, clamp, cavity: the states of the holds, same shape.
    squeeze: with the cavity at ambient the cover presses less and the outer seal may leak more; shares by which it
    does at full ambient, in proportion to the cavity pressure above the reference.
    covariance: of the rates, shape (cases, holds, holds), where they are not independent; no hold may be missing then.
    Least squares for each leak law and squeeze. The interval is the hull of all answers the holds don't speak against.
    Two holds can't tell the law: the answer is the linear law's without squeeze. Three can: the answer is then the
    laws' mean, each weighed by how well it fits without squeeze (a squeeze and a linear inner leak look alike in any
    number of holds).
    A case with one cavity state has no answer: NaN.

    >>> r = np.array([[0.20 + 0.03 * 963 / 500, 0.23]]); s = np.full((1, 2), 0.003); p = np.full((1, 2), 1013.0)
    >>> a = solve_seals(r, s, p, np.full((1, 2), 50.0), np.array([[1013.0, 550.0]]))
    >>> float(a.outer[0].round(3)), float(a.inner[0].round(3))
    (0.2, 0.03)
    """
    there = np.isfinite(rate_mbar_l_s) & np.isfinite(sd_mbar_l_s) & (sd_mbar_l_s > 0)
    rate = np.where(there, rate_mbar_l_s, 0.0)
    w = np.where(there, 1.0 / np.where(there, sd_mbar_l_s, 1.0) ** 2, 0.0)
    cavity = np.where(there, cavity_mbar, REFERENCE_CAVITY_MBAR)
    clamp = np.where(there, clamp_mbar, REFERENCE_CLAMP_MBAR)
    ambient = np.where(there, ambient_mbar, REFERENCE_AMBIENT_MBAR)
    lowest = np.min(np.where(there, cavity, np.inf), axis=1, keepdims=True)
    highest = np.max(np.where(there, cavity, -np.inf), axis=1, keepdims=True)
    told = (there.sum(axis=1) >= 2) & (highest - lowest > 150.0)[:, 0]
    root = None if covariance is None else np.linalg.cholesky(covariance)

    def whitened(v: Floats) -> Floats:
        return np.sqrt(w) * v if root is None else np.linalg.solve(root, v[..., None])[..., 0]

    white = whitened(rate)
    rows: list[tuple[Floats, Floats, Floats, Floats, Floats]] = []
    openness = (cavity - REFERENCE_CAVITY_MBAR) / (REFERENCE_AMBIENT_MBAR - REFERENCE_CAVITY_MBAR)
    for law in READINGS:
        plain_outer, past_inner = (np.where(there, v, 0.0) for v in shares(law, 0.0, ambient, clamp, cavity))
        b = whitened(past_inner)
        bb, br = (b * b).sum(1), (b * white).sum(1)
        for k in squeeze:
            a = whitened((1.0 + k * openness) * plain_outer)
            aa, ab, ar = (a * a).sum(1), (a * b).sum(1), (a * white).sum(1)
            det = np.where(told, aa * bb - ab * ab, 1.0)
            det = np.where(det > 1e-12 * aa * bb, det, np.nan)
            outer, inner = (bb * ar - ab * br) / det, (aa * br - ab * ar) / det
            # Leaks are not negative: where one would be, all of the gas is the other's.
            only_outer, only_inner = ar / np.maximum(aa, 1e-30), br / np.maximum(bb, 1e-30)
            outer, inner = (
                np.where(inner < 0, only_outer, np.where(outer < 0, 0.0, outer)),
                np.where(inner < 0, 0.0, np.where(outer < 0, only_inner, inner)),
            )
            misfit = ((white - a * outer[:, None] - b * inner[:, None]) ** 2).sum(1)
            rows.append((outer, inner, np.sqrt(bb / det), np.sqrt(aa / det), misfit))
    outer, inner, sd_outer, sd_inner, misfit = (np.stack(column, axis=1) for column in zip(*rows, strict=True))
    between = there & (cavity > lowest + 100.0) & (cavity < highest - 100.0)
    worse = misfit - np.nanmin(np.where(np.isfinite(misfit), misfit, np.inf), axis=1, keepdims=True)
    free = np.maximum(there.sum(axis=1) - 2, 0)[:, None]
    weight = np.where(free > 0, np.exp(-0.5 * np.nan_to_num(worse, nan=0.0)), 1.0)
    kept = weight >= 0.05
    plain = weight * np.where(np.arange(weight.shape[1]) % len(squeeze) == 0, 1.0, 0.0)
    only_linear = np.eye(1, weight.shape[1])
    # Where every law fails without squeeze, all readings count.
    plain = np.where(plain.max(axis=1, keepdims=True) >= 0.05, plain, weight)
    share = np.where(between.any(axis=1, keepdims=True), plain, only_linear)
    share = share / share.sum(axis=1, keepdims=True)

    def mean(answer: Floats) -> Floats:
        return np.asarray((share * np.where(share > 0, answer, 0.0)).sum(axis=1))

    def hull(value: Floats, sd: Floats) -> tuple[Floats, Floats]:
        low = np.min(np.where(kept, value - 1.96 * sd, np.inf), axis=1)
        high = np.max(np.where(kept, value + 1.96 * sd, -np.inf), axis=1)
        return np.where(told, np.maximum(low, 0.0), np.nan), np.where(told, np.maximum(high, 0.0), np.nan)

    (ol, oh), (il, ih) = hull(outer, sd_outer), hull(inner, sd_inner)
    blank = np.where(told, 0.0, np.nan)
    return Seals(
        mean(outer) + blank, ol, oh, mean(inner) + blank, il, ih, outer, inner, sd_outer, sd_inner, weight
    )  # fmt: skip


def hold_time_s(
    sd_wanted_mbar_l_s: ArrayLike, noise_mbar: ArrayLike, rate_hz: ArrayLike, volume_l: ArrayLike
) -> Floats:
    """Length of each of two holds (cavity at ambient, cavity evacuated) that gives the inner leak this s.d., in s.

    A straight line through n = f T readings of noise s over T has a slope of s.d. s sqrt(12 / f) / T^1.5; the inner
    leak is the difference of two such rates over 963/500 - 1 (linear law, reference states).

    >>> float(hold_time_s(0.01, 0.5, 4.0, 0.8).round(1))
    22.4
    """
    gain = (REFERENCE_AMBIENT_MBAR - REFERENCE_CAVITY_MBAR) / (REFERENCE_CAVITY_MBAR - REFERENCE_CLAMP_MBAR)
    one = np.sqrt(2.0) * np.asarray(volume_l, float) * np.asarray(noise_mbar, float)
    one = one * np.sqrt(12.0 / np.asarray(rate_hz, float)) / (gain * np.asarray(sd_wanted_mbar_l_s, float))
    return np.asarray(one ** (2.0 / 3.0))


def laminar_rise_mbar(
    t_s: ArrayLike, start_mbar: float, ambient_mbar: float, conductance_l_s_mbar: float, volume_l: float
) -> Floats:
    """Pressure of a closed volume behind a laminar leak: `V dp/dt = G (pa^2 - p^2)`, closed form.

    >>> float(laminar_rise_mbar(3600.0, 50.0, 1013.25, 1e-6, 10.0).round(4))
    397.19
    """
    start = np.arctanh(start_mbar / ambient_mbar)
    return np.asarray(
        ambient_mbar * np.tanh(ambient_mbar * conductance_l_s_mbar * np.asarray(t_s, float) / volume_l + start)
    )


def pump_down_s(volume_l: float, speed_l_s: float, start_mbar: float, end_mbar: float) -> float:
    """Time a pump of that speed takes from one pressure to another, no leak.

    >>> round(pump_down_s(50.0, 10 / 3.6, 1013.25, 100.0), 3)
    41.683
    """
    return float(volume_l / speed_l_s * np.log(start_mbar / end_mbar))


def orifice_leak_mbar_l_s(area_mm2: ArrayLike, upstream_mbar: ArrayLike, temp_k: float = 293.15) -> Floats:
    """Choked leak of air through a hole (discharge coefficient 1; real sharp holes pass 0.6-0.85 of it).

    >>> float(orifice_leak_mbar_l_s(1.0, 1013.25).round(2))
    201.26
    """
    sound = np.sqrt(GAMMA_AIR * 8.314462618 * temp_k / 0.0289647)
    factor = (2.0 / (GAMMA_AIR + 1.0)) ** ((GAMMA_AIR + 1.0) / (2.0 * (GAMMA_AIR - 1.0)))
    return np.asarray(sound * factor * 1e-3 * np.asarray(area_mm2, float) * np.asarray(upstream_mbar, float))


def thermal_rate_mbar_s(p_mbar: ArrayLike, change_k: ArrayLike, over_s: ArrayLike, temp_k: float = 293.15) -> Floats:
    """Rise that a warming of the enclosed gas fakes (ideal gas).

    >>> float(thermal_rate_mbar_s(1000.0, 1.0, 1.0).round(3))
    3.411
    """
    return np.asarray(np.asarray(p_mbar, float) / temp_k * np.asarray(change_k, float) / np.asarray(over_s, float))
