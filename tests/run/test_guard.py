"""No plugin hurts a workshop: one that raises, exits, hangs, eats memory or crashes is named once, the rest is done."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest

from catchpot.cli import main
from catchpot.plugins import load
from catchpot.plugins.sources import installed
from catchpot.run.execute import analyse
from catchpot.store import Store
from catchpot.workshop import Workshop

Put = Callable[..., None]
Open = Callable[[], Workshop]

PLUGIN = """
import os, sys, time
import catchpot
from pydantic import BaseModel

class NoParams(BaseModel):
    pass

def analysis(name_, body):
    table = catchpot.Table(name_, ("shot",), (
        catchpot.Column("shot", "str", "", "the shot"), catchpot.Column("x_l", "f64", "l", "a volume")))
    class One:
        name, part, causal, optional, yields, params = name_, "shot", True, {}, (table,), NoParams
        needs = {"sample": ("vol_l",)}
        def compute(self, job):
            print("computing", name_)
            body(job)
            if name_ == "a_bad" and os.environ.get("SILENT"):
                none = __import__("polars").DataFrame({"shot": list(job.units), "x_l": [None] * len(job.units)},
                    schema={"shot": __import__("polars").String, "x_l": __import__("polars").Float64})
                return catchpot.Result({name_: none})
            last = job.tables["sample"].group_by("shot").agg(x_l=__import__("polars").last("vol_l")).sort("shot")
            return catchpot.Result({name_: last})
    return One()

def bad(job):
    BODY

@catchpot.hookimpl
def register_analyses(settings):
    return [analysis("a_bad", bad), analysis("b_good", lambda job: None)]
"""

BAD = {
    "raises": ("raise ValueError('no shot ' + job.units[0])", "ValueError: no shot", "bad.py, line 27"),
    "exits": ("sys.exit(3)", "SystemExit: 3", "bad.py, line 27"),
    "hangs": ("time.sleep(1e6)", "it took longer than 3 s (time_limit_s in [plugins])", ""),
    "spins": ("while True: pass", "it took longer than 3 s (time_limit_s in [plugins])", ""),
    "ends its process": ("os._exit(7)", "its process ended by itself (exit status 7)", ""),
    "crashes": ("os.kill(os.getpid(), 11)", "its process ended by itself (signal SIGSEGV)", ""),
    "eats memory": ("x = bytearray(700_000_000)", "MemoryError", "bad.py, line 27"),
    "takes what it was not given": ("job.tables['nope']", "KeyError", "bad.py, line 27"),
}


@pytest.fixture
def shop(home: Path, put: Put, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Callable[[str], None]:
    """Write the drop-in with that body into a workshop of six shots whose other plugins are switched off."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    off = ", ".join(f'"{s.name}"' for s in installed())
    (home / "catchpot.toml").write_text(f"[plugins]\ndisabled = [{off}]\ntime_limit_s = 3\nmemory_limit_mb = 600\n")
    put([f"s{i}" for i in range(6)])

    def written(body: str) -> None:
        (home / "plugins").mkdir(exist_ok=True)
        (home / "plugins" / "bad.py").write_text(PLUGIN.replace("BODY", body))

    return written


SLOW = ("exits", "spins", "crashes", "takes what it was not given")
"""Each ends as another does that stays (an error, too long, an ended process): these are among the slow tests."""


@pytest.mark.parametrize("what", [pytest.param(w, marks=[pytest.mark.slow] * (w in SLOW)) for w in BAD])
def test_a_bad_analysis_is_named_once_and_the_rest_is_done(
    home: Path, workshop: Open, shop: Callable[[str], None], what: str, capfd: pytest.CaptureFixture[str]
) -> None:
    body, said, where = BAD[what]
    shop(body)
    ws = workshop()
    began = time.monotonic()
    outcome = analyse(ws, load(ws, trust=True))
    assert time.monotonic() - began < 60
    by_name = {s.analysis: s for s in outcome.steps}
    assert (by_name["a_bad"].failed, by_name["a_bad"].computed) == (6, 0)
    assert (by_name["b_good"].failed, by_name["b_good"].computed) == (0, 6)
    complaints = outcome.complaints()
    assert said in complaints[0] and where in complaints[0] and "`catchpot failures a_bad` shows where" in complaints[0]
    assert len(complaints) <= 2  # those not tried any more are another kind
    assert "computing" not in capfd.readouterr().out
    with Store(home / "shots.duckdb").reading() as r:
        assert r.table("b_good").height == 6
        failed = r.ledger().filter(pl.col("status") == "failed")
    assert failed.height == 6


def test_nulls_without_a_reason_are_not_taken(
    home: Path, workshop: Open, shop: Callable[[str], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SILENT", "1")
    shop("pass")
    ws = workshop()
    outcome = analyse(ws, load(ws, trust=True))
    [said] = outcome.complaints()
    assert "analysis a_bad of plugin bad failed on 6 shots" in said
    assert "table a_bad: no value for s0, and no refusal says why" in said
    with Store(home / "shots.duckdb").reading() as r:
        assert r.table("a_bad").is_empty() and r.table("b_good").height == 6


def test_failures_shows_the_whole_error(
    home: Path, workshop: Open, shop: Callable[[str], None], capsys: pytest.CaptureFixture[str]
) -> None:
    shop("raise ValueError('no')")
    ws = workshop()
    analyse(ws, load(ws, trust=True))
    assert main(["--home", str(home), "failures"]) == 0
    assert capsys.readouterr().out == "a_bad failed on s0, s1, s2 and 3 more: ValueError: no\n"
    assert main(["--home", str(home), "failures", "a_bad"]) == 0
    out = capsys.readouterr().out
    assert "Traceback" in out and 'plugins/bad.py", line 27, in bad' in out
    assert main(["--home", str(home), "failures", "c"]) == 2
    assert "those that have: a_bad, b_good" in capsys.readouterr().err


def test_a_stop_says_what_was_finished(home: Path, shop: Callable[[str], None]) -> None:
    shop("open(os.environ['MARK'], 'w').close(); time.sleep(60)")
    mark = home / "started"
    (home / "catchpot.toml").write_text((home / "catchpot.toml").read_text().replace("time_limit_s = 3\n", ""))
    running = subprocess.Popen(
        [sys.executable, "-m", "catchpot.cli", "--home", str(home), "run", "--trust-plugins"],
        env={**os.environ, "MARK": str(mark)}, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    give_up = time.monotonic() + 60
    while not mark.exists() and running.poll() is None:
        assert time.monotonic() < give_up
        time.sleep(0.05)
    running.send_signal(signal.SIGINT)
    out, err = running.communicate(timeout=30)
    assert running.returncode == 130, err
    assert "stopped in a_bad; what was computed is stored" in err
    assert "log file" in err and "Traceback" not in err and out == ""
