"""The reference of all tables, from their declarations."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from catchpot.report import words
from catchpot.report.blocks import Rows
from catchpot.tables import Column, Table

_TYPES = {
    "str": "text", "f64": "number", "i64": "whole number", "bool": "yes or no", "datetime": "time (UTC)", "date": "day",
}  # fmt: skip


def reference(declared: Mapping[str, Table]) -> list[dict[str, Any]]:
    """What the page of tables shows: name, doc, key, whether it is shared, and its columns as rows."""
    return [
        {"name": t.name, "doc": t.doc or t.name, "key": list(t.key), "shared": t.shared, "rows": _columns(t)}
        for t in sorted(declared.values(), key=lambda t: t.name)
    ]


def _columns(table: Table) -> Rows:
    rows = [[c.name, _type(c), words.pretty_unit(c.unit) or "–", _bounds(c), c.doc] for c in table.columns]
    return Rows(("column", "type", "unit", "range", "what it is"), (False,) * 5, rows)


def _type(column: Column) -> str:
    return f"{column.length} numbers" if column.length is not None else _TYPES[column.dtype]


def _bounds(column: Column) -> str:
    low, high = column.low, column.high
    if low is not None and high is not None:
        return f"{low:g} to {high:g}"
    if low is not None:
        return f"{low:g} and more"
    return f"up to {high:g}" if high is not None else "–"


__all__ = ["reference"]
