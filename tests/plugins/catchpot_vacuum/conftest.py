"""Made-up histories shared by the vacuum tests."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import polars as pl
import pytest

from catchpot.analysis import Analysis, Refused, Result
from catchpot.testing import made_up as mu
from catchpot.workshop import MouldBook
from catchpot_vacuum.history_analysis import SealHistoryAnalysis
from catchpot_vacuum.leak_analysis import SealLeakAnalysis
from catchpot_vacuum.life_analysis import SealLifeAnalysis
from catchpot_vacuum.pool_analysis import SealPoolAnalysis
from catchpot_vacuum.resin import SealResinAnalysis
from catchpot_vacuum.tables import SEAL_HISTORY, SEAL_HOLD, SEAL_LEAK, SEAL_LIFE, SEAL_RESIN
from catchpot_vacuum.watch_analysis import SealWatchAnalysis

DECLARED = {t.name: t for t in (SEAL_LEAK, SEAL_HOLD, SEAL_RESIN, SEAL_LIFE, SEAL_HISTORY)}


@dataclass(frozen=True)
class Computed:
    """All tables of a made-up workshop after the vacuum analyses, and what they refused."""

    made: mu.MadeUp
    book: MouldBook
    tables: Mapping[str, pl.DataFrame]
    refused: tuple[Refused, ...]

    def again(self, analysis: Analysis, until: datetime | None = None, **replaced: pl.DataFrame) -> Result:
        """An analysis once more, with some tables replaced or with only what was known at a time."""
        return mu.compute(analysis, {**self.tables, **replaced}, self.book, until=until, declared=DECLARED)


def compute_all(made: mu.MadeUp, book: MouldBook | None = None, **replaced: pl.DataFrame) -> Computed:
    """Run every analysis of the plugin on a made-up workshop; `replaced` tables stand in for the simulated ones."""
    tables = {**made.tables(), **replaced}
    the_book = book or made.book()
    refused: list[Refused] = []
    for analysis in (
        SealLeakAnalysis(), SealResinAnalysis(), SealLifeAnalysis(), SealHistoryAnalysis(), SealWatchAnalysis(),
        SealPoolAnalysis(),
    ):  # fmt: skip
        result = mu.compute(analysis, tables, the_book, declared=DECLARED)
        tables |= dict(result.tables)
        refused += result.refused
    return Computed(made, the_book, tables, tuple(refused))


@pytest.fixture(scope="session")
def worn() -> Computed:
    """A mould with one hold a shot whose outer seal wears through and is replaced."""
    outer = mu.Seal(floor=0.02, start=0.02, growth=0.035, law="proportional", noise=0.15, replaced=(88,))
    mould = mu.Mould("hatch-1", mu.five_geometries()["strip"], shots=112, holds=1, outer=outer)
    return compute_all(mu.simulate(mu.Scenario(moulds=(mould,)), seed=1))


@pytest.fixture(scope="session")
def workshop_of_four() -> Computed:
    """Three moulds whose seals wore through, and one that has just begun."""
    strip = mu.five_geometries()["strip"]

    def outer(*replaced: int) -> mu.Seal:
        return mu.Seal(floor=0.01, start=0.03, growth=0.06, law="proportional", noise=0.12, replaced=replaced)

    old = [mu.Mould(f"hatch-{k}", strip, shots=40, holds=1, outer=outer(2)) for k in range(3)]
    young = mu.Mould("hatch-3", strip, shots=9, holds=1, outer=outer())
    return compute_all(mu.simulate(mu.Scenario(moulds=(*old, young)), seed=5))


@pytest.fixture(scope="session")
def two_step() -> Computed:
    """A mould with two-step holds before each shot."""
    inner = mu.Seal(floor=0.02, start=0.0, noise=0.1, limit=0.05)
    outer = mu.Seal(floor=0.1, start=0.0, noise=0.15)
    mould = mu.Mould("hatch-2", mu.five_geometries()["strip"], shots=26, holds=2, outer=outer, inner=inner)
    return compute_all(mu.simulate(mu.Scenario(moulds=(mould,)), seed=2))


@pytest.fixture(scope="session", name="compute_all")
def compute_all_fixture() -> object:
    """The function itself, for tests with histories of their own."""
    return compute_all
