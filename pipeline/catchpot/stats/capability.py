"""Capability: how the spread of a measure compares with its specification limits, each index with its interval.

Cp, Cpk: spread from shot to shot (moving range). Pp, Ppk: spread over the month (s.d. of all shots). All by the
percentile form of ISO 22514-2: the 0.135 %, 50 % and 99.865 % points take the place of mean -+ 3 s.d.; for a normal law
the two are the same. The law is part of the doubt (`laws.weigh`): an interval is read from the draws of every law the
shots allow. Where one law is given, its own interval: normal, chi-squared for Cp and Pp, Bissell 1990 for Cpk and Ppk;
others and the share outside, generalised pivotal quantities (T. Mathew, G. Sebastian, K. M. Kurian, Quality and
Reliability Engineering International 23, 2007; K. Krishnamoorthy, Y. Lin, Y. Xia, Journal of Statistical Planning and
Inference 139, 2009, for the Weibull law). Beside them stands what the count of shots outside says without any law.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from catchpot.stats.control import individuals_chart, moving_range_degrees
from catchpot.stats.law_family import Member
from catchpot.stats.laws import Law, LawName, Weighed, weigh

Floats = NDArray[np.float64]
Z_POINT = 2.9999769927  # the normal law's 99.865 % point; the normal form itself is written with 3
PERCENTILES = "0.135 %, 50 % and 99.865 %"
LIGHTEST: Final = 5.0
"""Laws whose weight is less than exp(-5) of the heaviest's are left out of the draws."""
LOW_TAIL: Final = 1.2
HIGH_TAIL: Final = 0.8
"""Of the share left out of an interval, what lies below and above: with two limits the nearer side gives the index,
and the smaller of two upper ends is passed oftener than either."""


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
    expected_pct: the share expected outside, %. law: the law that is named, whose indices are the values; the
    intervals are over all laws unless one was given. spread_shots: degrees of freedom behind Cp, Cpk.
    by_count: the index that the count of shots outside allows under any law (distribution-free, wide): -z/3 of the
    share outside between its exact binomial limits; no upper end where none was outside.
    effective: independent shots that one of these is worth.
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
    law: LawName
    spread_shots: float
    by_count: Index
    effective: float


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


def by_count(outside: int, n: int, level: float = 0.95) -> Index:
    """The index of the share outside, -z/3, from the count alone: whatever the law, it holds `level` or more.

    Exact binomial limits (C. J. Clopper, E. S. Pearson, Biometrika 26, 1934). With one limit, or the other far away,
    the index of a share is the percentile index where either is 1, and of a normal law everywhere.

    >>> one = by_count(0, 50)
    >>> one.value is None, round(one.low or 0, 2), one.high is None
    (True, 0.49, True)
    """
    from scipy.special import bdtri, ndtri

    if n < 1:
        return Index()
    tail = (1 - level) / 2
    most = 1.0 if outside == n else float(bdtri(outside, n, tail))
    least = 0.0 if outside == 0 else float(bdtri(outside - 1, n, 1 - tail))
    value = -float(ndtri(outside / n)) / 3 if 0 < outside < n else None
    return Index(value, -float(ndtri(most)) / 3 if most < 1 else None, -float(ndtri(least)) / 3 if least > 0 else None)


@dataclass(frozen=True)
class _Draws:
    """One quantity: its value by the named law, its draws by all laws, and their weights."""

    value: float
    draws: Floats
    weights: Floats

    def interval(self, level: float) -> tuple[float, float]:
        """Both ends, shares as LOW_TAIL and HIGH_TAIL say."""
        tail = (1 - level) / 2
        order = np.argsort(self.draws)
        total = np.cumsum(self.weights[order])
        at = np.searchsorted(total, total[-1] * np.array([LOW_TAIL * tail, 1 - HIGH_TAIL * tail]))
        low, high = self.draws[order][np.minimum(at, total.size - 1)]
        return float(low), float(high)


def _index(sides: list[_Draws], level: float) -> Index:
    """The smaller index of both sides; either side may be the nearer in truth, so both ends are the smaller ones."""
    ends = [s.interval(level) for s in sides]
    return Index(min(s.value for s in sides), min(e[0] for e in ends), min(e[1] for e in ends))


def _read(laws: Weighed, low: float | None, high: float | None, within: float, degrees: float, level: float
          ) -> tuple[Index, Index, Index]:  # fmt: skip
    """Index of both limits, of the nearer one and % outside, from all laws.

    within: spread used over the spread of all shots, on the scale where the law is normal. degrees: of that spread;
    of all shots' where it is that.
    """
    heavy = [
        (m, w) for m, w in zip(laws.members, laws.log_weights, strict=True) if w > laws.log_weights.max() - LIGHTEST
    ]

    def gathered(of: list[tuple[float, Floats]], value: float) -> _Draws:
        weights = np.concatenate([np.full(d.size, np.exp(w) / d.size) for w, d in of])
        return _Draws(value, np.concatenate([d for _, d in of]), weights)

    def all_of(form: str) -> _Draws:
        made = [(w, _form(form, m, low, high, within, degrees)) for m, w in heavy]
        return gathered([(w, d[1:]) for w, d in made], float(_form(form, laws.named, low, high, within, 0.0)[0]))

    both = all_of("both") if low is not None and high is not None else None
    sides = [all_of(s) for s, end in (("upper", high), ("lower", low)) if end is not None]
    outside = all_of("outside")
    ends = outside.interval(level)
    return (
        Index(both.value, *both.interval(level)) if both is not None else Index(),
        _index(sides, level),
        Index(outside.value, max(ends[0], 0.0), min(ends[1], 100.0)),
    )


def _form(form: str, m: Member, low: float | None, high: float | None, within: float, degrees: float) -> Floats:
    """One quantity of a law's draws. degrees: those by which the spread used is known worse than that of all shots."""
    z: float | Floats = Z_POINT * within if m.power != 1.0 or m.kind != "power" else 3.0 * within
    if degrees > 0:
        z = z * _ratios(m.place.size, degrees)
    if form == "outside":
        above = 1 - m.below(high) if high is not None else np.zeros_like(m.place)
        return np.asarray(100 * (above + (m.below(low) if low is not None else 0.0)))
    if form == "both" and low is not None and high is not None:
        return _over(high - low + 0.0 * m.place, m.points(z) - m.points(-z))
    middle = m.points(0.0)
    if form == "upper" and high is not None:
        return _over(high - middle, m.points(z) - middle)
    return _over(middle - (low or 0.0), middle - m.points(-z))


def _over(room: Floats, reach: Floats) -> Floats:
    """Room to a limit over the law's reach towards it, at most a billion."""
    return np.asarray(room / np.maximum(reach, 1e-9 * np.abs(room) + 1e-290))


@lru_cache(maxsize=256)
def _ratios(count: int, degrees: float) -> Floats:
    """Equally likely ratios of a true spread to its estimate, in random order; the first is 1."""
    from scipy.special import chdtri

    share = (np.random.default_rng(count).permutation(count - 1) + 0.5) / (count - 1)
    return np.asarray(np.r_[1.0, np.sqrt(degrees / chdtri(degrees, 1 - share))])


def capability(
    values: Floats, low: float | None, high: float | None, law: Law | Weighed | None = None, level: float = 0.95
) -> Capability:
    """Capability of one measure over its shots in time order.

    values: shape (n,), n >= 3, finite, not all equal. low, high: specification limits, at least one. law: None, the law
    is in doubt; what `laws.weigh` said, where earlier months had a word in it; or a law that is known. level: of the
    intervals. Assumes a steady process; where neighbours are alike the intervals are those of fewer shots.

    >>> c = capability(np.array([9.0, 10.0, 11.0, 10.0] * 10), 7.0, 13.0, "normal")
    >>> c.outside, round(c.ppk.value or 0, 2)
    (0, 1.4)
    """
    x = np.asarray(values, dtype=float)
    if low is None and high is None:
        raise ValueError("capability needs a limit")
    if x.size < 3 or not np.isfinite(x).all():
        raise ValueError("capability needs three finite values or more")
    chart = individuals_chart(x)
    total = float(x.std(ddof=1))
    if not total > 1e-9 * float(np.abs(x).max()) or not chart.sd > 0:
        raise ValueError("all values are equal")
    laws = law if isinstance(law, Weighed) else weigh(x, fixed=law)
    n, degrees = x.size, moving_range_degrees(x.size)
    outside = int(np.sum((x < low) if low is not None else False) + np.sum((x > high) if high is not None else False))
    scores = laws.scores(x)
    within = individuals_chart(scores).sd / float(scores.std(ddof=1))
    # The moving range knows its spread worse than all shots do: by so many degrees more.
    further = 1 / max(1 / degrees - 1 / (n - 1), 1e-9)
    cp, cpk, _ = _read(laws, low, high, within, further, level)
    pp, ppk, expected = _read(laws, low, high, 1.0, 0.0, level)
    if laws.fixed == "normal":
        cp, pp = (Index(c.value, *cp_interval(c.value, d, level)) if c.value is not None else c
                  for c, d in ((cp, degrees), (pp, n - 1.0)))  # fmt: skip
        cpk, ppk = (Index(c.value, *cpk_interval_approximate(c.value, n, d, level)) if c.value is not None else c
                    for c, d in ((cpk, degrees), (ppk, n - 1.0)))  # fmt: skip
    count = by_count(outside, n, level)
    return Capability(n, float(x.mean()), chart.sd, total, cp, cpk, pp, ppk, outside, expected, laws.name, degrees,
                      count, laws.effective)  # fmt: skip


@dataclass(frozen=True)
class Gauge:
    """Scatter of a gauge from repeat readings: s.d. and its degrees of freedom."""

    sd: float
    degrees: int


def gauge_of(repeats: Sequence[Floats]) -> Gauge | None:
    """Scatter of a gauge: readings of the same thing, an array each, pooled. None without any repeat.

    >>> gauge_of([np.array([1.0, 3.0]), np.array([5.0])])
    Gauge(sd=1.4142135623730951, degrees=1)
    """
    groups = [r[np.isfinite(r)] for r in (np.asarray(r, dtype=float) for r in repeats)]
    degrees = sum(max(r.size - 1, 0) for r in groups)
    if degrees == 0:
        return None
    total = sum(float(((r - r.mean()) ** 2).sum()) for r in groups if r.size > 1)
    return Gauge(float(np.sqrt(total / degrees)), degrees)


def without_gauge(index: Index, sd: float, n: int, gauge: Gauge, level: float = 0.95) -> Index:
    """An index with the gauge's scatter taken out of the spread of single readings: index times sd over the rest's sd.

    What is left is known worse than either spread: by first-order error propagation of the logarithms. The upper end is
    None where the gauge may explain all the spread (F test). sd: spread of the n shots.

    >>> without_gauge(Index(1.0, 0.8, 1.2), 5.0, 10_000, Gauge(3.0, 10_000)).value
    1.25
    """
    from scipy.special import fdtri, ndtri

    share = (gauge.sd / sd) ** 2
    if index.value is None or index.low is None or index.high is None:
        return index
    if share >= 1:
        return Index(None, index.low, None)
    times = 1 / (1 - share)
    reach = float(ndtri(0.5 + level / 2))
    further = reach**2 * ((times**2 - 1) / (2 * (n - 1)) + (times - 1) ** 2 / (2 * gauge.degrees))
    value = index.value * float(np.sqrt(times))
    scale = max(abs(index.value), 1e-12)
    down, up = (float(np.hypot(abs(end - index.value) / scale, np.sqrt(further))) for end in (index.low, index.high))
    may_be_all = share / float(fdtri(gauge.degrees, n - 1, (1 - level) / 2)) >= 1
    return Index(value, value - abs(value) * down, None if may_be_all else value + abs(value) * up)


__all__ = [
    "PERCENTILES",
    "Capability",
    "Gauge",
    "Index",
    "by_count",
    "capability",
    "cp_interval",
    "cpk_interval_approximate",
    "cpm",
    "gauge_of",
    "indices",
    "one_sided_lower",
    "percentile_indices",
    "without_gauge",
]
