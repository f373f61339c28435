"""Whether what a plugin registers has the shape the contract asks for; sentences about what has not."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

from catchpot.note_forms import MOST_FIELDS, NoteField
from catchpot.tables import Table

_WORD = re.compile(r"[a-z][a-z0-9_]*")
PARTS = ("shot", "mould", "workshop")


def _missing(item: object, names: tuple[str, ...]) -> list[str]:
    return [f"it has no {n}" for n in names if not hasattr(item, n)]


def _is_needs(value: object) -> bool:
    return isinstance(value, Mapping) and all(
        isinstance(t, str) and isinstance(c, tuple) and all(isinstance(x, str) for x in c) for t, c in value.items()
    )


def reader_faults(item: Any) -> list[str]:
    """What keeps this from being a reader."""
    missing = _missing(item, ("name", "claims", "describe", "settings"))
    if missing:
        return missing
    faults = [f"its {n} can't be called" for n in ("claims", "describe", "settings") if not callable(getattr(item, n))]
    if not (isinstance(item.name, str) and item.name):
        faults.append("its name is no text")
    if not isinstance(getattr(item, "order", 0), int):
        faults.append("its order is no whole number")
    return faults


def section_faults(item: Any) -> list[str]:
    """What keeps this from being a section."""
    missing = _missing(item, ("name", "title", "order", "analyses", "needs", "cells", "panel", "pages"))
    if missing:
        return missing
    return [] if _is_needs(item.needs) else ["needs is no mapping of table names to tuples of column names"]


def note_faults(item: Any) -> list[str]:
    """What keeps this from being a form of `note`."""
    missing = _missing(item, ("name", "says", "fields", "notes"))
    if missing:
        return missing
    faults = []
    if not (isinstance(item.name, str) and _WORD.fullmatch(item.name)):
        faults.append("its name is no word of small letters, digits and underscores")
    if not (isinstance(item.says, str) and item.says.strip()):
        faults.append("it does not say what it is for (says)")
    if not callable(item.notes):
        faults.append("its notes can't be called")
    if not isinstance(item.fields, tuple) or not all(isinstance(f, NoteField) for f in item.fields):
        return [*faults, "fields is no tuple of NoteField"]
    names = [f.name for f in item.fields]
    if not 0 < len(names) <= MOST_FIELDS:
        faults.append(f"it has {len(names)} fields; 1 to {MOST_FIELDS} can be filled in")
    faults += [
        f"field {n!r} is no word of small letters, digits and underscores" for n in names if not _WORD.fullmatch(n)
    ]
    faults += [f"field {n} stands twice" for n in sorted({n for n in names if names.count(n) > 1})]
    return faults


def analysis_faults(item: Any) -> list[str]:
    """What keeps this from being an analysis."""
    names = ("name", "part", "causal", "needs", "optional", "yields", "params", "compute")
    return _missing(item, names) or list(_analysis_faults(item))


def _analysis_faults(item: Any) -> Iterator[str]:
    from pydantic import BaseModel

    if not (isinstance(item.name, str) and item.name):
        yield "its name is no text"
    if item.part not in PARTS:
        yield f"part is {item.part!r}, not one of {', '.join(PARTS)}"
        return
    for which in ("needs", "optional"):
        if not _is_needs(getattr(item, which)):
            yield f"{which} is no mapping of table names to tuples of column names"
    if not (isinstance(item.params, type) and issubclass(item.params, BaseModel)):
        yield "params is no pydantic model"
    elif item.params is BaseModel:
        yield "params is pydantic's BaseModel itself; a model of its own is needed, which may be empty"
    if not isinstance(item.yields, tuple) or not all(isinstance(t, Table) for t in item.yields):
        yield "yields is no tuple of tables"
        return
    for table in item.yields:
        if item.part != "workshop" and item.part not in table.names:
            yield f"table {table.name} of a {item.part} analysis has no `{item.part}` column to replace rows by"
        if table.shared and "analysis" not in table.names:
            yield f"shared table {table.name} has no `analysis` column, by which rows are told apart"
        if table.name == "refusal":
            yield "refusals are returned beside the tables, not as a table"
    if item.part != "shot" and "sample" in {**item.needs, **item.optional}:
        yield "only shot analyses may ask for samples; histories read `curve`"
