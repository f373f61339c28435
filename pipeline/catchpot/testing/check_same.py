"""Whether two deliveries of a table say the same, to a relative 1e-9 of each column's size."""

from __future__ import annotations

from typing import TYPE_CHECKING

from catchpot.tables import Table

if TYPE_CHECKING:
    import polars as pl

CLOSE = 1e-9


def difference(table: Table, a: pl.DataFrame, b: pl.DataFrame, close: float = CLOSE) -> str:
    """The first difference in words, empty where there is none; rows are compared by key, whatever their order."""
    keys = [k for k in table.key if k in a.columns]
    a, b = a.sort(keys), b.sort(keys)
    if not a.select(keys).equals(b.select(keys)):
        only = a.select(keys).join(b.select(keys), on=keys, how="anti", nulls_equal=True)
        other = b.select(keys).join(a.select(keys), on=keys, how="anti", nulls_equal=True)
        row = only.row(0) if only.height else other.row(0) if other.height else ()
        return f"table {table.name}: {a.height} rows against {b.height}, e.g. {row} in one of them only"
    for c in table.columns:
        if c.name not in a.columns:
            continue
        x, y = a[c.name], b[c.name]
        if c.length is not None:
            x, y = x.explode(empty_as_null=True), y.explode(empty_as_null=True)
        number = c.dtype == "f64" or c.length is not None
        if _apart(x, y, close) if number else not x.equals(y):
            return f"table {table.name}: column {c.name} differs"
    return ""


def _apart(x: pl.Series, y: pl.Series, close: float) -> bool:
    if x.len() != y.len() or not x.is_null().equals(y.is_null()):
        return True
    x, y = x.drop_nulls(), y.drop_nulls()
    if x.is_empty():
        return False
    sizes = [abs(v) for v in (x.min(), x.max()) if isinstance(v, float)]
    worst = (x - y).abs().max()
    return not (isinstance(worst, float) and worst <= close * max(sizes))
