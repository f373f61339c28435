"""Charts for single shots: individuals with moving range, EWMA, CUSUM, and run rules named by phrase.

References: W. A. Shewhart, Economic Control of Quality of Manufactured Product, 1931; S. W. Roberts, Technometrics 1,
1959 (EWMA); E. S. Page, Biometrika 41, 1954 (CUSUM); Western Electric, Statistical Quality Control Handbook, 1956, and
L. S. Nelson, Journal of Quality Technology 16, 1984 (run rules). How often each rings falsely: `run_length`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class RangeConstants:
    """Constants for samples of size n from a normal law, without unit.

    d2, d3: mean and s.d. of the range over sigma. c4: mean of the sample s.d. over sigma. A2, D3, D4, E2: the factors
    of the range chart's and the individuals chart's limits.
    """

    n: int
    d2: float
    d3: float
    c4: float
    A2: float
    D3: float
    D4: float
    E2: float


@lru_cache(maxsize=64)
def range_constants(n: int) -> RangeConstants:
    """The constants by quadrature of the distribution of the range (L. H. C. Tippett, Biometrika 17, 1925).

    n: sample size, 2 or more.

    >>> round(range_constants(2).d2, 6)  # 2 / sqrt(pi)
    1.128379
    """
    if n < 2:
        raise ValueError("a range needs two values or more")
    from scipy.special import gammaln, ndtr

    nodes, weights = np.polynomial.legendre.leggauss(400)
    x, w = 10.0 * nodes, 10.0 * weights  # the normal law beyond 10 s.d. adds less than the digits kept
    phi = np.exp(-0.5 * x**2) / np.sqrt(2 * np.pi)
    d2 = float(np.sum(w * (1 - ndtr(x) ** n - ndtr(-x) ** n)))
    r, wr = 8.0 * (nodes + 1.0), 8.0 * weights
    within = ndtr(x[None, :] + r[:, None]) - ndtr(x)[None, :]
    beyond = 1.0 - n * np.sum(w * phi * within ** (n - 1), axis=1)
    second = float(np.sum(wr * 2 * r * beyond))
    d3 = float(np.sqrt(second - d2**2))
    c4 = float(np.sqrt(2 / (n - 1)) * np.exp(gammaln(n / 2) - gammaln((n - 1) / 2)))
    return RangeConstants(n, d2, d3, c4, 3 / (d2 * np.sqrt(n)), max(0.0, 1 - 3 * d3 / d2), 1 + 3 * d3 / d2, 3 / d2)


MEDIAN_MOVING_RANGE = 0.9538725524  # median of |x2 - x1| over sigma: sqrt(2) times the normal law's upper quartile


def moving_ranges(values: Floats) -> Floats:
    """Absolute differences of neighbours, shape (n - 1,), in the unit of the values.

    >>> moving_ranges(np.array([1.0, 3.0, 2.0])).tolist()
    [2.0, 1.0]
    """
    return np.abs(np.diff(np.asarray(values, dtype=float)))


@lru_cache(maxsize=512)
def moving_range_degrees(n: int) -> float:
    """Degrees of freedom that the mean moving range of n shots is worth, as a spread.

    n: shots, 3 or more. From the exact variance of the mean of n - 1 overlapping ranges of independent normal values:
    neighbours that share a shot have covariance (2 sqrt(3) - 4 + pi / 3) / pi (in sigma squared), others none.
    Matched to the chi law whose relative variance is the same. About 0.6 (n - 1): fewer than the total s.d. has.

    >>> round(moving_range_degrees(20), 1)
    11.9
    """
    if n < 3:
        raise ValueError("a moving range needs three shots or more to be worth a spread")
    from scipy.optimize import brentq
    from scipy.special import gammaln

    d2, m = 2 / np.sqrt(np.pi), n - 1
    variance = 2.0 - d2**2
    covariance = 2.0 / np.pi * (np.sqrt(3.0) + np.pi / 6.0 - 2.0)
    relative = (m * variance + 2 * (m - 1) * covariance) / (m**2 * d2**2)

    def excess(f: float) -> float:
        c4_squared = 2 / f * np.exp(2 * (gammaln((f + 1) / 2) - gammaln(f / 2)))
        return float(1 / c4_squared - 1 - relative)

    return float(brentq(excess, 0.3, 2.0 * n))


@dataclass(frozen=True)
class IndividualsChart:
    """Limits for single shots and for their moving range, in the unit of the values.

    sd: shot to shot, mean moving range over d2. limit_sd: how many of them the limits stand from the mean.
    """

    n: int
    mean: float
    mean_moving_range: float
    sd: float
    lower: float
    upper: float
    moving_range_upper: float
    limit_sd: float


def individuals_chart(values: Floats, limit_sd: float = 3.0, d2: float | None = None) -> IndividualsChart:
    """Limits from the shots themselves: mean and mean moving range.

    values: shape (n,), n >= 3, finite. d2: the divisor of the mean moving range; exact by default (tables print 1.128).

    >>> individuals_chart(np.array([1.0, 3.0, 2.0])).mean_moving_range
    1.5
    """
    values = np.asarray(values, dtype=float)
    if values.size < 3 or not np.isfinite(values).all():
        raise ValueError("an individuals chart needs three finite values or more")
    mean, mr = float(values.mean()), float(moving_ranges(values).mean())
    constants = range_constants(2)
    sd = mr / (constants.d2 if d2 is None else d2)
    return IndividualsChart(
        values.size, mean, mr, sd, mean - limit_sd * sd, mean + limit_sd * sd, constants.D4 * mr, limit_sd
    )


def ewma(values: Floats, weight: float, start: float) -> Floats:
    """Exponentially weighted moving average, shape of the values (along the last axis).

    z[i] = weight * x[i] + (1 - weight) * z[i - 1], z before the first = start; 0 < weight <= 1.

    >>> ewma(np.array([52.0, 47.0]), 0.3, 50.0).round(2).tolist()
    [50.6, 49.52]
    """
    if not 0 < weight <= 1:
        raise ValueError("the weight lies above 0 and at most at 1")
    values = np.asarray(values, dtype=float)
    smoothed = np.empty_like(values)
    before: Floats | float = float(start)
    for i in range(values.shape[-1]):
        before = (1 - weight) * before + weight * values[..., i]
        smoothed[..., i] = before
    return smoothed


def ewma_limits(start: float, sd: float, weight: float, limit_sd: float) -> tuple[float, float]:
    """Lower and upper steady limit of an EWMA (Roberts 1959): start -+ limit_sd * sd * sqrt(weight / (2 - weight)).

    >>> tuple(round(x, 4) for x in ewma_limits(50.0, 2.0539, 0.3, 3.0))
    (47.4116, 52.5884)
    """
    half = limit_sd * sd * float(np.sqrt(weight / (2 - weight)))
    return start - half, start + half


def cusum(values: Floats, target: float, slack: float) -> tuple[Floats, Floats]:
    """Upper and lower tabular CUSUM (Page 1954), each of the shape of the values, in their unit, never below 0.

    values: shape (n,). slack: what a shot may lie off target without being counted (half the shift looked for).

    >>> [s.tolist() for s in cusum(np.array([2.0, 2.0, -3.0]), 0.0, 0.5)]
    [[1.5, 3.0, 0.0], [0.0, 0.0, 2.5]]
    """
    values = np.asarray(values, dtype=float)

    def one_sided(steps: Floats) -> Floats:
        walk = np.concatenate([[0.0], np.cumsum(steps)])
        return (walk - np.minimum.accumulate(walk))[1:]

    return one_sided(values - target - slack), one_sided(target - slack - values)


@dataclass(frozen=True)
class RunRule:
    """A pattern that a steady process seldom makes.

    kind "beyond": `count` of `of` shots in a row beyond `sd` spreads on one side (of = count = 1: either side);
    "inside": `count` in a row within `sd`; "rising": `count` in a row rising or falling; "alternating": up, down, up.
    """

    phrase: str
    kind: Literal["beyond", "inside", "rising", "alternating"]
    count: int
    of: int
    sd: float


_RULES = (
    RunRule("one beyond the control limits", "beyond", 1, 1, 3.0),
    RunRule("2 of 3 beyond two thirds of the way to a limit, on one side", "beyond", 2, 3, 2.0),
    RunRule("4 of 5 beyond one third of the way to a limit, on one side", "beyond", 4, 5, 1.0),
    RunRule("8 in a row on one side", "beyond", 8, 8, 0.0),
    RunRule("9 in a row on one side", "beyond", 9, 9, 0.0),
    RunRule("6 in a row rising or falling", "rising", 6, 6, 0.0),
    RunRule("14 in a row up and down by turns", "alternating", 14, 14, 0.0),
    RunRule("15 in a row within one third of the way to a limit", "inside", 15, 15, 1.0),
)
RUN_RULES: Mapping[str, RunRule] = {r.phrase: r for r in _RULES}
ALL_ZONE_RULES = tuple(r.phrase for r in _RULES[:4])


def _last_of(hits: Bools, count: int, of: int) -> Bools:
    """Whether at least `count` of the last `of` are hits and the newest is one, along the last axis."""
    total = np.cumsum(hits, axis=-1, dtype=np.int64)
    before = np.zeros_like(total)
    if hits.shape[-1] > of:
        before[..., of:] = total[..., :-of]
    return np.asarray((total - before >= count) & hits)


def run_rule_hits(z: Floats, phrase: str, limit_sd: float = 3.0) -> Bools:
    """Which shots complete the named pattern, shape of z (rules run along the last axis).

    z: distance from the centre line in spreads. limit_sd: where the control limits stand; the zones are thirds of it.

    >>> run_rule_hits(np.array([0.1, 3.2, -0.5]), "one beyond the control limits").tolist()
    [False, True, False]
    """
    if phrase not in RUN_RULES:
        raise ValueError(f"no run rule is called {phrase!r}; there are: {'; '.join(RUN_RULES)}")
    rule = RUN_RULES[phrase]
    z = np.asarray(z, dtype=float) * (3.0 / limit_sd)
    if rule.kind == "beyond":
        return _last_of(z > rule.sd, rule.count, rule.of) | _last_of(z < -rule.sd, rule.count, rule.of)
    if rule.kind == "inside":
        return _last_of(np.abs(z) < rule.sd, rule.count, rule.of)
    if z.shape[-1] < rule.count:
        return np.zeros(z.shape, dtype=bool)
    step = np.sign(np.diff(z, axis=-1))
    hits = np.zeros(z.shape, dtype=bool)
    if rule.kind == "rising":  # six shots rising are five steps up
        span = rule.count - 1
        hits[..., 1:] = _last_of(step > 0, span, span) | _last_of(step < 0, span, span)
    else:
        span = rule.count - 2
        hits[..., 2:] = _last_of(step[..., 1:] * step[..., :-1] < 0, span, span)
    return hits


def any_rule(z: Floats, phrases: Sequence[str], limit_sd: float = 3.0) -> Bools:
    """Which shots complete any of the named patterns, shape of z."""
    hits = np.zeros(np.shape(z), dtype=bool)
    for phrase in phrases:
        hits |= run_rule_hits(z, phrase, limit_sd)
    return hits


__all__ = [
    "ALL_ZONE_RULES",
    "MEDIAN_MOVING_RANGE",
    "RUN_RULES",
    "IndividualsChart",
    "RangeConstants",
    "RunRule",
    "any_rule",
    "cusum",
    "ewma",
    "ewma_limits",
    "individuals_chart",
    "moving_range_degrees",
    "moving_ranges",
    "range_constants",
    "run_rule_hits",
]
