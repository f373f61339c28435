"""Events of a mould: written down, or read from the logs (another volume set, another batch)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import polars as pl

from catchpot.causes import HAPPENINGS
from catchpot.report import words
from catchpot_matters.statements import Timeline

TELLING = 2
"""An event that can bring about more causes than so many is not named as the cause of one."""
SET_SHARE = 0.002
"""Smallest relative change of the volume set that is one: machines round to less."""


@dataclass(frozen=True)
class Happened:
    """An event. kind, detail as in events.csv; place: the first shot at or after it; text: in words."""

    at: datetime
    kind: str
    detail: str
    place: int
    text: str

    @property
    def brings(self) -> frozenset[str]:
        """Causes that may begin with it."""
        known = HAPPENINGS.get(self.kind)
        return frozenset(_of_seal(known.brings, self.kind, self.detail)) if known else frozenset()

    @property
    def telling(self) -> bool:
        """Whether it can do few things only: a service may have done anything, and so explains nothing."""
        return 0 < len(self.brings) <= TELLING

    @property
    def ends(self) -> frozenset[str]:
        """Causes that it may put right."""
        known = HAPPENINGS.get(self.kind)
        return frozenset(_of_seal(known.ends, self.kind, self.detail)) if known else frozenset()


def _of_seal(causes: Sequence[str], kind: str, detail: str) -> list[str]:
    """A seal's event does nothing to the other seal."""
    other = {"outer": ("inner_seal", "resin_past_seal"), "inner": ("outer_seal",)}.get(detail, ())
    return [c for c in causes if not (kind.startswith("seal_") and c in other)]


def happenings(events: pl.DataFrame | None, shots: pl.DataFrame, line: Timeline) -> list[Happened]:
    """All that happened to a mould, in time order.

    events: rows of `event` of the mould and of the whole workshop. shots: rows of `shot` in time order. What a meter's
    event says counts only on the injectors the mould is filled from.
    """
    injectors = set(shots["injector"].drop_nulls().to_list())
    found: list[Happened] = []
    noted: set[tuple[str, str]] = set()
    for e in events.iter_rows(named=True) if events is not None else ():
        kind, detail = e["kind"] or "", (e["detail"] or "").strip()
        if kind.startswith("meter_") and injectors and not any(i in detail for i in injectors):
            continue
        noted.add((kind, detail))
        said = detail if kind == "note" else f"{words.words_of(kind)} {detail}".strip()
        found.append(Happened(e["time"], kind, detail, line.place(e["time"]), said))
    for kind in ("fabric_batch", "resin_batch"):
        before = None
        for at, batch in shots.select("started_at", kind).drop_nulls().iter_rows():
            if before is not None and batch != before and (kind, batch) not in noted:
                found.append(Happened(at, kind, batch, line.place(at), f"{words.words_of(kind)} {batch}"))
            before = batch
    volume = None
    for at, now in shots.select("started_at", "programmed_volume_l").drop_nulls().iter_rows():
        if volume is not None and abs(now - volume) > SET_SHARE * volume:
            said = f"volume set from {words.number(volume, 'l', 3)} to {words.number(now, 'l', 3)}"
            found.append(Happened(at, "volume_set", "", line.place(at), said))
        volume = now
    return sorted(found, key=lambda h: h.at)
