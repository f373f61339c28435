"""What stays and what changes when logs are taken in again."""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Any

import polars as pl

Plain = Callable[..., str]


def later(path: Any, seconds: float) -> None:
    stat = path.stat()
    os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns + int(seconds * 1e9)))


def test_a_second_run_does_nothing(bench: Any, plain: Plain) -> None:
    for i in range(5):
        bench.put(f"{i}.csv", plain(shot=f"s{i}"))
    bench.put("bad.csv", "x")
    first = bench.ingest()
    before = {n: bench.table(n) for n in ("shot", "sample", "log_note", "quarantine")}
    again = bench.ingest()
    assert (first.new, len(first.quarantined)) == (5, 1)
    assert (again.new, again.revised, again.unchanged, again.changed) == (0, 0, 5, False)
    assert (again.quarantined, again.still_quarantined, again.rows_stored) == ([], 1, 0)
    for name in ("shot", "sample", "log_note"):
        assert bench.table(name).equals(before[name])


def test_a_touched_file_with_the_same_content_is_unchanged(bench: Any, plain: Plain) -> None:
    path = bench.put("a.csv", plain())
    bench.ingest()
    later(path, 60)
    outcome = bench.ingest()
    assert (outcome.unchanged, outcome.revised) == (1, 0)


def test_other_content_is_a_new_revision(bench: Any, plain: Plain) -> None:
    bench.put("a.csv", plain(rows=400))
    bench.ingest()
    bench.put("a.csv", plain(rows=500))
    outcome = bench.ingest()
    assert (outcome.new, outcome.revised) == (0, 1)
    (shot,) = bench.table("shot").to_dicts()
    assert (shot["revision"], shot["samples"], bench.table("sample").height) == (2, 500, 500)
    assert bench.ingest().unchanged == 1


def test_the_name_of_another_mould_or_time_is_quarantined(bench: Any, plain: Plain) -> None:
    bench.put("a.csv", plain())
    bench.ingest()
    bench.put("b.csv", plain(mould="m2"))
    bench.put("c.csv", plain(started_at="2026-03-02T08:26:00+00:00"))
    bench.put("d.csv", plain(started_at="2026-03-04T08:15:00+00:00"))
    outcome = bench.ingest()
    assert len(outcome.quarantined) == 3
    assert "name already used: shot 's1' is held by logs/a.csv for mould 'm1', this log names 'm2'" in bench.reason(
        "b.csv"
    )
    assert "which started 11 minutes apart" in bench.reason("c.csv")
    assert "which started 2 days apart" in bench.reason("d.csv")
    (shot,) = bench.table("shot").to_dicts()
    assert (shot["source_file"], shot["revision"]) == ("logs/a.csv", 1)
    assert bench.ingest().still_quarantined == 3


def test_the_clash_is_seen_within_one_batch_too(bench: Any, plain: Plain) -> None:
    bench.put("a.csv", plain())
    bench.put("b.csv", plain(mould="m2"))
    outcome = bench.ingest()
    assert (outcome.new, len(outcome.quarantined)) == (1, 1)
    assert "name already used" in bench.reason("b.csv")


def test_a_copy_of_a_log_is_the_same_shot(bench: Any, plain: Plain) -> None:
    bench.put("a.csv", plain())
    bench.put("copy/a.csv", plain())
    outcome = bench.ingest()
    assert (outcome.new, outcome.unchanged) == (1, 1)
    assert bench.table("shot")["source_file"].to_list() == ["logs/a.csv"]
    assert bench.ingest().unchanged == 2


def test_of_two_files_for_one_shot_the_newer_counts_and_it_stays_so(bench: Any, plain: Plain) -> None:
    new = bench.put("a.csv", plain(rows=500))
    bench.put("b.csv", plain(rows=400))
    later(new, 3600)
    for _ in range(3):
        bench.ingest()
        (shot,) = bench.table("shot").to_dicts()
        assert (shot["source_file"], shot["samples"]) == ("logs/a.csv", 500)
    assert bench.table("sample").height == 500


def test_a_mended_file_is_taken_at_the_next_run(bench: Any, plain: Plain) -> None:
    bench.put("a.csv", plain().replace("line_pressure_bar", "p"))
    assert len(bench.ingest().quarantined) == 1
    bench.put("a.csv", plain())
    outcome = bench.ingest()
    assert outcome.new == 1
    assert bench.table("quarantine").is_empty()


def test_a_file_that_goes_bad_keeps_its_last_good_shot(bench: Any, plain: Plain) -> None:
    bench.put("a.csv", plain())
    bench.ingest()
    bench.put("a.csv", "nonsense\n")
    assert len(bench.ingest().quarantined) == 1
    assert bench.table("shot")["samples"].to_list() == [400]


def test_a_quarantined_file_that_is_gone_is_listed_no_more(bench: Any, plain: Plain) -> None:
    path = bench.put("a.csv", "nonsense\n")
    bench.ingest()
    path.unlink()
    bench.ingest()
    assert bench.table("quarantine").is_empty()


def test_a_corrected_name_takes_the_place_of_the_wrong_one(bench: Any, plain: Plain) -> None:
    bench.put("a.csv", plain(shot="wrnog"))
    bench.ingest()
    bench.put("a.csv", plain(shot="right"))
    outcome = bench.ingest()
    assert (outcome.new, outcome.withdrawn) == (1, 1)
    assert bench.table("shot")["shot"].to_list() == ["right"]
    assert bench.table("sample")["shot"].unique().to_list() == ["right"]


def test_a_file_written_over_with_another_shot_loses_nothing(bench: Any, plain: Plain) -> None:
    bench.put("current.csv", plain(shot="s1"))
    bench.ingest()
    bench.put("current.csv", plain(shot="s2", started_at="2026-03-02T11:00:00+00:00"))
    assert bench.ingest().new == 1
    assert bench.table("shot")["shot"].to_list() == ["s1", "s2"]


def test_another_zone_reads_naive_starts_anew_and_others_not(bench: Any, plain: Plain) -> None:
    bench.put("a.csv", plain(started_at="2026-07-01T08:00:00"))
    bench.ingest()
    (bench.home / "catchpot.toml").write_text('[workshop]\ntime_zone = "Europe/Lisbon"\n')
    outcome = bench.ingest()
    assert (outcome.revised, outcome.quarantined) == (1, [])
    assert bench.table("shot")["started_at"][0].isoformat() == "2026-07-01T07:00:00+00:00"
    assert bench.ingest().unchanged == 1


def test_hidden_and_unfinished_files_are_passed_over(bench: Any, plain: Plain) -> None:
    for name in (".a.csv", "a.csv.part", "b.csv~", ".git/x.csv"):
        bench.put(name, plain())
    outcome = bench.ingest()
    assert (outcome.files, outcome.new) == (0, 0)


def test_what_comes_in_is_what_is_stored_and_what_was_refused(bench: Any, plain: Plain) -> None:
    bench.put("a.csv", plain(rows=400))
    bench.put("b.csv", plain(rows=300, shot="s2").replace(",1.0,", ",?,", 2))
    bench.put("c.csv", plain(rows=100, shot="s3").replace(",1.0,", ",?,", 20))
    bench.put("d.csv", plain(rows=200, mould="m2"))
    bench.put("e.csv", plain(rows=150, shot="s5")[:-2])
    outcome = bench.ingest()
    assert outcome.rows_read == 400 + 300 + 100 + 200 + 150
    assert (outcome.rows_stored, outcome.rows_dropped, outcome.rows_refused) == (400 + 298 + 149, 2 + 1, 300)
    assert bench.table("sample").height == outcome.rows_stored
    assert bench.table("shot")["samples"].sum() == outcome.rows_stored
    assert bench.table("quarantine").select(pl.col("reason").str.len_chars().min()).item() > 20
