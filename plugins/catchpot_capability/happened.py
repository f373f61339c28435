"""Seals, batches and meters changed within a month, and the stretches they cut it into."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import polars as pl

from catchpot.report.words import words_of

CUTS = (
    "seal_replaced", "seal_reseated", "fabric_batch", "resin_batch", "meter_calibrated", "gel_coat_changed",
    "core_changed", "hose_changed", "vent_changed", "mould_serviced", "pump_serviced", "sensor_calibrated",
)  # fmt: skip


@dataclass(frozen=True)
class Cut:
    """An event that may cut a month in two."""

    at: datetime
    text: str


def cuts(events: pl.DataFrame | None, shots: pl.DataFrame) -> list[Cut]:
    """Events that change a mould, its material or its meter, in time order; batches also from the logs themselves.

    events: rows of `event` for the mould and the workshop. shots: started_at, injector, fabric_batch, resin_batch of
    the mould in time order. A meter's or pump's event counts where the mould was filled from that injector.
    """
    found: list[Cut] = []
    injectors = [i for i in shots["injector"].drop_nulls().unique().to_list() if i]
    noted: set[tuple[str, str]] = set()
    for row in events.sort("time").iter_rows(named=True) if events is not None else ():
        kind, detail = row["kind"] or "", (row["detail"] or "").strip()
        if kind not in CUTS:
            continue
        if kind in ("meter_calibrated", "pump_serviced") and injectors and not any(i in detail for i in injectors):
            continue
        noted.add((kind, detail))
        found.append(Cut(row["time"], f"{words_of(kind)} {detail}".strip()))
    for kind in ("fabric_batch", "resin_batch"):
        before: str | None = None
        for at, batch in shots.select("started_at", kind).drop_nulls().iter_rows():
            if before is not None and batch != before and (kind, batch) not in noted:
                found.append(Cut(at, f"{words_of(kind)} {batch}"))
            before = batch
    return sorted(found, key=lambda c: c.at)


def within(found: list[Cut], first: datetime, last: datetime) -> list[Cut]:
    """Cuts after the first and up to the last shot of a month."""
    return [c for c in found if first < c.at <= last]


def stretches(starts: list[datetime], inside: list[Cut], least: int) -> list[tuple[str, int, int]]:
    """A month cut at its events: (event it begins with, first place, place after the last), each of `least` shots.

    An event that would leave too short a stretch is passed over; one stretch only gives nothing.
    """
    edges: list[tuple[str, int]] = [("", 0)]
    for cut in inside:
        place = sum(s < cut.at for s in starts)
        if place == edges[-1][1] and len(edges) > 1:
            edges[-1] = (f"{edges[-1][0]}, {cut.text}", place)
        elif place - edges[-1][1] >= least and len(starts) - place >= least:
            edges.append((cut.text, place))
    if len(edges) < 2:
        return []
    ends = [*(e[1] for e in edges[1:]), len(starts)]
    return [(text, first, last) for (text, first), last in zip(edges, ends, strict=True)]
