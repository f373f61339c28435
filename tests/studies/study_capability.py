"""Study: how often the intervals of Cpk, Ppk and the share outside hold the truth, for normal and skewed shots."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl
from tests.studies.harness import study

from catchpot.stats.capability import Index, capability, percentile_indices
from catchpot.stats.laws import Law, choose_law

BEFORE = 5  # months whose shots help to choose the law


def _holds(index: Index, truth: float) -> bool | None:
    if index.low is None or index.high is None:
        return None
    return index.low <= truth <= index.high


@study("capability", seeds=1500, slice_seeds=60)
def capability_coverage(seeds: Sequence[int]) -> pl.DataFrame:
    """Share of months whose 95 % intervals hold the truth; the law given, and chosen by the stated rule."""
    from scipy import stats

    cases: list[tuple[str, Law, object, float | None, float]] = [
        ("normal, centred, Cpk 1.33", "normal", stats.norm(10, 1), 6.0, 14.0),
        ("normal, centred, Cpk 0.8", "normal", stats.norm(10, 1), 7.6, 12.4),
        ("normal, off centre, Cpk 1", "normal", stats.norm(10, 1), 5.0, 13.0),
        ("normal, one limit, Cpk 0.67", "normal", stats.norm(10, 1), None, 12.0),
        ("lognormal 0.4, one limit", "lognormal", stats.lognorm(0.4), None, 3.2),
        ("lognormal 0.25, two limits", "lognormal", stats.lognorm(0.25), 0.4, 2.5),
        ("Weibull 2, one limit", "weibull", stats.weibull_min(2), None, 2.6),
        ("Weibull 2, two limits", "weibull", stats.weibull_min(2), 0.05, 2.2),
    ]
    rows = []
    for number, (name, law, truth, low, high) in enumerate(cases):
        ppf, cdf, sf = truth.ppf, truth.cdf, truth.sf  # type: ignore[attr-defined]  # frozen scipy laws
        least, middle, most = (float(p) for p in ppf([0.00135, 0.5, 0.99865]))
        if law == "normal":
            least, middle, most = 7.0, 10.0, 13.0
        _, upper, lower = percentile_indices((least, middle, most), low, high)
        index = min(x for x in (upper, lower) if x is not None)
        outside = 100 * float(sf(high) + (cdf(low) if low is not None else 0.0))
        for n in (20, 40, 100):
            held: dict[str, list[bool | None]] = {"cpk": [], "ppk": [], "outside": [], "ppk_by_rule": []}
            chosen = 0
            for seed in seeds if law == "normal" or len(seeds) < 400 else seeds[: len(seeds) // 3]:
                rng = np.random.default_rng([seed, n, number])
                x = ppf(rng.uniform(size=n))
                c = capability(x, low, high, law)
                held["cpk"].append(_holds(c.cpk, index))
                held["ppk"].append(_holds(c.ppk, index))
                held["outside"].append(_holds(c.expected_pct, outside))
                if len(held["ppk_by_rule"]) < max(len(seeds) // 4, 10):
                    ruled = choose_law(x, [ppf(rng.uniform(size=n)) for _ in range(BEFORE)]).law
                    chosen += ruled == law
                    held["ppk_by_rule"].append(_holds(capability(x, low, high, ruled).ppk, index) if ruled else None)
            tries = len(held["ppk"])
            ruled_tries = len(held["ppk_by_rule"])
            shares = {k: _share(v) for k, v in held.items()}
            rows.append(
                {
                    "case": name,
                    "n": n,
                    "tries": tries,
                    **shares,
                    "tries_by_rule": ruled_tries,
                    "rule_chose_it": chosen / ruled_tries,
                }
            )
    return pl.DataFrame(rows)


def _share(held: Sequence[bool | None]) -> float | None:
    known = [h for h in held if h is not None]
    return float(np.mean(known)) if known else None
