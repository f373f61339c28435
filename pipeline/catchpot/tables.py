"""One declaration of a table drives its DDL, its validation, its axis labels and its reference page.

A declaration is text only and imports no data-frame library, so that a plugin costs nothing to load.

>>> Table("t", ("shot",), (Column("shot", "str", "", "the shot"), Column("x_l", "f64", "l", "a volume"))).names
('shot', 'x_l')
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import polars as pl

_SCALARS = ("str", "f64", "i64", "bool", "datetime", "date")
_ARRAY = re.compile(r"^f64\[(\d+)\]$")


@dataclass(frozen=True)
class Column:
    """A column: its name (with the unit in it), type, unit, one line of doc, and the range a value may take.

    dtype: "str", "f64", "i64", "bool", "datetime" (UTC, microseconds), "date", or "f64[200]" (fixed length).
    unit: as people read it ("l", "mbar", "m2"); "" for text, counts and ratios.
    low, high: the closed range of possible values; None where there is no bound.
    label: words for an axis or a heading; the doc's start where it is empty.
    """

    name: str
    dtype: str
    unit: str
    doc: str
    low: float | None = None
    high: float | None = None
    label: str = ""

    def __post_init__(self) -> None:
        if self.dtype not in _SCALARS and not _ARRAY.match(self.dtype):
            raise ValueError(f"column {self.name}: dtype {self.dtype!r} is none of {', '.join(_SCALARS)}, f64[N]")

    @property
    def length(self) -> int | None:
        """Number of elements of an array column, None for a scalar one."""
        match = _ARRAY.match(self.dtype)
        return int(match.group(1)) if match else None

    @property
    def heading(self) -> str:
        """Label with unit, for axes and table headings."""
        words = self.label or re.split(r"[;:]| \(", self.doc)[0]
        return f"{words} [{self.unit}]" if self.unit else words


@dataclass(frozen=True)
class Table:
    """A table: its name, key columns and columns. shared: written by many analyses, each replaces only its own rows."""

    name: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    shared: bool = False
    doc: str = ""

    def __post_init__(self) -> None:
        names = self.names
        if len(set(names)) != len(names):
            raise ValueError(f"table {self.name}: a column stands twice")
        for key in self.key:
            if key not in names:
                raise ValueError(f"table {self.name}: key {key!r} is not a column")

    @property
    def names(self) -> tuple[str, ...]:
        """Column names in order."""
        return tuple(c.name for c in self.columns)

    def column(self, name: str) -> Column:
        """The column of that name; KeyError where there is none."""
        for c in self.columns:
            if c.name == name:
                return c
        raise KeyError(f"{self.name} has no column {name}")


def polars_schema(table: Table) -> dict[str, Any]:
    """Column name -> polars dtype, in order."""
    import polars as pl

    scalars = {
        "str": pl.String(),
        "f64": pl.Float64(),
        "i64": pl.Int64(),
        "bool": pl.Boolean(),
        "datetime": pl.Datetime("us", "UTC"),
        "date": pl.Date(),
    }
    return {
        c.name: pl.Array(pl.Float64(), c.length) if c.length is not None else scalars[c.dtype] for c in table.columns
    }


def empty(table: Table) -> pl.DataFrame:
    """A frame of that table without rows."""
    import polars as pl

    return pl.DataFrame(schema=polars_schema(table))


def shape(table: Table, columns: dict[str, Any]) -> pl.DataFrame:
    """A frame in the table's order and types; columns not given are null. Unknown names raise KeyError."""
    import polars as pl

    unknown = sorted(set(columns) - set(table.names))
    if unknown:
        raise KeyError(f"{table.name} has no column {', '.join(unknown)}")
    frame = pl.DataFrame(dict(columns.items()))
    schema = polars_schema(table)
    return frame.select(
        [(pl.col(n).cast(t) if n in columns else pl.lit(None, dtype=t)).alias(n) for n, t in schema.items()]
    )


def from_rows(table: Table, rows: Sequence[Mapping[str, Any]], *, whole: bool = False) -> pl.DataFrame:
    """A frame in the table's order and types from a mapping a row; without rows, an empty one.

    A column that a row does not hold is null, or with `whole` a KeyError. Other entries are left out.
    """
    if not rows:
        return empty(table)
    return shape(table, {n: [r[n] if whole else r.get(n) for r in rows] for n in table.names})


def violations(table: Table, frame: pl.DataFrame) -> Sequence[str]:
    """What is wrong with a delivered frame: columns, types, key, infinities, NaN, range. Empty when all is well."""

    schema = polars_schema(table)
    if list(frame.columns) != list(schema):
        missing = [n for n in schema if n not in frame.columns]
        extra = [n for n in frame.columns if n not in schema]
        return [f"promised columns {list(schema)}, delivered {frame.columns} (missing {missing}, extra {extra})"]
    found = [
        f"{name}: promised {dtype}, delivered {frame.schema[name]}"
        for name, dtype in schema.items()
        if frame.schema[name] != dtype
    ]
    if found or frame.is_empty():
        return found
    if frame.select(list(table.key)).is_duplicated().any():
        twice = frame.filter(frame.select(list(table.key)).is_duplicated()).select(list(table.key)).row(0)
        found.append(f"key {table.key} is not unique, e.g. {twice}")
    for c in table.columns:
        if not (c.dtype == "f64" or c.length is not None):
            continue
        values = frame[c.name].explode(empty_as_null=True) if c.length is not None else frame[c.name]
        values = values.drop_nulls()
        if values.is_empty():
            continue
        if not bool(values.is_finite().all()):
            found.append(f"{c.name}: holds NaN or infinity; an unknown value is null with a refusal")
            continue
        least, most = float(values.min()), float(values.max())  # type: ignore[arg-type]  # floats by the check above
        if c.low is not None and least < c.low:
            found.append(f"{c.name}: {least:g} lies below {c.low:g}")
        if c.high is not None and most > c.high:
            found.append(f"{c.name}: {most:g} lies above {c.high:g}")
    for k in table.key:
        column = table.column(k)
        if column.dtype == "str" and frame[k].null_count() and not table.shared:
            found.append(f"key {k} holds null")
    return found


__all__ = ["Column", "Table", "empty", "from_rows", "polars_schema", "shape", "violations"]
