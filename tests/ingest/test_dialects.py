"""Logs built at random, dialect by units by time format by damage: read right, or left out and said."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from catchpot.ingest.batch import read_batch
from catchpot.ingest.scan import Found, Read
from catchpot.workshop import open_workshop
from catchpot_logs import register_readers

AMBIENT = 1013.25
ROWS = 150
BEGAN = datetime(2026, 5, 4, 7, 30, tzinfo=UTC)
FLOWS = {"l/min": 1.0, "cc/min": 1000.0, "l/h": 60.0, "ml/s": 1000 / 60}
GAUGES = {"bar": 1.0, "psi": 1 / 0.0689475729, "kPa": 100.0, "mbar": 1000.0}
VACUUMS = {"mbar": 1.0, "kPa": 0.1, "inHg": 1 / 33.86388640341, "Torr": 1 / 1.33322368421}
STAMPS = {
    "seconds": None, "epoch_ms": None, "%d.%m.%Y %H:%M:%S.%f": "Europe/Lisbon", "%Y-%m-%d %H:%M:%S.%f": "UTC",
    "%m/%d/%Y %I:%M:%S.%f %p": "America/Chicago",
}  # fmt: skip


@dataclass(frozen=True)
class Dialect:
    separator: str
    decimal: str
    encoding: str
    ending: str
    preamble: int
    units_row: bool
    flow: str
    gauge: str
    vacuum: str
    reference: str
    stamp: str
    quoted: bool
    damage: str


dialects = st.builds(
    Dialect,
    separator=st.sampled_from([";", "\t", "|"]),
    decimal=st.sampled_from([".", ","]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]),
    ending=st.sampled_from(["\n", "\r\n"]),
    preamble=st.integers(0, 4),
    units_row=st.booleans(),
    flow=st.sampled_from(sorted(FLOWS)),
    gauge=st.sampled_from(sorted(GAUGES)),
    vacuum=st.sampled_from(sorted(VACUUMS)),
    reference=st.sampled_from(["absolute", "vacuum", "gauge"]),
    stamp=st.sampled_from(sorted(STAMPS)),
    quoted=st.booleans(),
    damage=st.sampled_from(["none", "none", "cut", "bad cell", "short row", "repeated header", "late row"]),
)


def truth() -> dict[str, np.ndarray]:
    i = np.arange(ROWS)
    flowing = (i >= 40) & (i < 110)
    return {
        "t": i * 0.5,
        "flow": np.where(flowing, 1.5 - 0.01 * (i - 40), 0.0),
        "line": np.where(flowing, 0.1 + 0.004 * (i - 40), 0.01),
        "cavity": 540.0 + i % 7,
    }


def build(d: Dialect) -> tuple[str, bytes]:
    """Settings, and the log's bytes."""
    true = truth()
    sign, shift = {"absolute": (1.0, 0.0), "vacuum": (-1.0, AMBIENT), "gauge": (1.0, -AMBIENT)}[d.reference]
    cavity = (sign * true["cavity"] + shift) * VACUUMS[d.vacuum]
    zone = STAMPS[d.stamp]
    lines = []
    for i in range(ROWS):
        if zone:
            when = (BEGAN + timedelta(seconds=float(true["t"][i]))).astimezone(ZoneInfo(zone))
            stamp = when.strftime(d.stamp)
        else:
            stamp = f"{true['t'][i]:g}" if d.stamp == "seconds" else f"{(BEGAN.timestamp() + true['t'][i]) * 1000:.0f}"
        numbers = [true["flow"][i] * FLOWS[d.flow], true["line"][i] * GAUGES[d.gauge], cavity[i]]
        cells = [stamp, *(f"{x:.8g}".replace(".", d.decimal) for x in numbers)]
        lines.append(d.separator.join(f'"{c}"' if d.quoted else c for c in cells))
    header = d.separator.join(["Zeit", "Fluß", "P", "V"])
    if d.damage == "bad cell":
        lines[70] = d.separator.join([lines[70].split(d.separator)[0], "comms lost", "1", "1"])
    elif d.damage == "short row":
        lines[70] = lines[70].rpartition(d.separator)[0]
    elif d.damage == "repeated header":
        lines.insert(70, header)
    elif d.damage == "late row":
        lines[70], lines[71] = lines[71], lines[70]
    head = [f"Kopf {k}" for k in range(d.preamble)] + [header]
    if d.units_row:
        head.append(d.separator.join(["", d.flow, d.gauge, d.vacuum]))
    text = d.ending.join([*head, *lines]) + ("" if d.damage == "cut" else d.ending)
    if d.damage == "cut":
        text = text[:-1]
    units = f"units_line = {d.preamble + 2}\n" if d.units_row else ""
    time = f'format = "{d.stamp}"\n' + (f'zone = "{zone}"\n' if zone else "")
    separator = "tab" if d.separator == "\t" else d.separator
    return (
        f'[workshop]\n[profiles.p]\nfiles = "*.log"\nencoding = "{d.encoding}"\nseparator = "{separator}"\n'
        f'decimal = "{d.decimal}"\nheader_line = {d.preamble + 1}\n{units}[profiles.p.time]\ncolumn = "Zeit"\n{time}'
        f'[profiles.p.channels]\nflow_l_min = {{ column = "Fluß", unit = "{d.flow}" }}\n'
        f'line_pressure_bar = {{ column = "P", unit = "{d.gauge}", reference = "gauge" }}\n'
        f'cavity_pressure_mbar = {{ column = "V", unit = "{d.vacuum}", reference = "{d.reference}" }}\n'
    ), text.encode(d.encoding)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(dialects)
def test_any_dialect_reads_to_the_truth(d: Dialect) -> None:
    toml, data = build(d)
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        (home / "catchpot.toml").write_text(toml, encoding="utf-8")
        (home / "moulds.toml").write_text("[moulds.m]\n")
        (home / "a.log").write_bytes(data)
        workshop = open_workshop(home)
        read = Read(Found(str(home / "a.log"), "a.log", len(data), 0), data, "digest")
        batch = read_batch([read], list(register_readers()), workshop)
    assert batch.refused == []
    (candidate,) = batch.candidates
    true, frame = truth(), batch.frame
    lost = {"bad cell": [70], "short row": [70], "cut": [ROWS - 1]}.get(d.damage, [])
    kept = np.setdiff1d(np.arange(ROWS), lost)
    assert frame.height == len(kept)
    assert candidate.state.rows == frame.height + candidate.state.dropped + candidate.state.repeated
    assert np.allclose(frame["t_s"].to_numpy(), true["t"][kept], atol=2e-6)
    assert np.allclose(frame["flow_l_min"].to_numpy(), true["flow"][kept], atol=1e-6)
    assert np.allclose(frame["line_pressure_bar"].to_numpy(), true["line"][kept], atol=1e-6)
    assert np.allclose(frame["cavity_pressure_mbar"].to_numpy(), true["cavity"][kept], atol=2e-4)
    said = {r.kind for r in candidate.meta.remarks}
    expected = {
        "bad cell": "dropped_row", "short row": "dropped_row", "cut": "cut_line", "late row": "out_of_order",
        "repeated header": "repeated_header",
    }.get(d.damage)  # fmt: skip
    assert expected is None or expected in said
    if d.stamp != "seconds":
        assert candidate.meta.started_at == BEGAN
