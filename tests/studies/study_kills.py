"""Study: kill -9 at random moments of ingest and of analyse; what was stored is whole, and the next run completes it.

A small workshop of plain logs is read in batches of four files and analysed in batches of four shots, so that a kill
falls between and inside many transactions. After each kill the store is looked at as it lies there (is any shot torn,
does any finished part lack its rows?), then the command is run again and the contents are compared with those of a run
that nobody disturbed.

`kills-500` does the same to an ingest of 500 logs of all sorts: plain ones, some damaged, and another logger's.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from unittest.mock import patch

import numpy as np
import polars as pl
from tests.studies.harness import study

from catchpot.store import Store

SHOTS = 32
ROWS = 400
BATCH = 4
TRIES = 6
FILES = 500

PLUGIN = """
import catchpot
from pydantic import BaseModel

LAST = catchpot.Table("last", ("shot",), (
    catchpot.Column("shot", "str", "", "the shot"),
    catchpot.Column("metered_volume_l", "f64", "l", "volume at the log's end", 0.0),
))
TOTAL = catchpot.Table("total", ("mould",), (
    catchpot.Column("mould", "str", "", "the mould"),
    catchpot.Column("metered_volume_l", "f64", "l", "volume of all its shots", 0.0),
))

class NoParams(BaseModel):
    pass

class Last:
    name, part, causal, optional, yields, params = "last", "shot", True, {}, (LAST,), NoParams
    needs = {"sample": ("vol_l",)}
    def compute(self, job):
        import polars as pl
        last = job.tables["sample"].group_by("shot", maintain_order=True).agg(metered_volume_l=pl.col("vol_l").last())
        refused = [catchpot.Refused(s, "last.more", "a three") for s in job.units if s.endswith("3")]
        return catchpot.Result({"last": last}, refused)

class Total:
    name, part, causal, optional, yields, params = "total", "mould", False, {}, (TOTAL,), NoParams
    needs = {"last": ("metered_volume_l",)}
    def compute(self, job):
        total = job.tables["last"].group_by("mould").agg(metered_volume_l=__import__("polars").sum("metered_volume_l"))
        return catchpot.Result({"total": total})

@catchpot.hookimpl
def register_analyses(settings):
    return [Last(), Total()]
"""

WORKER = """
import sys
from pathlib import Path
from catchpot.ingest import load as intake
from catchpot.plugins import load
from catchpot.run import execute, pending, step
from catchpot.workshop import open_workshop
import catchpot.store.reading, duckdb, polars, pyarrow
intake.BATCH_FILES = step.BATCH = int(sys.argv[3])
pending.FLUSH_AFTER_S = 0.0
workshop = open_workshop(Path(sys.argv[1]))
registry = load(workshop, trust=True)
print("ready", flush=True)
if sys.argv[2] == "take":
    intake.ingest(workshop, registry)
if sys.argv[2] in ("ingest", "run"):
    assert not intake.ingest(workshop, registry).complaints()
if sys.argv[2] in ("analyse", "run"):
    assert not execute.analyse(workshop, registry).complaints()
print("done", flush=True)
"""


def write_shop(home: Path, shots: int = SHOTS, rows: int = ROWS) -> None:
    """A workshop of plain logs of four moulds, with the logs' reader, the core's reduction and a small plugin."""
    (home / "logs").mkdir(parents=True)
    (home / "plugins").mkdir()
    (home / "plugins" / "last.py").write_text(PLUGIN)
    (home / "catchpot.toml").write_text('[workshop]\nname = "Kill"\n[plugins]\ndisabled = [' + _others() + "]\n")
    (home / "moulds.toml").write_text("".join(f"[moulds.m{i}]\nthickness_mm = 3.0\n" for i in range(4)))
    rng = np.random.default_rng(5)
    for i in range(shots):
        flow = np.round(1.2 + 0.01 * rng.standard_normal(rows), 3)
        t = 0.25 * np.arange(rows)
        body = "".join(f"{t[k]:.2f},{flow[k]},0.400,550.0\n" for k in range(rows))
        began = (datetime(2026, 3, 1, 6, tzinfo=UTC) + timedelta(days=i // 4, hours=i % 4)).isoformat()
        head = f"# shot = s{i:02d}\n# mould = m{i % 4}\n# started_at = {began}\n"
        header = "t_s,flow_l_min,line_pressure_bar,cavity_pressure_mbar\n"
        (home / "logs" / f"s{i:02d}.csv").write_text(head + header + body)
    # Logs just written look as if they were still being written.
    old = time.time() - 3600
    for path in (home / "logs").iterdir():
        os.utime(path, (old, old))


def _others() -> str:
    from catchpot.plugins.sources import installed

    return ", ".join(f'"{s.name}"' for s in installed() if s.name != "logs")


PROFILE = """
[profiles.p]
files = "logs/*.txt"
separator = ";"
decimal = ","
[profiles.p.metadata]
mould = { constant = "m1" }
[profiles.p.time]
column = "Zeit"
format = "%d.%m.%Y %H:%M:%S,%f"
[profiles.p.channels]
flow_l_min = { column = "Q", unit = "cc/min" }
line_pressure_bar = { column = "P", unit = "psi", reference = "gauge" }
cavity_pressure_mbar = { column = "V", unit = "kPa", reference = "vacuum" }
"""


def write_mixed_shop(home: Path, files: int, rows: int = 200) -> None:
    """A workshop of plain logs; every fifth is another logger's, every seventeenth is past mending."""
    write_shop(home, shots=files, rows=rows)
    with (home / "catchpot.toml").open("a") as settings:
        settings.write(PROFILE)
    for i, path in enumerate(sorted((home / "logs").iterdir())):
        if i % 17 == 0:
            path.write_text(path.read_text().replace("0.400,550.0", "OVER,550.0", 20))
        elif i % 5 == 0:
            began = datetime(2026, 5, 1, 6, tzinfo=UTC) + timedelta(hours=i)
            lines = ["Zeit;Q;P;V"]
            for k in range(rows):
                when = began + timedelta(seconds=0.25 * k)
                stamp = f"{when:%d.%m.%Y %H:%M:%S},{when.microsecond // 1000:03d}"
                lines.append(f"{stamp};{1200 + k % 9},5;5,800;46,{3 + k % 3}")
            path.unlink()
            path.with_suffix(".txt").write_text("\n".join(lines) + "\n")
    old = time.time() - 3600
    for path in (home / "logs").iterdir():
        os.utime(path, (old, old))


def start(home: Path, command: str, batch: int = BATCH) -> subprocess.Popen[str]:
    """Start a worker on a command; it says `ready` when it is about to begin and `done` at the end."""
    environment = {**os.environ, "XDG_CONFIG_HOME": str(home.parent / "config")}
    return subprocess.Popen(
        [sys.executable, "-c", WORKER, str(home), command, str(batch)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment,
    )  # fmt: skip


def finish(process: subprocess.Popen[str]) -> float:
    """Let a worker finish; seconds from `ready` to `done`."""
    assert process.stdout is not None
    if process.stdout.readline() != "ready\n":
        raise RuntimeError(process.communicate()[1])
    began = time.monotonic()
    # Read through the same buffer: it may hold the second line already, which `communicate` would not see.
    out = process.stdout.read()
    error = process.communicate(timeout=120)[1]
    if process.returncode != 0 or out != "done\n":
        raise RuntimeError(error)
    return time.monotonic() - began


def complete(home: Path) -> None:
    """Ingest and analyse in this process, in batches of the usual size."""
    from catchpot.ingest.load import ingest
    from catchpot.plugins import load
    from catchpot.run.execute import analyse
    from catchpot.workshop import open_workshop

    with patch.dict(os.environ, {"XDG_CONFIG_HOME": str(home.parent / "config")}):
        workshop = open_workshop(home)
        registry = load(workshop, trust=True)
    complaints = [*ingest(workshop, registry).complaints(), *analyse(workshop, registry).complaints()]
    if complaints:
        raise RuntimeError("; ".join(complaints))


def killed(process: subprocess.Popen[str], after_s: float) -> bool:
    """Kill a worker some time after it is ready; whether it was still at work."""
    assert process.stdout is not None
    if process.stdout.readline() != "ready\n":
        raise RuntimeError(process.communicate()[1])
    time.sleep(after_s)
    process.send_signal(signal.SIGKILL)
    out, _ = process.communicate()
    return "done" not in out


def contents(home: Path) -> dict[str, pl.DataFrame]:
    """Every table, without what depends on the clock; the ledger without seconds, and keys, which follow the code."""
    with Store(home / "shots.duckdb").reading() as r:
        found = {n: r.table(n) for n in r.tables()}
        found["ledger"] = r.ledger().drop("seconds", "key")
    return {n: f.drop("seen_at", strict=False) for n, f in found.items()}


def same(a: dict[str, pl.DataFrame], b: dict[str, pl.DataFrame]) -> bool:
    """Whether two contents are the same."""
    return set(a) == set(b) and all(a[n].equals(b[n]) for n in a)


def torn(home: Path) -> bool:
    """Whether a store as it lies there holds half a shot, or a finished part without its rows."""
    if not (home / "shots.duckdb").exists():
        return False
    found = contents(home)
    counted = found["sample"].group_by("shot").len().sort("shot")
    whole = found["shot"].select("shot", "samples").sort("shot")
    if counted["shot"].to_list() != whole["shot"].to_list() or counted["len"].to_list() != whole["samples"].to_list():
        return True
    for name, key in (("last", "shot"), ("total", "mould")):
        done = set(found["ledger"].filter(analysis=name)["part"])
        have = set(found[name][key]) if name in found else set()
        if done != have:
            return True
    return False


def progress(home: Path) -> int:
    """How far a store is: shots stored and parts computed."""
    if not (home / "shots.duckdb").exists():
        return 0
    found = contents(home)
    return found["shot"].height + found["ledger"].height


def _killed_at_work(home: Path, before: Path, command: str, lasts_s: float, seed: int, batch: int = BATCH) -> bool:
    """Kill a command at a random moment; where it had ended before the kill came, once more at another."""
    rng = np.random.default_rng([seed, len(command)])
    for _ in range(TRIES):
        shutil.rmtree(home, ignore_errors=True)
        shutil.copytree(before, home)
        if killed(start(home, command, batch), float(rng.uniform(0.0, lasts_s))):
            return True
    return False


@study("kills", seeds=30, slice_seeds=4)
def kills(seeds: Sequence[int]) -> pl.DataFrame:
    """Kill -9 at random moments of ingest and of analyse: torn stores, and contents after the next run."""
    rows = []
    with tempfile.TemporaryDirectory() as scratch:
        base = Path(scratch)
        write_shop(base / "empty")
        shutil.copytree(base / "empty", base / "whole")
        lasts = {"ingest": finish(start(base / "whole", "ingest"))}
        shutil.copytree(base / "whole", base / "taken")
        lasts["analyse"] = finish(start(base / "whole", "analyse"))
        for command, before, after in (("ingest", "empty", "taken"), ("analyse", "taken", "whole")):
            counts = dict.fromkeys(("at_work", "midway", "torn", "different"), 0)
            for seed in seeds:
                home = base / f"{command}-{seed}"
                counts["at_work"] += _killed_at_work(home, base / before, command, lasts[command], seed)
                counts["midway"] += progress(base / before) < progress(home) < progress(base / after)
                counts["torn"] += torn(home)
                complete(home)
                counts["different"] += not same(contents(home), contents(base / "whole"))
                shutil.rmtree(home)
            rows.append({"command": command, "moments": len(seeds), **counts})
    return pl.DataFrame(rows)


@study("kills-500", seeds=20, slice_seeds=1)
def kills_500(seeds: Sequence[int]) -> pl.DataFrame:
    """Kill -9 at random moments of an ingest of 500 logs: torn stores, and contents after the next run."""
    counts = dict.fromkeys(("at_work", "midway", "torn", "different"), 0)
    with tempfile.TemporaryDirectory() as scratch:
        base = Path(scratch)
        write_mixed_shop(base / "empty", FILES)
        shutil.copytree(base / "empty", base / "whole")
        batch = FILES // 10
        lasts_s = finish(start(base / "whole", "take", batch))
        expected = contents(base / "whole")
        for seed in seeds:
            home = base / f"take-{seed}"
            counts["at_work"] += _killed_at_work(home, base / "empty", "take", lasts_s, seed, batch)
            counts["midway"] += 0 < progress(home) < expected["shot"].height
            counts["torn"] += torn(home)
            finish(start(home, "take", batch))
            counts["different"] += not same(contents(home), expected)
            shutil.rmtree(home)
    stored, aside = expected["shot"].height, expected["quarantine"].height
    return pl.DataFrame([{"files": FILES, "stored": stored, "aside": aside, "moments": len(seeds), **counts}])
