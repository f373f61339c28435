"""The yielding cover against a strip filled in small steps of time, which knows nothing of the closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from catchpot.physics.cover import swallowed, taken_up

PER_FLOW = 4e6
"""Pressure loss of the full strip, Pa s/l; the strip takes one litre."""


def march(yield_l_pa: float, yield_s: float) -> tuple[NDArray[np.float64], float]:
    """Rows of time, metered volume, metered flow and pressure each 0.2 s, and the metered volume at arrival."""
    filled = metered = 0.02
    held = t = arrival = 0.0
    step, rows = 1e-3, []
    while metered < 1.08 and t < 200.0:
        bed = min(1e5 / (PER_FLOW * filled), 0.05)
        pressure = bed * PER_FLOW * filled
        into = (yield_l_pa * filled * pressure - held) / yield_s
        rows.append((t, metered, bed + into, pressure))
        metered, held, t = metered + (bed + into) * step, held + into * step, t + step
        filled = min(filled + bed * step, 1.0)
        arrival = metered if filled == 1.0 and not arrival else arrival
    return np.array(rows)[::200], arrival


@pytest.mark.parametrize("yield_s", [1.0, 5.0])
def test_the_change_of_resistance_is_that_of_a_marched_strip(yield_s: float) -> None:
    rows, arrival = march(3e-7, yield_s)
    t, metered, flow, pressure = rows.T
    share = metered / arrival
    straight = np.minimum(share, 1.0)
    got = swallowed(share[None, None], np.full((1, 1, 1), arrival), straight[None, None], np.array([1.0]),
                    pressure[None], t[None], flow[None], np.array([yield_s]))[0, 0]  # fmt: skip
    want = (pressure / PER_FLOW / flow - straight) / 3e-7
    late = t > 2.0
    # 3 % of the volume goes into the cover, and the closed form leaves out its square
    assert np.max(np.abs(got - want)[late]) < 0.06 * np.max(np.abs(want))
    assert arrival > 1.02


def test_a_cover_takes_up_what_it_yields_and_no_more() -> None:
    t = np.linspace(0.0, 60.0, 121)[None]
    volume, rate = taken_up(np.ones((1, 1, 121)), np.full((1, 121), 2e5), t, np.array([5.0]))
    assert volume[0, 0, -1] == pytest.approx(2e5, rel=1e-4)
    assert rate[0, 0, -1] == pytest.approx(0.0, abs=5.0)
    assert np.all(np.diff(volume[0, 0]) >= 0)
