"""The checks of an analysis. Each yields complaints; a check that yields none is passed."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime, time
from typing import TYPE_CHECKING

from catchpot.analysis import Result, keeps
from catchpot.plugins.shapes import analysis_faults
from catchpot.run import deliver, job
from catchpot.run.execute import settings_of
from catchpot.run.graph import Step
from catchpot.store.results import dated
from catchpot.tables import Column, Table
from catchpot.testing.check_data import CheckData
from catchpot.testing.check_frames import Frames
from catchpot.testing.check_same import difference

if TYPE_CHECKING:
    import polars as pl

# Units that stand in names; a number without a unit must not carry one of them.
_UNIT_ENDINGS = (
    "_l", "_ml", "_m", "_mm", "_m2", "_m3", "_s", "_bar", "_mbar", "_pa_s", "_c", "_k", "_kg", "_g", "_n", "_kn",
    "_l_min", "_ml_min", "_pct", "_mbar_l_s",
)  # fmt: skip
# Counts and flags: their unit is said in the name's own word.
_COUNTS = {"", "0/1", "strokes", "shots", "samples"}


def unit_in_name(unit: str) -> str:
    """A unit as it stands in a name: "m2/(Pa s)" -> "m2_pa_s", "%" -> "pct", "1/m3" -> "per_m3", "1/s" -> "hz"."""
    text = {"1/s": "hz"}.get(unit, unit).lower().replace("deg c", "c").replace("%", "pct")
    text = re.sub(r"^1/", "per_", text)
    return re.sub(r"[^a-z0-9]+", "_", text).strip("_")


def declaration(step: Step, data: CheckData) -> Iterator[str]:
    """Shape of the analysis; a doc and a fitting unit for every column."""
    yield from analysis_faults(step.analysis)
    for table in step.analysis.yields:
        for c in table.columns:
            yield from (f"column {table.name}.{c.name}: {w}" for w in _column(c))
        for k in table.key:
            if table.column(k).dtype in ("f64",) or table.column(k).length is not None:
                yield f"table {table.name}: key {k} is no exact value"


def _column(c: Column) -> Iterator[str]:
    if not c.doc.strip():
        yield "it has no doc"
    number = c.dtype == "f64" or c.length is not None
    if c.unit and not number and c.unit not in _COUNTS:
        yield f"it is {c.dtype} and has the unit {c.unit}"
    if number and c.unit not in _COUNTS and f"_{unit_in_name(c.unit)}" not in f"_{c.name}":
        yield f"its unit {c.unit} does not stand in its name (_{unit_in_name(c.unit)})"
    if number and not c.unit and c.name.endswith(_UNIT_ENDINGS):
        yield "its name ends in a unit, and it has none"


def computes(step: Step, data: CheckData) -> Iterator[str]:
    """It computes over the made-up workshop from just what it asked for, and delivers what it promised."""
    if step.name in data.failures:
        yield f"failed on the made-up workshop: {data.failures[step.name]}"
    elif all(data.frames.table(t.name).is_empty() for t in step.analysis.yields):
        refused = data.compute(step, data.units(step)).refused
        # A history may refuse the whole workshop; of sound shots something can be said.
        if step.analysis.part == "shot" or not refused:
            yield "gave neither a row nor a refusal on the made-up workshop"
    else:
        yield from unsaid(step, data, data.frames)


def unsaid(step: Step, data: CheckData, frames: Frames) -> Iterator[str]:
    """Nulls without a reason."""
    result = data.compute(step, data.units(step, frames), frames)
    yield from deliver.unreasoned(step.analysis, result, {t: result.tables[t.name] for t in step.analysis.yields})


def honours_needs(step: Step, data: CheckData) -> Iterator[str]:
    """The answer doesn't depend on what it did not ask for: with more columns and tables beside, it is the same."""
    units = data.units(step)
    params = settings_of(data.workshop, step)
    given = job.build(data.frames, step, units, data.plan.declared, data.workshop.book, params)
    asked = {**step.reads, **{n: t.names for n, t in data.plan.declared.items() if n not in ("refusal", "quarantine")}}
    if step.analysis.part != "shot":
        asked.pop("sample", None)
    # More columns of what it asked for, and tables that it did not ask for.
    more = job.build(data.frames, replace(step, reads=asked), units, data.plan.declared, data.workshop.book, params)
    yield from _compared(
        step, data, step.analysis.compute(given), step.analysis.compute(more), "with more at hand than it asked for"
    )


def twice_the_same(step: Step, data: CheckData) -> Iterator[str]:
    """The same job gives the same answer, to the last digit, and its frames are left as they were."""
    params = settings_of(data.workshop, step)
    the_job = job.build(data.frames, step, data.units(step), data.plan.declared, data.workshop.book, params)
    before = {n: f.clone() for n, f in the_job.tables.items()}
    first = step.analysis.compute(the_job)
    changed = [n for n, f in the_job.tables.items() if not f.equals(before[n])]
    yield from (f"it changed the table {n} it was given" for n in changed)
    second = step.analysis.compute(replace(the_job, tables=before))
    yield from _compared(step, data, first, second, "computed twice", close=0.0)
    if list(first.refused) != list(second.refused):
        yield "computed twice, it refused differently"


def batch_and_parts(step: Step, data: CheckData) -> Iterator[str]:
    """Units computed together and apart give the same rows and refusals."""
    units = data.units(step)
    if step.analysis.part == "workshop" or len(units) < 2:
        return
    whole = data.compute(step, units)
    third = max(1, len(units) // 3) if step.analysis.part == "shot" else 1
    pieces = [data.compute(step, units[i : i + third]) for i in range(0, len(units), third)]
    if step.analysis.part == "shot":
        pieces_of_one = [data.compute(step, [u]) for u in units[:2]]
        two = data.compute(step, units[:2])
        yield from _compared(step, data, two, _joined(step, pieces_of_one), "two shots together and each alone")
    joined = _joined(step, pieces)
    yield from _compared(step, data, whole, joined, "together and in parts")
    if {(r.unit, r.what) for r in whole.refused} != {(r.unit, r.what) for r in joined.refused}:
        yield "together and in parts, it refused differently"


def causal(step: Step, data: CheckData) -> Iterator[str]:
    """What was said of the past stays said: rows as of an earlier day are found unchanged in the later answer."""
    if not step.analysis.causal or step.analysis.part == "shot":
        return
    units = data.units(step)
    zone = data.workshop.zone
    days = data.frames.table("shot")["started_at"].drop_nulls().dt.convert_time_zone(zone.key).dt.date().unique().sort()
    later = data.compute(step, units)
    for share in (0.35, 0.7):
        # The end of a day: a row keyed by a day is only whole when its day is over.
        until = datetime.combine(days[int(share * (days.len() - 1))], time.max, zone).astimezone(UTC)
        earlier = data.compute(step, units, until=until)
        for table in step.analysis.yields:
            now = _known(table, later.tables[table.name], data, until)
            then = earlier.tables[table.name]
            wrong = difference(table, then, now)
            if wrong:
                yield f"it is declared causal, yet later shots changed what was said until {until:%Y-%m-%d}: {wrong}"
                return


def adds_up(step: Step, data: CheckData) -> Iterator[str]:
    """What is kept gives the same: a history gone on with after some shots, and one worked through as a whole."""
    import polars as pl

    kind = keeps(step.analysis)
    if kind == "worked_out":
        yield from _worked_out(step, data)
    elif kind not in ("", "added"):
        yield f"keeps is {kind!r}, neither 'added' nor 'worked_out'"
    if kind != "added":
        return
    if step.analysis.part != "mould" or not step.analysis.causal:
        yield "it says that later shots are added, and is not a causal history of moulds"
        return
    params = settings_of(data.workshop, step)
    for unit in data.units(step):
        shots = data.frames.table("shot").filter(pl.col("mould") == unit).drop_nulls("started_at")
        shots = shots.sort("started_at", "shot")
        whole = data.compute(step, [unit])
        for share in (0.5, 0.8, 1.0):
            until = shots["started_at"][int(share * (shots.height - 1))]
            kept = data.compute(step, [unit], until=until).kept
            if kept is None or kept.shots >= shots.height:
                continue
            given = job.build(data.frames, step, [unit], data.plan.declared, data.workshop.book, params, kept=kept)
            more = step.analysis.compute(given)
            later, since = shots["shot"][kept.shots :].to_list(), shots["started_at"][kept.shots]
            for table in step.analysis.yields:
                frame = whole.tables[table.name]
                after = pl.col("shot").is_in(later) if "shot" in table.names else pl.col(dated(table)) >= since
                wrong = difference(table, frame.filter(after), more.tables[table.name])
                if wrong:
                    yield f"gone on with after {kept.shots} shots of {unit}, it says otherwise than at once: {wrong}"
                    return


def _worked_out(step: Step, data: CheckData) -> Iterator[str]:
    params = settings_of(data.workshop, step)
    starts = data.frames.table("shot")["started_at"].drop_nulls().sort()
    for unit in data.units(step):
        kept = data.compute(step, [unit], until=starts[starts.len() // 2]).kept
        given = job.build(data.frames, step, [unit], data.plan.declared, data.workshop.book, params, kept=kept)
        with_it = step.analysis.compute(given)
        what = f"with what it kept of half the shots of {unit}"
        yield from _compared(step, data, data.compute(step, [unit]), with_it, what)


def _known(table: Table, frame: pl.DataFrame, data: CheckData, until: datetime) -> pl.DataFrame:
    """The rows that concern the time until then: by their shot, else by a date in their key, else all."""
    import polars as pl

    if "shot" in table.names:
        early = data.frames.table("shot").filter(pl.col("started_at") <= until)["shot"].to_list()
        frame = frame.filter(pl.col("shot").is_in(early) | pl.col("shot").is_null())
    for k in table.key:
        if table.column(k).dtype == "datetime":
            frame = frame.filter(pl.col(k).is_null() | (pl.col(k) <= until))
        elif table.column(k).dtype == "date":
            frame = frame.filter(pl.col(k).is_null() | (pl.col(k) <= until.astimezone(data.workshop.zone).date()))
    return frame


def odd_shots(step: Step, data: CheckData) -> Iterator[str]:
    """Empty, short, gappy and constant shots, and no shots at all: no exception; what isn't given is refused."""
    frames, failures = data.odd
    if step.name in failures:
        yield f"failed on odd shots together: {failures[step.name]}"
        for unit in data.units(step, frames) if step.analysis.part == "shot" else ():
            try:
                data.compute(step, [unit], frames)
            except Exception as error:
                yield f"failed on a shot with {unit}: {type(error).__name__}: {error}"
        return
    units = data.units(step, frames)
    if step.analysis.part == "shot":
        yield from _silent(step, data.compute(step, units, frames), units)
    yield from unsaid(step, data, frames)
    for label, few in (("one shot", 1), ("two shots", 2), ("no shot", 0)):
        little, raised = data.first(few)
        if step.name in raised:
            yield f"failed on a workshop with {label}: {raised[step.name]}"
        if few == 0 and step.analysis.part != "shot":
            try:
                data.compute(step, sorted(data.workshop.book.moulds)[:1], little)
            except Exception as error:
                yield f"failed on a mould without shots: {type(error).__name__}: {error}"


def _silent(step: Step, result: Result, units: Sequence[str]) -> Iterator[str]:
    """Shots of which nothing was said: no number, and no refusal."""
    import polars as pl

    said = {r.unit for r in result.refused}
    if all(table.shared for table in step.analysis.yields):
        return  # findings alone: a shot with nothing to find has none
    for table in step.analysis.yields:
        frame = result.tables[table.name]
        numbers = [c.name for c in table.columns if c.dtype == "f64" and c.name not in table.key]
        if numbers:
            said |= set(frame.filter(pl.any_horizontal(pl.col(n).is_not_null() for n in numbers))["shot"])
    silent = [u for u in units if u not in said]
    if silent:
        yield f"says nothing of a shot with {', '.join(silent)}: neither a number nor a refusal"


def _joined(step: Step, pieces: Sequence[Result]) -> Result:
    import polars as pl

    tables = {t.name: pl.concat([p.tables[t.name] for p in pieces]) for t in step.analysis.yields}
    return Result(tables, [r for p in pieces for r in p.refused])


def _compared(
    step: Step, data: CheckData, a: Result, b: Result, label: str, close: float | None = None
) -> Iterator[str]:
    for table in step.analysis.yields:
        wrong = difference(table, a.tables[table.name], b.tables[table.name], *(() if close is None else (close,)))
        if wrong:
            yield f"{label}: {wrong}"
