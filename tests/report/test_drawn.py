"""Figures drawn before any script: where points lie, round ticks, weeks, and what is left to the library."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import pytest

from catchpot.report import figures, theme
from catchpot.report.drawn.picture import draw
from catchpot.report.drawn.scale import number_ticks, time_ticks

START = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


def test_points_lie_where_the_live_axes_put_them() -> None:
    strip = figures.Strip("volume [l]", [START + timedelta(days=d) for d in (0, 5, 10)], [1.0, 2.0, 1.5])
    drawn = draw(theme.plain_figure(figures.history([strip])), 200)
    assert drawn is not None
    path = re.search(r'<path d="((?:[Mm][-\d. ]+h0){3})"', drawn.svg)
    assert path is not None
    steps = [tuple(map(float, re.findall(r"-?[\d.]+", p))) for p in re.findall(r"[Mm]([-\d. ]+)h0", path[1])]
    spots = [(sum(x for x, _ in steps[: n + 1]), sum(y for _, y in steps[: n + 1])) for n in range(3)]
    low, high = (datetime.fromisoformat(t) for t in drawn.layout["xaxis"]["range"])
    bottom, top = drawn.layout["yaxis"]["range"]
    for (x, y), day, value in zip(spots, (0, 5, 10), (1.0, 2.0, 1.5), strict=True):
        at = START.replace(tzinfo=None) + timedelta(days=day)
        assert x == pytest.approx(1000 * ((at - low) / (high - low)), abs=0.1)
        assert y == pytest.approx(spots[0][1] + (spots[1][1] - spots[0][1]) * (value - 1.0), abs=0.1)
        assert bottom < value < top


def test_ticks_are_round_and_weeks_are_those_of_the_calendar() -> None:
    assert [t.lines[0] for t in number_ticks(0.0, 1.0, 5)] == ["0.0", "0.2", "0.4", "0.6", "0.8", "1.0"]
    ticks = time_ticks(START.timestamp(), (START + timedelta(days=28)).timestamp(), 6)
    # ISO 8601: the week of Monday 9 March 2026 is the eleventh.
    assert ticks[0].lines == ("9 Mar", "week 11")
    assert [t.lines[1] for t in ticks] == ["week 11", "week 12", "week 13", "week 14"]


def test_what_cannot_be_drawn_is_left_to_the_library() -> None:
    for trace in ({"type": "heatmap", "z": [[1.0]]}, {"y": [1.0, 2.0]}, {"type": "bar", "x": [1.0], "y": [2.0]}):
        assert draw(theme.plain_figure({"data": [trace], "layout": {}}), 200) is None
