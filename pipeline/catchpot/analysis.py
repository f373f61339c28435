"""What an analysis plugin implements and receives: the whole contract, kept small.

An analysis is a pure function of its tables: no connection, no clock, no random number without a seed in its params.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Literal, Protocol, runtime_checkable

from catchpot.tables import Table

if TYPE_CHECKING:
    import polars as pl
    from pydantic import BaseModel

    from catchpot.workshop import MouldBook


@dataclass(frozen=True)
class Refused:
    """A value or a unit that is not given, and why.

    unit: the shot or the mould. what: "fill" for the whole analysis or "fill.arrival_volume_l" for one value.
    reason: a sentence for a shift leader.
    """

    unit: str
    what: str
    reason: str


@dataclass(frozen=True)
class Job:
    """All an analysis may look at.

    units: the shots (part "shot", up to 500), moulds (part "mould") or ("workshop",) to compute.
    tables: the needed and optional tables, only the asked columns plus the key; rows of these units only.
        For part "mould" every shot table carries a `mould` column and the rows come ordered by started_at, then shot.
        `sample` comes ordered by shot, t_s. An optional table that nobody provides is absent.
    declared: the declaration of each delivered table.
    book: the mould book; `book.for_shots(shot_frame)` gives one row of book values a shot, changes by date applied.
    params: this analysis's settings, validated.
    until: only what was known at this time is in the tables; None for everything.
    """

    units: tuple[str, ...]
    tables: Mapping[str, pl.DataFrame]
    declared: Mapping[str, Table]
    book: MouldBook
    params: BaseModel
    until: datetime | None = None


@dataclass(frozen=True)
class Result:
    """The yielded tables (exactly the declared columns) and what was refused."""

    tables: Mapping[str, pl.DataFrame]
    refused: Sequence[Refused] = field(default=())


@runtime_checkable
class Analysis(Protocol):
    """A named computation from tables to tables.

    part: what is recomputed as a whole; the key of the rows is the table's own. A table yielded by a "mould" analysis
        has a `mould` column, one by a "shot" analysis a `shot` column: by it stale rows are replaced.
    causal: later shots never change a row.
    needs, optional: table -> columns. "*" means every table keyed by shot, own output and non-causal ones left out.
    """

    name: str
    part: Literal["shot", "mould", "workshop"]
    causal: bool
    needs: Mapping[str, tuple[str, ...]]
    optional: Mapping[str, tuple[str, ...]]
    yields: tuple[Table, ...]
    params: type[BaseModel]

    def compute(self, job: Job) -> Result:
        """Compute all units of the job at once."""
        ...


__all__ = ["Analysis", "Job", "Refused", "Result"]
