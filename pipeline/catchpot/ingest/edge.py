"""What is refused at the door because it can't be meant: starts out of all time."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from catchpot.dates import odd_start
from catchpot.ingest.reader import LogRefused

if TYPE_CHECKING:
    from catchpot.ingest.batch import Batch
    from catchpot.ingest.scan import Read


def refuse_odd_starts(batch: Batch, reads: Sequence[Read], now: datetime) -> None:
    """Take files out of a batch one of whose shots started before 1990 or after tomorrow: one wrong year would stretch
    every axis of time, and every month would be looked at that lies between."""
    odd: dict[str, LogRefused] = {}
    for c in batch.candidates:
        why = odd_start(c.meta.started_at, now) if c.meta.started_at is not None else None
        if why and c.found.name not in odd:
            odd[c.found.name] = LogRefused(
                f"{why}: mend it in the log (started_at, or its time stamps)", c.meta.start_line
            )
    if not odd:
        return
    by_name = {r.found.name: r for r in reads}
    batch.refused += [(by_name[name], why) for name, why in odd.items()]
    batch.rows_refused += sum(c.state.rows for c in batch.candidates if c.found.name in odd)
    batch.candidates = [c for c in batch.candidates if c.found.name not in odd]


__all__ = ["refuse_odd_starts"]
