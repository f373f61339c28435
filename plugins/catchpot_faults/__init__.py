"""Faults in the filling curve, by name and with evidence."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from catchpot import hookimpl

if TYPE_CHECKING:
    from catchpot.analysis import Analysis
    from catchpot.report.section import Section


@hookimpl
def register_analyses(settings: Mapping[str, Any]) -> Sequence[Analysis]:
    """`fault_signs` looks at samples, `faults` judges each shot beside its mould's past."""
    from catchpot_faults.analysis import Faults
    from catchpot_faults.signs import FaultSigns

    return [FaultSigns(), Faults()]


@hookimpl
def register_sections() -> Sequence[Section]:
    """The section `faults`."""
    from catchpot_faults.section import FaultsSection

    return [FaultsSection()]
