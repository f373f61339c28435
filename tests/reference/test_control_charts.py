"""Individuals, EWMA, CUSUM, their constants and run lengths against published examples and tables."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from catchpot.stats.control import (
    ALL_ZONE_RULES,
    MEDIAN_MOVING_RANGE,
    cusum,
    ewma,
    ewma_limits,
    individuals_chart,
    moving_range_degrees,
    moving_ranges,
    range_constants,
)
from catchpot.stats.run_length import (
    cusum_arl,
    cusum_arl_one_sided,
    cusum_limit_for,
    ewma_arl,
    ewma_limit_for,
    run_rules_arl,
    shewhart_arl,
)

DATA = Path(__file__).parent / "data"


def column(name: str, index: int, skip: int) -> NDArray[np.float64]:
    return np.loadtxt(DATA / name, delimiter=",", skiprows=skip, usecols=index)


# Factors for control limits as printed in ISO 7870-2 and in D. C. Montgomery, Introduction to Statistical Quality
# Control, appendix VI (rows from memory, recomputed here by quadrature).
@pytest.mark.parametrize("row", np.loadtxt(DATA / "control_constants.csv", delimiter=",", skiprows=1).tolist())
def test_constants_by_quadrature(row: list[float]) -> None:
    got = range_constants(int(row[0]))
    for name, printed in zip(("d2", "d3", "A2", "D3", "D4"), (row[1], row[2], *row[4:7]), strict=True):
        assert getattr(got, name) == pytest.approx(printed, abs=1.1e-3), name  # the table rounds D3, D4 from rounded d3
    assert got.c4 == pytest.approx(row[3], abs=6e-5)
    assert pytest.approx(row[7], abs=2e-3) == got.E2


def test_divisor_of_the_median_moving_range() -> None:
    from scipy.stats import norm

    assert pytest.approx(np.sqrt(2) * norm.ppf(0.75), abs=1e-9) == MEDIAN_MOVING_RANGE
    assert pytest.approx(0.953873, abs=1e-6) == MEDIAN_MOVING_RANGE


def test_degrees_of_freedom_of_the_moving_range_by_simulation() -> None:
    from scipy.special import gammaln

    rng = np.random.default_rng(5)
    for n in (5, 20, 60):
        spread = np.abs(np.diff(rng.standard_normal((60_000, n)), axis=1)).mean(axis=1)
        f = moving_range_degrees(n)
        chi = 1 / (2 / f * np.exp(2 * (gammaln((f + 1) / 2) - gammaln(f / 2)))) - 1
        assert spread.var() / spread.mean() ** 2 == pytest.approx(chi, rel=0.03)
        assert 0.55 * (n - 1) < f < 0.75 * (n - 1)


def test_individuals_chart_of_flowrate() -> None:
    # NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2.2; its limits use d2 = 1.128 and D4 = 3.267.
    x = column("nist_individuals_flowrate.csv", 1, 2)
    chart = individuals_chart(x, d2=1.128)
    assert chart.mean == pytest.approx(50.81, abs=5e-3)
    assert chart.mean_moving_range == pytest.approx(1.8778, abs=5e-5)
    assert chart.upper == pytest.approx(55.8041, abs=1e-4)
    assert chart.lower == pytest.approx(45.8159, abs=1e-4)
    assert chart.sd == pytest.approx(1.66470, abs=6e-5)
    assert x.std(ddof=1) == pytest.approx(2.033852, abs=1e-6)
    assert 3.267 * chart.mean_moving_range == pytest.approx(6.1347, abs=1e-3)
    assert chart.moving_range_upper == pytest.approx(6.1347, abs=1.5e-3)
    assert moving_ranges(x).mean() == pytest.approx(chart.mean_moving_range)


def test_ewma_along_many_series_is_a_first_order_filter() -> None:
    """Against scipy.signal.lfilter."""
    from scipy.signal import lfilter

    x = np.random.default_rng(2).standard_normal((4, 50))
    want, _ = lfilter([0.3], [1.0, -0.7], x, axis=-1, zi=np.full((4, 1), 0.7 * 2.0))
    assert np.allclose(ewma(x, 0.3, 2.0), want, rtol=1e-12, atol=1e-12)


def test_ewma_worked_example() -> None:
    # NIST/SEMATECH e-Handbook, 6.3.2.4: start 50, s = 2.0539, weight 0.3.
    y = column("nist_ewma.csv", 1, 2)
    printed = [
        50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
        50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
    ]  # fmt: skip
    z = ewma(y, 0.3, 50.0)
    assert z == pytest.approx(printed, abs=0.00501)
    lower, upper = ewma_limits(50.0, 2.0539, 0.3, 3.0)
    assert upper == pytest.approx(52.5884, abs=5e-5)
    assert lower == pytest.approx(47.4115, abs=1e-4)
    assert bool(np.all((z < upper) & (z > lower)))


def test_cusum_worked_example() -> None:
    # NIST/SEMATECH e-Handbook, 6.3.2.3: target 325, k = 0.3175, h = 4.1959 (both in the unit of the values).
    x = column("nist_cusum.csv", 1, 2)
    high, low = cusum(x, 325.0, 0.3175)
    assert high[4] == pytest.approx(0.0325, abs=1e-9)
    assert high[12:] == pytest.approx([3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445, 16.0025, 19.035], abs=1e-9)
    assert low.max() == pytest.approx(0.715, abs=1e-9)
    assert int(np.argmax(high > 4.1959)) + 1 == 14
    assert 2 * np.log(1 / 0.00135) * 0.3175 == pytest.approx(4.1959, abs=1e-4)


ARLS = np.loadtxt(DATA / "arl_tables.csv", delimiter=",", skiprows=2)


@pytest.mark.parametrize("row", ARLS.tolist())
def test_run_lengths_of_published_designs(row: list[float]) -> None:
    # Lucas and Saccucci, Technometrics 32, 1990 (EWMA); Montgomery (CUSUM, k = 0.5).
    shift = row[0]
    assert shewhart_arl(shift) == pytest.approx(row[1], rel=1e-3)
    assert cusum_arl(0.5, 4.0, shift) == pytest.approx(row[2], abs=6e-4)
    assert cusum_arl(0.5, 5.0, shift) == pytest.approx(row[3], abs=6e-4)
    designs = ((0.40, 3.054), (0.25, 2.998), (0.20, 2.962), (0.10, 2.814), (0.05, 2.615))
    for (weight, limit), printed in zip(designs, row[4:], strict=True):
        assert ewma_arl(weight, limit, shift) == pytest.approx(printed, abs=6e-3)


def test_single_run_lengths() -> None:
    assert ewma_arl(0.25, 3.0, 1.0) == pytest.approx(11.154267016, abs=1e-8)  # Crowder 1987, integral equation
    assert ewma_arl(0.25, 3.0, 1.0, nodes=300) == pytest.approx(11.154267016, abs=1e-8)
    assert cusum_arl_one_sided(0.5, 4.0) == pytest.approx(335.37, abs=5e-3)
    assert cusum_arl_one_sided(0.5, 5.0) == pytest.approx(930.89, abs=5e-3)
    b = 5 + 1.166  # D. Siegmund, Sequential Analysis, 1985: 938.2 against the exact 930.9
    assert 2 * (np.exp(b) - b - 1) == pytest.approx(938.2, abs=0.1)
    assert shewhart_arl(0.0) == pytest.approx(370.398, abs=1e-3)


def test_run_rules_of_champ_and_woodall() -> None:
    # Technometrics 29, 1987, table 1: 370.40, 152.73 (3 s.d. and 8 in a row), 91.75 (all four zone rules).
    assert run_rules_arl((ALL_ZONE_RULES[0],)) == pytest.approx(370.40, abs=5e-3)
    assert run_rules_arl((ALL_ZONE_RULES[0], "8 in a row on one side")) == pytest.approx(152.73, abs=5e-3)
    assert run_rules_arl(ALL_ZONE_RULES) == pytest.approx(91.75, abs=5e-3)
    assert run_rules_arl(("9 in a row on one side",)) == pytest.approx(511.0, abs=1e-6)  # 2**9 - 1


def test_designs_shipped_ring_once_in_500_by_simulation() -> None:
    # The limits the tool derives, against runs of the charts themselves: mean run length within 3 standard errors.
    weight, slack = 0.2, 0.5
    limit, decision = ewma_limit_for(weight, 500), cusum_limit_for(slack, 500)
    assert limit == pytest.approx(2.962, abs=2e-3)
    rng = np.random.default_rng(11)
    z = rng.standard_normal((1500, 6000))
    smooth = np.abs(ewma(z, weight, 0.0)) > limit * np.sqrt(weight / (2 - weight))
    walk_high = np.cumsum(z - slack, axis=1)
    walk_low = np.cumsum(-z - slack, axis=1)
    above = [w - np.minimum(np.minimum.accumulate(w, axis=1), 0.0) > decision for w in (walk_high, walk_low)]
    for hits in (smooth, above[0] | above[1]):
        ended = hits.any(axis=1)
        first = np.where(ended, np.argmax(hits, axis=1) + 1, z.shape[1])
        mean = first.sum() / ended.sum()  # runs still open counted by their exposure
        assert abs(mean - 500) < 3 * 500 / np.sqrt(ended.sum())
