"""How much went in, against what the mould takes: short fill, stop before the vent, overfill."""

from __future__ import annotations

import numpy as np

from catchpot_faults import words
from catchpot_faults.seen import Seen
from catchpot_faults.usual import LEAST_SHOTS
from catchpot_faults.words import Found

SHORT_PCT, SHORT_OF_INJECTED_PCT, OVER_PCT, OVER_INJECTED_PCT = 3.3, 9.0, 9.3, 6.0
"""Short of, and past, the usual arrival volume: a little below what must be found, for the meter's own scatter."""
_SPOILS_ARRIVAL = (
    "race_tracking", "air_in_line", "sensor_stuck", "early_gel", "flow_restriction", "cover_lifting", "vent_blocked",
    "vacuum_lost", "sensor_offset",
)  # fmt: skip


def volumes(s: Seen, found: list[Found]) -> list[Found]:
    """Short fill, stop before the vent, overfill: at most one; found: what else was found of the shot."""
    n, u = s.number, s.usual
    injected, own = n["injected_volume_l"], n["arrival_volume_l"]
    if not np.isfinite(injected):
        return []
    bleed = np.nan_to_num(n["book.bleed_target_l"])
    odd_curve = any(f.kind in _SPOILS_ARRIVAL for f in found)
    arrived = np.isfinite(own) and own < injected
    if np.isfinite(u.arrival_l) and u.arrivals_seen >= 0.25:
        return _by_arrival(s, injected, own, arrived, bleed, odd_curve)
    if u.shots >= LEAST_SHOTS:
        return _by_habit(s, injected, own, arrived, bleed, odd_curve)
    # Uneven fronts reach the vent well before the part is full, a front that widens (from a port) much more so.
    least = 0.6 if s.number["book.taper"] > 1.5 else 0.75
    if np.isfinite(s.book_l) and not arrived and injected < least * s.book_l:
        against = "what the mould book's geometry takes"
        return [words.short_fill(injected, s.book_l, 100 * (1 - injected / s.book_l), against, 20.0)]
    if arrived and n["overflow_low_l"] - bleed > OVER_PCT / 100 * own:
        return [
            words.overfill(n["overflow_l"], 100 * (n["overflow_l"] - bleed) / own, bleed, "this shot's arrival volume")
        ]
    return []


def _by_arrival(s: Seen, injected: float, own: float, arrived: bool, bleed: float, odd_curve: bool) -> list[Found]:
    """Against the usual arrival volume."""
    n, u = s.number, s.usual
    expected, sd, against = u.arrival_l, u.arrival.sd, "the usual arrival volume"
    short = 100 * (1 - injected / expected)
    # Fits miss an arrival now and then: near the usual volume the curve must not be flat, better still be growing.
    flat, growing = n["end_growth"] < 0.3, n["end_growth"] > 0.6
    least = max(SHORT_PCT, (150 if u.arrivals_seen > 0.6 else 250) * sd)
    if not arrived and short > least and not (flat and short < 8):
        return [words.short_fill(injected, expected, short, against, 196 * sd)]
    if not arrived and growing and short > 0.5 and u.arrivals_seen > 0.6 and not odd_curve:
        return [words.stopped_before_vent(injected, expected)]
    over = n["overflow_l"] if arrived else injected - expected
    room = OVER_PCT / 100 + (0.0 if arrived else 1.5 * sd)
    # A fixed programme lets past what the cavity happens not to take: within the mould's habit that is no fault.
    habit_over, habit_sd = np.nan_to_num(u.overflow.value), min(u.overflow.sd, 0.02)
    beyond = habit_over > OVER_PCT / 100 or over / expected > habit_over + max(0.025, 2.5 * habit_sd)
    # One arrival volume may be read too early; more went in than usual, or its whole interval has to say so.
    more = injected > 1.02 * u.injected_l or n["overflow_low_l"] - bleed > OVER_PCT / 100 * expected
    seen = (arrived and more) or (not arrived and u.arrivals_seen < 0.7)
    if over - bleed > room * expected and beyond and seen and not odd_curve:
        return [words.overfill(over, 100 * (over - bleed) / expected, bleed, against)]
    return []


def _by_habit(s: Seen, injected: float, own: float, arrived: bool, bleed: float, odd_curve: bool) -> list[Found]:
    """Against the volume usually injected, on a mould whose curve does not show its arrival."""
    n, u = s.number, s.usual
    off = 100 * (injected / u.injected_l - 1)
    scatter = 100 * u.injected.sd
    jump = 100 * (np.log(injected / u.injected_l) - u.injected_lately.value)
    limit, lately = (max(SHORT_OF_INJECTED_PCT, x) for x in (3.5 * scatter, 400 * u.injected_lately.sd))
    if (off < -limit or (off < -SHORT_OF_INJECTED_PCT and jump < -lately)) and not arrived:
        against = "the volume usually injected (the curve of this mould does not show its arrival volume)"
        return [words.short_fill(injected, u.injected_l, -off, against, 1.96 * scatter)]
    if off < -max(5.0, 4 * scatter) and not arrived and not odd_curve:
        return [words.stopped_before_vent(injected, None)]
    if arrived and n["overflow_l"] - bleed > OVER_PCT / 100 * own and n["overflow_low_l"] - bleed > 0.06 * own:
        over_pct = 100 * (n["overflow_l"] - bleed) / own
        return [] if odd_curve else [words.overfill(n["overflow_l"], over_pct, bleed, "this shot's arrival volume")]
    jumped = jump > max(OVER_INJECTED_PCT, 400 * u.injected_lately.sd)
    if off > OVER_INJECTED_PCT and (off > 4 * scatter or jumped) and not odd_curve:
        against = "the volume usually injected"
        return [words.overfill(injected - u.injected_l, off, 0.0, against)]
    return []


__all__ = ["volumes"]
