"""Study: how soon changes are found, how well dated and named, and how often a steady workshop is alarmed.

The method is the one the tool runs (`find_changes` with the limit for the default set of nine measures); it knows
neither baseline nor spread nor how alike the shots are. A step counts as found when it is called within the shots
allowed after it, from the logs up to then, and as dated when the date given then is within 3 shots.
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
    rows += steady(seeds, "normal", lambda rng: rng.standard_normal(60), "<= 0.06")
    rows += steady(seeds, "alike from shot to shot (0.3)", _correlated, "<= 0.06")
    rows += steady(seeds, "alike from shot to shot (0.6)", lambda rng: _correlated(rng, 0.6), "<= 0.06")
    rows += steady(seeds, "heavy tails (t, 3 degrees)", lambda rng: rng.standard_t(3, 60))
    rows += steady(seeds, "skewed (lognormal, 0.4)", lambda rng: rng.lognormal(0, 0.4, 60))
    rows += seasons(seeds)
    return pl.DataFrame(rows, schema=["what", "tries", "share", "bar"], orient="row")


Made = tuple[Floats, list[int]]


def _stretches(rng: np.random.Generator, n: int, changes: int, size: float) -> Made:
    """Levels with steps of 1 to 2 times the size either way, no nearer than 15 shots."""
    places = np.sort(rng.choice(np.arange(1, n // 15), changes, replace=False)) * 15
    y = np.zeros(n)
    for place in places:
        y[place:] += size * rng.uniform(1.0, 2.0) * rng.choice([-1.0, 1.0])
    return y, [int(p) for p in places]


def made_series(rng: np.random.Generator, family: str) -> Made:
    """A series of 120 shots and its changes."""
    n = 120
    order = np.arange(n)
    if family == "steps in white noise":
        y, at = _stretches(rng, n, int(rng.integers(1, 4)), 2.0)
        return y + rng.standard_normal(n), at
    if family == "steps in lasting noise (0.5)":
        y, at = _stretches(rng, n, int(rng.integers(1, 4)), 3.0)
        return y + _correlated(rng, 0.5, n), at
    if family == "steps in heavy tails":
        y, at = _stretches(rng, n, int(rng.integers(1, 4)), 3.0)
        return y + rng.standard_t(3, n), at
    if family == "a slope begins":
        start = int(rng.integers(40, 70))
        return rng.standard_normal(n) + 6.0 * np.clip(order - start, 0, None) / (n - start), [start]
    if family == "a slope turns":
        start = int(rng.integers(40, 80))
        return rng.standard_normal(n) + 6.0 * np.minimum(order / start, (n - order) / (n - start)), [start]
    if family == "a slope throughout":
        return rng.standard_normal(n) + 4.0 * order / n, []
    if family == "lasting noise (0.8), no change":
        return _correlated(rng, 0.8, n), []
    if family == "a season of 40 shots, no change":
        return rng.standard_normal(n) + 1.5 * np.sin(2 * np.pi * (order / 40 + rng.uniform())), []
    if family == "a wandering level, no change":
        return np.cumsum(rng.standard_normal(n)), []
    return rng.standard_normal(n), []


FAMILIES = (
    "steps in white noise", "steps in lasting noise (0.5)", "steps in heavy tails", "a slope begins", "a slope turns",
    "a slope throughout", "lasting noise (0.8), no change", "a season of 40 shots, no change",
    "a wandering level, no change", "no change",
)  # fmt: skip


def f1(found: Sequence[int], truth: Sequence[int], margin: int = 5) -> float:
    """F1 of changes within a margin, the beginning counting as a change of both (the usual score of annotated series).

    Source: G. J. J. van den Burg, C. K. I. Williams, arXiv 2003.06222, 2020.

    >>> f1([50], [52, 90]), f1([], [])
    (0.8, 1.0)
    """
    left = [0, *truth]
    hits = 0
    for place in sorted({0, *found}):
        near = [t for t in left if abs(t - place) <= margin]
        if near:
            left.remove(min(near, key=lambda t: abs(t - place)))
            hits += 1
    precision, recall = hits / len({0, *found}), hits / (len(truth) + 1)
    return 2 * precision * recall / (precision + recall)


def cover(found: Sequence[int], truth: Sequence[int], n: int) -> float:
    """How well the true stretches are covered by found ones: largest overlaps over unions, weighed by length.

    >>> cover([], [50], 100)
    0.5
    """

    def stretches(places: Sequence[int]) -> list[tuple[int, int]]:
        edges = [0, *sorted(set(places) - {0}), n]
        return [(edges[k], edges[k + 1]) for k in range(len(edges) - 1)]

    total = 0.0
    for a, b in stretches(truth):
        overlaps = [max(min(b, d) - max(a, c), 0) / (max(b, d) - min(a, c)) for c, d in stretches(found)]
        total += (b - a) * max(overlaps)
    return total / n


def _ruptures(y: Floats) -> list[int]:
    """Penalised search of ruptures with the noise known from differences, penalty 3 log n for each change."""
    import ruptures

    sd = float(np.median(np.abs(np.diff(y)))) / (0.6744898 * np.sqrt(2))
    search = ruptures.Pelt(model="l2", min_size=5, jump=1).fit(y)
    return [int(v) for v in search.predict(pen=3 * np.log(y.size) * max(sd, 1e-9) ** 2)[:-1]]


@study("drift-families", seeds=200, slice_seeds=4)
def drift_families(seeds: Sequence[int]) -> pl.DataFrame:
    """F1 and cover over families of series, one setting for all, beside a penalised search and no method at all."""
    methods: dict[str, Callable[[Floats], list[int]]] = {
        "catchpot": lambda y: [c.at for c in find_changes(y)],
        "penalised search": _ruptures,
        "none": lambda y: [],
    }
    rows: list[dict[str, object]] = []
    for number, family in enumerate(FAMILIES):
        scores: dict[str, list[tuple[float, float, int]]] = {m: [] for m in methods}
        for seed in seeds:
            y, truth = made_series(np.random.default_rng([seed, number, 91]), family)
            for name, method in methods.items():
                found = method(y)
                scores[name].append((f1(found, truth), cover(found, truth, y.size), len(found)))
        for name, found_all in scores.items():
            score, covered, calls = np.mean(found_all, axis=0)
            rows.append({"family": family, "method": name, "tries": len(seeds), "f1": float(score),
                         "cover": float(covered), "calls": float(calls)})  # fmt: skip
    frame = pl.DataFrame(rows)
    every = frame.group_by("method", maintain_order=True).agg(
        pl.col("f1", "cover", "calls").mean(), pl.col("tries").sum()
    )
    return pl.concat([frame, every.select(pl.lit("all").alias("family"), "method", "tries", "f1", "cover", "calls")])
