"""Matters: one card for one change, from finding to action."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from catchpot import hookimpl

if TYPE_CHECKING:
    from catchpot.analysis import Analysis


@hookimpl
def register_analyses(settings: Mapping[str, Any]) -> Sequence[Analysis]:
    """The analysis `matter`."""
    from catchpot_matters.analysis import MatterAnalysis

    return [MatterAnalysis()]
