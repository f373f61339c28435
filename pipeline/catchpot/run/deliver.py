"""Checks what an analysis delivered against what it promised, and makes the rows that are stored."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from typing import Any

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
    """DeliveryError where something that can't be given is null and no refusal says why; see `unreasoned`."""
    silent = unreasoned(analysis, result, frames)
    if silent:
        raise DeliveryError(f"analysis {analysis.name} of plugin {plugin}: {silent[0]}")


def unreasoned(analysis: Analysis, result: Result, frames: Mapping[Table, pl.DataFrame]) -> list[str]:
    """Sentences about nulls that nothing explains, one a table and column.

    Rows of a shot or mould that hold no number at all need a refusal of it. An estimate, a number with a bound of its
    own beside it (`x_low_l` or `x_high_l` beside `x_l`), that is null needs one of the analysis, the value or what
    the row is about by its key, unless the column's doc says what a null in it means.
    """
    said: dict[str, set[str]] = {}
    for r in result.refused:
        said.setdefault(r.unit, set()).add(r.what)
    found = []
    for table, frame in frames.items():
        if frame.is_empty() or table.shared:
            continue
        silent = _without_any(analysis, table, frame, said)
        if silent:
            found.append(f"table {table.name}: no value for {_few(silent)}, and no refusal says why")
            continue
        for column in estimates(table):
            rows = frame.filter(pl.col(column).is_null())
            units = [
                _unit(table, row) for row in rows.iter_rows(named=True) if not _told(analysis, table, column, row, said)
            ]
            if units:
                found.append(
                    f"table {table.name}: {column} of {_few(units)} is null and no refusal says why "
                    f"(Refused({units[0]!r}, '{table.name}.{column}', ...))"
                )
    return found


def estimates(table: Table) -> list[str]:
    """Columns that are estimates, and whose doc does not say what a null in them means.

    >>> from catchpot.tables import Column
    >>> names = ("shot", "str"), ("volume_l", "f64"), ("volume_low_l", "f64"), ("passes", "f64")
    >>> estimates(Table("t", ("shot",), tuple(Column(n, kind, "", n) for n, kind in names)))
    ['volume_l']
    """
    bounded = {
        "_".join(w for w in words if w not in ("low", "high", "absolute"))
        for words in (n.split("_") for n in table.names)
        if {"low", "high"} & set(words)
    }
    return [
        c.name for c in table.columns
        if c.name in bounded and c.dtype == "f64" and c.name not in table.key and not re.search(r"\bnull\b", c.doc)
    ]  # fmt: skip


def _without_any(
    analysis: Analysis, table: Table, frame: pl.DataFrame, said: Mapping[str, Collection[str]]
) -> list[str]:
    """Shots or moulds whose rows hold no number at all, unsaid."""
    numbers = [c.name for c in table.columns if c.dtype == "f64" and c.name not in table.key]
    if not numbers or analysis.part == "workshop" or analysis.part not in frame.columns:
        return []
    given = pl.any_horizontal(pl.col(n).is_not_null() for n in numbers)
    units = frame.group_by(analysis.part).agg(given.any().alias("given")).filter(~pl.col("given"))
    return sorted(set(units[analysis.part]) - set(said))


def _names(table: Table, row: Mapping[str, Any]) -> list[str]:
    """What the row is about: its shot and mould, and the texts in its key."""
    keys = [c for c in table.key if isinstance(row[c], str)]
    return [row[c] for c in dict.fromkeys(["shot", "mould", *keys]) if isinstance(row.get(c), str)]


def _unit(table: Table, row: Mapping[str, Any]) -> str:
    return next(iter(_names(table, row)), "workshop")


def _told(
    analysis: Analysis, table: Table, column: str, row: Mapping[str, Any], said: Mapping[str, Collection[str]]
) -> bool:
    """Whether a refusal says why this value of the row is null."""
    about = set(_names(table, row))
    for unit in (*about, "workshop"):
        for what in said.get(unit, ()):
            whole, _, rest = what.partition(".")
            if whole in (analysis.name, table.name) and (not rest or rest == column or about & {rest, *rest.split()}):
                return True
    return False


def _few(units: Sequence[str]) -> str:
    names = sorted(set(units))
    return ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")


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
