"""Proposing a profile: what is told from the file, what is assumed, what is left to people."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from catchpot.ingest.reader import LogRefused
from catchpot.workshop import check_workshop, open_workshop
from catchpot_logs import register_readers
from catchpot_logs.propose import Proposal, propose, write_proposal

BEGAN = datetime(2026, 7, 14, 6, 0, tzinfo=UTC)


def german(rows: int = 80) -> str:
    text = "Anlage;Halle 2\nForm;m1\nSollmenge;2,5\n"
    text += "Datum / Zeit;Durchfluss;Druck Linie;Vakuum Kavität;Vakuum Rand;Temp. Harz\n"
    text += ";cm³/min;psi;kPa(a);mbar abs;°C\n"
    for i in range(rows):
        when = (BEGAN + timedelta(seconds=i / 4)).astimezone(ZoneInfo("Europe/Lisbon"))
        cells = [1200.5 if i > 20 else 0.0, 4.5 + i % 3, 55.1 + 46 * math.exp(-i / 5), 60 + i % 4, 21.25]
        stamp = when.strftime("%d.%m.%Y %H:%M:%S,") + f"{when.microsecond // 1000:03d}"
        text += ";".join([stamp, *(f"{c:.3f}".replace(".", ",") for c in cells)]) + "\n"
    return text


def english(rows: int = 80, stamp: Callable[[int], str] = lambda i: f"{i * 0.5:g}") -> str:
    text = "Time (s),Flow (l/min),Line pressure (bar),Cavity vacuum (mbar)\n"
    for i in range(rows):
        cavity = 550 + 463 * math.exp(-i / 5)
        text += f"{stamp(i)},{1.2 if i > 20 else 0},{0.3 - 0.5 * (i < 9)},{cavity:.1f}\n"
    return text


def proposed(bench: Any, name: str, content: str | bytes) -> Proposal:
    path = bench.put(name, content)
    return propose(path, open_workshop(bench.home), list(register_readers()))


def test_a_german_log_is_told_but_for_one_reference_and_the_zone(bench: Any) -> None:
    p = proposed(bench, "halle2/a.csv", "\ufeff" + german())
    for line in (
        '[profiles.halle2]', 'files = "logs/halle2/*.csv"', 'separator = ";"', 'decimal = ","', "header_line = 4",
        "units_line = 5", "mould = { line = 2, field = 2 }   # Form: m1",
        "programmed_volume_l = { line = 3, field = 2 }   # Sollmenge: 2,5", 'column = "Datum / Zeit"',
        'format = "%d.%m.%Y %H:%M:%S,%f"', 'flow_l_min = { column = "Durchfluss", unit = "cm³/min" }',
        'cavity_pressure_mbar = { column = "Vakuum Kavität", unit = "kPa(a)" }',
        'clamp_pressure_mbar = { column = "Vakuum Rand", unit = "mbar abs" }',
        'resin_temp_c = { column = "Temp. Harz", unit = "°C" }',
        'line_pressure_bar = { column = "Druck Linie", unit = "psi" }   # reference = "gauge", "absolute" or "vacuum"?',
    ):  # fmt: skip
        assert line in p.toml, f"{line}\nnot in\n{p.toml}"
    assert any("line_pressure_bar: whether column 'Druck Linie' is gauge" in s for s in p.unsure)
    assert any("time zone" in s for s in p.unsure)
    assert p.rows is None and "say what it is measured against" in p.problem


def test_nothing_is_written_until_asked_and_then_check_asks_for_the_rest(bench: Any) -> None:
    before = (bench.home / "catchpot.toml").read_text()
    p = proposed(bench, "a.csv", german())
    assert (bench.home / "catchpot.toml").read_text() == before
    write_proposal(open_workshop(bench.home), p)
    (problem,) = check_workshop(bench.home)
    assert problem.key == "profiles.logger.channels.line_pressure_bar"
    text = (bench.home / "catchpot.toml").read_text()
    (bench.home / "catchpot.toml").write_text(text.replace('unit = "psi" }', 'unit = "psi", reference = "gauge" }'))
    assert check_workshop(bench.home) == []
    assert bench.ingest().quarantined == []
    assert bench.table("shot")["mould"].to_list() == ["m1"]
    assert bench.table("sample")["flow_l_min"].max() == pytest.approx(1.2005)


def test_what_the_readings_tell_of_a_reference_is_said_as_assumed(bench: Any) -> None:
    p = proposed(bench, "a.txt", english())
    assert (
        'reference = "absolute" }   # reference assumed: its highest reading is 1013 mbar, which is ambient' in p.toml
    )
    assert 'reference = "gauge" }   # reference assumed: it reads down to -200 mbar, below zero' in p.toml
    assert 'format = "seconds"' in p.toml and len(p.assumed) >= 3
    assert p.problem == "" and p.rows is not None
    assert p.rows["t_s"].to_list() == [0.0, 0.5, 1.0, 1.5, 2.0]
    assert p.rows["cavity_pressure_mbar"][0] == 1013.0


STAMPS: list[tuple[str, Callable[[int], str], str]] = [
    ("epoch", lambda i: f"{BEGAN.timestamp() + i:.1f}", 'format = "epoch_s"'),
    ("epoch-ms", lambda i: f"{(BEGAN.timestamp() + i) * 1000:.0f}", 'format = "epoch_ms"'),
    ("spreadsheet", lambda i: f"{46217.25 + i / 86400:.8f}", 'format = "excel"'),
    ("iso", lambda i: (BEGAN + timedelta(seconds=i)).isoformat(), 'format = "iso"'),
    (
        "us",
        lambda i: (BEGAN + timedelta(seconds=i)).strftime("%m/%d/%Y %I:%M:%S %p"),
        'format = "%m/%d/%Y %I:%M:%S %p"',
    ),
]


@pytest.mark.parametrize(("name", "stamp", "line"), STAMPS, ids=[s[0] for s in STAMPS])
def test_how_time_is_written(bench: Any, name: str, stamp: Callable[[int], str], line: str) -> None:
    assert line in proposed(bench, f"{name}.txt", english(stamp=stamp)).toml


def test_day_or_month_first_is_left_to_people_where_it_can_not_be_told(bench: Any) -> None:
    began = datetime(2026, 7, 4, 6, 0, tzinfo=UTC)
    p = proposed(bench, "a.txt", english(stamp=lambda i: (began + timedelta(seconds=i)).strftime("%m/%d/%Y %H:%M:%S")))
    assert any("day or month first" in s for s in p.unsure)


def test_other_encodings_are_told(bench: Any) -> None:
    assert 'encoding = "cp1252"' in proposed(bench, "a.csv", german().encode("cp1252")).toml
    assert 'encoding = "utf-16"' in proposed(bench, "b.csv", german().encode("utf-16")).toml


def test_text_without_a_table_is_refused(bench: Any) -> None:
    with pytest.raises(LogRefused, match="no table of numbers"):
        proposed(bench, "a.txt", "Dear all,\nno log today.\n")


def test_a_profile_named_on_the_command_line_reads_what_nobody_claims(
    bench: Any, tmp_path: Path, plain: Callable[..., str]
) -> None:
    from catchpot.ingest.load import ingest_files
    from catchpot.ingest.scan import find_logs

    write_proposal(open_workshop(bench.home), proposed(bench, "a.txt", english()))
    text = (bench.home / "catchpot.toml").read_text().replace('files = "logs/*.txt"', "files = []")
    (bench.home / "catchpot.toml").write_text(text)
    bench.put("b.csv", plain())
    assert [q.source_file for q in bench.ingest().quarantined] == ["logs/a.txt"]
    workshop = open_workshop(bench.home)
    outcome = ingest_files(workshop, list(register_readers()), find_logs(bench.home), profile="logger", whole=True)
    assert (outcome.new, outcome.quarantined) == (1, [])
    # and it is remembered: with other settings the file is read anew, with the same profile
    (bench.home / "catchpot.toml").write_text(text.replace('unit = "l/min"', 'unit = "l/h"'))
    outcome = bench.ingest()
    assert (outcome.revised, outcome.quarantined) == (1, [])
