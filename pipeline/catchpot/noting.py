"""What people did and measured, as they say it: checked at once, written into the ledgers, told back with what it
answers."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from catchpot.answers import answers, closing, event_words
from catchpot.core_tables import PART
from catchpot.errors import CatchpotError
from catchpot.events import CLOSED, KINDS, THEN_WORDS, EventKind
from catchpot.workshop.ledgers import event_problems, parse_number, part_value
from catchpot.workshop.notes import Noted, add_events, set_part
from catchpot.workshop.problems import did_you_mean

if TYPE_CHECKING:
    import polars as pl

    from catchpot.note_forms import EventNote
    from catchpot.workshop import Workshop

Ask = Callable[[str], bool]
"""Asks whether a near miss is meant; False where it is not, or where there is nobody to ask."""
GAIN_USUAL: Final = (0.7, 1.4)
"""Metered over true volume that a meter may show; beyond it the two were swapped or mistyped (common practice)."""
TO_VENT_USUAL_S: Final = (3.0, 3600.0)


class WrongNoteError(CatchpotError):
    """A note that can't be meant; nothing was written."""

    status = 2


@dataclass(frozen=True)
class Known:
    """What notes are checked against. shots: shot, mould, started_at, injector. matters: finding anchors of each;
    mould_of: its mould."""

    workshop: Workshop
    shots: pl.DataFrame
    findings: pl.DataFrame
    matters: Mapping[str, Sequence[str]] = field(default_factory=dict)
    mould_of: Mapping[str, str] = field(default_factory=dict)

    @property
    def injectors(self) -> list[str]:
        """Injectors that logs name."""
        return sorted(self.shots["injector"].drop_nulls().unique().to_list())


@dataclass(frozen=True)
class Told:
    """What came of a note: sentences, and the same as data."""

    lines: list[str]
    data: dict[str, Any]


def known(workshop: Workshop) -> Known:
    """Read from the store what notes are checked against."""
    from catchpot.store import Store

    with Store(workshop.store_path).reading() as r:
        shots = r.table("shot", ["shot", "mould", "started_at", "injector"])
        findings = r.table("finding")
    return Known(workshop, shots.sort("started_at", "shot", nulls_last=True), findings, *_matters(workshop))


def _matters(workshop: Workshop) -> tuple[dict[str, list[str]], dict[str, str]]:
    """Anchors of the findings of each matter, and its mould; empty where no matter was put together yet."""
    from catchpot.store import Store

    with Store(workshop.store_path).reading() as r:
        mould_of = dict(r.table("matter", ["matter", "mould"]).iter_rows())
        rows = r.table("matter_line", ["matter", "anchor"])
    made: dict[str, list[str]] = {m: [] for m in mould_of}
    for matter, anchor in rows.iter_rows():
        if anchor:
            made.setdefault(matter, []).append(anchor)
    return made, mould_of


def nearest(word: str, those: Sequence[str], what: str, ask: Ask) -> str:
    """The word, or the near miss that is confirmed; WrongNoteError else."""
    if word in those:
        return word
    near = did_you_mean(word, those)
    meant = near.removeprefix(" (did you mean ").removesuffix("?)") if near else ""
    if meant and ask(f"There is no {what} {word!r}. Is {meant} meant?"):
        return meant
    listed = ", ".join(list(those)[:12]) or "none yet"
    raise WrongNoteError(f"no {what} {word!r}{near}; there are {listed}. Nothing was written.")


@dataclass(frozen=True)
class _Event:
    """An event that can be meant. about: what it is told of; mould: empty where it is of none."""

    at: datetime
    about: str
    mould: str
    kind: str
    detail: str


def event(k: Known, subject: str, kind: str, detail: Sequence[str], at: datetime, ask: Ask, by: str = "") -> Told:
    """Note an event of a mould, an injector or (subject "workshop") everything."""
    return _events_noted(k, [_meant(k, subject, kind, detail, at, ask, by)])


def events(k: Known, notes: Sequence[EventNote], at: datetime, ask: Ask) -> Told:
    """Note some events, all of them or none."""
    return _events_noted(k, [_meant(k, n.about, n.kind, n.detail.split(), n.at or at, ask) for n in notes])


def _meant(k: Known, subject: str, kind: str, detail: Sequence[str], at: datetime, ask: Ask, by: str = "") -> _Event:
    name = nearest(kind.lower().replace(" ", "_").replace("-", "_"), list(KINDS), "kind of event", ask)
    entry = KINDS[name]
    moulds = sorted(k.workshop.book.moulds)
    if entry.about == "injector":
        injector = nearest(subject, k.injectors, "injector in the logs", ask) if k.injectors else subject
        mould, text = "", _gain(injector, detail)
    else:
        mould = "" if subject == "workshop" and entry.about == "any" else nearest(subject, moulds, "mould", ask)
        text = _detail(k, entry, mould, detail, at, ask)
    text = f"{text} (noted by {by})" if by and name == "note" else text
    wrong = [message for _, message, fatal in event_problems(name, mould, text, moulds) if fatal]
    if wrong:
        raise WrongNoteError(f"{name}: {'; '.join(wrong)}. Nothing was written.")
    return _Event(at, mould or subject, mould, name, text)


def _events_noted(k: Known, events: Sequence[_Event]) -> Told:
    noted = add_events(k.workshop, [(e.at, e.mould, e.kind, e.detail) for e in events])
    each = [_event_told(k, n, e) for n, e in zip(noted, events, strict=True)]
    lines = [*(line for told in each for line in told.lines), "“catchpot note --undo” takes this back."]
    return Told(lines, each[0].data if len(each) == 1 else {"noted": [told.data for told in each]})


def _event_told(k: Known, noted: Noted, e: _Event) -> Told:
    answered = _answered(k, e.mould, e.kind, e.detail, e.at)
    lines = [f"Noted of {e.about}: {event_words(e.kind, e.detail)} ({noted.path.name}, line {noted.line})."]
    then = THEN_WORDS[KINDS[e.kind].then]
    if answered:
        kinds = ", ".join(dict.fromkeys(f["kind"].replace("_", " ") for f in answered))
        lines.append(f"It answers: {kinds}. It is open again if it is seen again.")
    if then:
        lines.append(f"Next: {then}.")
    data = {"file": noted.path, "line": noted.line, "row": noted.row, "kind": e.kind, "mould": e.mould or None,
            "detail": e.detail, "answers": [f["anchor"] for f in answered], "then": then}  # fmt: skip
    return Told(lines, data)


def _answered(k: Known, mould: str, name: str, detail: str, at: datetime) -> list[dict[str, Any]]:
    """Findings that stood and that this event answers; of a kind the newest only."""
    import polars as pl

    if k.findings.is_empty():
        return []
    one = pl.DataFrame(
        [{"row": 1, "time": at, "mould": mould or None, "kind": name, "detail": detail}],
        schema=k.workshop.events.schema,
    )
    before = answers(k.findings, k.workshop.events, k.shots)
    now = answers(k.findings, one, k.shots)
    newest: dict[tuple[str, str], dict[str, Any]] = {}
    for f in k.findings.sort("since", nulls_last=False).iter_rows(named=True):
        stood = before[f["anchor"]].state == "open" and f["until"] is None and f["severity"] in ("act", "watch")
        if stood and now[f["anchor"]].state == "answered":
            newest[f["mould"], f["kind"]] = f
    return list(newest.values())


def _gain(injector: str, detail: Sequence[str]) -> str:
    """Detail of a meter's event: the gain by bucket and scales, from metered and true volume or as it stands."""
    numbers = []
    for word in detail:
        try:
            numbers.append(parse_number(word, decimal_comma=True))
        except ValueError:
            raise WrongNoteError(
                f"expected the metered and the true volume, such as 2.06 2.00, found {word!r}. Nothing was written."
            ) from None
    if len(numbers) > 2 or any(n <= 0 for n in numbers):
        raise WrongNoteError("expected the metered and the true volume, such as 2.06 2.00. Nothing was written.")
    if not numbers:
        return injector
    gain = numbers[0] / numbers[1] if len(numbers) == 2 else numbers[0]
    low, high = GAIN_USUAL
    if not low <= gain <= high:
        raise WrongNoteError(
            f"metered over true volume would be {gain:.3g}, which no meter is off by; give the metered volume first and"
            " both in the same unit. Nothing was written."
        )
    return f"{injector} {gain:.4g}"


def _detail(k: Known, entry: EventKind, mould: str, detail: Sequence[str], at: datetime, ask: Ask) -> str:
    from catchpot.events import SEALS

    if entry.detail == "seal":
        if len(detail) != 1:
            raise WrongNoteError(f"{entry.name} says which seal: outer, inner or both. Nothing was written.")
        return nearest(detail[0].lower(), SEALS, "seal", ask)
    if entry.detail == "seconds":
        return _at_vent(k, mould, detail, at)
    if entry.detail == "batch" and not detail:
        raise WrongNoteError(f"{entry.name} names the batch. Nothing was written.")
    return " ".join(detail)


def _at_vent(k: Known, mould: str, detail: Sequence[str], at: datetime) -> str:
    """Seconds and the shot they belong to: the one named, else the mould's newest before the note."""
    import polars as pl

    own = k.shots.filter((pl.col("mould") == mould) & (pl.col("started_at") <= at))
    names = set(own["shot"])
    shot = next((w for w in detail if w in names), own["shot"][-1] if own.height else "")
    rest = [w for w in detail if w != shot]
    try:
        (word,) = rest
        seconds = parse_number(word.removesuffix("s"), decimal_comma=True)
    except ValueError:
        raise WrongNoteError("resin_at_vent says after how many seconds, such as 84. Nothing was written.") from None
    low, high = TO_VENT_USUAL_S
    if not low <= seconds <= high:
        raise WrongNoteError(
            f"resin at the vent after {seconds:g} s? {low:g} to {high:g} s is usual. Nothing was written."
        )
    return f"{seconds:g} {shot}".strip()


def part(k: Known, shot: str, words: Sequence[str], ask: Ask) -> Told:
    """Note measurements of a shot's part: column, value, column, value ...; a last text alone is a remark."""
    name = nearest(shot, k.shots["shot"].to_list(), "shot in the logs", ask)
    columns = [c for c in PART.names if c not in ("shot", "remark")]
    values: dict[str, str] = {}
    rest = list(words)
    while rest:
        if len(rest) == 1:
            if rest[0] in columns:
                raise WrongNoteError(f"{rest[0]}: the value is missing. Nothing was written.")
            values["remark"] = " ".join(rest[0].split())
            break
        column = nearest(rest[0].lower(), [*columns, "remark"], "column of parts.csv", ask)
        values[column] = _value(column, rest[1])
        rest = rest[2:]
    if not values:
        raise WrongNoteError(f"nothing to note of {name}; say for example overflow_kg 0.14 or verdict rework")
    old = {c: v for c, v in _row(k, name).items() if v is not None and c in values}
    noted = set_part(k.workshop, name, values)
    said = ", ".join(_said(c, v) + (f" (was {old[c]})" if c in old else "") for c, v in values.items())
    lines = [
        f"Noted of {name}: {said} ({noted.path.name}, line {noted.line}).",
        *_doubts(k, values),
        "“catchpot note --undo” takes this back.",
    ]
    return Told(lines, {"file": noted.path, "line": noted.line, "row": noted.row, "before": noted.before or None,
                        "shot": name, "values": values})  # fmt: skip


def _said(column: str, value: str) -> str:
    """A cell in words.

    >>> _said("overflow_kg", "0.14"), _said("verdict", "rework")
    ('overflow 0.14 kg', 'verdict rework')
    """
    unit = column.rpartition("_")[2]
    return (
        f"{column[: -len(unit) - 1].replace('_', ' ')} {value} {unit}" if unit in ("kg", "mm") else f"{column} {value}"
    )


def _row(k: Known, shot: str) -> dict[str, Any]:
    import polars as pl

    rows = k.workshop.parts.filter(pl.col("shot") == shot)
    return rows.row(0, named=True) if rows.height else {}


def _value(column: str, text: str) -> str:
    try:
        part_value(column, text, decimal_comma=True)
    except ValueError as error:
        raise WrongNoteError(f"{column}: {error}. Nothing was written.") from None
    # written with a point, which is read everywhere
    number = column not in ("verdict", "trimmed", "remark")
    return text.replace(",", ".") if number else text.lower() if column != "remark" else " ".join(text.split())


def _doubts(k: Known, values: Mapping[str, str]) -> list[str]:
    from catchpot.workshop.plausible import PART_USUAL

    return [
        f"Is the unit right? {c} of {low:g} to {high:g} {unit} is usual."
        for c, (low, high, unit) in PART_USUAL.items()
        if c in values and not low <= float(values[c]) <= high
    ]


def close(k: Known, finding: str, by: str | None, because: str | None, at: datetime, ask: Ask) -> Told:
    """Close a finding, or all findings of a matter, by somebody for a reason."""
    if not (by or "").strip() or not (because or "").strip():
        raise WrongNoteError(
            "--close FINDING needs --by NAME and --because TEXT: somebody answers for it. Nothing was written."
        )
    open_now = k.findings.filter(k.findings["until"].is_null())
    anchors = open_now["anchor"].to_list()
    name = nearest(finding, [*k.matters, *anchors], "open finding", ask)
    chosen = [a for a in k.matters.get(name, [name]) if a in set(anchors)] or [name]
    of = dict(zip(k.findings["anchor"], k.findings["mould"], strict=True)) | dict(k.mould_of)
    rows = [(at, of.get(a) or "", CLOSED, closing(a, by or "", because or "")) for a in chosen]
    noted = add_events(k.workshop, rows)
    lines = [f"Closed: {a} ({n.path.name}, line {n.line})." for a, n in zip(chosen, noted, strict=True)]
    lines += ["It is open again if it is seen again.", "“catchpot note --undo” takes this back."]
    return Told(lines, {"file": noted[0].path, "closed": chosen, "rows": [n.row for n in noted]})


def undone(path: Path, rows: Sequence[str]) -> Told:
    """What a note that was taken back had written."""
    lines = [f"Taken back from {path.name}: {row}" for row in rows]
    return Told(lines, {"file": path, "taken_back": list(rows)})


__all__ = ["Known", "Told", "WrongNoteError", "close", "event", "events", "known", "nearest", "part", "undone"]
