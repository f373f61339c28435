"""Seals, batches, meters and settings changed within a month, and the stretches they cut it into."""

from __future__ import annotations

from datetime import datetime

import polars as pl

from catchpot.happened import Happened, happenings

CUTS = (
    "seal_replaced", "seal_reseated", "fabric_batch", "resin_batch", "meter_calibrated", "gel_coat_changed",
    "core_changed", "hose_changed", "vent_changed", "mould_serviced", "pump_serviced", "sensor_calibrated",
    "volume_set",
)  # fmt: skip
SETTLED = 8
"""Shots that a setting stays, or more, where somebody sets it and leaves it."""


def cuts(events: pl.DataFrame | None, shots: pl.DataFrame) -> list[Happened]:
    """What changes a mould, its material, its meter or what is set, in time order; see `catchpot.happened`.

    What is set follows every shot in some shops; where it changes more often than every `SETTLED` shots no change of it
    cuts a month. A pump's service counts where it names an injector that filled the mould.
    """
    injectors = [i for i in shots["injector"].drop_nulls().unique().to_list() if i]
    found = [
        h for h in happenings(events, shots)
        if h.kind in CUTS
        and not (h.kind == "pump_serviced" and injectors and not any(i in h.detail for i in injectors))
    ]  # fmt: skip
    by_hand = sum(h.kind == "volume_set" for h in found)
    often = by_hand * SETTLED > shots.height
    return [h for h in found if not (often and h.kind == "volume_set")]


def within(found: list[Happened], first: datetime, last: datetime) -> list[Happened]:
    """Cuts after the first and up to the last shot of a month."""
    return [c for c in found if first < c.at <= last]


def stretches(starts: list[datetime], inside: list[Happened], least: int) -> list[tuple[str, int, int]]:
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
