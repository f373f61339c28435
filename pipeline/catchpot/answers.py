"""What became of a finding: open, answered by what people did, or closed by somebody; and whether it was seen again.

A pure function of findings, events and shots. The history, `note`, the next shot and the pages all go by it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any, Final, Literal

from catchpot.events import CLOSED, KINDS, THEN_WORDS

if TYPE_CHECKING:
    import polars as pl

SETTLES_AFTER_SHOTS: Final = 5
"""A mould's finding that stands so many shots after it was answered is open again: so many show a change of level. A
shot's finding is not answered any more so many shots later."""
_CLOSING = re.compile(r"^(?P<anchor>.+?) by (?P<by>.+?) because (?P<why>.+)$", re.DOTALL)


@dataclass(frozen=True)
class Answer:
    """What became of a finding.

    at: when it was answered or closed. words: what was done ("outer seal replaced", "closed by ..."). then: what shows
    whether it worked, in words, or empty. kind: the event's. reopened_at: the newest shot, where it was seen again
    after an answer.
    """

    state: Literal["open", "answered", "closed"]
    at: datetime | None = None
    words: str = ""
    then: str = ""
    kind: str = ""
    reopened_at: datetime | None = None


OPEN: Final = Answer("open")


def closing(anchor: str, by: str, because: str) -> str:
    """The detail of a `finding_closed` event."""
    return f"{anchor} by {by.strip()} because {because.strip()}"


def read_closing(detail: str | None) -> tuple[str, str, str] | None:
    """Anchor, name and reason of a `finding_closed` event; None where the detail does not hold them.

    >>> read_closing("faults-short_fill-hatch-3-0001 by A. Example because the part was good")
    ('faults-short_fill-hatch-3-0001', 'A. Example', 'the part was good')
    """
    found = _CLOSING.match((detail or "").strip())
    return (found["anchor"].strip(), found["by"].strip(), found["why"].strip()) if found else None


def event_words(kind: str, detail: str | None) -> str:
    """An event in words.

    >>> event_words("seal_replaced", "outer"), event_words("fabric_batch", "F-207")
    ('outer seal replaced', 'fabric batch F-207')
    """
    text = (detail or "").strip()
    if kind in ("seal_replaced", "seal_reseated"):
        verb = kind.removeprefix("seal_")
        return {"outer": f"outer seal {verb}", "inner": f"inner seal {verb}"}.get(text.lower(), f"both seals {verb}")
    if kind == CLOSED and (told := read_closing(detail)):
        return f"closed by {told[1]}: {told[2]}"
    if kind == "volume_set":
        return f"volume set by hand: {text}"
    if kind == "resin_at_vent":
        seconds, _, shot = text.partition(" ")
        return f"resin at the vent after {seconds} s" + (f" ({shot})" if shot else "")
    if kind in ("meter_checked", "meter_calibrated") and (gain := re.fullmatch(r"(\S+) (\d+(?:\.\d+)?)", text)):
        verb = "checked" if kind == "meter_checked" else "set; before that"
        return f"meter of {gain[1]} {verb}: it showed {gain[2]} times what was in the bucket"
    words = kind.replace("_", " ")
    if kind == "note":
        return text or "note"
    named = kind in ("fabric_batch", "resin_batch")
    return words if not text else f"{words} {text}" if named else f"{words} ({text})"


def answers(finding: pl.DataFrame, event: pl.DataFrame, shot: pl.DataFrame) -> dict[str, Answer]:
    """What became of each finding, by its anchor.

    finding: anchor, shot, mould, kind, since, until and, if known, cause. event: time, mould, kind, detail. shot: shot,
    mould, started_at, injector. A shot's finding is answered by the first event after the shot that answers its kind,
    unless SETTLES_AFTER_SHOTS shots were made before it; seen in a later shot it is a finding of its own. A mould's
    finding is answered likewise by an event after it began, the newest, and open again once it still stands
    SETTLES_AFTER_SHOTS shots later.
    """
    events = sorted(
        (e for e in event.iter_rows(named=True) if e["time"] is not None and e["kind"] in KINDS),
        key=lambda e: e["time"],
    )
    starts: dict[str, list[datetime]] = {}
    injectors: dict[str, set[str]] = {}
    for mould, at, injector in shot.select("mould", "started_at", "injector").iter_rows():
        if mould is not None and at is not None:
            starts.setdefault(mould, []).append(at)
        if mould is not None and injector:
            injectors.setdefault(mould, set()).add(injector)
    closed = {told[0]: e for e in events if e["kind"] == CLOSED and (told := read_closing(e["detail"]))}
    return {
        f["anchor"]: _of(f, events, closed.get(f["anchor"]), starts, injectors) for f in finding.iter_rows(named=True)
    }


def _of(
    f: Mapping[str, Any], events: Sequence[Mapping[str, Any]], closed: Mapping[str, Any] | None,
    starts: Mapping[str, Sequence[datetime]], injectors: Mapping[str, set[str]],
) -> Answer:  # fmt: skip
    since = f["since"]
    if closed is not None:
        made = Answer("closed", closed["time"], event_words(CLOSED, closed["detail"]), "", CLOSED)
        return _again(f, made, starts)
    if since is None:
        return OPEN
    fits = [e for e in events if e["time"] > since and _answers(e, f, injectors)]
    if f["shot"] is not None:
        # so many shots later it was over by itself, and nobody's doing
        made_since = sorted(s for s in starts.get(f["mould"], ()) if s > since)
        over = made_since[SETTLES_AFTER_SHOTS - 1] if len(made_since) >= SETTLES_AFTER_SHOTS else None
        fits = [e for e in fits if over is None or e["time"] <= over]
    if not fits:
        return OPEN
    e = fits[0] if f["shot"] is not None else fits[-1]
    kind = KINDS[e["kind"]]
    made = Answer("answered", e["time"], event_words(e["kind"], e["detail"]), THEN_WORDS[kind.then], e["kind"])
    return _again(f, made, starts)


def _again(f: Mapping[str, Any], made: Answer, starts: Mapping[str, Sequence[datetime]]) -> Answer:
    """Open again where a mould's finding still stands after shots enough."""
    if f["shot"] is not None or f["until"] is not None or made.at is None:
        return made
    later = [s for s in starts.get(f["mould"], ()) if s > made.at]
    if len(later) < SETTLES_AFTER_SHOTS:
        return made
    return Answer("open", made.at, made.words, "", made.kind, max(later))


def deals_with(event: str, detail: str | None, finding: str, cause: str | None) -> bool:
    """Whether an event of a kind answers a finding of a kind, whose cause (or pair of them) is known or not.

    >>> deals_with("seal_replaced", "inner", "outer_seal_leak", None)
    False
    >>> [deals_with("seal_replaced", "outer", "clamp_margin_low", c) for c in ("clamp_seals", "vacuum_supply", None)]
    [True, False, True]
    """
    kind = KINDS.get(event)
    if kind is None or finding not in kind.answered(detail):
        return False
    causes = set((cause or "").split(" or ")) - {""}
    return not (causes and kind.ends) or bool(causes & set(kind.ends))


def _answers(e: Mapping[str, Any], f: Mapping[str, Any], injectors: Mapping[str, set[str]]) -> bool:
    kind = KINDS[e["kind"]]
    if e["mould"] not in (None, f["mould"]) or not deals_with(e["kind"], e["detail"], f["kind"], f.get("cause")):
        return False
    used = injectors.get(f["mould"] or "", set())
    # the longest name first: "injector-1" stands in "injector-12" too
    named = next((i for i in _by_length(injectors) if i in (e["detail"] or "")), None)
    return kind.about != "injector" or named is None or named in used


def _by_length(injectors: Mapping[str, set[str]]) -> list[str]:
    return sorted({i for some in injectors.values() for i in some}, key=len, reverse=True)


__all__ = ["OPEN", "SETTLES_AFTER_SHOTS", "Answer", "answers", "closing", "deals_with", "event_words", "read_closing"]
