"""A made-up workshop with a handful of shots put straight into its store, and tiny analyses to run on it."""

from __future__ import annotations

import sys
import types
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from pydantic import BaseModel

from catchpot.analysis import Analysis, Job, Result
from catchpot.core_tables import SAMPLE, SHOT
from catchpot.ingest.load import ingest
from catchpot.plugins import Registry, load
from catchpot.plugins.registry import Plugin
from catchpot.store import Store
from catchpot.tables import Column, Table, shape
from catchpot.testing import made_up as mu
from catchpot.workshop import Workshop, open_workshop

START = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
PER_SHOT = 4


class Params(BaseModel):
    """Settings of the tiny analyses."""

    share: float = 1.0


Compute = Callable[[Job], Result]


@dataclass
class Tiny:
    """An analysis whose computing is a function given to it; it counts the units it was asked for."""

    name: str
    part: str
    yields: tuple[Table, ...]
    work: Compute
    needs: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    optional: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    causal: bool = True
    params: type[BaseModel] = Params
    asked: list[str] = field(default_factory=list)
    jobs: list[Job] = field(default_factory=list)
    keeps: str = ""
    narrowed: Mapping[str, str] = field(default_factory=dict)
    up_to_last: Mapping[str, str] = field(default_factory=dict)

    def compute(self, job: Job) -> Result:
        """Note what was asked, then compute."""
        self.asked += job.units
        self.jobs.append(job)
        return self.work(job)


def shot_table(name: str, *numbers: str, extra: tuple[str, ...] = ()) -> Table:
    """A table keyed by shot (and by more)."""
    columns = (Column("shot", "str", "", "the shot"), *(Column(k, "str", "", f"the {k}") for k in extra))
    return Table(name, ("shot", *extra), (*columns, *(Column(n, "f64", "l", f"a {n}") for n in numbers)))


def mould_table(name: str, *numbers: str) -> Table:
    """A table keyed by mould."""
    return Table(
        name, ("mould",), (Column("mould", "str", "", "the mould"), *(Column(n, "f64", "l", f"a {n}") for n in numbers))
    )


def volumes(name: str = "fill", **more: object) -> Tiny:
    """A shot analysis: the last volume of each shot."""

    def work(job: Job) -> Result:
        last = job.tables["sample"].group_by("shot", maintain_order=True).agg(x_l=pl.col("vol_l").last())
        return Result({name: last})

    return Tiny(name, "shot", (shot_table(name, "x_l"),), work, {"sample": ("vol_l",)}, **more)  # type: ignore[arg-type]  # passed on as they are


def sums(name: str = "history", of: str = "fill", **more: object) -> Tiny:
    """A mould analysis: the sum of a measure over the mould's shots."""

    def work(job: Job) -> Result:
        frame = job.tables[of]
        total = [frame.filter(pl.col("mould") == m)["x_l"].sum() for m in job.units]
        return Result({name: pl.DataFrame({"mould": list(job.units), "sum_l": total})})

    return Tiny(name, "mould", (mould_table(name, "sum_l"),), work, {of: ("x_l",)}, **more)  # type: ignore[arg-type]  # passed on as they are


@pytest.fixture
def home(tmp_path: Path) -> Path:
    folder = tmp_path / "shop"
    folder.mkdir()
    (folder / "catchpot.toml").write_text('[workshop]\nname = "Shop"\n')
    (folder / "moulds.toml").write_text("[moulds.hatch]\nthickness_mm = 3.0\n[moulds.lid]\nthickness_mm = 2.0\n")
    return folder


@pytest.fixture
def put(home: Path) -> Callable[..., None]:
    """Store shots: names; moulds in turn (two in the book); four samples a shot."""

    def stored(
        names: Sequence[str],
        moulds: Sequence[str | None] = ("hatch", "lid"),
        flow: float = 6.0,
        revision: int = 1,
        first: int = 0,
        dated: bool = True,
        injectors: Sequence[str | None] = (None,),
    ) -> None:
        n = len(names)
        shots = shape(
            SHOT,
            {
                "shot": list(names),
                "mould": [moulds[i % len(moulds)] for i in range(n)],
                "started_at": [START + timedelta(hours=first + i) if dated else None for i in range(n)],
                "source_digest": [f"{s}-{revision}" for s in names],
                "revision": [revision] * n,
                "programmed_volume_l": [2.5] * n,
                "injector": [injectors[i % len(injectors)] for i in range(n)],
            },
        )
        samples = shape(
            SAMPLE,
            {
                "shot": [s for s in names for _ in range(PER_SHOT)],
                "t_s": [float(i) for _ in names for i in range(PER_SHOT)],
                "vol_l": [flow / 60 * i for _ in names for i in range(PER_SHOT)],
                "flow_l_min": [flow] * (PER_SHOT * n),
            },
        )
        with Store(home / "shots.duckdb").writing() as w:
            w.put_shots(shots, samples)

    return stored


@pytest.fixture
def workshop(home: Path) -> Callable[[], Workshop]:
    """Open the workshop as it is now."""
    return lambda: open_workshop(home)


@pytest.fixture
def registry() -> Callable[..., Registry]:
    """A registry of tiny analyses, each a plugin of its own named after it; code: digests of some."""

    def made(workshop: Workshop, *analyses: Analysis, code: Mapping[str, str] | None = None) -> Registry:
        digests = code or {}
        plugins = tuple(
            Plugin(f"p-{a.name}", "made up", types.ModuleType("made_up"), digests.get(a.name, "1"), (), (a,))
            for a in analyses
        )
        return Registry(plugins, workshop=workshop)

    return made


@pytest.fixture
def tiny() -> types.ModuleType:
    """The makers of tiny analyses."""
    return sys.modules[__name__]


@pytest.fixture(scope="session")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twelve shots of two moulds, read and not yet analysed."""
    home = tmp_path_factory.mktemp("engines") / "shop"
    strip, wedge, *_ = mu.five_moulds(6)
    mu.write_workshop(home, mu.Scenario(moulds=(strip, wedge)), 3)
    workshop = open_workshop(home)
    ingest(workshop, load(workshop))
    return home
