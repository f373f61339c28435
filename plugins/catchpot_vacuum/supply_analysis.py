"""Moves of the vacuum held against the other moulds of one source (`vacuum_source` of the mould book). Glue."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from types import MappingProxyType
from typing import Any, Literal

import polars as pl
from pydantic import BaseModel, ConfigDict

from catchpot.analysis import Job, Refused, Result
from catchpot.report import words
from catchpot.tables import Table, from_rows
from catchpot_vacuum.supply import Move, Shared, shared
from catchpot_vacuum.tables import SUPPLY_CHANGE

Row = dict[str, Any]
CLAMP, CAVITY = "clamp_pressure_mbar", "cavity_pressure_mbar"
OPEN = {CLAMP: 0.5, CAVITY: 0.6}
"""Chance that a move is the supply's where no hold check tells: at the cavity fittings are what else there is."""
STIRS_MBAR = 10.0
UNNAMED = (
    "no mould of the mould book has a vacuum_source, so moves of a vacuum can't be held against the other moulds of its"
    " pump"
)
WORDS = {CLAMP: "clamp", CAVITY: "cavity"}


class SupplyParams(BaseModel):
    """Settings, `[analyses.vacuum_supply]`: none."""

    model_config = ConfigDict(extra="forbid")


class SupplyAnalysis:
    """The analysis `vacuum_supply`, over the workshop."""

    name = "vacuum_supply"
    part: Literal["shot", "mould", "workshop"] = "workshop"
    causal = False
    needs: Mapping[str, tuple[str, ...]] = MappingProxyType({
        "shot": ("mould", "started_at"),
        "clamp_change": (
            "shot", "changed_low_at", "changed_high_at", "last_at", "before_mbar", "after_mbar", "supply_chance",
        ),
    })  # fmt: skip
    optional: Mapping[str, tuple[str, ...]] = MappingProxyType({
        "drift": ("shot", "changed_low_at", "changed_high_at", "until", "before", "after"),
    })  # fmt: skip
    yields: tuple[Table, ...] = (SUPPLY_CHANGE,)
    params: type[BaseModel] = SupplyParams

    def compute(self, job: Job) -> Result:
        """Compute the workshop."""
        sources: dict[str, list[str]] = {}
        for name, entry in job.book.moulds.items():
            if entry.vacuum_source:
                sources.setdefault(entry.vacuum_source, []).append(name)
        refused = [] if sources else [Refused("workshop", self.name, UNNAMED)]
        known = job.tables["shot"].filter(pl.col("started_at").is_not_null())
        starts = {m: sorted(t["started_at"].to_list()) for (m,), t in known.group_by("mould")}
        rows: list[Row] = []
        for source, moulds in sorted(sources.items()):
            for measure in (CLAMP, CAVITY):
                moves = _moves(job, measure, moulds, starts)
                for row, move in moves:
                    others = [m for _, m in moves if m.mould != move.mould]
                    beside = [m for m in sorted(moulds) if m != move.mould and _shot_over(starts.get(m, []), move)]
                    if beside:
                        rows.append(row_of(source, measure, row, move, others, beside))
        return Result({SUPPLY_CHANGE.name: from_rows(SUPPLY_CHANGE, rows, whole=True)}, refused)


def _moves(job: Job, measure: str, moulds: list[str], starts: Mapping[str, list[datetime]]) -> list[tuple[Row, Move]]:
    """The moves of a measure of these moulds, oldest first, each with when it began and what its own holds say."""
    made = []
    for r in _rows(job, measure).filter(pl.col("mould").is_in(moulds)).sort("changed_at").iter_rows(named=True):
        last = r["last_at"] or max(starts.get(r["mould"], [r["changed_at"]]))
        change = r["after"] - r["before"]
        if abs(change) >= STIRS_MBAR:
            made.append((r, Move(r["mould"], r["changed_low_at"], r["changed_high_at"], last, change)))
    return made


def _rows(job: Job, measure: str) -> pl.DataFrame:
    clamp = job.tables["clamp_change"].rename({"before_mbar": "before", "after_mbar": "after"})
    if measure == CLAMP:
        return clamp
    if "drift" not in job.tables:
        return clamp.clear()
    own = job.tables["drift"].filter(pl.col("measure") == CAVITY)
    return own.with_columns(last_at="until", supply_chance=pl.lit(None, dtype=pl.Float64))


def _shot_over(starts: list[datetime], move: Move) -> bool:
    """Whether a mould was shot before a move and in its course."""
    return bool(starts) and starts[0] < move.low and any(move.high <= t <= move.until for t in starts)


def row_of(source: str, measure: str, row: Row, move: Move, others: list[Move], beside: list[str]) -> Row:
    """A row of supply_change."""
    by_holds = row["supply_chance"]
    found = shared(move, others, beside, OPEN[measure] if by_holds is None else by_holds)
    return {
        "source": source, "measure": measure, "mould": move.mould, "changed_at": row["changed_at"],
        "before_mbar": row["before"], "after_mbar": row["after"], "moved": len(found.moved),
        "compared": found.compared, "moulds": ", ".join(found.moved), "source_chance": found.common,
        "supply_chance": found.supply, "sentence": sentence(source, measure, found, beside),
    }  # fmt: skip


def sentence(source: str, measure: str, found: Shared, beside: list[str]) -> str:
    """What the other moulds of the source did meanwhile."""
    where = WORDS[measure]
    if found.moved:
        them = words.listed(list(found.moved))
        most = f" of {words.count(found.compared, 'other mould')}" if found.compared > len(found.moved) else ""
        return (
            f"At the same time the {where} pressure of {them}{most} on {source} moved the same way: look at the pump,"
            " its filter and oil and the main line first."
        )
    return (
        f"The {where} pressure of {words.listed(beside, 3)} on {source} did not move with it: it is not the pump"
        " itself, but what this mould has of its own (valve, hose, fittings, gauge or seals)."
    )


__all__ = ["SupplyAnalysis"]
