"""Logs in odd layouts: what is proposed for them works when accepted, and reads to the numbers behind them.

The same made-up shot is written the way many a logger does: header over two rows, one reading a row, spreadsheet days,
a counted volume, thousands marks, a time column for each channel. What a file can't tell (a reference, a zone, the
meaning of a tag) is given as a person would give it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from catchpot.workshop import check_workshop, open_workshop
from catchpot_logs import register_readers
from catchpot_logs.propose import propose, write_proposal

ROWS = 600
T = np.arange(ROWS) * 0.5
FLOWING = (T >= 60) & (T < 200)
FLOW = np.where(FLOWING, 1.5 - 0.003 * (T - 60), 0.0)
LINE = np.where(FLOWING, 0.10 + 0.002 * (T - 60), 0.01)
CAVITY = np.where(T < 20, 1013 - 23 * T, 553 + np.arange(ROWS) % 5)
CLAMP = np.where(T < 15, 1013 - 64 * T, 53 + np.arange(ROWS) % 3)
BEGAN = datetime(2026, 5, 18, 7, 30, tzinfo=UTC)
PSI = 14.503773773


def comma(x: float, digits: int = 3) -> str:
    return f"{x:.{digits}f}".replace(".", ",")


def when(i: int, zone: str, began: datetime = BEGAN) -> datetime:
    return (began + timedelta(seconds=float(T[i]))).astimezone(ZoneInfo(zone))


def two_row_header() -> bytes:
    lines = [
        "Anlage 7;Bericht;;;;", "Werkzeug:;m1;;;;", "", "Datum;Uhrzeit;Harz;Harz;Vakuum;Vakuum",
        ";;Durchfluss;Druck;Kavität;Flansch", "TT.MM.JJJJ;hh:mm:ss,0;[l/min];[bar(g)];[mbar abs];[mbar abs]",
    ]  # fmt: skip
    for i in range(ROWS):
        w = when(i, "Europe/Berlin")
        stamp = f"{w:%d.%m.%Y};{w:%H:%M:%S},{w.microsecond // 100000}"
        lines.append(f"{stamp};{comma(FLOW[i])};{comma(LINE[i])};{comma(CAVITY[i], 1)};{comma(CLAMP[i], 1)}")
    lines += ["", "Ende der Aufzeichnung;;;;;", "Mittelwert;;0,5;0,1;600;80"]
    return ("\r\n".join(lines) + "\r\n").encode("cp1252")


def one_reading_a_row() -> bytes:
    lines = ["Messstelle;Zeitstempel;Wert;Einheit;Güte"]
    tags = [("FT101", FLOW, "l/min", 4), ("PT102", LINE, "bar(g)", 4), ("PT201", CAVITY, "mbar(a)", 1)]
    for i in range(ROWS):
        w = when(i, "Europe/Berlin")
        for tag, values, unit, digits in tags:
            quality = "schlecht" if tag == "FT101" and i == 50 else "gut"
            stamp = f"{w:%d.%m.%Y %H:%M:%S}.{w.microsecond // 1000:03d}"
            lines.append(f"{tag};{stamp};{comma(values[i], digits)};{unit};{quality}")
    return ("\n".join(lines) + "\n").encode("cp1252")


def spreadsheet_days() -> bytes:
    lines = ["Time;Flow [cc/min];P line [psig];Cavity vac [kPa]"]
    for i in range(ROWS):
        days = (when(i, "UTC") - datetime(1899, 12, 30, tzinfo=UTC)) / timedelta(days=1)
        cells = [
            comma(days, 9),
            comma(FLOW[i] * 1000, 1),
            comma(LINE[i] * PSI, 4),
            comma((1013.25 - CAVITY[i]) / 10, 3),
        ]
        lines.append(";".join(cells))
    return ("\n".join(lines) + "\n").encode()


def counted_volume() -> bytes:
    """A counter of cm3 that is reset half-way; month first, am and pm."""
    lines = ["Date,Time,Total [cc],Inj Press [psig],Mold Vac [mbar abs]"]
    volume = np.concatenate(([0.0], np.cumsum(0.5 * (FLOW[1:] + FLOW[:-1]) * 0.5 / 60))) * 1000
    volume = np.where(T > 120, volume - volume[T == 120], volume)
    for i in range(ROWS):
        w = when(i, "America/Chicago")
        stamp = f"{w.month}/{w.day}/{w.year},{w:%I:%M:%S}.{w.microsecond // 100000} {w:%p}"
        lines.append(f"{stamp},{volume[i]:.2f},{LINE[i] * PSI:.4f},{CAVITY[i]:.1f}")
    return ("\r\n".join(lines) + "\r\n").encode()


def thousands_points() -> bytes:
    lines = ["Zeit (s);Menge (ccm/min);Druck (mbar Ü);Vakuum (mbar abs.)"]
    for i in range(ROWS):
        cells = [f"{x:,.2f}".translate(str.maketrans(",.", ".,")) for x in (FLOW[i] * 1000, LINE[i] * 1000, CAVITY[i])]
        lines.append(";".join([comma(T[i], 1), *cells]))
    return ("\n".join(lines) + "\n").encode()


def thousands_commas_quoted() -> bytes:
    lines = ["Time,Flow(cc/min),Line(mbar gauge),Cavity(mbar abs)"]
    for i in range(ROWS):
        clock = f"{int(T[i]) // 3600}:{int(T[i]) // 60 % 60:02d}:{int(T[i]) % 60:02d}.{int(T[i] * 10) % 10}"
        lines.append(f'{clock},"{FLOW[i] * 1000:,.1f}","{LINE[i] * 1000:,.1f}","{CAVITY[i]:,.2f}"')
    return ("\n".join(lines) + "\n").encode()


def a_time_column_each() -> bytes:
    """The line pressure at half the rate, the cavity's readings a tenth of a second late."""
    lines = ["T1;Flow [l/min];T2;Press [bar(g)];T3;Cavity [mbar(a)]", "s;;s;;s;"]
    for i in range(ROWS):
        slow = f"{T[2 * i]:.1f};{LINE[2 * i]:.4f}" if 2 * i < ROWS else ";"
        lines.append(f"{T[i]:.1f};{FLOW[i]:.4f};{slow};{T[i] + 0.1:.1f};{CAVITY[i]:.1f}")
    return ("\n".join(lines) + "\n").encode()


def utf_16_with_tabs() -> bytes:
    lines = ['"Zeitstempel"\t"Durchfluß (l/min)"\t"Leitungsdruck (bar(g))"\t"Kavität (mbar(a))"']
    for i in range(ROWS):
        w = when(i, "Europe/Berlin")
        stamp = f"{w:%Y-%m-%d %H:%M:%S},{w.microsecond // 1000:03d}"
        lines.append(f"{stamp}\t{comma(FLOW[i])}\t{comma(LINE[i])}\t{comma(CAVITY[i], 1)}")
    return ("\r\n".join(lines) + "\r\n").encode("utf-16")


def footer_of_numbers() -> bytes:
    """Units in the names without brackets, words for no reading, statistics below the data."""
    lines = ["Logger v2.1", "Tool;m1", "", "Stamp;Q L/MIN;P1 BAR G;V1 MBAR A;T1 DEG C"]
    for i in range(ROWS):
        w = when(i, "Europe/London")
        cavity = "OVER" if i == 3 else f"{CAVITY[i]:.1f}"
        temperature = "-" if i % 7 == 0 else "22.5"
        stamp = f"{w:%d/%m/%Y %H:%M:%S}.{w.microsecond // 100000}"
        lines.append(f"{stamp};{FLOW[i]:.4f};{LINE[i]:.4f};{cavity};{temperature}")
    lines += ["MIN;0.0;0.01;553;22", "MAX;1.5;0.38;1013;23", "--- end of log ---"]
    return ("\r\n".join(lines) + "\r\n").encode()


AUTUMN = datetime(2026, 10, 25, 0, 58, tzinfo=UTC)


def over_the_autumn_change() -> bytes:
    """Local time from 02:58 in summer to 02:03 in winter."""
    lines = ["Fecha y hora;Caudal (l/min);Presión línea (bar(g));Vacío cavidad (mbar(a))"]
    for i in range(ROWS):
        w = when(i, "Europe/Madrid", AUTUMN)
        stamp = f"{w:%d/%m/%Y %H:%M:%S},{w.microsecond // 100000}"
        lines.append(f"{stamp};{comma(FLOW[i])};{comma(LINE[i])};{comma(CAVITY[i], 1)}")
    return ("\n".join(lines) + "\n").encode("cp1252")


def units_in_snake_case() -> bytes:
    lines = ["# logger|7", "ts_ms|flow_lpm|line_kpa_g|cav_torr"]
    for i in range(ROWS):
        ms = BEGAN.timestamp() * 1000 + T[i] * 1000
        lines.append(f"{ms:.0f}|{FLOW[i]:.4f}|{LINE[i] * 100:.2f}|{CAVITY[i] / 1.33322368421:.4f}")
    return ("\n".join(lines) + "\n").encode()


@dataclass(frozen=True)
class Case:
    """A log; what a person answers to what could not be told; words that the proposal must hold; when it began."""

    content: Callable[[], bytes]
    answers: dict[str, str] = field(default_factory=dict)
    words: tuple[str, ...] = ()
    began: datetime | None = BEGAN
    # of the flow, the line pressure and the cavity pressure: half a unit of the last written digit
    digits: tuple[float, float, float] = (6e-4, 6e-4, 0.06)
    without: tuple[int, ...] = ()


ZONE = "# zone: could not be told; UTC, the workshop's, is used"
CASES = {
    "two-row-header": Case(
        two_row_header,
        {ZONE: 'zone = "Europe/Berlin"'},
        ("header_lines = 2", "units_line = 6", "Vakuum Flansch", 'footer = "^Ende der Aufzeichnung"'),
    ),
    "one-reading-a-row": Case(
        one_reading_a_row,
        {
            ZONE: 'zone = "Europe/Berlin"',
            "# line_pressure_bar = {": 'line_pressure_bar = { column = "PT102", unit = "bar(g)" } #',
            "# cavity_pressure_mbar = {": 'cavity_pressure_mbar = { column = "PT201", unit = "mbar(a)" } #',
        },
        ('shape = "long"', 'tag = "Messstelle"', 'quality = "Güte"', 'good = ["gut"]', "PT102, PT201"),
    ),
    "spreadsheet-days": Case(
        spreadsheet_days,
        {'{ column = "Cavity vac [kPa]", unit = "kPa" }': '{ column = "Cavity vac [kPa]", unit = "kPa vac" }'},
        ('format = "excel"', 'decimal = ","', 'reference = "gauge", "absolute" or "vacuum"? could not be told'),
    ),
    "counted-volume": Case(
        counted_volume,
        {ZONE: 'zone = "America/Chicago"'},
        ('counts = "volume_so_far"', '["Date", "Time"]', "%I:%M:%S.%f %p"),
        digits=(1.3e-2, 6e-4, 0.06),
    ),
    "thousands-points": Case(thousands_points, words=('thousands = "."', 'decimal = ","'), began=None),
    "thousands-commas": Case(thousands_commas_quoted, words=('thousands = ","', 'decimal = "."'), began=None),
    "utf-16": Case(utf_16_with_tabs, {ZONE: 'zone = "Europe/Berlin"'}, ('encoding = "utf-16"', 'separator = "tab"')),
    "footer": Case(
        footer_of_numbers,
        {ZONE: 'zone = "Europe/London"'},
        ('footer = "^MIN"', 'missing = ["-", "OVER"]'),
        without=(3,),
    ),
    "autumn": Case(over_the_autumn_change, {ZONE: 'zone = "Europe/Madrid"'}, began=AUTUMN),
    "snake-case": Case(units_in_snake_case, words=('unit = "kpa g"', 'format = "epoch_ms"')),
}  # fmt: skip


def accepted(bench: Any, name: str, content: bytes, answers: dict[str, str]) -> str:
    """Take a proposal with a person's answers into the settings; the proposal as it was."""
    path = bench.put(f"{name}/a.csv", content)
    proposal = propose(path, open_workshop(bench.home), list(register_readers()))
    toml = proposal.toml
    for told, answer in answers.items():
        assert told in toml, toml
        proposal.toml = proposal.toml.replace(told, answer)
    write_proposal(open_workshop(bench.home), proposal)
    assert check_workshop(bench.home) == []
    return toml


@pytest.mark.parametrize("name", CASES)
def test_a_proposal_accepted_reads_to_the_truth(bench: Any, name: str) -> None:
    case = CASES[name]
    toml = accepted(bench, name, case.content(), case.answers)
    for word in case.words:
        assert word in toml, f"{word}\nnot in\n{toml}"
    outcome = bench.ingest()
    assert outcome.quarantined == []
    assert outcome.rows_read == outcome.rows_stored + outcome.rows_dropped + outcome.rows_refused
    samples = bench.table("sample")
    assert samples["t_s"].to_numpy() == pytest.approx(T, abs=2e-3)
    # a counted volume gives the flow between two counts
    flow = np.concatenate(([0.0], (FLOW[1:] + FLOW[:-1]) / 2)) if "volume_so_far" in toml else FLOW
    keep = np.setdiff1d(np.arange(ROWS), [50, *np.flatnonzero(T == 120.5)]) if name != "footer" else np.arange(ROWS)
    for column, truth, digit in zip(("flow_l_min", "line_pressure_bar"), (flow, LINE), case.digits[:2], strict=True):
        assert samples[column].to_numpy()[keep] == pytest.approx(truth[keep], abs=digit), column
    cavity = samples["cavity_pressure_mbar"].to_numpy()
    there = np.setdiff1d(np.arange(ROWS), case.without)
    assert cavity[there] == pytest.approx(CAVITY[there], abs=case.digits[2])
    assert np.isnan(cavity[list(case.without)]).all()
    metered = float(np.sum(0.5 * (FLOW[1:] + FLOW[:-1]) * 0.5 / 60))
    assert samples["vol_l"][-1] == pytest.approx(metered, abs=3e-3)
    assert bench.table("shot")["started_at"][0] == case.began


def test_readings_left_out_of_a_long_log_are_said(bench: Any) -> None:
    case = CASES["one-reading-a-row"]
    text = case.content().decode("cp1252")
    text = text.replace("PT102;", "PT999;", 2).replace(
        ";0,0100;bar", ";0,01x0;bar", 5
    )  # two of them of the unknown tag
    accepted(bench, "long", text.encode("cp1252"), case.answers)
    assert bench.ingest().quarantined == []
    notes = bench.notes("a")
    assert notes["bad_quality"][1] == 1 and "1 readings of the file are of a quality" in notes["bad_quality"][2]
    assert notes["unknown_tag"][1] == 2
    assert notes["no_number"][1] == 3


def test_time_columns_of_their_own_are_seen(bench: Any) -> None:
    toml = accepted(bench, "pairs", a_time_column_each(), {})
    assert 'time_column = "T2"' in toml and 'time_column = "T3"' in toml
    bench.ingest()
    samples = bench.table("sample")
    on_time = samples.filter((samples["t_s"] * 2 % 1).abs() < 1e-6)
    assert on_time["t_s"].to_numpy() == pytest.approx(T)
    assert on_time["flow_l_min"].to_numpy() == pytest.approx(FLOW, abs=6e-5)
    # a reading holds until the channel's next one
    held = LINE[np.arange(ROWS) // 2 * 2]
    assert on_time["line_pressure_bar"].to_numpy() == pytest.approx(held, abs=6e-5)
    assert on_time["cavity_pressure_mbar"].to_numpy()[1:] == pytest.approx(CAVITY[:-1], abs=0.06)
