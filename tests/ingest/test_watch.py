"""Watching the logs folder."""

from __future__ import annotations

import os
import shutil
import signal
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from catchpot.ingest.watch import stopping, watch


def wait_for(true: Callable[[], bool], seconds: float = 20.0) -> None:
    give_up = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < give_up, "it never came"
        time.sleep(0.02)


class Watching:
    """A watch in a thread that notes which files were there, at what size, each time it ran."""

    def __init__(self, home: Path, polling: bool) -> None:
        self.home, self.stop, self.said = home, threading.Event(), list[str]()
        self.runs: list[dict[str, int]] = []
        self.fail: Exception | None = None
        options = {"stop": self.stop, "every_s": 0.1, "polling": polling, "say": self.said.append}
        self.thread = threading.Thread(target=lambda: watch(home, self.run, **options))  # type: ignore[arg-type]  # mixed kinds
        self.thread.start()

    def run(self) -> None:
        if self.fail:
            raise self.fail
        self.runs.append({p.name: p.stat().st_size for p in (self.home / "logs").glob("*")})


@pytest.fixture(params=[True, False], ids=["polling", "told"])
def watching(tmp_path: Path, request: pytest.FixtureRequest) -> object:
    (tmp_path / "logs").mkdir()
    w = Watching(tmp_path, request.param)
    yield w
    w.stop.set()
    w.thread.join(10)
    assert not w.thread.is_alive()


def test_new_files_are_taken_and_nothing_is_done_without_any(watching: Watching) -> None:
    wait_for(lambda: len(watching.runs) == 1)
    (watching.home / "logs" / "a.csv").write_text("x" * 100)
    wait_for(lambda: bool(watching.runs) and watching.runs[-1] == {"a.csv": 100})
    count = len(watching.runs)
    time.sleep(1.0)
    assert len(watching.runs) == count


def test_a_file_that_still_grows_is_left_alone(watching: Watching) -> None:
    wait_for(lambda: len(watching.runs) == 1)
    with (watching.home / "logs" / "a.csv").open("w") as f:
        for _ in range(40):
            f.write("x" * 50)
            f.flush()
            time.sleep(0.02)
    wait_for(lambda: watching.runs[-1] == {"a.csv": 2000})
    assert len(watching.runs) <= 4


def test_a_failed_round_is_said_and_tried_again(watching: Watching) -> None:
    wait_for(lambda: len(watching.runs) == 1)
    watching.fail = OSError(28, "No space left on device")
    (watching.home / "logs" / "a.csv").write_text("x")
    wait_for(lambda: any("No space left" in s for s in watching.said))
    watching.fail = None
    wait_for(lambda: watching.runs[-1] == {"a.csv": 1})


def test_the_folder_may_vanish_and_come_back(watching: Watching) -> None:
    wait_for(lambda: len(watching.runs) == 1)
    shutil.rmtree(watching.home / "logs")
    time.sleep(0.5)
    (watching.home / "logs").mkdir()
    (watching.home / "logs" / "b.csv").write_text("xy")
    wait_for(lambda: watching.runs[-1] == {"b.csv": 2})


def test_the_workshop_may_vanish_and_come_back_and_nothing_is_made_meanwhile(watching: Watching) -> None:
    wait_for(lambda: len(watching.runs) == 1)
    aside = watching.home.with_name("aside")
    watching.home.rename(aside)
    wait_for(lambda: any("the workshop's folder is not there" in s for s in watching.said))
    time.sleep(0.5)
    assert not watching.home.exists()
    aside.rename(watching.home)
    wait_for(lambda: len(watching.runs) == 2)
    assert [s for s in watching.said if "folder" in s] == [
        f"{watching.home}: the workshop's folder is not there; waiting until it is back",
        f"{watching.home}: the workshop's folder is back",
    ]


def test_a_store_that_vanishes_is_said_and_a_round_follows(watching: Watching) -> None:
    (watching.home / "shots.duckdb").write_text("")
    wait_for(lambda: len(watching.runs) == 1)
    (watching.home / "logs" / "a.csv").write_text("x")
    wait_for(lambda: watching.runs[-1] == {"a.csv": 1})
    count = len(watching.runs)
    (watching.home / "shots.duckdb").unlink()
    wait_for(lambda: len(watching.runs) > count)
    assert any("the store is gone; it is made anew" in s for s in watching.said)


def test_a_signal_ends_it_and_the_former_handlers_come_back() -> None:
    before = signal.getsignal(signal.SIGTERM)
    with stopping() as stop:
        assert not stop.is_set()
        os.kill(os.getpid(), signal.SIGTERM)
        wait_for(stop.is_set)
    assert signal.getsignal(signal.SIGTERM) is before
