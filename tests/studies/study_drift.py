"""Study: how soon changes are found, how well dated and named, and how often a steady workshop is alarmed.

The method is the one the tool runs (`find_changes` with the limit for the default set of nine measures); it knows
neither baseline nor spread. A step counts as found when it is called within the shots allowed after it, from the logs
up to then, and as dated when the date given then is within 3 shots.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np
import polars as pl
from numpy.typing import NDArray
from tests.studies.harness import study

from catchpot.stats.changepoint import Change, find_changes, limit_for

Floats = NDArray[np.float64]
MEASURES = 9
Row = tuple[str, int, float, str]


def _step(size: float, after: int, before: int = 30) -> Callable[[np.random.Generator], Floats]:
    return lambda rng: rng.standard_normal(before + after) + size * (np.arange(before + after) >= before)


def _called(y: Floats, beside: Floats | None = None) -> list[Change]:
    return find_changes(y, beside, limit_for(MEASURES))


def steps(seeds: Sequence[int], size: float, after: int) -> Iterator[Row]:
    """Found, dated, named, and the truth in the date's and the change's interval, of a step after 30 steady shots."""
    make = _step(size, after)
    found: list[Change] = []
    early = 0
    for seed in seeds:
        changes = _called(make(np.random.default_rng([seed, 1, after])))
        early += any(c.seen_at < 30 for c in changes)
        real = [c for c in changes if c.seen_at >= 30]
        found += real[:1]
    name = f"step of {size:g} s.d., {after} shots after it"
    n = max(len(found), 1)
    yield f"{name}: found", len(seeds), len(found) / len(seeds), ">= 0.85"
    yield (
        f"{name}: dated within 3 shots, of those found",
        len(seeds),
        sum(abs(c.at - 30) <= 3 for c in found) / n,
        ">= 0.80",
    )
    yield (
        f"{name}: found and dated within 3 shots",
        len(seeds),
        sum(abs(c.at - 30) <= 3 for c in found) / len(seeds),
        "",
    )
    yield f"{name}: called a step", len(seeds), sum(c.kind == "step" for c in found) / n, ">= 0.85"
    yield f"{name}: date in its 95 % interval", len(seeds), sum(c.at_low <= 30 <= c.at_high for c in found) / n, ""
    yield (
        f"{name}: size in its 95 % interval",
        len(seeds),
        sum(c.change_low <= size <= c.change_high for c in found) / n,
        "",
    )
    yield f"{name}: called before it came", len(seeds), early / len(seeds), ""


def trends(seeds: Sequence[int], before: int) -> Iterator[Row]:
    """A linear trend of 3 s.d. over 60 shots, from the first shot or after steady ones."""
    found: list[Change] = []
    more = 0
    for seed in seeds:
        rng = np.random.default_rng([seed, 2, before])
        y = rng.standard_normal(before + 60) + 3 * np.clip((np.arange(before + 60) - before) / 59, 0, None)
        changes = _called(y)
        found += changes[:1]
        more += len(changes) > 1
    name = f"trend of 3 s.d. over 60 shots after {before} steady ones"
    n = max(len(found), 1)
    yield f"{name}: found", len(seeds), len(found) / len(seeds), ""
    yield f"{name}: called a trend", len(seeds), sum(c.kind == "trend" for c in found) / len(seeds), ">= 0.85"
    yield (
        f"{name}: slope in its 95 % interval",
        len(seeds),
        sum(c.per_shot_low <= 3 / 59 <= c.per_shot_high for c in found) / n,
        "",
    )
    yield f"{name}: more than one change called", len(seeds), more / len(seeds), ""


def steady(
    seeds: Sequence[int], name: str, make: Callable[[np.random.Generator], Floats], bar: str = ""
) -> Iterator[Row]:
    """Histories of 60 shots of all nine measures without any change: share with any call."""
    rung = 0
    for seed in seeds:
        rng = np.random.default_rng([seed, 3])
        rung += any(_called(make(rng)) for _ in range(MEASURES))
    yield f"steady, {name}: any of nine measures called in 60 shots", len(seeds), rung / len(seeds), bar


def _correlated(rng: np.random.Generator, rho: float = 0.3, n: int = 60) -> Floats:
    e = rng.standard_normal(n)
    y = np.empty(n)
    y[0] = e[0]
    for i in range(1, n):
        y[i] = rho * y[i - 1] + np.sqrt(1 - rho**2) * e[i]
    return y


def seasons(seeds: Sequence[int]) -> Iterator[Row]:
    """A measure that follows temperature (0.5 s.d. a kelvin, a season of 8 K) and resin batches of unknown level."""
    season = resin = stepped = 0
    for seed in seeds:
        rng = np.random.default_rng([seed, 4])
        order = np.arange(120)
        warm = 4 * np.sin(order / 40) + rng.normal(0, 1, 120)
        noise = rng.standard_normal(120)
        season += bool(_called(noise + 0.5 * warm, warm[:, None]))
        stepped += any(abs(c.at - 70) <= 3 for c in _called(noise + 0.5 * warm + 2 * (order >= 70), warm[:, None]))
        edges = np.sort(rng.choice(np.arange(15, 105), 4, replace=False))
        batch = np.searchsorted(edges, order, side="right")
        beside = (batch[:, None] == np.arange(1, 5)).astype(float)
        resin += bool(_called(noise + rng.normal(0, 3, 5)[batch], beside))
    yield "season of 8 K, taken out: any call in 120 shots, one measure", len(seeds), season / len(seeds), ""
    yield "step of 2 s.d. within that season: found and dated within 3 shots", len(seeds), stepped / len(seeds), ""
    yield (
        "resin batches without viscosity, 3 s.d. apart: any call in 120 shots, one measure",
        len(seeds),
        resin / len(seeds),
        "",
    )


@study("drift", seeds=400, slice_seeds=25)
def drift(seeds: Sequence[int]) -> pl.DataFrame:
    """Changes found, dated and named; false calls of steady workshops."""
    rows = [*steps(seeds, 2.5, 8), *steps(seeds, 1.5, 20), *trends(seeds, 0), *trends(seeds, 30)]
    rows += steady(seeds, "normal", lambda rng: rng.standard_normal(60), "<= 0.05")
    rows += steady(seeds, "heavy tails (t, 3 degrees)", lambda rng: rng.standard_t(3, 60))
    rows += steady(seeds, "skewed (lognormal, 0.4)", lambda rng: rng.lognormal(0, 0.4, 60))
    rows += steady(seeds, "autocorrelated (0.3)", _correlated)
    rows += seasons(seeds)
    return pl.DataFrame(rows, schema=["what", "tries", "share", "bar"], orient="row")
