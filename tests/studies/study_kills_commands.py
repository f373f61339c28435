"""Study: kill -9 at random moments of the commands that write for people; every file is whole or as it was.

A small workshop is read, analysed and reported once. Then each command is killed somewhere in its run, what lies there
is looked at, and the command is run again: pages, exports, closed months and the store must then be those of a run that
nobody disturbed.
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
COMMANDS = ("report", "export csv", "export parquet", "forget", "close", "watch")


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
    if "watch" in words:
        assert process.stdout is not None
        while "report:" not in process.stdout.readline():
            if process.poll() is not None:
                raise RuntimeError(process.communicate()[1])
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
    files = [*home.glob("reports/**/*.html"), *home.parent.glob("x.*"), *home.glob("closed/*")]
    return {p.name: p.read_bytes() for p in files} | {"store": contents(home)}


def _alike(a: dict[str, object], b: dict[str, object]) -> bool:
    stores = a.pop("store"), b.pop("store")
    return a == b and same(*stores)  # type: ignore[arg-type]  # put there by `_state`


@study("kills-commands", seeds=20, slice_seeds=1)
def kills_commands(seeds: Sequence[int]) -> pl.DataFrame:
    """Kills of report, export, forget, close and watch: files half written, and what differs after a second run."""
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        top = Path(folder)
        environment = {**os.environ, "XDG_CONFIG_HOME": str(top / "start" / "config")}
        start = top / "start" / "shop"
        write_shop(start)
        complete(start)
        _run(_words("report", start), environment)
        for command in COMMANDS:
            kept = top / "kept"

            def fresh(name: str, kept: Path = kept) -> Path:
                """A copy of the workshop at the same place, so that pages and trust are the same."""
                shutil.rmtree(kept / name, ignore_errors=True)
                shutil.copytree(start.parent, kept / name)
                return kept / name / "shop"

            home = fresh("a")
            trust = {**environment, "XDG_CONFIG_HOME": str(home.parent / "config")}
            words = _words(command, home)
            _run([*_words("report", home)], trust)
            took = _run(words, trust)
            undisturbed = _state(home)
            broken = different = killed = 0
            for seed in seeds:
                home = fresh("a")
                _run([*_words("report", home)], trust)
                after = float(np.random.default_rng([seed, len(command)]).uniform(0.3, 1.0)) * took
                killed += _run(words, trust, after) < took
                broken += _broken(home)
                _run(words, trust) if command != "forget" else subprocess.run(words, env=trust, capture_output=True)
                different += not _alike(dict(undisturbed), _state(home))
            rows.append({"command": command, "kills": len(seeds), "files half written": broken,
                         "different afterwards": different})  # fmt: skip
            shutil.rmtree(kept)
    return pl.DataFrame(rows)
