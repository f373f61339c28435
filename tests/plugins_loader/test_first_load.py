"""Code that would end or bend every process that loads it is found in one of its own, and left out by name."""

from __future__ import annotations

import json
import os
import signal
from pathlib import Path

import pytest
from tests.plugins_loader.conftest import Write

from catchpot.cli import main
from catchpot.plugins import first_load

HOOK = "import os, catchpot\n@catchpot.hookimpl\ndef {}:\n    os._exit(6)\n"
HARMS = {
    "ends": ("import os; os._exit(5)", "loading it ends the process (exit status 5)"),
    "crashes": ("import ctypes; ctypes.string_at(0)", "loading it ends the process (signal SIGSEGV)"),
    "stops": ("raise KeyboardInterrupt", "loading it raises KeyboardInterrupt"),
    "moves": ("import os; os.chdir('/')", "loading it changes the working folder"),
    "deafens": (
        "import signal; signal.signal(signal.SIGINT, signal.SIG_IGN)",
        "loading it changes what signals do",
    ),
    "closes": ("import os; os.close(1)", "loading it changes standard input, output or error"),
    "late": (
        "import atexit, os; atexit.register(lambda: os._exit(9))",
        "changes the end of the process (exit status 9)",
    ),
    "registers": (HOOK.format("register_analyses(settings)"), "loading it ends the process (exit status 6)"),
    "commands": (HOOK.format("register_commands(app)"), "loading it ends the process (exit status 6)"),
    "replaces": ("import catchpot.workshop as w; w.open_workshop = None", "changes the module catchpot.workshop"),
    "raises_too": (
        "import catchpot.store as s; s.Store = None; raise SystemExit(3)",
        "changes the module catchpot.store",
    ),
    "big": ("x = b'1' * 900_000_000", "takes more memory than memory_limit_mb"),
}
SOUND = {"sound": "import polars\n", "raises": "1 / 0\n"}


@pytest.fixture(autouse=True)
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setattr(first_load, "_tried", {})
    return tmp_path / "cache" / "catchpot" / "loads.json"


def test_each_is_left_out_by_name_and_the_rest_is_in_use(
    home: Path, drop_in: Write, cache: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (home / "catchpot.toml").write_text("[plugins]\nmemory_limit_mb = 600\n")
    for name, body in SOUND.items():
        drop_in(f"{name}.py", body)
    for name, (body, _) in HARMS.items():
        drop_in(f"{name}.py", body)
    before = (Path.cwd(), signal.getsignal(signal.SIGINT))
    assert main(["--home", str(home), "plugins", "--trust-plugins", "--json"]) == 1
    rows = {r["plugin"]: r for r in json.loads(capsys.readouterr().out)["plugins"]}
    assert (Path.cwd(), signal.getsignal(signal.SIGINT)) == before and os.fstat(1)
    for name, (_, said) in HARMS.items():
        assert rows[name]["state"] == "not used" and said in rows[name]["errors"][0], rows[name]
    assert rows["sound"]["state"] == "in use"
    assert "can't be loaded: ZeroDivisionError" in rows["raises"]["errors"][0]
    assert len(json.loads(cache.read_text())) == len(SOUND)  # what did harm is tried anew


def test_what_came_off_well_is_tried_once_for_each_content(
    home: Path, drop_in: Write, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    tried: list[list[str]] = []
    real = first_load._try

    def counted(names: list[str], *rest: object) -> dict[str, str]:
        tried.append(list(names))
        return real(names, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(first_load, "_try", counted)
    drop_in("one.py", "import polars\n")
    run = ["--home", str(home), "ingest", "--trust-plugins"]
    for _ in range(2):
        monkeypatch.setattr(first_load, "_tried", {})  # as another process
        assert main(run) == 0
    assert tried == [["one"]]
    drop_in("one.py", "import os; os._exit(3)\n")
    assert main(run) == 1
    assert (
        "plugin one (plugins/one.py): can't be loaded: loading it ends the process (exit status 3)"
        in capsys.readouterr().err
    )
    assert tried == [["one"], ["one"]]


def test_to_look_at_what_was_registered_may_fail(
    home: Path, drop_in: Write, capsys: pytest.CaptureFixture[str]
) -> None:
    drop_in(
        "shy.py",
        """
        import catchpot

        class Shy:
            @property
            def name(self):
                raise RuntimeError("no name")

        @catchpot.hookimpl
        def register_analyses(settings):
            return [Shy()]
        """,
    )
    assert main(["--home", str(home), "plugins", "--trust-plugins"]) == 1
    assert "analysis Shy is left out: looking at it failed: RuntimeError: no name (line 7)" in capsys.readouterr().out


def test_a_command_that_raises_is_a_sentence(
    home: Path, drop_in: Write, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    drop_in(
        "tries.py",
        """
        import catchpot

        @catchpot.hookimpl
        def register_commands(app):
            @app.command
            def tries():
                raise ValueError("no luck")
        """,
    )
    assert main(["--home", str(home), "plugins", "--trust-plugins"]) == 0
    capsys.readouterr()
    assert main(["--home", str(home), "tries"]) == 1
    said = "the command tries failed: ValueError: no luck (tries.py, line 8); CATCHPOT_TRACE=1"
    assert said in capsys.readouterr().err
    monkeypatch.setenv("CATCHPOT_TRACE", "1")
    with pytest.raises(ValueError, match="no luck"):
        main(["--home", str(home), "tries"])
