"""From the fit to the tables: what is given, with which interval, and what is refused, for which reason."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

from catchpot.analysis import Refused

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass
class Refusals:
    """Collects refusals; a value is refused once, for the first reason that was found."""

    shots: Sequence[str]
    rows: dict[tuple[str, str], str] = field(default_factory=dict)

    def add(self, where: Flags, what: str | Sequence[str], reason: str) -> None:
        """Refuse value(s) of the shots where the flag stands."""
        names = (what,) if isinstance(what, str) else what
        for i in np.flatnonzero(where).tolist():
            for name in names:
                self.rows.setdefault((self.shots[i], name), reason)

    def each(self, where: Flags, what: str, reasons: Sequence[str]) -> None:
        """Refuse one value with a reason of each shot's own."""
        for i in np.flatnonzero(where).tolist():
            self.rows.setdefault((self.shots[i], what), reasons[i])

    def result(self) -> list[Refused]:
        """The rows, in the order in which they were found."""
        return [Refused(unit, what, reason) for (unit, what), reason in self.rows.items()]


def nullable(values: Array) -> pl.Series:
    """Floats with null where they are not finite."""
    return pl.Series(np.where(np.isfinite(values), values, np.nan), dtype=pl.Float64).fill_nan(None)


def nullable_rows(values: Array) -> pl.Series:
    """Rows of floats, (shots, width), as arrays of fixed length, null where not finite."""
    width = values.shape[1]
    if not len(values):
        return pl.Series([], dtype=pl.Array(pl.Float64, width))
    flat = pl.Series(np.where(np.isfinite(values), values, np.nan).reshape(-1), dtype=pl.Float64).fill_nan(None)
    return flat.reshape((len(values), width))
