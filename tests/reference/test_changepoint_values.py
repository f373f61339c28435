"""Change points against open data and a general-purpose library."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from catchpot.stats.changepoint import find_changes
from catchpot.stats.single_split import best_split, pettitt

DATA = Path(__file__).parent / "data"
NILE = np.loadtxt(DATA / "nile.csv", delimiter=",", skiprows=1)


def test_nile_single_split() -> None:
    # Annual flow of the Nile at Aswan 1871-1970 (G. W. Cobb, Biometrika 65, 1978); supF as R's strucchange gives it.
    split = best_split(NILE[:, 1])
    assert NILE[split.before - 1, 0] == 1898
    assert split.mean_before == pytest.approx(1097.75, abs=1e-9)
    assert split.mean_after == pytest.approx(849.9722, abs=5e-5)
    assert split.rest == pytest.approx(1597457.194, abs=1e-3)
    assert split.sup_f == pytest.approx(75.92977, abs=1e-5)


def test_nile_pettitt() -> None:
    # A. N. Pettitt, Applied Statistics 28, 1979: statistic and approximate significance.
    largest, before, significance = pettitt(NILE[:, 1])
    assert (largest, before) == (1617, 28)
    assert significance == pytest.approx(3.591e-7, rel=1e-3)


def test_nile_as_the_tool_watches_it() -> None:
    changes = find_changes(NILE[:, 1])
    assert len(changes) == 1
    change = changes[0]
    assert change.kind == "step"
    assert NILE[change.at - 1, 0] == 1898
    assert 1895 <= NILE[change.at_low - 1, 0] <= 1898 <= NILE[change.at_high - 1, 0] <= 1902  # strucchange: 1895-1902
    assert change.before == pytest.approx(1097.75, abs=15)
    assert change.after == pytest.approx(849.97, abs=15)


def test_best_split_against_exact_search_of_ruptures() -> None:
    import ruptures

    rng = np.random.default_rng(7)
    for _ in range(20):
        y = rng.normal(size=60) + 1.5 * (np.arange(60) >= rng.integers(10, 50))
        found = ruptures.Dynp(model="l2", min_size=2, jump=1).fit(y).predict(n_bkps=1)[0]
        assert best_split(y).before == found


def test_well_log() -> None:
    # J. J. O Ruanaidh and W. J. Fitzgerald 1996, every 6th value; changes that all four annotators who marked many
    # agree on (Turing change point data set). Lone wild values must not be called.
    y = np.loadtxt(DATA / "well_log_every6.csv", delimiter=",", skiprows=1)[:, 1]
    assert (y.size, y.mean()) == (675, pytest.approx(116145.298237, abs=1e-5))
    assert np.median(y[282:310]) - np.median(y[256:280]) == pytest.approx(-19860.4, abs=1e-6)
    found = np.array([c.at for c in find_changes(y)])
    for place in (179, 255, 281, 311, 343, 402, 412, 422, 432):
        assert np.min(np.abs(found - place)) <= 2, (place, found)
    assert 9 <= len(found) <= 17  # the annotators who marked many marked 9 to 17
