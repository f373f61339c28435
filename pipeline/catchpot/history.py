"""What was found on a mould and what became of it, in time order: opened, answered, seen again, closed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any, Literal

from catchpot.answers import OPEN, Answer, answers, event_words
from catchpot.report import words

if TYPE_CHECKING:
    import polars as pl

State = Literal["open", "answered", "closed", "ended", "past"]
STATE_WORDS: Mapping[State, str] = {
    "open": "OPEN", "answered": "ANSWERED", "closed": "CLOSED", "ended": "OVER", "past": "OF ONE SHOT",
}  # fmt: skip
"""past: a finding of a shot long ago that nobody answered and that no later shot shows."""


@dataclass(frozen=True)
class Entry:
    """One thing found. times: how often, seen one after the other; anchor: the newest finding's, to close it by."""

    anchor: str
    kind: str
    severity: str
    state: State
    opened: datetime | None
    last_seen: datetime | None
    times: int
    message: str
    answer: Answer


def entries(finding: pl.DataFrame, event: pl.DataFrame, shot: pl.DataFrame) -> list[Entry]:
    """Everything found on one mould, the newest first.

    finding, event, shot: of one mould. Findings of one kind in shots one after the other, with no answer between, are
    one entry. A shot's finding is open while no later shot was made.
    """
    import polars as pl

    became = answers(finding, event, shot)
    starts = shot["started_at"].drop_nulls().sort().to_list()
    runs: list[list[dict[str, Any]]] = []
    last: dict[tuple[str, bool], list[dict[str, Any]]] = {}
    told = finding.filter(pl.col("severity").is_in(["act", "watch"])).sort("since", "anchor", nulls_last=False)
    for f in told.iter_rows(named=True):
        key = (f["kind"], f["shot"] is not None)
        run = last.get(key)
        if run is not None and f["shot"] is not None and _one_run(run[-1], f, became):
            run.append(f)
        else:
            last[key] = [f]
            runs.append(last[key])
    made = [_entry(run, became, starts) for run in runs]
    return sorted(made, key=lambda e: (e.last_seen is not None, e.last_seen), reverse=True)


def _one_run(before: Mapping[str, Any], now: Mapping[str, Any], became: Mapping[str, Answer]) -> bool:
    answer = became[before["anchor"]]
    return answer.at is None or answer.at > now["since"]


def _entry(run: Sequence[Mapping[str, Any]], became: Mapping[str, Answer], starts: Sequence[datetime]) -> Entry:
    newest = run[-1]
    answer = became.get(newest["anchor"], OPEN)
    state: State = answer.state
    if newest["until"] is not None:
        state = "ended"
    elif state == "open" and newest["shot"] is not None and starts and newest["since"] < starts[-1]:
        state = "past"
    # what is said is what is so grave
    gravest = next((f for f in reversed(run) if f["severity"] == "act"), newest)
    since = [f["since"] for f in run if f["since"] is not None]
    return Entry(newest["anchor"], newest["kind"], gravest["severity"], state, min(since, default=None),
                 max(since, default=None), len(run), gravest["message"] or "", answer)  # fmt: skip


def matter_lines(matters: Sequence[Mapping[str, Any]], zone: str) -> list[str]:
    """What is or was the matter, what stands first. matters: rows of `matter`, in order of rank."""
    made = []
    order = ("open", "answered", "closed")
    for m in sorted(matters, key=lambda m: order.index(m["state"])):
        made.append(f"{m['state'].upper()}: {m['headline']}")
        if m["closed_at"] is not None:
            made.append(f"  {m['state']} {words.day(m['closed_at'], zone)}: {m['closed_by']}")
        if m["state"] == "open":
            made.append(f"  to close it: catchpot note --close {m['matter']} --by NAME --because TEXT")
    return [*made, "", "What was found, one by one:"] if made else []


def lines(mould: str, found: Sequence[Entry], event: pl.DataFrame, zone: str) -> list[str]:
    """The history as sentences, what stands first."""
    order: Sequence[State] = ("open", "answered", "closed", "ended", "past")
    made = []
    for e in sorted(found, key=lambda e: order.index(e.state)):
        seen = f", seen {e.times} times until {words.day(e.last_seen, zone)}" if e.times > 1 else ""
        made.append(
            f"{STATE_WORDS[e.state]}: {words.words_of(e.kind)} ({e.severity}), {words.day(e.opened, zone)}{seen}"
        )
        made.append(f"  {e.message}")
        if e.answer.at is not None:
            then = f"; {e.answer.then}" if e.answer.then and e.state == "answered" else ""
            made.append(f"  {e.answer.words}, {words.day(e.answer.at, zone)}{then}")
        if e.answer.reopened_at is not None:
            made.append(f"  still there on {words.day(e.answer.reopened_at, zone)}, so it is open again")
        if e.state == "open":
            made.append(f"  to close it: catchpot note --close {e.anchor} --by NAME --because TEXT")
    if not made:
        made = [f"{mould}: nothing was found that asks for action or watching."]
    noted = [
        f"  {words.minute(r['time'], zone)}: {event_words(r['kind'], r['detail'])}"
        for r in event.sort("time", descending=True).iter_rows(named=True)
    ]
    return [*made, *(["", "What was noted, the newest first:", *noted] if noted else [])]


def as_data(found: Sequence[Entry]) -> list[dict[str, Any]]:
    """For --json."""
    return [asdict(e) for e in found]


__all__ = ["Entry", "as_data", "entries", "lines", "matter_lines"]
