"""Drop-in plugins are code: they run where the user said so, and the answer stays with the user."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from cyclopts import App

from catchpot.plugins import load, register_commands, trust
from catchpot.workshop import Workshop

Reopen = Callable[..., Workshop]
Write = Callable[[str, str], Path]

MARK = "from pathlib import Path\nPath(__file__).with_name('ran').write_text('')\n"


def test_without_an_answer_nothing_runs(reopen: Reopen, drop_in: Write, home: Path) -> None:
    drop_in("mark.py", MARK)
    registry = load(reopen(), core=False)
    assert not (home / "plugins" / "ran").exists()
    assert registry.untrusted == ("mark",)
    assert any("plugins not run: mark" in w and "--trust-plugins" in w for w in registry.warnings)
    assert "mark (plugins/) - not trusted, not run" in registry.sentences()


def test_the_answer_is_kept_with_the_user_and_not_in_the_workshop(
    reopen: Reopen, drop_in: Write, home: Path, config: Path
) -> None:
    drop_in("mark.py", MARK)
    before = sorted(home.rglob("*"))
    assert load(reopen(), trust=True, core=False).untrusted == ()
    (home / "plugins" / "ran").unlink()
    assert json.loads((config / "catchpot" / "trusted.json").read_text()) == {str(home / "plugins"): True}
    assert sorted(home.rglob("*")) == before
    assert load(reopen(), core=False).untrusted == ()
    assert (home / "plugins" / "ran").exists()


@pytest.mark.parametrize("said", [True, False])
def test_the_user_is_asked_once(reopen: Reopen, drop_in: Write, monkeypatch: pytest.MonkeyPatch, said: bool) -> None:
    asked: list[list[str]] = []

    def answered(_: Path, names: list[str]) -> bool:
        asked.append(names)
        return said

    monkeypatch.setattr(trust, "ask", answered)
    drop_in("mark.py", MARK)
    for _ in range(2):
        assert load(reopen(), core=False).untrusted == (() if said else ("mark",))
    assert asked == [["mark"]]


def test_without_a_terminal_nobody_is_asked(home: Path) -> None:
    assert trust.ask(home / "plugins", ["mark"]) is None


def test_trust_in_one_workshop_is_no_trust_in_another(
    reopen: Reopen, drop_in: Write, home: Path, tmp_path: Path
) -> None:
    drop_in("mark.py", MARK)
    load(reopen(), trust=True, core=False)
    assert trust.answer(home / "plugins") is True
    assert trust.answer(tmp_path / "elsewhere" / "plugins") is None


def test_settings_that_cannot_be_written_are_said(reopen: Reopen, drop_in: Write, config: Path) -> None:
    config.write_text("a file in the folder's place")
    drop_in("mark.py", MARK)
    registry = load(reopen(), trust=True, core=False)
    assert registry.untrusted == ()
    assert any("could not be kept" in w for w in registry.warnings)


def test_a_workshop_without_drop_in_plugins_asks_nothing(reopen: Reopen, config: Path) -> None:
    assert load(reopen(), trust=True, core=False).warnings == ()
    assert not config.exists()


COMMAND = """
import catchpot

@catchpot.hookimpl
def register_commands(app):
    @app.command
    def weigh() -> int:
        return 7
"""


def test_commands_of_plugins(reopen: Reopen, drop_in: Write, home: Path) -> None:
    drop_in("weigh.py", COMMAND)
    drop_in(
        "broken.py", "import catchpot\n@catchpot.hookimpl\ndef register_commands(app):\n    raise ValueError('no')\n"
    )
    untrusting = App(name="x")
    assert register_commands(untrusting, home) == []
    assert "weigh" not in list(untrusting)
    load(reopen(), trust=True, core=False)
    (home / "catchpot.toml").write_text("not toml at all")
    app = App(name="x")
    said = register_commands(app, home)
    assert "weigh" in list(app)
    assert len(said) == 1
    assert "broken (plugins/broken.py): register_commands failed: ValueError: no (line 4)" in said[0]
