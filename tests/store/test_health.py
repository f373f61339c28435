"""A store that another hand changed, or that is torn, is noticed and mended from the logs."""

from __future__ import annotations

import shutil
from pathlib import Path

import duckdb
import pytest

from catchpot.cli import main
from catchpot.store import Store, StoreError
from catchpot.store.health import examine

SAMPLE = Path(__file__).resolve().parents[2] / "sample_runs"


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """A workshop of a few logs, ingested."""
    for name in ("catchpot.toml", "moulds.toml"):
        shutil.copy(SAMPLE / name, tmp_path / name)
    (tmp_path / "logs").mkdir()
    for path in sorted((SAMPLE / "logs").rglob("*.csv"))[:4]:
        shutil.copy(path, tmp_path / "logs" / path.name)
    assert main(["--home", str(tmp_path), "ingest"]) == 0
    return tmp_path


def spoil(home: Path, sql: str) -> None:
    with duckdb.connect(str(home / "shots.duckdb")) as con:
        con.execute(sql)


def content(home: Path) -> list[object]:
    with Store(home / "shots.duckdb").reading() as r:
        return [r.table("shot").drop("revision").to_dicts(), r.table("sample").height]


SPOILT = {
    "a shot deleted": "DELETE FROM shot WHERE shot = (SELECT min(shot) FROM shot)",
    "some samples deleted": "DELETE FROM sample WHERE shot_no = 2 AND t_s > 20",
    "all samples deleted": "DELETE FROM sample",
    "all shots deleted": "DELETE FROM shot",
    "a shot twice": "INSERT INTO shot SELECT * FROM shot WHERE shot_no = 1",
}


@pytest.mark.parametrize("what", SPOILT)
def test_what_does_not_fit_is_said_and_comes_back_from_the_logs(
    home: Path, what: str, capsys: pytest.CaptureFixture[str]
) -> None:
    before = content(home)
    assert main(["--home", str(home), "check", "--store"]) == 0
    spoil(home, SPOILT[what])
    assert content(home) != before
    capsys.readouterr()
    assert main(["--home", str(home), "check", "--store"]) == 1
    assert "shots.duckdb: " in capsys.readouterr().out
    assert main(["--home", str(home), "ingest"]) == 0
    assert content(home) == before
    assert main(["--home", str(home), "check", "--store"]) == 0


@pytest.mark.parametrize("what", ["a shot deleted", "all shots deleted"])
def test_the_next_ingest_alone_brings_deleted_shots_back(home: Path, what: str) -> None:
    before = content(home)
    spoil(home, SPOILT[what])
    assert main(["--home", str(home), "ingest"]) == 0
    with Store(home / "shots.duckdb").reading() as r:
        shots = r.table("shot").drop("revision").to_dicts()
    assert shots == before[0]


def test_a_torn_shot_whose_log_is_gone_is_kept_and_said(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    spoil(home, "DELETE FROM sample WHERE shot_no = 2 AND t_s > 20")
    with Store(home / "shots.duckdb").reading() as r:
        (fault,) = examine(r, home / "shots.duckdb")
    (home / fault.file).unlink()
    assert main(["--home", str(home), "check", "--store"]) == 1
    assert "is not there any more, so this can't be mended" in capsys.readouterr().out
    with Store(home / "shots.duckdb").reading() as r:
        assert fault.shot in r.table("shot")["shot"].to_list()


def test_a_store_that_cannot_be_opened_gets_one_sentence_with_the_way_back(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (home / "shots.duckdb").write_bytes(b"no store" * 5000)
    for words in (["check", "--store"], ["run"], ["report"], ["export", "shot"], ["forget", "x"]):
        capsys.readouterr()
        assert main(["--home", str(home), *words]) == 1, words
        err = capsys.readouterr().err
        assert err.count("\n") == 1 and "Move it away" in err and "makes a new store" in err
    with pytest.raises(StoreError), Store(home / "shots.duckdb").reading():
        pass
