"""Traps of scanning many files at once: what one file holds must not cost another, nor its own rows."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from catchpot.ingest.rows import guarded, tidied
from catchpot.store import intake
from catchpot_logs.stamps import parse_stamps, quick_format

Plain = Callable[..., str]

PROFILE = """
[profiles.p]
files = "logs/*.txt"
separator = ";"
[profiles.p.metadata]
mould = { constant = "m1" }
[profiles.p.time]
column = "Time"
format = ["FORMAT"]
[profiles.p.channels]
flow_l_min = { column = "Q" }
line_pressure_bar = { column = "P", reference = "gauge" }
cavity_pressure_mbar = { column = "V", reference = "absolute" }
"""


def profiled(stamp: Callable[[int], str], rows: int = 200) -> str:
    lines = ["Time;Q;P;V;Remark"]
    lines += [f"{stamp(i)};{1.2 if 50 < i < 150 else 0};0.3;{550 + i % 3};" for i in range(rows)]
    return "\n".join(lines) + "\n"


def clock(i: int) -> str:
    return f"04.05.2026 07:{i // 60:02d}:{i % 60:02d}"


def settings(bench: Any, form: str = "%d.%m.%Y %H:%M:%S") -> None:
    with (bench.home / "catchpot.toml").open("a") as f:
        f.write(PROFILE.replace("FORMAT", form))


def test_line_ends_of_several_kinds_break_no_scan(bench: Any, plain: Plain) -> None:
    text = plain(shot="a")
    bench.put("a.csv", text.replace("\n", "\r\n", 2))
    bench.put("b.csv", plain(shot="b").replace("\n", "\r"))
    bench.put("c.csv", plain(shot="c").replace("\n", "\r\r\n"))
    bench.put("d.csv", plain(shot="d"))
    outcome = bench.ingest()
    assert (outcome.new, outcome.quarantined, outcome.rows_stored) == (4, [], 1600)


def test_comments_among_the_rows_cost_no_row(bench: Any, plain: Plain) -> None:
    lines = plain().splitlines(keepends=True)
    lines[100:100] = ["# mix head changed\n"]
    lines.append("# end")
    bench.put("a.csv", "".join(lines).replace("\n75,", "\nx75,"))
    outcome = bench.ingest()
    assert (outcome.rows_read, outcome.rows_stored, outcome.rows_dropped) == (400, 399, 1)
    assert bench.notes("s1")["dropped_row"][0] == 306  # the line counted with the comment


def test_a_file_that_breaks_a_scan_stands_alone(bench: Any, plain: Plain, monkeypatch: pytest.MonkeyPatch) -> None:
    scan = intake.scan_tables

    def breaks(paths: list[Path], *args: Any, **kwargs: Any) -> Any:
        if any(p.name == "bad.csv" for p in paths):
            raise intake.ScanError("this is no table")
        return scan(paths, *args, **kwargs)

    monkeypatch.setattr(intake, "scan_tables", breaks)
    for i in range(7):
        bench.put(f"{i}.csv", plain(shot=f"s{i}"))
    bench.put("bad.csv", plain(shot="bad"))
    outcome = bench.ingest()
    assert (outcome.new, len(outcome.quarantined)) == (7, 1)
    assert "can't be read as a table of rows and columns: this is no table" in bench.reason("bad.csv")


def test_a_quotation_mark_left_open_takes_no_rows_with_it(bench: Any) -> None:
    settings(bench)
    lines = profiled(clock).splitlines(keepends=True)
    lines[80] = lines[80].replace("0.3;", '"0.3;')
    lines[90] = lines[90].replace(";\n", ';5" pipe\n')  # in a column that nobody reads
    bench.put("a.txt", "".join(lines))
    outcome = bench.ingest()
    assert (outcome.rows_read, outcome.rows_stored, outcome.rows_dropped) == (200, 199, 1)
    line, count, detail = bench.notes("a")["dropped_row"]
    assert (line, count) == (81, 1) and '"0.3' in detail


def test_only_stray_marks_are_changed() -> None:
    sound = b'"a;b";"say ""so""";1\n "2" ;3;\n'
    assert guarded(sound, ";", '"', numbers_only=False) is sound
    assert guarded(b'1;"2;3\n4;5;6\n', ";", '"', numbers_only=False) == b"1;\x1a2;3\n4;5;6\n"
    assert guarded(b'5" pipe;"x\n', ";", '"', numbers_only=False) == b"5\x1a pipe;\x1ax\n"
    assert guarded(b"1_0;m_1\n", ";", '"', numbers_only=True) == b"1\x1b0;m_1\n"
    assert tidied(b"# a\nt_s\n1\n", 2, "#") is None
    assert tidied(b"# a\r\nt_s\n1\n#x\n2\n", 2, "#") == b"# a\nt_s\n1\n\n2\n"


def test_a_flow_that_is_missing_spoils_no_other_shot(bench: Any, plain: Plain) -> None:
    header = "t_s,flow_l_min,line_pressure_bar,cavity_pressure_mbar,pump_strokes"
    empty = plain(shot="a", header=header).replace(",1.0,", ",,").replace(",0.0,", ",,")
    bench.put("a.csv", empty)
    bench.put("b.csv", plain(shot="b", header=header))
    assert bench.ingest().new == 1
    assert "were stroke_volume_ml given" in bench.reason("a.csv")
    assert bench.table("sample")["vol_l"].null_count() == 0


def test_absurd_times_of_one_log_leave_the_volumes_of_the_next_alone(bench: Any, plain: Plain) -> None:
    bench.put("b.csv", plain(shot="b"))
    bench.ingest()
    alone = bench.table("sample").filter(pl.col("shot") == "b")
    (bench.home / "shots.duckdb").unlink()
    bench.put("a.csv", plain(shot="a").replace("\n60,", "\n6e17,"))
    bench.ingest()
    assert bench.table("sample").filter(pl.col("shot") == "b").equals(alone)


def test_how_one_files_stamps_read_is_no_matter_of_anothers(bench: Any) -> None:
    settings(bench, "iso")
    offset = profiled(lambda i: f"2026-05-04 07:{i // 60:02d}:{i % 60:02d}+02:00")
    bench.put("a.txt", offset)
    bench.put("b.txt", profiled(lambda i: f"2026-05-04 07:{i // 60:02d}:{i % 60:02d}"))
    bench.put("c.txt", profiled(lambda i: f"2026-05-04T07:{i // 60:02d}:{i % 60:02d}.5"))
    outcome = bench.ingest()
    assert (outcome.new, outcome.rows_stored) == (3, 600)
    starts = bench.table("shot").sort("shot")["started_at"].to_list()
    assert [s.isoformat() for s in starts] == [
        "2026-05-04T05:00:00+00:00", "2026-05-04T07:00:00+00:00", "2026-05-04T07:00:00.500000+00:00",
    ]  # fmt: skip


def test_stamps_without_leading_zeros_that_happen_to_be_of_one_length_are_read() -> None:
    text = pl.Series(["1.2.2026 7:05:03", "1.2.2026 7:05:04"])
    assert parse_stamps(text, ["%d.%m.%Y %H:%M:%S"]).good.all()


@pytest.mark.parametrize("absurd", ["1e300", "-5", "9e99", "4102444800", "202"])
def test_numbers_that_are_no_time_of_a_log_are_no_stamps(absurd: str) -> None:
    excel = parse_stamps(pl.Series(["46146.3125", absurd]), ["excel"])
    assert excel.good.tolist() == [True, False]
    epoch = parse_stamps(pl.Series(["1777879800", "1e300", "-5"]), ["epoch_s"])
    assert epoch.good.tolist() == [True, False, False]


@pytest.mark.parametrize(
    ("formats", "first", "expected"),
    [
        (["%d.%m.%Y %H:%M:%S,%f"], "", (True, "%d.%m.%Y %H:%M:%S,%f")),
        (["%m/%d/%Y %I:%M:%S %p"], "", (True, "%m/%d/%Y %I:%M:%S %p")),
        (["iso"], "2026-05-04T07:00:00.25", (True, "%Y-%m-%dT%H:%M:%S.%f")),
        (["seconds"], "", (True, None)),
        (["iso"], "2026-05-04T07:00:00Z", (False, None)),
        # what the scan would read in another way than we do, or not at all
        (["%H:%M:%S"], "", (False, "%H:%M:%S")),
        (["%d.%m.%y %H:%M:%S"], "", (False, "%d.%m.%y %H:%M:%S")),
        (["%d %b %Y %H:%M:%S"], "", (False, "%d %b %Y %H:%M:%S")),
    ],
)
def test_which_stamps_a_scan_may_read_itself(formats: list[str], first: str, expected: tuple[bool, str | None]) -> None:
    assert quick_format(formats, first) == expected
