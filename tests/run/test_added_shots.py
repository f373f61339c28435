"""Shots that come one at a time give what all of them give together, to the last digit that is shown."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from catchpot.core_tables import REFUSAL
from catchpot.ingest.load import ingest
from catchpot.plugins import load
from catchpot.run.execute import analyse
from catchpot.run.outcome import AnalyseOutcome
from catchpot.store import Store
from catchpot.testing import made_up as mu
from catchpot.testing.check_same import difference
from catchpot.workshop import open_workshop

HISTORIES = ("fill", "faults")
CLOSE = 1e-6
"""Shots read in other batches differ in the eleventh digit (running sums over a batch); no page shows seven."""


def take(home: Path, only: tuple[str, ...] | None = None) -> AnalyseOutcome:
    workshop = open_workshop(home)
    registry = load(workshop)
    ingest(workshop, registry)
    outcome = analyse(workshop, registry, only=only)
    assert outcome.complaints() == []
    return outcome


def tables(home: Path) -> dict[str, pl.DataFrame]:
    with Store(home / "shots.duckdb").reading() as r:
        return {name: r.table(name) for name in r.tables() if name not in ("sample", "quarantine", "closed")}


def differences(one: Path, other: Path) -> list[str]:
    workshop = open_workshop(one)
    declared = {**load(workshop).tables(), REFUSAL.name: REFUSAL}
    a, b = tables(one), tables(other)
    return [d for name, t in declared.items() if name in a and (d := difference(t, a[name], b[name], CLOSE))]


class Line:
    """A workshop whose logs, weighings and events come as they are handed in."""

    def __init__(self, folder: Path, shots: int, seed: int) -> None:
        strip, wedge, *_ = mu.five_moulds(shots)
        rng = np.random.default_rng(seed)
        kinds = ("race_tracking", "flow_restriction", "air_in_line", "short_fill")
        ill = np.sort(rng.choice(np.arange(6, shots), max(shots // 12, 2), replace=False))
        faults = tuple(mu.Fault("strip", str(rng.choice(kinds)), int(i), 0.3) for i in ill)
        scenario = mu.Scenario(moulds=(strip, wedge), faults=faults)
        self.all = folder / "all"
        self.made = mu.write_workshop(self.all, scenario, seed)
        self.home = folder / "one-by-one"
        self.home.mkdir()
        for name in ("catchpot.toml", "moulds.toml"):
            shutil.copy(self.all / name, self.home / name)
        self.logs = [self.all / f for f in self.made.shot.sort("started_at", "shot")["source_file"]]
        self.parts = (self.all / "parts.csv").read_text().splitlines()
        third = self.made.shot.filter(pl.col("mould") == "strip").sort("started_at")
        at = third["started_at"][shots // 2].isoformat()
        (self.all / "events.csv").write_text(
            (self.all / "events.csv").read_text().rstrip("\n") + f"\n{at},strip,mould_serviced,\n"
            f"{third['started_at'][shots - 4].isoformat()},strip,hose_changed,\n"
        )
        shutil.copy(self.all / "events.csv", self.home / "events.csv")

    def hand_in(self, first: int, last: int, weighed: int) -> None:
        """Logs first to last - 1, and the weighings of all but the last `weighed`."""
        for path in self.logs[first:last]:
            to = self.home / path.relative_to(self.all)
            to.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(path, to)
        names = set(self.made.shot.sort("started_at", "shot")["shot"][: max(last - weighed, 0)])
        rows = [r for r in self.parts[1:] if r.split(",")[0] in names]
        (self.home / "parts.csv").write_text("\n".join([self.parts[0], *rows]) + "\n")


def test_shots_one_at_a_time_give_what_all_give_together(tmp_path: Path) -> None:
    line = Line(tmp_path, 26, 5)
    many = len(line.logs)
    line.hand_in(0, many - 8, 2)
    take(line.home, HISTORIES)
    added = 0
    for last in range(many - 7, many + 1):
        line.hand_in(last - 1, last, 2 if last < many else 0)
        outcome = take(line.home, HISTORIES)
        added += sum(s.added for s in outcome.steps)
    assert added >= 12
    take(line.all, HISTORIES)
    assert differences(line.home, line.all) == []


def test_what_changes_an_earlier_shot_is_not_added_to(tmp_path: Path) -> None:
    """A weighing, an event or a corrected log of an early shot is worked through from it on."""
    line = Line(tmp_path, 22, 6)
    line.hand_in(0, len(line.logs) - 2, 38)
    take(line.home, HISTORIES)
    line.hand_in(len(line.logs) - 2, len(line.logs), 0)
    outcome = take(line.home, HISTORIES)
    assert sum(s.added for s in outcome.steps if s.analysis == "fill") == 0
    take(line.all, HISTORIES)
    assert differences(line.home, line.all) == []


@pytest.mark.wide
def test_two_hundred_shots_one_at_a_time_give_what_all_give_together(tmp_path: Path) -> None:
    line = Line(tmp_path, 100, 7)
    for last in range(1, len(line.logs) + 1):
        line.hand_in(last - 1, last, 2 if last < len(line.logs) else 0)
        take(line.home)
    take(line.all)
    assert differences(line.home, line.all) == []
