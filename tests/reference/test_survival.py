"""Survival against published life data and scipy's own estimators.

L1: 23 ball bearings, Lawless 1982 (Lieblein & Zelen 1956). L2: 38 shock absorbers, O'Connor 1985. L3: 1703 bearing
cages, Abernethy 1983. Expected values: Weibull maximum likelihood as printed and as R's survreg gives.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from catchpot.stats.survival import kaplan_meier, weibull_life

DATA = Path(__file__).parent / "data"


def rows(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def test_l1_ball_bearings() -> None:
    life = weibull_life([float(r["megacycles"]) for r in rows("ball_bearing_fatigue.csv")])
    assert life.shape == pytest.approx(2.1018, rel=1e-4)
    assert life.scale == pytest.approx(81.8746, rel=1e-5)
    assert life.log_likelihood == pytest.approx(-113.692, abs=1e-3)


def test_l2_shock_absorbers() -> None:
    data = rows("shock_absorber.csv")
    time = np.array([float(r["miles"]) for r in data])
    ended = np.array([r["event"] == "Failure" for r in data])
    assert (len(time), ended.sum()) == (38, 11)
    life = weibull_life(time, ended)
    assert life.shape == pytest.approx(3.16047, rel=1e-5)
    assert life.scale == pytest.approx(27718.7, rel=1e-5)
    curve = kaplan_meier(time, ended)
    assert curve.share[curve.time == 27490][0] == pytest.approx(0.2874, abs=1e-4)


def test_l3_bearing_cages_with_counts() -> None:
    data = rows("bearing_cage.csv")
    time = np.array([float(r["hours"]) for r in data])
    ended = np.array([r["event"] != "Censored" for r in data])
    count = np.array([float(r["count"]) for r in data])
    assert (count.sum(), count[ended].sum()) == (1703, 6)
    life = weibull_life(time, ended, count)
    assert life.shape == pytest.approx(2.0353, rel=1e-4)
    assert life.scale == pytest.approx(11792.2, rel=1e-5)
    assert life.life(0.1) == pytest.approx(3903.13, rel=1e-5)


def test_kaplan_meier_against_scipy() -> None:
    from scipy.stats import CensoredData, ecdf

    data = rows("shock_absorber.csv")
    time = np.array([float(r["miles"]) for r in data])
    ended = np.array([r["event"] == "Failure" for r in data])
    other = ecdf(CensoredData(uncensored=time[ended], right=time[~ended])).sf
    ours = kaplan_meier(time, ended)
    assert ours.share == pytest.approx(np.asarray(other.evaluate(ours.time)), abs=1e-12)


def test_weibull_intervals_hold_by_simulation() -> None:
    rng = np.random.default_rng(11)
    held = 0
    for _ in range(400):
        life = 100.0 * rng.weibull(2.0, 40)
        limit = rng.uniform(60.0, 200.0, 40)
        fit = weibull_life(np.minimum(life, limit), life <= limit)
        held += abs(np.log(fit.scale / 100.0)) <= 1.96 * fit.log_scale_sd
    assert 0.92 <= held / 400 <= 0.98


def test_refusals() -> None:
    with pytest.raises(ValueError, match="two different"):
        weibull_life([1.0, 2.0], [True, False])
    with pytest.raises(ValueError, match="positive"):
        weibull_life([0.0, 1.0, 2.0])
