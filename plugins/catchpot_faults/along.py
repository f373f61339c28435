"""What explains a curve that leaves its usual course: restriction, gel, a lifting cover, a race track."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from catchpot_faults import words_curve as words
from catchpot_faults.compare import Course
from catchpot_faults.curves import GRID
from catchpot_faults.found import Found
from catchpot_faults.seen import Seen, or_none
from catchpot_faults.usual import LEAST_SHOTS


def along(s: Seen, gas: list[Found]) -> list[Found]:
    """Restriction, gel, lifting cover, race track: at most one of them explains a curve."""
    c, u, n = s.course, s.usual, s.number
    alone = u.shots < LEAST_SHOTS
    # The book's curve of a front that narrows to a point is no measure for a real one's last stretch.
    if c is None or (alone and s.number["book.taper"] < 0.3):
        return _gap_alone(s)
    odd = c.left > max(8.0, 2.5 * np.nan_to_num(u.left, nan=2.0)) if not alone else c.left > 20.0
    gap = n["gap_rise_mm"]
    gap_logged = np.isfinite(gap)
    opened = gap_logged and gap > 0.12 and (u.gap_rise.off(gap) > 5 or not np.isfinite(u.gap_rise.value))
    ended = not np.isfinite(c.jump)  # too near an end for straight lines on both sides
    jumped = c.jump > 4 * c.jump_sd and c.jump > max(0.03, 0.55 * c.step_size)
    clear = c.left > 8.0  # a mould whose curves scatter much still shows what is large
    least_gain, least_total = (0.9, 1.5) if alone else (0.75, 1.12)
    gels = odd or (clear and c.growth_total > 1.5)
    gels &= not gas and c.growth_share < 0.9 and c.growth_gain > least_gain
    gels &= 0 < c.growth_s < 300 and c.growth_total > least_total
    gels &= c.growth_gain > max(c.fade_gain, c.drop_gain) + 0.2
    fallen = not alone and c.late - u.late.value < -0.05
    explains = c.step_gain > max(0.6, c.fade_gain - 0.02) and c.step_size > 0.04
    steps = odd and not fallen and explains and (jumped or (ended and c.step_gain > 0.85))
    if gels and c.growth_gain < c.step_gain - 0.02 and jumped:
        gels = False
    if gels or steps:
        gel = words.early_gel(
            c.growth_share * s.share_l, s.share_l, c.growth_s, c.growth_total, or_none(n["book.gel_time_s"])
        )
        step = words.flow_restriction(c.step_share * s.share_l, s.share_l, 100 * c.step_size, _line_factor(s))
        if not (gels and steps):
            return [gel if gels else step]
        first, second = (gel, step) if c.growth_gain >= c.step_gain - 0.02 else (step, gel)
        close = abs(c.growth_gain - c.step_gain) < 0.05
        return [first, replace(second, rank=2)] if close else [first]
    at_once = c.drop_gain > c.fade_gain + 0.05 or -c.drop_jump > 0.5 * abs(c.drop_size)
    dropped = c.drop_gain > 0.4 and c.drop_gain > c.fade_gain and c.drop_size < -0.08
    sudden = (odd or (clear and c.drop_size < -0.15)) and dropped and at_once
    if opened or (sudden and not gap_logged and not alone):
        fall = -100 * c.drop_size if sudden else None
        at = (c.drop_share if sudden else 0.0) * s.share_l
        lifted = words.cover_lifting(at, s.share_l, fall, gap if opened else None)
        # Without a gauge on the flange a channel that opens on the way looks much the same.
        other = [] if opened else _raced(s, c, odd, sudden, bool(gas))
        return [lifted, *(replace(f, rank=2) for f in other)]
    if alone:
        return []
    return _raced(s, c, odd, sudden, bool(gas)) or _from_start(s, c)


def _raced(s: Seen, c: Course, odd: bool, sudden: bool, gas: bool) -> list[Found]:
    """Low resistance that falls further on the way, with what the arrival says for or against it; or low all along."""
    n, u = s.number, s.usual
    late, tilt = u.late.off(c.late), u.tilt.off(c.late - c.early)
    low = c.late - u.late.value
    leaning = c.late - c.early - u.tilt.value
    arrival = n["arrival_volume_l"]
    early_pct = 100 * (arrival / u.arrival_l - 1) if np.isfinite(arrival) and np.isfinite(u.arrival_l) else None
    later = early_pct is not None and early_pct > 100 * 2.5 * u.arrival.sd
    on_time = early_pct is not None and u.arrivals_seen >= 0.25 and early_pct > -50 * u.arrival.sd
    # A mould whose arrival always shows, and now does not though enough went in: the front came in pieces.
    vanished = u.arrivals_seen > 0.85 and early_pct is None and n["injected_volume_l"] > u.arrival_l
    # A cavity that opens as the clamp weakens takes more: its arrival is later, not in pieces.
    vanished &= u.arrivals_lately > 0.7 and u.clamp_mbar.off(n["clamp_start_mbar"]) < 4
    # Lower late than early: much, or little on a mould whose curves hardly lean.
    leans = leaning < -0.08 and tilt < -4.0 and low < -0.05
    leans |= leaning < -0.015 and tilt < -4.5 and low < -0.08 and late < -1.2
    # The same fall all along is what a lighter pack or a thinner resin makes, and no channel: it is called that.
    falls = low < -0.12 and late < (-3.3 if leaning < -0.04 else -4.5 if s.new_batch else -3.4)
    early = early_pct is not None and early_pct < -250 * u.arrival.sd and low < -0.12 and late < -2.3
    both = low < -0.15 and late < -2.8 and leaning < -0.06 and tilt < -2.5
    fades = odd and c.fade_gain > max(0.6, c.growth_gain, c.drop_gain - 0.05) and (vanished or low < -0.1)
    apart = c.left > u.left or (c.left > 8.0 and c.fade_gain > 0.4)
    fades |= vanished and c.fade_gain > 0.15 and apart and low < -0.12 and late < -1.0
    in_pieces = vanished and low < -0.15 and late < -2.0 and leaning < -0.05
    shows = leans or early or both or fades or in_pieces
    if gas or later or (on_time and not sudden) or not (sudden or shows or falls):
        return []
    pack = words.permeable_pack(
        100 * np.expm1(c.early - u.early.value), 100 * np.expm1(low), 100 * u.late.sd, s.new_batch
    )
    if not (sudden or shows) and tilt > -3.0:
        return [pack]
    end = _at_end(c) - u.late.value
    raced = words.race_tracking(
        100 * np.expm1(low), 100 * u.late.sd, 100 * np.expm1(end) if fades and end < low - 0.1 else None, early_pct,
        vanished, s.new_batch,
    )  # fmt: skip
    # A lean that is more than scatter, but less than a channel's usually is: history can't quite tell.
    return [raced] if sudden or shows else [raced, replace(pack, rank=2)]


def _at_end(c: Course) -> float:
    """Log of resistance over usual where the curve ends, before the usual arrival volume."""
    known = np.flatnonzero(np.isfinite(c.ratio) & (c.ratio > 0) & (GRID <= 1.0))
    return float(np.log(np.median(c.ratio[known[-5:]]))) if len(known) else float("nan")


def _from_start(s: Seen, c: Course) -> list[Found]:
    u = s.usual
    high, low = c.early - u.early.value, c.late - u.late.value
    if u.early.off(c.early) > 4.5 and high > 0.25 and high - low > 0.08:
        return [words.restriction_from_start(100 * np.expm1(high), 100 * np.expm1(low), 100 * u.early.sd)]
    return []


def _gap_alone(s: Seen) -> list[Found]:
    gap = s.number["gap_rise_mm"]
    if np.isfinite(gap) and gap > 0.12 and s.usual.gap_rise.off(gap) > 5:
        return [words.cover_lifting(0.0, s.share_l, None, gap)]
    return []


def _line_factor(s: Seen) -> float | None:
    """The line's resistance after a step over what it was; None where the fit could not tell the line from the bed."""
    c, line = s.course, s.number["line_resistance_per_m3"]
    if c is None or not np.isfinite(line) or line <= 0 or s.usual.shots < LEAST_SHOTS:
        return None
    here = float(np.interp(c.step_share, np.arange(len(s.usual.resistance)) * 0.0075 + 0.005, s.usual.resistance))
    before = line / 6e6  # Pa s/m3 over Pa s, in mbar min/l
    return 1.0 + c.step_size * here / before


__all__ = ["along"]
