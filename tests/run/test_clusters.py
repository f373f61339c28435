"""Long work on a cluster of dask or of ray: the same tables, whoever computes, whoever is killed, and nothing twice."""

from __future__ import annotations

import importlib.util
import os
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl
import pytest

from catchpot.plugins import load
from catchpot.run import engine, step
from catchpot.run.clusters import EngineRefusedError, cluster_of
from catchpot.run.execute import analyse
from catchpot.run.same_program import program_of
from catchpot.store import Store
from catchpot.workshop import WorkshopError, open_workshop
from catchpot.workshop.settings import RunSettings

if TYPE_CHECKING:
    from catchpot.run.outcome import AnalyseOutcome

CLUSTERS = ("dask", "ray")
REQUIRED = os.environ.get("CATCHPOT_ENGINES") == "required"
CHAIN = ("fill", "seal_leak")
STARTS_S = 120.0
on_clusters = [
    pytest.mark.engines,
    pytest.mark.slow,
    pytest.mark.filterwarnings("ignore"),  # theirs, of their own sockets and event loops
]

# A distribution as anyone's: an analysis that does to its process what is written in a file, and marks each shot.
BREAKER = """
import os, signal
from pathlib import Path
import polars as pl
from pydantic import BaseModel
from catchpot import Column, Result, Table, hookimpl

MARKED = Table("marked", ("shot",), (Column("shot", "str", "", "the shot"), Column("rows", "i64", "", "its rows")))

class None_(BaseModel):
    pass

class Marks:
    name, part, causal = "marks", "shot", True
    needs, optional = {"sample": ("vol_l",)}, {}
    yields, params = (MARKED,), None_

    def compute(self, job):
        mark = Path(os.environ["BREAKER_MARK"])
        mode = mark.with_suffix(".mode").read_text()
        once = mode == "once" and not mark.exists()
        if once:
            mark.touch()
        if once or (mode == "always" and any(s.endswith("0004") for s in job.units)):
            os.kill(os.getpid(), signal.SIGKILL)
        return Result({"marked": job.tables["sample"].group_by("shot", maintain_order=True).agg(rows=pl.len().cast(pl.Int64))})

@hookimpl
def register_analyses(settings):
    return [Marks()]
"""  # noqa: E501


def lacking(reason: str) -> None:
    if REQUIRED:
        pytest.fail(f"CATCHPOT_ENGINES=required, but {reason}")
    pytest.skip(reason)


@pytest.fixture(scope="module")
def distribution(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder on the import path of this process and of all that it starts."""
    folder = tmp_path_factory.mktemp("site")
    info = folder / "breaker-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: breaker\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text("[catchpot.plugins.v1]\nbreaker = breaker\n")
    (folder / "breaker.py").write_text(BREAKER)
    return folder


def started(words: list[str], told: Path, env: dict[str, str], said: str) -> tuple[subprocess.Popen[bytes], str]:
    """A program that runs, and what it said that matches."""
    with told.open("wb") as out:
        process = subprocess.Popen(words, stdout=out, stderr=subprocess.STDOUT, env=env, cwd=told.parent)
    until = time.monotonic() + STARTS_S
    while not (found := re.search(said, told.read_text())):
        assert time.monotonic() < until and process.poll() is None, told.read_text()
        time.sleep(0.1)
    return process, found[1]


@pytest.fixture(scope="module", params=CLUSTERS)
def cluster(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory, distribution: Path
) -> Iterator[tuple[str, str]]:
    """Name and address of a cluster on this machine: two processes of its own, each with one thread."""
    name = request.param
    if importlib.util.find_spec({"dask": "distributed"}.get(name, name)) is None:
        lacking(f"{name} is not installed")
    folder = tmp_path_factory.mktemp(name)
    env = os.environ | {
        "PYTHONPATH": os.pathsep.join([str(distribution), *filter(None, [os.environ.get("PYTHONPATH")])]),
        "BREAKER_MARK": str(distribution / "mark"), "POLARS_MAX_THREADS": "1", "OMP_NUM_THREADS": "1",
        "RAY_USAGE_STATS_ENABLED": "0", "RAY_memory_monitor_refresh_ms": "0",
    }  # fmt: skip
    place = Path(sys.executable).parent
    if name == "dask":
        told = folder / "scheduler.txt"
        words = [str(place / "dask"), "scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard"]
        scheduler, address = started(words, told, env, r"Scheduler at:\s+(tcp://\S+)")
        words = [str(place / "dask"), "worker", address, "--nworkers", "2", "--nthreads", "1", "--no-dashboard",
                 "--memory-limit", "0", "--host", "127.0.0.1"]  # fmt: skip
        workers, _ = started(words, folder / "workers.txt", env, r"(Registered to)")
        yield name, address
        for process in (workers, scheduler):
            process.terminate()
            process.wait(30)
        return
    words = [str(place / "ray"), "start", "--head", "--port", "0", "--num-cpus", "2", "--include-dashboard", "false",
             "--node-ip-address", "127.0.0.1", "--disable-usage-stats", "--block", "--object-store-memory", "200000000",
             "--temp-dir", f"/tmp/ray-{os.getpid()}"]  # fmt: skip
    head, address = started(words, folder / "head.txt", env, r"--address='([\d.:]+)'")
    yield name, address
    head.terminate()
    head.wait(60)
    shutil.rmtree(f"/tmp/ray-{os.getpid()}", ignore_errors=True)


@pytest.fixture(autouse=True)
def small(monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest) -> None:
    """Work is worth sending off, and a batch is two shots."""
    monkeypatch.setattr(engine, "WORTH_SHOTS", 2)
    monkeypatch.setattr(step, "BATCH", 2)
    monkeypatch.setenv("RAY_USAGE_STATS_ENABLED", "0")
    if "distribution" in request.fixturenames:
        folder = str(request.getfixturevalue("distribution"))
        monkeypatch.syspath_prepend(folder)
        monkeypatch.setenv("PYTHONPATH", folder)
        monkeypatch.setenv("BREAKER_MARK", f"{folder}/mark")


def analysed(
    shop: Path, home: Path, settings: str, only: tuple[str, ...]
) -> tuple[AnalyseOutcome, dict[str, pl.DataFrame]]:
    """What came of computing some analyses, and all that is stored then."""
    shutil.copytree(shop, home)
    with (home / "catchpot.toml").open("a") as file:
        file.write(f"\n[run]\n{settings}\n")
    workshop = open_workshop(home)
    outcome = analyse(workshop, load(workshop), only=only)
    with Store(home / "shots.duckdb").reading() as r:
        return outcome, {name: r.table(name) for name in r.tables() if name != "sample"}


class TestOnACluster:
    """The tests are in this order: the last ones break processes."""

    pytestmark = on_clusters

    def test_the_same_tables_to_the_last_digit(
        self, cluster: tuple[str, str], shop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        name, address = cluster
        _, here = analysed(shop, tmp_path / "here", "workers = 0", CHAIN)
        came: list[bool] = []
        computed = engine.Engine.computed

        def seen(self: engine.Engine, *args: Any) -> Iterator[Any]:
            for done in computed(self, *args):
                came.append(done[2] is not None)
                yield done

        monkeypatch.setattr(engine.Engine, "computed", seen)
        outcome, there = analysed(shop, tmp_path / "there", f'engine = "{name}"\naddress = "{address}"', CHAIN)
        assert outcome.complaints() == []
        assert len(came) >= 12 and all(came)
        assert here["fill"].height == 12
        assert [n for n in here if not here[n].equals(there[n])] == []

    def test_other_programs_are_refused_with_the_difference(
        self, cluster: tuple[str, str], shop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        name, address = cluster
        own = program_of("catchpot_fill.analysis")
        other = type(own)(own.module, {**own.parts, "numpy": "0.1", "the plugin catchpot_fill": "code 123"})
        monkeypatch.setattr(engine, "program_of", lambda module: type(own)(module, other.parts))
        with pytest.raises(EngineRefusedError) as refused:
            analysed(shop, tmp_path / "there", f'engine = "{name}"\naddress = "{address}"', CHAIN)
        (said,) = refused.value.lines()
        assert "runs another program, so nothing was computed there" in said
        assert f"numpy is {own.parts['numpy']} there and 0.1 here" in said

    def test_a_process_that_is_killed_in_mid_run_costs_nothing(
        self, cluster: tuple[str, str], shop: Path, distribution: Path, tmp_path: Path
    ) -> None:
        name, address = cluster
        (distribution / "mark").unlink(missing_ok=True)
        (distribution / "mark.mode").write_text("once")
        outcome, there = analysed(shop, tmp_path / "there", f'engine = "{name}"\naddress = "{address}"', ("marks",))
        assert (distribution / "mark").exists(), "no process was killed"
        assert outcome.complaints() == []
        assert there["marked"]["shot"].to_list() == sorted(there["shot"]["shot"])
        assert [s.computed for s in outcome.steps if s.analysis == "marks"] == [12]

    def test_an_analysis_that_kills_every_process_is_named_and_the_rest_is_done(
        self, cluster: tuple[str, str], shop: Path, distribution: Path, tmp_path: Path
    ) -> None:
        name, address = cluster
        (distribution / "mark.mode").write_text("always")
        settings = f'engine = "{name}"\naddress = "{address}"'
        outcome, there = analysed(shop, tmp_path / "there", settings, ("marks", "seal_leak"))
        (said,) = outcome.complaints()
        assert "analysis marks of plugin breaker failed on 2 shots" in said
        assert "its process ended by itself (signal SIGKILL)" in said
        assert there["marked"]["shot"].to_list() == [s for s in there["shot"]["shot"] if not s.endswith("0004")]
        assert there["seal_leak"]["shot"].n_unique() == 12


def test_an_engine_needs_its_address_and_says_so(tmp_path: Path) -> None:
    (tmp_path / "catchpot.toml").write_text('[run]\nengine = "dask"\n')
    with pytest.raises(WorkshopError, match='engine = "dask" needs the address of the cluster'):
        open_workshop(tmp_path)


def test_an_extra_that_is_missing_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    for name, module in (("dask", "distributed"), ("ray", "ray")):
        monkeypatch.setitem(sys.modules, module, None)
        cluster = cluster_of(RunSettings.model_validate({"engine": name, "address": "127.0.0.1:1"}))
        assert cluster is not None
        with pytest.raises(EngineRefusedError, match=re.escape(f'pip install "catchpot[{name}]"')):
            cluster.workers()


def test_local_work_imports_no_engine() -> None:
    code = "import sys, catchpot.run.execute; sys.exit(bool({'distributed', 'dask', 'ray'} & sys.modules.keys()))"
    assert subprocess.run([sys.executable, "-c", code], timeout=60).returncode == 0


@pytest.mark.engines
@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
def test_a_cluster_that_does_not_answer_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    if importlib.util.find_spec("distributed") is None:
        lacking("dask is not installed")
    monkeypatch.setattr("catchpot.run.clusters.REACH_S", 2.0)
    cluster = cluster_of(RunSettings(engine="dask", address="tcp://127.0.0.1:9"))
    assert cluster is not None
    with pytest.raises(EngineRefusedError, match=r"no dask cluster with a process answers at tcp://127.0.0.1:9"):
        cluster.workers()
