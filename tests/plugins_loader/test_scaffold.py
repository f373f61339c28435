"""`plugins new` and `plugins test`: what is begun conforms as it stands, and nothing that is there is written over."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from catchpot.cli import main


def test_a_drop_in_and_its_test(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    at = ["--home", str(home), "plugins"]
    assert main([*at, "new", "pour_time", "--json"]) == 0
    written = json.loads(capsys.readouterr().out)["written"]
    assert written == [str(home / "plugins" / "pour_time.py"), str(home / "plugins" / "tests" / "test_pour_time.py")]
    before = (home / "plugins" / "pour_time.py").read_text()
    assert main([*at, "new", "pour_time"]) == 2
    assert "is there already and was left as it is" in capsys.readouterr().err
    assert (home / "plugins" / "pour_time.py").read_text() == before
    # trusted as it was written, and in use without a question
    assert main([*at, "--json"]) == 0
    rows = {r["plugin"]: r for r in json.loads(capsys.readouterr().out)["plugins"]}
    assert rows["pour_time"]["state"] == "in use" and rows["pour_time"]["tables"] == ["finding", "pour_time"]
    assert main([*at, "test", "pour_time", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["complaints"] == [] and "2 passed" in said["tests"]


@pytest.mark.slow
def test_a_fault_and_a_failing_test_are_said(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    at = ["--home", str(home), "plugins"]
    assert main([*at, "new", "pour_time"]) == 0
    file = home / "plugins" / "pour_time.py"
    file.write_text(file.read_text().replace('"inject")', '"settle")').replace('"time from the start of', '"" "'))
    (home / "plugins" / "tests" / "test_pour_time.py").write_text("def test_it() -> None:\n    assert 1 == 2\n")
    capsys.readouterr()
    assert main([*at, "test", "pour_time"]) == 1
    out = capsys.readouterr().out
    assert "assert 1 == 2" in out and "1 failed" in out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["new", "Pour"], "can't be a plugin's name"),
        (["new", "class"], "can't be a plugin's name"),
        (["new", "../x"], "can't be a plugin's name"),
        (["new", "fill"], "a plugin called fill is installed already"),
        (["new", "ingest"], "ingest is a command of catchpot"),
        (["new"], "name the plugin"),
        (["test", "nobody"], "no plugin 'nobody'"),
        (["forget"], "name the analysis"),
    ],
)
def test_what_cannot_be_is_said(home: Path, words: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--home", str(home), "plugins", *words]) == 2
    assert said in capsys.readouterr().err
    assert not list((home / "plugins").iterdir())


def test_a_package(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plugins", "new", "pour_time", "--package", "--to", str(tmp_path)]) == 0
    top = tmp_path / "catchpot-pour-time"
    assert {str(p.relative_to(top)) for p in top.rglob("*") if p.is_file()} == {
        "pyproject.toml", "README.md", "ci.sh", "src/catchpot_pour_time/__init__.py",
        "src/catchpot_pour_time/py.typed", "tests/test_pour_time.py",
    }  # fmt: skip
    assert 'pour_time = "catchpot_pour_time"' in (top / "pyproject.toml").read_text()
    marks = [f"@{w}@" for w in ("NAME", "Name", "PACKAGE", "DIST", "VERSION", "PLUGIN", "IMPORTS")]
    assert not [p for p in top.rglob("*") if p.is_file() and any(m in p.read_text() for m in marks)]
    assert main(["plugins", "new", "pour_time", "--package", "--to", str(tmp_path)]) == 2
