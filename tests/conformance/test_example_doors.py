"""The other doors of the guide, each through the command line with its worked example as a drop-in file."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from tests.conformance.guide import GUIDE, steps

from catchpot.cli import main
from catchpot.testing import check_plugin

EXAMPLE = steps("The other doors")
HEAD = "t_s,flow_l_min,line_pressure_bar,cavity_pressure_mbar\n"
ROWS = "".join(f"{0.5 * i},{1.0 if 20 < i < 90 else 0.0},0.3,500\n" for i in range(120))


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    home = tmp_path / "shop"
    (home / "logs").mkdir(parents=True)
    (home / "plugins").mkdir()
    (home / EXAMPLE.file).write_text(EXAMPLE.code, encoding="utf-8")
    off = '[plugins]\ndisabled = ["fill", "vacuum", "drift", "volume", "capability", "faults"]\n'
    (home / "catchpot.toml").write_text(f'{off}[settings.example_doors]\nlast_run = "last.json"\n')
    (home / "moulds.toml").write_text("[moulds.hatch]\n")
    for hour in (8, 22):
        head = f"# mould = hatch\n# started_at = 2026-03-02T{hour:02}:00:00+00:00\n"
        (home / "logs" / f"at-{hour}.csv").write_text(head + HEAD + ROWS)
    return home


def test_it_conforms(tmp_path: Path) -> None:
    file = tmp_path / "example_doors.py"
    file.write_text(EXAMPLE.code, encoding="utf-8")
    assert check_plugin(file) == []


def test_every_door_opens(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    at = ["--home", str(shop)]
    assert main([*at, "run", "--trust-plugins"]) == 0, capsys.readouterr().err
    page = (shop / "reports" / "shifts.html").read_text().replace("\xa0", " ")  # a number stays with its unit
    assert "2 shots by hour of the day." in page
    assert 'href="shifts.html"' in (shop / "reports" / "index.html").read_text()
    assert "It began at 22:00 UTC." in (shop / "reports" / "moulds" / "hatch.html").read_text()
    assert json.loads((shop / "last.json").read_text()) == {"new": 2, "complaints": []}
    capsys.readouterr()
    assert main([*at, "export", "between_shots"]) == 0
    assert capsys.readouterr().out.splitlines()[1:] == ["at-22,hatch,14.0", "at-8,hatch,"]
    assert main([*at, "export", "busy_hour"]) == 0
    assert capsys.readouterr().out.splitlines()[1:] == ["8,1", "22,1"]
    assert main([*at, "late"]) == 0
    assert capsys.readouterr().out == "at-22\n"


def weigh(shop: Path, *words: str) -> int:
    return main(["--home", str(shop), "note", "--form", "pot_weighed", *words])


def test_a_form_of_note(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    settings = shop / "catchpot.toml"
    settings.write_text(settings.read_text() + "pot_kg = 1.2\n")
    assert main(["--home", str(shop), "ingest", "--trust-plugins"]) == 0
    assert weigh(shop, "shot", "at-8", "full_kg", "1,34", "empty_kg", "1.20") == 0
    assert weigh(shop, "shot", "at-22", "full_kg", "1.25") == 0  # the empty pot by the settings
    out = capsys.readouterr().out
    assert "Noted of at-8: overflow 0.140 kg (parts.csv, line 2)." in out and "takes this back." in out
    rows = (shop / "parts.csv").read_text().splitlines()
    assert [r.split(",")[:2] for r in rows] == [["shot", "part_mass_kg"], ["at-8", ""], ["at-22", ""]]
    assert "0.140" in rows[1] and "0.050" in rows[2]
    assert main(["--home", str(shop), "note", "--undo"]) == 0
    assert len((shop / "parts.csv").read_text().splitlines()) == 2
    capsys.readouterr()
    assert main(["--home", str(shop), "note", "--help"]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "note --form pot_weighed shot SHOT full_kg NUMBER [empty_kg NUMBER]" in told
    assert "the catch pot was weighed after a shot" in told
    main(["--home", str(shop), "plugins"])
    assert "notes: pot_weighed" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (["shot", "at-8", "full_kg", "1", "empty_kg", "2"], 2, "weighs less than the empty one. Nothing was written."),
        (["shot", "at-8", "full_kg", "heavy"], 2, "full_kg: expected a number, found 'heavy'. Nothing was written."),
        (["shot", "at-9", "full_kg", "1"], 2, "no shot 'at-9' (did you mean at-8?)"),
        (["shot", "at-8"], 2, "pot_weighed needs full_kg. Nothing was written."),
        (["shot", "at-8", "full_kg"], 2, "full_kg: the value is missing. Nothing was written."),
        (["pot", "at-8"], 2, "no field of pot_weighed 'pot'"),
    ],
)
def test_a_form_that_can_t_be_meant(
    shop: Path, words: list[str], status: int, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["--home", str(shop), "ingest", "--trust-plugins"]) == 0
    capsys.readouterr()
    assert weigh(shop, *words) == status
    assert said in capsys.readouterr().err
    assert not (shop / "parts.csv").exists()


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ("return 1 / 0", "the form pot_weighed failed: ZeroDivisionError: division by zero (example_doors.py, line "),
        ("import os; os._exit(3)", "its process ended by itself (exit status 3)"),
        ("import time; time.sleep(1e6)", "it took longer than 2 s"),
        ("return [7]", "the form pot_weighed gave a int, where notes are expected"),
        ("return []", "there is nothing to note in this"),
        ("return [PartNote(given['shot'], {'overflow_kg': 'much'})]", "expected a number, found 'much'"),
    ],
)
def test_a_form_that_fails_costs_its_note(shop: Path, body: str, said: str, capsys: pytest.CaptureFixture[str]) -> None:
    file = shop / "plugins" / "example_doors.py"
    file.write_text(file.read_text().replace('        """The resin in the pot."""\n', f"        {body}\n"))
    settings = shop / "catchpot.toml"
    settings.write_text(settings.read_text().replace("[plugins]\n", "[plugins]\ntime_limit_s = 2\n"))
    assert main(["--home", str(shop), "ingest", "--trust-plugins"]) == 0
    assert weigh(shop, "shot", "at-8", "full_kg", "1.3") in (1, 2)
    err = capsys.readouterr().err
    assert said in err and "Traceback" not in err
    assert "Nothing was written." in err
    assert not (shop / "parts.csv").exists()


def test_a_form_where_notes_are_served(shop: Path) -> None:
    """In the server's own process; the plugin in another."""
    from catchpot.serve.desk import Desk
    from catchpot.serve.forms import Notes, Refusal

    assert main(["--home", str(shop), "ingest", "--trust-plugins"]) == 0
    desk = Desk(shop)
    notes = Notes(shop, desk.registry.guarded_notes)
    page = desk.form_page("note.html", "Write a note", **notes.content("", None, {}), token="t")
    for shown in ("Pot weighed", 'name="field-full_kg"', "<option>at-22</option>", "pot_kg of the settings"):
        assert shown in page
    given = {"what": "form", "form": "pot_weighed", "field-shot": "at-8", "field-full_kg": "0,20", "field-empty_kg": ""}
    key = notes.take(given)
    assert notes.told[key].lines[0] == "Noted of at-8: overflow 0.200 kg (parts.csv, line 2)."
    with pytest.raises(Refusal, match="full_kg: expected a number"):
        notes.take({**given, "field-full_kg": "<b>"})
    with pytest.raises(Refusal, match="no form 'pot'"):
        notes.take({**given, "form": "pot"})


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
