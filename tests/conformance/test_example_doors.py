"""The smaller doors, each through the command line with the worked example as a drop-in file."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from catchpot.cli import main
from catchpot.testing import check_plugin

EXAMPLE = Path(__file__).with_name("example_doors.py")
GUIDE = Path(__file__).parents[2] / "DEVELOPERS.md"
HEAD = "t_s,flow_l_min,line_pressure_bar,cavity_pressure_mbar\n"
ROWS = "".join(f"{0.5 * i},{1.0 if 20 < i < 90 else 0.0},0.3,500\n" for i in range(120))


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    home = tmp_path / "shop"
    (home / "logs").mkdir(parents=True)
    (home / "plugins").mkdir()
    (home / "plugins" / "example_doors.py").write_text(EXAMPLE.read_text(encoding="utf-8"), encoding="utf-8")
    off = '[plugins]\ndisabled = ["fill", "vacuum", "drift", "volume", "capability", "faults"]\n'
    (home / "catchpot.toml").write_text(f'{off}[settings.example_doors]\nlast_run = "last.json"\n')
    (home / "moulds.toml").write_text("[moulds.hatch]\n")
    for hour in (8, 22):
        head = f"# mould = hatch\n# started_at = 2026-03-02T{hour:02}:00:00+00:00\n"
        (home / "logs" / f"at-{hour}.csv").write_text(head + HEAD + ROWS)
    return home


def test_it_conforms() -> None:
    assert check_plugin(EXAMPLE) == []


def test_every_door_opens(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    at = ["--home", str(shop)]
    assert main([*at, "run", "--trust-plugins"]) == 0, capsys.readouterr().err
    page = (shop / "reports" / "shifts.html").read_text().replace("\xa0", " ")  # a number stays with its unit
    assert "2 shots by hour of the day." in page
    assert 'href="shifts.html"' in (shop / "reports" / "index.html").read_text()
    assert "It began at 22:00 UTC." in (shop / "reports" / "moulds" / "hatch.html").read_text()
    assert json.loads((shop / "last.json").read_text()) == {"new": 2, "complaints": []}
    capsys.readouterr()
    assert main([*at, "late"]) == 0
    assert capsys.readouterr().out == "at-22\n"


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ("raise ValueError('no')", "ValueError: no (example_doors.py, line "),
        ("import sys; sys.exit(1)", "SystemExit: 1"),
        ("import os; os._exit(3)", "its process ended by itself (exit status 3)"),
        ("import time; time.sleep(1e6)", "it took longer than 2 s"),
    ],
)
def test_what_a_plugin_does_with_a_finished_run_costs_nothing_else(
    shop: Path, body: str, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    file = shop / "plugins" / "example_doors.py"
    file.write_text(file.read_text().replace('    """Keep what came of it."""\n', f"    {body}\n"))
    settings = shop / "catchpot.toml"
    settings.write_text(settings.read_text().replace("[plugins]\n", "[plugins]\ntime_limit_s = 2\n"))
    assert main(["--home", str(shop), "run", "--trust-plugins"]) == 1
    [line] = [x for x in capsys.readouterr().err.splitlines() if "when told that the run is finished" in x]
    assert said in line
    assert (shop / "reports" / "shifts.html").exists()


def test_a_wrong_setting_of_a_plugin_is_named(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    settings = shop / "catchpot.toml"
    settings.write_text(settings.read_text().replace("last_run", "lst_run"))
    assert main(["--home", str(shop), "check", "--trust-plugins"]) == 2
    assert "settings.example_doors.lst_run: unknown key (did you mean last_run?)" in capsys.readouterr().out


def test_the_guide_names_every_hook() -> None:
    from catchpot.plugins.registry import HOOKS

    told = set(re.findall(r"`(register_\w+|run_finished)", GUIDE.read_text(encoding="utf-8")))
    assert set(HOOKS) <= told
