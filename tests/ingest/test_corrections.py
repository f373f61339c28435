"""A mistake in a log can be taken back: corrected in its file, forgotten, or refused before it does harm."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from catchpot.ingest import forget
from catchpot.store import Store
from catchpot.workshop import open_workshop

Plain = Callable[..., str]


@pytest.mark.parametrize(
    "wrong",
    [
        {"started_at": "2016-03-02T08:15:00+00:00"},
        {"mould": "m2"},
        {"mould": None},
        {"mould": "m2", "started_at": "2016-03-02T08:15:00+00:00"},
    ],
)
def test_what_a_log_says_wrong_is_corrected_in_its_own_file(bench: Any, plain: Plain, wrong: dict[str, Any]) -> None:
    bench.put("a.csv", plain(**wrong))
    bench.ingest()
    bench.put("a.csv", plain())
    outcome = bench.ingest()
    assert outcome.quarantined == []
    (shot,) = bench.table("shot").to_dicts()
    assert (shot["shot"], shot["mould"], shot["started_at"]) == ("s1", "m1", datetime(2026, 3, 2, 8, 15, tzinfo=UTC))
    assert bench.table("sample")["shot"].unique().to_list() == ["s1"]
    assert bench.ingest().unchanged == 1


def test_a_file_written_over_with_another_shot_of_the_name_is_no_correction(bench: Any, plain: Plain) -> None:
    bench.put("a.csv", plain())
    bench.ingest()
    other = plain(started_at="2026-03-02T11:00:00+00:00").replace(",0.3", ",0.4")
    bench.put("a.csv", other)
    assert len(bench.ingest().quarantined) == 1
    assert "take the former one out with `catchpot forget s1`" in bench.reason("a.csv")
    assert bench.table("shot")["started_at"].to_list() == [datetime(2026, 3, 2, 8, 15, tzinfo=UTC)]
    workshop = open_workshop(bench.home)
    forget.forget(workshop, forget.find(workshop, "s1"))
    assert bench.ingest().new == 1
    assert bench.table("shot")["started_at"].to_list() == [datetime(2026, 3, 2, 11, 0, tzinfo=UTC)]


@pytest.mark.parametrize("start", ["9999-12-31T23:59:00-05:00", "0001-01-01T00:00:00+05:00"])
def test_a_start_outside_the_calendar_is_no_start(bench: Any, plain: Plain, start: str) -> None:
    bench.put("a.csv", plain(started_at=start))
    assert bench.ingest().new == 1
    assert bench.table("shot")["started_at"].to_list() == [None]
    assert "bad_entry" in bench.notes("s1")


@pytest.mark.parametrize(
    ("start", "said"),
    [
        ("9999-06-01T00:00:00+00:00", "3: the start, 9999-06-01, lies after tomorrow"),
        ("2062-03-02T08:15:00+00:00", "3: the start, 2062-03-02, lies after tomorrow"),
        ("0001-06-01T00:00:00+00:00", "3: the start, 0001-06-01, lies before 1990"),
        ("1989-12-31T00:00:00+00:00", "3: the start, 1989-12-31, lies before 1990"),
    ],
)
def test_a_start_out_of_all_time_is_set_aside(bench: Any, plain: Plain, start: str, said: str) -> None:
    bench.put("a.csv", plain(started_at=start))
    bench.put("good.csv", plain(shot="s2"))
    outcome = bench.ingest()
    assert (outcome.new, len(outcome.quarantined)) == (1, 1)
    assert said in bench.reason("a.csv")
    assert outcome.rows_read == outcome.rows_stored + outcome.rows_dropped + outcome.rows_refused


def test_a_start_of_tomorrow_morning_passes(bench: Any, plain: Plain) -> None:
    soon = datetime.now(UTC) + timedelta(hours=20)
    bench.put("a.csv", plain(started_at=soon.isoformat()))
    assert bench.ingest().new == 1


def test_forgetting_keeps_closed_months_and_says_so(bench: Any, plain: Plain) -> None:
    bench.put("a.csv", plain())
    bench.ingest()
    with Store(bench.home / "shots.duckdb").writing() as w:
        w.close("capability", "2026-03", datetime(2026, 4, 1, tzinfo=UTC), '{"n": 1}')
    workshop = open_workshop(bench.home)
    going = forget.find(workshop, "s1")
    assert "Closed months keep their numbers: 2026-03." in going.sentences()
    forget.forget(workshop, going)
    assert bench.table("shot").is_empty()
    assert bench.table("closed")["content"].to_list() == ['{"n": 1}']


def test_forgetting_a_file_takes_its_shots_and_its_entry_out(bench: Any, plain: Plain) -> None:
    path = bench.put("a.csv", plain())
    bench.put("b.csv", plain(shot="s2"))
    bench.put("bad.csv", "nothing")
    bench.ingest()
    workshop = open_workshop(bench.home)
    going = forget.find(workshop, "logs/a.csv")
    assert (going.shots, going.samples, going.there) == (("s1",), 400, ("logs/a.csv",))
    assert "read anew at the next ingest" in " ".join(going.sentences())
    path.unlink()
    going = forget.find(workshop, "s1")
    assert going.there == ()
    forget.forget(workshop, going)
    assert bench.table("shot")["shot"].to_list() == ["s2"]
    assert bench.table("sample")["shot"].unique().to_list() == ["s2"]
    assert forget.find(workshop, str(bench.home / "logs" / "bad.csv")).set_aside
    with pytest.raises(forget.NothingToForget, match=r"called 'logs/bb.csv' \(did you mean logs/b.csv\?\)"):
        forget.find(workshop, "logs/bb.csv")
