"""The checks of a form of `note`: whatever is filled in, it gives notes that there are, or refuses with a sentence."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Final

from catchpot.core_tables import PART
from catchpot.errors import CatchpotError
from catchpot.events import KINDS
from catchpot.note_forms import EventNote, NoteForm, PartNote
from catchpot.plugins.shapes import note_faults

if TYPE_CHECKING:
    from pydantic import BaseModel

NUMBERS: Final = ("1", "0", "-1", "0.001", "1e+09")
TEXTS: Final = ("a", "0", "-", "two words")
TRIES: Final = 5


def form(asked: NoteForm, settings: type[BaseModel] | None) -> Iterator[str]:
    """All checks of one form. settings: the model of the plugin's own, which are taken as they are without any."""
    yield from note_faults(asked)
    try:
        own = settings() if settings is not None else None
    except ValueError:
        return  # settings that must be given: what it makes of fields can't be tried without
    for given in _fillings(asked):
        shown = ", ".join(f"{k} {v}" for k, v in given.items())
        try:
            made = list(asked.notes(given, own))
        except CatchpotError as refused:
            if not str(refused).strip():
                yield f"it refuses without a sentence ({shown})"
            continue
        except Exception as error:
            yield f"it raised where it should refuse with CatchpotError: {type(error).__name__}: {error} ({shown})"
            return
        yield from (f"{wrong} ({shown})" for note in made if (wrong := _wrong(note)))


def _fillings(asked: NoteForm) -> Iterator[Mapping[str, str]]:
    """Fields filled in oddly: all, and only what is needed."""
    for fields in (asked.fields, [f for f in asked.fields if f.needed]):
        for i in range(TRIES):
            values = {True: NUMBERS, False: TEXTS}
            yield {f.name: values[f.number][(i + j) % len(values[f.number])] for j, f in enumerate(fields)}


def _wrong(note: object) -> str:
    if isinstance(note, EventNote):
        return "" if note.kind in KINDS else f"there is no kind of event {note.kind!r}"
    if isinstance(note, PartNote):
        strangers = [c for c in note.values if c not in PART.names or c == "shot"]
        return f"parts.csv has no column {strangers[0]!r} to note" if strangers else ""
    return f"it gave a {type(note).__name__}, where an EventNote or a PartNote is expected"


__all__ = ["form"]
