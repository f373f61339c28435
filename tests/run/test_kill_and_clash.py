"""Kill and clash: killed, crowded, out of room, not allowed to write - nothing stored is lost, and words say why."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.studies.harness import slice_of
from tests.studies.study_kills import contents, finish, same, start, write_shop

from catchpot.cli import main
from catchpot.store import connection

HOLD = """
import sys, time, duckdb
con = duckdb.connect(":memory:")
con.execute(f"ATTACH '{sys.argv[1]}' AS s (READ_ONLY)")
print("held", flush=True)
time.sleep(float(sys.argv[2]))
"""


@pytest.fixture(autouse=True)
def trusted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))


@pytest.fixture(scope="module")
def reference(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A workshop that nobody disturbed."""
    home = tmp_path_factory.mktemp("calm") / "shop"
    write_shop(home, shots=12)
    finish(start(home, "run"))
    return home


@pytest.fixture
def home(tmp_path: Path) -> Path:
    folder = tmp_path / "shop"
    write_shop(folder, shots=12)
    return folder


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A workshop on a file system of its own with little room."""
    folder = tmp_path / "small"
    folder.mkdir()
    options = ["mount", "-t", "tmpfs", "-o", "size=8m", "tmpfs", str(folder)]
    done = subprocess.run(options, capture_output=True, text=True)
    if done.returncode != 0:
        # Only root may mount; without it a full disk can't be had honestly.
        pytest.skip(f"no file system can be mounted here: {done.stderr.strip()}")
    write_shop(folder / "shop", shots=12)
    yield folder / "shop"
    subprocess.run(["umount", "-l", str(folder)], check=True)


def command(home: Path, *words: str) -> int:
    return main(["--home", str(home), *words, "--trust-plugins"])


@pytest.mark.slow
@pytest.mark.kill
def test_killed_at_random_moments_nothing_is_torn_and_the_next_run_completes_it() -> None:
    found = slice_of("kills")
    assert found["command"].to_list() == ["ingest", "analyse"]
    assert found["torn"].sum() == 0
    assert found["different"].sum() == 0
    assert found["at_work"].sum() > 0


@pytest.mark.kill
def test_two_processes_at_once_take_turns(home: Path, reference: Path) -> None:
    both = [start(home, "run"), start(home, "run")]
    for process in both:
        finish(process)
    assert same(contents(home), contents(reference))


def test_a_reader_that_holds_the_file_is_waited_for(
    home: Path, reference: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert command(home, "ingest") == 0
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, str(home / "shots.duckdb"), "1.5"], stdout=subprocess.PIPE, text=True
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        began = time.monotonic()
        assert command(home, "analyse") == 0
        assert time.monotonic() - began > 0.5
    assert same(contents(home), contents(reference))


def test_a_reader_that_never_lets_go_is_named(
    home: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert command(home, "ingest") == 0
    monkeypatch.setattr(connection, "PATIENCE_S", 0.3)
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, str(home / "shots.duckdb"), "60"], stdout=subprocess.PIPE, text=True
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        capsys.readouterr()
        assert command(home, "analyse") == 1
        holder.kill()
    said = capsys.readouterr().err
    assert f"(process {holder.pid}) has the store open" in said
    assert "nothing was lost" in said
    assert "Traceback" not in said


def test_a_full_disk_is_said_and_the_next_run_completes_it(
    small_disk: Path, reference: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = small_disk.parent
    ballast = folder / "ballast"
    free = os.statvfs(folder).f_bavail * os.statvfs(folder).f_frsize
    ballast.write_bytes(b"\0" * (free - 200_000))
    assert command(small_disk, "ingest") == 1
    assert "the disk is full" in capsys.readouterr().err
    ballast.unlink()
    assert command(small_disk, "ingest") == 0
    free = os.statvfs(folder).f_bavail * os.statvfs(folder).f_frsize
    ballast.write_bytes(b"\0" * (free - 4096))
    capsys.readouterr()
    assert command(small_disk, "analyse") == 1
    assert "the disk is full" in capsys.readouterr().err
    assert contents(small_disk)["sample"].equals(contents(reference)["sample"])
    ballast.unlink()
    assert command(small_disk, "analyse") == 0
    assert same(contents(small_disk), contents(reference))


def test_a_read_only_folder_is_said(small_disk: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Root writes where permissions forbid it, so the file system itself is made read-only."""
    remount = ["mount", "-o", "remount,ro", str(small_disk.parent)]
    subprocess.run(remount, check=True)
    assert command(small_disk, "ingest") == 1
    said = capsys.readouterr().err
    assert "read-only" in said
    assert "Traceback" not in said


def test_a_log_that_grows_while_it_is_read_is_taken_when_it_is_whole(home: Path) -> None:
    """A logger appends for a while; whatever the runs meanwhile took, the last one has every row."""
    log = home / "logs" / "s03.csv"
    lines = log.read_text().splitlines(keepends=True)
    head, body = lines[:4], lines[4:]
    log.write_text("".join(head))
    with log.open("a") as growing:
        for k in range(0, len(body), 80):
            growing.write("".join(body[k : k + 80]))
            growing.flush()
            assert command(home, "ingest") in (0, 1)
    old = time.time() - 3600
    os.utime(log, (old, old))
    assert command(home, "ingest") == 0
    found = contents(home)
    assert found["sample"].filter(shot="s03").height == len(body)
    assert found["quarantine"].is_empty()
    assert found["shot"].height == 12
