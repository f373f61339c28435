"""The plain log: what is read, what is refused, and in which words."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest

Plain = Callable[..., str]


def test_a_good_log_is_read_whole(bench: Any, plain: Plain) -> None:
    bench.put("a.csv", plain(injector="i1", programmed_volume_l="2.5", resin_batch="B1", operator="night shift"))
    outcome = bench.ingest()
    assert (outcome.new, outcome.rows_read, outcome.rows_stored, outcome.quarantined) == (1, 400, 400, [])
    (shot,) = bench.table("shot").to_dicts()
    assert shot["shot"] == "s1" and shot["mould"] == "m1" and shot["injector"] == "i1"
    assert shot["started_at"].isoformat() == "2026-03-02T08:15:00+00:00"
    assert shot["programmed_volume_l"] == 2.5 and shot["resin_batch"] == "B1" and shot["revision"] == 1
    assert shot["channels"] == "flow_l_min line_pressure_bar cavity_pressure_mbar"
    assert json.loads(shot["notes"]) == {"operator": "night shift"}
    samples = bench.table("sample")
    assert samples["t_s"].to_list()[:3] == [0.0, 0.25, 0.5]
    # 200 samples at 1 l/min, trapezoid: 50 s and half a step at both ends
    assert samples["vol_l"][-1] == pytest.approx(50.0 / 60.0, abs=1e-4)
    assert samples["clamp_pressure_mbar"].null_count() == 400


def test_identity_falls_back_to_the_files_stem(bench: Any, plain: Plain) -> None:
    bench.put("sub/dir/nameless.csv", plain(shot=None))
    bench.ingest()
    assert bench.table("shot")["shot"].to_list() == ["nameless"]
    assert bench.table("shot")["source_file"].to_list() == ["logs/sub/dir/nameless.csv"]


def test_columns_in_another_order_are_read_by_name(bench: Any, plain: Plain) -> None:
    bench.put("a.csv", plain(shot="a"))
    bench.put("b.csv", plain(shot="b", header="cavity_pressure_mbar, line_pressure_bar ,t_s,flow_l_min"))
    bench.ingest()
    samples = bench.table("sample")
    a, b = (samples.filter(samples["shot"] == s).drop("shot") for s in "ab")
    assert a.equals(b)


def test_an_unknown_column_is_passed_over_and_said(bench: Any, plain: Plain) -> None:
    bench.put("a.csv", plain(header="t_s,flow_l_min,line_pressure_bar,cavity_pressure_mbar,clamp_presure_mbar"))
    assert bench.ingest().new == 1
    assert "is clamp_pressure_mbar meant?" in bench.notes("s1")["unknown_column"][2]


@pytest.mark.parametrize("ending", ["\n", "\r\n"])
@pytest.mark.parametrize("bom", [b"", b"\xef\xbb\xbf"])
def test_line_ends_and_byte_order_mark_change_nothing(bench: Any, plain: Plain, ending: str, bom: bytes) -> None:
    bench.put("a.csv", bom + plain().replace("\n", ending).encode())
    outcome = bench.ingest()
    assert (outcome.new, outcome.rows_stored, outcome.rows_dropped) == (1, 400, 0)
    assert bench.table("shot")["mould"].to_list() == ["m1"]


DAMAGE: list[tuple[str, Callable[[str], str | bytes], str]] = [
    ("empty", lambda t: b"", "0: the file is empty"),
    ("blank", lambda t: b"\n \n\r\n", "0: the file holds nothing but blanks"),
    ("only-zeros", lambda t: b"\0" * 4096, "0: the file holds nothing but blanks or zero bytes"),
    ("text", lambda t: "Dear all,\nthe logger was broken today.\n", "1: this is text, not a shot log: a header row"),
    ("binary", lambda t: bytes(range(256)) * 20, "1: the file holds zero bytes: it is no text log"),
    ("padded", lambda t: t.encode() + b"\0" * 512, "405: the file ends in zero bytes, as after a power loss"),
    ("comments", lambda t: "# shot = x\n# mould = m1\n", "there is no header row"),
    ("header-only", lambda t: t.split("\n0,")[0] + "\n", "the log holds no samples"),
    ("utf-16", lambda t: t.encode("utf-16"), "UTF-16 text"),
    ("semicolons", lambda t: t.replace(",", ";"), "`catchpot profile logs/semicolons.csv` proposes settings"),
    ("misspelt", lambda t: t.replace("line_pressure_bar", "line_presure_bar"), "is 'line_presure_bar' meant as line"),
    ("no-cavity", lambda t: t.replace("cavity_pressure_mbar", "something"), "4: the header lacks cavity_pressure_mbar"),
    ("twice", lambda t: t.replace("cavity_pressure_mbar", "flow_l_min"), "4: column 'flow_l_min' stands twice"),
    ("strokes", lambda t: t.replace("flow_l_min", "pump_strokes"), "where the preamble gives stroke_volume_ml"),
    ("swapped", lambda t: swap(t, 2, 3), "line_pressure_bar and cavity_pressure_mbar seem to have changed places"),
    ("flow-swapped", lambda t: swap(t, 1, 3), "flow_l_min and cavity_pressure_mbar seem to have changed places"),
    ("in-bar", lambda t: scale(t, 3, 0.001), "no absolute cavity pressure in mbar; wrong column, unit or reference"),
    ("in-psi", lambda t: scale(t, 2, 300.0), "line_pressure_bar runs from 90 to 91.8, most of it impossible in bar"),
    ("two-in-one", lambda t: t + t.split("mbar\n")[1], "t_s goes back from 99.75 s to 0 s"),
    ("bad-rows", lambda t: t.replace(",1.0,", ",OVER,", 9), "9 of 400 rows are bad, more than 1 %"),
    ("wide-rows", lambda t: t.replace(",1.0,", ",1.0,7,", 9), "rows have too many fields"),
    ("all-nan", lambda t: t.replace(",1.0,", ",nan,").replace(",0.0,", ",,"), "flow_l_min holds not one reading"),
]


def cells(text: str, change: Callable[[list[str]], list[str]]) -> str:
    head, body = text.split("mbar\n")
    return head + "mbar\n" + "\n".join(",".join(change(r.split(","))) for r in body.splitlines()) + "\n"


def swap(text: str, i: int, j: int) -> str:
    def change(row: list[str]) -> list[str]:
        row[i], row[j] = row[j], row[i]
        return row

    return cells(text, change)


def scale(text: str, i: int, factor: float) -> str:
    return cells(text, lambda row: [f"{float(c) * factor:g}" if k == i else c for k, c in enumerate(row)])


@pytest.mark.parametrize(("name", "damage", "words"), DAMAGE, ids=[d[0] for d in DAMAGE])
def test_what_is_set_aside_and_why(
    bench: Any, plain: Plain, name: str, damage: Callable[[str], str | bytes], words: str
) -> None:
    bench.put(f"{name}.csv", damage(plain(shot="x")))
    bench.put("good.csv", plain(shot="good"))
    outcome = bench.ingest()
    assert words in bench.reason(f"{name}.csv")
    assert [q.source_file for q in outcome.quarantined] == [f"logs/{name}.csv"]
    # the rest was done, and nothing went missing
    assert bench.table("shot")["shot"].to_list() == ["good"]
    assert outcome.rows_read == outcome.rows_stored + outcome.rows_dropped + outcome.rows_refused


def test_a_cut_last_line_does_not_pass_for_a_whole_number(bench: Any, plain: Plain) -> None:
    bench.put("cut.csv", plain()[:-3])  # "...,554" has become "...,5"
    bench.put("short.csv", plain(shot="s2")[:-8])  # and here a whole field is gone
    outcome = bench.ingest()
    assert (outcome.new, outcome.rows_stored, outcome.rows_dropped, outcome.rows_read) == (2, 798, 2, 800)
    for shot in ("s1", "s2"):
        line, count, detail = bench.notes(shot)["cut_line"]
        assert (line, count) == (404, 1)
        assert "no line end and may be cut short; it was left out" in detail
    assert bench.table("sample")["cavity_pressure_mbar"].min() == 550.0


def test_a_few_bad_rows_are_dropped_counted_and_said(bench: Any, plain: Plain) -> None:
    text = plain().replace(",1.0,", ",OVER,", 2).replace("99.25,", "99.25,7,")
    bench.put("a.csv", text)
    outcome = bench.ingest()
    assert (outcome.new, outcome.rows_read, outcome.rows_stored, outcome.rows_dropped) == (1, 400, 397, 3)
    notes = bench.table("log_note").filter(bench.table("log_note")["kind"] == "dropped_row").sort("line")
    assert notes["line"].to_list() == [105, 402]
    assert notes["channel"].to_list() == ["flow_l_min", ""]
    assert notes["count"].to_list() == [2, 1]
    assert "2 rows hold no number in flow_l_min (line 105: '25,OVER," in notes["detail"][0]


def test_missing_and_non_finite_readings_are_no_bad_rows(bench: Any, plain: Plain) -> None:
    text = plain().replace("\n10,0.0,", "\n10,,").replace("\n30,1.0,", "\n30,nan,").replace("\n31,1.0,", "\n31,inf,")
    bench.put("a.csv", text)
    outcome = bench.ingest()
    assert (outcome.rows_stored, outcome.rows_dropped) == (400, 0)
    line, count, detail = bench.notes("s1")["non_finite"]
    assert (line, count) == (125, 2) and "flow_l_min" in detail
    samples = bench.table("sample")
    assert samples["flow_l_min"].null_count() == 3
    # the volume goes on over a missing reading on a straight line between its neighbours
    assert samples["vol_l"][-1] == pytest.approx(50.0 / 60.0, abs=1e-4)


def test_late_and_repeated_rows_are_mended_by_rule(bench: Any, plain: Plain) -> None:
    lines = plain().splitlines(keepends=True)
    lines[50], lines[51] = lines[51], lines[50]  # one row late
    lines.insert(100, lines[99])  # one row twice
    lines.insert(200, lines[199].replace("1.0", "1.5"))  # one time with two readings
    bench.put("a.csv", "".join(lines))
    outcome = bench.ingest()
    assert (outcome.rows_read, outcome.rows_stored, outcome.rows_dropped) == (402, 400, 2)
    notes = bench.notes("s1")
    assert notes["out_of_order"][:2] == (52, 1)
    assert notes["duplicate_row"][:2] == (101, 1)
    assert notes["duplicate_time"][:2] == (201, 1)
    t = bench.table("sample")["t_s"].to_list()
    assert t == [i * 0.25 for i in range(400)]
    assert bench.table("sample")["flow_l_min"].max() == 1.0


def test_times_that_begin_elsewhere_are_put_at_zero_and_said(bench: Any, plain: Plain) -> None:
    bench.put("a.csv", cells(plain(), lambda r: [f"{float(r[0]) + 1772439300:.2f}", *r[1:]]))
    bench.put("b.csv", cells(plain(shot="s2"), lambda r: [f"{float(r[0]) - 20:g}", *r[1:]]))
    bench.ingest()
    samples = bench.table("sample")
    for shot, began in (("s1", "1772439300"), ("s2", "-20")):
        assert samples.filter(samples["shot"] == shot)["t_s"].to_list() == [i * 0.25 for i in range(400)]
        assert f"t_s began at {began} s" in bench.notes(shot)["assumed"][2]


def test_a_start_without_offset_is_read_in_the_workshops_zone_and_said(bench: Any, plain: Plain) -> None:
    (bench.home / "catchpot.toml").write_text('[workshop]\ntime_zone = "Europe/Lisbon"\n')
    bench.put("a.csv", plain(started_at="2026-07-01T08:00:00"))
    bench.put("b.csv", plain(shot="s2", started_at="2026-10-25 01:30"))
    bench.put("c.csv", plain(shot="s3", started_at="yesterday"))
    bench.put("d.csv", plain(shot="s4", started_at=None, mould=None, programmed_volume_l="two"))
    outcome = bench.ingest()
    starts = dict(bench.table("shot").select("shot", "started_at").iter_rows())
    assert starts["s1"].isoformat() == "2026-07-01T07:00:00+00:00"
    assert "has no UTC offset and was read in Europe/Lisbon" in bench.notes("s1")["assumed"][2]
    assert starts["s2"].isoformat() == "2026-10-25T00:30:00+00:00"
    assert "repeated autumn hour" in bench.notes("s2")["assumed"][2]
    assert starts["s3"] is None and starts["s4"] is None
    assert "'yesterday' is no time" in bench.notes("s3")["bad_entry"][2]
    assert "does not say when it started" in bench.notes("s4")["no_start"][2]
    assert "programmed_volume_l = 'two' is no number" in bench.notes("s4")["bad_entry"][2]
    assert "names no mould" in bench.notes("s4")["no_mould"][2]
    said = " ".join(outcome.sentences())
    assert "No start time in s3, s4" in said and "No mould named in s4" in said


def test_an_unknown_mould_is_stored_and_said(bench: Any, plain: Plain) -> None:
    bench.put("a.csv", plain(mould="m11"))
    outcome = bench.ingest()
    assert (outcome.new, outcome.quarantined) == (1, [])
    assert "Mould 'm11' is not in moulds.toml (did you mean m1?): 1 shots stored" in " ".join(outcome.sentences())


def test_strokes_stand_in_for_flow(bench: Any, plain: Plain) -> None:
    header = "t_s,pump_strokes,line_pressure_bar,cavity_pressure_mbar"
    bench.put("a.csv", plain(header=header, stroke_volume_ml="33.3"))
    assert bench.ingest().new == 1
    samples = bench.table("sample")
    assert samples["vol_l"][-1] == pytest.approx(25 * 0.0333, abs=1e-4)
    assert samples["flow_l_min"].mean() == pytest.approx(25 * 0.0333 / 99.75 * 60, rel=0.01)
    assert "flow_l_min" not in bench.table("shot")["channels"][0]
    assert "33.3 ml each" in bench.notes("s1")["strokes_stand_in"][2]


def test_a_name_with_pattern_characters_is_a_name(bench: Any, plain: Plain) -> None:
    bench.put("a[1]*.csv", plain())
    bench.put("it's.csv", plain(shot="s2"))
    assert bench.ingest().new == 2


def test_parquet_holds_the_same_shot(bench: Any, plain: Plain) -> None:
    import io

    import polars as pl

    text = plain(shot="a", injector="i1")
    bench.put("a.csv", text)
    frame = pl.read_csv(io.StringIO(text), comment_prefix="#")
    meta = {"shot": "b", "mould": "m1", "started_at": "2026-03-02T08:15:00+00:00", "injector": "i1"}
    out = io.BytesIO()
    frame.write_parquet(out, metadata=meta)
    bench.put("b.parquet", out.getvalue())
    bench.put("cut.parquet", out.getvalue()[:-100])
    outcome = bench.ingest()
    assert outcome.new == 2
    assert "no whole Parquet file" in bench.reason("cut.parquet")
    samples, shots = bench.table("sample"), bench.table("shot").drop("shot", "source_file", "source_digest")
    a, b = (samples.filter(samples["shot"] == s).drop("shot") for s in "ab")
    assert a.equals(b)
    assert shots.row(0) == shots.row(1)


def test_an_archive_too_large_to_read_at_once_is_set_aside(bench: Any, plain: Plain) -> None:
    import gzip

    (bench.home / "catchpot.toml").write_text("[workshop]\nlargest_log_mb = 0.02\n")
    bench.put("small.csv", plain())
    bench.put("packed.csv.gz", gzip.compress(plain(rows=2000, shot="packed").encode()))
    outcome = bench.ingest()
    assert (outcome.new, len(outcome.quarantined)) == (1, 1)
    assert "more than the 0.02 MB that are read at once; split it (by day, say)" in bench.reason("packed.csv.gz")
    assert bench.ingest().still_quarantined == 1
    (bench.home / "catchpot.toml").write_text("")
    assert bench.ingest().new == 1
