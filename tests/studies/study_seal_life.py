"""Forecasts of seals over many seeds: intervals that hold, error at half life, and dates out of noise."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl
from numpy.typing import NDArray
from tests.studies.harness import study
from tests.studies.life_peers import FARTHEST, PEERS, interval_score

from catchpot.stats.degradation import fit_wear

Floats = NDArray[np.float64]


def noise_of(rng: np.random.Generator, n: int, sd: float, correlation: float) -> Floats:
    """Logarithmic noise that lasts from shot to shot."""
    out = np.zeros(n)
    out[0] = rng.normal(0.0, sd)
    for i in range(1, n):
        out[i] = correlation * out[i - 1] + rng.normal(0.0, sd * np.sqrt(1.0 - correlation**2))
    return out


def worn_seal(
    rng: np.random.Generator, growth: str, floor: bool, n: int, life: float, limit: float
) -> tuple[Floats, Floats]:
    """Ages and true leaks of a seal that meets the limit at `life`; new it leaks 10 to 33 % of the limit."""
    age = np.arange(1.0, n + 1.0)
    new = limit * rng.uniform(0.1, 0.33)
    if growth == "linear":
        base = new if floor else 0.0
        return age, base + (limit - base) * age / life
    base = new * rng.uniform(0.3, 0.7) if floor else 0.0
    return age, base + (new - base) * np.exp(np.log((limit - base) / (new - base)) * age / life)


LIFE_CASES = [
    (growth, floor, noise, correlation, n)
    for growth in ("proportional", "linear")
    for floor in (False, True)
    for noise in (0.15, 0.3)
    for correlation in (0.0, 0.6)
    for n in (20, 60)
]


SIX_LAWS = ("even", "proportional", "slowing down", "speeding up", "late start", "feeding on itself")


def six_laws(rng: np.random.Generator, law: str, n: int, life: float, limit: float) -> tuple[Floats, Floats]:
    """Ages and true leaks of a seal that meets the limit at `life`, by one of six laws over a floor of 10 to 33 %."""
    age = np.arange(1.0, n + 1.0)
    new, u = limit * rng.uniform(0.1, 0.33), age / life
    if law == "proportional":
        grown = rng.uniform(1.2, 3.0)
        worn = np.expm1(grown * u) / np.expm1(grown)
    elif law == "slowing down":
        worn = u ** rng.uniform(0.4, 0.7)
    elif law == "speeding up":
        worn = u ** rng.uniform(1.5, 3.0)
    elif law == "late start":
        start = rng.uniform(0.2, 0.6) * min(1.0, n / life)
        worn = np.maximum(u - start, 0.0) / (1.0 - start)
    elif law == "feeding on itself":
        end = rng.uniform(1.15, 1.5)
        worn = (1.0 / (1.0 - u / end) - 1.0) / (1.0 / (1.0 - 1.0 / end) - 1.0)
    else:
        worn = u
    return age, new + (limit - new) * worn


@study("seal-life", seeds=400, slice_seeds=4)
def seal_life(seeds: Sequence[int]) -> pl.DataFrame:
    """Forecasts of worn seals by six laws, the history being 30-95 % of the life, beside plain peers.

    Only seals that the tool dates are judged, for the peers too. held_pct: of the 80 % intervals; score: interval score
    (Gneiting & Raftery 2007) over the life, no end farther than ten times the age; of_best_peer: ours over the best
    peer's of the cell.
    """
    rows: list[dict[str, object]] = []
    for law in SIX_LAWS:
        for noise in (0.05, 0.15, 0.3):
            for correlation in (0.0, 0.6):
                tried: dict[str, list[tuple[float, ...]]] = {}
                for seed in seeds:
                    rng = np.random.default_rng([seed, 83])
                    n = int(rng.integers(20, 61))
                    life = n / rng.uniform(0.3, 0.95)
                    age, leak = six_laws(rng, law, n, life, 0.3)
                    seen = leak * np.exp(noise_of(rng, n, noise, correlation)) + rng.normal(0.0, 0.004, n)
                    wear = fit_wear(age, seen, np.full(n, 0.004), 0.3)
                    if not wear.seen:
                        continue
                    ends = {"catchpot": [v + n for v in wear.shots_left(*wear.eighty)]}
                    for name, peer in PEERS.items():
                        meets = np.maximum(peer(age, np.maximum(seen, 1e-3), 0.3, rng), n)
                        ends[name] = np.quantile(meets, [0.1, 0.5, 0.9]).tolist()
                    for name, found in ends.items():
                        low, middle, high = (min(v, FARTHEST * n) for v in found)
                        tried.setdefault(name, []).append(
                            (low <= life <= high, life < low, abs(middle - life) / (life - n),
                             interval_score(low, high, life) / life)
                        )  # fmt: skip
                rows += _cell({"growth": law, "noise": noise, "autocorrelation": correlation}, len(seeds), tried)
    return pl.DataFrame(rows)


def _cell(case: dict[str, object], seeds: int, tried: dict[str, list[tuple[float, ...]]]) -> list[dict[str, object]]:
    """A row a method."""
    score = {name: float(np.mean([t[3] for t in found])) for name, found in tried.items()}
    best = min((v for name, v in score.items() if name != "catchpot"), default=float("nan"))
    return [
        {
            **case, "method": name, "tries": seeds, "dated_pct": 100.0 * len(found) / seeds,
            "held_pct": 100.0 * float(np.mean([t[0] for t in found])),
            "met_before_pct": 100.0 * float(np.mean([t[1] for t in found])),
            "median_error_pct": 100.0 * float(np.median([t[2] for t in found])), "score": score[name],
            "of_best_peer": score[name] / best if name == "catchpot" else None,
        }
        for name, found in tried.items()
    ]  # fmt: skip


Curve = tuple[Floats, Floats]


def every_curve(rng: np.random.Generator, growth: str, floor: bool, n: int, count: int) -> Curve:
    """Lives (count,) and log leaks (count, n) of seals drawn just as `seal_life` draws them."""
    lives = n / rng.uniform(0.3, 0.95, count)
    return lives, np.log(np.stack([worn_seal(rng, growth, floor, n, life, 0.3)[1] for life in lives]))


def ideal_error(curves: Sequence[Curve], seen: Floats, noise: float, correlation: float, left: float) -> float:
    """Error of the median forecast of an observer who knows noise, correlation and all ranges the seals come from.

    curves: what may be, all equally likely before the leaks are seen. Nobody can do better on average without knowing
    more, so it is the limit that the leaks themselves set.
    """
    n = len(seen)
    gap = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    error = np.minimum(0.004 / np.maximum(seen, 0.004), 1.0)
    covariance = noise**2 * np.where(gap == 0, 1.0, correlation**gap) + np.diag(error**2)
    lives, logs = np.concatenate([c[0] for c in curves]), np.concatenate([c[1] for c in curves])
    rest = np.linalg.solve(np.linalg.cholesky(covariance), (np.log(np.maximum(seen, 1e-3))[None, :] - logs).T)
    misfit = 0.5 * (rest * rest).sum(0)
    weight = np.exp(misfit.min() - misfit)
    order = np.argsort(lives)
    total = np.cumsum(weight[order])
    return float(abs((lives[order][np.searchsorted(total, 0.5 * total[-1])] - n) / left - 1.0))


def unbiased_error(growth: str, floor: bool, n: int, correlation: float, new: float, share: float) -> float:
    """Median error at half life of the best forecast without prejudice (Cramer-Rao), law, noise and correlation known.

    new: leak of the new seal over its limit; share: of it that is floor. Relative to the shots left.
    """
    age = np.arange(1.0, n + 1.0)

    def curve(p: Floats) -> Floats:
        life, base, worn = np.exp(p[0]), float(np.exp(p[1])) if floor else 0.0, float(np.exp(p[-1]))
        if growth == "linear":
            return np.asarray(np.log(base + (0.3 - base) * age / life))
        return np.asarray(np.log(base + worn * np.exp(np.log((0.3 - base) / worn) * age / life)))

    base = 0.3 * new * (1.0 if growth == "linear" else share)
    known = [np.log(2.0 * n), *([np.log(base)] if floor else [])]
    if growth == "proportional":
        known.append(np.log(0.3 * new * (1.0 - share if floor else 1.0)))
    p, step = np.array(known), 1e-5
    slopes = np.stack([(curve(p + d) - curve(p - d)) / (2.0 * step) for d in step * np.eye(len(p))], axis=1)
    gap = np.abs(np.subtract.outer(age, age))
    covariance = 0.15**2 * np.where(gap == 0, 1.0, correlation**gap) + np.diag((0.004 / np.exp(curve(p))) ** 2)
    variance = np.linalg.inv(slopes.T @ np.linalg.solve(covariance, slopes))[0, 0]
    # Half of the life is left: the error of the life counts twice. 0.6745 s.d. is the median absolute error.
    return float(0.6745 * 2.0 * np.sqrt(variance))


@study("seal-half-life", seeds=200, slice_seeds=4)
def seal_half_life(seeds: Sequence[int]) -> pl.DataFrame:
    """Error of the forecast at half life, noise 0.15, beside what an observer who knows the made-up world can do.

    law_known_pct: the observer knows the law too; law_unknown_pct: all but the law. Both on the same dated seals.
    cramer_rao_pct: of forecasts without prejudice that know the law but not the ranges, for a typical seal.
    """
    rows: list[tuple[object, ...]] = []
    every: list[tuple[float, float, float]] = []
    laws = [(g, f) for g in ("proportional", "linear") for f in (False, True)]
    for n in (20, 60):
        curves = {law: every_curve(np.random.default_rng(1), *law, n, 1200) for law in laws}
        for growth, floor, _, correlation, _ in [c for c in LIFE_CASES if c[2] == 0.15 and c[4] == n]:
            errors = []
            for seed in seeds:
                rng = np.random.default_rng(seed)
                age, leak = worn_seal(rng, growth, floor, n, 2.0 * n, 0.3)
                seen = leak * np.exp(noise_of(rng, n, 0.15, correlation)) + rng.normal(0.0, 0.004, n)
                wear = fit_wear(age, seen, np.full(n, 0.004), 0.3)
                if wear.seen:
                    own = abs(wear.shots_left(0.5)[0] / n - 1.0)
                    known = ideal_error([curves[growth, floor]], seen, 0.15, correlation, n)
                    errors.append((own, known, ideal_error(list(curves.values()), seen, 0.15, correlation, n)))
            every += errors
            middle = 100.0 * np.median(errors, axis=0) if errors else (None, None, None)
            bound = 100.0 * unbiased_error(growth, floor, n, correlation, 0.2, 0.5)
            rows.append((growth, floor, correlation, n, len(errors), *middle, bound))
    rows.append(("all", None, None, None, len(every), *(100.0 * np.median(every, axis=0)), None))
    names = [
        "growth", "floor", "autocorrelation", "shots", "dated", "median_error_pct", "law_known_pct", "law_unknown_pct",
        "cramer_rao_pct",
    ]  # fmt: skip
    return pl.DataFrame(rows, schema=names, orient="row")


@study("seal-no-wear", seeds=400, slice_seeds=10)
def seal_no_wear(seeds: Sequence[int]) -> pl.DataFrame:
    """Seals without wear: how many are given a date."""
    rows = []
    for noise in (0.15, 0.3):
        for correlation in (0.0, 0.6):
            for n in (20, 60):
                dated = 0
                for seed in seeds:
                    rng = np.random.default_rng(seed)
                    seen = rng.uniform(0.05, 0.2) * np.exp(noise_of(rng, n, noise, correlation))
                    dated += fit_wear(np.arange(1.0, n + 1.0), seen, np.full(n, 0.004), 0.3).seen
                rows.append((noise, correlation, n, len(seeds), 100.0 * dated / len(seeds)))
    return pl.DataFrame(rows, schema=["noise", "autocorrelation", "shots", "n", "dated_pct"], orient="row")
