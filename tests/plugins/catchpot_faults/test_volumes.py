"""Short of arrival and past it: each shot's own arrival and the mould's usual one, weighed by what they leave open."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.plugins.catchpot_faults.one_shot import UNKNOWN, seen, usual

from catchpot_faults.takes import takes
from catchpot_faults.usual import Expected
from catchpot_faults.volumes import volumes


def kinds(**known: object) -> list[str]:
    return [f.kind for f in volumes(seen(**known), [])]  # type: ignore[arg-type]  # numbers by name


HIDDEN = usual(
    arrival_l=float("nan"), arrival=UNKNOWN, arrivals_seen=0.0, arrivals_lately=0.0, injected=Expected(0.0, 0.008)
)
"""A mould whose curve never shows its arrival."""


def test_arrival_is_weighed_by_its_interval() -> None:
    past = usual(arrival=Expected(0.0, 0.02))
    sharp = takes(seen(past, (2.04, 0.004), injected_volume_l=2.1))
    vague = takes(seen(past, (2.04, 0.30), injected_volume_l=2.1))
    assert sharp is not None and vague is not None
    assert sharp.likely_l == pytest.approx(2.04, abs=0.006)
    assert vague.likely_l == pytest.approx(vague.usual_l, abs=0.006)
    assert sharp.sd < 0.008 < vague.sd < 0.025


def test_a_fit_gone_astray_is_left_out() -> None:
    known = takes(seen(None, (1.4, 0.02), injected_volume_l=2.1))
    assert known is not None and known.likely_l == pytest.approx(known.usual_l)
    assert kinds(arrival=(1.4, 0.02), injected_volume_l=2.1) == []


def test_an_arrival_often_missed_counts_for_less_than_the_habit() -> None:
    """Where few arrivals are found it is the late ones: 2.08 l seen, 2.00 l by what shops let past a vent."""
    often, seldom = (
        takes(seen(usual(arrival_l=2.08, arrivals_seen=share), injected_volume_l=2.1)) for share in (1.0, 0.3)
    )
    assert often is not None and seldom is not None
    assert often.usual_l == pytest.approx(2.08, abs=0.01)
    assert 2.0 < seldom.usual_l < 2.06


@pytest.mark.parametrize(("past_pct", "found"), [(5.0, []), (7.0, []), (10.0, ["overfill"]), (15.0, ["overfill"])])
def test_overfill_lies_between_habit_and_bar(past_pct: float, found: list[str]) -> None:
    assert kinds(arrival=(2.0, 0.02), injected_volume_l=2.0 * (1 + past_pct / 100)) == found


def test_the_bleed_wanted_is_no_overfill() -> None:
    bled = {"injected_volume_l": 2.3, "book.bleed_target_l": 0.2}
    past = usual(injected_l=2.3)
    assert kinds(past=past, arrival=(2.0, 0.02), **bled) == []
    over = volumes(seen(past, (2.0, 0.02), **(bled | {"injected_volume_l": 2.42})), [])
    assert [f.kind for f in over] == ["overfill"]
    assert "0.22 l beyond the 0.20 l of bleed wanted, 11 % of the usual" in over[0].message


def test_a_hidden_arrival_leaves_the_volume_usually_injected() -> None:
    assert kinds(past=HIDDEN, injected_volume_l=2.12) == []
    assert kinds(past=HIDDEN, injected_volume_l=2.2) == ["overfill"]
    assert kinds(past=HIDDEN, injected_volume_l=1.98) == ["short_fill"]


@pytest.mark.parametrize("short_pct", [4.0, 6.0, 12.0])
def test_a_stop_before_arrival_is_short_unless_it_arrived(short_pct: float) -> None:
    injected = 2.0 * (1 - short_pct / 100)
    assert kinds(injected_volume_l=injected) == ["short_fill"]
    assert kinds(arrival=(injected - 0.1, 0.05), injected_volume_l=injected) == []


def test_a_stop_just_before_the_vent_is_noted_not_blamed() -> None:
    found = volumes(seen(injected_volume_l=1.986), [])
    assert [(f.kind, f.severity) for f in found] == [("stopped_before_vent", "note")]
    assert kinds(injected_volume_l=2.03) == []


def test_a_habit_of_stopping_before_the_vent_is_noted_not_blamed() -> None:
    """The catch pot is weighed and holds nothing, now and as a rule, and no hose keeps the resin."""
    habit = replace(HIDDEN, catch_pot_l=0.0)
    empty = {"past": habit, "injected_volume_l": 2.1, "catch_pot_l": 0.0}
    assert kinds(**empty) == ["stopped_before_vent"]
    assert kinds(**(empty | {"catch_pot_l": 0.05})) == []
    assert kinds(**(empty | {"past": HIDDEN})) == []
    assert kinds(**(empty | {"book.vent_hose_volume_l": 0.15})) == []


def test_what_the_machine_was_set_to_is_said() -> None:
    for programmed, said in ((2.1, "was set to 2.10 l and stopped before"), (1.9, "stopped where it was set to")):
        (found,) = volumes(seen(injected_volume_l=1.9, programmed_volume_l=programmed), [])
        assert found.kind == "short_fill" and said in found.message
    (unlogged,) = volumes(seen(injected_volume_l=1.9), [])
    assert "set to" not in unlogged.message


def test_a_machine_that_stopped_by_itself_needs_less_to_be_short() -> None:
    less = {"past": HIDDEN, "injected_volume_l": 2.03}
    assert kinds(**less, programmed_volume_l=2.03) == []
    assert kinds(**less, programmed_volume_l=2.10) == ["short_fill"]
    by_eye = usual(
        arrival_l=float("nan"), arrival=UNKNOWN, arrivals_seen=0.0, of_programmed=Expected(np.log(2.1 / 2.8), 0.02)
    )
    assert kinds(past=by_eye, injected_volume_l=2.05, programmed_volume_l=2.8) == []


def test_the_first_shots_are_held_against_the_book_alone() -> None:
    first = usual(shots=3, arrival_l=float("nan"), arrival=UNKNOWN, arrivals_seen=0.0)
    shot = seen(first, (1.6, 0.02), injected_volume_l=1.9)
    shot.book_l = 2.05
    assert volumes(shot, []) == []
    shot.number["injected_volume_l"], shot.number["overflow_low_l"] = 2.4, 0.6
    assert [f.kind for f in volumes(shot, [])] == ["overfill"]
