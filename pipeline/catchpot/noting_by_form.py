"""Notes by a form of a plugin: what was filled in is checked, the form says what it comes to, and that is noted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from catchpot import noting
from catchpot.note_forms import EventNote, PartNote
from catchpot.noting import Ask, Known, Told, WrongNoteError, nearest
from catchpot.workshop.ledgers import parse_number

if TYPE_CHECKING:
    from catchpot.note_forms import NoteField
    from catchpot.run.apart import Form


def chosen(forms: Sequence[Form], name: str, ask: Ask) -> Form:
    """The form of that name; WrongNoteError where there is none."""
    if not forms:
        raise WrongNoteError(f"no form {name!r}: no plugin here adds one (catchpot plugins). Nothing was written.")
    meant = nearest(name, [f.name for f in forms], "form", ask)
    return next(f for f in forms if f.name == meant)


def from_words(form: Form, words: Sequence[str], ask: Ask) -> dict[str, str]:
    """Field, value, field, value ... as they are typed."""
    names = [f.name for f in form.fields]
    given: dict[str, str] = {}
    for i in range(0, len(words), 2):
        name = nearest(words[i].lower(), names, f"field of {form.name}", ask)
        if i + 1 == len(words):
            raise WrongNoteError(f"{name}: the value is missing. Nothing was written.")
        given[name] = words[i + 1]
    return given


def by_form(k: Known, form: Form, given: Mapping[str, str], at: datetime, ask: Ask) -> Told:
    """Note what a form comes to. given: its fields as they were filled in; an empty one counts as left out."""
    filled = {f.name: _value(k, f, given[f.name].strip(), ask) for f in form.fields if given.get(f.name, "").strip()}
    lacking = [f.name for f in form.fields if f.needed and f.name not in filled]
    if lacking:
        raise WrongNoteError(f"{form.name} needs {', '.join(lacking)}. Nothing was written.")
    made = form.notes(filled)
    events = [n for n in made if isinstance(n, EventNote)]
    parts = [n for n in made if isinstance(n, PartNote)]
    if not made:
        raise WrongNoteError(f"{form.name}: there is nothing to note in this. Nothing was written.")
    if len(parts) > 1 or (parts and events):
        # Two files can't be written all or none.
        raise WrongNoteError(f"the form {form.name} gave more than events, or one part. Nothing was written.")
    if events:
        return noting.events(k, events, at, ask)
    [part] = parts
    return noting.part(k, part.shot, [w for cell in part.values.items() for w in cell], ask)


def _value(k: Known, field: NoteField, text: str, ask: Ask) -> str:
    if field.number:
        try:
            return f"{parse_number(text, decimal_comma=True):.10g}"
        except ValueError:
            raise WrongNoteError(f"{field.name}: expected a number, found {text!r}. Nothing was written.") from None
    if not field.among:
        return " ".join(text.split())
    those = {"mould": sorted(k.workshop.book.moulds), "shot": k.shots["shot"].to_list(), "injector": k.injectors}
    return nearest(text, those[field.among], field.among, ask)


def described(forms: Sequence[Form]) -> str:
    """The forms for the help; empty without any."""
    if not forms:
        return ""
    rows = [f"- `note --form {f.name} {' '.join(_typed(x) for x in f.fields)}`: {f.says}" for f in forms]
    return "\n".join(["Forms of plugins:", "", *rows])


def _typed(field: NoteField) -> str:
    """A field as it is typed, in brackets where it may be left out."""
    text = f"{field.name} {field.among.upper() or ('NUMBER' if field.number else 'TEXT')}"
    return text if field.needed else f"[{text}]"


__all__ = ["by_form", "chosen", "described", "from_words"]
