"""Series longer than a window: the same changes as a whole search finds, at a cost that does not grow."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from catchpot.keeping import Worked
from catchpot.stats import long_series
from catchpot.stats.changepoint import Change, find_changes
from catchpot.stats.long_series import HALF, WINDOW, begins

Floats = NDArray[np.float64]


def stepped(rng: np.random.Generator, n: int, every: int, size: float) -> tuple[Floats, list[int]]:
    """Noise of 1 with steps up and down."""
    at = list(range(every, n - 20, every))
    level = np.zeros(n)
    for k, place in enumerate(at):
        level[place:] += size * (1 if k % 2 == 0 else -1)
    return rng.normal(size=n) + level, at


def places(changes: list[Change]) -> list[tuple[str, int]]:
    return [(c.kind, c.at) for c in changes]


def test_windows_cover_a_series_and_each_place_lies_in_the_middle_of_one() -> None:
    for n in (WINDOW + 1, WINDOW + HALF, WINDOW + HALF + 1, 1000):
        starts = list(begins(n))
        assert starts[-1] + WINDOW >= n > starts[-1] + HALF
        assert starts == [k * HALF for k in range(len(starts))]


@pytest.mark.parametrize("every", [70, 97, 180, 241])
def test_steps_are_found_once_wherever_they_lie(every: int) -> None:
    y, at = stepped(np.random.default_rng(every), 900, every, 4.0)
    found = find_changes(y)
    assert [c.kind for c in found] == ["step"] * len(at)
    assert all(abs(c.at - place) <= 2 and c.at_low <= place <= c.at_high for c, place in zip(found, at, strict=True))
    signs = np.where(np.arange(len(at)) % 2, -1, 1)
    held = [c.change_low <= 4.0 * sign <= c.change_high for c, sign in zip(found, signs, strict=True)]
    assert sum(held) >= len(at) - 2


def test_a_trend_through_many_windows_is_one_trend() -> None:
    y = np.random.default_rng(3).normal(size=1000)
    y[200:800] += 0.03 * np.arange(600)
    y[800:] += 18.0
    found = find_changes(y)
    trends = [c for c in found if c.kind == "trend"]
    assert len(trends) == 1
    assert trends[0].at_low - 5 <= 200 <= trends[0].at_high + 5
    # the last window begins in the ramp's last 80 shots, and may take what is left of it for steps
    assert abs(trends[0].until - 800) < 60
    assert all(740 < c.at < 830 for c in found if c.kind == "step")
    assert trends[0].per_shot == pytest.approx(0.03, rel=0.1)


def test_a_trend_from_the_first_shot_to_the_last_is_one_trend() -> None:
    y = np.random.default_rng(4).normal(size=700) + 0.02 * np.arange(700)
    (trend,) = find_changes(y)
    assert (trend.kind, trend.at, trend.until) == ("trend", 0, 699)
    assert trend.per_shot_low < 0.02 < trend.per_shot_high


def test_steady_series_are_called_as_seldom_by_length_as_short_ones() -> None:
    """Windows of 240 shots, each called falsely as seldom as one; their halves overlap (2 n / 240 windows)."""
    rng = np.random.default_rng(5)
    called = sum(len(find_changes(rng.normal(size=600))) for _ in range(25))
    assert called <= 8


def test_a_series_no_longer_than_a_window_is_searched_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    y, _ = stepped(np.random.default_rng(6), WINDOW, 90, 3.0)
    before = find_changes(y)
    monkeypatch.setattr("catchpot.stats.changepoint.joined", lambda *_: pytest.fail("it was cut into windows"))
    assert places(find_changes(y)) == places(before) != []


def test_one_shot_more_has_one_window_searched_again_and_says_what_a_fresh_search_says() -> None:
    rng = np.random.default_rng(7)
    y, _ = stepped(rng, 620, 130, 3.0)
    beside = np.column_stack([rng.normal(size=620), (np.arange(620) > 400).astype(float)])
    state: bytes | None = None
    first = 596  # a window more begins at 601
    for n in range(first, 604):
        worked, searched = Worked(state), [0]

        def keep(what: str, content: tuple[Any, ...], work: Callable[[], list[Any]], own: Worked = worked,
                 count: list[int] = searched) -> list[Any]:  # fmt: skip
            def counted() -> list[Any]:
                count[0] += 1
                return work()

            return own.out(what, content, counted)

        kept = find_changes(y[:n], beside[:n], keep=keep)
        assert kept == find_changes(y[:n], beside[:n])
        assert searched[0] == (1 if n > first else len(begins(first))) or n in (600, 601)
        state = worked.state()


def test_examples_in_docstrings() -> None:
    import doctest

    assert doctest.testmod(long_series).failed == 0
