"""Throughput and memory of the intake, as ratios to one bare `read_csv` over the same files in the same run.

CATCHPOT_BENCH_FILES sets the number of files (2,000 for the figures in DEVELOPERS.md); each holds 4,000 samples of
seven columns. Each side runs in a process of its own and is measured by its processor time, which other work on the
machine disturbs least, and by its peak memory.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest

FILES = int(os.environ.get("CATCHPOT_BENCH_FILES", "400"))
SAMPLES = 4000
CHANNELS = (
    "flow_l_min",
    "line_pressure_bar",
    "cavity_pressure_mbar",
    "clamp_pressure_mbar",
    "resin_temp_c",
    "mould_temp_c",
)
PROFILE = """
[workshop]
time_zone = "Europe/Lisbon"
[profiles.p]
files = "logs/*.csv"
separator = ";"
decimal = ","
header_line = 3
units_line = 4
[profiles.p.metadata]
mould = { line = 1, field = 2 }
[profiles.p.time]
column = "Zeit"
format = "%d.%m.%Y %H:%M:%S,%f"
[profiles.p.channels]
flow_l_min = { column = "Q", unit = "cc/min" }
line_pressure_bar = { column = "P", unit = "psi", reference = "gauge" }
cavity_pressure_mbar = { column = "V1", unit = "kPa", reference = "vacuum" }
clamp_pressure_mbar = { column = "V2", unit = "kPa", reference = "vacuum" }
resin_temp_c = { column = "T1", unit = "degC" }
mould_temp_c = { column = "T2", unit = "degC" }
"""
MEASURED = """
import json, resource, sys, time
import numpy, polars, duckdb, pydantic, pyarrow
{setup}
began = time.process_time(), time.perf_counter()
{work}
print(json.dumps(dict(cpu=time.process_time() - began[0], wall=time.perf_counter() - began[1],
                      peak_mb=resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)))
"""
BARE = """
files = {files!r}
con = duckdb.connect({store!r})
con.execute("CREATE TABLE s AS SELECT * FROM read_csv(" + repr(files) + ", auto_detect = false, header = false, "
            "delim = ',', quote = '', comment = '#', store_rejects = true, columns = " + repr({columns!r}) + ")")
con.close()
"""
OURS = """
workshop = open_workshop(Path({home!r}))
outcome = ingest_files(workshop, register_readers(), find_logs(workshop.home), whole=True)
assert outcome.new == {n} and not outcome.quarantined, outcome
"""
SETUP = """
from pathlib import Path
from catchpot.ingest.load import ingest_files
from catchpot.ingest.scan import find_logs
from catchpot.workshop import open_workshop
from catchpot_logs import register_readers
"""


def run(setup: str, work: str) -> dict[str, float]:
    code = MEASURED.format(setup=setup, work=work)
    done = subprocess.run([sys.executable, "-"], input=code, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    measured: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return measured


def write(folder: Path, n: int) -> tuple[Path, Path]:
    """A workshop of plain logs and one of the same shots as another logger writes them."""
    plain, other = folder / "plain", folder / "other"
    for home in (plain, other):
        (home / "logs").mkdir(parents=True)
        (home / "moulds.toml").write_text("[moulds.m1]\n")
    (plain / "catchpot.toml").write_text("[workshop]\n")
    (other / "catchpot.toml").write_text(PROFILE)
    rng = np.random.default_rng(1)
    t = np.arange(SAMPLES) * 0.25
    flowing = (t > 300) & (t < 800)
    for i in range(n):
        noise = rng.standard_normal((6, SAMPLES))
        frame = pl.DataFrame(
            {
                "t_s": t,
                "flow_l_min": np.where(flowing, 1.2 + 0.02 * noise[0], 0.0).round(4),
                "line_pressure_bar": (0.3 + 0.004 * noise[1]).round(4),
                "cavity_pressure_mbar": (550 + noise[2]).round(2),
                "clamp_pressure_mbar": (50 + noise[3]).round(2),
                "resin_temp_c": (22 + 0.05 * noise[4]).round(2),
                "mould_temp_c": (23 + 0.05 * noise[5]).round(2),
            }
        )
        start = (datetime(2024, 1, 1, 6, tzinfo=UTC) + timedelta(hours=2 * i)).isoformat()
        head = f"# shot = s{i:05d}\n# mould = m1\n# started_at = {start}\n"
        (plain / "logs" / f"s{i:05d}.csv").write_text(head + frame.write_csv())
        stamps = pl.Series([start[:19]]).str.to_datetime()[0]
        written = frame.select(
            (
                pl.lit(stamps).alias("Zeit") + pl.duration(milliseconds=(pl.col("t_s") * 1000).cast(pl.Int64))
            ).dt.strftime("%d.%m.%Y %H:%M:%S,%3f"),
            (pl.col("flow_l_min") * 1000).round(2),
            (pl.col("line_pressure_bar") / 0.0689476).round(3),
            ((1013.25 - pl.col("cavity_pressure_mbar")) / 10).round(3).alias("v1"),
            ((1013.25 - pl.col("clamp_pressure_mbar")) / 10).round(3).alias("v2"),
            "resin_temp_c",
            "mould_temp_c",
        )
        head = "Form;m1\n\nZeit;Q;P;V1;V2;T1;T2\n;cc/min;psi;kPa;kPa;C;C\n"
        body = written.write_csv(separator=";", include_header=False, decimal_comma=True)
        (other / "logs" / f"s{i:05d}.csv").write_text(head + body)
    return plain, other


def bare(home: Path, store: Path) -> dict[str, float]:
    files = [str(p) for p in sorted((home / "logs").iterdir())]
    columns = dict.fromkeys(("t_s", *CHANNELS), "DOUBLE")
    return run("", BARE.format(files=files, store=str(store), columns=columns))


def ours(home: Path, n: int) -> dict[str, float]:
    (home / "shots.duckdb").unlink(missing_ok=True)
    return run(SETUP, OURS.format(home=str(home), n=n))


def test_throughput_against_one_bare_scan(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], ratio: Callable[[str, str, float], None]
) -> None:
    plain, other = write(tmp_path, FILES)
    floors, plains, others = [], [], []
    for i in range(3):
        floors.append(bare(plain, tmp_path / f"bare{i}.duckdb"))
        plains.append(ours(plain, FILES))
        others.append(ours(other, FILES))
    cpu = [min(m["cpu"] for m in side) for side in (floors, plains, others)]
    wall = [min(m["wall"] for m in side) for side in (floors, plains, others)]
    with capsys.disabled():
        print(f"\n{FILES} files x {SAMPLES} samples, least of 3: bare scan {wall[0]:.2f} s wall, {cpu[0]:.2f} s cpu")
        for name, k, side in (("plain logs", 1, plains), ("profiled logs", 2, others)):
            peak = max(m["peak_mb"] for m in side)
            print(f"  {name}: {wall[k] / wall[0]:.2f}x wall, {cpu[k] / cpu[0]:.2f}x cpu, peak {peak:.0f} MB")
    ratio("ingest of plain logs", "one bare read", cpu[1] / cpu[0])
    ratio("ingest of profiled logs", "one bare read", cpu[2] / cpu[0])
    # what is fixed (opening stores, the first imports within) weighs on small runs
    slack = 1.0 if FILES >= 1500 else 1.3
    assert min(cpu[1] / cpu[0], wall[1] / wall[0]) <= 1.6 * slack
    assert min(cpu[2] / cpu[0], wall[2] / wall[0]) <= 2.5 * slack


def test_memory_is_flat_in_the_number_of_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    few = max(FILES // 4, 500)  # one batch
    many = max(FILES, 2 * few)
    peaks = {}
    for n in (few, many):
        plain, other = write(tmp_path / str(n), n)
        peaks[n] = ours(plain, n)["peak_mb"], ours(other, n)["peak_mb"]
    with capsys.disabled():
        print(f"\npeak MB (plain, profiled) by files: { ({n: tuple(round(x) for x in p) for n, p in peaks.items()}) }")
    for k in (0, 1):
        assert peaks[many][k] < 1500
        assert peaks[many][k] < 1.25 * peaks[few][k] + 50
