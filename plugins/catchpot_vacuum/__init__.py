"""Vacuum and seals: how much leaks, which seal, and when to replace it."""

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
    """Leaks, resin past the seal, forecasts, findings, back-test, pooling, and the vacuum's own source."""
    from catchpot_vacuum.clamp_analysis import ClampAnalysis
    from catchpot_vacuum.history_analysis import SealHistoryAnalysis
    from catchpot_vacuum.leak_analysis import SealLeakAnalysis
    from catchpot_vacuum.life_analysis import SealLifeAnalysis
    from catchpot_vacuum.pool_analysis import SealPoolAnalysis
    from catchpot_vacuum.resin import SealResinAnalysis
    from catchpot_vacuum.supply_analysis import SupplyAnalysis
    from catchpot_vacuum.watch_analysis import SealWatchAnalysis

    ambient = settings.get("workshop", {}).get("ambient_pressure_mbar")
    return [
        SealLeakAnalysis(float(ambient)) if ambient is not None else SealLeakAnalysis(),
        SealResinAnalysis(),
        SealLifeAnalysis(),
        SealWatchAnalysis(),
        SealHistoryAnalysis(),
        SealPoolAnalysis(),
        ClampAnalysis(),
        SupplyAnalysis(),
    ]


@hookimpl
def register_sections() -> Sequence[Section]:
    """The section `seals`."""
    from catchpot_vacuum.section import SealSection

    return [SealSection()]


@hookimpl
def register_commands(app: App) -> None:
    """The command `seals`."""
    from catchpot_vacuum.command import seals

    app.command(seals)
