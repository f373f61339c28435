"""Where a slope begins without a jump, and what its interval makes of not knowing that."""

from __future__ import annotations

import numpy as np

from catchpot.stats.bends import bend
from catchpot.stats.changepoint import find_changes, limit_for


def test_a_slope_out_of_a_level_is_dated_and_its_interval_holds() -> None:
    slope, held, dated, found = 3 / 59, 0, 0, 0
    for seed in range(20):
        rng = np.random.default_rng([seed, 41])
        y = rng.standard_normal(90) + slope * np.clip(np.arange(90) - 30, 0, None)
        trends = [c for c in find_changes(y, None, limit_for(9)) if c.kind == "trend"]
        found += bool(trends)
        held += bool(trends) and trends[0].per_shot_low <= slope <= trends[0].per_shot_high
        dated += bool(trends) and trends[0].at_low <= 30 <= trends[0].at_high
    assert found >= 15
    assert held >= 0.8 * found
    assert dated >= 0.7 * found


def test_a_slope_from_the_first_shot_on_is_not_bent() -> None:
    rng = np.random.default_rng(42)
    y = 0.1 * np.arange(80.0) + rng.standard_normal(80)
    found = bend(y, 0.0, 1.0, 24, throughout=True)
    assert found is not None
    assert found.low == 0
    assert [c.at for c in find_changes(y)] == [0]


def test_lasting_noise_and_short_stretches_are_borne() -> None:
    assert bend(np.arange(10.0), 0.0, 1.0, 24, throughout=False) is None
    assert bend(np.arange(60.0), 0.0, 0.0, 24, throughout=True) is None
    found = bend(np.clip(np.arange(80.0) - 40, 0, None), 0.6, 0.1, 24, throughout=False)
    assert found is not None
    assert abs(found.at - 40) <= 1
