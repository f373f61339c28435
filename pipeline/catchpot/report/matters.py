"""Matters: what changed or is wrong on a mould, one card each, with the findings that belong to it folded beneath.

They stand in the tables `matter` and `matter_line` where an analysis wrote these; elsewhere each standing finding is a
card of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from catchpot.reads import Reads

ROLES = ("history", "evidence", "rules_out", "forecast", "same_time", "single_shot")
ROLE_WORDS = {
    "history": "What became of it",
    "evidence": "What speaks for it",
    "rules_out": "What else it may be",
    "forecast": "What comes of it",
    "same_time": "At the same time",
    "single_shot": "Single shots",
}


@dataclass(frozen=True)
class Line:
    """One sentence of a matter. anchor: of the finding it came from, or empty."""

    role: str
    sentence: str
    anchor: str = ""


@dataclass(frozen=True)
class Matter:
    """A matter as its card shows it. hazard: someone can come to harm by it."""

    anchor: str
    mould: str
    severity: str
    state: str
    headline: str
    cause: str = ""
    since: datetime | None = None
    closed_at: datetime | None = None
    closed_by: str = ""
    advice: str = ""
    settles: str = ""
    hazard: bool = False
    rank: int = 1
    lines: tuple[Line, ...] = ()

    @property
    def open(self) -> bool:
        """Whether it still asks for something."""
        return self.state != "closed"

    def by_role(self) -> list[tuple[str, list[Line]]]:
        """Its sentences under the words of their role."""
        some = [(ROLE_WORDS[role], [n for n in self.lines if n.role == role and n.sentence]) for role in ROLES]
        return [(words, lines) for words, lines in some if lines]


def matters_of(reads: Reads) -> list[Matter]:
    """The stored matters, the gravest and newest first; none where no analysis makes them."""
    if "matter" not in reads.tables():
        return []
    rows = reads.table("matter")
    lines: dict[str, list[Line]] = {}
    if "matter_line" in reads.tables():
        for r in sorted(reads.table("matter_line").iter_rows(named=True), key=lambda r: r["row"] or 0):
            role = r["role"] if r["role"] in ROLES else "evidence"
            lines.setdefault(r["matter"], []).append(Line(role, r["sentence"] or "", r["anchor"] or ""))
    made = [_matter(r, lines.get(r["matter"], [])) for r in rows.iter_rows(named=True)]
    return sorted(made, key=lambda m: (m.mould, not m.open, not m.hazard, m.rank, m.anchor))


def _matter(r: dict[str, Any], lines: Sequence[Line]) -> Matter:
    return Matter(
        anchor=r["matter"],
        mould=r["mould"] or "",
        severity=r["severity"] if r["severity"] in ("act", "watch", "note") else "note",
        state=r["state"] or "open",
        headline=r["headline"] or "",
        cause=r.get("cause_words") or "",
        since=r.get("since"),
        closed_at=r.get("closed_at"),
        closed_by=r.get("closed_by") or "",
        advice=r.get("advice") or "",
        settles=r.get("settles") or "",
        hazard=bool(r.get("hazard")),
        rank=r.get("rank") or 1,
        lines=tuple(lines),
    )


__all__ = ["Line", "Matter", "matters_of"]
