"""One shot beside a mould's past, made by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from catchpot_faults.curves import GRID
from catchpot_faults.seen import Seen
from catchpot_faults.takes import takes
from catchpot_faults.usual import Expected, Usual
from catchpot_faults.within import NO_RISE

UNKNOWN = Expected(float("nan"), float("inf"))
NUMBERS = (
    "injected_volume_l", "programmed_volume_l", "arrival_volume_l", "arrival_volume_low_l", "arrival_volume_high_l",
    "overflow_l", "overflow_low_l", "catch_pot_l", "past_l", "not_in_part_l", "end_growth", "book.vent_hose_volume_l",
    "book.bleed_target_l", "book.taper",
    "clamp_start_mbar", "clamp_margin_n", "cavity_rest_mbar", "clamp_rest_mbar", "ambient_logged_mbar",
    "cavity_rest_samples", "cavity_rest_off_mbar",
)  # fmt: skip


def usual(**known: Any) -> Usual:
    """Forty healthy shots that arrive at 2.00 l and stop at 2.10 l, with the scatter of a sound mould."""
    none = np.full(len(GRID), np.nan)
    made = Usual(
        shots=40, share_l=2.0, resistance=none, low=none, high=none, cavity=none, early=UNKNOWN, late=UNKNOWN,
        tilt=UNKNOWN, arrival_l=2.0, arrival=Expected(0.0, 0.012), arrivals_seen=1.0, arrivals_lately=1.0,
        overflow=Expected(0.05, 0.01), injected_l=2.1, injected=Expected(0.0, 0.01),
        injected_lately=Expected(0.0, 0.007), clamp_margin=Expected(2.0e4, 500.0), clamp_mbar=Expected(60.0, 5.0),
        clamp_lately=Expected(60.0, 5.0), line_rest=UNKNOWN, cavity_rest=Expected(-3.0, 4.0), slugs=0.0, left=1.0,
        step_gain=0.1, gap_rise=UNKNOWN, end_growth=UNKNOWN, of_programmed=Expected(0.0, 0.006),
        catch_pot_l=0.04, past_l=float("nan"), not_in_part_l=float("nan"), over=Expected(0.05, 0.01),
    )  # fmt: skip
    return replace(made, **known)


def seen(past: Usual | None = None, arrival: tuple[float, float] | None = None, **known: float) -> Seen:
    """A shot with those numbers; arrival: volume and half of its 95 % interval, l."""
    number = {n: float("nan") for n in NUMBERS} | known
    if arrival is not None:
        middle, half = arrival
        number |= {
            "arrival_volume_l": middle, "arrival_volume_low_l": middle - half, "arrival_volume_high_l": middle + half,
            "overflow_l": known["injected_volume_l"] - middle,
            "overflow_low_l": known["injected_volume_l"] - middle - half,
        }  # fmt: skip
    past = past or usual()
    made = Seen(0, number, None, past, None, NO_RISE, float("nan"), 2.0, float("nan"), False, {}, 0.2)
    made.takes = takes(made)
    return made


__all__ = ["UNKNOWN", "seen", "usual"]
