"""Capability: how the spread of a measure compares with its specification limits, each index with its interval.

Cp, Cpk: spread from shot to shot (moving range). Pp, Ppk: spread over the month (s.d. of all shots). Skewed laws by the
percentile form of ISO 22514-2: the 0.135 %, 50 % and 99.865 % points take the place of mean -+ 3 s.d.
Intervals, each with the degrees of freedom of its own spread. Normal law: chi-squared for Cp and Pp, Bissell 1990 for
Cpk and Ppk. Skewed laws and the share outside: generalised pivotal quantities (T. Mathew, G. Sebastian, K. M. Kurian,
Quality and Reliability Engineering International 23, 2007; K. Krishnamoorthy, Y. Lin, Y. Xia, Journal of Statistical
Planning and Inference 139, 2009, for the Weibull law).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from catchpot.stats.control import individuals_chart, moving_range_degrees
from catchpot.stats.laws import Law, fit_weibull, fit_weibull_rows

Floats = NDArray[np.float64]
Z_POINT = 2.9999769927  # the normal law's 99.865 % point; the normal form itself is written with 3
PERCENTILES = "0.135 %, 50 % and 99.865 %"


@dataclass(frozen=True)
class Index:
    """An index and its interval; None where it is not defined (Cp with one limit) or not given."""

    value: float | None = None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class Capability:
    """Capability of n shots of one measure. Means and spreads in its unit.

    sd_shot_to_shot: from the moving range; sd_total: over all shots. outside: shots beyond a limit.
    expected_pct: the share that the fitted law expects outside, %. law: the law used. spread_shots: degrees of freedom
    behind Cp, Cpk.
    """

    n: int
    mean: float
    sd_shot_to_shot: float
    sd_total: float
    cp: Index
    cpk: Index
    pp: Index
    ppk: Index
    outside: int
    expected_pct: Index
    law: Law | None
    spread_shots: float


def indices(mean: float, sd: float, low: float | None, high: float | None) -> tuple[float | None, float]:
    """Cp (None with one limit) and Cpk of a normal law.

    >>> indices(16.0, 2.0, 8.0, 20.0)
    (1.0, 0.6666666666666666)
    """
    if low is None and high is None:
        raise ValueError("capability needs a limit")
    both = (high - low) / (6 * sd) if low is not None and high is not None else None
    sides = [(high - mean) / (3 * sd)] if high is not None else []
    if low is not None:
        sides.append((mean - low) / (3 * sd))
    return both, min(sides)


def cpm(mean: float, sd: float, low: float, high: float, target: float) -> float:
    """Capability about a target: (high - low) / (6 sqrt(sd^2 + (mean - target)^2)) (L. K. Chan et al. 1988).

    >>> round(cpm(16.0, 2.0, 8.0, 20.0, 14.0), 7)
    0.7071068
    """
    return (high - low) / (6 * float(np.hypot(sd, mean - target)))


def percentile_indices(
    points: tuple[float, float, float], low: float | None, high: float | None
) -> tuple[float | None, float | None, float | None]:
    """Pp, upper Ppk, lower Ppk from the 0.135 %, 50 % and 99.865 % points (ISO 22514-2); None where a limit lacks.

    >>> percentile_indices((-3.0, 0.0, 3.0), -6.0, 3.0)
    (1.5, 1.0, 2.0)
    """
    least, middle, most = points
    both = (high - low) / (most - least) if low is not None and high is not None else None
    upper = (high - middle) / (most - middle) if high is not None else None
    lower = (middle - low) / (middle - least) if low is not None else None
    return both, upper, lower


def cp_interval(cp: float, degrees: float, level: float = 0.95) -> tuple[float, float]:
    """Interval of Cp or Pp: the index times the root of chi-squared over its degrees of freedom.

    degrees: n - 1 for the s.d. of all shots, `moving_range_degrees(n)` for the moving range.

    >>> [round(x, 4) for x in cp_interval(24 / (6 * 1.75), 19)]
    [1.5649, 3.0056]
    """
    from scipy.special import chdtri

    tail = (1 - level) / 2
    low, high = (float(chdtri(degrees, p)) for p in (1 - tail, tail))
    return cp * float(np.sqrt(low / degrees)), cp * float(np.sqrt(high / degrees))


def cpk_interval_approximate(cpk: float, n: int, degrees: float, level: float = 0.95) -> tuple[float, float]:
    """Interval of Cpk by A. F. Bissell (Applied Statistics 39, 1990): cpk -+ z sqrt(1/(9n) + cpk^2 / (2 degrees)).

    >>> [round(x, 2) for x in cpk_interval_approximate(1.33, 20, 19)]
    [0.88, 1.78]
    """
    from scipy.special import ndtri

    half = float(ndtri(0.5 + level / 2)) * float(np.sqrt(1 / (9 * n) + cpk**2 / (2 * degrees)))
    return cpk - half, cpk + half


def one_sided_lower(cpk: float, n: int, level: float = 0.975) -> float:
    """Exact lower confidence limit of Ppk with one specification limit, from the noncentral t law.

    >>> round(one_sided_lower(1.33, 50), 6)
    1.050755
    """
    from scipy.optimize import brentq
    from scipy.special import nctdtr

    at = 3 * cpk * np.sqrt(n)
    return float(brentq(lambda c: 1 - nctdtr(n - 1, 3 * c * np.sqrt(n), at) - (1 - level), -5.0, cpk, xtol=1e-10))


@lru_cache(maxsize=256)
def _pivots(degrees: float, points: int = 90) -> tuple[Floats, Floats]:
    """A grid of equally likely standard normal values and of sigma over its estimate."""
    from scipy.special import chdtri, ndtri

    share = (np.arange(points) + 0.5) / points
    z, ratio = np.meshgrid(ndtri(share), np.sqrt(degrees / chdtri(degrees, 1 - share)))
    return z.ravel(), ratio.ravel()


@lru_cache(maxsize=128)
def _weibull_pivots(n: int, seed: int = 20263, runs: int = 4000) -> tuple[Floats, Floats]:
    """Fits to standard exponential samples: shape, and shape times the log scale; free of the true parameters."""
    shape, scale = fit_weibull_rows(np.random.default_rng(seed).standard_exponential((runs, n)))
    return shape, shape * np.log(scale)


def _interval(draws: Floats, level: float) -> tuple[float, float]:
    low, high = np.quantile(draws, [(1 - level) / 2, (1 + level) / 2])
    return float(low), float(high)


Sides = tuple[Floats | None, Floats | None]


def _nearer(one: Sides, many: Sides, level: float) -> Index:
    """The smaller index of both sides. Its interval ends above with that side's draws, below with the smaller draws.

    The other side may be the nearer one in truth: then it bounds the index from above no tighter than the side taken,
    but from below it may lie far lower.
    """
    given = [(float(o[0]), m) for o, m in zip(one, many, strict=True) if o is not None and m is not None]
    value, draws = min(given, key=lambda pair: pair[0])
    smaller = np.minimum.reduce([m for _, m in given])
    return Index(value, _interval(smaller, level)[0], _interval(draws, level)[1])


def _bell(
    values: Floats, sd: float, degrees: float, low: float | None, high: float | None, logs: bool, level: float
) -> tuple[Index, Index, Index]:
    """Cp, Cpk and % outside of a normal law (logs: of a lognormal one, all in logarithms) for a given spread."""
    from scipy.special import ndtr

    mean = float(values.mean())
    z, ratio = _pivots(degrees)
    sds = sd * ratio
    means = mean - z * sds / np.sqrt(values.size)

    def form(m: Floats, s: Floats) -> tuple[Floats | None, Sides, Floats]:
        reach = Z_POINT if logs else 3.0
        middle, least, most = (np.exp(m + k * s) if logs else m + k * s for k in (0.0, -reach, reach))
        upper = (high - middle) / (most - middle) if high is not None else None
        lower = (middle - low) / (middle - least) if low is not None else None
        both = (high - low) / (most - least) if low is not None and high is not None else None
        ends = [None if end is None else (np.log(end) if end > 0 else -np.inf) if logs else end for end in (low, high)]
        above = ndtr((m - ends[1]) / s) if ends[1] is not None else np.zeros_like(m)
        below = ndtr((ends[0] - m) / s) if ends[0] is not None else np.zeros_like(m)
        return both, (upper, lower), 100 * (above + below)

    one_both, one_sides, one_out = form(np.array([mean]), np.array([sd]))
    many_both, many_sides, many_out = form(means, sds)
    cp = Index()
    if one_both is not None and many_both is not None:
        ends = _interval(many_both, level) if logs else cp_interval(float(one_both[0]), degrees, level)
        cp = Index(float(one_both[0]), *ends)
    cpk = _nearer(one_sides, many_sides, level)
    if not logs and cpk.value is not None:
        cpk = Index(cpk.value, *cpk_interval_approximate(cpk.value, values.size, degrees, level))
    return cp, cpk, Index(float(one_out[0]), *_interval(many_out, level))


def _weibull(values: Floats, low: float | None, high: float | None, level: float) -> tuple[Index, Index, Index]:
    shape, scale = fit_weibull(values)
    pivot_shape, pivot_scale = _weibull_pivots(values.size)
    shapes = shape / pivot_shape
    scales = scale * np.exp(-pivot_scale / pivot_shape / shapes)

    def form(a: Floats, b: Floats) -> tuple[Floats | None, Sides, Floats]:
        least, middle, most = (b * (-np.log1p(-p)) ** (1 / a) for p in (0.00135, 0.5, 0.99865))
        upper = (high - middle) / (most - middle) if high is not None else None
        lower = (middle - low) / (middle - least) if low is not None else None
        both = (high - low) / (most - least) if low is not None and high is not None else None
        above = np.exp(-((max(high, 0.0) / b) ** a)) if high is not None else np.zeros_like(a)
        below = -np.expm1(-((max(low, 0.0) / b) ** a)) if low is not None else np.zeros_like(a)
        return both, (upper, lower), 100 * (above + below)

    one_both, one_sides, one_out = form(np.array([shape]), np.array([scale]))
    many_both, many_sides, many_out = form(shapes, scales)
    pp = Index()
    if one_both is not None and many_both is not None:
        pp = Index(float(one_both[0]), *_interval(many_both, level))
    ppk = _nearer(one_sides, many_sides, level)
    return pp, ppk, Index(float(one_out[0]), *_interval(many_out, level))


def capability(
    values: Floats, low: float | None, high: float | None, law: Law | None = "normal", level: float = 0.95
) -> Capability:
    """Capability of one measure over its shots in time order.

    values: shape (n,), n >= 3, finite, not all equal. low, high: specification limits, at least one. law: as chosen by
    `laws.choose_law`; None gives counts and spreads only, "weibull" gives no Cp and Cpk (its spread from shot to shot
    has no percentile form). level: of the intervals. Assumes independent shots of a steady process.

    >>> c = capability(np.array([9.0, 10.0, 11.0, 10.0] * 10), 7.0, 13.0)
    >>> c.outside, round(c.ppk.value or 0, 2)
    (0, 1.4)
    """
    x = np.asarray(values, dtype=float)
    if low is None and high is None:
        raise ValueError("capability needs a limit")
    chart = individuals_chart(x)
    total = float(x.std(ddof=1))
    if not total > 0 or not chart.sd > 0:
        raise ValueError("all values are equal")
    n, degrees = x.size, moving_range_degrees(x.size)
    outside = int(np.sum((x < low) if low is not None else False) + np.sum((x > high) if high is not None else False))
    cp = cpk = pp = ppk = expected = Index()
    if law in ("normal", "lognormal"):
        logs = law == "lognormal"
        y = np.log(x) if logs else x
        within = individuals_chart(y).sd
        cp, cpk, _ = _bell(y, within, degrees, low, high, logs, level)
        pp, ppk, expected = _bell(y, float(y.std(ddof=1)), n - 1, low, high, logs, level)
    elif law == "weibull":
        pp, ppk, expected = _weibull(x, low, high, level)
    return Capability(n, float(x.mean()), chart.sd, total, cp, cpk, pp, ppk, outside, expected, law, degrees)


__all__ = [
    "PERCENTILES",
    "Capability",
    "Index",
    "capability",
    "cp_interval",
    "cpk_interval_approximate",
    "cpm",
    "indices",
    "one_sided_lower",
    "percentile_indices",
]
