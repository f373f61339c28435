"""Where the store can't be opened or written: waited for, then said in words; what was stored stays."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import polars as pl
import pytest

from catchpot.store import Store, StoreBusy, StoreError, connection

Make = Callable[..., pl.DataFrame]

HOLD = """
import sys, time, duckdb
con = duckdb.connect(":memory:")
con.execute(f"ATTACH '{sys.argv[1]}' AS s ({sys.argv[2]})")
print("held", flush=True)
sys.stdin.readline()
"""


@pytest.fixture
def filled(store: Store, shots: Make, samples: Make) -> Store:
    with store.writing() as w:
        w.put_shots(shots(["a"]), samples(["a"]))
    return store


@pytest.fixture
def held(filled: Store) -> Iterator[Callable[[str], subprocess.Popen[str]]]:
    """Another process that has the store open."""
    started: list[subprocess.Popen[str]] = []

    def hold(how: str) -> subprocess.Popen[str]:
        process = subprocess.Popen(
            [sys.executable, "-c", HOLD, str(filled.path), how],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        started.append(process)
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
        return process

    yield hold
    for process in started:
        process.communicate("\n", timeout=10)


def test_a_writer_elsewhere_is_waited_for_then_named(filled: Store, held: Callable[..., subprocess.Popen[str]]) -> None:
    process = held("READ_WRITE")
    began = time.monotonic()
    with pytest.raises(StoreBusy, match=rf"process {process.pid}\) has the store open\. Waited 0 s"), filled.reading():
        pass
    assert time.monotonic() - began >= 0.3


def test_a_reader_elsewhere_keeps_the_writer_out_but_no_reader(
    filled: Store, held: Callable[..., subprocess.Popen[str]]
) -> None:
    held("READ_ONLY")
    with filled.reading() as r:
        assert r.table("shot").height == 1
    with pytest.raises(StoreBusy), filled.writing():
        pass


def test_a_lock_that_is_let_go_in_time_costs_only_the_wait(
    filled: Store, held: Callable[..., subprocess.Popen[str]]
) -> None:
    process = held("READ_WRITE")
    assert process.stdin is not None
    threading.Timer(0.4, lambda: (process.stdin.write("\n"), process.stdin.flush())).start()  # type: ignore[union-attr]  # asserted above
    with Store(filled.path, patience_s=20.0).writing() as w:
        assert w.table("shot").height == 1


def test_a_writer_in_the_same_process_is_waited_for_too(filled: Store) -> None:
    with filled.writing(), pytest.raises(StoreBusy, match="another part of this program has"), filled.reading():
        pass


@pytest.mark.parametrize("content", [b"", b"shot;mould\n1;2\n", b"x" * 20000])
def test_a_file_that_is_no_store_is_said_and_left_alone(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "shots.duckdb"
    path.write_bytes(content)
    store = Store(path)
    for opened in (store.reading, store.writing):
        with pytest.raises(StoreError, match="no store of catchpot") as told, opened():
            pass
        assert str(path) in str(told.value)
    assert path.read_bytes() == content


def test_a_folder_in_the_stores_place_and_a_missing_folder(tmp_path: Path) -> None:
    (tmp_path / "shots.duckdb").mkdir()
    with pytest.raises(StoreError, match="a folder stands"), Store(tmp_path / "shots.duckdb").writing():
        pass
    with pytest.raises(StoreError, match="no such folder"), Store(tmp_path / "nowhere" / "shots.duckdb").writing():
        pass


def test_the_file_appears_whole(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """Killed while the file is made, nothing stands in the store's place."""

    def killed(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "link", killed)
    with pytest.raises(KeyboardInterrupt), store.writing():
        pass
    assert not store.path.exists()
    monkeypatch.undo()
    with store.writing() as w:
        assert w.table("shot").is_empty()
    assert sorted(p.name for p in store.path.parent.iterdir()) == ["shots.duckdb"]


def test_another_process_that_was_faster_keeps_its_file(filled: Store) -> None:
    connection.create(filled.path, "CREATE TABLE other (a INTEGER)")
    with filled.reading() as r:
        assert r.table("shot").height == 1


def test_leftovers_of_a_killed_start_are_swept(store: Store) -> None:
    old = store.path.with_name("shots.duckdb.new-1")
    young = store.path.with_name("shots.duckdb.new-2")
    for path in (old, young):
        path.write_bytes(b"")
    os.utime(old, (time.time() - 3600,) * 2)
    with store.writing():
        pass
    assert not old.exists()
    assert young.exists()


def test_where_links_are_unknown_the_file_is_moved(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    def unknown(*_: object) -> None:
        raise PermissionError

    monkeypatch.setattr(os, "link", unknown)
    with store.writing():
        pass
    assert [p.name for p in store.path.parent.iterdir()] == ["shots.duckdb"]


def mounted(folder: Path, options: str) -> None:
    """Mount a small file system, or skip where that isn't allowed."""
    folder.mkdir()
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(folder)], capture_output=True, text=True)
    if done.returncode != 0:
        # Only root may mount; without it a full disk can't be had honestly.
        pytest.skip(f"no file system can be mounted here: {done.stderr.strip()}")


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    folder = tmp_path / "small"
    mounted(folder, "size=6m")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def test_a_full_disk_loses_nothing_that_was_stored(small_disk: Path, shots: Make, samples: Make) -> None:
    store = Store(small_disk / "shots.duckdb", patience_s=0.3)
    with store.writing() as w:
        w.put_shots(shots(["a"]), samples(["a"]))
    many = [f"s{i}" for i in range(4000)]
    big = samples(many).with_columns(
        pl.Series("flow_l_min", [(i * 0.7548776662) % 1 for i in range(5 * len(many))]),
        pl.Series("resin_temp_c", [(i * 0.5698402909) % 1 for i in range(5 * len(many))]),
        pl.Series("mould_temp_c", [(i * 0.3141592653) % 1 for i in range(5 * len(many))]),
    )
    (small_disk / "ballast").write_bytes(
        b"\0" * (6 * 2**20 - sum(p.stat().st_size for p in small_disk.iterdir()) - 65536)
    )
    with pytest.raises(StoreError, match="the disk is full"), store.writing() as w:
        w.put_shots(shots(many), big)
    with store.reading() as r:
        assert r.table("shot")["shot"].to_list() == ["a"]
        assert r.table("sample").height == 5
    (small_disk / "ballast").unlink()
    with store.writing() as w:
        w.put_shots(shots(many[:10]), samples(many[:10]))
    with store.reading() as r:
        assert r.table("shot").height == 11


def test_no_room_for_the_file_itself(small_disk: Path) -> None:
    (small_disk / "ballast").write_bytes(b"\0" * (6 * 2**20))
    with pytest.raises(StoreError, match="the disk is full"), Store(small_disk / "shots.duckdb").writing():
        pass
    assert [p.name for p in small_disk.iterdir()] == ["ballast"]


def test_a_read_only_folder_is_read_and_not_written(small_disk: Path, shots: Make, samples: Make) -> None:
    """Root writes where permissions forbid it, so the file system itself is made read-only."""
    store = Store(small_disk / "shots.duckdb")
    with store.writing() as w:
        w.put_shots(shots(["a"]), samples(["a"]))
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    with store.reading() as r:
        assert r.table("sample").height == 5
    with pytest.raises(StoreError, match=r"can't be written: .* read-only"), store.writing():
        pass
    with pytest.raises(StoreError, match=r"can't be written: .* read-only"), Store(small_disk / "new.duckdb").writing():
        pass
