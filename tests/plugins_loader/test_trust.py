"""Drop-in plugins are code: they run where the user said so, and the answer stays with the user."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from pathlib import Path

import pytest
from cyclopts import App

from catchpot.plugins import load, register_commands, trust
from catchpot.plugins.listing import Listing
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
    assert "mark (plugins/mark.py) - not trusted, not run" in Listing(registry.as_rows()).sentences()


def test_the_answer_is_kept_with_the_user_and_not_in_the_workshop(
    reopen: Reopen, drop_in: Write, home: Path, config: Path
) -> None:
    drop_in("mark.py", MARK)
    before = sorted(home.rglob("*"))
    assert load(reopen(), trust=True, core=False).untrusted == ()
    (home / "plugins" / "ran").unlink()
    digest = hashlib.sha256(MARK.encode()).hexdigest()
    kept = json.loads((config / "catchpot" / "trusted.json").read_text())
    assert kept == {str(home / "plugins"): {"mark": {"sha256": digest, "run": True}}}
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
    digest = hashlib.sha256(MARK.encode()).hexdigest()
    assert trust.answers(home / "plugins", {"mark": digest}) == {"mark": True}
    assert trust.answers(tmp_path / "elsewhere" / "plugins", {"mark": digest}) == {"mark": None}


def test_a_file_added_or_changed_later_is_not_trusted_with_the_rest(
    reopen: Reopen, drop_in: Write, home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    drop_in("mark.py", MARK)
    load(reopen(), trust=True, core=False)
    drop_in("later.py", MARK.replace("ran", "ran-later"))
    registry = load(reopen(), core=False)
    assert registry.untrusted == ("later",)
    assert not (home / "plugins" / "ran-later").exists()
    assert any("plugins not run: later" in w and "new or changed since you trusted it" in w for w in registry.warnings)
    drop_in("mark.py", MARK + "x = 1\n")
    assert load(reopen(), core=False).untrusted == ("later", "mark")
    asked: list[list[str]] = []

    def yes(_: Path, names: list[str]) -> bool:
        asked.append(names)
        return True

    monkeypatch.setattr(trust, "ask", yes)
    assert load(reopen(), core=False).untrusted == ()
    drop_in("mark.py", MARK + "x = 2\n")
    assert load(reopen(), core=False).untrusted == ()
    assert asked == [["later", "mark"], ["mark"]]


def test_only_contents_that_are_named_run_and_nobody_is_asked(
    reopen: Reopen, drop_in: Write, home: Path, config: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(trust, "ask", lambda *_: pytest.fail("asked"))
    drop_in("mark.py", MARK)
    drop_in("other.py", MARK.replace("ran", "ran-too"))
    registry = load(reopen(), core=False, only=[hashlib.sha256(MARK.encode()).hexdigest()])
    assert registry.untrusted == ("other",) and not (home / "plugins" / "ran-too").exists()
    assert not config.exists()


def test_the_listing_says_what_a_plugin_is_and_may(reopen: Reopen, drop_in: Write) -> None:
    drop_in("mark.py", "import catchpot\n@catchpot.hookimpl\ndef register_readers():\n    return []\n")
    registry = load(reopen(), trust=True)
    row = next(r for r in registry.as_rows() if r["plugin"] == "mark")
    assert (
        row["trust"] == "its content was trusted" and row["hooks"] == ["register_readers"] and len(row["digest"]) == 64
    )
    fill = next(r for r in registry.as_rows() if r["plugin"] == "fill")
    assert fill["trust"] == "ours" and "phase" in fill["needs"] and "register_analyses" in fill["hooks"]
    assert any(
        line.startswith("  ours; SHA-256 ") and "needs: " in line for line in Listing(registry.as_rows()).sentences()
    )


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
