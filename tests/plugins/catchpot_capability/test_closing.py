"""Closed months: fixed for good, whatever comes later, and said."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from catchpot.analysis import Job
from catchpot.core_tables import CLOSED
from catchpot.report.section import DataTable, Part, View
from catchpot.store import Store
from catchpot.tables import empty
from catchpot_capability import closing
from catchpot_capability.analysis import CapabilityAnalysis
from catchpot_capability.command import close
from catchpot_capability.section import CapabilitySection

Make = Callable[..., Job]
AT = datetime(2026, 11, 2, 8, tzinfo=UTC)


def tables(make_job: Make, shots: int) -> dict[str, pl.DataFrame]:
    x = np.random.default_rng(4).normal(2.55, 0.03, 60)[:shots]
    result = CapabilityAnalysis().compute(make_job({"injected_volume_l": x}))
    return {t.name: result.tables.get(t.name, empty(t)) for t in closing.TABLES}


def view(current: Mapping[str, pl.DataFrame], closed: pl.DataFrame, make_job: Make, mould: str | None = None) -> View:
    events = make_job({"injected_volume_l": np.ones(3)}).tables["event"]
    return View(mould, {**current, "closed": closed, "event": events}, {}, make_job({"a": np.ones(1)}).book, "UTC", AT)


def closed_rows(content: str) -> pl.DataFrame:
    row = {"what": "capability", "period": "2026-10", "closed_at": AT, "content": content}
    return pl.DataFrame([row], schema=empty(CLOSED).schema)


def test_what_is_packed_comes_back_to_the_last_digit(make_job: Make) -> None:
    now = tables(make_job, 40)
    back = closing.unpack(closing.pack(now, "2026-10"), "2026-10", AT)
    for table in closing.TABLES:
        expected = closing.pick(now[table.name], "2026-10").select(table.names).sort(list(table.key))
        assert back.tables[table.name].equals(expected), table.name


def _october(seen: View) -> Part:
    """hatch-3 on the page of October."""
    page = next(p for p in CapabilitySection().pages(seen) if p.slug == "2026-10")
    return next(part for part in page.made_parts() if part.name == "hatch-3")


def test_one_late_shot_changes_nothing_silently(make_job: Make) -> None:
    content = closing.pack(tables(make_job, 40), "2026-10")
    later = tables(make_job, 41)
    month = _october(view(later, closed_rows(content), make_job))
    before = _october(view(tables(make_job, 40), closed_rows(content), make_job))
    # The measure's panel is the same to the letter and the point; the last panel says what would change.
    assert month.panels[1][1].headline == before.panels[1][1].headline
    assert "40 shots" in month.panels[1][1].headline
    tables_then = [b.frame.rows() for b in before.panels[1][1].blocks if isinstance(b, DataTable)]
    tables_now = [b.frame.rows() for b in month.panels[1][1].blocks if isinstance(b, DataTable)]
    assert tables_now == tables_then
    last = month.panels[-1][1]
    assert last.headline == "The numbers of October 2026 were fixed on 2 Nov 2026 and stay as they are."
    said = " ".join(last.blocks[0].paragraphs)  # type: ignore[union-attr]  # prose
    assert "Late data would change: hatch-3, injected volume: 40 shots then, 41 now" in said
    assert "Signature" in said
    assert "Today's data give the same numbers." in " ".join(before.panels[-1][1].blocks[0].paragraphs)  # type: ignore[union-attr]


def test_an_open_month_says_that_it_is_open(make_job: Make) -> None:
    pages = CapabilitySection().pages(view(tables(make_job, 41), empty(CLOSED), make_job))
    assert [(p.folder, p.slug) for p in pages] == [("months", "2026-10")]
    assert [part.name for part in pages[0].made_parts()] == ["all moulds", "hatch-3"]
    assert "catchpot close 2026-10" in pages[0].made_parts()[1].panels[-1][1].headline


@pytest.fixture
def shop(tmp_path: Path, make_job: Make, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "catchpot.toml").write_text('[workshop]\nname = "T"\ntime_zone = "UTC"\n')
    (tmp_path / "moulds.toml").write_text("[moulds.hatch-3]\nlimits = { injected_volume_l = [2.4, 2.7] }\n")
    monkeypatch.setenv("CATCHPOT_HOME", str(tmp_path))
    _store(tmp_path, tables(make_job, 40))
    return tmp_path


def _store(home: Path, now: Mapping[str, pl.DataFrame]) -> None:
    with Store(home / "shots.duckdb").writing() as w:
        for table in closing.TABLES:
            w.mirror(table, now[table.name])


def test_the_command_closes_once(shop: Path, make_job: Make, capsys: pytest.CaptureFixture[str]) -> None:
    assert close("2026-10", json=True) == 0
    first: dict[str, Any] = json.loads(capsys.readouterr().out)
    assert (first["already_closed"], first["rows"], first["late_changes"]) == (False, 1, [])
    csv, parquet = (Path(f) for f in first["files"])
    rows = pl.read_parquet(parquet)
    assert rows["n"].to_list() == [40]
    assert pl.read_csv(csv)["cpk"][0] == pytest.approx(rows["cpk"][0], rel=1e-12)
    _store(shop, tables(make_job, 41))
    assert close("2026-10", json=True) == 0
    again: dict[str, Any] = json.loads(capsys.readouterr().out)
    assert again["already_closed"] and again["closed_at"] == first["closed_at"]
    assert ["40 shots then, 41 now" in s for s in again["late_changes"]] == [True]
    assert pl.read_parquet(parquet).equals(rows)


@pytest.mark.parametrize(
    ("month", "message"),
    [
        ("October", "expected a month like 2026-10"),
        ("2099-01", "is not over"),
        ("2026-01", "run catchpot analyse first"),
    ],
)
def test_what_can_not_be_closed(shop: Path, month: str, message: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert close(month) == 2
    assert message in capsys.readouterr().err
