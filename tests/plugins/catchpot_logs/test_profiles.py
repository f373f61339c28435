"""Logs as other loggers write them, each read to the same samples as its plain twin."""

from __future__ import annotations

import gzip
import io
import zipfile
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
import pytest

ROWS = 200
AMBIENT = 1013.25
PSI = 0.0689475729
BEGAN = datetime(2026, 3, 2, 8, 15, 0, 500000, tzinfo=UTC)
LISBON = ZoneInfo("Europe/Lisbon")


def samples() -> list[dict[str, float]]:
    """A made-up shot in canonical units."""
    rows = []
    for i in range(ROWS):
        flowing = 50 <= i < 150
        rows.append(
            {
                "t": i * 0.25,
                "flow": round(1.2 - 0.004 * (i - 50), 3) if flowing else 0.0,
                "line": round(0.1 + 0.002 * (i - 50), 3) if flowing else 0.02,
                "cavity": round(550.0 + (i % 7) * 0.5, 1),
                "clamp": round(60.0 + (i % 5) * 0.5, 1),
                "temp": round(21.0 + 0.01 * i, 2),
            }
        )
    return rows


def plain() -> str:
    head = "# shot = twin\n# mould = m1\n# started_at = 2026-03-02T08:15:00.5+00:00\n"
    head += "t_s,flow_l_min,line_pressure_bar,cavity_pressure_mbar,clamp_pressure_mbar,resin_temp_c\n"
    return head + "".join(",".join(f"{v:g}" for v in r.values()) + "\n" for r in samples())


CHANNELS = """
flow_l_min = { column = "flow", unit = "l/min" }
line_pressure_bar = { column = "line", unit = "barg" }
cavity_pressure_mbar = { column = "cavity", unit = "mbar", reference = "absolute" }
clamp_pressure_mbar = { column = "clamp", unit = "mbar abs" }
resin_temp_c = { column = "temp", unit = "degC" }
"""
METADATA = """
shot = { constant = "other" }
mould = { constant = "m1" }
"""


def profile(
    top: str = "",
    time: str = 'column = "t"\nformat = "seconds"',
    channels: str = CHANNELS,
    metadata: str = METADATA,
    more: str = "",
) -> str:
    return (
        '[workshop]\ntime_zone = "Europe/Lisbon"\n'
        f'[profiles.p]\nfiles = "logs/*.log*"\n{top}\n[profiles.p.metadata]{metadata}\n'
        f"[profiles.p.time]\n{time}\n[profiles.p.channels]{channels}\n{more}"
    )


def table(
    separator: str = ",",
    decimal: str = ".",
    stamp: Callable[[float], str] | None = None,
    **change: Callable[[float], Any],
) -> str:
    """Header and rows; `change` turns a channel's value into what this logger writes."""
    text = separator.join(["t", "flow", "line", "cavity", "clamp", "temp"]) + "\n"
    for r in samples():
        cells = []
        for name, value in r.items():
            if name == "t" and stamp is not None:
                cells.append(stamp(value))
                continue
            written = change[name](value) if name in change else value
            cells.append(written if isinstance(written, str) else f"{written:.10g}".replace(".", decimal))
        text += separator.join(cells) + "\n"
    return text


def at(seconds: float, form: str, zone: ZoneInfo | None = None, digits: int = 3) -> str:
    when = (BEGAN + timedelta(seconds=seconds)).astimezone(zone or UTC)
    return when.strftime(form).replace("%f", "").replace("@@@", f"{when.microsecond // 10 ** (6 - digits):0{digits}d}")


def excel(seconds: float) -> str:
    days = (BEGAN + timedelta(seconds=seconds) - datetime(1899, 12, 30, tzinfo=UTC)).total_seconds() / 86400
    return f"{days:.10f}"


def zipped(text: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("inner.csv", text)
    return out.getvalue()


def units_row() -> str:
    head, _, body = table(";").partition("\n")
    return f"{head}\ns;l/min;bar;mbar;mbar;C\n{body}"


def with_quotes() -> str:
    return "".join(",".join(f'"{c}"' for c in line.split(",")) + "\n" for line in table().splitlines())


def long_shape() -> str:
    text = "time;tag;value;quality\n"
    for r in samples():
        text += "".join(f"{r['t']:g};{n};{r[n]:g};Good\n" for n in ("flow", "line", "cavity", "clamp", "temp"))
        text += f"{r['t']:g};flow;99;Bad\n"
    return text


def own_times() -> str:
    text = "t;flow;line;tc;cavity;clamp;temp\n"
    for r in samples():
        text += f"{r['t']:g};{r['flow']:g};{r['line']:g};{r['t']:g};{r['cavity']:g};{r['clamp']:g};{r['temp']:g}\n"
    return text


def counted() -> str:
    total, text = 0.0, "t,flow,line,cavity,clamp,temp\n"
    rows = samples()
    for i, r in enumerate(rows):
        total += (r["flow"] + rows[i - 1]["flow"]) / 2 * 0.25 / 60 if i else 0.0
        text += f"{r['t']:g},{total * 1000 + 5000:.6f},{r['line']:g},{r['cavity']:g},{r['clamp']:g},{r['temp']:g}\n"
    return text


def date_and_time() -> str:
    head, *rows = table(";", stamp=lambda s: at(s, "%d.%m.%Y;%H:%M:%S.@@@", LISBON)).splitlines()
    return "\n".join([head.replace("t;", "day;clock;", 1), *rows]) + "\n"


def two_headers() -> str:
    _, _, body = table().partition("\n")
    return "t,flow,line,cavity,clamp,temp\n,of mix,at head,,,of resin\n" + body


def restarted() -> str:
    lines = table().splitlines(keepends=True)
    return "".join([*lines[:100], lines[0], *lines[100:]])


VACUUM = """
flow_l_min = { column = "flow", unit = "cc/min" }
line_pressure_bar = { column = "line", unit = "psi", reference = "gauge" }
cavity_pressure_mbar = { column = "cavity", unit = "kPa", reference = "vacuum" }
clamp_pressure_mbar = { column = "clamp", unit = "inHg vac" }
resin_temp_c = { column = "temp", unit = "degF" }
"""
TO_VACUUM: dict[str, Any] = {
    "flow": lambda v: v * 1000,
    "line": lambda v: v / PSI,
    "cavity": lambda v: (AMBIENT - v) / 10,
    "clamp": lambda v: (AMBIENT - v) / 33.86388640341,
    "temp": lambda v: v * 9 / 5 + 32,
}
STAMPED = 'column = "t"\nformat = "{}"'
Variant = tuple[str, str, bytes]
VARIANTS: list[Variant] = [
    ("semicolons", profile('separator = ";"'), table(";").encode()),
    ("tabs", profile('separator = "tab"'), table("\t").encode()),
    ("pipes", profile('separator = "|"'), table("|").encode()),
    ("decimal comma", profile('separator = ";"\ndecimal = ","'), table(";", ",").encode()),
    ("bom", profile(), b"\xef\xbb\xbf" + table().encode()),
    ("utf-16", profile('encoding = "utf-16"'), table().encode("utf-16")),
    ("cp1252", profile('encoding = "cp1252"\nheader_line = 2'), b"Pr\xfcfstand 3\n" + table().encode()),
    ("carriage returns", profile(), table().replace("\n", "\r\n").encode()),
    ("old carriage returns", profile(), table().replace("\n", "\r").encode()),
    ("quoted", profile(), with_quotes().encode()),
    (
        "quoted decimal comma",
        profile('decimal = ","\nseparator = ";"'),
        table(";", stamp=lambda s: f'"{s:g}"'.replace(".", ","), flow=lambda v: f'"{v:g}"'.replace(".", ","))
        .replace(".", ",")
        .encode(),
    ),
    (
        "thousands",
        profile(
            'separator = ";"\ndecimal = ","\nthousands = "."',
            channels=CHANNELS.replace('"mbar", reference = "absolute"', '"Pa", reference = "absolute"'),
        ),
        table(
            ";", ",", cavity=lambda v: f"{v * 100:,.1f}".replace(",", "_").replace(".", ",").replace("_", ".")
        ).encode(),
    ),
    (
        "exponents",
        profile('separator = ";"\ndecimal = ","'),
        table(";", ",", line=lambda v: f"{v:.4E}".replace(".", ",")).encode(),
    ),
    ("sep= line", profile('separator = ";"\nheader_line = 2'), b"sep=;\n" + table(";").encode()),
    ("units row", profile('separator = ";"\nunits_line = 2'), units_row().encode()),
    (
        "two header rows",
        profile(
            "header_lines = 2",
            channels=CHANNELS.replace('"flow"', '"flow of mix"')
            .replace('"line"', '"line at head"')
            .replace('"temp"', '"temp of resin"'),
        ),
        two_headers().encode(),
    ),
    ("comments", profile('comment = ";"'), table().replace("\n50,", "\n; operator pressed start\n50,").encode()),
    ("footer", profile('footer = "END OF"'), (table() + "END OF FILE;200 rows\nchecksum 12\n").encode()),
    ("trailing separators", profile(), table().replace("\n", ",\n").replace("temp,", "temp", 1).encode()),
    ("header again", profile(), restarted().encode()),
    (
        "words for missing",
        profile('missing = ["OVER", "-"]', channels=CHANNELS + 'mould_temp_c = { column = "x" }\n'),
        "".join(
            f"{line},{'x' if i == 0 else 'OVER' if i % 2 else '-'}\n" for i, line in enumerate(table().splitlines())
        ).encode(),
    ),
    (
        "numbers for missing",
        profile('missing = ["9999"]', channels=CHANNELS + 'mould_temp_c = { column = "x" }\n'),
        "".join(f"{line},{'x' if i == 0 else '9999.0'}\n" for i, line in enumerate(table().splitlines())).encode(),
    ),
    ("gzip", profile(), gzip.compress(table().encode())),
    ("zip", profile(), zipped(table().encode())),
    ("kPa vacuum, psi, inHg, F", profile(channels=VACUUM), table(**TO_VACUUM).encode()),
    (
        "counted volume",
        profile(channels=CHANNELS.replace('unit = "l/min"', 'unit = "ml", counts = "volume_so_far"')),
        counted().encode(),
    ),
    (
        "mass flow",
        profile(channels=CHANNELS.replace('unit = "l/min"', 'unit = "g/s", density_kg_m3 = 1120.0')),
        table(flow=lambda v: v / 60 * 1120).encode(),
    ),
    (
        "long",
        profile(
            'separator = ";"\nshape = "long"',
            'column = "time"\nformat = "seconds"',
            more='[profiles.p.long]\ntag = "tag"\nvalue = "value"\nquality = "quality"\n',
        ),
        long_shape().encode(),
    ),
    (
        "own times",
        profile(
            'separator = ";"',
            channels=CHANNELS.replace('reference = "absolute"', 'reference = "absolute", time_column = "tc"'),
        ),
        own_times().encode(),
    ),
    ("milliseconds", profile(time=STAMPED.format("milliseconds")), table(stamp=lambda s: f"{s * 1000:g}").encode()),
    (
        "epoch s",
        profile(time=STAMPED.format("epoch_s")),
        table(stamp=lambda s: f"{(BEGAN.timestamp() + s):.3f}").encode(),
    ),
    (
        "epoch ms",
        profile(time=STAMPED.format("epoch_ms")),
        table(stamp=lambda s: f"{(BEGAN.timestamp() + s) * 1000:.0f}").encode(),
    ),
    ("excel days", profile(time=STAMPED.format("excel")), table(stamp=excel).encode()),
    (
        "iso with offset",
        profile(time=STAMPED.format("iso")),
        table(stamp=lambda s: (BEGAN + timedelta(seconds=s)).isoformat()).encode(),
    ),
    (
        "iso without",
        profile(time=STAMPED.format("iso")),
        table(stamp=lambda s: at(s, "%Y-%m-%dT%H:%M:%S.@@@", LISBON)).encode(),
    ),
    (
        "d.m.y, comma",
        profile('separator = ";"', STAMPED.format("%d.%m.%Y %H:%M:%S,%f")),
        table(";", stamp=lambda s: at(s, "%d.%m.%Y %H:%M:%S,@@@", LISBON)).encode(),
    ),
    (
        "m/d/y am/pm",
        profile(time=STAMPED.format("%m/%d/%Y %I:%M:%S.%f %p") + '\nzone = "America/Chicago"'),
        table(stamp=lambda s: at(s, "%m/%d/%Y %I:%M:%S.@@@ %p", ZoneInfo("America/Chicago"))).encode(),
    ),
    (
        "no leading zeros",
        profile(time=STAMPED.format("%d/%m/%Y %H:%M:%S.%f")),
        table(stamp=lambda s: at(s, "%-d/%-m/%Y %-H:%M:%S.@@@", LISBON, 2)).encode(),
    ),
    (
        "two columns",
        profile('separator = ";"', 'column = ["day", "clock"]\nformat = "%d.%m.%Y %H:%M:%S.%f"'),
        date_and_time().encode(),
    ),
    (
        "two-digit year",
        profile(time=STAMPED.format("%y%m%d-%H%M%S.%f")),
        table(stamp=lambda s: at(s, "%y%m%d-%H%M%S.@@@", LISBON)).encode(),
    ),
]


def pair(
    bench: Any, name: str, settings: str, data: bytes
) -> tuple[dict[str, Any], dict[str, Any], pl.DataFrame, pl.DataFrame]:
    (bench.home / "catchpot.toml").write_text(settings)
    bench.put("twin.csv", plain())
    ending = {"gzip": ".log.gz", "zip": ".log.zip"}.get(name, ".log")
    bench.put(f"other{ending}", data)
    outcome = bench.ingest()
    assert outcome.quarantined == [], outcome.complaints()
    assert outcome.rows_read == outcome.rows_stored + outcome.rows_dropped + outcome.rows_between
    shots = {s["shot"]: s for s in bench.table("shot").to_dicts()}
    rows = bench.table("sample")
    one, two = (rows.filter(rows["shot"] == s).drop("shot") for s in ("twin", "other"))
    return shots["twin"], shots["other"], one, two


@pytest.mark.parametrize(("name", "settings", "data"), VARIANTS, ids=[v[0] for v in VARIANTS])
def test_each_reads_to_the_samples_of_its_plain_twin(bench: Any, name: str, settings: str, data: bytes) -> None:
    twin, other, one, two = pair(bench, name, settings, data)
    assert (other["mould"], other["samples"]) == ("m1", ROWS)
    assert one.height == two.height == ROWS
    for column in (
        "t_s",
        "flow_l_min",
        "line_pressure_bar",
        "cavity_pressure_mbar",
        "clamp_pressure_mbar",
        "resin_temp_c",
    ):
        near = {"t_s": 0.0011, "flow_l_min": 1e-6}.get(column, 1e-6)
        if name == "counted volume" and column == "flow_l_min":
            near = 0.7  # the mean over the step that ends at the sample
        worst = float(np.abs(one[column].to_numpy() - two[column].to_numpy()).max())
        size = float(np.abs(one[column].to_numpy()).max())
        assert worst <= near * max(1.0, size), (column, worst)
    assert np.abs(one["vol_l"].to_numpy() - two["vol_l"].to_numpy()).max() <= 1.1e-4
    if "seconds" not in settings:
        assert abs((other["started_at"] - twin["started_at"]).total_seconds()) < 0.0011


def test_there_are_enough_variants() -> None:
    assert len(VARIANTS) >= 25
