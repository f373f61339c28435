"""What a mould's own curve shows near its end: numbers at every place where resin may have arrived.

A vent that begins to drink lets the slope fall a little; a vent that alone is left to fill makes the resistance jump; a
channel that narrows climbs before either. No formula knows a real mould, so the numbers are plain: slopes over short
and long stretches before and behind the place, how well a bend or a jump at this place explains the curve, how far it
lies from the sharpest of them, from the volumes that were set, and from the book's. What they mean together was learnt
from made-up moulds in two dimensions (`place.py`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from catchpot.stats.curve_fit import GRID, STEP
from catchpot.stats.own_curve import OwnCurve

Floats = NDArray[np.float64]

FROM, BEYOND = 0.70, 1.16
"""Places looked at, as shares of the usual end of a shot."""
BEFORE, AFTER = 0.20, 0.08
"""Lengths of the curve fitted before and behind a place, as shares of the usual end."""
STRETCHES = ((-0.012, 0.0), (-0.035, -0.005), (-0.10, -0.02), (0.0, 0.012), (0.005, 0.035), (0.005, 0.08))
"""Stretches whose slopes are looked at: from and to, as shares of the usual end."""
LEAST_CELLS = 4
MOST = 30.0
"""Deviance beyond which more says no more."""
NAMES = (
    *(f"slope {a:+.3f} to {b:+.3f}" for a, b in STRETCHES), "bend", "wide bend", "misfit of a break here",
    "deviance of a break here",
    "gain by a break", "from the best break", "from the steepest climb", "steepest climb", "climb since the middle",
    "climb still to come", "share of the usual end", "known behind it", "against the book's volume", "book silent",
    "fed all round", "fed at a port", "noise", "hose booked",
)  # fmt: skip


@dataclass(frozen=True)
class MouldFacts:
    """What the book says, in the curve's unit where it is a volume: volume NaN where the book has none."""

    volume: float
    fill: str
    hose: float


@dataclass(frozen=True)
class Signs:
    """place: (places,) on the curve; numbers: (places, len(NAMES)); known_to: where the curve ends."""

    place: Floats
    numbers: Floats
    known_to: float


def signs(own: OwnCurve, usual_end: float, facts: MouldFacts) -> Signs:
    """The numbers at every place of the curve that may be the arrival.

    usual_end: volume at which shots usually end, in the curve's unit.
    """
    curve, _, first, last = own.curve()
    error = own.error()
    known_to = (last + 1) * STEP
    log = np.log(np.maximum(curve, 1e-9))
    noise = np.clip(error / np.maximum(curve, 1e-9), 5e-4, 0.5)
    at = np.flatnonzero((FROM * usual_end <= GRID) & (BEYOND * usual_end >= GRID))
    place = GRID[at]

    def height(x: Floats) -> Floats:
        return np.interp(np.clip(x, (first + 1) * STEP, known_to - STEP), GRID, log)

    slopes = []
    for a, b in STRETCHES:
        left = np.clip(place + a * usual_end, None, known_to - 2 * STEP)
        right = np.minimum(place + b * usual_end, known_to - STEP)
        length = np.maximum(right - left, STEP)
        slopes.append(np.where(right > left, (height(right) - height(left)) / length * usual_end, 0.0))
    misfit, gain = _breaks(log, noise, at, first, last, usual_end)
    best = place[int(np.argmin(misfit))]
    inside = np.flatnonzero((FROM * usual_end <= GRID) & (known_to - 3 * STEP > GRID))
    climb = np.gradient(np.convolve(log, np.full(3, 1 / 3), "same"))[inside] / STEP * usual_end
    steepest = int(np.argmax(climb)) if len(inside) else 0
    steepest_at = GRID[inside[steepest]] if len(inside) else place[0]
    one = np.ones(len(place))
    booked = np.isfinite(facts.volume) and facts.volume > 0
    columns = [
        *(np.sign(s) * np.log1p(np.abs(s)) for s in slopes),
        _signed(slopes[3] - slopes[0]), _signed(slopes[4] - slopes[1]),
        np.sqrt(np.minimum(misfit - misfit.min(), MOST)), np.minimum(misfit - misfit.min(), MOST / 2) / 4,
        one * np.sqrt(np.clip(gain, 0.0, 4 * MOST)),
        _signed(100 * (place - best) / usual_end), _signed(100 * (place - steepest_at) / usual_end),
        one * np.log1p(max(float(climb[steepest]), 0.0)) if len(inside) else 0 * one,
        height(place) - height(0.5 * usual_end * one), height(one * known_to) - height(place),
        10 * (place / usual_end - 1.0), np.clip((known_to - place) / usual_end, -0.1, 0.15) * 10,
        np.clip(10 * np.log(place / facts.volume), -4, 4) if booked else 0 * one,
        one * (not booked), one * (facts.fill == "peripheral"), one * (facts.fill == "radial"),
        one * np.log(float(np.median(noise[at[at <= last]])) if np.any(at <= last) else 0.1),
        one * min(facts.hose / usual_end * 20, 2.0),
    ]  # fmt: skip
    return Signs(place, np.stack(columns, axis=1), known_to)


def _signed(values: Floats) -> Floats:
    return np.asarray(np.sign(values) * np.log1p(np.abs(values)))


def _breaks(log: Floats, noise: Floats, at: NDArray[np.intp], first: int, last: int, usual_end: float
            ) -> tuple[Floats, float]:  # fmt: skip
    """Deviance of a parabola before and a line behind each place, (places,), and what the best break gains.

    All over the same stretch of the curve. Places past its end have no break. Deviances are over the best one's own
    misfit, where that is more than noise.
    """
    a, b = max(first + 1, int(at[0] - BEFORE * usual_end / STEP)), last
    cells = np.arange(a, b)
    none = np.zeros(len(at))
    if len(cells) < 4 * LEAST_CELLS:
        return none, 0.0
    x, y, w = (cells - b) * STEP / (BEFORE * usual_end), log[cells], noise[cells] ** -2.0
    powers = np.stack([w * x**p for p in range(7)] + [w * y * x**p for p in range(4)] + [w * y * y])
    sums = np.concatenate([np.zeros((len(powers), 1)), np.cumsum(powers, axis=1)], axis=1)

    def left(i: NDArray[np.intp], j: NDArray[np.intp], degree: int) -> Floats:
        """Weighted squares left by a polynomial over cells i to j (pairs)."""
        m = (sums[:, j] - sums[:, i]).T
        k = degree + 1
        gram = np.stack([np.stack([m[:, p + q] for q in range(k)], axis=1) for p in range(k)], axis=1)
        gram = gram + np.eye(k) * 1e-9 * m[:, :1, None]
        rhs = m[:, 7 : 7 + k]
        return np.asarray(m[:, 11] - np.einsum("sk,sk->s", rhs, np.linalg.solve(gram, rhs[:, :, None])[:, :, 0]))

    n = len(cells)
    cut = at - a
    ok = (cut >= 2 * LEAST_CELLS) & (cut <= n - LEAST_CELLS)
    if not ok.any():
        return none, 0.0
    c = cut[ok]
    broken = left(0 * c, c, 3) + left(c, np.full(len(c), n), 1)
    whole = float(left(np.array([0]), np.array([n]), 3)[0])
    best = float(broken.min())
    scale = max(1.0, best / max(n - 6, 1))
    out = np.full(len(at), whole / scale)
    out[ok] = np.minimum(broken, whole) / scale
    return out, (whole - best) / scale
