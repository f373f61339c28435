"""A session as a notebook uses it: it says what it is, what there is and what failed; tables are polars frames."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import polars as pl
import pytest

from catchpot import open_session
from catchpot.cli import main
from catchpot.store.reading import UnknownTableError

SAMPLE = Path(__file__).parents[2] / "sample_runs"
MOULDS = ["door-1", "hatch-2", "seat-4"]
BROKEN = """
import catchpot
from pydantic import BaseModel

class NoParams(BaseModel):
    pass

class Broken:
    name, part, causal, optional, params = "broken", "mould", True, {}, NoParams
    needs = {"shot": ("mould",)}
    yields = (catchpot.Table("broken", ("mould",), (catchpot.Column("mould", "str", "", "the mould"),)),)
    def compute(self, job):
        raise ValueError("no meter in the house")

@catchpot.hookimpl
def register_analyses(settings):
    return [Broken()]
"""


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("notebook")
    shutil.copytree(SAMPLE, folder / "shop", ignore=shutil.ignore_patterns("reports", "shots.duckdb*"))
    (folder / "shop" / "plugins").mkdir()
    (folder / "shop" / "plugins" / "broken.py").write_text(BROKEN)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CONFIG_HOME", str(folder / "config"))
        assert main(["--home", str(folder / "shop"), "run", "--trust-plugins"]) == 1
    return folder / "shop"


def test_the_notebook_runs_as_it_stands(home: Path) -> None:
    script = Path(__file__).with_name("notebook.py")
    env = {"XDG_CONFIG_HOME": str(home.parent / "config"), "PATH": "/usr/bin:/bin"}
    done = subprocess.run([sys.executable, str(script), str(home)], capture_output=True, text=True, env=env)
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    assert lines[0].startswith("<Sample workshop (invented): 42 shots of 3 moulds, ")
    assert "1 of its analyses failed" in lines[0]
    assert "injected_volume_l" in done.stdout and "['drift', 'drift_value', 'drift_watch', 'finding']" in done.stdout
    assert [x for x in lines if x.startswith("broken ")] == [
        f"broken {m} ValueError: no meter in the house" for m in MOULDS
    ]


def test_the_listing_counts_what_is_stored(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(home.parent / "config"))
    session = open_session(home)
    rows = {r["table"]: r for r in session.tables().iter_rows(named=True)}
    assert rows["shot"]["rows"] == session.table("shot").height == 42
    assert rows["fill"]["analyses"] == "fill" and "injected_volume_l [l]" in rows["fill"]["columns"]
    assert rows["broken"]["rows"] == 0
    assert rows["sample"]["rows"] == session.table("sample", columns=["t_s"]).height
    failed = session.failures()
    assert failed["part"].to_list() == session.moulds == MOULDS and set(failed["analysis"]) == {"broken"}
    assert all("Traceback" in t and "no meter" in t for t in failed["trace"])
    assert isinstance(session.table("fill"), pl.DataFrame)
    with pytest.raises(UnknownTableError, match="there is no table 'fil'; there are "):
        session.table("fil")


def test_a_session_of_an_empty_workshop(tmp_path: Path) -> None:
    (tmp_path / "catchpot.toml").write_text('[workshop]\nname = "Empty"\n')
    (tmp_path / "moulds.toml").write_text("")
    session = open_session(tmp_path)
    assert repr(session).startswith("<Empty: 0 shots of 0 moulds")
    assert session.failures().is_empty() and session.tables()["rows"].sum() == 0
