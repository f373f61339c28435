"""The commands `note` and `history`: thin."""

from __future__ import annotations

import os
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from cyclopts import App, Parameter

from catchpot.output import confirm, emit, warn

if TYPE_CHECKING:
    from catchpot.noting import Known, Told

Json = Annotated[bool, Parameter(name="--json", negative=(), help="Print one JSON document instead of sentences.")]


def _home() -> Path:
    return Path(os.environ.get("CATCHPOT_HOME") or ".")


def _ask(question: str) -> bool:
    return confirm([], question) is True


def note(
    *words: Annotated[str, Parameter(allow_leading_hyphen=False)],
    shot: str | None = None,
    close: str | None = None,
    by: str | None = None,
    because: str | None = None,
    at: str | None = None,
    undo: bool = False,
    form: str | None = None,
    json: Json = False,
) -> int:
    """Write down what was done or measured: `note hatch-3 seal_replaced outer`.

    `note injector-1 meter_checked 2.06 2.00` (metered, true), `note tub-2 resin_at_vent 84`,
    `note --shot tub-2-0048 overflow_kg 0.14 verdict rework "dry corner"`,
    `note --close FINDING --by NAME --because TEXT`, `note --undo`.

    Parameters
    ----------
    words
        A mould (an injector, or `workshop`), the kind of event, and its detail; with --shot columns and values.
    shot
        Note measurements of this shot's part, into parts.csv.
    close
        Close this finding (`catchpot history MOULD` lists them).
    by
        Who closes it.
    because
        Why.
    at
        When it was, such as "2026-08-07 14:30"; now where none is given.
    undo
        Take the last note back.
    form
        Fill in this form of a plugin; the words are fields and values.
    """
    from catchpot import noting
    from catchpot.workshop import open_with_last_good
    from catchpot.workshop.ledgers import parse_time
    from catchpot.workshop.notes import undo as take_back

    if undo:
        told = noting.undone(*take_back(_home()))
    else:
        workshop = open_with_last_good(_home())
        warn(map(str, (*workshop.stale, *workshop.lacking)))
        try:
            when = (
                datetime.now(UTC)
                if at is None
                else parse_time(at, workshop.zone, workshop.settings.workshop.date_order)
            )
        except ValueError:
            raise noting.WrongNoteError(f"--at: expected a time like 2026-08-07 14:30, found {at!r}") from None
        k = noting.known(workshop)
        if form is not None:
            told = _by_form(k, form, words, when)
        elif close is not None:
            told = noting.close(k, close, by, because, when, _ask)
        elif shot is not None:
            told = noting.part(k, shot, words, _ask)
        elif len(words) >= 2:
            told = noting.event(k, words[0], words[1], words[2:], when, _ask, by or "")
        else:
            raise noting.WrongNoteError("say of what and what: note hatch-3 seal_replaced outer (catchpot note --help)")
    emit(told.data, told.lines, as_json=json)
    return 0


def _by_form(k: Known, name: str, words: Sequence[str], at: datetime) -> Told:
    from catchpot import noting_by_form
    from catchpot.plugins import load

    registry = load(k.workshop)
    warn(registry.warnings)
    form = noting_by_form.chosen(registry.guarded_notes, name, _ask)
    return noting_by_form.by_form(k, form, noting_by_form.from_words(form, words, _ask), at, _ask)


def tell_forms(app: App) -> None:
    """Put the forms of plugins into the help of `note`."""
    from catchpot.errors import CatchpotError
    from catchpot.noting_by_form import described
    from catchpot.plugins import load
    from catchpot.workshop import open_with_last_good

    try:
        registry = load(open_with_last_good(_home()), may_ask=False)
    except CatchpotError:
        return  # no workshop that opens: nothing can be noted here, and `note` says why
    app["note"].help_epilogue = described(registry.guarded_notes)


def history(mould: str, *, json: Json = False) -> int:
    """List what was found on a mould and what became of it: opened, answered, seen again, closed.

    Parameters
    ----------
    mould
        The mould, as in the mould book.
    """
    import polars as pl

    from catchpot import history as histories
    from catchpot import noting
    from catchpot.workshop import open_with_last_good

    k = noting.known(open_with_last_good(_home()))
    known = sorted({*k.workshop.book.moulds, *k.shots["mould"].drop_nulls()})
    if mould not in known:
        warn([f"no mould {mould!r}; there are {', '.join(known)}"])
        return 2
    events = k.workshop.events.filter(pl.col("mould").is_null() | (pl.col("mould") == mould))
    found = histories.entries(
        k.findings.filter(pl.col("mould") == mould), events, k.shots.filter(pl.col("mould") == mould)
    )
    matters = _matters(mould)
    zone = k.workshop.settings.workshop.time_zone
    own = events.filter(pl.col("mould") == mould)
    data = {"mould": mould, "matters": matters, "history": histories.as_data(found), "events": own.to_dicts()}
    lines = [*histories.matter_lines(matters, zone), *histories.lines(mould, found, own, zone)]
    emit(data, lines, as_json=json)
    return 0


def _matters(mould: str) -> list[dict[str, Any]]:
    """What is the matter with a mould, by what was noted up to now; empty where no plugin puts it together."""
    from catchpot.api import open_session

    session = open_session(_home())
    if mould not in session.workshop.book.moulds:
        return []
    owner = next((s.name for s in session.plan.steps if any(t.name == "matter" for t in s.analysis.yields)), None)
    if owner is None:
        return []
    rows: list[dict[str, Any]] = session.compute(owner, [mould]).tables["matter"].sort("rank").to_dicts()
    return rows


def register(app: App) -> None:
    """Add the commands."""
    app.command(note)
    app.command(history)
