"""The notes of `catchpot note` as forms: the same functions, the same checks, the same sentences."""

from __future__ import annotations

import secrets
import threading
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from catchpot import noting
from catchpot.core_tables import PART
from catchpot.errors import CatchpotError
from catchpot.events import CLOSED, KINDS
from catchpot.report.words import words_of

MOST_TOLD = 50
PART_COLUMNS = tuple(c for c in PART.names if c not in ("shot", "remark"))
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
    """Takes notes for a workshop. told: what came of the last ones, by a key that only their writer has."""

    home: Path
    told: dict[str, Answer] = field(default_factory=dict)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def take(self, given: Mapping[str, str]) -> str:
        """Write a note; the key of what came of it. Refusal where it can't be meant.

        given: the form's fields; `what` says which form it was.
        """
        ways = {"event": self._event, "part": self._part, "close": self._close, "undo": self._undo}
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
            "shots": [s for s in k.shots["shot"].reverse().to_list() if s][:RECENT],
            "columns": PART_COLUMNS,
            "findings": findings,
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

    def _undo(self, given: Mapping[str, str]) -> noting.Told:
        from catchpot.workshop.notes import undo

        return noting.undone(*undo(self.home, only=given.get("note", "")))


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
