"""What people read: sentences, the panel, the ruler, the schedule, the back-test's verdicts, and the command."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from catchpot.core_tables import CORE_TABLES
from catchpot.report.section import DataTable, Figure, Panel, Prose, View
from catchpot.tables import empty
from catchpot.testing import made_up as mu
from catchpot_vacuum import tables as declared
from catchpot_vacuum.lookback import what_came
from catchpot_vacuum.schedule import cost_of_waiting, newest, schedule
from catchpot_vacuum.section import SealSection
from catchpot_vacuum.which import not_told, which_seal
from catchpot_vacuum.words_of_seals import forecast, past_lives, track_record

Computed = Any  # tests/plugins/catchpot_vacuum/conftest.py
OURS = {t.name: t for t in vars(declared).values() if hasattr(t, "columns")}
KNOWN = {t.name: t for t in CORE_TABLES} | OURS


def view(computed: Computed, mould: str | None) -> View:
    shots = computed.tables["shot"].select("shot", "mould", "started_at")
    tables: dict[str, pl.DataFrame] = {}
    for name in SealSection.needs:
        frame = computed.tables.get(name, empty(KNOWN[name]))
        if "shot" in frame.columns and name not in ("shot", "finding") and "mould" not in frame.columns:
            frame = frame.join(shots, on="shot", how="left").sort("started_at", "shot")
        if mould is not None and "mould" in frame.columns:
            frame = frame.filter((pl.col("mould") == mould) | pl.col("mould").is_null())
        tables[name] = frame
    refused = [("seal_watch" if r.what.startswith("seal_watch") else r.what.split(".")[0], r.unit, r.what, r.reason)
               for r in computed.refused]  # fmt: skip
    tables["refusal"] = pl.DataFrame(refused, schema=["analysis", "unit", "what", "reason"], orient="row")
    return View(mould, tables, KNOWN, computed.book, "Europe/Lisbon", None)


def prose(panel: Panel) -> str:
    return " ".join(p for b in [*panel.blocks, *panel.more] if isinstance(b, Prose) for p in b.paragraphs)


def test_a_moulds_panel_says_leaks_forecast_and_track_record(worn: Computed) -> None:
    panel = SealSection().panel(view(worn, "hatch-1"))
    assert panel is not None
    text = prose(panel)
    assert "mbar l/s (95 %:" in text
    assert "80 % interval held for" in text
    assert "cavity at ambient" in text
    assert "no wear seen" in text or "left" in text


def test_past_forecasts_stand_as_words_with_a_verdict(worn: Computed) -> None:
    panel = SealSection().panel(view(worn, "hatch-1"))
    assert panel is not None
    past = next(b for b in [*panel.blocks, *panel.more] if isinstance(b, DataTable))
    assert set(past.frame["verdict"]) <= {"held", "missed", "replaced before it could be told", "still open"}
    assert "held" in set(past.frame["verdict"])


def test_figures_carry_the_tables_numbers(worn: Computed) -> None:
    panel = SealSection().panel(view(worn, "hatch-1"))
    assert panel is not None
    figures = {b.id: b for b in [*panel.blocks, *panel.more] if isinstance(b, Figure)}
    strip = figures["seal-leaks"].figure
    assert len(strip["data"][0]["x"]) == 112
    assert "[mbar l/s]" in str(strip["layout"]["annotations"])


def dated(**other: object) -> dict[str, Any]:
    row: dict[str, Any] = {
        "mould": "m", "seal": "outer", "as_of": date(2026, 5, 1), "shots_left": 23.0, "shots_left_low": 15.0,
        "shots_left_high": 41.0, "due_on": date(2026, 5, 20), "due_low": date(2026, 5, 12),
        "due_high": date(2026, 6, 5), "age_shots": 60.0, "unit": "shots", "leak_mbar_l_s": 0.15,
        "leak_low_mbar_l_s": 0.13, "leak_high_mbar_l_s": 0.17, "limit_mbar_l_s": 0.30, "leaks": 60,
        "assumed_replacement": False, "pooled_moulds": 0,
    }  # fmt: skip
    return row | other


def test_a_date_never_stands_without_its_caution() -> None:
    said = forecast(dated())
    assert said == (
        "m, outer seal: 23 shots (80 %: 15 to 41) left, due 20 May 2026 (80 %: 12 May to 5 Jun 2026); it leaks 0.15 "
        "mbar l/s after 60 shots, 0.30 is allowed. Sudden damage is not predicted."
    )
    assert "no date is made out of noise" in forecast(dated(shots_left=None))
    assert "whichever leak law" in forecast(dated(shots_left=None, leak_low_mbar_l_s=0.2, leak_high_mbar_l_s=0.4))
    assert "or more" in forecast(dated(shots_left_high=20000.0))
    nearly = dated(shots_left=0.0, shots_left_low=0.0, shots_left_high=4.0, leak_mbar_l_s=0.33)
    assert "at its limit by now, or within 4 shots (80 %)" in forecast(nearly)
    gone = forecast(nearly | {"shots_left_high": 0.0})
    assert gone == (
        "m, outer seal: at its limit; it leaks 0.33 mbar l/s after 60 shots, 0.30 is allowed. See to it before the "
        "next shot."
    )
    never = forecast(dated(shots_left=None, leak_mbar_l_s=0.4, leak_low_mbar_l_s=0.38, leak_high_mbar_l_s=0.42))
    assert "over its limit in all 60 shots, no growth seen" in never
    assert "lives of 4 other seals" in forecast(dated(pooled_moulds=4))


def test_track_record_counts_seals() -> None:
    def row(seal: str, held: bool | None, crossed: float | None) -> dict[str, Any]:
        return {"seal": seal, "half_life_forecast_held": held, "crossed_at_shots": crossed}

    rows = [row("outer", True, 40.0), row("outer", False, 50.0), row("clamp", None, None), row("clamp", True, None)]
    assert track_record(rows) == (
        "2 seals reached their limit since a forecast was made half way: the 80 % interval held for 1 of 2 and missed "
        "for 1. 1 seal was replaced before its limit, and before the interval ended."
    )
    assert "No seal" in track_record([])


def test_past_lives_say_how_few_they_are() -> None:
    lives = [
        {"seal": "outer", "whole": True, "age_shots": a, "crossed_at_shots": c}
        for a, c in ((90.0, 80.0), (110.0, 100.0), (70.0, None), (95.0, 90.0))
    ]
    said = past_lives(lives)
    assert len(said) == 1
    assert "4 seals, of which 3 reached the limit" in said[0]
    assert "few" in said[0]
    assert past_lives(lives[:2]) == []


def test_waiting_is_said_in_clamp_margin() -> None:
    from catchpot.workshop import MouldBook

    book = MouldBook.model_validate({"moulds": {"m": {"clamp_area_m2": 0.40, "part_area_m2": 2.0}, "n": {}}})
    # F1 by hand: at 100 mbar the cover lifts at 0.18265 bar, at 400 mbar at 0.12265 bar.
    said = cost_of_waiting(dated(leak_mbar_l_s=0.075), book, 100.0)
    assert "at 400 mbar the cover lifts at 0.123 bar instead of 0.183" in said
    # At its limit after 60 shots, 2 shots a day: 30 days more double what 60 shots brought.
    past = cost_of_waiting(dated(leak_mbar_l_s=0.30, shots_per_day=2.0), book, 50.0)
    assert "from 50 mbar to 100 mbar in 30 days at the pace so far" in past
    assert "not assessed" in cost_of_waiting(dated(mould="n"), book, 100.0)
    assert "not assessed" in cost_of_waiting(dated(), book, None)


def test_the_schedule_is_ordered_and_ends_with_the_month(worn: Computed) -> None:
    rows = [
        dated(mould="late", due_on=date(2026, 8, 1), due_low=date(2026, 7, 1)),
        dated(mould="second"),
        dated(mould="first", due_on=date(2026, 5, 10), shots_left=9.0),
        dated(mould="none", shots_left=None),
    ]
    plan = schedule(rows, worn.book, empty(declared.SEAL_HOLD))
    assert plan["mould"].to_list() == ["first", "second"]
    both = schedule([dated(), dated(seal="clamp")], worn.book, empty(declared.SEAL_HOLD))
    assert both["seal"].to_list() == ["outer seal"]


def test_the_workshops_panel_and_cells(worn: Computed) -> None:
    panel = SealSection().panel(view(worn, None))
    assert panel is not None
    assert "30 days after" in panel.headline
    cells: Mapping[str, str] = {c.column: c.text for c in SealSection().cells(view(worn, "hatch-1"))}
    assert cells["Seals"] == "no date"


def test_what_came_of_a_forecast() -> None:
    from datetime import UTC, datetime

    since = datetime(2026, 3, 1, tzinfo=UTC)
    said = dated(fitted_since=since, age_shots=60.0)

    def came(age: float, crossed: float | None, ended: bool) -> str:
        row = {
            "mould": "m", "seal": "outer", "since": since, "until": since if ended else None, "age_shots": age,
            "crossed_at_shots": crossed,
        }  # fmt: skip
        return what_came(said, pl.DataFrame([row]))

    assert came(90.0, 80.0, False) == "[Since then: limit met after 20 more: held.]"
    assert came(130.0, 120.0, False) == "[Since then: limit met after 60 more: missed.]"
    assert "replaced before it could be told" in came(70.0, None, True)
    assert "still open" in came(70.0, None, False)
    assert came(130.0, None, False) == "[Since then: in use after 70 more: missed.]"
    assert came(90.0, 55.0, False) == ""
    assert what_came(dated(shots_left=None, fitted_since=since), pl.DataFrame()) == ""


def test_the_command_says_which_seal_or_which_check_and_who_is_not_assessed() -> None:
    asked = pl.DataFrame(
        [("b", "seal_watch.outer and inner", "it takes a hold check"), ("s1", "seal_leak.clamp", "no clamp pressure")],
        schema=["unit", "what", "reason"], orient="row",
    )  # fmt: skip
    split = pl.DataFrame(
        [("a", seal, 0.1, 0.05, 0.2, 8) for seal in ("outer", "inner")],
        schema=["mould", "seal", "leak_mbar_l_s", "leak_low_mbar_l_s", "leak_high_mbar_l_s", "shots"], orient="row",
    )  # fmt: skip
    assert which_seal(asked, split) == [
        (
            "a: over its last 8 holds together, outer seal between 0.050 and 0.20, inner seal between 0.050 and 0.20 "
            "mbar l/s (95 %, whichever leak law holds)."
        ),
        "b: it takes a hold check.",
    ]
    shot = pl.DataFrame({"shot": ["s1", "s2"], "mould": ["c", "a"]})
    assert not_told(asked, {"a"}, shot) == ["c: no forecast; no clamp pressure."]


def test_pooled_rows_stand_in_only_where_the_own_give_no_date() -> None:
    own = pl.DataFrame([dated(shots_left=None), dated(seal="inner")], infer_schema_length=None)
    other = pl.DataFrame([dated(pooled_moulds=3), dated(seal="inner", shots_left=None)], infer_schema_length=None)
    rows = {r["seal"]: r for r in newest(own, other)}
    assert rows["outer"]["pooled_moulds"] == 3
    assert rows["inner"]["pooled_moulds"] == 0


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from catchpot.cli import main

    home = tmp_path_factory.mktemp("seals")
    outer = mu.Seal(floor=0.02, start=0.03, growth=0.06, law="proportional", noise=0.1)
    mould = mu.Mould("hatch-9", mu.five_geometries()["strip"], shots=36, holds=1, outer=outer)
    mu.write_workshop(home, mu.Scenario(moulds=(mould,)), seed=6)
    assert main(["--home", str(home), "ingest"]) == 0
    assert main(["--home", str(home), "analyse", "seal_history", "seal_pool", "seal_watch"]) == 0
    return home


def test_the_command_prints_and_as_of_looks_back(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from catchpot.cli import main

    capsys.readouterr()
    assert main(["--home", str(folder), "seals"]) == 0
    text = capsys.readouterr().out
    assert "hatch-9, clamp channel" in text
    assert "Sudden damage is not predicted." in text
    assert main(["--home", str(folder), "seals", "--json"]) == 0
    now = json.loads(capsys.readouterr().out)
    assert now["seals"][0]["shots_left"] is not None
    day = "2026-03-12"
    assert main(["--home", str(folder), "seals", "--as-of", day, "--json"]) == 0
    then = json.loads(capsys.readouterr().out)
    assert then["seals"][0]["as_of"] <= day
    assert then["seals"][0]["age_shots"] < now["seals"][0]["age_shots"]
    assert now["what_came"] == []
    assert then["track_record"].startswith("No seal has yet run long enough")
    assert main(["--home", str(folder), "seals", "--as-of", "yesterday"]) == 2


def test_as_of_says_what_the_stored_row_of_that_day_says(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from catchpot.api import open_session
    from catchpot.cli import main

    stored = open_session(folder).table("seal_life").filter(pl.col("seal") == "clamp").sort("as_of")
    row = stored.row(stored.height // 2, named=True)
    capsys.readouterr()
    assert main(["--home", str(folder), "seals", "--as-of", str(row["as_of"]), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)["seals"][0]
    assert said["as_of"] == str(row["as_of"])
    assert said["shots_left"] == row["shots_left"]
    assert said["leak_mbar_l_s"] == row["leak_mbar_l_s"]
