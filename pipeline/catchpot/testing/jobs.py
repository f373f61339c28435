"""Tables and jobs in memory, so that a study needs no disk."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

from catchpot.analysis import Analysis, Job, Result
from catchpot.core_tables import CORE_TABLES, LOG_NOTE
from catchpot.tables import Table, empty

if TYPE_CHECKING:
    import polars as pl
    from pydantic import BaseModel

    from catchpot.testing.simulate import MadeUp
    from catchpot.workshop import MouldBook

BATCH = 500


def core_tables(made: MadeUp) -> dict[str, pl.DataFrame]:
    """All core tables of a simulated workshop; phase, quality and curve come from the core's own reduction."""
    tables = {
        "shot": made.shot,
        "sample": made.sample,
        "log_note": empty(LOG_NOTE),
        "event": made.event,
        "part": made.part,
    }
    from catchpot.ingest.reduce import LogAnalysis

    return tables | dict(compute(LogAnalysis(), tables, made.book()).tables)


def job(
    analysis: Analysis,
    tables: Mapping[str, pl.DataFrame],
    book: MouldBook,
    units: Sequence[str],
    params: BaseModel | None = None,
    until: datetime | None = None,
    declared: Mapping[str, Table] | None = None,
) -> Job:
    """A job as the runner would hand it out: needed columns plus key, rows of these units.

    For part "mould" every table keyed by shot gets mould and started_at and is ordered by started_at, then shot.
    declared: declarations of tables that are not the core's; for needs of "*" all keyed by shot are handed over.
    """
    known = {t.name: t for t in CORE_TABLES} | dict(declared or {}) | {t.name: t for t in analysis.yields}
    needs: dict[str, tuple[str, ...]] = dict(analysis.needs)
    if "*" in needs:
        own = {t.name for t in analysis.yields}
        columns = needs.pop("*")
        needs |= {n: columns for n in tables if n in known and known[n].key == ("shot",) and n not in own | set(needs)}
    wanted = needs | {n: c for n, c in analysis.optional.items() if n in tables and n != "*"}
    handed = {
        n: _columns(analysis, tables[n], known.get(n), c, tables["shot"], units, until) for n, c in wanted.items()
    }
    return Job(
        tuple(units), handed, {n: known[n] for n in handed if n in known}, book, params or analysis.params(), until
    )


def _columns(
    analysis: Analysis,
    frame: pl.DataFrame,
    table: Table | None,
    columns: tuple[str, ...],
    shots: pl.DataFrame,
    units: Sequence[str],
    until: datetime | None,
) -> pl.DataFrame:
    import polars as pl

    key = table.key if table else ("shot",)
    by_shot = "shot" in frame.columns
    keep = list(frame.columns) if "*" in columns else [c for c in frame.columns if c in columns or c in key]
    made = frame.select(keep)
    if until is not None and by_shot:
        made = made.join(shots.filter(pl.col("started_at") <= until).select("shot"), on="shot", how="semi")
    if analysis.part == "shot":
        return made.filter(pl.col("shot").is_in(list(units))) if by_shot else made
    if by_shot and table is not None and table.name != "finding":
        about = shots.select([c for c in ("shot", "mould", "started_at") if c == "shot" or c not in keep])
        made = made.join(about, on="shot", how="left") if about.width > 1 else made
        order = ["started_at", "shot", *(["t_s"] if "t_s" in made.columns else [])]
        made = made.sort(order, maintain_order=True)
    if analysis.part == "mould" and "mould" in made.columns:
        made = made.filter(pl.col("mould").is_in(list(units)) | pl.col("mould").is_null())
    return made


def compute(
    analysis: Analysis,
    tables: Mapping[str, pl.DataFrame],
    book: MouldBook,
    params: BaseModel | None = None,
    declared: Mapping[str, Table] | None = None,
    units: Sequence[str] | None = None,
    until: datetime | None = None,
) -> Result:
    """Run an analysis over all shots, moulds or the workshop, in batches of 500 shots; results are put together."""
    import polars as pl

    if units is None:
        shot = tables["shot"]
        units = {
            "shot": shot["shot"].to_list(),
            "mould": shot["mould"].drop_nulls().unique().sort().to_list(),
            "workshop": ["workshop"],
        }[analysis.part]
    size = BATCH if analysis.part == "shot" else max(len(units), 1)
    parts = [
        analysis.compute(job(analysis, tables, book, units[i : i + size], params, until, declared))
        for i in range(0, len(units), size)
    ]
    names: dict[str, Any] = {t.name: t for t in analysis.yields}
    return Result({n: pl.concat([p.tables[n] for p in parts]) for n in names}, [r for p in parts for r in p.refused])
