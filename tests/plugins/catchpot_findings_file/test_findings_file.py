"""Findings as JSON lines: written when a run is finished, where the settings ask for it, and nowhere else."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from tests.plugins.catchpot_notify.shop import FOUND, shop_with_findings

from catchpot import RunOutcome
from catchpot.plugins import load
from catchpot.plugins.telling import tell_finished
from catchpot.workshop import check_workshop, open_workshop


def finished(home: Path) -> list[str]:
    registry = load(open_workshop(home))
    return tell_finished(registry, RunOutcome(home, None, {}, {}, {}))


def test_a_line_for_each_finding(tmp_path: Path) -> None:
    shop_with_findings(tmp_path, '[settings.findings_file]\npath = "out.jsonl"\n')
    assert finished(tmp_path) == []
    rows = [json.loads(line) for line in (tmp_path / "out.jsonl").read_text(encoding="utf-8").splitlines()]
    assert {r["anchor"] for r in rows} == {f["anchor"] for f in FOUND}
    one = next(r for r in rows if r["kind"] == "short_fill")
    assert one["since"] == "2026-03-03T08:00:00+00:00" and one["message"].startswith("Zeile\n") and one["until"] is None


def test_nothing_without_a_setting(tmp_path: Path) -> None:
    shop_with_findings(tmp_path, "")
    before = sorted(tmp_path.rglob("*"))
    assert finished(tmp_path) == []
    assert sorted(tmp_path.rglob("*")) == before


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ('path = "shots.duckdb"', "catchpot.toml:2: settings.findings_file.path: the file's name must end in .jsonl"),
        ('pth = "a.jsonl"', "catchpot.toml:2: settings.findings_file.pth: unknown key (did you mean path?)"),
    ],
)
def test_wrong_settings_are_named_with_line_and_key(tmp_path: Path, settings: str, said: str) -> None:
    (tmp_path / "catchpot.toml").write_text(f"[settings.findings_file]\n{settings}\n")
    (tmp_path / "moulds.toml").write_text("")
    assert check_workshop(tmp_path) == []
    registry = load(open_workshop(tmp_path))
    assert said in " ".join(map(str, registry.check_settings()))


def test_a_folder_that_is_not_there_is_said_and_costs_nothing_else(tmp_path: Path) -> None:
    shop_with_findings(tmp_path, '[settings.findings_file]\npath = "nowhere/out.jsonl"\n')
    [said] = finished(tmp_path)
    assert "plugin findings_file failed when told that the run is finished" in said and "nowhere" in said
