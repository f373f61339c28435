"""Text from logs and ledgers on its way out: nothing in it may steer a terminal or a spreadsheet."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import polars as pl

# Control characters (ASCII and Latin-1), line and paragraph separators, marks that turn the reading direction
# (Unicode Standard Annex 9), and halves of characters.
_STEERING = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\u200e\u200f\ud800-\udfff]")
# A cell that begins so is a formula to spreadsheets (the usual list; common practice, no source).
_FORMULA = "^[=+\\-@\t\r\n]"


def shown(text: str) -> str:
    """A text on one line, with what steers a terminal written as an escape.

    >>> shown("a\\x1b[31mb\\nc")
    'a\\\\x1b[31mb\\\\nc'
    """
    return _STEERING.sub(lambda c: c[0].encode("unicode_escape").decode(), text)


def shown_json(document: str) -> str:
    """A JSON document with such characters as JSON escapes; what it says stays the same."""
    return _STEERING.sub(lambda c: c[0] if c[0] == "\n" else f"\\u{ord(c[0]):04x}", document)


def defused(frame: pl.DataFrame) -> pl.DataFrame:
    """A frame whose texts are text to a spreadsheet: a leading = + - @ gets an apostrophe, controls are escaped.

    >>> import polars as pl
    >>> defused(pl.DataFrame({"a": ["=1+1", "x", None], "b": [-1.0, 2.0, 3.0]})).to_dicts()[0]
    {'a': "'=1+1", 'b': -1.0}
    """
    import polars as pl

    texts = [name for name, dtype in frame.schema.items() if dtype == pl.String()]
    columns = []
    for name in texts:
        column = frame[name]
        if column.str.contains(_STEERING.pattern.replace("\ud800-\udfff", "")).any():
            column = pl.Series(name, [None if v is None else shown(v) for v in column], dtype=pl.String)
        columns.append(
            pl.when(column.str.contains(_FORMULA))
            .then(pl.concat_str(pl.lit("'"), column))
            .otherwise(column)
            .alias(name)
        )
    return frame.with_columns(columns)


_VARYING = re.compile(r"'[^']*'|\"[^\"]*\"|\d+")


def condensed(lines: list[str], most: int = 10) -> list[str]:
    """Lines of which more than `most` differ only in file, numbers and quoted words put together as one, in order.

    >>> condensed([f"logs/{i}.csv:{i}: bad row {i}" for i in range(4000)])
    ['logs/0.csv:0: bad row 0 (and 3999 more like it)']
    """
    groups: dict[str, list[int]] = {}
    for i, line in enumerate(lines):
        where, colon, rest = line.partition(": ")
        groups.setdefault(_VARYING.sub("#", rest if colon and " " not in where else line), []).append(i)
    said: dict[int, str] = {}
    for places in groups.values():
        if len(places) > most:
            said[places[0]] = f"{lines[places[0]]} (and {len(places) - 1} more like it)"
        else:
            said |= {i: lines[i] for i in places}
    return [said[i] for i in sorted(said)]


__all__ = ["condensed", "defused", "shown", "shown_json"]
