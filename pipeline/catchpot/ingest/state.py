"""A shot of a batch while it is being checked."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from catchpot.ingest.reader import LogRefused, Remark

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Up to this share of a file's rows may be bad; beyond it the file is set aside (contract of the plain log).
BAD_SHARE = 0.01


@dataclass
class FileState:
    """One shot of a batch while it is being checked.

    rows: data rows met, bad ones included. dropped: bad rows left out. repeated: rows left out as repetitions.
    made_up: channels that others stand in for. judged: the share of bad rows was judged on the whole file already.
    line_of_row: file line of a row of the frame as it was read; worked out only where it is asked for.
    """

    rows: int = 0
    dropped: int = 0
    repeated: int = 0
    stroke_volume_ml: float | None = None
    made_up: frozenset[str] = frozenset()
    judged: bool = False
    remarks: list[Remark] = field(default_factory=list)
    refused: LogRefused | None = None
    line_of_row: Callable[[int], int] | None = None
    _places: NDArray[np.int64] | None = None

    def line(self, row: int) -> int:
        """File line of the row-th row (0-based) as the frame stands now, 0 where it is not known."""
        if self.line_of_row is None:
            return 0
        return self.line_of_row(row if self._places is None else int(self._places[row]))

    def rearranged(self, order: NDArray[np.int64]) -> None:
        """Remember that the frame's rows of this file are now those former ones, in this order."""
        self._places = order if self._places is None else self._places[order]

    def refuse(self, reason: str, line: int = 0) -> None:
        """Set the file aside; the first reason stands."""
        self.refused = self.refused or LogRefused(reason, line)
