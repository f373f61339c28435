"""The fill section: numbers behind its figures, sentences where values are missing or the force is negative."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
import pytest

from catchpot.report.section import DataTable, Figure, Panel, Prose, Section, View
from catchpot.report.views import Shelf, Tables
from catchpot.tables import Table
from catchpot.workshop import MouldBook
from catchpot_fill.pictures import own_curve_figure
from catchpot_fill.section import FillSection

BOOK = MouldBook.model_validate({"moulds": {"hatch-3": {"line_pressure_limit_bar": 0.4}, "locker-1": {}}})


@pytest.fixture
def look(declared: dict[str, Table]) -> Callable[[Any, str], View]:
    """A view of a mould in a store."""

    def look(made: Any, mould: str) -> View:
        return View(
            mould, Tables(Shelf(made, [mould]), FillSection.needs, mould), declared, BOOK, "Europe/Lisbon", None
        )

    return look


def _panel(view: View) -> Panel:
    panel = FillSection().panel(view)
    assert panel is not None
    return panel


def _figures(panel: Panel) -> dict[str, Figure]:
    return {b.id: b for b in [*panel.blocks, *panel.more] if isinstance(b, Figure)}


def _prose(panel: Panel) -> str:
    return " ".join(p for b in [*panel.blocks, *panel.more] if isinstance(b, Prose) for p in b.paragraphs)


def _change(made: Any, table: str, shot: str, **values: Any) -> None:
    frame = made.frames[table]
    made.frames[table] = frame.with_columns(
        pl.when(pl.col("shot") == shot).then(pl.lit(v, dtype=frame.schema[c])).otherwise(c).alias(c)
        for c, v in values.items()
    )


def test_it_is_a_section() -> None:
    assert isinstance(FillSection(), Section)


def test_history_draws_the_tables_numbers(store: Callable[..., Any], look: Callable[..., View]) -> None:
    made = store({"hatch-3": 30})
    figure = _figures(_panel(look(made, "hatch-3")))["history"].figure
    fill = made.frames["fill"]
    arrival, level, injected, mobility = figure["data"]
    assert arrival["y"] == fill["arrival_volume_l"].to_list()
    assert [t["yaxis"] for t in figure["data"]] == ["y", "y", "y2", "y3"]
    assert injected["y"] == fill["injected_volume_l"].to_list()
    known = [i for i, v in enumerate(arrival["y"]) if v is not None]
    assert [arrival["error_y"]["array"][i] for i in known] == pytest.approx([0.018] * len(known))
    assert [arrival["error_y"]["arrayminus"][i] for i in known] == pytest.approx([0.015] * len(known))
    stored = made.frames["permeability"]["mobility_m2_pa_s"].to_list()
    assert mobility["y"] == pytest.approx([v * 1e9 for v in stored])
    above = [a["text"] for a in figure["layout"]["annotations"]]
    assert "<b>mobility [10⁻⁹ m²/(Pa s)]</b>" in above
    volumes = fill["arrival_volume_l"].drop_nulls()
    assert level["y"][0] == pytest.approx(float(np.median(volumes.to_numpy()[:-1])))


def test_only_events_that_bear_on_the_shots_are_flagged(store: Callable[..., Any], look: Callable[..., View]) -> None:
    made = store({"hatch-3": 14})  # the last shot stands before all three events
    summary = _figures(_panel(look(made, "hatch-3")))["history"].summary
    assert "1: 14 Mar 2026, seal replaced (outer); 2: 1 Apr 2026, fabric batch (B-17)." in summary
    assert "heating" not in summary  # the whole workshop's, and later


def test_the_own_curve_is_drawn_over_the_share_of_the_usual_volume_with_the_last_shots(
    store: Callable[..., Any], look: Callable[..., View]
) -> None:
    made = store({"hatch-3": 30})
    figure = _figures(_panel(look(made, "hatch-3")))["resistance"]
    own = made.frames["own_curve"].row(0, named=True)
    usual = own["arrival_volume_l"]
    traces = {t["name"]: t for t in figure.figure["data"]}
    drawn = traces["the mould's own curve"]
    assert drawn["x"] == pytest.approx([100 * v / usual for v in own["vol_l"]])
    assert drawn["y"] == pytest.approx(own["resistance_bar_min_l"])
    last = made.frames["injection"].row(-1, named=True)
    measured = traces["hatch-3-030, the last"]
    volume = last["injected_volume_l"] * (np.arange(200) + 0.5) / 200
    assert measured["x"] == pytest.approx((100 * volume / usual).tolist())
    assert measured["y"][:3] == [None, None, None]  # where the log had no flow
    # 1/m3 by hand: the pressure of 1 m3/s and 1 Pa s; x viscosity is Pa s/m3, and a bar min/l is 6e9 of those
    by_hand = [v * last["bed_viscosity_pa_s"] / 6e9 for v in last["resistance_per_m3"][3:]]
    assert measured["y"][3:] == pytest.approx(by_hand)
    assert {"hatch-3-029", "hatch-3-028"} <= set(traces)
    assert not any("hatch-3-027" in name for name in traces)
    ends = [(s["x0"], s["x1"]) for s in figure.figure["layout"]["shapes"]]
    assert ends[0] == pytest.approx((98.0, 101.5))
    assert ends[1] == pytest.approx((100.0, 100.0))
    assert figure.figure["layout"]["xaxis"]["title"]["text"] == "share of the usual arrival volume [%]"
    assert own["knowledge"] in figure.summary
    assert "made of 30 shots" in figure.summary


def test_the_band_is_the_scatter_of_the_shots(store: Callable[..., Any]) -> None:
    made = store({"hatch-3": 30})
    own = made.frames["own_curve"].row(0, named=True)
    figure = own_curve_figure(own, made.frames["injection"]).figure
    bands = [t for t in figure["data"] if "its scatter" in t["name"] or t.get("fill")]
    high = np.array(own["resistance_bar_min_l"]) + 1.96 * np.array(own["scatter_bar_min_l"])
    assert any(len(t["y"]) == len(high) and np.allclose(np.array(t["y"], dtype=float), high) for t in bands)
    # the scatter is 3 %: of the last shot's cells some 95 in a hundred lie inside
    table = own_curve_figure(own, made.frames["injection"]).table
    assert table is not None
    column = next(c for c in table.columns if c.startswith("hatch-3-030"))
    share = table.select((pl.col(column) / pl.col("own curve [bar min/l]") - 1).abs() < 0.0588).to_series().drop_nulls()
    assert 0.85 <= share.cast(pl.Float64).to_numpy().mean() <= 1.0


def test_without_an_own_curve_there_is_no_figure_of_it(store: Callable[..., Any], look: Callable[..., View]) -> None:
    made = store({"hatch-3": 9})
    made.frames["own_curve"] = made.frames["own_curve"].clear()
    assert "resistance" not in _figures(_panel(look(made, "hatch-3")))


def test_what_the_part_took_is_told_beside_the_arrival(store: Callable[..., Any], look: Callable[..., View]) -> None:
    made = store({"locker-1": 12})
    panel = _panel(look(made, "locker-1"))
    last = made.frames["fill"].row(-1, named=True)
    assert f"The part took {last['taken_volume_l']:.2f}" in _prose(panel)
    (table,) = [b for b in [*panel.blocks, *panel.more] if isinstance(b, DataTable)]
    assert "part took (95 %) [l]" in table.frame.columns
    change = f"{100 * (last['arrival_relative'] - 1):.1f}".replace("-", "\u2212")
    assert change in table.frame["against usual [%]"][0]
    assert change in panel.headline  # one usual everywhere


def test_what_stays_in_a_vent_hose_is_said(store: Callable[..., Any], look: Callable[..., View]) -> None:
    made = store({"locker-1": 12})
    hosed = BOOK.moulds["locker-1"].model_copy(update={"vent_hose_volume_l": 0.118})
    view = replace(look(made, "locker-1"), book=BOOK.model_copy(update={"moulds": {**BOOK.moulds, "locker-1": hosed}}))
    panel = _panel(view)
    assert ", with what stayed in the vent hose (up to 0.118 l)." in _prose(panel)
    (table,) = [b for b in [*panel.blocks, *panel.more] if isinstance(b, DataTable)]
    assert "part and vent hose took (95 %) [l]" in table.frame.columns
    assert "vent hose (up" not in _prose(_panel(look(made, "locker-1")))
    _change(made, "fill", made.frames["fill"]["shot"][-1], overflow_l=0.0)  # nothing came after the arrival
    assert "vent hose (up" not in _prose(_panel(replace(view, tables=look(made, "locker-1").tables)))


def test_a_negative_margin_with_a_blocked_vent_comes_first(
    store: Callable[..., Any], look: Callable[..., View]
) -> None:
    made = store({"hatch-3": 12, "locker-1": 12})
    negative, positive = _panel(look(made, "hatch-3")), _panel(look(made, "locker-1"))
    assert negative.state == "act"
    assert negative.headline.startswith(
        "With the vent blocked and the line at its limit of 0.4 bar the cover would lift"
    )
    first = negative.blocks[0]
    assert isinstance(first, Prose) and first.kind == "caution"
    assert positive.state == "in order"
    last = positive.more[-1]
    assert isinstance(last, Prose) and "3.1 kN" in last.paragraphs[0] and "9.8 kN, at most" in last.paragraphs[0]
    for panel in (negative, positive):
        assert "upper estimate" in _prose(panel)
        assert "keep the clamp vacuum" in _prose(panel)
    _change(made, "fill", "locker-1-012", clamp_margin_n=None, blocked_vent_margin_n=None)
    assert "closing force" not in _prose(_panel(look(made, "locker-1")))


def test_pressure_above_the_books_limit_is_said(store: Callable[..., Any], look: Callable[..., View]) -> None:
    made = store({"hatch-3": 12, "locker-1": 12})
    assert "0.420 bar (gauge), above the mould's limit of 0.4 bar." in _prose(_panel(look(made, "hatch-3")))
    assert "0.420 bar (gauge)." in _prose(_panel(look(made, "locker-1")))  # no limit in its book


def test_unknown_arrival_of_the_last_shot_is_said(store: Callable[..., Any], look: Callable[..., View]) -> None:
    made = store({"locker-1": 14})  # the 14th shot has no arrival volume
    panel = _panel(look(made, "locker-1"))
    assert "in locker-1-013 of" in panel.headline
    assert "The last shot, locker-1-014, ended before that or too near it to tell." in panel.headline
    assert "of them only the least volume is known" in _prose(panel)
    cells = {c.column: c for c in FillSection().cells(look(made, "locker-1"))}
    own = made.frames["fill"].filter(pl.col("mould") == "locker-1")
    assert cells["Arrival volume, against usual"].trend == tuple(own["arrival_relative"])
    assert cells["Clamp margin, at most"].sort == own["blocked_vent_margin_n"][-1] / 1000


def test_no_arrival_at_all_is_not_assessed(store: Callable[..., Any], look: Callable[..., View]) -> None:
    made = store({"hatch-3": 1, "locker-1": 12})
    nothing = {c: None for c in made.frames["fill"].columns if c.startswith(("arrival", "overflow", "fill_time"))}
    made.frames["fill"] = made.frames["fill"].with_columns(
        pl.lit(v, dtype=made.frames["fill"].schema[c]).alias(c) for c, v in nothing.items()
    )
    panel = _panel(look(made, "locker-1"))
    assert panel.state == "not assessed"
    assert "is not known for any shot" in panel.headline
    drawn = _figures(panel)
    assert drawn["history"].figure["data"][0]["name"].startswith("injected volume")
    assert drawn["resistance"].figure["layout"]["xaxis"]["title"]["text"] == "share of the usual arrival volume [%]"
    cells = {c.column: c.text for c in FillSection().cells(look(made, "locker-1"))}
    assert cells["Arrival volume, against usual"] == "too few shots"


def test_a_mould_without_shots(store: Callable[..., Any], look: Callable[..., View]) -> None:
    view = look(store({"hatch-3": 3}), "idle-9")
    assert FillSection().cells(view) == []
    assert _panel(view).state == "not assessed"


def test_one_shot_and_shots_without_a_time(store: Callable[..., Any], look: Callable[..., View]) -> None:
    one = _panel(look(store({"hatch-3": 1}), "hatch-3"))
    assert "against" not in one.headline
    made = store({"locker-1": 12})
    untimed = pl.lit(None, dtype=pl.Datetime("us", "UTC")).alias("started_at")
    made.frames["shot"] = made.frames["shot"].with_columns(untimed)
    panel = _panel(look(made, "locker-1"))
    assert "of not known" not in panel.headline
    assert set(_figures(panel)) == {"resistance"}
    tables = [b for b in [*panel.blocks, *panel.more] if isinstance(b, DataTable)]
    assert tables[0].frame.height == 8
