"""One odd name costs nothing of the rest: bytes that are no text, long and deep paths, signs with a meaning."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from catchpot.ingest.scan import find_logs
from catchpot.store import Store, StoreError
from catchpot.workshop import check_workshop, open_workshop

Plain = Callable[..., str]


def test_a_name_that_is_no_text_is_read_and_shown_escaped(bench: Any, plain: Plain) -> None:
    bench.put("a.csv", plain())
    bench.put(os.fsdecode(b"bay \xe9/caf\xe9.csv"), plain(shot=None))
    assert bench.ingest().new == 2
    shots = bench.table("shot")
    assert shots["shot"].to_list() == ["caf\\xe9", "s1"]
    assert shots["source_file"].to_list() == ["logs/bay \\xe9/caf\\xe9.csv", "logs/a.csv"]
    assert bench.ingest().unchanged == 2


def test_folders_ever_so_deep_stop_nothing_and_what_is_out_of_reach_is_said(bench: Any, plain: Plain) -> None:
    bench.put("z.csv", plain())
    here = Path.cwd()
    os.chdir(bench.home / "logs")
    try:
        for _ in range(1200):
            Path("deep").mkdir()
            os.chdir("deep")
        unread: list[str] = []
        found = find_logs(bench.home, (), unread)
    finally:
        os.chdir(here)
    assert [f.name for f in found] == ["logs/z.csv"]
    assert len(unread) == 1 and "nor what lies in it: the name is too long" in unread[0] and len(unread[0]) < 200
    assert bench.ingest().new == 1
    subprocess.run(["rm", "-rf", str(bench.home / "logs" / "deep")], check=True)


@pytest.mark.parametrize(
    "name", ["a#b", "a%41b", "a*b", "[ab]", "{a,b}", "a'b", "a;b", "caf\udce9", "a=b&c", "a\\b", "ä"]
)
def test_a_workshop_may_lie_anywhere(tmp_path: Path, bench: Any, plain: Plain, name: str) -> None:
    home = tmp_path / name / "w"
    try:
        home.mkdir(parents=True)
    except OSError:
        pytest.skip("this file system takes no such name")
    other = type(bench)(home)
    other.put("a.csv", plain())
    assert other.ingest().new == 1
    assert other.ingest().unchanged == 1
    assert other.table("sample").height == 400


def test_a_question_mark_in_the_way_is_said(tmp_path: Path, bench: Any, plain: Plain) -> None:
    other = type(bench)(tmp_path / "a?b")
    other.put("a.csv", plain())
    with pytest.raises(StoreError, match="question mark in its name; rename it") as told:
        other.ingest()
    assert told.value.status == 2
    with pytest.raises(StoreError, match="question mark"), Store(tmp_path / "a?b" / "shots.duckdb").writing():
        pass


@pytest.mark.parametrize("text", ["x = " + 5000 * "[" + 5000 * "]", "[" + ".".join(5000 * "a") + "]\n"])
def test_toml_that_is_nested_too_deep_is_one_problem(bench: Any, text: str) -> None:
    (bench.home / "moulds.toml").write_text(text)
    (problem,) = check_workshop(bench.home)
    assert "moulds.toml" in problem.file and problem.message


def test_names_of_any_length_and_alike_are_stored_and_drawn(bench: Any, plain: Plain) -> None:
    from catchpot.plugins import load
    from catchpot.report.render import write_report
    from catchpot.run.execute import analyse

    moulds = ["Hatch 3", "hatch-3", 300 * "m", 299 * "m" + "n"]
    (bench.home / "moulds.toml").write_text("".join(f'[moulds."{m}"]\n' for m in moulds))
    for i, mould in enumerate(moulds):
        bench.put(f"{i}.csv", plain(shot=f"{i}" + 300 * "s", mould=mould))
    assert bench.ingest().new == 4
    workshop = open_workshop(bench.home)
    registry = load(workshop)
    assert analyse(workshop, registry).complaints() == []
    written = write_report(workshop, registry)
    assert written.complaints() == []
    assert len([p for p in written.pages if p.parent.name == "moulds"]) == 4
