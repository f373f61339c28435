"""Any table out, in three forms; a shot as the plain log it came from."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest

from catchpot.core_tables import CURVE, CURVE_BINS, REFUSAL
from catchpot.store import Store, export
from catchpot.store.export import ExportError, export_table
from catchpot.tables import empty, shape
from catchpot.workshop import Settings, Workshop, open_workshop

Make = Callable[..., pl.DataFrame]


@pytest.fixture
def workshop(tmp_path: Path, shots: Make, samples: Make) -> Workshop:
    (tmp_path / "catchpot.toml").write_text("")
    (tmp_path / "moulds.toml").write_text("")
    values = [0.5 * i if i % 2 else None for i in range(CURVE_BINS)]
    curve = shape(CURVE, {"shot": ["b"], "injected_volume_l": [1.5], "vol_l": [values]})
    none = empty(REFUSAL).with_columns(part=pl.lit(None, dtype=pl.String))
    noted = shots(["b", "a", "c"]).with_columns(notes=pl.lit('{"operator": "second shift"}'))
    with Store(tmp_path / "shots.duckdb").writing() as w:
        w.put_shots(noted, samples(["b", "a", "c"]))
        w.put_results("log", "shot", ["b"], {CURVE: curve}, none)
    return open_workshop(tmp_path)


def test_csv_has_a_header_utc_times_and_nothing_for_null(workshop: Workshop) -> None:
    text = export_table(workshop, "shot")
    assert text is not None
    header, first, *_ = text.splitlines()
    row = dict(zip(header.split(",")[:5], first.split(",")[:5], strict=True))
    assert row == {
        "shot": "a", "mould": "lid", "started_at": "2026-01-05T09:00:00Z", "injector": "",
        "programmed_volume_l": "",
    }  # fmt: skip


def test_arrays_stand_in_csv_as_json_lists(workshop: Workshop) -> None:
    frame = pl.read_csv((export_table(workshop, "curve") or "").encode())
    values = json.loads(frame["vol_l"][0])
    assert (len(values), values[:4]) == (CURVE_BINS, [None, 0.5, None, 1.5])
    assert frame["t_s"][0] is None


def test_json_and_parquet_hold_the_same(workshop: Workshop, tmp_path: Path) -> None:
    rows = json.loads(export_table(workshop, "shot", form="json", shot="b") or "")
    assert [(r["shot"], r["started_at"]) for r in rows] == [("b", "2026-01-05T08:00:00Z")]
    assert export_table(workshop, "shot", to=tmp_path / "s.parquet", form="parquet") is None
    frame = pl.read_parquet(tmp_path / "s.parquet")
    assert frame["shot"].to_list() == ["a", "b", "c"]
    assert frame["started_at"][1] == datetime(2026, 1, 5, 8, tzinfo=UTC)


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_samples_are_written_some_shots_at_a_time(
    workshop: Workshop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, form: export.Form
) -> None:
    monkeypatch.setattr(export, "BATCH", 2)
    to = tmp_path / "samples"
    export_table(workshop, "sample", to=to, form=form)
    frame = pl.read_csv(to) if form == "csv" else pl.read_parquet(to)
    assert frame["shot"].to_list() == ["a"] * 5 + ["b"] * 5 + ["c"] * 5
    assert frame["t_s"].to_list() == [0.0, 1.0, 2.0, 3.0, 4.0] * 3


def test_a_shot_comes_out_as_a_plain_log(workshop: Workshop) -> None:
    assert (export_table(workshop, "log", shot="b") or "").splitlines()[:6] == [
        "# shot = b",
        "# mould = hatch",
        "# started_at = 2026-01-05T08:00:00+00:00",
        "# operator = second shift",
        "t_s,flow_l_min,line_pressure_bar,cavity_pressure_mbar",
        "0.0,1.2,0.4,550.0",
    ]


@pytest.mark.parametrize(
    ("table", "given", "said"),
    [
        ("fil", {}, "there is no table 'fil'; there are "),
        ("shot", {"shot": "nobody"}, "there is no shot 'nobody'"),
        ("log", {}, "name it with --shot"),
        ("event", {"shot": "a"}, "table event has no shots"),
        ("shot", {"form": "parquet"}, "name a file with --to"),
        ("shot", {"to": Path("/nowhere/at/all.csv")}, "can't be written: No such file or directory"),
        ("sample", {"to": Path("/nowhere/at/all.csv")}, "can't be written: No such file or directory"),
    ],
)
def test_what_cannot_be_written_is_said(workshop: Workshop, table: str, given: dict[str, object], said: str) -> None:
    with pytest.raises(ExportError, match=said) as told:
        export_table(workshop, table, **given)  # type: ignore[arg-type]  # one of the parameters each
    assert told.value.status == 2


def test_no_file_is_written_over_unless_told_and_the_workshops_own_never(workshop: Workshop, tmp_path: Path) -> None:
    there = tmp_path / "out.csv"
    there.write_text("mine")
    with pytest.raises(ExportError, match="--overwrite replaces it") as told:
        export_table(workshop, "shot", to=there)
    assert told.value.status == 2 and there.read_text() == "mine"
    export_table(workshop, "shot", to=there, overwrite=True)
    assert there.read_text().startswith("shot,")
    (workshop.home / "logs").mkdir(exist_ok=True)
    (workshop.home / "moulds.toml").write_text("[moulds.m1]\n")
    own = ["moulds.toml", "shots.duckdb", "shots.duckdb.wal", "logs/a.csv", "catchpot.toml", "events.csv"]
    for name in own:
        with pytest.raises(ExportError, match="belongs to the workshop"):
            export_table(workshop, "shot", to=workshop.home / name, overwrite=True)
    link = tmp_path / "link.csv"
    link.symlink_to(workshop.home / "shots.duckdb")
    with pytest.raises(ExportError, match="belongs to the workshop"):
        export_table(workshop, "shot", to=link, overwrite=True)
    with pytest.raises(ExportError, match="this is a folder"):
        export_table(workshop, "shot", to=tmp_path, overwrite=True)


def test_csv_is_defused_unless_the_settings_say_raw(workshop: Workshop) -> None:
    with Store(workshop.store_path).writing() as w:
        shots = w.table("shot", shots=["a"]).with_columns(mould=pl.lit('=HYPERLINK("x")'), injector=pl.lit("a\x1b[1m"))
        w.put_shots(shots, w.samples(["a"]))
    text = export_table(workshop, "shot", shot="a")
    assert text is not None and "\"'=HYPERLINK" in text and "\x1b" not in text
    raw = Settings.model_validate({"export": {"raw_text": True}})
    text = export_table(replace(workshop, settings=raw), "shot", shot="a")
    assert text is not None and '"=HYPERLINK' in text


def test_a_spreadsheet_holds_numbers_as_numbers_and_no_formula(
    workshop: Workshop, tmp_path: Path, shots: Make, samples: Make
) -> None:
    from openpyxl import load_workbook  # read back by a general-purpose library

    noted = shots(["=1+1", "b"]).with_columns(
        programmed_volume_l=pl.lit(2.61), fabric_batch=pl.lit("http://example.invalid/"), resin_batch=pl.lit("007")
    )
    with Store(workshop.store_path).writing() as w:
        w.remove_shots(["a", "b", "c"])
        w.put_shots(noted, samples(["=1+1", "b"]))
    to = tmp_path / "shots.xlsx"
    assert export_table(workshop, "shot", to=to, form="xlsx") is None
    sheet = load_workbook(to).active
    rows = list(sheet.iter_rows())
    of = {c.value: i for i, c in enumerate(rows[0])}
    cells = {name: [row[i] for row in rows[1:]] for name, i in of.items()}
    assert all(c.data_type != "f" and c.hyperlink is None for row in rows for c in row)
    assert sorted(c.value for c in cells["shot"]) == ["'=1+1", "b"]
    assert {c.value for c in cells["programmed_volume_l"]} == {2.61}
    assert {c.value for c in cells["resin_batch"]} == {"007"}  # a text stays one
    assert all(isinstance(c.value, datetime) for c in cells["started_at"])
    assert {c.value for c in cells["injector"]} == {None}
    again = tmp_path / "again.xlsx"
    export_table(workshop, "shot", to=again, form="xlsx")
    assert again.read_bytes() == to.read_bytes()


def test_what_no_sheet_holds_is_said(workshop: Workshop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from catchpot.store import spreadsheet

    monkeypatch.setattr(spreadsheet, "MOST_ROWS", 2)
    with pytest.raises(spreadsheet.SpreadsheetError, match="a sheet holds 2 rows, table shot has 3"):
        export_table(workshop, "shot", to=tmp_path / "s.xlsx", form="xlsx")
    assert not (tmp_path / "s.xlsx").exists()
    with pytest.raises(ExportError, match="A spreadsheet is no text"):
        export_table(workshop, "shot", form="xlsx")


def test_csv_with_decimal_commas_has_semicolons_between(workshop: Workshop, tmp_path: Path) -> None:
    whole = pl.read_csv((export_table(workshop, "sample") or "").encode())
    text = export_table(workshop, "sample", decimal=",") or ""
    again = pl.read_csv(text.encode(), separator=";", decimal_comma=True)
    assert again.equals(whole) and ";0,4;550,0;" in text
    export_table(workshop, "sample", to=tmp_path / "s.csv", decimal=",")
    assert (tmp_path / "s.csv").read_text(encoding="utf-8") == text
    with pytest.raises(ExportError, match="--decimal is of CSV"):
        export_table(workshop, "sample", form="json", decimal=",")
