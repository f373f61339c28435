"""The numbers behind figures: traces, intervals, headings with units, marks; and that plotly knows every key."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any

import numpy as np
import plotly.graph_objects as go
import polars as pl
import pytest

from catchpot.report import figures, theme

START = datetime(2026, 3, 1, 8, tzinfo=UTC)
DAYS = [START + timedelta(days=i) for i in range(4)]
HOSTILE = '</script><a href="https://example.invalid">x</a>'


def _history() -> dict[str, Any]:
    strip = figures.Strip(
        "arrival volume [l]", DAYS, pl.Series([2.5, None, 2.6, 2.7]), [2.4, None, 2.5, 2.6], [2.7, None, 2.7, 2.9],
        names=["a", "b", "c", HOSTILE], band=(2.3, 2.8), band_words="tolerance",
        rings=[figures.Ring(DAYS[3], 2.7, "step here")], levels=[figures.Level(DAYS[0], DAYS[2], 2.55, "before")],
    )  # fmt: skip
    other = figures.Strip("mobility [10⁻⁹ m²/(Pa s)]", DAYS, np.array([1.0, np.nan, 2.0, 3.0]))
    flags = [figures.Flag(DAYS[0], "seal replaced"), figures.Flag(DAYS[3], HOSTILE)]
    return figures.history([strip, other], flags, zone="Europe/Paris")


def _all() -> dict[str, Callable[[], dict[str, Any]]]:
    return {
        "history": _history,
        "over_volume": lambda: figures.over_volume(
            [figures.Curve("s1, measured", [0.0, 1.0], [0.1, 0.2]),
             figures.Curve("s1, fitted", [0, 1], [1, 2], "fitted"),
             figures.Curve("old", [0, 1], [1, 2], "faint"), figures.Curve("old", [0, 1], [1, 2], "faint")],
            figures.Band("usual band", [0, 0.5, 1], [0.0, None, 1.0], [1.0, 1.0, 2.0]),
            spans=[figures.Span(0.2, 0.4, "odd stretch")], rings=[figures.Ring(0.5, 1.0, "air")],
        ),
        "shot_strips": lambda: figures.shot_strips(
            range(5), [("line pressure [bar]", [1, 2, 3, 2, 1]), ("flow [l/min]", [0, 1, 1, 1, None])],
            [("evacuate", 0, 2), ("inject", 2, 4)],
        ),
        "cause_bars": lambda: figures.cause_bars(
            [figures.Part("cavity thickness", 0.08, 0.05, 0.11), figures.Part("flow meter", -0.03, -0.05, -0.01)],
            ("May", 2.50), ("now", 2.55),
        ),
        "ruler": lambda: figures.ruler(
            [figures.Coming("hatch-3, outer", 41, 33, 52, "12 to 20 June"), figures.Coming("hatch-3, inner", None)]
        ),
        "lanes": lambda: figures.lanes([figures.Lane("air in line", DAYS[:2], ["s1", "s2"], [True])]),
        "spread": lambda: figures.spread([1, 2, 2, None], (0.0, 3.0), heading="volume [l]", band_words="limits"),
    }  # fmt: skip


@pytest.mark.parametrize("name", list(_all()))
def test_figures_are_valid_plotly_on_the_theme(name: str) -> None:
    figure = theme.styled(_all()[name]())
    go.Figure(figure)  # raises on a key or value plotly does not know
    assert {t.get("type", "scatter") for t in figure["data"]} <= {"scatter", "bar", "histogram"}
    assert "template" not in figure["layout"]


@pytest.mark.parametrize("name", list(_all()))
def test_colours_are_the_houses_so_that_dark_pages_can_swap_them(name: str) -> None:
    found = set()

    def walk(value: Any) -> None:
        if isinstance(value, str) and value.startswith("#"):
            found.add(value)
        elif isinstance(value, dict):
            list(map(walk, value.values()))
        elif isinstance(value, list):
            list(map(walk, value))

    walk(theme.styled(_all()[name]()))
    assert found
    assert found <= set(theme.DARK_OF)


def test_history_holds_values_intervals_and_headings() -> None:
    figure = _history()
    points = figure["data"][0]
    assert points["x"][0] == "2026-03-01 09:00:00"  # 08:00 UTC in Paris
    assert points["y"] == [2.5, None, 2.6, 2.7]
    assert points["error_y"]["array"] == pytest.approx([0.2, None, 0.1, 0.2])
    assert points["error_y"]["arrayminus"] == pytest.approx([0.1, None, 0.1, 0.1])
    texts = [a["text"] for a in figure["layout"]["annotations"]]
    assert "<b>arrival volume [l]</b>" in texts
    key = figure["layout"]["meta"]["key"]
    assert (key[0]["name"], key[0]["words"]) == ("arrival volume [l]", "tolerance; before")
    assert "<b>mobility [10⁻⁹ m²/(Pa s)]</b>" in texts
    assert {"1", "2"} <= set(texts)
    low, high = figure["layout"]["yaxis"]["domain"]
    other_low, other_high = figure["layout"]["yaxis2"]["domain"]
    assert 0 <= other_low < other_high < low < high <= 1
    level = next(t for t in figure["data"] if t["name"] == "before")
    assert (level["x"], level["y"]) == (["2026-03-01 09:00:00", "2026-03-03 09:00:00"], [2.55, 2.55])


def test_words_of_a_strip_stand_in_the_key_and_never_within_the_figure() -> None:
    words = "specification 2.45 to 2.60 l, as the mould book has it since the first of March"
    layout = figures.history([figures.Strip("volume [l]", [1, 2], [1, 2], band=(0, 3), band_words=words)])["layout"]
    assert [a["text"] for a in layout["annotations"]] == ["<b>volume [l]</b>"]
    assert layout["meta"]["key"] == [{"name": "volume [l]", "words": words, "traces": [0]}]
    assert layout["yaxis"]["domain"][1] == pytest.approx(1 - 0.06 - 0.12)
    assert "tickformatstops" not in layout["xaxis"]  # numbers, not times


def test_names_from_logs_cannot_make_links() -> None:
    figure = _history()
    # The library reads marks in these; shots' names (customdata) and the key are text, escaped where they are shown.
    read = [[t.get(k) for k in ("name", "text", "hovertemplate", "hovertext")] for t in figure["data"]]
    text = json.dumps([read, figure["layout"]["annotations"]])
    assert "<a href" not in text
    assert "&lt;a href" in text


def test_close_flags_share_their_number() -> None:
    flags = [figures.Flag(START + timedelta(days=d), str(d)) for d in (0, 100, 101, 102, 200)]
    figure = figures.history([figures.Strip("x [l]", [f.at for f in flags], [1] * 5)], flags)
    shown = [a["text"] for a in figure["layout"]["annotations"] if a.get("yshift") == 14]
    assert shown == ["1", "2–4", "5"]
    lines = [s for s in figure["layout"]["shapes"] if s["type"] == "line"]
    assert len(lines) == 5  # each event keeps its own line
    assert figures.flag_key(flags[:2], "UTC") == "1: 1 Mar 2026, 0; 2: 9 Jun 2026, 100"


def test_band_edges_only_where_both_are_known_and_curves_of_one_name_stand_once_in_the_legend() -> None:
    figure = _all()["over_volume"]()
    lower, upper, *curves = figure["data"][:6]
    assert (lower["x"], lower["y"]) == ([0.0, 1.0], [0.0, 1.0])
    assert (upper["x"], upper["y"], upper["fill"]) == ([0.0, 1.0], [1.0, 2.0], "tonexty")
    named = [c["name"] for c in curves if c.get("showlegend", True)]
    assert named == ["s1, measured", "s1, fitted", "old"]
    assert figure["layout"]["yaxis"]["title"]["text"] == "resistance [bar min/l]"


def test_cause_bars_lead_from_before_to_after() -> None:
    figure = _all()["cause_bars"]()
    bars, ends = figure["data"]
    assert bars["base"] == pytest.approx([2.50, 2.58])
    assert bars["x"] == pytest.approx([0.08, -0.03])
    assert bars["base"][-1] + bars["x"][-1] == pytest.approx(ends["x"][1])
    assert bars["error_x"]["array"] == pytest.approx([0.03, 0.02])
    assert bars["error_x"]["arrayminus"] == pytest.approx([0.03, 0.02])
    assert figure["layout"]["yaxis"]["categoryarray"] == ["May", "cavity thickness", "flow meter", "now"]


def test_ruler_draws_intervals_and_leaves_out_what_is_not_known() -> None:
    figure = _all()["ruler"]()
    interval, estimate = figure["data"]
    assert (interval["x"], interval["y"], estimate["x"], estimate["y"]) == ([33, 52], [0, 0], [41], [0])
    assert [(a["text"], a["y"]) for a in figure["layout"]["annotations"]] == [
        ("<b>hatch-3, outer</b><br>12 to 20 June", 0),
        ("<b>hatch-3, inner</b>", 1),
    ]


def test_decimation_keeps_extremes_and_gaps() -> None:
    y: list[float | None] = list(np.sin(np.linspace(0, 60, 50_000)))
    y[31_234], y[17_000] = 9.0, -9.0
    y[40_000:42_000] = [None] * 2_000
    xs, ys = figures.decimate(range(50_000), y)
    assert len(xs) <= 2_000
    known = [v for v in ys if v is not None]
    assert (max(known), min(known)) == (9.0, -9.0)
    assert xs[ys.index(9.0)] == 31_234
    assert any(v is None and x is not None and 40_000 <= x < 42_000 for x, v in zip(xs, ys, strict=True))
    assert all(a is not None and b is not None and a < b for a, b in pairwise(xs))


def test_script_json_is_valid_finite_and_cannot_end_its_element() -> None:
    text = theme.to_script_json({"a": [float("nan"), 1 / 3, HOSTILE, np.float64(2.5), np.array([1, 2])], "b": DAYS[0]})
    assert "<" not in text
    back = json.loads(text)
    assert back == {"a": [None, 0.3333333, HOSTILE, 2.5, [1, 2]], "b": "2026-03-01T08:00:00+00:00"}


def test_text_colours_stand_out_from_the_paper() -> None:
    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    # Contrast by WCAG 2.2, success criterion 1.4.3: at least 4.5 for text.
    for mode in (0, 1):
        for ground in ("paper", "ground"):
            for role in ("ink", "muted", "main", "second", "third", "fourth", "fault"):
                a, b = sorted((luminance(theme.COLOURS[role][mode]), luminance(theme.COLOURS[ground][mode])))
                assert (b + 0.05) / (a + 0.05) >= 4.5, (role, ground, mode)


def test_nothing_in_the_configuration_points_outside() -> None:
    assert theme.CONFIG["showSendToCloud"] is False
    assert theme.CONFIG["displaylogo"] is False
    assert theme.CONFIG["plotlyServerURL"] == ""
