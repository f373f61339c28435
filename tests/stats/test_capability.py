"""Capability intervals over many seeds, and edges."""

from __future__ import annotations

import doctest
import importlib

import numpy as np
import pytest

from catchpot.stats.capability import by_count, capability, gauge_of, without_gauge


@pytest.mark.parametrize(
    "module",
    ["control", "run_length", "laws", "law_family", "capability", "segments", "wild_shots", "changepoint", "steady"],
)
def test_examples_in_docstrings(module: str) -> None:
    result = doctest.testmod(importlib.import_module(f"catchpot.stats.{module}"))
    assert result.attempted > 0
    assert result.failed == 0


@pytest.mark.parametrize("n", [20, 40])
def test_normal_intervals_hold_the_truth(n: int) -> None:
    # A slice of the study: limits 3.6 and 3 s.d. off, true Cpk 1.0; 600 months, so a share is known to 0.009.
    rng = np.random.default_rng(n)
    held = np.array(
        [
            (c.cpk.low <= 1 <= c.cpk.high, c.ppk.low <= 1 <= c.ppk.high)
            for c in (capability(rng.normal(10, 1, n), 6.4, 13.0, "normal") for _ in range(600))
            if c.cpk.low is not None and c.cpk.high is not None and c.ppk.low is not None and c.ppk.high is not None
        ]
    )
    assert len(held) == 600
    assert held.mean(axis=0) == pytest.approx([0.95, 0.95], abs=0.027)


def test_shot_to_shot_and_month_are_kept_apart() -> None:
    wandering = np.repeat([9.0, 11.0], 20) + np.tile([-0.1, 0.1], 20)
    c = capability(wandering, 7.0, 13.0, "normal")
    assert c.sd_shot_to_shot < 0.3 * c.sd_total
    assert c.cpk.value is not None and c.ppk.value is not None
    assert c.cpk.value > 3 * c.ppk.value


def test_moving_range_interval_is_wider() -> None:
    x = np.random.default_rng(2).normal(10, 1, 30)
    c = capability(x, 7.0, 13.0, "normal")
    assert c.cp.low is not None and c.cp.high is not None and c.cp.value and c.pp.value
    assert c.pp.low is not None and c.pp.high is not None
    assert (c.cp.high - c.cp.low) / c.cp.value > 1.2 * (c.pp.high - c.pp.low) / c.pp.value


def test_one_limit_gives_no_cp() -> None:
    c = capability(np.random.default_rng(1).normal(10, 1, 30), None, 13.0)
    assert c.cp.value is None and c.pp.value is None
    assert c.cpk.value == pytest.approx((13 - c.mean) / (3 * c.sd_shot_to_shot))


def test_the_law_in_doubt_widens_the_interval() -> None:
    x = np.random.default_rng(2).normal(10, 1, 30)
    known, doubted = capability(x, None, 13.0, "normal"), capability(x, None, 13.0)
    assert doubted.law == "normal" and doubted.ppk.value == pytest.approx(known.ppk.value)
    assert known.ppk.low is not None and doubted.ppk.low is not None
    assert doubted.ppk.low < known.ppk.low


@pytest.mark.parametrize("scale", [1e-12, 1.0, 1e9])
def test_indices_do_not_depend_on_the_unit(scale: float) -> None:
    x = np.random.default_rng(4).lognormal(0, 0.4, 40)
    one, other = capability(x, 0.2, 4.0), capability(x * scale, 0.2 * scale, 4.0 * scale)
    for a, b in ((one.ppk, other.ppk), (one.cpk, other.cpk), (one.expected_pct, other.expected_pct)):
        assert (a.value, a.low, a.high) == pytest.approx((b.value, b.low, b.high), rel=1e-6)


def test_values_on_both_sides_of_nought_have_an_interval() -> None:
    c = capability(np.random.default_rng(5).gamma(2, 1, 40) - 2.0, -3.0, 9.0)
    assert c.ppk.low is not None and c.ppk.high is not None and c.ppk.low < c.ppk.high


def test_ties_are_no_trouble() -> None:
    c = capability(np.round(np.random.default_rng(6).normal(10, 1, 40)), 5.0, 15.0)
    assert c.ppk.low is not None and c.ppk.high is not None and np.isfinite(c.ppk.high - c.ppk.low)


def test_count_alone_holds_whatever_the_law() -> None:
    # C. J. Clopper, E. S. Pearson 1934: never less than the level. True share 2 %: index 0.6846 by the normal table.
    from scipy.stats import binom, norm

    truth = -norm.ppf(0.02) / 3
    ends = [by_count(k, 60) for k in range(61)]
    held = [(e.low is None or e.low <= truth) and (e.high is None or truth <= e.high) for e in ends]
    assert float(binom.pmf(np.arange(61), 60, 0.02) @ np.array(held)) >= 0.95


def test_gauge_scatter_is_taken_out() -> None:
    # Spread 5 of which the gauge's is 3: the parts' is 4 (Pythagoras).
    rng = np.random.default_rng(7)
    held = []
    for _ in range(400):
        x = rng.normal(0, 4, 60) + rng.normal(0, 3, 60)
        gauge = gauge_of([rng.normal(0, 3, 2) for _ in range(60)])
        assert gauge is not None
        c = capability(x, None, 15.0, "normal")
        clean = without_gauge(c.ppk, c.sd_total, c.n, gauge)
        assert clean.low is not None
        held.append(clean.low <= 1.25 and (clean.high is None or clean.high >= 1.25))
    assert np.mean(held) == pytest.approx(0.95, abs=0.033)
    assert gauge_of([np.array([1.0]), np.array([2.0])]) is None


@pytest.mark.parametrize("bad", [np.full(10, 2.0), np.array([1.0, 2.0]), np.array([1.0, np.nan, 2.0])])
def test_refused(bad: np.ndarray) -> None:
    with pytest.raises(ValueError, match=r"equal|three"):
        capability(bad, 0.0, 3.0)
