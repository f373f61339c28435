"""Capability against published examples, and skewed laws against their closed forms."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy import optimize, stats

from catchpot.stats.capability import (
    capability,
    cp_interval,
    cpk_interval_approximate,
    cpm,
    indices,
    one_sided_lower,
    percentile_indices,
)
from catchpot.stats.law_family import MIXTURES, fit_weibull, mixtures
from catchpot.stats.laws import anderson_darling_normal, anderson_darling_weibull, lag_one, weigh

DATA = Path(__file__).parent / "data"


def test_handbook_example() -> None:
    # NIST/SEMATECH e-Handbook, 6.1.6: limits 8 and 20, mean 16, s 2.
    upper, lower, mean, sd, cp, cpk, k = np.loadtxt(DATA / "nist_capability_616.csv", delimiter=",", skiprows=2)
    got_cp, got_cpk = indices(mean, sd, lower, upper)
    assert got_cp == pytest.approx(cp, abs=1e-12)
    assert got_cpk == pytest.approx(cpk, abs=5e-5)
    assert got_cp is not None
    assert 1 - got_cpk / got_cp == pytest.approx(k, abs=5e-5)
    assert cpm(16.0, 2.0, 8.0, 20.0, 14.0) == pytest.approx(0.7071068, abs=1e-7)


def test_interval_of_cp() -> None:
    # D. C. Montgomery, Introduction to Statistical Quality Control: limits 38 and 62, s 1.75, n 20: 1.57 to 3.01.
    cp = 24 / (6 * 1.75)
    assert cp == pytest.approx(2.29, abs=5e-3)
    low, high = cp_interval(cp, 19)
    assert [low, high] == pytest.approx([1.57, 3.01], abs=6e-3)
    assert [low, high] == pytest.approx([1.5649, 3.0056], abs=5e-5)


def test_interval_of_cpk() -> None:
    # A. F. Bissell, Applied Statistics 39, 1990.
    assert list(cpk_interval_approximate(1.33, 20, 19)) == pytest.approx([0.88, 1.78], abs=5e-3)
    assert list(cpk_interval_approximate(1.33, 50, 49)) == pytest.approx([1.050939242, 1.609060758], abs=1e-8)
    assert one_sided_lower(1.33, 50) == pytest.approx(1.050755111, abs=1e-7)  # exact, noncentral t


def test_percentile_form_of_iso_22514_2() -> None:
    law = stats.lognorm(0.25)
    points = tuple(float(p) for p in law.ppf([0.00135, 0.5, 0.99865]))
    assert points[0] == pytest.approx(0.472369, abs=1e-6)
    assert percentile_indices((points[0], points[1], points[2]), 0.4, 2.5) == pytest.approx(
        (1.27689182, 1.342897341, 1.137158936), abs=1e-8
    )
    weibull = stats.weibull_min(2)
    assert weibull.ppf([0.00135, 0.5, 0.99865]) == pytest.approx([0.03675475576, 0.832555, 2.570535097], abs=1e-6)


def test_fitted_laws_give_the_percentile_form_of_their_percentiles() -> None:
    # An orderly sample (the law's own quantiles), so that the fit lands on the law.
    share = (np.arange(4000) + 0.5) / 4000
    rng = np.random.default_rng(4)
    for name, law in (("lognormal", stats.lognorm(0.25)), ("weibull", stats.weibull_min(2))):
        x = rng.permutation(law.ppf(share))
        least, middle, most = law.ppf([0.00135, 0.5, 0.99865])
        got = capability(x, 0.4, 2.5, name)  # type: ignore[arg-type]  # the loop's names are laws
        both, upper, lower = percentile_indices((least, middle, most), 0.4, 2.5)
        assert got.pp.value == pytest.approx(both, rel=4e-3)
        assert upper is not None and lower is not None
        assert got.ppk.value == pytest.approx(min(upper, lower), rel=4e-3)
        assert got.expected_pct.value == pytest.approx(100 * (law.sf(2.5) + law.cdf(0.4)), rel=0.02)


def test_weibull_fit_against_scipy() -> None:
    x = stats.weibull_min(1.7, scale=3.0).rvs(60, random_state=8)
    want_shape, _, want_scale = stats.weibull_min.fit(x, floc=0)
    assert list(fit_weibull(x)) == pytest.approx([want_shape, want_scale], rel=1e-4)


def test_anderson_darling_of_flowrate() -> None:
    # By formula on the rows of NIST/SEMATECH 6.3.2.2.2; 5 % point 0.752 (D'Agostino and Stephens 1986).
    x = np.loadtxt(DATA / "nist_individuals_flowrate.csv", delimiter=",", skiprows=2, usecols=1)
    plain, adjusted = anderson_darling_normal(x)
    assert plain == pytest.approx(0.304858049, abs=1e-8)
    assert adjusted == pytest.approx(0.334581709, abs=1e-8)


def test_anderson_darling_against_statsmodels() -> None:
    x = np.random.default_rng(3).gamma(3, size=50)
    from statsmodels.stats.diagnostic import normal_ad

    plain, _ = normal_ad(x)
    assert anderson_darling_normal(x)[0] == pytest.approx(float(plain), rel=1e-9)


@pytest.mark.parametrize("n", [20, 60])
def test_anderson_darling_levels_by_simulation(n: int) -> None:
    # Upper 5 % points of the adjusted statistic with both parameters fitted: D'Agostino and Stephens 1986.
    normal_5, weibull_5 = 0.752, 0.757
    rng = np.random.default_rng(n)
    normal = np.array([anderson_darling_normal(rng.standard_normal(n))[1] > normal_5 for _ in range(2000)])
    weibull = np.array([anderson_darling_weibull(rng.weibull(2.0, n))[1] > weibull_5 for _ in range(2000)])
    assert normal.mean() == pytest.approx(0.05, abs=0.016)
    assert weibull.mean() == pytest.approx(0.05, abs=0.016)


def test_lag_one_of_michelson() -> None:
    # NIST Statistical Reference Datasets, Michelson: certified mean, s.d. and lag-1 autocorrelation.
    x = np.loadtxt(DATA / "strd_michelson.csv", delimiter=",", skiprows=1)
    assert x.mean() == pytest.approx(299.852400, abs=1e-9)
    assert x.std(ddof=1) == pytest.approx(0.0790105478190518, abs=1e-11)
    assert lag_one(x) == pytest.approx(0.535199668621283, abs=1e-11)


def test_weights_over_several_months() -> None:
    rng = np.random.default_rng(6)
    months = [rng.lognormal(0, 0.4, 60) for _ in range(6)]
    before = [weigh(m).log_likelihood for m in months[1:]]
    assert weigh(months[0], before).name == "lognormal"
    assert weigh(rng.normal(5, 1, 12)).name == "normal"
    with pytest.raises(ValueError, match="above zero"):
        weigh(np.array([-1.0, 2.0, 3.0]), fixed="weibull")


def test_mixture_fit_against_scipy() -> None:
    # General-purpose maximiser over place and size with the mixture's shape held.
    x = np.random.default_rng(9).normal(10, 1, 60) + 3 * (np.arange(60) % 10 == 0)
    k = 10
    share, far, wide = MIXTURES[k]

    def minus(p: np.ndarray) -> float:
        size = np.exp(p[1])
        one, two = stats.norm(p[0], size), stats.norm(p[0] + far * size, wide * size)
        return -float(np.log((1 - share) * one.pdf(x) + share * two.pdf(x)).sum())

    best = optimize.minimize(minus, [10.0, 0.0], method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-9})
    got = mixtures(x)[k]
    assert got.log_likelihood == pytest.approx(-best.fun, abs=0.02)
    assert got.place[0] == pytest.approx(best.x[0], abs=0.02)
