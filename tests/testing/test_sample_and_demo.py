"""The committed sample comes out the same again; the demonstration is whole and marked as invented."""

from __future__ import annotations

import re
from pathlib import Path

import polars as pl
import pytest

from catchpot.testing.demo import demo_scenario, write_demo
from catchpot.testing.sample import write_sample
from catchpot.workshop import open_workshop

SAMPLE = Path(__file__).parents[2] / "sample_runs"
NUMBER = re.compile(r"-?\d+\.?\d*(?:e-?\d+)?")


def files(folder: Path) -> list[str]:
    made = (p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())
    return sorted(p for p in made if not p.startswith(("reports/", "shots.duckdb")))


def same_but_for_the_last_step(a: str, b: str) -> bool:
    """Words the same, numbers the same but for one step of a sensor (another machine's last bit may tip a rounding)."""
    if a == b:
        return True
    if NUMBER.sub("#", a) != NUMBER.sub("#", b):
        return False
    pairs = zip(NUMBER.findall(a), NUMBER.findall(b), strict=True)
    return all(abs(float(x) - float(y)) <= 0.11 + 1e-5 * abs(float(x)) for x, y in pairs if x != y)


def test_the_sample_comes_out_the_same_again(tmp_path: Path) -> None:
    write_sample(tmp_path)
    assert files(tmp_path) == files(SAMPLE)
    for name in files(tmp_path):
        new, old = ((folder / name).read_text(encoding="utf-8") for folder in (tmp_path, SAMPLE))
        assert same_but_for_the_last_step(new, old), name


def test_a_changed_number_would_be_seen() -> None:
    assert not same_but_for_the_last_step("flow 1.5", "flow 1.7")
    assert not same_but_for_the_last_step("hatch-2", "hatch-3")
    assert same_but_for_the_last_step("flow 1.501", "flow 1.502")


def test_the_sample_is_small_and_says_it_is_invented() -> None:
    assert sum((SAMPLE / f).stat().st_size for f in files(SAMPLE)) < 2.5e6
    assert "invented" in (SAMPLE / "README.md").read_text(encoding="utf-8")
    workshop = open_workshop(SAMPLE)
    assert "invented" in workshop.settings.workshop.name
    assert len(workshop.book.moulds) == 3


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo")
    calls: list[tuple[str, int, int]] = []
    made = write_demo(folder, seed=11, progress=lambda *a: calls.append(a))
    assert calls[-1][1] == calls[-1][2] == made.shot.height
    return folder


def test_the_demonstration_is_a_whole_workshop(demo: Path) -> None:
    workshop = open_workshop(demo)
    assert len(workshop.book.moulds) >= 4
    assert len({m.fill for m in workshop.book.moulds.values()}) == 3
    assert "invented" in workshop.settings.workshop.name
    assert workshop.parts.height > 100
    truth = pl.read_csv(demo / "truth" / "shot.csv", infer_schema_length=None)
    assert truth.height == len(list((demo / "logs").rglob("*.csv")))
    months = truth["started_at"].str.slice(0, 7).n_unique()
    assert months >= 4


def test_its_troubles_are_there_and_most_shots_are_sound(demo: Path) -> None:
    faults = pl.read_csv(demo / "truth" / "fault.csv")
    assert faults.height == len(demo_scenario().faults)
    assert faults["happened"].all()
    truth = pl.read_csv(demo / "truth" / "shot.csv", infer_schema_length=None)
    sound = truth.filter(pl.col("faults").fill_null("") == "")
    assert sound.height > 0.9 * truth.height
    assert sound["arrival_volume_l"].null_count() < 0.05 * sound.height
    seals = pl.read_csv(demo / "truth" / "seal.csv", infer_schema_length=None)
    worn = seals.filter(pl.col("crossing_age_shots").is_not_null())
    assert worn["mould"].unique().to_list() == ["hatch-3"]
    assert pl.read_csv(demo / "truth" / "meter.csv").height == 3
