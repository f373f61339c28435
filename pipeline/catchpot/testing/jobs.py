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
    return reduced(made.shot, made.sample, made.event, made.part, made.book())


def reduced(
    shot: pl.DataFrame, sample: pl.DataFrame, event: pl.DataFrame, part: pl.DataFrame, book: MouldBook
) -> dict[str, pl.DataFrame]:
    """These tables, log_note, and by the core's own reduction phase, quality and curve.

    Where strokes were counted, flow and volume come from them, as the intake would have it.
    """
    from catchpot.ingest.reduce import LogAnalysis

    tables = {"shot": shot, "sample": _counted(shot, sample), "log_note": empty(LOG_NOTE), "event": event, "part": part}
    return tables | dict(compute(LogAnalysis(), tables, book).tables)


def _counted(shot: pl.DataFrame, sample: pl.DataFrame) -> pl.DataFrame:
    """Flow and volume from the strokes of shots that logged those instead."""
    import polars as pl

    from catchpot.ingest.strokes import from_strokes

    strokes = dict(shot.filter(pl.col("stroke_volume_ml").is_not_null()).select("shot", "stroke_volume_ml").iter_rows())
    if not strokes:
        return sample
    frames = []
    for (name,), rows in sample.group_by("shot", maintain_order=True):
        if name in strokes and rows["flow_l_min"].null_count() == rows.height:
            count = rows["pump_strokes"].to_numpy()
            flow, volume, _ = from_strokes(rows["t_s"].to_numpy(), count, float(strokes[name]))
            rows = rows.with_columns(flow_l_min=pl.Series(flow), vol_l=pl.Series(volume.round(4)))
        frames.append(rows)
    return pl.concat(frames)


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
    declared: declarations of tables that are not the core's. A need of "*" gets the runner's own wide table over those
    of `tables` that hold measures and are not the analysis's own; leave non-causal tables out yourself.
    """
    from catchpot.run.graph import STAR, measures
    from catchpot.run.job import HISTORY
    from catchpot.run.star import wide

    known = {t.name: t for t in CORE_TABLES} | dict(declared or {}) | {t.name: t for t in analysis.yields}
    needs: dict[str, tuple[str, ...]] = {n: c for n, c in analysis.needs.items() if n != STAR}
    wanted = needs | {n: c for n, c in analysis.optional.items() if n in tables and n != STAR}
    handed = {
        n: _columns(analysis, tables[n], known.get(n), c, tables["shot"], units, until) for n, c in wanted.items()
    }
    given = {n: known[n] for n in handed if n in known}
    if STAR in analysis.needs:
        own = {t.name for t in analysis.yields}
        star = {n: measures(known[n]) for n in tables if n in known and n not in own}
        star = {n: c for n, c in star.items() if c}
        history = _columns(analysis, tables["shot"], known["shot"], HISTORY, tables["shot"], units, until)
        rows = {n: tables[n].select(*known[n].key, *c) for n, c in star.items()}
        handed[STAR], given[STAR] = wide(history, rows, star, known)
    return Job(tuple(units), handed, given, book, params or analysis.params(), until)


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


def filled(
    tables: Mapping[str, pl.DataFrame],
    book: MouldBook,
    moulds: Sequence[str] | None = None,
    until: datetime | None = None,
) -> Result:
    """Run `injection` over all shots, then `fill` over the moulds: tables injection, fill, permeability, own_curve.

    moulds: all by default. until: what started later is unknown to `fill`.
    """
    from catchpot_fill.analysis import FillAnalysis
    from catchpot_fill.injection_analysis import InjectionAnalysis

    first = compute(InjectionAnalysis(), tables, book)
    declared = {t.name: t for t in InjectionAnalysis.yields}
    then = compute(FillAnalysis(), {**tables, **first.tables}, book, declared=declared, units=moulds, until=until)
    return Result({**first.tables, **then.tables}, [*first.refused, *then.refused])
