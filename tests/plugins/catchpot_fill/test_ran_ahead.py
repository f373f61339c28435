"""The doubt that the first resin runs ahead of what the curve shows."""

from __future__ import annotations

import numpy as np

from catchpot_fill.place import AHEAD_BY, RAN_AHEAD, ran_ahead


def test_a_certain_place_is_left_open_to_earlier_ones_only() -> None:
    place = np.arange(0.5, 1.2, 0.0025)
    sure = np.zeros(len(place))
    at = int(np.argmin(np.abs(place - 1.0)))
    sure[at] = 1.0
    made = ran_ahead(place, sure)
    assert np.isclose(made.sum(), 1.0)
    assert made[at + 1 :].sum() == 0.0
    assert made[place < 1.0 - AHEAD_BY - 0.005].sum() == 0.0
    # uniform over the stretch: its mean lies half of it ahead
    assert np.isclose(made @ place, 1.0 - RAN_AHEAD * AHEAD_BY / 2, atol=0.001)
