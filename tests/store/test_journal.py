"""A checkpoint that is cut off within a block: the next opening mends the file, and nothing committed is lost."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import duckdb
import polars as pl
import pytest

from catchpot.store import Store, StoreBusy, StoreError, connection
from catchpot.store.journal import journal_path

Make = Callable[..., pl.DataFrame]
NAME = "shots.duckdb"
BLOCK = 262144
HEADERS = 12288


@pytest.fixture
def cut_off(tmp_path: Path, shots: Make, samples: Make, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder as a kill between commit and checkpoint leaves it; beside it, `after`, where all went well."""
    before, folder = tmp_path / "live", tmp_path / "cut"
    before.mkdir()
    store = Store(before / NAME)
    with store.writing() as w:
        w.put_shots(shots(["a"]), samples(["a"]))
    checkpoint = connection._checkpoint

    def copied(con: duckdb.DuckDBPyConnection, path: Path) -> None:
        shutil.copytree(before, folder)
        checkpoint(con, path)

    monkeypatch.setattr(connection, "_checkpoint", copied)
    with store.writing() as w:
        w.put_shots(shots(["b"]), samples(["b"]))
    monkeypatch.undo()
    shutil.copytree(before, tmp_path / "after")
    assert sorted(p.name for p in before.iterdir()) == [NAME]
    return folder


def tear(folder: Path, length: int) -> None:
    """Write the beginning of the next checkpoint's directory block, as far as it came."""
    after = (folder.parent / "after" / NAME).read_bytes()
    with (folder / NAME).open("r+b") as f:
        f.seek(HEADERS)
        f.write(after[HEADERS : HEADERS + length])


def names(folder: Path) -> list[str]:
    with Store(folder / NAME, patience_s=0.3).reading() as r:
        assert r.table("sample").height == 5 * r.table("shot").height
        return r.table("shot")["shot"].to_list()


def test_killed_before_the_checkpoint_the_log_gives_the_last_transaction(cut_off: Path) -> None:
    assert sorted(p.name for p in cut_off.iterdir()) == [NAME, f"{NAME}.undo", f"{NAME}.wal"]
    assert names(cut_off) == ["a", "b"]
    assert not journal_path(cut_off / NAME).exists()


@pytest.mark.parametrize("length", [4096, 8 * 4096, BLOCK - 4096, BLOCK])
def test_killed_within_a_directory_block_the_file_is_mended(cut_off: Path, length: int) -> None:
    tear(cut_off, length)
    assert names(cut_off) == ["a", "b"]
    assert names(cut_off) == ["a", "b"]
    assert not journal_path(cut_off / NAME).exists()


def test_a_writer_mends_as_a_reader_does(cut_off: Path, shots: Make, samples: Make) -> None:
    tear(cut_off, 4096)
    with Store(cut_off / NAME).writing() as w:
        w.put_shots(shots(["c"]), samples(["c"]))
    assert names(cut_off) == ["a", "b", "c"]
    assert [p.name for p in cut_off.iterdir()] == [NAME]


@pytest.mark.parametrize("broken", [None, b"", b"catchpot undo 1\n\xff\xff\xff\xff", "flipped"])
def test_without_a_whole_journal_the_torn_file_is_said_to_be_damaged(cut_off: Path, broken: bytes | str | None) -> None:
    """That the tear is real: it is the journal that mends it."""
    tear(cut_off, 4096)
    journal = journal_path(cut_off / NAME)
    content = bytearray(journal.read_bytes())
    content[-1] ^= 1
    if broken is None:
        journal.unlink()
    else:
        journal.write_bytes(bytes(content) if isinstance(broken, str) else broken)
    with pytest.raises(StoreError, match="the store is damaged"):
        names(cut_off)


def test_killed_after_the_checkpoint_the_journal_is_thrown_away(cut_off: Path) -> None:
    after = cut_off.parent / "after"
    shutil.copy(journal_path(cut_off / NAME), journal_path(after / NAME))
    content = (after / NAME).read_bytes()
    assert names(after) == ["a", "b"]
    assert (after / NAME).read_bytes() == content
    assert not journal_path(after / NAME).exists()


def test_a_reader_elsewhere_keeps_a_torn_file_from_being_mended(cut_off: Path) -> None:
    place = str(cut_off / NAME)
    hold = f"import duckdb; c = duckdb.connect({place!r}, read_only=True); print(1, flush=True); input()"
    with subprocess.Popen(
        [sys.executable, "-c", hold], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "1\n"
        with pytest.raises(StoreBusy, match="keeps it from being mended"):
            names(cut_off)
        holder.communicate("\n")
    assert names(cut_off) == ["a", "b"]


def test_only_directory_blocks_are_written_in_place(tmp_path: Path, shots: Make, samples: Make) -> None:
    """What the journal rests on: of the blocks in use a checkpoint changes none but those the journal copies."""
    store = Store(tmp_path / NAME)
    rows = [f"s{i}" for i in range(2000)]
    before, used, directory = b"", set[int](), set[int]()
    for k in range(0, 2000, 250):
        part = rows[k : k + 250]
        with store.writing() as w:
            w.put_shots(shots(part), samples(part))
            w.remove_shots(rows[max(0, k - 100) : max(0, k - 50)])
        now = (tmp_path / NAME).read_bytes()
        # Of blocks at the end that are of no use any more the file is freed.
        both = range((min(len(before), len(now)) - HEADERS) // BLOCK)
        at = {b: slice(HEADERS + b * BLOCK, HEADERS + (b + 1) * BLOCK) for b in both}
        changed = {b for b, here in at.items() if before[here] != now[here]}
        assert not changed & (used - directory), "a block in use was written in place"
        assert changed & directory or not before
        before = now
        used, directory = _blocks(tmp_path / NAME)
        assert used and directory


def _blocks(path: Path) -> tuple[set[int], set[int]]:
    """Blocks that hold data, and blocks that hold the directory."""
    con = duckdb.connect(str(path), read_only=True)
    used: set[int] = set()
    for (table,) in con.execute("SELECT table_name FROM duckdb_tables()").fetchall():
        for block, more in con.execute(
            "SELECT block_id, additional_block_ids FROM pragma_storage_info(?) WHERE persistent", [table]
        ).fetchall():
            used |= {block, *(more or ())}
    directory = {b for (b,) in con.execute("SELECT block_id FROM pragma_metadata_info()").fetchall()}
    con.close()
    return used, directory
