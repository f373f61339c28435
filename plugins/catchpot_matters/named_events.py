"""Which event may be named as what began a change."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from catchpot.happened import Happened
from catchpot_matters.statements import Statement, Timeline

PLACED: Final = 1
"""Shots by which the first shot of a change may be placed too early."""


def shares_of(
    near: Sequence[Happened], cause: str, lead: Statement, line: Timeline
) -> dict[Happened, float]:  # fmt: skip
    """Of the events that may have brought a cause about, the share of each in their odds for it.

    They can bring about that very cause and little else, and lie where the change may have begun: what happened before
    or after that did nothing to it, and of two that are alike it can't be told which it was.
    """
    low, high = min(lead.low, lead.at), max(lead.high, lead.at) + PLACED
    odds = {
        h: max((by for c, by in h.explains.items() if c in cause.split(" or ")), default=0.0)
        for h in near if h.telling and low <= line.place(h.at) <= high
    }  # fmt: skip
    whole = sum(odds.values())
    return {h: by / whole for h, by in odds.items() if by}


__all__ = ["shares_of"]
