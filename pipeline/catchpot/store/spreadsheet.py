"""A table as a spreadsheet (Office Open XML, ECMA-376): numbers as numbers, times as times, texts as texts."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import polars as pl

from catchpot.errors import CatchpotError

if TYPE_CHECKING:
    from xlsxwriter.worksheet import Worksheet

MOST_ROWS, MOST_TEXT = 1_048_575, 32_767
"""What a sheet and a cell hold at most (ECMA-376 leaves it to programs; these are the usual ones)."""
_MADE: Final = datetime(2000, 1, 1, tzinfo=UTC)


class SpreadsheetError(CatchpotError):
    """A table that no sheet holds."""

    status = 2


def write_spreadsheet(path: Path, name: str, frame: pl.DataFrame) -> None:
    """Write a frame as the only sheet of a file. Times are UTC; arrays stand as JSON lists; nothing for null.

    No cell is ever a formula or a link. The same frame gives the same file.
    """
    try:
        from xlsxwriter import Workbook
    except ImportError:
        raise SpreadsheetError("xlsx needs one more library: pip install 'catchpot[xlsx]'") from None
    if frame.height > MOST_ROWS:
        raise SpreadsheetError(
            f"a sheet holds {MOST_ROWS} rows, table {name} has {frame.height}: export it as csv or parquet, or a shot "
            "at a time with --shot"
        )
    options = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False,
               "constant_memory": True, "remove_timezone": True}  # fmt: skip
    with Workbook(str(path), options) as book:
        book.set_properties({"created": _MADE.replace(tzinfo=None)})
        sheet = book.add_worksheet(name[:31])
        bold = book.add_format({"bold": True})
        moment = book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"})
        for place, column in enumerate(frame.columns):
            sheet.write_string(0, place, column, bold)
        sheet.freeze_panes(1, 0)
        for line, row in enumerate(frame.iter_rows(), 1):
            for place, value in enumerate(row):
                if value is not None:
                    _write(sheet, line, place, value, moment, frame.columns[place])


def _write(sheet: Worksheet, line: int, place: int, value: Any, moment: Any, column: str) -> None:
    if isinstance(value, bool):
        sheet.write_boolean(line, place, value)
    elif isinstance(value, int | float):
        sheet.write_number(line, place, value)
    elif isinstance(value, datetime):
        sheet.write_datetime(line, place, value.replace(tzinfo=None), moment)
    else:
        text = json.dumps(value) if isinstance(value, list) else str(value)
        if len(text) > MOST_TEXT:
            raise SpreadsheetError(
                f"a cell holds {MOST_TEXT} characters, one of {column} has {len(text)}: export it as csv or json"
            )
        sheet.write_string(line, place, text)


__all__ = ["SpreadsheetError", "write_spreadsheet"]
