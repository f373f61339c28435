"""What a profile can't read, and in which words; times that went wrong; splitting; growth."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl
import pytest

PLAIN_HEAD = "# shot = b\n# mould = m1\n# started_at = 2026-03-02T08:00:00Z\n"
BEGAN = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
PROFILE = """
[workshop]
time_zone = "Europe/Lisbon"
[profiles.old]
files = "logs/*.log"
separator = ";"
decimal = ","
header_line = 4
units_line = 5
missing = ["-"]
[profiles.old.metadata]
mould = { line = 1, field = 2 }
injector = { constant = "i1" }
programmed_volume_l = { line = 2, field = 2 }
shot = { file_name = '^(?P<value>.+)\\.log$' }
[profiles.old.time]
column = "Zeit"
format = "%d.%m.%Y %H:%M:%S,%f"
[profiles.old.channels]
flow_l_min = { column = "Fluss", unit = "cc/min" }
line_pressure_bar = { column = "Druck", unit = "psi", reference = "gauge" }
cavity_pressure_mbar = { column = "Vak", unit = "kPa", reference = "vacuum" }
"""


def log(rows: int = 120, step_s: float = 0.5, began: datetime = BEGAN, zone: str = "Europe/Lisbon") -> str:
    text = "Form;m1\nSollmenge;2,5\n\nZeit;Fluss;Druck;Vak\n;cc/min;psi;kPa\n"
    for i in range(rows):
        when = (began + timedelta(seconds=i * step_s)).astimezone(ZoneInfo(zone))
        stamp = when.strftime("%d.%m.%Y %H:%M:%S,") + f"{when.microsecond // 1000:03d}"
        flow = 1200 if rows // 4 <= i < 3 * rows // 4 else 0
        text += f"{stamp};{flow};{2 + i % 3 / 10:.1f};{46 + i % 4 / 10:.1f}\n".replace(".", ",").replace(",", ".", 2)
    return text


@pytest.fixture
def profiled(bench: Any) -> Any:
    (bench.home / "catchpot.toml").write_text(PROFILE)
    return bench


def test_metadata_comes_from_preamble_file_name_and_constants(profiled: Any) -> None:
    profiled.put("H3-0042.log", log())
    assert profiled.ingest().quarantined == []
    (shot,) = profiled.table("shot").to_dicts()
    assert (shot["shot"], shot["mould"], shot["injector"], shot["programmed_volume_l"]) == ("H3-0042", "m1", "i1", 2.5)
    assert shot["started_at"] == BEGAN
    samples = profiled.table("sample")
    assert samples["flow_l_min"].max() == 1.2
    # 46 kPa below 1013.25 mbar, and 2 psi
    assert samples["cavity_pressure_mbar"][0] == pytest.approx(1013.25 - 460.0)
    assert samples["line_pressure_bar"][0] == pytest.approx(0.137895, abs=1e-5)
    assert "settled with 1013.25 mbar" in profiled.notes("H3-0042")["ambient_used"][2]


REFUSED: list[tuple[str, Callable[[str], str | bytes], str]] = [
    (
        "renamed-column",
        lambda t: t.replace("Fluss", "Fluss 1"),
        "4: the profile old names a column 'Fluss' that line 4 doesn't have (did you mean",
    ),
    ("too-short", lambda t: "Form;m1\n", "0: the file has 2 lines, its profile looks for data from line 6 on"),
    ("no-rows", lambda t: t.split("kPa\n")[0] + "kPa\n", "6: the log holds no samples"),
    (
        "cp1252",
        lambda t: t.replace("Form", "Fläche").encode("cp1252"),
        "1: the file is not utf-8-sig text, as its profile says",
    ),
    ("utf-16", lambda t: t.encode("utf-16"), 'encoding = "utf-16" reads it'),
    (
        "other-stamps",
        lambda t: t.replace("02.03.2026", "2026-03-02"),
        "0: no row has a time stamp that reads as %d.%m.%Y",
    ),
    (
        "comms-lost",
        lambda t: t.replace(";1200;", ";comms lost;", 5),
        "36: 5 of 120 rows are bad, more than 1 %: 5 rows hold no number in Fluss",
    ),
    ("swapped", lambda t: t.replace("Druck;Vak", "Vak;Druck"), "cavity_pressure_mbar"),
]


@pytest.mark.parametrize(("name", "damage", "words"), REFUSED, ids=[r[0] for r in REFUSED])
def test_what_is_set_aside_and_why(profiled: Any, name: str, damage: Callable[[str], str | bytes], words: str) -> None:
    profiled.put(f"{name}.log", damage(log()))
    profiled.put("good.log", log())
    outcome = profiled.ingest()
    if name == "swapped":
        # 46 psi is 3.2 bar and 2 kPa below ambient is 993 mbar: a strange shot, but not an impossible one
        assert outcome.new == 2
        return
    assert words in profiled.reason(f"{name}.log")
    assert profiled.table("shot")["shot"].to_list() == ["good"]
    assert outcome.rows_read == outcome.rows_stored + outcome.rows_dropped + outcome.rows_refused


def test_a_cut_last_line_is_left_out(profiled: Any) -> None:
    profiled.put("a.log", log()[:-3])
    outcome = profiled.ingest()
    assert (outcome.rows_read, outcome.rows_stored, outcome.rows_dropped) == (120, 119, 1)
    assert profiled.notes("a")["cut_line"][0] == 125


def test_a_bad_row_is_dropped_with_its_line(profiled: Any) -> None:
    lines = log().splitlines(keepends=True)
    lines[20] = "02.03.2026 08:00:07,500;x;1;1\n"
    lines[30] = "noise\n"
    profiled.put("a.log", "".join(lines) + log(rows=400).split("kPa\n")[1].split("\n", 121)[121])
    outcome = profiled.ingest()
    assert outcome.rows_dropped == 2 and outcome.rows_read == outcome.rows_stored + 2
    notes = profiled.table("log_note").filter(pl.col("kind") == "dropped_row")
    assert sorted(notes["line"].to_list()) == [21, 31]


def test_a_log_through_the_repeated_autumn_hour_keeps_its_seconds(profiled: Any) -> None:
    began = datetime(2026, 10, 25, 0, 30, tzinfo=UTC)  # 01:30 in summer time; the clock steps back at 01:00 UTC
    profiled.put("a.log", log(rows=400, step_s=10.0, began=began))
    assert profiled.ingest().quarantined == []
    samples = profiled.table("sample")
    assert samples["t_s"].to_list() == [i * 10.0 for i in range(400)]
    assert profiled.table("shot")["started_at"][0] == began


def test_a_clock_set_back_is_mended_and_said(profiled: Any) -> None:
    early, late = log(rows=100), log(rows=100, began=BEGAN + timedelta(seconds=20)).split("kPa\n")[1]
    profiled.put("a.log", early + late)  # after 49.5 s the clock says 20 s again, and goes on
    assert profiled.ingest().quarantined == []
    line, count, detail = profiled.notes("a")["clock_set_back"]
    assert (line, count) == (106, 1)
    assert "went back by 29.5 s" in detail
    assert profiled.table("sample")["t_s"].to_list() == [i * 0.5 for i in range(200)]


def test_times_of_day_take_their_date_from_the_preamble_and_pass_midnight(bench: Any) -> None:
    settings = PROFILE.replace('"%d.%m.%Y %H:%M:%S,%f"', '"%H:%M:%S,%f"\ndate_format = "%d.%m.%Y"')
    settings = settings.replace("[profiles.old.time]", "date = { line = 3, field = 2 }\n[profiles.old.time]")
    (bench.home / "catchpot.toml").write_text(settings)
    text = log(began=datetime(2026, 3, 2, 23, 59, 30, tzinfo=UTC)).replace("\n\n", "\nTag;02.03.2026\n", 1)
    head, body = text.split("kPa\n")
    body = body.replace("02.03.2026 ", "").replace("03.03.2026 ", "")
    bench.put("a.log", head + "kPa\n" + body)
    assert bench.ingest().quarantined == []
    assert bench.table("shot")["started_at"][0] == datetime(2026, 3, 2, 23, 59, 30, tzinfo=UTC)
    assert bench.table("sample")["t_s"].to_list() == [i * 0.5 for i in range(120)]


def test_a_changed_profile_reads_its_files_anew(profiled: Any) -> None:
    profiled.put("a.log", log())
    profiled.put(
        "b.csv",
        PLAIN_HEAD + "t_s,flow_l_min,line_pressure_bar,cavity_pressure_mbar\n0,0,0,900\n1,0,0,900\n",
    )
    profiled.ingest()
    (profiled.home / "catchpot.toml").write_text(PROFILE.replace('"cc/min"', '"l/h"'))
    outcome = profiled.ingest()
    assert (outcome.revised, outcome.unchanged, outcome.quarantined) == (1, 1, [])
    assert profiled.table("sample")["flow_l_min"].max() == pytest.approx(20.0)


def test_a_mass_flow_takes_the_density_of_the_moulds_resin(profiled: Any) -> None:
    (profiled.home / "catchpot.toml").write_text(PROFILE.replace('"cc/min"', '"g/min"'))
    profiled.put("a.log", log())
    assert len(profiled.ingest().quarantined) == 1
    assert (
        "flow_l_min is a mass flow: give density_kg_m3 in the profile, or density_kg_m3 of the resin"
        in profiled.reason("a.log")
    )
    (profiled.home / "moulds.toml").write_text('[resins.r]\ndensity_kg_m3 = 1200.0\n[moulds.m1]\nresin = "r"\n')
    assert profiled.ingest().new == 1
    assert profiled.table("sample")["flow_l_min"].max() == pytest.approx(1.0)


CONTINUOUS = """
[workshop]
[profiles.historian]
files = "logs/*.hist"
[profiles.historian.metadata]
shot = { constant = "bay1" }
mould = { column = "mould" }
[profiles.historian.time]
column = "time"
format = "epoch_s"
[profiles.historian.channels]
flow_l_min = { column = "flow", unit = "l/min" }
line_pressure_bar = { column = "line", unit = "barg" }
cavity_pressure_mbar = { column = "cavity", unit = "mbar abs" }
[profiles.historian.split]
before_s = 600
after_s = 300
"""


def day(shots: int, cut_s: float | None = None) -> str:
    """A logger that runs on at 1 Hz: each half-hour a shot, 300 s of evacuation, 400 s of injection, then opened."""
    text = "time,flow,line,cavity,mould\n"
    for i in range(int(shots * 1800)):
        k, s = divmod(i, 1800)
        if cut_s is not None and i >= cut_s:
            break
        flowing = 400 <= s < 800 and not 500 <= s < 530
        cavity = 1013.0 if s < 100 or s > 1200 else 550 + 463 * math.exp(-(s - 100) / 20)
        flow, line = (1.0, 0.3) if flowing else (0.0, 0.0)
        mould = "m1" if k % 2 else "m2"
        text += f"{BEGAN.timestamp() + i:.0f},{flow},{line},{cavity:.2f},{mould}\n"
    return text


@pytest.fixture
def historian(bench: Any) -> Any:
    (bench.home / "catchpot.toml").write_text(CONTINUOUS)
    return bench


def test_one_continuous_log_becomes_its_shots(historian: Any) -> None:
    historian.put("a.hist", day(4))
    outcome = historian.ingest()
    assert (outcome.new, outcome.quarantined) == (4, [])
    assert outcome.rows_read == 4 * 1800 == outcome.rows_stored + outcome.rows_between
    shots = historian.table("shot").sort("started_at")
    assert shots["shot"].to_list()[:2] == ["bay1-20260302T080640Z", "bay1-20260302T083640Z"]
    assert shots["mould"].to_list() == ["m2", "m1", "m2", "m1"]
    samples = historian.table("sample")
    for shot in shots["shot"]:
        mine = samples.filter(pl.col("shot") == shot)
        assert mine["vol_l"][-1] == pytest.approx(370 / 60, rel=0.01)
        # the evacuation before and the settling after are in it, the neighbour's flow is not
        assert mine["cavity_pressure_mbar"][0] == pytest.approx(1013.0)
        assert (mine["flow_l_min"] > 0).sum() == 370
        assert mine.filter(pl.col("flow_l_min") > 0)["t_s"].min() > 300
    assert historian.ingest().unchanged == 4


def test_a_log_that_grew_adds_its_new_shots_and_completes_the_cut_one(historian: Any) -> None:
    historian.put("a.hist", day(4, cut_s=2 * 1800 + 600))  # in the middle of the third injection
    assert historian.ingest().new == 3
    before = {s["shot"]: s for s in historian.table("shot").to_dicts()}
    historian.put("a.hist", day(4))
    outcome = historian.ingest()
    assert (outcome.new, outcome.revised, outcome.unchanged, outcome.withdrawn) == (1, 1, 2, 0)
    after = {s["shot"]: s for s in historian.table("shot").to_dicts()}
    assert set(before) < set(after)
    cut = "bay1-20260302T090640Z"
    assert (before[cut]["revision"], after[cut]["revision"]) == (1, 2)
    assert all(after[s]["source_digest"] == before[s]["source_digest"] for s in before if s != cut)
    whole = historian.table("sample").filter(pl.col("shot") == cut)
    assert whole["vol_l"][-1] == pytest.approx(370 / 60, rel=0.01)


def test_the_same_shots_come_out_whether_it_grew_or_not(historian: Any, tmp_path_factory: Any) -> None:
    for cut in (500, 1500, 2500, 4000, 5000, None):
        historian.put("a.hist", day(3, cut_s=cut))
        historian.ingest()
    grown = historian.table("sample"), historian.table("shot").drop("revision", "source_file")
    historian.put("b.hist", day(3))
    (historian.home / "shots.duckdb").unlink()
    (historian.home / "logs" / "a.hist").unlink()
    historian.ingest()
    assert historian.table("sample").equals(grown[0])
    assert historian.table("shot").drop("revision", "source_file").equals(grown[1])


def test_a_continuous_log_without_any_injection_is_set_aside(historian: Any) -> None:
    historian.put("a.hist", day(1, cut_s=300))
    historian.ingest()
    assert "no shot was found in this continuous log" in historian.reason("a.hist")


def test_shots_by_a_column(historian: Any) -> None:
    (historian.home / "catchpot.toml").write_text(CONTINUOUS + 'by = "column"\ncolumn = "mould"\n')
    historian.put("a.hist", day(2))
    assert historian.ingest().new == 2
    assert historian.table("shot")["shot"].to_list() == ["m1", "m2"]
