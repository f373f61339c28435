"""Whatever computes, in this process or in others, gives the same tables to the last bit; what breaks is done here."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import polars as pl
import pytest

from catchpot.plugins import load
from catchpot.run import engine, step
from catchpot.run.execute import analyse
from catchpot.store import Store
from catchpot.workshop import open_workshop

CHAIN = ("fill", "seal_leak")


@pytest.fixture(autouse=True)
def small(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(engine, "WORTH_SHOTS", 2)
    monkeypatch.setattr(step, "BATCH", 5)


def tables(shop: Path, folder: Path, workers: int) -> dict[str, pl.DataFrame]:
    """All that is stored after the analyses were run with so many processes."""
    home = folder / f"with-{workers}"
    shutil.copytree(shop, home)
    text = (home / "catchpot.toml").read_text()
    (home / "catchpot.toml").write_text(f"{text}\n[run]\nworkers = {workers}\n")
    workshop = open_workshop(home)
    outcome = analyse(workshop, load(workshop), only=CHAIN)
    assert outcome.complaints() == []
    with Store(home / "shots.duckdb").reading() as r:
        return {name: r.table(name) for name in r.tables() if name != "sample"}


def test_other_processes_give_the_same_to_the_last_bit(
    shop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    here = tables(shop, tmp_path, 0)
    used = []
    computed = engine.Engine.computed

    def seen(self: engine.Engine, *args: object) -> Iterator[object]:
        for done in computed(self, *args):  # type: ignore[arg-type]  # passed on as they are
            used.append(done[2] is not None)
            yield done

    monkeypatch.setattr(engine.Engine, "computed", seen)
    there = tables(shop, tmp_path, 2)
    assert len(used) >= 6
    assert all(used)
    assert here["fill"].height == 12
    assert [n for n in here if not here[n].equals(there[n])] == []


def test_where_processes_fail_everything_is_computed_here(
    shop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> Iterator[object]:
        raise OSError("no process can be started")
        yield

    monkeypatch.setattr(engine.Engine, "computed", broken)
    assert tables(shop, tmp_path, 2)["fill"].height == 12


def test_few_shots_and_one_processor_need_no_other_process() -> None:
    assert engine.Engine(2).pays(3, 10)
    assert not engine.Engine(2).pays(1, 10)
    assert not engine.Engine(2).pays(3, 1)
    assert not engine.Engine(0).pays(3, 10)
    assert engine.Engine().workers == engine.cores() <= (os.cpu_count() or 1)
