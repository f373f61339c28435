"""An example to copy: the smaller doors.

A page, a kind of finding, a command, settings, a form of `note`, and word of a finished run.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Literal

from pydantic import BaseModel, ConfigDict

from catchpot import (
    FINDING,
    CatchpotError,
    Cell,
    DataTable,
    Job,
    NoteField,
    Page,
    Panel,
    PartNote,
    Result,
    RunOutcome,
    View,
    emit,
    finding,
    findings_table,
    hookimpl,
    open_session,
)

if TYPE_CHECKING:
    from cyclopts import App


class NoParams(BaseModel):
    """No settings."""

    model_config = ConfigDict(extra="forbid")


# A kind of finding: rows of the shared table `finding` under a word of its own; the report shows them by themselves.
class LateShift:
    """The analysis `late_shift`: a note on each shot that began after nine in the evening, UTC."""

    name = "late_shift"
    part: Literal["shot", "mould", "workshop"] = "shot"
    causal = True
    needs: Mapping[str, tuple[str, ...]] = MappingProxyType({"shot": ("mould", "started_at")})
    optional: Mapping[str, tuple[str, ...]] = MappingProxyType({})
    yields = (FINDING,)
    params: type[BaseModel] = NoParams

    def compute(self, job: Job) -> Result:
        """All shots of the job."""
        rows = [
            finding("late_shift", "late_shift", "note", f"It began at {r['started_at']:%H:%M} UTC.", "",
                    mould=r["mould"], shot=r["shot"], since=r["started_at"])
            for r in job.tables["shot"].iter_rows(named=True)
            if r["started_at"] is not None and r["started_at"].hour >= 21
        ]  # fmt: skip
        return Result({"finding": findings_table(rows)})


# A page of its own: a section that has no panel and no cells, only pages.
class ShiftPage:
    """The page `shifts.html`, linked from the workshop page."""

    name = "shifts"
    title = "Shifts"
    order = 950
    analyses: tuple[str, ...] = ()
    needs: Mapping[str, tuple[str, ...]] = MappingProxyType({"shot": ("mould", "started_at")})

    def cells(self, view: View) -> Sequence[Cell]:
        """None."""
        return []

    def panel(self, view: View) -> Panel | None:
        """None."""
        return None

    def pages(self, view: View) -> Sequence[Page]:
        """Shots by hour of the day."""
        import polars as pl

        dated = view.tables["shot"].drop_nulls("started_at")
        if dated.is_empty():
            return []
        local = dated.with_columns(hour=pl.col("started_at").dt.convert_time_zone(view.zone).dt.hour())
        table = local.group_by("hour").agg(shots=pl.len()).sort("hour")
        panel = Panel("in order", f"{dated.height} shots by hour of the day.", [DataTable("hours", "Shots", table)])
        return [Page("shifts", "Shots by hour", [("Shots by hour", panel)])]


# Settings of the plugin: [settings.NAME], NAME being the plugin's.
class DoorSettings(BaseModel):
    """last_run: a file, relative to the workshop, that holds what came of the last run. pot_kg: the empty catch pot."""

    model_config = ConfigDict(extra="forbid")

    last_run: str = ""
    pot_kg: float = 0.0


# A form of `note`: it turns what was read off the scales into what parts.csv holds; the core checks and writes it.
class PotWeighed:
    """The catch pot on the scales after a shot: what it holds is the resin that went past the vent."""

    name = "pot_weighed"
    says = "the catch pot was weighed after a shot"
    fields = (
        NoteField("shot", "Shot", among="shot"),
        NoteField("full_kg", "Catch pot with resin, kg", number=True),
        NoteField("empty_kg", "Empty catch pot, kg", "pot_kg of the settings where nothing stands here.",
                  number=True, needed=False),
    )  # fmt: skip

    def notes(self, given: Mapping[str, str], settings: BaseModel | None) -> Sequence[PartNote]:
        """The resin in the pot."""
        empty = settings.pot_kg if isinstance(settings, DoorSettings) else 0.0
        resin = float(given["full_kg"]) - float(given.get("empty_kg", empty))
        if resin < 0:
            raise CatchpotError("The full pot weighs less than the empty one.")
        return [PartNote(given["shot"], {"overflow_kg": f"{resin:.3f}"})]


@hookimpl
def register_notes() -> Sequence[PotWeighed]:
    """`catchpot note --form pot_weighed`."""
    return [PotWeighed()]


@hookimpl
def register_settings() -> type[BaseModel]:
    """`[settings.example_doors]`."""
    return DoorSettings


@hookimpl
def register_analyses(settings: Mapping[str, Any]) -> Sequence[LateShift]:
    """The kind of finding."""
    return [LateShift()]


@hookimpl
def register_sections() -> Sequence[ShiftPage]:
    """The page."""
    return [ShiftPage()]


# A command: it works through a session, prints through `emit`, returns its exit status.
@hookimpl
def register_commands(app: App) -> None:
    """`catchpot late`."""

    def late() -> int:
        """List the shots of late shifts."""
        found = open_session(os.environ.get("CATCHPOT_HOME")).table("finding", columns=["shot", "analysis"])
        shots = [s for s, analysis in found.iter_rows() if analysis == "late_shift"]
        emit({"late": shots}, shots or ["none"], as_json=False)
        return 0

    app.command(late)


# Something when a run is finished.
@hookimpl
def run_finished(outcome: RunOutcome) -> None:
    """Keep what came of it."""
    if isinstance(outcome.settings, DoorSettings) and outcome.settings.last_run:
        kept = {"new": outcome.ingest["new"], "complaints": list(outcome.complaints)}
        (outcome.home / outcome.settings.last_run).write_text(json.dumps(kept), encoding="utf-8")
