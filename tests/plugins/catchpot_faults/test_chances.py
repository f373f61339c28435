"""Chances as they turn out: lowered, never raised, and less for what a mould shows again and again."""

from __future__ import annotations

import pytest

from catchpot_faults.chances import OTHERS, _table, as_found, counted
from catchpot_faults.hypothesis import kinds

SAID = (0.3, 0.5, 0.8, 0.95, 0.999, 1.0)


@pytest.mark.parametrize("kind", [*sorted(_table()), "a_kind_from_outside"])
def test_no_chance_is_raised_and_their_order_is_kept(kind: str) -> None:
    found = [as_found(kind, c) for c in SAID]
    assert all(f <= c for f, c in zip(found, SAID, strict=True))
    assert found == sorted(found)
    assert found[-1] > 0.99


def test_every_kind_of_a_curve_has_been_counted() -> None:
    of_curve = {name for name, kind in kinds().items() if "curve" in kind.channels}
    assert of_curve & set(_table()) >= {"race_tracking", "flow_restriction", "early_gel", "air_in_line"}
    assert OTHERS in _table()


def test_what_a_mould_shows_again_and_again_is_doubted_if_it_is_of_the_curve() -> None:
    assert as_found("race_tracking", 0.97, 5) < 0.5 < as_found("race_tracking", 0.97, 0)
    assert as_found("short_fill", 0.97, 5) == as_found("short_fill", 0.97, 0)


def test_a_shot_counts_once_for_each_of_its_kinds() -> None:
    assert counted([["a", "a", "b"], [], ["a"]]) == {"a": 2, "b": 1}
