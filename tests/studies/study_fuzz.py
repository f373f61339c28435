"""Study: damaged settings, books, ledgers and logs; nothing raises, nothing is lost, no volume changes unsaid.

Each seed damages one file of a small made-up workshop: bytes are changed, cut or put in, lines swapped or written
twice, numbers replaced by extreme ones. A damaged settings file, book or ledger must give problems or none, never
another error. Damaged logs are read together, some hundred in a workshop: every file is stored, set aside or tells of a
shot that another file tells too; rows in are rows stored, dropped, refused or between; and where a stored log's metered
volume differs from the sound log's by more than a hundredth, something is said about that log.
"""

from __future__ import annotations

import re
import tempfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import polars as pl
from tests.studies.harness import study

from catchpot.store import Store
from catchpot.workshop import WorkshopError, check_workshop, init_workshop, open_with_last_good, open_workshop

KINDS = ("log", "log", "log", "catchpot.toml", "moulds.toml", "events.csv", "parts.csv")
TOGETHER = 250
EXTREMES = (b"1e308", b"-1e308", b"inf", b"nan", b"0", b"-1", b"9999", b"1e9", b"", b"x", b'"', b"2062", b"1,5", b"1_0")
SETTINGS = """[workshop]
name = "Fuzz"
time_zone = "Europe/Lisbon"
[profiles.p]
files = "logs/p/*.csv"
separator = ";"
[profiles.p.time]
column = "t"
format = "%d.%m.%Y %H:%M:%S"
[profiles.p.channels]
flow_l_min = { column = "q", unit = "l/min" }
line_pressure_bar = { column = "p", unit = "bar", reference = "gauge" }
cavity_pressure_mbar = { column = "c", unit = "mbar", reference = "absolute" }
"""
BOOK = """[resins.ve]
viscosity_pa_s = 0.2
viscosity_temp_c = 23.0
[moulds.m1]
resin = "ve"
fill = "linear"
part_area_m2 = 0.5
thickness_mm = 3.0
[[moulds.m1.changes]]
valid_from = 2026-03-01
thickness_mm = 3.1
[moulds.m1.limits]
injected_volume_l = [1.0, "none"]
"""
EVENTS = 'time,mould,kind,detail\n2026-03-02 08:15,m1,seal_replaced,outer\n2026-03-05,,note,"a, b"\n'
PARTS = "shot,part_mass_kg,trimmed,verdict\na,2.5,yes,good\nb,2.6,no,scrap\n"
FILES = {"catchpot.toml": SETTINGS, "moulds.toml": BOOK, "events.csv": EVENTS, "parts.csv": PARTS}


def sound_log(number: int) -> bytes:
    """A made-up plain log: 1 l/min for a minute and a half, with noise."""
    rng = np.random.default_rng(number % 17)
    t = 0.5 * np.arange(300)
    flow = np.where((t >= 30) & (t < 120), 1.0, 0.0) + 0.005 * rng.standard_normal(len(t))
    line = 0.3 + 0.01 * rng.standard_normal(len(t))
    cavity = 550 + 2 * rng.standard_normal(len(t))
    head = f"# shot = s{number}\n# mould = m1\n# started_at = 2026-03-02T08:15:00+00:00\n# programmed_volume_l = 1.5\n"
    rows = "".join(f"{a:.1f},{b:.3f},{c:.3f},{d:.1f}\n" for a, b, c, d in zip(t, flow, line, cavity, strict=True))
    return (head + "t_s,flow_l_min,line_pressure_bar,cavity_pressure_mbar\n" + rows).encode()


def damaged(data: bytes, rng: np.random.Generator) -> bytes:
    """The bytes with one to four kinds of damage."""
    for _ in range(int(rng.integers(1, 5))):
        lines = data.split(b"\n")
        kind = int(rng.integers(0, 8))
        at = int(rng.integers(0, max(len(data), 1)))
        row = int(rng.integers(0, len(lines)))
        if kind == 0:
            data = data[:at] + bytes(rng.integers(0, 256, int(rng.integers(1, 6)), dtype=np.uint8)) + data[at + 1 :]
        elif kind == 1:
            data = data[:at]
        elif kind == 2:
            data = data[:at] + data[at + int(rng.integers(1, 200)) :]
        elif kind == 3:
            data = b"\n".join([*lines[:row], lines[row], *lines[row:]])
        elif kind == 4:
            other = int(rng.integers(0, len(lines)))
            lines[row], lines[other] = lines[other], lines[row]
            data = b"\n".join(lines)
        else:
            numbers = list(re.finditer(rb"[0-9][0-9.]*", data))
            if numbers:
                one = numbers[int(rng.integers(0, len(numbers)))]
                data = data[: one.start()] + EXTREMES[int(rng.integers(0, len(EXTREMES)))] + data[one.end() :]
    return data


def _shop(home: Path) -> None:
    init_workshop(home)
    for name, text in FILES.items():
        (home / name).write_text(text)


def settings_case(kind: str, seed: int) -> str:
    """What a damaged file of the user's does to opening and checking: "problems", "none", or the error it raised."""
    rng = np.random.default_rng(seed)
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        _shop(home)
        open_with_last_good(home)
        (home / kind).write_bytes(damaged(FILES[kind].encode(), rng))
        try:
            found = check_workshop(home)
            assert all(p.message for p in found)
            open_with_last_good(home)
        except WorkshopError as error:
            return "problems" if error.problems else "an error without problems"
        except Exception as error:  # what the study looks for
            return f"{type(error).__name__}: {error}"
        return "problems" if found else "none"


def log_cases(seeds: Sequence[int]) -> dict[str, int]:
    """Counts over damaged logs read together, and of what must not be."""
    from catchpot.ingest.load import ingest
    from catchpot.plugins import load
    from catchpot.run.execute import analyse

    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        _shop(home)
        for seed in seeds:
            (home / "logs" / f"f{seed}.csv").write_bytes(damaged(sound_log(seed), np.random.default_rng(seed)))
        workshop = open_workshop(home)
        registry = load(workshop)
        outcome = ingest(workshop, registry)
        analyse(workshop, registry, only=["log"])
        with Store(workshop.store_path).reading() as r:
            shots = r.table("shot", ["shot", "source_file", "started_at"])
            last = r.table("sample").group_by("shot").agg(pl.col("vol_l").last())
            said = set(r.table("log_note")["shot"]) | set(r.table("quality")["shot"]) | set(r.table("refusal")["unit"])
            aside = r.table("quarantine").height
        counts = outcome.rows_stored + outcome.rows_dropped + outcome.rows_refused + outcome.rows_between
        silent = 0
        for shot, file, volume in shots.join(last, on="shot").select("shot", "source_file", "vol_l").iter_rows():
            whole = sound_volume(int(re.findall(r"\d+", file)[-1]))
            silent += bool(abs(volume - whole) > 0.01 * whole and shot not in said)
        files = shots["source_file"].n_unique() + aside + outcome.superseded
        return {
            "cases": len(seeds), "stored": shots.height, "set aside": aside, "superseded": outcome.superseded,
            "files not accounted for": abs(len(seeds) - files),
            "rows not accounted for": abs(outcome.rows_read - counts),
            "silent changes of volume": silent,
        }  # fmt: skip


def sound_volume(number: int) -> float:
    """Metered volume of the sound log, l."""
    rows = [line.split(b",") for line in sound_log(number).splitlines()[5:]]
    t, flow = (np.array([float(r[i]) for r in rows]) for i in (0, 1))
    return float(np.sum(0.5 * (flow[1:] + flow[:-1]) * np.diff(t)) / 60.0)


@study("fuzz", seeds=10_000, slice_seeds=140)
def fuzz(seeds: Sequence[int]) -> pl.DataFrame:
    """Damaged settings, books, ledgers and logs: errors, files and rows lost, volumes changed unsaid."""
    rows: list[dict[str, object]] = []
    for kind in FILES:
        mine = [s for s in seeds if KINDS[s % len(KINDS)] == kind]
        ends = [settings_case(kind, s) for s in mine]
        wrong = [e for e in ends if e not in ("problems", "none")]
        rows.append({"kind": kind, "cases": len(mine), "refused": ends.count("problems"), "errors": len(wrong),
                     "first error": wrong[0][:200] if wrong else ""})  # fmt: skip
    logs = [s for s in seeds if KINDS[s % len(KINDS)] == "log"]
    total: dict[str, int] = {}
    for i in range(0, len(logs), TOGETHER):
        for name, n in log_cases(logs[i : i + TOGETHER]).items():
            total[name] = total.get(name, 0) + n
    rows.append({"kind": "log", "cases": total.get("cases", 0), "refused": total.get("set aside", 0), "errors": 0,
                 "first error": "", **{k: total.get(k, 0) for k in LOST}})  # fmt: skip
    return pl.DataFrame(rows)


LOST = ("files not accounted for", "rows not accounted for", "silent changes of volume")
