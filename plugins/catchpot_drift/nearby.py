"""What happened near a change: the mould's and the workshop's events, and changes of fabric or resin batch."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import polars as pl

from catchpot.causes import can_move
from catchpot.report.words import number, words_of

SET_SHARE = 0.002
"""Smallest relative change of the volume set that is one: machines round to less."""


@dataclass(frozen=True)
class Event:
    """An event in words, and its kind."""

    at: datetime
    text: str
    kind: str


def happenings(events: pl.DataFrame | None, shots: pl.DataFrame) -> list[Event]:
    """All that may explain a change of a mould, in time order.

    events: rows of `event` for the mould and the whole workshop (None for no such table). shots: started_at, injector,
    fabric_batch, resin_batch in time order. A meter's event counts only where the mould was filled from that injector.
    """
    found: list[Event] = []
    injectors = set(shots["injector"].drop_nulls().to_list())
    noted: set[tuple[str, str]] = set()
    for row in events.iter_rows(named=True) if events is not None else ():
        kind, detail = row["kind"] or "", (row["detail"] or "").strip()
        if kind.startswith("meter_") and injectors and not any(i in detail for i in injectors):
            continue
        noted.add((kind, detail))
        found.append(Event(row["time"], f"{words_of(kind)} {detail}".strip() if kind != "note" else f"note: {detail}",
                           kind))  # fmt: skip
    for kind in ("fabric_batch", "resin_batch"):
        before: str | None = None
        for at, batch in shots.select("started_at", kind).drop_nulls().iter_rows():
            if before is not None and batch != before and (kind, batch) not in noted:
                found.append(Event(at, f"{words_of(kind)} {batch}", kind))
            before = batch
    volume: float | None = None
    for at, now in shots.select("started_at", "programmed_volume_l").drop_nulls().iter_rows():
        if volume is not None and abs(now - volume) > SET_SHARE * volume:
            found.append(Event(at, f"volume set from {number(volume, 'l', 3)} to {number(now, 'l', 3)}", "volume_set"))
        volume = now
    return sorted(found, key=lambda e: e.at)


def nearest(
    happened: list[Event], measure: str, starts: list[datetime], at: int, earliest: int, latest: int, reach: int
) -> tuple[Event, int] | None:
    """The event nearest to a change within reach that can move the measure, and how many shots came between.

    0 shots: the change is the first shot after it.

    starts: of the measure's shots. at, earliest, latest: first shot of the change and its interval. An event counts
    from `reach` shots before the date up to the date, or anywhere in the date's interval.
    """
    first = starts[max(0, min(at - reach, earliest - 1))]
    last = starts[latest]
    best: tuple[int, Event] | None = None
    for event in happened:
        if not first <= event.at <= last or not (can_move(event.kind, measure) or measure == "injected_volume_l"):
            continue
        place = sum(s < event.at for s in starts)  # the first shot at or after the event
        if best is None or abs(at - place) <= abs(at - best[0]):
            best = (place, event)
    return (best[1], max(at - best[0], 0)) if best else None
