"""What the pages show: verdict first, band and words, no index on an unsteady month, worst first."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import numpy as np
import polars as pl
import pytest

from catchpot.analysis import Job
from catchpot.core_tables import CLOSED
from catchpot.report.section import DataTable, Figure, Panel, Prose, View
from catchpot.tables import empty
from catchpot.workshop import MouldBook
from catchpot_capability import closing, roll_up
from catchpot_capability.analysis import CapabilityAnalysis
from catchpot_capability.section import CapabilitySection

Make = Callable[..., Job]


@pytest.fixture
def pages(make_job: Make) -> dict[str, dict[str, Panel]]:
    rng = np.random.default_rng(8)
    volume = rng.normal(2.55, 0.02, 80)
    volume[66:] += 0.14
    job = make_job(
        {"injected_volume_l": volume, "cavity_pressure_mbar": rng.normal(560, 20, 80)},
        events=[(20, "seal_replaced", "outer")],
    )
    result = CapabilityAnalysis().compute(job)
    tables = {t.name: result.tables.get(t.name, empty(t)) for t in closing.TABLES}
    view = View(None, {**tables, "closed": empty(CLOSED), "event": job.tables["event"]}, {}, job.book, "UTC",
                datetime(2026, 12, 1, tzinfo=UTC))  # fmt: skip
    made = CapabilitySection().pages(view)
    return {f"{p.slug} {part.name}": dict(part.panels) for p in made for part in p.made_parts()}


def figure(panel: Panel, begins: str) -> dict[str, Any]:
    found = next(b for b in panel.blocks if isinstance(b, Figure) and b.id.startswith(begins))
    assert isinstance(found.figure, dict)
    return found.figure


def test_a_steady_month_shows_strip_distribution_and_table_in_this_order(pages: dict[str, dict[str, Panel]]) -> None:
    panel = pages["2026-10 hatch-3"]["injected volume"]
    kinds = [type(b) for b in panel.blocks[:3]]
    assert kinds == [Figure, Figure, DataTable]
    table = panel.blocks[2]
    assert isinstance(table, DataTable)
    assert table.frame["index"].to_list() == ["Cp", "Cpk", "Pp", "Ppk", "by count alone"]
    assert table.frame["spread"].to_list() == ["shot to shot"] * 2 + ["over the month"] * 2 + ["no law assumed"]
    assert "hatch-3, October 2026: injected volume is capable (Cpk " in panel.headline


def test_the_strip_names_its_band_and_limits_in_words(pages: dict[str, dict[str, Panel]]) -> None:
    drawn = figure(pages["2026-10 hatch-3"]["injected volume"], "strip")
    text = " ".join(str(a.get("text", "")) for a in drawn["layout"]["annotations"])
    text += " ".join(str(t.get("name", "")) for t in drawn["data"])
    text += " ".join(k["words"] for k in drawn["layout"]["meta"]["key"])
    assert "specification: 2.40 to 2.70 l" in text
    assert "where a steady month stays (2." in text
    assert "yaxis2" not in drawn["layout"]  # one strip: no arrangement of a charting program
    band = next(s for s in drawn["layout"]["shapes"] if s["type"] == "rect")
    assert 2.4 < band["y0"] < 2.55 < band["y1"] < 2.7
    assert any(a.get("text") == "1" for a in drawn["layout"]["annotations"])  # the seal's flag


def test_an_unsteady_month_shows_no_index_table(pages: dict[str, dict[str, Panel]]) -> None:
    panel = pages["2026-11 hatch-3"]["injected volume"]
    assert not [b for b in panel.blocks if isinstance(b, DataTable) and b.id.startswith("indices")]
    assert not [b for b in panel.blocks if isinstance(b, Figure) and b.id.startswith("spread")]
    said = " ".join(p for b in panel.blocks if isinstance(b, Prose) for p in b.paragraphs)
    assert "No index is given" in said and "Cpk" not in said
    assert "Cpk" not in panel.headline
    rings = [t for t in figure(panel, "strip")["data"] if t["name"] == "marked"]
    assert rings and "circle-open" in rings[0]["marker"]["symbol"]


def test_a_month_with_a_new_seal_shows_its_two_stretches(pages: dict[str, dict[str, Panel]]) -> None:
    panel = pages["2026-10 hatch-3"]["injected volume"]
    split = next(b for b in panel.blocks if isinstance(b, DataTable) and b.id.startswith("split"))
    assert split.frame["begins with"].to_list() == ["the month", "outer seal replaced"]


def test_the_roll_up_puts_the_worst_first(pages: dict[str, dict[str, Panel]]) -> None:
    table = pages["2026-10 all moulds"]["All moulds and measures"].blocks[0]
    assert isinstance(table, DataTable)
    first, second = table.frame["verdict"].to_list()
    assert "cavity\u00a0pressure" in first and "not capable" in first
    assert "injected\u00a0volume" in second
    assert table.frame["Oct 26"][0].endswith("not capable")


def test_change_against_last_month_carries_its_uncertainty() -> None:
    base: dict[str, Any] = {"meaningful": True, "verdict": "capable"}
    row = {**base, "cpk": 1.5, "cpk_low": 1.2, "cpk_high": 1.8}
    last = {**base, "cpk": 1.1, "cpk_low": 0.7, "cpk_high": 1.5}
    assert roll_up.against(row, last) == "+0.40 (−0.10 to +0.90), may be chance"
    assert roll_up.against(row, {**last, "meaningful": False}) == "not comparable"
    assert roll_up.against(row, None) == "not comparable"


def test_the_numbers_behind_the_strip_are_the_stored_ones(pages: dict[str, dict[str, Panel]]) -> None:
    block = pages["2026-10 hatch-3"]["injected volume"].blocks[0]
    assert isinstance(block, Figure) and block.table is not None
    drawn = block.figure["data"][0]["y"]
    assert drawn == pytest.approx(block.table["value [l]"].to_list())
    assert block.table.filter(pl.col("mark") != "").height == 0


def test_no_index_stands_anywhere_for_a_month_that_was_not_steady(pages: dict[str, dict[str, Panel]]) -> None:
    panel = pages["2026-11 hatch-3"]["injected volume"]
    assert "was not steady" in panel.headline
    tables = [b.frame for b in panel.blocks if isinstance(b, DataTable)]
    assert not any("Ppk" in t.columns or "index" in t.columns for t in tables)
    rows = pages["2026-11 all moulds"]["All moulds and measures"].blocks[0]
    assert isinstance(rows, DataTable)
    cells = [str(v) for row in rows.frame.iter_rows() for v in row]
    assert "not steady" in cells
    assert not any("not steady (" in c for c in cells)


def test_a_month_that_is_not_closed_says_so_first(pages: dict[str, dict[str, Panel]]) -> None:
    first = pages["2026-10 hatch-3"]["hatch-3: the month in a sentence"].blocks[0]
    assert isinstance(first, Prose)
    assert first.paragraphs == ("Provisional: the numbers of October 2026 are not fixed yet.",)


def test_part_drawing_and_customer_of_the_book_stand_under_the_mould(make_job: Make) -> None:
    job = make_job({"injected_volume_l": np.random.default_rng(8).normal(2.55, 0.02, 30)})
    entry = {"limits": {"injected_volume_l": [2.4, 2.7]}, "part": "Hatch <3>", "drawing": "H-3 rev. B"}
    book = MouldBook.model_validate({"moulds": {"hatch-3": entry}})
    tables = {t.name: empty(t) for t in closing.TABLES} | dict(CapabilityAnalysis().compute(job).tables)
    view = View(None, {**tables, "closed": empty(CLOSED), "event": job.tables["event"]}, {}, book, "UTC", None)
    page = CapabilitySection().pages(view)[0]
    assert [p.about for p in page.made_parts()] == [(), ("Part: Hatch <3>", "Drawing: H-3 rev. B")]
    assert page.letterhead and "hatch-3-000" in {*page.shots, *CapabilitySection().pages(view)[-1].shots}
