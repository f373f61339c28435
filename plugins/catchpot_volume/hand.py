"""A volume that somebody set by hand instead of the advised one: how it is written down, and what then holds."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import polars as pl

from catchpot.report import words
from catchpot_volume import advice
from catchpot_volume.go import Reason
from catchpot_volume.predict import Ahead

_DETAIL = re.compile(r"^(?P<litres>\d+(?:[.,]\d+)?)\s*l\b(?:\s+because\s+(?P<why>.*))?$", re.DOTALL)


@dataclass(frozen=True)
class ByHand:
    """A volume set by hand, l, when, and why."""

    volume_l: float
    at: datetime
    why: str


def detail(volume_l: float, because: str) -> str:
    """The detail of a `volume_set` event.

    >>> detail(2.9, "the pack is new")
    '2.900 l because the pack is new'
    """
    return f"{volume_l:.3f} l because {' '.join(because.split())}"


def newest(events: Sequence[Mapping[str, Any]], frame: pl.DataFrame) -> ByHand | None:
    """The newest volume set by hand since the last shot; a shot made ends it."""
    last = frame["started_at"][-1] if frame.height else None
    found = None
    for e in sorted(events, key=lambda e: e["time"]):
        told = _DETAIL.match((e["detail"] or "").strip()) if e["kind"] == "volume_set" else None
        if told is not None and (last is None or e["time"] > last):
            why = (told["why"] or "no reason given").strip()
            found = ByHand(float(told["litres"].replace(",", ".")), e["time"], why)
    return found


def _words(by_hand: ByHand, zone: str) -> str:
    return f"set by hand on {words.minute(by_hand.at, zone)}: {by_hand.why}"


def instead(by_hand: ByHand, row: Mapping[str, Any], ahead: Ahead, zone: str) -> dict[str, Any]:
    """The columns that change with the volume set by hand."""
    volume = by_hand.volume_l
    reaches = volume - row["bleed_target_l"]
    chance = float(np.clip(ahead.arrival.chance_below(float(np.log(reaches))), 0, 1)) if reaches > 0 else 0.0
    return {
        "volume_l": volume, "volume_high_l": max(row["volume_high_l"], volume), "fill_chance": chance,
        "expected_overflow_l": volume - row["arrival_volume_l"], "set_by_hand": _words(by_hand, zone),
    }  # fmt: skip


def alone(by_hand: ByHand, given: Mapping[str, Any], zone: str) -> dict[str, Any]:
    """What is known of a volume set by hand where none could be advised."""
    litres, mass = advice.catalyst(dict(given), by_hand.volume_l)
    said = f"no volume could be advised; {words.number(by_hand.volume_l, 'l', 4)} is {_words(by_hand, zone)}"
    return {
        "volume_l": by_hand.volume_l, "set_by_hand": _words(by_hand, zone), "catalyst_l": litres, "catalyst_kg": mass,
        "bleed_target_l": given["bleed_target_l"] or 0.0, "cautions": [],
        "reasons": [Reason("care", f"{said}; watch the vent", "whoever set it", "the next shot's log clears this")],
    }  # fmt: skip


def reason(by_hand: ByHand, row: Mapping[str, Any], zone: str) -> Reason:
    """Why a volume set by hand asks for care."""
    advised = words.number(row["advised_volume_l"], "l", 4)
    said = (
        f"{words.number(by_hand.volume_l, 'l', 4)} is {_words(by_hand, zone)}; {advised} is advised. What is set fills"
        f" with a chance of {100 * row['fill_chance']:.0f} %"
    )
    return Reason("care", said, "whoever set it", "“catchpot note --undo”, or the next shot's log, clears this")


__all__ = ["ByHand", "alone", "detail", "instead", "newest", "reason"]
