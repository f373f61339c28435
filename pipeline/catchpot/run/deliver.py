"""Checks what an analysis delivered against what it promised, and makes the rows that are stored."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import polars as pl

from catchpot.analysis import Analysis, Job, Refused, Result
from catchpot.core_tables import REFUSAL
from catchpot.tables import Table, polars_schema, violations


class DeliveryError(Exception):
    """An analysis delivered something else than it promised."""


def check(analysis: Analysis, plugin: str, job: Job, result: Result) -> dict[Table, pl.DataFrame]:
    """The delivered frames by table; DeliveryError names plugin, promised and delivered where they differ."""
    who = f"analysis {analysis.name} of plugin {plugin}"
    if not isinstance(result, Result):
        raise DeliveryError(f"{who}: promised a Result, delivered {type(result).__name__}")
    promised = {t.name for t in analysis.yields}
    if set(result.tables) != promised:
        raise DeliveryError(f"{who}: promised tables {sorted(promised)}, delivered {sorted(result.tables)}")
    frames: dict[Table, pl.DataFrame] = {}
    for table in analysis.yields:
        frame = result.tables[table.name]
        if not isinstance(frame, pl.DataFrame):
            raise DeliveryError(f"{who}: table {table.name}: promised a frame, delivered {type(frame).__name__}")
        wrong = list(violations(table, frame)) or _foreign(analysis, table, frame, job)
        if wrong:
            raise DeliveryError(f"{who}: table {table.name}: {'; '.join(wrong)}")
        frames[table] = frame
    for r in result.refused:
        if not isinstance(r, Refused) or not (r.unit and r.what and r.reason):
            raise DeliveryError(f"{who}: a refusal needs a unit, what is refused and a reason, delivered {r!r}")
        if analysis.part == "shot" and r.unit not in job.units:
            raise DeliveryError(f"{who}: refused {r.what} of {r.unit}, which is not among the shots it was given")
    return frames


def refuse_unreasoned(analysis: Analysis, plugin: str, result: Result, frames: Mapping[Table, pl.DataFrame]) -> None:
    """DeliveryError where rows of shots or moulds hold no number at all and nothing says why.

    The rule of the kit's checks; what can't be given is null and has a refusal.
    """
    if analysis.part == "workshop":
        return
    said = {r.unit for r in result.refused}
    for table, frame in frames.items():
        numbers = [c.name for c in table.columns if c.dtype == "f64" and c.name not in table.key]
        if not numbers or table.shared or analysis.part not in frame.columns:
            continue
        given = pl.any_horizontal(pl.col(n).is_not_null() for n in numbers)
        units = frame.group_by(analysis.part).agg(given.any().alias("given")).filter(~pl.col("given"))
        silent = sorted(set(units[analysis.part]) - said)
        if silent:
            shown = ", ".join(silent[:3]) + (f" and {len(silent) - 3} more" if len(silent) > 3 else "")
            who = f"analysis {analysis.name} of plugin {plugin}"
            raise DeliveryError(f"{who}: table {table.name}: no value for {shown}, and no refusal says why")


def refusals(analysis: Analysis, job: Job, result: Result) -> pl.DataFrame:
    """Rows of REFUSAL with `part`, the unit of the job they belong to; several reasons for one value are joined."""
    reasons: dict[tuple[str, str], list[str]] = {}
    for r in result.refused:
        said = reasons.setdefault((r.unit, r.what), [])
        if r.reason not in said:
            said.append(r.reason)
    rows = [
        (analysis.name, unit, what, "; ".join(said), unit if analysis.part == "shot" else job.units[0])
        for (unit, what), said in reasons.items()
    ]
    return pl.DataFrame(rows, schema=no_refusals().schema, orient="row")


def no_refusals() -> pl.DataFrame:
    """Rows of REFUSAL with `part`, none."""
    return pl.DataFrame(schema={**polars_schema(REFUSAL), "part": pl.String()})


def refused_whole(analysis: Analysis, result: Result) -> dict[str, str]:
    """Units for which the whole analysis was refused, with the reason."""
    return {r.unit: r.reason for r in result.refused if r.what == analysis.name}


def _foreign(analysis: Analysis, table: Table, frame: pl.DataFrame, job: Job) -> list[str]:
    """Rows of units that weren't asked for, which would never be replaced."""
    wrong = []
    if analysis.part != "workshop":
        wrong += _others(frame, analysis.part, job.units)
    if table.shared and "analysis" in table.names:
        wrong += _others(frame, "analysis", [analysis.name])
    return wrong


def _others(frame: pl.DataFrame, column: str, expected: Sequence[str]) -> list[str]:
    foreign = frame.filter(~pl.col(column).is_in(list(expected)).fill_null(False))
    if foreign.is_empty():
        return []
    return [
        f"promised rows whose `{column}` was asked for, delivered {foreign.height} others, e.g. {foreign[column][0]!r}"
    ]
