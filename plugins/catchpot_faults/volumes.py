"""How much went in, against what the mould takes: short fill, stop before the vent, overfill."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from catchpot_faults import words
from catchpot_faults.seen import Seen
from catchpot_faults.usual import LEAST_SHOTS
from catchpot_faults.words import Found

SHORT, OVER = 0.04, 0.10
"""What must be found: a stop so far short of arrival, so much past it beyond the bleed wanted."""
USUALLY_PAST, USUALLY_PAST_SD = 0.05, 0.02
"""How far past the vent a mould usually goes whose curve never shows its arrival: common practice, no source."""
MISSED_SD = 0.03
"""What the arrivals found leave open where most are not found: it is the late ones that show."""
_SPOILS_ARRIVAL = (
    "race_tracking", "air_in_line", "sensor_stuck", "early_gel", "flow_restriction", "cover_lifting", "vent_blocked",
    "vacuum_lost", "sensor_offset",
)  # fmt: skip


@dataclass(frozen=True)
class Takes:
    """What the mould takes in this shot until resin arrives, l.

    usual_l, usual_sd: by the mould's past, with its scatter from shot to shot (relative). likely_l, sd: with what this
    shot's own curve says, each weighed by its interval. shown: whether the mould's curves show their arrival.
    """

    usual_l: float
    usual_sd: float
    likely_l: float
    sd: float
    shown: bool


def takes(s: Seen) -> Takes | None:
    """The mould's usual arrival volume and this shot's own, put together; None where neither past nor curve tells."""
    n, u = s.number, s.usual
    bleed = float(np.nan_to_num(n["book.bleed_target_l"]))
    shown = bool(np.isfinite(u.arrival_l) and u.arrivals_seen >= 0.25 and np.isfinite(u.arrival.value))
    if shown:
        usual = u.arrival_l * float(np.exp(u.arrival.value))
        usual_sd = float(np.hypot(u.arrival.sd, MISSED_SD * (1.0 - u.arrivals_seen)))
    elif u.shots >= LEAST_SHOTS:
        usual = (u.injected_l - bleed) / (1.0 + USUALLY_PAST)
        usual_sd = float(np.hypot(u.injected.sd, USUALLY_PAST_SD))
    else:
        usual, usual_sd = np.nan, np.inf
    own, own_sd = n["arrival_volume_l"], np.inf
    if np.isfinite(own):
        own_sd = max((n["arrival_volume_high_l"] - n["arrival_volume_low_l"]) / (3.92 * own), 0.004)
    weights = np.array([1 / usual_sd**2, 1 / own_sd**2])
    if not weights.sum() > 0:
        return None
    logs = np.log([usual if np.isfinite(usual) else 1.0, own if np.isfinite(own) else 1.0])
    likely = float(np.exp((weights @ logs) / weights.sum()))
    return Takes(float(usual), usual_sd, likely, float(weights.sum() ** -0.5), shown)


def volumes(s: Seen, found: list[Found]) -> list[Found]:
    """Short fill, stop before the vent, overfill: at most one; found: what else was found of the shot."""
    n, u = s.number, s.usual
    injected, own = n["injected_volume_l"], n["arrival_volume_l"]
    if not np.isfinite(injected):
        return []
    odd_curve = any(f.kind in _SPOILS_ARRIVAL for f in found)
    arrived = bool(np.isfinite(own) and own < injected)
    known = takes(s)
    if u.shots < LEAST_SHOTS and not (known is not None and known.shown):
        return _by_book(s, injected, arrived)
    assert known is not None
    short = _short(s, known, injected, arrived, odd_curve)
    return short if short or odd_curve else _over(s, known, injected, arrived)


def _by_book(s: Seen, injected: float, arrived: bool) -> list[Found]:
    """A mould's first shots: only what the book's geometry and the shot's own curve can't bear."""
    n = s.number
    own, bleed = n["arrival_volume_l"], np.nan_to_num(n["book.bleed_target_l"])
    # Uneven fronts reach the vent well before the part is full, a front that widens (from a port) much more so.
    least = 0.6 if n["book.taper"] > 1.5 else 0.75
    if np.isfinite(s.book_l) and not arrived and injected < least * s.book_l:
        against = "what the mould book's geometry takes"
        return [words.short_fill(injected, s.book_l, 100 * (1 - injected / s.book_l), against, 20.0)]
    if arrived and n["overflow_low_l"] - bleed > 0.093 * own:
        over_pct = 100 * (n["overflow_l"] - bleed) / own
        return [words.overfill(n["overflow_l"], over_pct, bleed, "this shot's arrival volume")]
    return []


def _jump(s: Seen, injected: float) -> tuple[float, float]:
    """Log of the injected volume over what was usual, the lesser of all and of lately; and its scatter."""
    u = s.usual
    off = float(np.log(injected / u.injected_l))
    lately = off - u.injected_lately.value if np.isfinite(u.injected_lately.value) else off
    scatter = u.injected.sd * (1.0 + 3.0 / u.shots)  # few shots may lie closer together than the next ones will
    return (off if abs(off) < abs(lately) else lately), scatter


def _short(s: Seen, known: Takes, injected: float, arrived: bool, odd_curve: bool) -> list[Found]:
    n, u = s.number, s.usual
    if arrived:
        return []
    short = 1 - injected / known.usual_l
    jump, scatter = _jump(s, injected)
    flat = n["end_growth"] < 0.3  # fits miss an arrival now and then
    if known.shown:
        # A quarter of what must be found, or half of the mould's own scatter, twice that where arrivals are often
        # missed; and less went in than usually does.
        often = 1.0 if u.arrivals_seen > 0.6 else 2.0
        least = often * max(SHORT / 4, 0.5 * known.usual_sd)
        if short > least and -jump > max(SHORT / 2, scatter) and not (flat and short < 0.08):
            against = "the usual arrival volume"
            return [words.short_fill(injected, known.usual_l, 100 * short, against, 196 * known.usual_sd)]
        if short > 0.005 and u.arrivals_seen > 0.6 and not odd_curve and not flat:
            return [words.stopped_before_vent(injected, known.usual_l)]
        return []
    if -jump > max(0.045, 2.2 * scatter):
        against = "the volume usually injected (the curve of this mould does not show its arrival volume)"
        off = 1 - injected / u.injected_l
        return [words.short_fill(injected, u.injected_l, 100 * off, against, 196 * scatter)]
    return []


def _over(s: Seen, known: Takes, injected: float, arrived: bool) -> list[Found]:
    n, u = s.number, s.usual
    bleed = float(np.nan_to_num(n["book.bleed_target_l"]))
    over = (injected - bleed) / known.likely_l - 1
    jump, scatter = _jump(s, injected)
    habit = (u.injected_l - bleed) / known.usual_l - 1
    if known.shown:
        least = max(OVER - 1.8 * known.sd, habit + 1.3 * known.sd, 0.8 * OVER)
        more = arrived and jump > max(-0.5 * scatter, 0.0075)
    else:
        least, more = 0.8 * OVER, jump > max(0.3 * OVER, 2.7 * scatter)
    surely = arrived and over - 1.5 * known.sd > 0.95 * OVER
    if not ((more and over > least) or surely):
        return []
    against = "the usual arrival volume" if known.shown else "the volume that usually fills it"
    return [words.overfill((over * known.likely_l + bleed), 100 * over, bleed, against)]


__all__ = ["Takes", "takes", "volumes"]
