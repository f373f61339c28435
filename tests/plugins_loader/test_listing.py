"""`catchpot plugins`: quick where nothing changed, and never an answer of yesterday."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from catchpot.plugins.listing import Listing, listing

Reopen = Callable[..., object]
Write = Callable[[str, str], Path]

EMPTY = "import catchpot\n@catchpot.hookimpl\ndef register_readers():\n    return []\n"
HEAVY = ("polars", "numpy", "duckdb", "pydantic", "pyarrow")
LOOK = """
import json, sys
from catchpot.cli import main
status = main(["plugins", "--json"])
print(json.dumps([status, sorted(sys.modules)]), file=sys.stderr)
"""


@pytest.fixture(autouse=True)
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    return tmp_path / "cache"


def looked(home: Path) -> tuple[dict[str, object], set[str]]:
    """The listing in a fresh process, and the modules it loaded."""
    done = subprocess.run(
        [sys.executable, "-c", LOOK], env={**os.environ, "CATCHPOT_HOME": str(home)}, capture_output=True, text=True
    )
    status, modules = json.loads(done.stderr.splitlines()[-1])
    assert status == 0, done.stderr
    return json.loads(done.stdout), set(modules)


def test_a_second_listing_is_the_same_and_loads_nothing_heavy(home: Path) -> None:
    first, loaded = looked(home)
    assert "polars" in loaded
    again, loaded = looked(home)
    assert again == first and len(str(first)) > 2000
    assert not loaded & set(HEAVY)


def row(found: Listing, name: str) -> dict[str, object]:
    return next(r for r in found.rows if r["plugin"] == name)


def test_whatever_changes_is_seen_at_once(home: Path, drop_in: Write) -> None:
    assert "mark" not in {r["plugin"] for r in listing(home).rows}
    drop_in("mark.py", EMPTY)
    told = listing(home)
    assert row(told, "mark")["state"] == "not trusted, not run" and len(str(row(told, "mark")["digest"])) == 64
    assert any("plugins not run: mark" in w for w in told.warnings)
    assert row(listing(home, trust_plugins=True), "mark")["state"] == "in use"
    assert row(listing(home), "mark")["hooks"] == ["register_readers"]
    drop_in("mark.py", EMPTY.replace("register_readers", "register_sections"))
    assert row(listing(home), "mark")["state"] == "not trusted, not run"
    listing(home, trust_plugins=True)
    assert row(listing(home), "mark")["hooks"] == ["register_sections"]
    (home / "catchpot.toml").write_text('[plugins]\ndisabled = ["mark"]\n')
    assert row(listing(home), "mark")["state"] == "disabled in catchpot.toml"


def test_while_anything_is_wrong_nothing_is_kept(home: Path, drop_in: Write, cache: Path) -> None:
    drop_in("zz.py", "import os\nif not os.environ.get('ZZ_WELL'):\n    raise OSError('no meter')\n")
    for _ in range(2):
        found = listing(home, trust_plugins=True)
        assert not found.sound and "OSError: no meter (line 3)" in str(row(found, "zz")["errors"])
        assert not list(cache.rglob("plugins-*.json"))


def test_an_analysis_that_cannot_take_part_is_said_beside_its_plugin(home: Path, drop_in: Write) -> None:
    drop_in(
        "asks.py",
        """
        import catchpot
        from pydantic import BaseModel

        class NoParams(BaseModel):
            pass

        class Asks:
            name, part, causal, optional, params = "asks", "shot", True, {}, NoParams
            needs = {"fill": ("injected_volume_gallons",)}
            yields = (catchpot.Table("asks", ("shot",), (catchpot.Column("shot", "str", "", "the shot"),)),)
            def compute(self, job): ...

        @catchpot.hookimpl
        def register_analyses(settings):
            return [Asks()]
        """,
    )
    found = listing(home, trust_plugins=True)
    assert not found.sound
    assert "it needs column injected_volume_gallons of table fill" in str(row(found, "asks")["errors"])
