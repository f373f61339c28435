"""How much went in, against what the mould takes: short fill, stop before the vent, overfill."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from catchpot_faults import words_volume as words
from catchpot_faults.found import Found
from catchpot_faults.seen import Seen
from catchpot_faults.usual import LEAST_SHOTS

SHORT, OVER = 0.04, 0.10
"""What must be found: a stop so far short of arrival, so much past it beyond the bleed wanted."""
USUALLY_PAST, USUALLY_PAST_SD = 0.05, 0.02
"""How far past the vent a mould usually goes whose curve never shows its arrival: common practice, no source."""
OWN_FLOOR = 0.006
"""What one fit leaves open beside its interval, relative."""
MISSED_SD = 0.04
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
    logs, variances, scatter = [], [], 0.0
    if np.isfinite(u.arrival_l) and np.isfinite(u.arrival.value):
        logs.append(np.log(u.arrival_l) + u.arrival.value)
        variances.append(MISSED_SD**2 * (1.0 - u.arrivals_seen) ** 2 + 0.004**2)
        scatter = u.arrival.sd
    if u.shots >= LEAST_SHOTS:
        logs.append(np.log(max(u.injected_l - bleed, 1e-9) / (1.0 + USUALLY_PAST)))
        variances.append(USUALLY_PAST_SD**2)
        scatter = scatter if shown else u.injected.sd
    usual, level_sd = _weighed(logs, variances)
    usual_sd = float(np.hypot(level_sd, scatter))
    own, own_sd = n["arrival_volume_l"], np.inf
    if np.isfinite(own):
        own_sd = float(np.hypot((n["arrival_volume_high_l"] - n["arrival_volume_low_l"]) / (3.92 * own), OWN_FLOOR))
    if np.isfinite(usual) and abs(np.log(own / usual)) > 3 * np.hypot(usual_sd, own_sd):
        own_sd = np.inf  # a fit that went astray rather than a mould that takes so much less or more
    likely, sd = _weighed([np.log(usual), np.log(own)], [usual_sd**2, own_sd**2])
    return Takes(usual, usual_sd, likely, sd, shown) if np.isfinite(likely) else None


def _weighed(logs: list[float], variances: list[float]) -> tuple[float, float]:
    """Mean of what is known, weighed by its variance, and its s.d. (relative); NaN and inf of nothing."""
    known = [(x, v) for x, v in zip(logs, variances, strict=True) if np.isfinite(x) and np.isfinite(v)]
    total = sum(1 / v for _, v in known)
    if not total:
        return float("nan"), float("inf")
    return float(np.exp(sum(x / v for x, v in known) / total)), float(total**-0.5)


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
        return [words.overfill(n["overflow_l"], over_pct, bleed, "this shot's arrival volume", n["catch_pot_l"])]
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
    over = (injected - bleed) / known.likely_l - 1
    by_usual = (injected - bleed) / known.usual_l - 1
    habit = (u.injected_l - bleed) / known.usual_l - 1 if np.isfinite(u.injected_l) else 0.0
    jump, scatter = _jump(s, injected)
    if known.shown:
        least = max(OVER - 1.8 * known.sd, habit + 2.0 * known.sd, 0.8 * OVER)
        beyond = arrived and over > least and jump > max(0.25 * scatter, 0.01)
    else:
        beyond = over > 0.8 * OVER and jump > max(0.3 * OVER, 2.7 * scatter)
    # A mould that always lets a fifth past is more likely one whose arrival is read too early.
    surely = habit < 0.2 and (
        (arrived and over - 1.5 * known.sd > 0.95 * OVER) or n["catch_pot_l"] - bleed > OVER * known.likely_l
    )
    # What is set by hand and jumps far beyond its steps was set otherwise.
    set_otherwise = jump > max(0.3 * OVER, 3.5 * scatter) and max(over, by_usual) > 0.8 * OVER
    if not (beyond or surely or set_otherwise):
        return []
    over = max(over, by_usual) if set_otherwise else over
    against = "the usual arrival volume" if known.shown else "the volume that usually fills it"
    return [words.overfill(over * known.likely_l + bleed, 100 * over, bleed, against, n["catch_pot_l"])]


__all__ = ["Takes", "takes", "volumes"]
