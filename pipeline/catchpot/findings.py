"""Findings as an analysis gives them: rows of the shared table `finding`, in whole sentences.

>>> row = finding("pump", "pump_worn", "watch", "hatch-3 stops late.", "Look at the valve.", shot="s1", mould="hatch-3")
>>> row["anchor"], row["rank"]
('pump-pump_worn-s1', 1)
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import TYPE_CHECKING, Any, Literal

from catchpot.core_tables import FINDING
from catchpot.tables import from_rows

if TYPE_CHECKING:
    import polars as pl

Severity = Literal["note", "watch", "act"]
SEVERITIES: tuple[Severity, ...] = ("note", "watch", "act")


def finding(
    analysis: str,
    kind: str,
    severity: Severity,
    message: str,
    advice: str,
    *,
    mould: str | None,
    shot: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
    from_volume_l: float | None = None,
    to_volume_l: float | None = None,
    rank: int = 1,
    anchor: str = "",
) -> dict[str, Any]:
    """One row of the table `finding`.

    analysis: the analysis's own name. kind: a word of yours or one that is there (words joined by `_`).
    message: what, how much, since when; advice: what to do or look at first; both whole sentences.
    since, until: with a zone; `until` is when it ended, None while it stands.
    anchor: the row's key and the link's name, the same at each run; made of analysis, kind and shot (else mould and
    time) where none is given.
    Raises ValueError for an unknown severity, a missing sentence, a time without a zone, neither shot nor mould.
    """
    if severity not in SEVERITIES:
        raise ValueError(f"severity {severity!r} is none of {', '.join(SEVERITIES)}")
    if not message.strip() or (severity != "note" and not advice.strip()):
        raise ValueError("a finding needs a message, and from `watch` on what to do about it")
    if shot is None and mould is None:
        raise ValueError("a finding is of a shot or of a mould")
    for name, time in (("since", since), ("until", until)):
        if time is not None and time.tzinfo is None:
            raise ValueError(f"{name} has no zone; times are UTC")
    of = shot if shot is not None else mould + (f"-{since:%Y-%m-%d-%H%M}" if since else "") if mould else ""
    return {
        "shot": shot,
        "mould": mould,
        "kind": kind,
        "severity": severity,
        "since": since,
        "message": message,
        "advice": advice,
        "analysis": analysis,
        "anchor": anchor or f"{analysis}-{kind}-{of}",
        "until": until,
        "from_volume_l": from_volume_l,
        "to_volume_l": to_volume_l,
        "rank": rank,
    }


def findings_table(rows: Iterable[Mapping[str, Any]]) -> pl.DataFrame:
    """A frame of the table `finding` (`FINDING`) from rows that `finding` made; without rows, an empty one."""
    return from_rows(FINDING, list(rows))


__all__ = ["SEVERITIES", "Severity", "finding", "findings_table"]
