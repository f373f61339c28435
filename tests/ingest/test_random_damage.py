"""Logs damaged at random: nothing breaks, every row is accounted for, and no file's fate hangs on its neighbours.

What a log gives must not depend on how it was read: alone or among others in one scan, where it lies or from a copy,
its stamps read by the scan or as text. And what is read is compared with a reader of a few lines that knows no scan.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from catchpot.ingest.batch import Batch, read_batch
from catchpot.ingest.scan import Found, Read
from catchpot.workshop import Workshop, open_workshop
from catchpot_logs import profile, register_readers

PROFILE = """
[workshop]
time_zone = "Europe/Lisbon"
[profiles.p]
files = "logs/*.txt"
encoding = "utf-8-sig"
separator = ";"
decimal = ","
header_line = 2
units_line = 3
missing = ["-"]
[profiles.p.metadata]
mould = { line = 1, field = 2 }
[profiles.p.time]
column = "Zeit"
format = "FORMAT"
[profiles.p.channels]
flow_l_min = { column = "Q", unit = "cc/min" }
line_pressure_bar = { column = "P", unit = "psi", reference = "gauge" }
cavity_pressure_mbar = { column = "V", unit = "kPa", reference = "vacuum" }
"""
FORMATS = ("%d.%m.%Y %H:%M:%S,%f", "iso", "seconds", "epoch_ms", "excel", "%m/%d/%Y %I:%M:%S %p")
ROWS = 300


def stamp(form: str, i: int) -> str:
    t = i * 0.5
    whole = int(t)
    clock = f"{whole // 60:02d}:{whole % 60:02d}"
    return {
        "seconds": f"{t:g}".replace(".", ","),
        "epoch_ms": f"{1777879800000 + t * 1000:.0f}",
        "excel": f"{46146.3125 + t / 86400:.9f}".replace(".", ","),
        "iso": f"2026-05-04 07:{clock}.{int(t * 10) % 10}00",
        "%d.%m.%Y %H:%M:%S,%f": f"04.05.2026 07:{clock},{int(t * 10) % 10}00",
        "%m/%d/%Y %I:%M:%S %p": f"05/04/2026 07:{i // 60:02d}:{i % 60:02d} AM",
    }[form]


def profiled(form: str) -> bytes:
    lines = ["Form;m1", "Zeit;Q;P;V", ";cc/min;psi;kPa"]
    for i in range(ROWS):
        flow = 900 + i % 7 if 60 <= i < 200 else 0
        lines.append(f"{stamp(form, i)};{flow};{5.5 + i % 3:.2f};{45.1 + i % 5:.1f}".replace(".", ",", 0))
    body = [line if k < 3 else _commas(line) for k, line in enumerate(lines)]
    return ("\n".join(body) + "\n").encode()


def _commas(line: str) -> str:
    head, _, rest = line.partition(";")
    return head + ";" + rest.replace(".", ",")


def damaged(data: bytes, chance: random.Random, hurts: int) -> bytes:
    """The bytes with some random harm done to them."""
    for _ in range(hurts):
        lines = data.split(b"\n")
        at, k = chance.randrange(len(data)), chance.randrange(len(lines))
        odd = chance.choice(
            [b"\r", b'"', b"'", b"\xfc", b"#", b";", b",", b" ", b"-", b"9", b"e", b"\t", b"_", b"OVER"]
        )
        what = chance.randrange(12)
        if what == 0:
            data = data[:at] + data[at + chance.randrange(1, 9) :]
        elif what == 1:
            data = data[:at] + odd + data[at:]
        elif what == 2:
            data = data[:at] + odd + data[at + 1 :]
        elif what == 3:
            lines.insert(k, lines[chance.randrange(len(lines))])
        elif what == 4:
            lines[k] = b""
        elif what == 5:
            lines[k] += b"\r"
        elif what == 6:
            lines.insert(
                k, chance.choice([b"# a note", b"   ", b"t_s,flow_l_min", b"comms lost", b"\xc3\xa4;\xc3\xb6"])
            )
        elif what == 7:
            data = data[: len(data) - chance.randrange(1, 60)]
        elif what == 8:
            j = chance.randrange(len(lines))
            lines[k], lines[j] = lines[j], lines[k]
        elif what == 9:
            cells = lines[k].replace(b";", b",").split(b",")
            value = chance.choice(
                [b"", b"nan", b"1e400", b"-inf", b"-", b"1_0", b" 3 ", b"+4", b"0x1", b"9999", b"1.5.2"]
            )
            lines[k] = lines[k].replace(chance.choice(cells), value, 1)
        elif what == 10:
            data = data.replace(b"\n", b"\r\n") if chance.random() < 0.3 else data
        else:
            cut = chance.randrange(len(lines))
            lines = lines[:cut] + lines[cut + chance.randrange(1, 30) :]
        if what in (3, 4, 5, 6, 8, 9, 11):
            data = b"\n".join(lines)
    return data


def home_of(folder: Path, form: str = "seconds") -> Workshop:
    (folder / "logs").mkdir(parents=True)
    (folder / "catchpot.toml").write_text(PROFILE.replace("FORMAT", form))
    (folder / "moulds.toml").write_text("[moulds.m1]\n")
    return open_workshop(folder)


def taken(workshop: Workshop, files: dict[str, bytes], *, copied: bool = False) -> dict[str, Any]:
    """What each file gives: why it was refused, or its samples and all that was said of it."""
    reads = []
    for name, data in files.items():
        path = workshop.home / "logs" / name
        path.write_bytes(data)
        reads.append(Read(Found(str(path), f"logs/{name}", len(data), 0), data, f"digest of {name}", packed=copied))
    batch = read_batch(reads, list(register_readers()), workshop)
    counted(batch)
    found: dict[str, Any] = {r.found.path.name: (why.reason, why.line) for r, why in batch.refused}
    assert len(found) == len(batch.refused)
    for c in batch.candidates:
        assert c.found.path.name not in found
        mine = batch.frame.filter(pl.col("file_no") == c.index).drop("file_no")
        mine = mine.select(s for s in mine if s.null_count() < mine.height)
        left = (c.state.rows, c.state.dropped, c.state.repeated)
        found[c.found.path.name] = (mine.with_columns(vol_l=pl.col("vol_l").round(4)), c.meta, left)
    assert found.keys() == files.keys()
    return found


def counted(batch: Batch) -> None:
    """Rows in are rows stored and rows left out with a word on them."""
    for c in batch.candidates:
        stored = batch.frame.filter(pl.col("file_no") == c.index).height
        assert c.state.rows == stored + c.state.dropped + c.state.repeated
        said = {r.kind for r in c.meta.remarks}
        assert not c.state.dropped or "dropped_row" in said
        assert not c.state.repeated or said & {"cut_line", "duplicate_row", "duplicate_time", "repeated_header"}


def same(a: Any, b: Any) -> bool:
    if isinstance(a[0], str) or isinstance(b[0], str):
        return bool(a == b) if isinstance(a[0], str) and isinstance(b[0], str) else False
    return bool(a[0].equals(b[0]) and a[1:] == b[1:])


def reference(data: bytes) -> pl.DataFrame | None:
    """The rows of a plain log line by line, for logs whose times ascend; None where this simple way finds harm."""
    header: list[str] = []
    rows: list[list[float | None]] = []
    lines = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n").split(b"\n")
    if lines.pop():
        return None
    for raw in lines:
        line = raw.decode("utf-8-sig", "replace")
        if not header and (not line.strip() or line.strip().startswith("#")):
            continue
        if not header:
            header = [c.strip() for c in line.split(",")]
        elif line and not line.startswith("#"):
            try:
                row = [float(c.replace("_", "x")) if c else None for c in line.split(",")]
            except ValueError:
                continue
            # a separator after the last cell is no cell more
            if len(row) == len(header) + 1 and row[-1] is None:
                row.pop()
            if len(row) == len(header):
                rows.append(row)
    if not header or "t_s" not in header:
        return None
    frame = pl.DataFrame(rows, schema=dict.fromkeys(header, pl.Float64), orient="row")
    frame = frame.select(pl.col(c).replace([float("inf"), float("-inf"), float("nan")], None) for c in header)
    frame = frame.drop_nulls("t_s")
    t = frame["t_s"]
    return frame if t.len() and t[0] == 0 and bool((t.diff().drop_nulls() > 0).all()) else None


@pytest.mark.parametrize("seed", range(3))
def test_a_damaged_plain_log_is_read_alike_alone_and_among_others(
    tmp_path: Path, plain: Callable[..., str], seed: int
) -> None:
    chance = random.Random(seed)
    workshop = home_of(tmp_path)
    files = {
        f"{i}.csv": damaged(plain(rows=ROWS, shot=f"s{i}").encode(), chance, chance.randrange(4)) for i in range(40)
    }
    together = taken(workshop, files)
    copied = taken(workshop, files, copied=True)
    compared = 0
    for name, data in files.items():
        alone = taken(workshop, {name: data})[name]
        assert same(alone, together[name]) and same(alone, copied[name]), name
        truth = reference(data)
        if truth is not None and not isinstance(alone[0], str):
            got = alone[0].drop("vol_l")
            assert got.equals(truth.select(got.columns)), name
            compared += 1
    assert compared > 5


@pytest.mark.slow
@pytest.mark.parametrize("form", FORMATS)
def test_a_damaged_profiled_log_is_read_alike_by_either_way(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, form: str
) -> None:
    chance = random.Random(FORMATS.index(form))
    workshop = home_of(tmp_path, form)
    files = {f"{i}.txt": damaged(profiled(form), chance, chance.randrange(4)) for i in range(24)}
    together = taken(workshop, files)
    alone = {name: taken(workshop, {name: data})[name] for name, data in files.items()}
    with monkeypatch.context() as patch:
        patch.setattr(profile, "quick_format", lambda formats, first: (False, None))
        slowly = taken(workshop, files, copied=True)
    for name in files:
        assert same(together[name], slowly[name]), name
        assert same(together[name], alone[name]), name
    assert sum(not isinstance(v[0], str) for v in together.values()) > 8
