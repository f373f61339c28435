"""From evidence to names: each finding has its physical evidence; causes are told from what follows from them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from catchpot_faults import words
from catchpot_faults.compare import Course
from catchpot_faults.usual import LEAST_SHOTS, Usual
from catchpot_faults.within import Rise
from catchpot_faults.words import Found

SHORT_PCT, SHORT_OF_INJECTED_PCT, OVER_PCT, OVER_INJECTED_PCT = 3.3, 9.0, 9.3, 6.0
"""Short of, and past, the usual arrival volume: a little below what must be found, for the meter's own scatter."""
LINE_OFFSET_BAR, GAUGE_OFFSET_MBAR = 0.02, 14.0
_SPOILS_ARRIVAL = (
    "race_tracking", "air_in_line", "sensor_stuck", "early_gel", "flow_restriction", "cover_lifting", "vent_blocked",
    "vacuum_lost",
)  # fmt: skip
STILL_S, STILL_LOG10 = 8.0, -8.0


@dataclass
class Seen:
    """Everything known of one shot. number: columns by name. ratio: catalyst. spoiled: its curve can't be judged."""

    i: int
    number: dict[str, float]
    still_channel: str | None
    usual: Usual
    course: Course | None
    rise: Rise
    level: float
    share_l: float
    book_l: float
    new_batch: bool
    ratio: dict[str, float]
    viscosity: float
    spoiled: bool = False


def name_all(s: Seen) -> list[Found]:
    """All findings of a shot but `unusual_shape`; marks the shot as spoiled where a gauge can't be believed."""
    found = _gauges(s)
    stuck = s.still_channel if any(f.kind == "sensor_stuck" for f in found) else None
    if stuck not in ("flow_l_min", "catalyst_flow_ml_min"):
        found += _catalyst(s)
    s.spoiled = stuck in ("flow_l_min", "line_pressure_bar", "cavity_pressure_mbar")
    air = _air(s)
    found += air
    s.spoiled |= bool(air)
    cavity_known = stuck != "cavity_pressure_mbar"
    gas = _cavity(s) if cavity_known else []
    found += gas
    if not s.spoiled:
        found += _along(s, gas)
    if stuck != "flow_l_min":
        found += _volumes(s, found)
    return found + _clamp(s, found)


def _gauges(s: Seen) -> list[Found]:
    n, u, out = s.number, s.usual, []
    if s.still_channel is not None and n["still_log10_chance"] < STILL_LOG10 and n["still_s"] >= STILL_S:
        begin, end = (_or_none(n[k]) for k in ("still_from_volume_l", "still_to_volume_l"))
        out.append(
            words.sensor_stuck(s.still_channel, n["still_value"], n["still_s"], int(n["still_samples"]), begin, end)
        )
    rest = n["line_rest_bar"]
    usually_low = u.line_rest.value < -0.5 * LINE_OFFSET_BAR and u.line_rest.off(rest) > -5
    if abs(rest) >= LINE_OFFSET_BAR and n["line_rest_samples"] >= 3 and not (rest < 0 and usually_low):
        tail = " Pressure left in a full hose would look alike: open it carefully." if rest > 0 else ""
        out.append(
            words.sensor_offset(
                "line_pressure_bar", rest, rest, "nought, before any flow", int(n["line_rest_samples"]), tail
            )
        )
    out += _gauge_at_ambient(s)
    out += [
        words.vacuum_impossible(f"{g}_pressure_mbar", n[f"{g}_least_mbar"])
        for g in ("cavity", "clamp")
        if n[f"{g}_least_mbar"] < -3.0
    ]
    return out


def _gauge_at_ambient(s: Seen) -> list[Found]:
    """Cavity and clamp gauge before evacuation, against the barometer, each other, and their own past."""
    n, u = s.number, s.usual
    cavity, clamp, ambient = n["cavity_rest_mbar"], n["clamp_rest_mbar"], n["ambient_logged_mbar"]
    samples = int(np.nan_to_num(n["cavity_rest_samples"]))
    out = []
    if np.isfinite(ambient):
        if abs(cavity - ambient) >= GAUGE_OFFSET_MBAR:
            against = f"the barometer's {ambient:.0f} mbar, before evacuation"
            out.append(words.sensor_offset("cavity_pressure_mbar", cavity - ambient, cavity, against, samples))
        if abs(clamp - ambient) >= GAUGE_OFFSET_MBAR:
            against = f"the barometer's {ambient:.0f} mbar, before evacuation"
            out.append(words.sensor_offset("clamp_pressure_mbar", clamp - ambient, clamp, against, samples))
        return out
    expected = 1013.25 + u.cavity_rest.value
    moved = n["cavity_rest_off_mbar"] - u.cavity_rest.value
    weather = max(GAUGE_OFFSET_MBAR, 4.0 * u.cavity_rest.sd)
    if np.isfinite(clamp) and abs(cavity - clamp) >= GAUGE_OFFSET_MBAR:
        mine = not np.isfinite(moved) or abs(moved) >= abs(clamp - expected)
        channel, other = ("cavity_pressure_mbar", "clamp") if mine else ("clamp_pressure_mbar", "cavity")
        reading, witness = (cavity, clamp) if mine else (clamp, cavity)
        tail = " No barometer is logged: which of the two is off is a guess from this mould's past readings."
        words_against = f"the {other} gauge, both at ambient before evacuation"
        out.append(words.sensor_offset(channel, reading - witness, reading, words_against, samples, tail))
    elif abs(moved) >= weather:
        against = f"the {expected:.0f} mbar it usually reads before evacuation, more than weather does"
        out.append(words.sensor_offset("cavity_pressure_mbar", moved, cavity, against, samples))
    return out


def _catalyst(s: Seen) -> list[Found]:
    r, n = s.ratio, s.number
    setting, tolerance = n["ratio.setting"], n["ratio.tolerance"]
    if not np.isfinite(setting) or not np.isfinite(r["whole"]):
        return []
    mass = n["ratio.to_mass"]
    k, basis = (mass, "by mass") if np.isfinite(mass) else (1.0, "by volume")
    volume = n["curve_volume_l"]
    if r["starved_share"] >= 0.03:
        return [
            words.catalyst_starved(
                k * r["starved_ratio"], k * setting, 100 * r["starved_share"], r["starved_from"] * volume,
                r["starved_to"] * volume, basis,
            )
        ]  # fmt: skip
    # The window is 4 % wide: a stretch shows up longer by that at most, shorter at its ragged ends.
    if r["off_share"] < 0.07:
        return []
    return [
        words.ratio_off(
            k * r["in_stretch"], k * setting, k * tolerance, 100 * r["off_share"], r["from_share"] * volume,
            r["to_share"] * volume, basis, k * r["whole"],
        )
    ]  # fmt: skip


def _air(s: Seen) -> list[Found]:
    n = s.number
    count = int(np.nan_to_num(n["slugs"]))
    if count < 2 or count < 1.5 * s.usual.slugs + 2:
        return []
    # Two dips may be a pump's hiccup; they are named where most of the pressure was gone.
    if count < 3 and (n["slugs_depth_pct"] < 38 or n["slugs_s"] < 1.5):
        return []
    return [
        words.air_in_line(
            count, n["slugs_s"], n["slugs_depth_pct"], _or_none(n["slugs_from_volume_l"]),
            _or_none(n["slugs_to_volume_l"]),
        )
    ]  # fmt: skip


def _cavity(s: Seen) -> list[Found]:
    rise = s.rise
    if rise.mbar < 60:
        return []
    at = rise.begins * s.share_l
    if rise.compressed:
        margin = _or_none(s.number["clamp_margin_n"])
        return [words.vent_blocked(rise.mbar, rise.top_mbar, at, s.share_l, margin)]
    return [words.vacuum_lost(rise.mbar, rise.top_mbar, at, s.share_l)]


def _along(s: Seen, gas: list[Found]) -> list[Found]:
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
    gels = (
        odd and not gas and c.growth_share < 0.9 and c.growth_gain > (0.75 if not alone else 0.9)
        and 0 < c.growth_s < 300 and c.growth_total > (1.12 if not alone else 1.5)
    )  # fmt: skip
    steps = odd and c.step_gain > 0.6 and c.step_size > 0.04 and (jumped or (ended and c.step_gain > 0.85))
    if gels and c.growth_gain < c.step_gain - 0.02 and jumped:
        gels = False
    if gels or steps:
        gel = words.early_gel(
            c.growth_share * s.share_l, s.share_l, c.growth_s, c.growth_total, _or_none(n["book.gel_time_s"])
        )
        step = words.flow_restriction(c.step_share * s.share_l, s.share_l, 100 * c.step_size, _line_factor(s))
        if not (gels and steps):
            return [gel if gels else step]
        first, second = (gel, step) if c.growth_gain >= c.step_gain - 0.02 else (step, gel)
        close = abs(c.growth_gain - c.step_gain) < 0.05
        return [first, replace(second, rank=2)] if close else [first]
    at_once = c.drop_gain > c.fade_gain + 0.05 or -c.drop_jump > 0.5 * abs(c.drop_size)
    sudden = odd and c.drop_gain > 0.5 and c.drop_gain > c.fade_gain and at_once and c.drop_size < -0.08
    if opened or (sudden and not gap_logged and not alone):
        fall = -100 * c.drop_size if sudden else None
        at = (c.drop_share if sudden else 0.0) * s.share_l
        return [words.cover_lifting(at, s.share_l, fall, gap if opened else None)]
    if alone:
        return []
    late, tilt = u.late.off(c.late), u.tilt.off(c.late - c.early)
    low = c.late - u.late.value
    leaning = c.late - c.early - u.tilt.value
    arrival = n["arrival_volume_l"]
    early_pct = 100 * (arrival / u.arrival_l - 1) if np.isfinite(arrival) and np.isfinite(u.arrival_l) else None
    later = early_pct is not None and early_pct > 100 * 2.5 * u.arrival.sd
    leans = tilt < -4.0 and leaning < -0.08 and low < -0.05
    # The same fall all along is what a thinner resin or a lighter pack makes too: more is asked of it.
    falls = low < -0.12 and late < (-3.3 if leaning < -0.04 else -4.5 if s.new_batch else -3.4)
    early = early_pct is not None and early_pct < -250 * u.arrival.sd and low < -0.12 and late < -2.3
    both = low < -0.15 and late < -2.8 and leaning < -0.06 and tilt < -2.5
    if not gas and not later and (leans or falls or early or both or sudden):
        return [
            words.race_tracking(100 * np.expm1(low), 0.0, 100 * u.late.sd, early_pct, u.arrival_l, s.new_batch, None)
        ]
    high = c.early - u.early.value
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


def _volumes(s: Seen, found: list[Found]) -> list[Found]:
    n, u = s.number, s.usual
    injected, own = n["injected_volume_l"], n["arrival_volume_l"]
    if not np.isfinite(injected):
        return []
    bleed = np.nan_to_num(n["book.bleed_target_l"])
    odd_curve = any(f.kind in _SPOILS_ARRIVAL for f in found)
    arrived = np.isfinite(own) and own < injected
    # Resistance that still grows at the end as it did before, shot after shot, is a mould stopped before the vent.
    habit = u.arrivals_seen < 0.1 and u.end_growth.value > 0.8 and u.end_growth.sd < 0.3
    if np.isfinite(u.arrival_l) and u.arrivals_seen >= 0.25:
        expected, sd, against = u.arrival_l, u.arrival.sd, "the usual arrival volume"
        short = 100 * (1 - injected / expected)
        if not arrived and short > SHORT_PCT:
            return [words.short_fill(injected, expected, short, against, 196 * sd)]
        seldom_missed = u.arrivals_seen > 0.85
        if not arrived and short > (-100 * 1.5 * sd if seldom_missed else 0.5) and not odd_curve:
            return [words.stopped_before_vent(injected, expected, False)]
        over = n["overflow_l"] if arrived else injected - expected
        room = OVER_PCT / 100 + (0.0 if arrived else 1.5 * sd)
        # A fixed programme lets past what the cavity happens not to take: within the mould's habit that is no fault.
        habit_over, habit_sd = np.nan_to_num(u.overflow.value), min(u.overflow.sd, 0.02)
        beyond = habit_over > OVER_PCT / 100 or over / expected > habit_over + max(0.025, 2.5 * habit_sd)
        if over - bleed > room * expected and beyond and not odd_curve and (arrived or u.arrivals_seen < 0.7):
            return [words.overfill(over, 100 * (over - bleed) / expected, bleed, against)]
        return []
    if u.shots >= LEAST_SHOTS:
        off = 100 * (injected / u.injected_l - 1)
        scatter = 100 * u.injected.sd
        if off < -max(SHORT_OF_INJECTED_PCT, 3.5 * scatter) and not arrived:
            against = "the volume usually injected (the curve of this mould does not show its arrival volume)"
            return [words.short_fill(injected, u.injected_l, -off, against, 1.96 * scatter)]
        if habit and not arrived:
            return [words.stopped_before_vent(injected, None, True)]
        if off < -max(5.0, 4 * scatter) and not arrived and not odd_curve:
            return [words.stopped_before_vent(injected, None, False)]
        jump = 100 * (np.log(injected / u.injected_l) - u.injected_lately.value)
        jumped = jump > max(OVER_INJECTED_PCT, 400 * u.injected_lately.sd)
        if off > OVER_INJECTED_PCT and (off > 4 * scatter or jumped) and not odd_curve:
            against = "the volume usually injected"
            return [words.overfill(injected - u.injected_l, off, 0.0, against)]
        return []
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


def _clamp(s: Seen, found: list[Found]) -> list[Found]:
    n, u = s.number, s.usual
    if any(f.kind in ("vent_blocked", "vacuum_lost", "cover_lifting", "sensor_offset", "sensor_stuck") for f in found):
        return []
    clamp = n["clamp_start_mbar"]
    if not (u.clamp_mbar.off(clamp) > 5 and clamp - u.clamp_mbar.value > 60):
        return []
    return [
        words.clamp_margin_low(clamp, u.clamp_mbar.value, _or_none(n["clamp_margin_n"]), _or_none(u.clamp_margin.value))
    ]


def _or_none(value: float) -> float | None:
    return value if np.isfinite(value) else None


__all__ = ["Seen", "name_all"]
