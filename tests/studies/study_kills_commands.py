"""Study: kill -9 at random moments of the commands that write for people; every file is whole or as it was.

A small workshop is read, analysed and reported once. Then each command is killed somewhere in its run, what lies there
is looked at, and the command is run again: pages, exports, closed months and the store must then be those of a run that
nobody disturbed.
"""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import polars as pl
from tests.studies.harness import study
from tests.studies.study_kills import complete, contents, same, write_shop

CLOSE = (
    "import sys, datetime as d\n"
    "from catchpot.api import open_session\n"
    "s = open_session(sys.argv[1], trust_plugins=True)\n"
    "for m in range(1, 10):\n"
    "    s.close('capability', f'2026-0{m}', d.datetime(2026, 10, m, tzinfo=d.UTC), '{}' * 1)\n"
)
COMMANDS = (
    "report",
    "export csv",
    "export parquet",
    "forget",
    "close",
    "watch",
    "note",
    "note a part",
    "week",
    "serve",
)
LASTING = ("watch", "serve")
"""They run until they are stopped."""
ONCE = ("forget", "note")
"""Done a second time they say that there is nothing to forget, or note it twice."""


def _words(command: str, home: Path) -> list[str]:
    program = [sys.executable, "-m", "catchpot.cli", "--home", str(home)]
    out = home.parent
    return {
        "report": [*program, "report", "--trust-plugins"],
        "export csv": [*program, "export", "sample", "--to", str(out / "x.csv"), "--overwrite"],
        "export parquet": [*program, "export", "sample", "--format", "parquet", "--to", str(out / "x.parquet"),
                           "--overwrite"],
        "forget": [*program, "forget", "s03", "--yes"],
        "close": [sys.executable, "-c", CLOSE, str(home)],
        "note": [*program, "note", "m1", "mould_cleaned", "--at", "2026-03-09 08:15"],
        "note a part": [*program, "note", "--shot", "s03", "overflow_kg", "0.14"],
        "week": [*program, "week", "m1=6", "m2=8"],
        "serve": [*program, "serve", "--port", "0", "--notes", "--trust-plugins"],
        "watch": [*program, "watch", "--every", "0.2", "--polling", "--trust-plugins"],
    }[command]  # fmt: skip


def _run(words: Sequence[str], environment: dict[str, str], kill_after_s: float | None = None) -> float:
    """Run a command, or kill it after some time; seconds it took."""
    began = time.monotonic()
    process = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment)
    if kill_after_s is not None:
        try:
            process.wait(kill_after_s)
        except subprocess.TimeoutExpired:
            process.send_signal(signal.SIGKILL)
        process.communicate()
        return time.monotonic() - began
    if set(LASTING) & set(words):
        assert process.stdout is not None
        while not (line := process.stdout.readline()).startswith(("report:", "serving ")):
            if process.poll() is not None:
                raise RuntimeError(process.communicate()[1])
        if found := re.search(r"http://\S+", line):
            urllib.request.urlopen(found[0]).read()
        process.send_signal(signal.SIGTERM)
    out, error = process.communicate(timeout=120)
    if process.returncode != 0:
        raise RuntimeError(error + out)
    return time.monotonic() - began


def _broken(home: Path) -> int:
    """Files that lie there half written: pages, exports, closed months."""
    pages = [
        p for p in (home / "reports").rglob("*.html") if not p.read_text(encoding="utf-8").rstrip().endswith("</html>")
    ]
    broken = len(pages)
    for name in ("events.csv", "parts.csv"):
        broken += (home / name).exists() and not (home / name).read_bytes().endswith(b"\n")
    for path in home.parent.glob("x.*"):
        if path.suffix == ".csv":
            broken += not path.read_bytes().endswith(b"\n")
        elif path.suffix == ".parquet":
            broken += path.read_bytes()[-4:] != b"PAR1"
    for path in (home / "closed").glob("*.json"):
        broken += not path.read_text(encoding="utf-8").rstrip().endswith("}")
    return broken


def _state(home: Path) -> dict[str, object]:
    """What must be the same in the end: pages, exports, closed months, the store."""
    files = [*home.glob("reports/**/*.html"), *home.parent.glob("x.*"), *home.glob("closed/*"), *home.glob("*.csv")]
    return {p.name: p.read_bytes() for p in files} | {"store": contents(home)}


def _alike(a: dict[str, object], b: dict[str, object]) -> bool:
    stores = a.pop("store"), b.pop("store")
    return a == b and same(*stores)  # type: ignore[arg-type]  # put there by `_state`


@study("kills-commands", seeds=20, slice_seeds=1)
def kills_commands(seeds: Sequence[int]) -> pl.DataFrame:
    """Kills of the commands that write for people: files half written, and what differs after a second run."""
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        top = Path(folder)
        environment = {**os.environ, "OMP_NUM_THREADS": "1"}
        for place, off in (("start", None), ("all", "")):
            write_shop(top / place / "shop")
            if off is not None:  # `week` asks analyses that the small shop goes without
                settings = top / place / "shop" / "catchpot.toml"
                settings.write_text(re.sub(r"disabled = \[.*\]", "disabled = []", settings.read_text()))
            complete(top / place / "shop")
        for command in COMMANDS:
            kept = top / "kept"

            def fresh(of: Path, kept: Path = kept) -> Path:
                """A copy of the workshop at the same place, so that pages and trust are the same."""
                shutil.rmtree(kept / "a", ignore_errors=True)
                shutil.copytree(of, kept / "a")
                return kept / "a" / "shop"

            home = fresh(top / ("all" if command == "week" else "start"))
            trust = {**environment, "XDG_CONFIG_HOME": str(home.parent / "config")}
            words = _words(command, home)
            _run(_words("report", home), trust)
            shutil.copytree(home.parent, kept / "reported")
            took = _run(words, trust)
            undisturbed = _state(home)
            broken = different = killed = 0
            for seed in seeds:
                home = fresh(kept / "reported")
                after = float(np.random.default_rng([seed, len(command)]).uniform(0.3, 1.0)) * took
                killed += _run(words, trust, after) < took
                broken += _broken(home)
                if command not in ONCE or not _alike(dict(undisturbed), _state(home)):
                    _run(words, trust)
                different += not _alike(dict(undisturbed), _state(home))
            rows.append({"command": command, "kills": len(seeds), "files half written": broken,
                         "different afterwards": different})  # fmt: skip
            shutil.rmtree(kept)
    return pl.DataFrame(rows)
