"""What `faults` keeps of a mould, so that a new shot is judged without its history being read again."""

from __future__ import annotations

from dataclasses import fields
from typing import TYPE_CHECKING, Any

import numpy as np

from catchpot import Kept
from catchpot.core_tables import CURVE_BINS
from catchpot.keeping import pack, unpack
from catchpot.stats.healthy_curve import Laid
from catchpot_faults.judge import Memory
from catchpot_faults.shots import CURVES, Shots

if TYPE_CHECKING:
    from numpy.typing import NDArray

BATCHES_BACK = 3
"""Shots before whose batches matter: a new batch is new for so many."""
COMPARED = "cavity_pressure_mbar"
"""The channel whose curves are compared with those of the shots before."""


def keep(shots: Shots, memory: Memory, place: int) -> Kept:
    """The state before a block. place: how many of the mould's shots, hold checks included, are behind it."""
    n = len(memory.ill)
    rows = memory.laid.rows
    state = {
        "laid": {f.name: getattr(memory.laid, f.name) for f in fields(Laid)},
        "flags": [memory.ill, memory.curve_ill, memory.odd],
        "start_at": memory.start_at,
        "named": memory.named,
        "number": {k: v[:n] for k, v in shots.number.items()},
        "compared": shots.curve[COMPARED][rows],
        "text": {k: v[max(n - BATCHES_BACK, 0) : n] for k, v in shots.text.items()},
    }
    return Kept(place, pack(state))


def resumed(kept: Kept, later: Shots) -> tuple[Shots, Memory]:
    """The mould's shots, the earlier ones with what is still asked of them, and the memory before the later ones."""
    state: dict[str, Any] = unpack(kept.state)
    laid = Laid(**state["laid"])
    ill, curve_ill, odd = state["flags"]
    memory = Memory(laid, ill, curve_ill, odd, state["start_at"], state["named"])
    n = len(memory.ill)
    curve = {c: np.full((n, CURVE_BINS), np.nan) for c in CURVES}
    curve[COMPARED][laid.rows] = state["compared"]

    def with_later(before: NDArray[np.float64], now: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.concatenate([before, now])

    def texts(name: str) -> list[str | None]:
        told = state["text"][name]
        return [*([None] * (n - len(told))), *told]

    none = np.full((n, CURVE_BINS), np.nan)
    return Shots(
        later.mould,
        [*([""] * n), *later.shot],
        [*([None] * n), *later.started_at],
        {k: [*texts(k), *v] for k, v in later.text.items()},
        {k: with_later(state["number"][k], v) for k, v in later.number.items()},
        {k: with_later(curve[k], v) for k, v in later.curve.items()},
        with_later(none, later.resistance),
        with_later(none, later.noise),
        with_later(none, later.time_s),
    ), memory


__all__ = ["keep", "resumed"]
