"""Drift: when a measure of a mould changed, by a step or a trend, and what happened near it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from catchpot import hookimpl

if TYPE_CHECKING:
    from catchpot.analysis import Analysis
    from catchpot.report.section import Section


@hookimpl
def register_analyses(settings: Mapping[str, Any]) -> Sequence[Analysis]:
    """The analysis `drift`, which names days in the workshop's time zone."""
    from catchpot_drift.analysis import DriftAnalysis

    return [DriftAnalysis(str(settings.get("workshop", {}).get("time_zone", "UTC")))]


@hookimpl
def register_sections() -> Sequence[Section]:
    """The section `drift`."""
    from catchpot_drift.section import DriftSection

    return [DriftSection()]
