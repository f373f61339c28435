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
class Kept:
    """What an analysis of a history keeps between runs, so that what comes is added and the rest is not worked anew.

    shots: how many of the mould's shots, in the order of the job, are behind it. state: the analysis's own; it is given
    back to the same code with the same settings only. `catchpot.keeping` writes and reads such states.
    """

    shots: int
    state: bytes


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
    kept: what the analysis kept of the same part before, see `Analysis`; None where there is nothing that still holds.
    """

    units: tuple[str, ...]
    tables: Mapping[str, pl.DataFrame]
    declared: Mapping[str, Table]
    book: MouldBook
    params: BaseModel
    until: datetime | None = None
    kept: Kept | None = None


@dataclass(frozen=True)
class Result:
    """The yielded tables (exactly the declared columns) and what was refused. kept: what to give back next time."""

    tables: Mapping[str, pl.DataFrame]
    refused: Sequence[Refused] = field(default=())
    kept: Kept | None = None


@runtime_checkable
class Analysis(Protocol):
    """A named computation from tables to tables.

    part: what is recomputed as a whole; the key of the rows is the table's own. A table yielded by a "mould" analysis
        has a `mould` column, one by a "shot" analysis a `shot` column: by it stale rows are replaced.
    causal: later shots never change a row.
    needs, optional: table -> columns. "*" means every table keyed by shot, own output and non-causal ones left out.

    An analysis may have an attribute `keeps` beside these. What it says never depends on whether it is given anything:
    - "added": part "mould" and causal. Given `job.kept`, the shot tables hold only the shots after the first
      `kept.shots`, and the result only their rows (by `shot`, else by a time in the table's key); refusals of the mould
      itself are all said again. It is given where nothing changed that can touch the earlier shots.
    - "worked_out": the tables are whole as ever, and `job.kept` may be of any earlier state of them: what is taken from
      it must be found by the content it was worked out from (`catchpot.keeping.Worked`).

    And an attribute `narrowed`: table without `shot` or `mould` -> a column that it has in common with `shot`; only
    rows whose value occurs among the job's shots are delivered, and only they make its parts stale. Beside it may stand
    `up_to_last`: such a table -> its column of time; then no row later than the last of the job's shots is delivered,
    or makes anything stale.
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


def keeps(analysis: Analysis) -> str:
    """What an analysis keeps: "added", "worked_out", or "" for nothing."""
    return str(getattr(analysis, "keeps", ""))


def narrowed(analysis: Analysis) -> Mapping[str, str]:
    """Tables of which an analysis gets only the rows that have a value in common with its shots: table -> column."""
    return getattr(analysis, "narrowed", {})


def up_to_last(analysis: Analysis) -> Mapping[str, str]:
    """Narrowed tables of which an analysis gets no row later than the last of its shots: table -> column of time."""
    return getattr(analysis, "up_to_last", {})


__all__ = ["Analysis", "Job", "Kept", "Refused", "Result", "keeps", "narrowed", "up_to_last"]
