"""Filling: arrival volume, overflow, mobility and permeability, clamp margin."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from catchpot import hookimpl

if TYPE_CHECKING:
    from catchpot.analysis import Analysis
    from catchpot.report.section import Section


@hookimpl
def register_analyses(settings: Mapping[str, Any]) -> Sequence[Analysis]:
    """The analyses `injection`, with the workshop's ambient pressure as its last resort, and `fill`."""
    from catchpot_fill.analysis import FillAnalysis
    from catchpot_fill.injection_analysis import InjectionAnalysis

    ambient = settings.get("workshop", {}).get("ambient_pressure_mbar")
    first = InjectionAnalysis(float(ambient)) if ambient is not None else InjectionAnalysis()
    return [first, FillAnalysis()]


@hookimpl
def register_sections() -> Sequence[Section]:
    """The section `fill`."""
    from catchpot_fill.section import FillSection

    return [FillSection()]
