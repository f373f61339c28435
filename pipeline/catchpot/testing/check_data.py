"""What plugins are checked on: a small made-up workshop, every analysis computed over it, and shots of an odd shape."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import cache, cached_property
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from catchpot.analysis import Result
from catchpot.plugins import Registry, load
from catchpot.run import deliver, job
from catchpot.run.execute import make_plan, settings_of
from catchpot.run.graph import Plan, Step
from catchpot.run.staleness import WHOLE
from catchpot.testing.check_frames import Frames

if TYPE_CHECKING:
    import polars as pl

    from catchpot.reads import Reads
    from catchpot.testing.simulate import MadeUp
    from catchpot.workshop import Workshop

ODD_KINDS = (
    "no samples", "one sample", "two samples", "gappy", "constant", "constant flow", "nothing but nulls",
    "required channels only", "cut short", "unknown mould", "no mould", "no start",
)  # fmt: skip


@dataclass(frozen=True)
class CheckData:
    """A workshop in memory with its plugins. failures: analyses that raised while the data were made."""

    workshop: Workshop
    registry: Registry
    plan: Plan
    frames: Frames
    failures: dict[str, str]
    _first: dict[int, tuple[Frames, dict[str, str]]] = field(default_factory=dict, repr=False)

    @property
    def as_of(self) -> datetime | None:
        """The newest start."""
        newest = self.frames.table("shot")["started_at"].max()
        return newest if isinstance(newest, datetime) else None

    def units(self, step: Step, frames: Frames | None = None) -> list[str]:
        """All parts of an analysis over these frames."""
        import polars as pl

        shots = (frames or self.frames).table("shot")
        if step.analysis.part == "shot":
            return shots["shot"].to_list()
        if step.analysis.part == "workshop":
            return [WHOLE]
        known = pl.col("mould").is_in(list(self.workshop.book.moulds)) & pl.col("started_at").is_not_null()
        return shots.filter(known)["mould"].unique().sort().to_list()

    def compute(
        self, step: Step, units: Sequence[str], frames: Frames | None = None, until: datetime | None = None
    ) -> Result:
        """Compute and check the delivery, as the runner does."""
        # The store's reader and these frames answer the same calls.
        source: Reads = frames or self.frames
        params = settings_of(self.workshop, step)
        the_job = job.build(source, step, units, self.plan.declared, self.workshop.book, params, until)
        result = step.analysis.compute(the_job)
        deliver.check(step.analysis, step.plugin, the_job, result)
        return result

    @cached_property
    def odd(self) -> tuple[Frames, dict[str, str]]:
        """Every analysis over the odd shots, as `over` gives it; worked once for all checks."""
        return self.over(odd_core(self))

    def first(self, few: int) -> tuple[Frames, dict[str, str]]:
        """Every analysis over the first few shots, as `over` gives it; worked once for all checks."""
        if few not in self._first:
            shots = self.frames.table("shot").sort("started_at").head(few)
            self._first[few] = self.over({"shot": shots, "sample": self.frames.samples(shots["shot"].to_list())})
        return self._first[few]

    def over(self, core: dict[str, pl.DataFrame]) -> tuple[Frames, dict[str, str]]:
        """Every analysis in order over other core tables; what raised, with its error."""
        frames = Frames(core, self.plan.declared)
        failures: dict[str, str] = {}
        for step in self.plan.steps:
            units = self.units(step, frames)
            try:
                if units:
                    frames.put(self.compute(step, units, frames).tables)
            except Exception as error:
                failures[step.name] = f"{type(error).__name__}: {error}"
        return frames, failures


@cache
def made_up_core() -> MadeUp:
    """Three moulds of different geometry, some weeks, holds of each kind, an event, weighed parts."""
    from catchpot.testing.geometry import five_geometries
    from catchpot.testing.scenario import Change, Mould, Scenario
    from catchpot.testing.simulate import simulate

    shapes = five_geometries()
    fills = ("linear", "radial", "peripheral")
    chosen = [next(g for g in shapes.values() if g.fill == fill) for fill in fills]
    moulds = tuple(
        Mould(f"mould-{i + 1}", g, shots=(36, 14, 14)[i], holds=(2, 1, 0)[i], weigh_fabric=True)
        for i, g in enumerate(chosen)
    )
    changes = (Change("mould-1", "cavity_thickness", 0.05, 20, event=("seal_replaced", "both")),)
    return simulate(Scenario(moulds=moulds, changes=changes), seed=11)


def made_up_data(also: Sequence[tuple[str, ModuleType]] = (), *, others: bool = True) -> CheckData:
    """The made-up workshop with every analysis computed over it.

    also: (name, module) of plugins beside the installed ones. others: False leaves the installed ones out.
    """
    from catchpot.plugins.sources import installed
    from catchpot.workshop import Settings, Workshop
    from catchpot.workshop.settings import PluginSettings

    made = made_up_core()
    off = [] if others else [s.name for s in installed()]
    zone = ZoneInfo(made.scenario.time_zone)
    settings = Settings(plugins=PluginSettings(disabled=off))
    book = made.book().in_zone(zone)
    workshop = Workshop(Path("made-up-workshop"), settings, book, made.event, made.part, zone)
    registry = load(workshop, also=also)
    plan = make_plan(registry)
    data = CheckData(workshop, registry, plan, Frames({}, plan.declared), {})
    frames, failures = data.over({"shot": made.shot, "sample": made.sample, "event": made.event, "part": made.part})
    return CheckData(workshop, registry, plan, frames, failures)


def odd_core(data: CheckData) -> dict[str, pl.DataFrame]:
    """Core tables with one shot of each odd kind, all of the first mould but for those whose mould is odd."""
    import polars as pl

    from catchpot.core_tables import SAMPLE
    from catchpot.tables import empty

    shots = data.frames.table("shot")
    like = shots.filter(pl.col("mould") == "mould-1").sort("started_at").head(1)
    samples = data.frames.samples(like["shot"].to_list())
    rows, frames = [], []
    for kind in ODD_KINDS:
        mould = {"unknown mould": "nobody's", "no mould": None}.get(kind, "mould-1")
        changed = [pl.lit(kind).alias("shot"), pl.lit(mould, dtype=pl.String).alias("mould")]
        if kind == "no start":
            changed.append(pl.lit(None, dtype=like.schema["started_at"]).alias("started_at"))
        rows.append(like.with_columns(changed))
        frames.append(_odd(kind, samples).with_columns(shot=pl.lit(kind)))
    sample = pl.concat([empty(SAMPLE), *(f.select(SAMPLE.names) for f in frames)])
    return {"shot": pl.concat(rows), "sample": sample}


def _odd(kind: str, samples: pl.DataFrame) -> pl.DataFrame:
    import polars as pl

    from catchpot.channels import BY_NAME, OPTIONAL

    first = {c: pl.lit(samples[c][0], dtype=pl.Float64).alias(c) for c in BY_NAME}
    row = pl.int_range(pl.len())
    if kind in ("no samples", "one sample", "two samples"):
        return samples.head({"no": 0, "one": 1, "two": 2}[kind.split()[0]])
    if kind == "gappy":
        return samples.filter((row // 60) % 3 != 1)
    if kind == "constant":
        still = {**first, "flow_l_min": pl.lit(0.0).alias("flow_l_min")}
        return samples.with_columns(*still.values(), vol_l=pl.lit(0.0))
    if kind == "constant flow":
        flowing = {**first, "flow_l_min": pl.lit(1.2).alias("flow_l_min")}
        return samples.with_columns(*flowing.values(), vol_l=(pl.col("t_s") * 0.02).round(4))
    if kind == "nothing but nulls":
        return samples.with_columns(pl.lit(None, dtype=pl.Float64).alias(c) for c in ("vol_l", *BY_NAME))
    if kind == "required channels only":
        return samples.with_columns(pl.lit(None, dtype=pl.Float64).alias(c) for c in OPTIONAL)
    if kind == "cut short":
        most = samples["vol_l"].max()
        return samples.filter(pl.col("vol_l") < 0.3 * (most if isinstance(most, float) else 0.0))
    return samples
