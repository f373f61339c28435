"""What the drift section says and draws."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from catchpot.analysis import Job
from catchpot.core_tables import EVENT
from catchpot.report.section import DataTable, Figure, Panel, Prose, View
from catchpot.tables import Column, Table, empty, shape
from catchpot.workshop import MouldBook
from catchpot_drift.analysis import DriftAnalysis
from catchpot_drift.section import DriftSection
from catchpot_drift.settings import DriftParams

START = datetime(2026, 3, 2, 7, tzinfo=UTC)


def view(step: float) -> View:
    rng = np.random.default_rng(2)
    starts = [START + timedelta(hours=6 * i) for i in range(60)]
    beside = {"shot": [f"s{i:03d}" for i in range(60)], "mould": ["hatch-3"] * 60, "started_at": starts}
    volume = 1.0 + 0.004 * rng.standard_normal(60) + np.where(np.arange(60) >= 40, step, 0.0)
    columns = (
        Column("shot", "str", "", "the shot"),
        Column("arrival_relative", "f64", "", "volume against the mould's usual: 1"),
    )
    none = pl.Series([None] * 60, dtype=pl.String)
    event = shape(EVENT, {"row": [1], "time": [starts[38] - timedelta(minutes=9)], "mould": ["hatch-3"],
                          "kind": ["seal_replaced"], "detail": ["outer"]})  # fmt: skip
    job = Job(
        ("hatch-3",),
        {
            "shot": pl.DataFrame(
                {
                    **beside,
                    "injector": none,
                    "fabric_batch": none,
                    "resin_batch": none,
                    "programmed_volume_l": [2.6] * len(none),
                }
            ),
            "*": pl.DataFrame({**beside, "arrival_relative": volume}),
            "event": event,
        },
        {"*": Table("*", ("shot",), columns)},
        MouldBook.model_validate({"moulds": {"hatch-3": {}}}),
        DriftParams(measures=["arrival_relative"]),
    )
    analysis = DriftAnalysis("UTC")
    result = analysis.compute(job)
    tables = {t.name: result.tables.get(t.name, empty(t)) for t in analysis.yields}
    return View("hatch-3", {**tables, "event": event}, {}, job.book, "UTC", starts[-1])


def panel(step: float) -> Panel:
    made = DriftSection().panel(view(step))
    assert made is not None
    return made


def test_a_change_is_the_headline_and_a_level_in_the_strip() -> None:
    made = panel(0.02)
    assert made.state == "watch"
    assert made.headline.startswith("Volume against the mould's usual went from 1.00 to 1.02")
    assert "2 shots after outer seal replaced" in made.headline
    figure = [*made.blocks, *made.more][0]
    assert isinstance(figure, Figure)
    drawn: dict[str, Any] = figure.figure
    levels = [t for t in drawn["data"] if t["mode"] == "lines"]
    assert len(levels) == 2
    assert levels[1]["y"][0] - levels[0]["y"][0] > 0.012
    assert "volume against the mould's usual" in " ".join(str(a.get("text")) for a in drawn["layout"]["annotations"])
    table = [*made.blocks, *made.more][1]
    assert isinstance(table, DataTable)
    assert table.frame["event near it"].to_list() == ["outer seal replaced (2 shots before)"]
    assert made.state == "watch"


def test_a_steady_mould_is_said_to_be_steady_with_the_rate_of_false_calls() -> None:
    made = panel(0.0)
    assert made.state == "in order"
    assert made.headline == "No change stands among 1 measure watched over 60 shots."
    said = " ".join(p for b in [*made.blocks, *made.more] if isinstance(b, Prose) for p in b.paragraphs)
    assert "fewer than 5 % of steady histories of 60 shots" in said
    assert "correlation up to 0.6" in said
