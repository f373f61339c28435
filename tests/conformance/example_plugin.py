"""An example to copy: how long each shot's evacuation took, with its place in the report.

A file like this may lie in a workshop's plugins/ folder as it is. The numbers are those of DEVELOPERS.md.
"""

# 1. One module: an entry point in group catchpot.plugins.v1, or one file in a workshop's plugins/.
from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from catchpot import Column, Job, Refused, Result, Table, hookimpl
from catchpot.report.section import Cell, Page, Panel, Prose, View

if TYPE_CHECKING:
    import polars as pl

# 2. The tables it fills: unit and doc for every column, the unit in the name.
EVACUATION = Table(
    "evacuation",
    ("shot",),
    (
        Column("shot", "str", "", "the shot"),
        Column("evacuation_s", "f64", "s", "time from the start of the evacuation to its end", 0.0),
        Column("slow", "bool", "", "whether it took longer than the setting allows"),
    ),
)


# 3. Its settings: [analyses.evacuation] in catchpot.toml.
class EvacuationParams(BaseModel):
    """longest_s: an evacuation longer than this is called slow."""

    model_config = ConfigDict(extra="forbid")

    longest_s: float = Field(default=120.0, gt=0.0)


# 4. A class with the members of catchpot.Analysis, asking only for the columns it uses.
class Evacuation:
    """The analysis `evacuation`."""

    name = "evacuation"
    part: Literal["shot", "mould", "workshop"] = "shot"
    causal = True
    needs: Mapping[str, tuple[str, ...]] = MappingProxyType({"phase": ("start_s", "end_s")})
    optional: Mapping[str, tuple[str, ...]] = MappingProxyType({})
    yields = (EVACUATION,)
    params: type[BaseModel] = EvacuationParams

    # 5. Whole columns in, whole columns out; what can't be told is null and refused with a reason.
    def compute(self, job: Job) -> Result:
        """All shots of the job at once."""
        import polars as pl

        assert isinstance(job.params, EvacuationParams)
        took = (
            job.tables["phase"]
            .filter(pl.col("phase") == "evacuate")
            .group_by("shot")
            .agg((pl.col("end_s") - pl.col("start_s")).sum().alias("evacuation_s"))
        )
        units = pl.DataFrame({"shot": list(job.units)}, schema={"shot": pl.String()})
        table = units.join(took, on="shot", how="left", maintain_order="left").with_columns(
            (pl.col("evacuation_s") > job.params.longest_s).alias("slow")
        )
        unknown = table.filter(pl.col("evacuation_s").is_null())["shot"]
        reason = "no evacuation was logged"
        return Result(
            {"evacuation": table.select(EVACUATION.names)},
            [Refused(shot, "evacuation.evacuation_s", reason) for shot in unknown],
        )


# 7. A section reads stored tables only.
class EvacuationSection:
    """Evacuation in the report."""

    name = "evacuation"
    title = "Evacuation"
    order = 900
    analyses = ("evacuation",)
    needs: Mapping[str, tuple[str, ...]] = MappingProxyType({"evacuation": ("*",)})

    def _known(self, view: View) -> pl.DataFrame:
        return view.tables["evacuation"].drop_nulls("evacuation_s")

    def cells(self, view: View) -> Sequence[Cell]:
        """The last evacuation's time."""
        known = self._known(view)
        text = "not known" if known.is_empty() else f"{known['evacuation_s'][-1]:.0f} s"
        return [Cell("Last evacuation", text, order=900)]

    def panel(self, view: View) -> Panel | None:
        """One sentence a mould."""
        if view.mould is None:
            return None
        known = self._known(view)
        if known.is_empty():
            return Panel("not assessed", "No evacuation of this mould was logged.")
        slow = int(known["slow"].sum())
        headline = f"The last evacuation took {known['evacuation_s'][-1]:.0f} s; {slow} of {known.height} were slow."
        advice = Prose(("A slow evacuation is a leak, a wet trap or a tired pump: look at the seals first.",))
        return Panel("watch" if slow else "in order", headline, [advice] if slow else [])

    def pages(self, view: View) -> Sequence[Page]:
        """None."""
        return []


# 6. Hooks only register.
@hookimpl
def register_analyses(settings: Mapping[str, Any]) -> Sequence[Evacuation]:
    """Our one analysis."""
    return [Evacuation()]


@hookimpl
def register_sections() -> Sequence[EvacuationSection]:
    """Our one section."""
    return [EvacuationSection()]


# 8. check_plugin runs over it: test_example_plugin.py.
