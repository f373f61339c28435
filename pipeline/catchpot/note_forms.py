"""Forms of `note` that plugins add: fields to fill in, and the rows of the ledgers that they come to.

A form only says what is to be noted. The core checks it as any other note, writes it, and can take it back.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Final, Literal, Protocol, runtime_checkable

if TYPE_CHECKING:
    from pydantic import BaseModel

MOST_FIELDS: Final = 20
"""A form with more is no note; the served pages take no more."""


@dataclass(frozen=True)
class NoteField:
    """A field of a form. name: as it is typed, with its unit. words: as it is read. hint: a sentence beside it.

    number: only a number is taken; `given` holds it with a decimal point. among: it names a mould, shot or injector
    of the workshop, and a near miss is asked about. needed: nothing is noted without it.
    """

    name: str
    words: str
    hint: str = ""
    number: bool = False
    among: Literal["", "mould", "shot", "injector"] = ""
    needed: bool = True


@dataclass(frozen=True)
class EventNote:
    """A row of events.csv. about: a mould, an injector where the kind is one of a meter, or "workshop".

    kind: one of `catchpot.events`. detail: as `catchpot note` takes it. at: None for the time of the note.
    """

    about: str
    kind: str
    detail: str = ""
    at: datetime | None = None


@dataclass(frozen=True)
class PartNote:
    """Cells of a shot's row of parts.csv, by column."""

    shot: str
    values: Mapping[str, str]


@runtime_checkable
class NoteForm(Protocol):
    """A form of `note`: `catchpot note --form NAME field value ...`, and a form where notes are served.

    name: small letters, digits and underscores. says: one line for the help.
    """

    name: str
    says: str
    fields: tuple[NoteField, ...]

    def notes(self, given: Mapping[str, str], settings: BaseModel | None) -> Sequence[EventNote | PartNote]:
        """What is to be noted: events, written all or none, or one part.

        given: the fields that were filled in. settings: the plugin's own (`register_settings`). CatchpotError with a
        sentence where it can't be meant; then nothing is written.
        """
        ...


__all__ = ["MOST_FIELDS", "EventNote", "NoteField", "NoteForm", "PartNote"]
