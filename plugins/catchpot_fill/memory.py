"""What `fill` keeps of a mould, so that a new shot is laid on its curve without its history being read again."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

import numpy as np
import polars as pl

from catchpot.analysis import Kept
from catchpot.keeping import pack, unpack
from catchpot.stats.own_curve import OwnCurve
from catchpot_fill.history import History
from catchpot_fill.knowledge import LAST
from catchpot_fill.place import MouldFacts, Place, Seen
from catchpot_fill.prepare import column

AGAIN, EVERY = 6, 12
"""Shots at the end that are always gone through again, for what is noted of a shot may come after the next ones; and
at which numbers of shots the memory is kept."""


@dataclass(frozen=True)
class Before:
    """What is still asked of the shots before: names, the last one's start, the last viscosities, witnesses told of."""

    names: tuple[str, ...] = ()
    last_start: datetime | None = None
    viscosities: tuple[float, ...] = ()
    seen: int = 0


def place_to_keep(shots: int) -> int:
    """After how many of a mould's shots the memory is kept; 0 for none."""
    return max(shots - AGAIN, 0) // EVERY * EVERY


def keep(memory: History, before: Before, frame: pl.DataFrame, seen: int) -> Kept:
    """The state after the shots of the frame, which follow upon those before. seen: witnesses told of."""
    names = (*before.names, *frame["shot"].to_list())
    viscosity = column(frame, "bed_viscosity_pa_s")
    viscosities = (*before.viscosities, *viscosity[np.isfinite(viscosity)].tolist())[-LAST:]
    state = {
        "own": memory.own.state(),
        "reference_l": memory.reference_l,
        "size": memory.size,
        "place": None if memory.place is None else asdict(memory.place),
        "facts": None if memory.facts is None else asdict(memory.facts),
        "ends": memory.ends,
        "stretches": memory.stretches,
        "seen": [asdict(s) for s in memory.seen],
        "taken": memory.taken,
        "waiting": sorted(memory.waiting),
        "before": {"names": names, "last_start": frame["started_at"][-1] if frame.height else before.last_start,
                   "viscosities": viscosities, "seen": seen},
    }  # fmt: skip
    return Kept(len(names), pack(state))


def resumed(kept: Kept) -> tuple[History, Before]:
    """The memory that was kept, and what is still asked of the shots behind it."""
    state: dict[str, Any] = unpack(kept.state)
    memory = History(
        OwnCurve.restored(state["own"]),
        state["reference_l"],
        state["size"],
        None if state["place"] is None else Place(**state["place"]),
        None if state["facts"] is None else MouldFacts(**state["facts"]),
        state["ends"],
        state["stretches"],
        [Seen(**s) for s in state["seen"]],
        [(t[0], t[1], t[2], t[3]) for t in state["taken"]],
        set(state["waiting"]),
    )
    b = state["before"]
    return memory, Before(tuple(b["names"]), b["last_start"], tuple(b["viscosities"]), b["seen"])


__all__ = ["Before", "keep", "place_to_keep", "resumed"]
