"""Volume: why a mould's volume keeps changing, and what to set on its next shot."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from catchpot import hookimpl

if TYPE_CHECKING:
    from cyclopts import App

    from catchpot.analysis import Analysis
    from catchpot.report.section import Section


@hookimpl
def register_analyses(settings: Mapping[str, Any]) -> Sequence[Analysis]:
    """The injectors' meters, the causes of a change of volume, the next shot."""
    from catchpot_volume.cause_analysis import CauseAnalysis
    from catchpot_volume.meter_analysis import MeterAnalysis
    from catchpot_volume.next_analysis import NextAnalysis

    workshop = settings.get("workshop", {})
    zone, ambient = str(workshop.get("time_zone", "UTC")), float(workshop.get("ambient_pressure_mbar", 1013.25))
    return [MeterAnalysis(), CauseAnalysis(zone), NextAnalysis(zone, ambient)]


@hookimpl
def register_sections() -> Sequence[Section]:
    """The section `volume`."""
    from catchpot_volume.section import VolumeSection

    return [VolumeSection()]


@hookimpl
def register_commands(app: App) -> None:
    """The commands `explain`, `next` and `week`."""
    from catchpot_volume.command import explain
    from catchpot_volume.next_command import next_shot
    from catchpot_volume.week_command import week

    app.command(explain)
    app.command(next_shot, name="next")
    app.command(week)
