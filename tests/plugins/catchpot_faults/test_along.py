"""Low resistance: a channel pulls it down the further resin comes, a lighter pack all along alike."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.plugins.catchpot_faults.one_shot import seen, usual

from catchpot_faults.along import along
from catchpot_faults.compare import course
from catchpot_faults.curves import GRID
from catchpot_faults.found import Found
from catchpot_faults.usual import Expected

BED = 0.05 + GRID
"""A straight front behind a little line resistance."""


def judged(resistance: np.ndarray) -> list[Found]:
    rng = np.random.default_rng(4)
    noisy = np.where(GRID < 1.06, resistance * (1 + 0.01 * rng.standard_normal(len(GRID))), np.nan)
    past = usual(
        early=Expected(0.0, 0.05), late=Expected(0.0, 0.05), tilt=Expected(0.0, 0.01), resistance=BED, arrivals_seen=0.0
    )
    shot = replace(seen(past, injected_volume_l=2.1), course=course(noisy, BED, 100.0 * GRID))
    shot.number["gap_rise_mm"] = float("nan")
    shot.number["book.taper"] = 1.0
    return along(shot, [])


@pytest.mark.parametrize("share", [0.7, 0.75])
def test_a_pack_more_permeable_all_over_is_no_channel(share: float) -> None:
    (found,) = judged(share * BED)
    assert found.kind == "permeability_drift"
    assert f"{100 * (1 - share):.0f} % below what was expected early in the shot" in found.message
    assert "(healthy shots scatter by 5 %)" in found.message


def test_a_channel_pulls_down_the_further_resin_comes() -> None:
    (found,) = judged(BED / (1 + 0.5 * GRID))
    assert found.kind == "race_tracking"


def test_a_little_less_is_nothing() -> None:
    assert judged(0.93 * BED) == []
