"""Capability intervals over many seeds, and edges."""

from __future__ import annotations

import doctest
import importlib

import numpy as np
import pytest

from catchpot.stats.capability import capability


@pytest.mark.parametrize("module", ["control", "run_length", "laws", "capability", "evidence", "changepoint", "steady"])
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
            for c in (capability(rng.normal(10, 1, n), 6.4, 13.0) for _ in range(600))
            if c.cpk.low is not None and c.cpk.high is not None and c.ppk.low is not None and c.ppk.high is not None
        ]
    )
    assert len(held) == 600
    assert held.mean(axis=0) == pytest.approx([0.95, 0.95], abs=0.027)


def test_shot_to_shot_and_month_are_kept_apart() -> None:
    wandering = np.repeat([9.0, 11.0], 20) + np.tile([-0.1, 0.1], 20)
    c = capability(wandering, 7.0, 13.0)
    assert c.sd_shot_to_shot < 0.3 * c.sd_total
    assert c.cpk.value is not None and c.ppk.value is not None
    assert c.cpk.value > 3 * c.ppk.value


def test_moving_range_interval_is_wider() -> None:
    x = np.random.default_rng(2).normal(10, 1, 30)
    c = capability(x, 7.0, 13.0)
    assert c.cp.low is not None and c.cp.high is not None and c.cp.value and c.pp.value
    assert c.pp.low is not None and c.pp.high is not None
    assert (c.cp.high - c.cp.low) / c.cp.value > 1.2 * (c.pp.high - c.pp.low) / c.pp.value


def test_one_limit_gives_no_cp() -> None:
    c = capability(np.random.default_rng(1).normal(10, 1, 30), None, 13.0)
    assert c.cp.value is None and c.pp.value is None
    assert c.cpk.value == pytest.approx((13 - c.mean) / (3 * c.sd_shot_to_shot))


def test_without_a_law_only_counts() -> None:
    c = capability(np.arange(1.0, 31.0), None, 25.0, None)
    assert c.outside == 5
    assert c.cpk.value is None and c.expected_pct.value is None


@pytest.mark.parametrize("bad", [np.full(10, 2.0), np.array([1.0, 2.0])])
def test_refused(bad: np.ndarray) -> None:
    with pytest.raises(ValueError, match=r"equal|three"):
        capability(bad, 0.0, 3.0)
