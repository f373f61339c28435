"""A leak from finding to go, as people live it: every step's sentence, exit status and JSON.

The workshop is made up: an outer seal that wears past its limit, and a hold check after a new one went in.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from catchpot.testing import made_up as mu

MOULD, NEW_SEAL = "door-1", 12
"""The mould, and its shot (from 0) before which the outer seal is replaced."""


def scenario() -> mu.Scenario:
    """Fourteen shots of one mould; its outer seal leaks more than the limit from about the tenth on."""
    outer = mu.Seal(0.04, 0.03, 0.045, noise=0.05, replaced=(NEW_SEAL,), unlogged=(NEW_SEAL,))
    mould = mu.Mould(
        MOULD, mu.Geometry("linear", 0.6, 0.8, 0.48, 4.0), shots=14, clamp_area_m2=0.32, shots_per_week=4.0, holds=2,
        hold_checks=NEW_SEAL, outer=outer, sampling_hz=2.0, evacuate_s=20.0, settle_s=8.0, fill_s=70.0, hold_s=40.0,
    )  # fmt: skip
    nuisances = replace(mu.Nuisances(), lane_sd=0.1)
    return mu.Scenario(moulds=(mould,), nuisances=nuisances, name="Story (invented)", resin_batch_days=3650.0)


@dataclass
class Shop:
    """The workshop on disk, with the logs that are still to come."""

    home: Path
    check: Path
    last_shot_at: str
    check_at: str

    def say(self, *words: str) -> tuple[int, str, str]:
        env = {k: v for k, v in os.environ.items() if k != "CATCHPOT_HOME"}
        done = subprocess.run(
            [sys.executable, "-m", "catchpot.cli", "--home", str(self.home), *words],
            capture_output=True, text=True, timeout=600, env=env, check=False,
        )  # fmt: skip
        assert "Traceback" not in done.stderr
        return done.returncode, done.stdout, done.stderr

    def ask(self, *words: str) -> tuple[int, dict[str, Any]]:
        status, out, _ = self.say(*words, "--json")
        return status, json.loads(out)

    @property
    def sheet(self) -> str:
        return (self.home / "reports" / "sheets" / f"{MOULD}.html").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Shop:
    home = tmp_path_factory.mktemp("story") / "shop"
    made = mu.write_workshop(home, scenario(), seed=5)
    (home / "catchpot.toml").write_text(
        (home / "catchpot.toml").read_text() + "\n[analyses.next_shot]\nstale_days = 3650\n"
    )
    logs = made.shot.sort("started_at")
    checks = [s for s in logs["shot"].to_list() if "check" in s]
    after = logs["started_at"].to_list()[logs["shot"].to_list().index(checks[-1])]
    for row in logs.iter_rows(named=True):
        if row["started_at"] >= after:
            path = home / row["source_file"]
            shutil.move(path, home.parent / path.name)
    last = logs.filter(logs["started_at"] < after)["started_at"].max()
    check = home.parent / Path(logs.filter(logs["shot"] == checks[-1])["source_file"][0]).name
    return Shop(home, check, str(last), str(after))


def test_a_leak_from_finding_to_go(shop: Shop) -> None:
    status, _, err = shop.say("run")
    assert status == 0, err

    # found: no-go, with who may clear it and how; the report's own sheet says so too
    assert "NO-GO" in shop.sheet
    status, said = shop.ask("next", MOULD)
    assert status == 3
    assert said["go"] is False and said["state"] == "no-go" and said["next"]["volume_l"] is None
    assert "more than its limit" in said["reasons"][0]["reason"]
    assert f"catchpot note {MOULD} seal_replaced outer" in said["reasons"][0]["clears"]
    status, out, _ = shop.say("next", MOULD)
    assert status == 3
    assert out.splitlines()[0] == f"{MOULD}: NO-GO"
    assert "Do not shoot" in out and "Do not shoot" in shop.sheet and "Set the volume to" not in shop.sheet

    # a volume by hand does not talk the leak away
    status, said = shop.ask("next", MOULD, "--set", "1.9", "--because", "in a hurry")
    assert status == 3 and said["go"] is False
    assert "clears no finding on the clamp" in said["not_set"]
    events = shop.home / "events.csv"
    before = events.read_text()
    assert "volume_set" not in before

    # a slip of the key changes nothing
    for words in (
        ("dor-1", "seal_replaced", "outer"),
        (MOULD, "seal_replacd", "outer"),
        (MOULD, "seal_replaced", "othr"),
    ):
        status, _, err = shop.say("note", *words)
        assert status == 2 and "did you mean" in err and "Nothing was written" in err
    assert events.read_text() == before

    # the fitter notes the new seal an hour after the last shot
    at = shop.last_shot_at[:19].replace(" ", "T") + "+00:00"
    moment = ("--at", at.replace(at[11:19], "20:00:00"))
    status, said = shop.ask("note", MOULD, "seal_replaced", "outer", *moment)
    assert status == 0
    assert said["kind"] == "seal_replaced" and said["then"] == "make a hold check before mixing"
    assert any("outer_seal_leak" in anchor for anchor in said["answers"])
    assert events.read_text().startswith(before)
    status, said = shop.ask("next", MOULD)
    assert status == 0 and said["go"] is True and said["state"] == "care"
    assert said["reasons"][0]["reason"].startswith("Outer seal replaced")
    assert "make a hold check before mixing" in said["reasons"][0]["reason"]
    assert said["next"]["volume_l"] > 0
    status, out, _ = shop.say("next", MOULD)
    assert status == 0 and out.splitlines()[0] == f"{MOULD}: GO WITH CARE"
    assert "Set the volume to" in shop.sheet and "GO WITH CARE" in shop.sheet

    # taken back it is a no-go again, noted anew it is not
    status, said = shop.ask("note", "--undo")
    assert status == 0 and "seal_replaced" in said["taken_back"][0]
    assert events.read_text() == before
    assert shop.ask("next", MOULD)[0] == 3 and "Set the volume to" not in shop.sheet
    status, out, _ = shop.say("note", MOULD, "seal_replaced", "outer", *moment)
    assert status == 0
    assert "It answers: " in out and "Next: make a hold check before mixing." in out

    # the history tells it
    status, said = shop.ask("history", MOULD)
    assert status == 0
    leak = next(e for e in said["history"] if e["kind"] == "outer_seal_leak")
    assert leak["state"] == "answered" and leak["answer"]["words"] == "outer seal replaced"

    # the hold check's log comes in, tight: go
    shutil.copy(shop.check, shop.home / "logs" / shop.check.name)
    status, _, err = shop.say("run")
    assert status == 0, err
    status, said = shop.ask("next", MOULD)
    assert status == 0 and said["go"] is True
    assert said["state"] == "go", said["reasons"]
    assert said["reasons"] == [] and said["next"]["hold_check"].startswith("hold check of ")
    status, out, _ = shop.say("next", MOULD)
    assert out.splitlines()[0] == f"{MOULD}: GO"
    assert out.splitlines()[1].startswith("Set ")
    assert "NO-GO" not in shop.sheet
    index = (shop.home / "reports" / "index.html").read_text(encoding="utf-8")
    assert f"sheets/{MOULD}.html" in index
