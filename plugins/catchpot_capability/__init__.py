"""Capability by the month: charts a mould, measure and month, a roll-up a month, numbers fixed by `close`."""

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
    """The analyses `capability` and `capability_over_moulds`; months are those of the workshop's time zone."""
    from catchpot_capability.analysis import CapabilityAnalysis
    from catchpot_capability.over_moulds import OverMouldsAnalysis

    zone = str(settings.get("workshop", {}).get("time_zone", "UTC"))
    return [CapabilityAnalysis(zone), OverMouldsAnalysis()]


@hookimpl
def register_sections() -> Sequence[Section]:
    """The section `capability` with its pages."""
    from catchpot_capability.section import CapabilitySection

    return [CapabilitySection()]


@hookimpl
def register_commands(app: App) -> None:
    """The command `close`."""
    from catchpot_capability.command import close

    app.command(close)
