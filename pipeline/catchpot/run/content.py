"""What a workshop's analysis has given, as each mould that reads some of its rows gets it: one digest a mould."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING

import polars as pl

from catchpot.analysis import narrowed, up_to_last
from catchpot.keeping import fingerprint
from catchpot.run.staleness import content_group, digest

if TYPE_CHECKING:
    from catchpot.run.graph import Step
    from catchpot.run.staleness import Inputs


def contents(table: str, frame: pl.DataFrame, readers: Sequence[Step], inputs: Inputs) -> dict[str, str]:
    """Digests of what each mould of the analyses that narrow a workshop's table gets of it, by name in the ledger."""
    found: dict[str, str] = {}
    for step in readers:
        column, dated = narrowed(step.analysis)[table], up_to_last(step.analysis).get(table)
        asked = step.reads[table]
        kept = list(dict.fromkeys(asked)) if "*" not in asked else frame.columns
        by_value = frame.partition_by(column, as_dict=True, maintain_order=True)
        apart = {str(v): _Begins(rows, kept, dated) for (v,), rows in by_value.items()}
        nothing = _Begins(frame.clear(), kept, dated)
        for mould, starts in inputs.starts.items():
            values = sorted(inputs.values(column).get(mould, ()))
            said = [apart.get(value, nothing).up_to(starts[-1]) for value in values]
            found[content_group(step.name, table, mould)] = digest(*said)
    return found


class _Begins:
    """Digests of a frame's rows up to a time, each without going through all of them again.

    Rows are digested in blocks, each block's digest over the one before, so that every beginning is some blocks and a
    piece of one.
    """

    ROWS = 256

    def __init__(self, rows: pl.DataFrame, kept: Sequence[str], dated: str | None) -> None:
        if dated is not None:
            rows = rows.filter(pl.col(dated).is_not_null()).sort(dated, maintain_order=True)
        self.times = rows[dated] if dated is not None else None
        self.rows = rows.select(kept)
        self.blocks = [""]
        self.made: dict[int, str] = {}

    def up_to(self, last: datetime) -> str:
        """The digest of the rows dated no later; of all where rows have no date."""
        n = self.rows.height if self.times is None else int(self.times.search_sorted(last, side="right"))
        if n not in self.made:
            whole = n // self.ROWS
            while len(self.blocks) <= whole:
                self.blocks.append(digest(self.blocks[-1], self._piece(len(self.blocks) * self.ROWS - self.ROWS)))
            rest = self._piece(whole * self.ROWS, n - whole * self.ROWS)
            self.made[n] = digest(self.blocks[whole], rest)
        return self.made[n]

    def _piece(self, begin: int, rows: int = ROWS) -> str:
        return fingerprint(self.rows.slice(begin, rows).rechunk())


__all__ = ["contents"]
