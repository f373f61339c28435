"""Study: how often 95 % intervals of Ppk from one month alone hold the truth, whatever the law, beside plain peers.

Peers, on the same shots: `normal law` (the interval that takes the normal law for granted), `percentile bootstrap` and
`BCa bootstrap` (scipy) of the index by the sample's mean and s.d. and, `of points`, of the index by the sample's own
percentiles; `by count` (exact binomial limits of the share outside as an index) is the tool's own distribution-free
one. The truth is the percentile index of the law the shots were drawn from. Interval score (T. Gneiting, A. E. Raftery,
2007): width plus 2 / 0.05 times the miss, over the truth; the lower the better.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import polars as pl
from numpy.typing import NDArray
from tests.studies.harness import study

from catchpot.stats.capability import capability

Floats = NDArray[np.float64]
SHOTS = (20, 50, 100)
LEVEL = 0.95
RESAMPLES = 299
Limits = tuple[float | None, float | None]


@dataclass(frozen=True)
class Case:
    """A law: family, a name, and what draws from it: shares of 1 (and of a second, for mixtures) to values."""

    family: str
    name: str
    draw: Callable[[np.random.Generator, int], Floats]
    points: tuple[float, float, float]


def _frozen(family: str, name: str, law: object) -> Case:
    ppf = law.ppf  # type: ignore[attr-defined]  # frozen scipy laws
    least, middle, most = (float(p) for p in ppf([0.00135, 0.5, 0.99865]))
    return Case(family, name, lambda rng, n: np.asarray(ppf(rng.uniform(size=n))), (least, middle, most))


def _mixed(name: str, share: float, far: float, wide: float) -> Case:
    """A share of the shots in a second state, so many s.d. off, so many times as wide."""
    from scipy.optimize import brentq
    from scipy.special import ndtr

    def below(x: float, p: float) -> float:
        return float((1 - share) * ndtr(x - 20.0) + share * ndtr((x - 20.0 - far) / wide) - p)

    points = [float(brentq(below, -20, 60, args=(p,))) for p in (0.00135, 0.5, 0.99865)]

    def draw(rng: np.random.Generator, n: int) -> Floats:
        second = rng.uniform(size=n) < share
        return np.asarray(20.0 + rng.standard_normal(n) * np.where(second, wide, 1.0) + far * second)

    return Case("mixture", name, draw, (points[0], points[1], points[2]))


def cases() -> list[Case]:
    """The laws, some of each family."""
    from scipy import stats

    return [
        _frozen("normal", "normal, s.d. a tenth of the mean", stats.norm(10, 1)),
        _frozen("normal", "normal, s.d. a third of the mean", stats.norm(3, 1)),
        _frozen("lognormal", "lognormal 0.25", stats.lognorm(0.25)),
        _frozen("lognormal", "lognormal 0.5", stats.lognorm(0.5)),
        _frozen("gamma", "gamma 2", stats.gamma(2)),
        _frozen("gamma", "gamma 5", stats.gamma(5)),
        _frozen("gamma", "gamma 3 above an origin", stats.gamma(3, loc=8)),
        _frozen("weibull", "Weibull 1.5", stats.weibull_min(1.5)),
        _frozen("weibull", "Weibull 3", stats.weibull_min(3)),
        _mixed("mixture: 3 in 10 are 3 s.d. higher", 0.3, 3.0, 1.0),
        _mixed("mixture: 1 in 10 is 2.5 s.d. higher", 0.1, 2.5, 1.0),
        _mixed("mixture: 1 in 4 is 2 s.d. higher and wider", 0.25, 2.0, 1.5),
    ]


def _limits(points: tuple[float, float, float]) -> list[tuple[str, Limits, float]]:
    least, middle, most = points
    return [
        ("upper", (None, middle + 1.2 * (most - middle)), 1.2),
        ("both", (middle - 0.9 * (middle - least), middle + 1.1 * (most - middle)), 0.9),
    ]


def _by_spread(rows: Floats, low: float | None, high: float | None) -> Floats:
    mean, sd = rows.mean(axis=-1), rows.std(axis=-1, ddof=1)
    upper = (high - mean) / (3 * sd) if high is not None else np.inf
    return np.asarray(np.minimum(upper, (mean - low) / (3 * sd)) if low is not None else upper)


def _by_points(rows: Floats, low: float | None, high: float | None) -> Floats:
    least, middle, most = np.quantile(rows, [0.00135, 0.5, 0.99865], axis=-1)
    upper = (high - middle) / np.maximum(most - middle, 1e-12) if high is not None else np.inf
    return np.asarray(
        np.minimum(upper, (middle - low) / np.maximum(middle - least, 1e-12)) if low is not None else upper
    )


def _bootstrap(
    x: Floats, limits: Limits, form: Callable[..., Floats], method: Literal["percentile", "BCa"], seed: int
) -> tuple[float, float]:
    from scipy import stats

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        statistic: Any = lambda rows, axis=-1: form(rows, *limits)  # noqa: E731
        found = stats.bootstrap(
            (x,), statistic, n_resamples=RESAMPLES, method=method, vectorized=True,
            confidence_level=LEVEL, rng=np.random.default_rng(seed),
        ).confidence_interval  # fmt: skip
    return float(found.low), float(found.high)


def intervals(x: Floats, limits: Limits, seed: int) -> dict[str, tuple[float, float, float]]:
    """Value and interval by each method; an end that is not given is infinite."""
    ours, normal = capability(x, *limits), capability(x, *limits, "normal")
    spread, points = float(_by_spread(x, *limits)), float(_by_points(x, *limits))
    given = {
        "catchpot": (ours.ppk.value, ours.ppk.low, ours.ppk.high),
        "normal law": (normal.ppk.value, normal.ppk.low, normal.ppk.high),
        "percentile bootstrap": (spread, *_bootstrap(x, limits, _by_spread, "percentile", seed)),
        "BCa bootstrap": (spread, *_bootstrap(x, limits, _by_spread, "BCa", seed)),
        "percentile bootstrap of points": (points, *_bootstrap(x, limits, _by_points, "percentile", seed)),
        "catchpot by count": (ours.by_count.value, ours.by_count.low, ours.by_count.high),
    }
    made: dict[str, tuple[float, float, float]] = {}
    for name, (value, low, high) in given.items():
        made[name] = (
            np.nan if value is None else value, -np.inf if low is None or np.isnan(low) else low,
            np.inf if high is None or np.isnan(high) else high,
        )  # fmt: skip
    return made


@study("capability", seeds=500, slice_seeds=12)
def capability_coverage(seeds: Sequence[int]) -> pl.DataFrame:
    """Share of single months whose 95 % interval of Ppk holds the truth, median error and interval score."""
    rows = []
    for number, case in enumerate(cases()):
        for n in SHOTS:
            for which, limits, truth in _limits(case.points):
                tried: dict[str, list[tuple[float, float, float]]] = {}
                for seed in seeds:
                    x = case.draw(np.random.default_rng([seed, n, number, 47]), n)
                    for method, found in intervals(x, limits, seed).items():
                        tried.setdefault(method, []).append(found)
                for method, found_all in tried.items():
                    rows.append(_row(case, n, which, truth, method, np.array(found_all)))
    return pl.DataFrame(rows)


def _row(case: Case, n: int, which: str, truth: float, method: str, found: Floats) -> dict[str, object]:
    value, low, high = found.T
    miss = np.maximum(low - truth, 0) + np.maximum(truth - high, 0)
    score = (high - low + 2 / (1 - LEVEL) * miss) / truth
    error = np.abs(value - truth) / truth
    return {
        "family": case.family, "case": case.name, "n": n, "limits": which, "method": method, "tries": len(found),
        "held_pct": 100 * float(np.mean(miss == 0)), "truth_below_pct": 100 * float(np.mean(truth < low)),
        "truth_above_pct": 100 * float(np.mean(truth > high)),
        "median_error_pct": 100 * float(np.nanmedian(error)) if np.isfinite(error).any() else None,
        "score": float(np.mean(score)) if np.isfinite(score).all() else None,
    }  # fmt: skip
