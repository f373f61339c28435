"""The guide's steps, run as they stand in DEVELOPERS.md: code into the file it names, commands one after the other."""

from __future__ import annotations

import shlex
from pathlib import Path

import pytest
from tests.conformance.guide import Steps, steps
from tests.conformance.test_readers import demo

from catchpot.cli import main
from catchpot.workshop import init_workshop

HEAD = "t_s,flow_l_min,line_pressure_bar,cavity_pressure_mbar\n"


def rows(evacuated: bool) -> str:
    """A minute of evacuation or none, then an injection."""
    first = 60 if evacuated else 0
    return "".join(f"{i},{1.0 if first <= i < 130 else 0.0},0.3,{1013 - 7 * min(i, 60)}\n" for i in range(160))


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    shop = tmp_path / "shop"
    monkeypatch.setenv("CATCHPOT_HOME", str(shop))
    init_workshop(shop)
    (shop / "moulds.toml").write_text("[moulds.hatch]\n")
    (shop / "events.csv").write_text("time,mould,kind,detail\n")
    (shop / "logs").mkdir(exist_ok=True)
    (shop / "plugins").mkdir(exist_ok=True)
    return shop


def typed(home: Path, part: Steps, capsys: pytest.CaptureFixture[str]) -> list[str]:
    """Do what the steps say; what each command printed."""
    (home / part.file).write_text(part.code, encoding="utf-8")
    answers = []
    for command in part.commands:
        name, *words = shlex.split(command)
        assert name == "catchpot"
        status = main(words)
        told = capsys.readouterr()
        assert status == 0, f"{command}\n{told.out}\n{told.err}"
        answers.append(told.out)
    return answers


def test_a_plugin_in_eight_steps(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for i, evacuated in enumerate((True, False)):
        head = f"# mould = hatch\n# started_at = 2026-03-02T{8 + i:02}:00:00+00:00\n"
        (home / "logs" / f"s{i}.csv").write_text(head + HEAD + rows(evacuated))
    part = steps("Add a plugin, in eight steps")
    assert part.numbers == list(range(1, 9))
    tried, ran, table = typed(home, part, capsys)
    assert "evacuation: " in ran
    with_time, without = table.splitlines()[1:]
    assert with_time.startswith("s0,") and float(with_time.split(",")[1]) > 50.0 and with_time.endswith("false")
    assert without == "s1,,"
    page = (home / "reports" / "moulds" / "hatch.html").read_text(encoding="utf-8")
    assert "0 of 1 were slow." in page
    assert "evacuation" in tried


def test_a_reader_in_five_steps(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (home / "logs" / "good.dat").write_bytes(demo(1))
    part = steps("Add a reader, in five steps")
    assert part.numbers == list(range(1, 6))
    taken, aside = typed(home, part, capsys)
    assert "1 log file: 1 new shot" in taken and aside == "nothing is set aside\n"
    (home / "logs" / "cut.dat").write_bytes(demo(2)[:-40])
    assert main(["ingest"]) == 1
    assert "logs/cut.dat: the head promises 120 rows, the file holds 118" in capsys.readouterr().err
