"""The faults section from stored tables alone."""

from __future__ import annotations

import polars as pl
from tests.plugins.catchpot_faults.made import Judged

from catchpot.report.section import DataTable, Figure, View
from catchpot_faults.section import FaultsSection


def view(judged: Judged, verdicts: bool = True, keep: int | None = None) -> View:
    """The mould's view; the first `keep` shots only where asked."""
    section = FaultsSection()
    shots = judged.made.shot.filter(~pl.col("shot").str.contains("check")).sort("started_at")
    part = shots.select("shot").with_columns(
        verdict=pl.when(pl.int_range(pl.len()) % 7 == 3).then(pl.lit("scrap")).otherwise(pl.lit("good"))
    )
    source = {**judged.tables, **judged.result, "part": part if verdicts else part.clear()}
    tables = {n: source[n] for n in section.needs}
    if keep is not None:
        few = shots["shot"][:keep].implode()
        tables = {n: t.filter(pl.col("shot").is_in(few)) for n, t in tables.items()}
    return View("bow", tables, {}, judged.book, "Europe/Lisbon", None)


def test_panel_draws_each_flagged_shot_in_place(judged: Judged) -> None:
    panel = FaultsSection().panel(view(judged, keep=16))
    assert panel is not None
    figures = {b.id: b for b in [*panel.blocks, *panel.more] if isinstance(b, Figure)}
    assert "findings-by-kind" in figures
    drawn = figures["curve-bow-0015"]
    spans = [s for s in drawn.figure["layout"]["shapes"] if s["type"] == "rect"]
    finding = judged.result["finding"].filter((pl.col("shot") == "bow-0015") & (pl.col("kind") == "flow_restriction"))
    row = judged.result["odd_curve"].filter(pl.col("shot") == "bow-0015")
    share = 100 * finding["from_volume_l"][0] / row["usual_arrival_l"][0]
    assert any(abs(s["x0"] - share) < 0.5 for s in spans)
    assert "share of the usual arrival volume [%]" in drawn.figure["layout"]["xaxis"]["title"]["text"]
    assert drawn.figure["layout"]["yaxis"]["title"]["text"] == "resistance [bar min/l]"
    assert "jumped" in drawn.summary
    assert any("named fault" in str(t.get("name")) for t in drawn.figure["data"])
    evidence = next(b for b in [*panel.blocks, *panel.more] if isinstance(b, DataTable) and b.id == "fault-odds")
    assert {"what would settle it", "next likeliest"} <= set(evidence.frame.columns)


def test_lanes_hold_every_finding(judged: Judged) -> None:
    panel = FaultsSection().panel(view(judged))
    assert panel is not None
    lanes = next(b for b in [*panel.blocks, *panel.more] if isinstance(b, Figure) and b.id == "findings-by-kind")
    assert sum(len(t["x"]) for t in lanes.figure["data"]) == judged.result["finding"].height


def test_verdicts_stand_with_their_numbers_or_not_at_all(judged: Judged) -> None:
    panel = FaultsSection().panel(view(judged))
    assert panel is not None
    table = next(b for b in [*panel.blocks, *panel.more] if isinstance(b, DataTable) and b.id == "verdicts")
    assert table.frame.select(pl.col("good", "rework", "scrap").sum()).row(0) == (39, 0, 7)
    without = FaultsSection().panel(view(judged, verdicts=False))
    assert without is not None
    assert not any(isinstance(b, DataTable) and b.id.startswith("verdicts") for b in [*without.blocks, *without.more])


def test_the_state_follows_the_last_shots(judged: Judged) -> None:
    section = FaultsSection()
    for keep, state in ((13, "in order"), (18, "act")):
        seen = view(judged, keep=keep)
        panel = section.panel(seen)
        assert panel is not None and panel.state == state
    assert "rests on 4 shots yet" in str(section.panel(view(judged, keep=5)))


def test_nothing_yet_is_not_assessed(judged: Judged) -> None:
    section = FaultsSection()
    panel = section.panel(view(judged, keep=0))
    assert panel is not None and panel.state == "not assessed"
    assert list(section.cells(view(judged, keep=0))) == [] and list(section.pages(view(judged, keep=0))) == []
