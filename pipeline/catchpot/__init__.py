"""catchpot: the memory and the judgement for vacuum-held closed-mould resin injection.

The public API for plugin writers: re-exports only, and nothing heavy. `__all__` is the one list of public names; the
guide (DEVELOPERS.md) shows each with its signature.
"""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from catchpot.analysis import Analysis, Job, Kept, Refused, Result
    from catchpot.api import Session, open_session
    from catchpot.core_tables import FINDING
    from catchpot.errors import CatchpotError
    from catchpot.findings import finding, findings_table
    from catchpot.hookspecs import hookimpl
    from catchpot.ingest.reader import (
        Finished,
        FinishedShot,
        FrameLayout,
        LogRefused,
        Reader,
        Remark,
        ShotFrame,
        ShotMeta,
        Source,
        TableLayout,
        TextLayout,
    )
    from catchpot.note_forms import EventNote, NoteField, NoteForm, PartNote
    from catchpot.outcome import RunOutcome
    from catchpot.output import emit, warn
    from catchpot.report.section import Cell, DataTable, Figure, Page, Panel, Prose, Section, View
    from catchpot.tables import Column, Table, empty, shape
    from catchpot.testing.check import check_plugin
    from catchpot.testing.check_data import made_up_data
    from catchpot.testing.check_reader import check_reader
    from catchpot.units import Conversion
    from catchpot.workshop import MouldBook, Workshop, init_workshop

__version__ = "0.1.0"

# Where each public name lives; it is imported when it is first asked for, so that a plugin costs nothing to load.
_HOMES = {
    "analysis": ("Analysis", "Job", "Kept", "Refused", "Result"),
    "tables": ("Column", "Table", "empty", "shape"),
    "hookspecs": ("hookimpl",),
    "core_tables": ("FINDING",),
    "findings": ("finding", "findings_table"),
    "report.section": ("Cell", "DataTable", "Figure", "Page", "Panel", "Prose", "Section", "View"),
    "ingest.reader": (
        "Finished", "FinishedShot", "FrameLayout", "LogRefused", "Reader", "Remark", "ShotFrame", "ShotMeta", "Source",
        "TableLayout", "TextLayout",
    ),
    "units": ("Conversion",),
    "api": ("Session", "open_session"),
    "outcome": ("RunOutcome",),
    "note_forms": ("EventNote", "NoteField", "NoteForm", "PartNote"),
    "output": ("emit", "warn"),
    "errors": ("CatchpotError",),
    "workshop": ("MouldBook", "Workshop", "init_workshop"),
    "testing.check": ("check_plugin",),
    "testing.check_data": ("made_up_data",),
    "testing.check_reader": ("check_reader",),
}  # fmt: skip
_PLACES = {name: home for home, names in _HOMES.items() for name in names}

__all__ = [
    "FINDING",
    "Analysis",
    "CatchpotError",
    "Cell",
    "Column",
    "Conversion",
    "DataTable",
    "EventNote",
    "Figure",
    "Finished",
    "FinishedShot",
    "FrameLayout",
    "Job",
    "Kept",
    "LogRefused",
    "MouldBook",
    "NoteField",
    "NoteForm",
    "Page",
    "Panel",
    "PartNote",
    "Prose",
    "Reader",
    "Refused",
    "Remark",
    "Result",
    "RunOutcome",
    "Section",
    "Session",
    "ShotFrame",
    "ShotMeta",
    "Source",
    "Table",
    "TableLayout",
    "TextLayout",
    "View",
    "Workshop",
    "__version__",
    "check_plugin",
    "check_reader",
    "emit",
    "empty",
    "finding",
    "findings_table",
    "hookimpl",
    "init_workshop",
    "made_up_data",
    "open_session",
    "shape",
    "warn",
]


if not TYPE_CHECKING:  # a type checker knows the names by their imports above, and no others

    def __getattr__(name: str) -> object:
        if name not in _PLACES:
            raise AttributeError(f"module 'catchpot' has no attribute {name!r}")
        from importlib import import_module

        found: object = getattr(import_module(f"catchpot.{_PLACES[name]}"), name)
        globals()[name] = found
        return found


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
