"""A process killed in the middle of an ingest loses nothing and leaves nothing half done."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from catchpot.ingest import load
from catchpot.ingest.scan import find_logs
from catchpot.store.store import Store
from catchpot.workshop import open_workshop
from catchpot_logs import register_readers

FILES = int(os.environ.get("CATCHPOT_KILL_FILES", "120"))
KILLS = int(os.environ.get("CATCHPOT_KILLS", "6"))
CODE = """
import sys
from pathlib import Path
from catchpot.ingest import load
from catchpot.ingest.scan import find_logs
from catchpot.workshop import open_workshop
from catchpot_logs import register_readers
load.BATCH_FILES = 20
workshop = open_workshop(Path(sys.argv[1]))
files = find_logs(workshop.home)
print("begin", flush=True)
load.ingest_files(workshop, register_readers(), files, whole=True)
"""


def contents(home: Path) -> dict[str, pl.DataFrame]:
    with Store(home / "shots.duckdb").reading() as r:
        shots = r.table("shot").sort("shot")
        return {
            "shot": shots,
            "sample": r.table("sample").sort("shot", "t_s"),
            "note": r.table("log_note").sort("shot", "kind", "line"),
            "quarantine": r.table("quarantine").drop("seen_at").sort("source_file"),
        }


@pytest.mark.slow
@pytest.mark.kill
def test_killed_at_random_moments_and_run_again_it_is_the_same_store(
    bench: Any, plain: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    for i in range(FILES):
        text = plain(rows=200, shot=f"s{i:04d}", mould=f"m{i % 2 + 1}")
        bench.put(f"{i:04d}.csv", text.replace(",1.0,", ",?,", 20) if i % 17 == 0 else text)
    monkeypatch.setattr(load, "BATCH_FILES", 20)
    workshop = open_workshop(bench.home)
    began = time.monotonic()
    load.ingest_files(workshop, list(register_readers()), find_logs(bench.home), whole=True)
    whole_s = time.monotonic() - began
    expected = contents(bench.home)
    assert expected["shot"].height == FILES - len(range(0, FILES, 17))
    chance = random.Random(7)
    interrupted = 0
    for _ in range(KILLS):
        for left in bench.home.glob("shots.duckdb*"):
            if left.is_file():
                left.unlink()
        process = subprocess.Popen(
            [sys.executable, "-c", CODE, str(bench.home)], stdout=subprocess.PIPE, text=True, env=dict(os.environ)
        )
        assert process.stdout is not None
        assert process.stdout.readline().strip() == "begin"
        time.sleep(chance.uniform(0.0, 1.2 * whole_s))
        process.send_signal(signal.SIGKILL)
        interrupted += process.wait() != 0
        process.stdout.close()
        load.ingest_files(workshop, list(register_readers()), find_logs(bench.home), whole=True)
        again = contents(bench.home)
        for name, frame in expected.items():
            assert again[name].equals(frame), name
    assert interrupted > 0


def test_the_committed_study_at_full_size_lost_nothing() -> None:
    table = pl.read_csv(Path(__file__).parents[1] / "studies" / "results" / "kills-500.csv")
    (row,) = table.to_dicts()
    assert row["files"] == 500 and row["moments"] >= 20 and row["stored"] + row["aside"] == 500
    assert row["at_work"] == row["moments"] and row["midway"] > row["moments"] // 2
    assert (row["torn"], row["different"]) == (0, 0)
