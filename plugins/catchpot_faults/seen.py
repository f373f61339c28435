"""Everything known of one shot when it is judged."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from catchpot_faults.compare import Course
from catchpot_faults.usual import Usual
from catchpot_faults.within import Rise

if TYPE_CHECKING:
    from catchpot_faults.takes import Takes


@dataclass
class Seen:
    """Everything known of one shot.

    number: columns by name. ratio: catalyst. spoiled: its curve can't be judged. takes: what the mould takes in it
    until resin arrives.
    """

    i: int
    number: dict[str, float]
    still_channel: str | None
    usual: Usual
    course: Course | None
    rise: Rise
    level: float
    share_l: float
    book_l: float
    new_batch: bool
    ratio: dict[str, float]
    viscosity: float
    spoiled: bool = False
    takes: Takes | None = None


def or_none(value: float) -> float | None:
    """A number that is known, else None."""
    return value if np.isfinite(value) else None


__all__ = ["Seen", "or_none"]
