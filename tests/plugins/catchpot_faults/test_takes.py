"""What a mould takes until resin arrives, by past, pot and curve; and the chance of having gone past the bar."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.plugins.catchpot_faults.one_shot import UNKNOWN, seen, usual

from catchpot_faults.curves import past_l
from catchpot_faults.takes import TO_POT, chance_past, past_share
from catchpot_faults.usual import Expected
from catchpot_faults.volumes import volumes

HABIT = Expected(0.06, 0.012)
WEIGHED = usual(
    arrival_l=float("nan"), arrival=UNKNOWN, arrivals_seen=0.0, arrivals_lately=0.0, injected=Expected(0.0, 0.03),
    past_l=0.04,
)  # fmt: skip
"""No curve shows its arrival, volumes are set shot by shot, and the catch pot is weighed: 2.10 l in, 0.04 l in it."""


def test_the_pot_tells_a_full_part_from_a_thicker_one() -> None:
    """8 % more went in than usual: into the part where the pot holds the usual, past the vent where it holds more."""
    into, past = (seen(WEIGHED, injected_volume_l=2.268, past_l=held) for held in (0.04, 0.04 + 0.168 / TO_POT))
    assert into.takes is not None and past.takes is not None
    assert past.takes.likely_l == pytest.approx(past.takes.usual_l, rel=0.01)
    assert into.takes.likely_l == pytest.approx(1.08 * into.takes.usual_l, rel=0.01)
    assert volumes(into, []) == []
    (found,) = volumes(past, [])
    assert found.kind == "overfill"
    assert "it is usually 5 %" in found.message and "(95 %: " in found.message


def test_a_part_that_was_weighed_tells_where_a_hose_keeps_the_overflow() -> None:
    behind_hose = replace(WEIGHED, past_l=float("nan"), not_in_part_l=0.5)
    into, past = (seen(behind_hose, injected_volume_l=2.268, not_in_part_l=kept) for kept in (0.5, 0.668))
    assert into.takes is not None and past.takes is not None
    assert into.takes.likely_l > 1.07 * into.takes.usual_l
    assert past.takes.likely_l < 1.01 * past.takes.usual_l
    assert [f.kind for f in volumes(past, [])] == ["overfill"] and volumes(into, []) == []


@pytest.mark.parametrize(
    ("pot_l", "hose_l", "past"),
    [(0.05, 0.0, 0.05), (0.004, 0.0, None), (0.05, 0.16, 0.21), (0.012, 0.16, None), (np.nan, 0.0, None)],
)
def test_a_drop_in_the_pot_is_no_full_hose(pot_l: float, hose_l: float, past: float | None) -> None:
    got = past_l(np.array([pot_l]), np.array([hose_l]), np.array([2.0]))[0]
    assert np.isnan(got) if past is None else got == pytest.approx(past)


def test_without_a_usual_pot_the_pot_itself_tells() -> None:
    """0.20 l in the pot: 0.24 l went in after arrival but for the corners, of 2.3 l."""
    shot = seen(usual(shots=5, arrival_l=float("nan"), arrival=UNKNOWN), injected_volume_l=2.3, past_l=0.2)
    assert shot.takes is not None
    assert shot.takes.likely_l == pytest.approx((2.3 - 0.24) / 1.03)
    assert past_share(shot, shot.takes) == pytest.approx(2.3 * 1.03 / 2.06 - 1)


def test_what_lies_in_the_pot_went_past_the_vent() -> None:
    shot = seen(injected_volume_l=2.1, past_l=0.3)
    assert shot.takes is not None
    assert past_share(shot, shot.takes) >= 0.3 / shot.takes.likely_l
    assert "At most 0.3" in volumes(shot, [])[0].message


def test_chance_grows_with_the_reading_and_with_its_sharpness() -> None:
    chances = [chance_past(share, 0.012, HABIT, 0.1) for share in (0.06, 0.08, 0.10, 0.12, 0.15, 0.25)]
    assert chances == sorted(chances)
    assert chances[0] < 0.01 and chances[-1] > 0.95
    assert chance_past(0.085, 0.004, HABIT, 0.1) < chance_past(0.085, 0.012, HABIT, 0.1)


@pytest.mark.parametrize("habit", [0.05, 0.065, 0.08])
def test_a_habit_just_below_the_bar_is_no_stream_of_findings(habit: float) -> None:
    """Within two of its own spreads a mould says nothing, wherever its habit lies."""
    assert chance_past(habit + 0.02, 0.01, Expected(habit, 0.012), 0.1) < 0.08 or habit + 0.02 >= 0.1
    assert chance_past(0.095, 0.01, Expected(habit, 0.02), 0.1) > chance_past(0.075, 0.01, Expected(habit, 0.02), 0.1)


def test_a_reading_that_says_little_needs_more() -> None:
    sharp, vague = (chance_past(0.11, sd, Expected(0.06, sd), 0.1) for sd in (0.008, 0.03))
    assert sharp > 0.5 > vague
