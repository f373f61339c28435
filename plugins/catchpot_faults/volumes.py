"""How much went in, against what the mould takes: short fill, stop before the vent, overfill."""

from __future__ import annotations

import numpy as np

from catchpot_faults import words_volume as words
from catchpot_faults.found import Found
from catchpot_faults.seen import Seen
from catchpot_faults.takes import Takes, chance_past, past_share
from catchpot_faults.usual import LEAST_SHOTS, Expected

SHORT, OVER = 0.04, 0.10
"""What must be found: a stop so far short of arrival, so much past it beyond the bleed wanted."""
LEAST_CHANCE = 0.1
"""Chance of having gone past the bar from which on it is said. Looking into a catch pot in vain costs a moment, a pot
that runs over costs a pump: weighed at ten to one. Healthy shots go 4 to 8 % past; at one in two a shot exactly at
the bar would be missed as often as found. What it lets through is measured (tests/studies/results/faults.csv)."""
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
    odd_curve = any(f.kind in _SPOILS_ARRIVAL for f in found)
    arrived = bool(np.isfinite(own) and own < injected)
    known = s.takes
    if u.shots < LEAST_SHOTS and not (known is not None and known.shown):
        return _by_book(s, injected, arrived)
    assert known is not None
    short = _short(s, known, injected, arrived, odd_curve)
    if not short and not arrived and not odd_curve and _never_reaches_the_pot(s):
        return [words.stopped_before_vent(injected, known.usual_l if known.shown else None, weighed=True)]
    if short or odd_curve:
        return short
    return _over(s, known, injected, arrived) if u.shots >= LEAST_SHOTS else _by_book(s, injected, arrived)


def _by_book(s: Seen, injected: float, arrived: bool) -> list[Found]:
    """A mould's first shots: only what the book's geometry and the shot's own curve can't bear."""
    n = s.number
    own, bleed = n["arrival_volume_l"], np.nan_to_num(n["book.bleed_target_l"])
    programmed = n["programmed_volume_l"]
    # Uneven fronts reach the vent well before the part is full, a front that widens (from a port) much more so.
    least = 0.6 if n["book.taper"] > 1.5 else 0.75
    if np.isfinite(s.book_l) and not arrived and injected < least * s.book_l:
        against = "what the mould book's geometry takes"
        return [words.short_fill(injected, s.book_l, 100 * (1 - injected / s.book_l), against, 20.0, programmed)]
    # One curve may be read too early: less than the mould's own geometry takes can't be too much.
    if arrived and n["overflow_low_l"] - bleed > 0.095 * own and not injected < 0.97 * s.book_l:
        over_pct = 100 * (n["overflow_l"] - bleed) / own
        unsure, against = n["overflow_l"] - n["overflow_low_l"], "this shot's arrival volume"
        return [words.overfill(n["overflow_l"], unsure, over_pct, None, bleed, against, n["catch_pot_l"])]
    return []


def _never_reaches_the_pot(s: Seen) -> bool:
    """Whether this mould's weighed catch pots hold nothing as a rule, and this one too, with no hose to keep resin."""
    least = 0.003 * s.share_l
    empty = s.number["catch_pot_l"] < least and s.usual.catch_pot_l < least and s.usual.shots >= LEAST_SHOTS
    return bool(empty and np.nan_to_num(s.number["book.vent_hose_volume_l"]) <= 0)


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
    programmed = n["programmed_volume_l"]
    stopped = np.log(injected / programmed) < u.of_programmed.value - max(0.025, 3 * u.of_programmed.sd)
    mostly = known.shown and u.arrivals_seen > 0.6
    if known.shown:
        # A quarter of what must be found, or half of the mould's own scatter, more where arrivals are often missed;
        # and less went in than usually does.
        least = (1.0 if mostly else 1.6) * max(SHORT / 4, 0.5 * known.usual_sd)
        if -jump > max(SHORT, 3.5 * scatter):  # set otherwise, or stopped: no scatter of the mould
            least = 0.75 * least
        if short > least and -jump > max(SHORT / 2, scatter) and not (flat and short < 0.08):
            against = "the usual arrival volume"
            return [words.short_fill(injected, known.usual_l, 100 * short, against, 196 * known.usual_sd, programmed)]
        if short > 0.005 and mostly and not odd_curve and not flat:
            return [words.stopped_before_vent(injected, known.usual_l)]
    if not mostly and -jump > (max(0.02, scatter) if stopped else max(0.045, 2.2 * scatter)):
        against = "the volume usually injected (the curve of this mould does not show its arrival volume)"
        off = 1 - injected / u.injected_l
        return [words.short_fill(injected, u.injected_l, 100 * off, against, 196 * scatter, programmed)]
    return []


def _over(s: Seen, known: Takes, injected: float, arrived: bool) -> list[Found]:
    n, u = s.number, s.usual
    bleed = float(np.nan_to_num(n["book.bleed_target_l"]))
    over = past_share(s, known)
    if not np.isfinite(u.over.value):
        return _by_book(s, injected, arrived)
    # Witnesses that have agreed so far are no sharper for that than what fronts leave open.
    usual = Expected(u.over.value, max(u.over.sd * (1.0 + 1.5 / u.shots), known.least_sd))
    chance = chance_past(over, known.sd, usual, OVER)
    # A mould that always lets a fifth past is more likely one whose arrival is read too early.
    surely = usual.value < 0.2 and (
        (arrived and over - 1.5 * known.sd > 0.95 * OVER) or n["catch_pot_l"] - bleed > OVER * known.likely_l
    )
    if not (surely or (chance > LEAST_CHANCE and usual.value < OVER)):
        return []
    against = "the usual arrival volume" if known.shown else "the volume that usually fills it"
    over_l, unsure_l = over * known.likely_l + bleed, 1.96 * known.sd * known.likely_l
    usual_pct = 100 * u.over.value
    return [words.overfill(over_l, unsure_l, 100 * over, usual_pct, bleed, against, n["catch_pot_l"])]


__all__ = ["volumes"]
