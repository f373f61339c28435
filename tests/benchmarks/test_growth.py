"""What one new shot costs, and nothing new, and how that grows with the history: processor time over a floor.

The floor is one least squares over 200 bins of every shot that is there, in the same run. Processor time is taken,
which other work on the machine disturbs least; other processes are left out, so that all of it is counted.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from catchpot.ingest.load import ingest
from catchpot.plugins import load
from catchpot.run.execute import analyse
from catchpot.testing.plant import Plant, write_plant, write_shots
from catchpot.workshop import open_workshop

SHORT, LONG, MOULDS, ROWS = 60, 240, 2, 200
GROWTH = 2.0
"""Four times the history may cost so much more of a new shot at most; what grows still is named in DEVELOPERS.md."""


def floor(shots: int) -> float:
    """Seconds of one least squares of 200 bins on two columns for each shot."""
    rng = np.random.default_rng(1)
    x, y = rng.standard_normal((200, 2)), rng.standard_normal((shots, 200))
    began = time.process_time()
    for row in y:
        np.linalg.lstsq(x, row, rcond=None)
    return time.process_time() - began


def run(home: Path) -> float:
    """Seconds of processor time from logs to tables."""
    workshop = open_workshop(home)
    registry = load(workshop)
    began = time.process_time()
    ingest(workshop, registry)
    assert analyse(workshop, registry).complaints() == []
    return time.process_time() - began


def one_more(folder: Path, shots: int) -> tuple[float, float, float]:
    """Processor seconds of everything, of one new shot (the least of three), and of nothing new."""
    plant = Plant(MOULDS, shots, ROWS)
    write_plant(folder, plant)
    with (folder / "catchpot.toml").open("a") as file:
        file.write("\n[run]\nworkers = 0\n")
    everything = run(folder)
    new = []
    for k in range(3):
        write_shots(folder, plant, shots + k, shots + k + 1, moulds=1)
        new.append(run(folder))
    return everything, min(new), run(folder)


def test_a_new_shot_costs_little_more_in_a_longer_history(
    tmp_path: Path, ratio: Callable[[str, str, float], None]
) -> None:
    one_more(tmp_path / "warm", 8)  # imports are no part of it
    all_short, new_short, _ = one_more(tmp_path / "short", SHORT)
    all_long, new_long, none_long = one_more(tmp_path / "long", LONG)
    least = floor(MOULDS * LONG)
    ratio("everything, a shot", "one least squares", all_long / least)
    ratio("everything, a shot of a long history", "one of a short history", (all_long / LONG) / (all_short / SHORT))
    ratio("one new shot", "one least squares of every shot", new_long / least)
    ratio("one new shot in a long history", "one in a short history", new_long / new_short)
    ratio("nothing new", "one least squares of every shot", none_long / least)
    assert none_long < 0.2 * new_long
    assert new_long < GROWTH * new_short
