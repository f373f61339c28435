"""Readers and sections of others work under the limits of analyses: each way to misbehave costs its own part only."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from catchpot.cli import main

PLUGIN = """
import os, sys, time
import polars as pl
import catchpot
from catchpot.ingest.reader import FrameLayout, LogRefused, ShotFrame, ShotMeta
from catchpot.report.section import Cell, Page, Panel

class Odd:
    name, order, binary = "NAME", 50, True
    def claims(self, source, workshop):
        print("asked", flush=True)
        if not source.name.endswith(".NAME"):
            return False
        CLAIMS
        return True
    def settings(self, source, workshop):
        return "1"
    def describe(self, source, workshop):
        DESCRIBE
        if source.data == b"bad":
            raise LogRefused("this one is damaged", 3)
        n = 120
        frame = pl.DataFrame({
            "t_s": [0.5 * i for i in range(n)], "flow_l_min": [1.0 if 20 < i < 90 else 0.0 for i in range(n)],
            "line_pressure_bar": [0.3] * n, "cavity_pressure_mbar": [500.0] * n})
        return FrameLayout([ShotFrame(ShotMeta(source.stem, "hatch"), frame)])

class Part:
    name, title, order, analyses, needs = "part-NAME", "Part NAME", 5, (), {"shot": ("mould",)}
    def cells(self, view):
        return [Cell("odd shots", str(view.tables["shot"].height))]
    def panel(self, view):
        PANEL
        return Panel("in order", f"Shots: {view.tables['shot'].height}, all of them.")
    def pages(self, view):
        return [Page("parts-NAME", "All parts", [("Parts", Panel("in order", "All are there."))])]

@catchpot.hookimpl
def register_readers():
    return [Odd()]

@catchpot.hookimpl
def register_sections():
    return [Part()]
"""

BAD = {
    "raises": ("raise ValueError('no')", "ValueError: no (raises.py, line "),
    "exits": ("sys.exit(3)", "SystemExit: 3 (exits.py, line "),
    "hangs": ("time.sleep(1e6)", "it took longer than 2 s (time_limit_s in [plugins])"),
    "ends": ("os._exit(7)", "its process ended by itself (exit status 7)"),
    "eats": ("x = bytearray(600_000_000)", "MemoryError"),
    "rubbish": ("return object()", "where a"),
}


@pytest.fixture
def shop(home: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Callable[..., None]:
    """Write drop-ins by name and logs: two plain ones, four of each drop-in's kind, one of these damaged."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    (home / "catchpot.toml").write_text(
        '[plugins]\ndisabled = ["fill", "vacuum", "drift", "volume", "capability", "faults"]\n'
        "time_limit_s = 2\nmemory_limit_mb = 500\n"
    )
    logs = home / "logs"
    logs.mkdir()
    head = "# mould = lid\n# started_at = 2026-03-02T0{}:00:00+00:00\n"
    head += "t_s,flow_l_min,line_pressure_bar,cavity_pressure_mbar\n"
    rows = "".join(f"{0.5 * i},{1.0 if 20 < i < 90 else 0.0},0.3,500\n" for i in range(120))
    for i in (1, 2):
        (logs / f"plain-{i}.csv").write_text(head.format(i) + rows)

    def written(**plugins: dict[str, str]) -> None:
        (home / "plugins").mkdir(exist_ok=True)
        for name, bodies in plugins.items():
            code = PLUGIN.replace("NAME", name)
            for place in ("CLAIMS", "DESCRIBE", "PANEL"):
                code = code.replace(place, bodies.get(place, "pass"))
            (home / "plugins" / f"{name}.py").write_text(code)
            for i in range(4):
                (logs / f"x{i}.{name}").write_bytes(b"bad" if i == 3 else b"\0ok")

    return written


def ran(home: Path, capfd: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    status = main(["--home", str(home), "run", "--trust-plugins"])
    done = capfd.readouterr()
    return status, done.out, done.err


def exported(home: Path, table: str, capfd: pytest.CaptureFixture[str]) -> list[dict[str, object]]:
    assert main(["--home", str(home), "export", table, "--format", "json"]) == 0
    rows: list[dict[str, object]] = json.loads(capfd.readouterr().out)
    return rows


def test_a_good_one_reads_and_draws_and_its_prints_are_no_answer(
    home: Path, shop: Callable[..., None], capfd: pytest.CaptureFixture[str]
) -> None:
    shop(odd={})
    status, out, err = ran(home, capfd)
    assert status == 1  # the damaged file
    assert "this one is damaged" in err and "asked" in err and "asked" not in out
    assert {r["shot"] for r in exported(home, "shot", capfd)} == {"plain-1", "plain-2", "x0.odd", "x1.odd", "x2.odd"}
    assert "Shots: 3, all of them." in (home / "reports" / "moulds" / "hatch.html").read_text()
    assert "All are there." in (home / "reports" / "parts-odd.html").read_text()
    assert "odd shots" in (home / "reports" / "index.html").read_text()


# Each way to misbehave is a plugin of its own, all in one workshop: none costs another one's files or pages.


def test_bad_readers_cost_their_own_files(
    home: Path, shop: Callable[..., None], capfd: pytest.CaptureFixture[str]
) -> None:
    shop(odd={}, **{what: {"DESCRIBE": body} for what, (body, _) in BAD.items()})
    status, _, err = ran(home, capfd)
    assert status == 1 and "Traceback" not in err
    reasons = {str(r["source_file"]): str(r["reason"]) for r in exported(home, "quarantine", capfd)}
    assert reasons.keys() == {"logs/x3.odd", *(f"logs/x{i}.{what}" for what in BAD for i in range(4))}
    for what, (_, said) in BAD.items():
        own = [reasons[f"logs/x{i}.{what}"] for i in range(4)]
        assert all(f"the reader '{what}'" in reason for reason in own) and said in own[0], own
    shots = {r["shot"] for r in exported(home, "shot", capfd)}
    assert shots == {"plain-1", "plain-2", "x0.odd", "x1.odd", "x2.odd"}


def test_readers_that_fail_when_asked_are_named_once_and_others_are_asked(
    home: Path, shop: Callable[..., None], capfd: pytest.CaptureFixture[str]
) -> None:
    asked = {what: bad for what, bad in BAD.items() if what != "rubbish"}
    shop(odd={}, **{what: {"CLAIMS": body} for what, (body, _) in asked.items()})
    _, _, err = ran(home, capfd)
    names = sorted(p.name for p in (home / "logs").iterdir())
    # one that ran over its time is not asked about any later file
    alone = {"hangs": len(names[names.index("x0.hangs") + 1 :])}
    for what, (_, said) in asked.items():
        [line] = [line for line in err.splitlines() if line.startswith(f"reader {what} failed")]
        assert f"failed when asked about logs/x0.{what} and {alone.get(what, 3)} more files" in line and said in line
    shots = {r["shot"] for r in exported(home, "shot", capfd)}
    assert shots == {"plain-1", "plain-2", "x0.odd", "x1.odd", "x2.odd"}


def test_bad_sections_are_named_once_and_the_pages_are_written(
    home: Path, shop: Callable[..., None], capfd: pytest.CaptureFixture[str]
) -> None:
    shop(odd={}, **{what: {"PANEL": body} for what, (body, _) in BAD.items()})
    status, _, err = ran(home, capfd)
    assert status == 1
    page = (home / "reports" / "moulds" / "hatch.html").read_text()
    for what, (_, said) in BAD.items():
        lines = [line for line in err.splitlines() if f"section part-{what}" in line]
        assert said in lines[0] and len(lines) <= 2, lines  # not asked again is another sentence
        assert f"Part {what}" in page
    assert "Traceback" not in page
    assert "Part odd" in page and "all of them." in page


LOADING = {
    "hangs": ("import time; time.sleep(1e6)", "can't be loaded: loading it took longer than 1 s"),
    "exits": ("raise SystemExit(3)", "can't be loaded: SystemExit: 3 (line 3)"),
    "prints": ("print('hello from the plugin')", ""),
}


@pytest.mark.parametrize("what", LOADING)
def test_loading_is_held_too(
    home: Path, shop: Callable[..., None], what: str, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("catchpot.plugins.LOAD_LIMIT_S", 1.0)
    shop(odd={})
    body, said = LOADING[what]
    (home / "plugins" / "slow.py").write_text(f"import catchpot\n\n{body}\n")
    status, out, err = ran(home, capfd)
    assert said in err and "hello" not in out and status == 1
    assert (home / "reports" / "index.html").exists()
