"""The notes of `catchpot note` as forms: the same functions, the same checks, the same sentences."""

from __future__ import annotations

import secrets
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from catchpot import noting
from catchpot.core_tables import PART
from catchpot.errors import CatchpotError
from catchpot.events import CLOSED, KINDS
from catchpot.report.words import words_of

if TYPE_CHECKING:
    from catchpot.note_forms import NoteField
    from catchpot.run.apart import Form

MOST_TOLD = 50
PART_COLUMNS = tuple(c for c in PART.names if c not in ("shot", "remark"))
FIELD = "field-"
"""What stands before the name of a plugin's field, so that it is no field of ours."""
RECENT = 200
"""Shots offered to choose from, the newest first."""


@dataclass(frozen=True)
class Answer:
    """What came of a form. wrong: nothing was written."""

    lines: tuple[str, ...]
    wrong: bool = False


class Refusal(Exception):  # noqa: N818 - an answer, not a mistake of the program
    """A note that was not taken, with its sentences."""

    def __init__(self, told: Answer) -> None:
        super().__init__(*told.lines)
        self.told = told


@dataclass
class Notes:
    """Takes notes for a workshop.

    forms: those of plugins. told: what came of the last notes, by a key that only their writer has.
    """

    home: Path
    forms: Sequence[Form] = ()
    told: dict[str, Answer] = field(default_factory=dict)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def take(self, given: Mapping[str, str]) -> str:
        """Write a note; the key of what came of it. Refusal where it can't be meant.

        given: the form's fields; `what` says which form it was.
        """
        ways = {
            "event": self._event,
            "part": self._part,
            "close": self._close,
            "undo": self._undo,
            "form": self._by_form,
        }
        doing = ways.get(given.get("what", ""))
        if doing is None:
            raise Refusal(Answer(("There is no note of this kind. Nothing was written.",), True))
        clean = {k: " ".join(v.split()) for k, v in given.items()}
        try:
            with self.lock:
                made = doing(clean)
        except CatchpotError as error:
            raise Refusal(Answer(tuple(error.lines()), True)) from error
        key = secrets.token_urlsafe(12)
        # On a page a note is taken back by the button there.
        lines = [line for line in made.lines if "note --undo" not in line]
        self.told[key] = Answer((*lines, "The pages take it in with the next catchpot run."))
        for old in list(self.told)[:-MOST_TOLD]:
            del self.told[old]
        return key

    def content(self, subject: str, told: Answer | None, given: Mapping[str, str]) -> dict[str, Any]:
        """What the page of forms shows. given: the fields of a form that was refused."""
        from catchpot.workshop.notes import last_note

        k = self._known()
        open_now = k.findings.filter(k.findings["until"].is_null() & k.findings["severity"].is_in(["act", "watch"]))
        findings = [(r["anchor"], f"{r['mould'] or ''}: {words_of(r['kind'] or '')} ({r['anchor']})")
                    for r in open_now.iter_rows(named=True)]  # fmt: skip
        last = last_note(self.home)
        return {
            "subjects": [*sorted(k.workshop.book.moulds), *k.injectors, "workshop"],
            "kinds": [(name, words_of(name)) for name in KINDS if name != CLOSED],
            "shots": _recent(k),
            "columns": PART_COLUMNS,
            "findings": findings,
            "of_plugins": [
                (f.name, f.says, [(field, self._choices(k, field)) for field in f.fields]) for f in self.forms
            ],
            "last": {"rows": last[1], "id": last[0]} if last else None,
            "subject": subject,
            "told": told,
            "given": given,
        }

    def _known(self) -> noting.Known:
        from catchpot.workshop import open_with_last_good

        return noting.known(open_with_last_good(self.home))

    def _event(self, given: Mapping[str, str]) -> noting.Told:
        k = self._known()
        return noting.event(k, given.get("subject", ""), given.get("kind", ""), given.get("detail", "").split(),
                            _when(k, given), _never, given.get("by", ""))  # fmt: skip

    def _part(self, given: Mapping[str, str]) -> noting.Told:
        words = [w for c in PART_COLUMNS if given.get(c) for w in (c, given[c])]
        words += ["remark", given["remark"]] if given.get("remark") else []
        return noting.part(self._known(), given.get("shot", ""), words, _never)

    def _close(self, given: Mapping[str, str]) -> noting.Told:
        k = self._known()
        return noting.close(k, given.get("finding", ""), given.get("by"), given.get("because"), _when(k, given), _never)

    def _by_form(self, given: Mapping[str, str]) -> noting.Told:
        from catchpot.noting_by_form import by_form, chosen

        k = self._known()
        form = chosen(self.forms, given.get("form", ""), _never)
        filled = {f.name: given.get(f"{FIELD}{f.name}", "") for f in form.fields}
        return by_form(k, form, filled, _when(k, given), _never)

    @staticmethod
    def _choices(k: noting.Known, field: NoteField) -> Sequence[str]:
        """What a field can be filled with, where that is known."""
        if field.among == "shot":
            return _recent(k)
        return {"mould": sorted(k.workshop.book.moulds), "injector": k.injectors}.get(field.among, ())

    def _undo(self, given: Mapping[str, str]) -> noting.Told:
        from catchpot.workshop.notes import undo

        return noting.undone(*undo(self.home, only=given.get("note", "")))


def _recent(k: noting.Known) -> list[str]:
    return [s for s in k.shots["shot"].reverse().to_list() if s][:RECENT]


def _when(k: noting.Known, given: Mapping[str, str]) -> datetime:
    from catchpot.workshop.ledgers import parse_time

    at = given.get("at", "")
    if not at:
        return datetime.now(UTC)
    try:
        return parse_time(at, k.workshop.zone, k.workshop.settings.workshop.date_order)
    except ValueError:
        raise noting.WrongNoteError(
            f"expected a time like 2026-08-07 14:30, found {at!r}. Nothing was written."
        ) from None


def _never(question: str) -> bool:
    """A near miss is never taken for what was meant: the answer names it, and the form is sent again."""
    return False


__all__ = ["Answer", "Notes", "Refusal"]
