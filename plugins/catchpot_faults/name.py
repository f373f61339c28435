"""From evidence to names: each finding has its physical evidence; causes are told from what follows from them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from catchpot_faults import words_gauge, words_machine
from catchpot_faults.along import along
from catchpot_faults.found import Found
from catchpot_faults.seen import Seen, or_none
from catchpot_faults.volumes import volumes

LINE_OFFSET_BAR, GAUGE_OFFSET_MBAR = 0.02, 14.0
WEATHER_MBAR = 25.0
"""How far a cavity gauge must have moved against its own past where neither barometer nor clamp gauge is a witness."""
STILL_S, STILL_LOG10 = 8.0, -6.0


def name_all(s: Seen) -> list[Found]:
    """All findings of a shot but `unusual_shape`; marks the shot as spoiled where a gauge can't be believed."""
    found = _gauges(s)
    stuck = s.still_channel if any(f.kind == "sensor_stuck" for f in found) else None
    if stuck not in ("flow_l_min", "catalyst_flow_ml_min"):
        found += _catalyst(s)
    s.spoiled = stuck in ("flow_l_min", "line_pressure_bar", "cavity_pressure_mbar")
    air = _air(s)
    s.spoiled |= bool(air)
    cavity_known = stuck != "cavity_pressure_mbar"
    gas = _cavity(s) if cavity_known else []
    # Gas that finds no way out makes the pressure stumble too.
    blocked = any(f.kind == "vent_blocked" and f.rank == 1 for f in gas)
    found += [replace(f, rank=2) for f in air] if blocked else air
    found += gas
    if not s.spoiled:
        found += along(s, gas)
    if stuck != "flow_l_min":
        found += volumes(s, found)
    return found + _clamp(s, found)


def _gauges(s: Seen) -> list[Found]:
    n, u, out = s.number, s.usual, []
    if s.still_channel is not None and n["still_log10_chance"] < STILL_LOG10 and n["still_s"] >= STILL_S:
        begin, end = (or_none(n[k]) for k in ("still_from_volume_l", "still_to_volume_l"))
        out.append(
            words_gauge.sensor_stuck(
                s.still_channel, n["still_value"], n["still_s"], int(n["still_samples"]), begin, end
            )
        )
    rest = n["line_rest_bar"]
    usually_low = u.line_rest.value < -0.5 * LINE_OFFSET_BAR and u.line_rest.off(rest) > -5
    if abs(rest) >= LINE_OFFSET_BAR and n["line_rest_samples"] >= 3 and not (rest < 0 and usually_low):
        tail = " Pressure left in a full hose would look alike: open it carefully." if rest > 0 else ""
        out.append(
            words_gauge.sensor_offset(
                "line_pressure_bar", rest, rest, "nought, before any flow", int(n["line_rest_samples"]), tail
            )
        )
    out += _gauge_at_ambient(s)
    out += [
        words_gauge.vacuum_impossible(f"{g}_pressure_mbar", n[f"{g}_least_mbar"])
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
            out.append(words_gauge.sensor_offset("cavity_pressure_mbar", cavity - ambient, cavity, against, samples))
        if abs(clamp - ambient) >= GAUGE_OFFSET_MBAR:
            against = f"the barometer's {ambient:.0f} mbar, before evacuation"
            out.append(words_gauge.sensor_offset("clamp_pressure_mbar", clamp - ambient, clamp, against, samples))
        return out
    expected = 1013.25 + u.cavity_rest.value
    moved = n["cavity_rest_off_mbar"] - u.cavity_rest.value
    weather = max(WEATHER_MBAR, 4.0 * u.cavity_rest.sd)
    if np.isfinite(clamp) and abs(cavity - clamp) >= GAUGE_OFFSET_MBAR:
        mine = not np.isfinite(moved) or abs(moved) >= abs(clamp - expected)
        channel, other = ("cavity_pressure_mbar", "clamp") if mine else ("clamp_pressure_mbar", "cavity")
        reading, witness = (cavity, clamp) if mine else (clamp, cavity)
        tail = " No barometer is logged: which of the two is off is a guess from this mould's past readings."
        words_against = f"the {other} gauge, both at ambient before evacuation"
        out.append(words_gauge.sensor_offset(channel, reading - witness, reading, words_against, samples, tail))
    elif not np.isfinite(clamp) and abs(moved) >= weather:
        against = f"the {expected:.0f} mbar it usually reads before evacuation, more than weather does"
        out.append(words_gauge.sensor_offset("cavity_pressure_mbar", moved, cavity, against, samples))
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
            words_machine.catalyst_starved(
                k * r["starved_ratio"], k * setting, 100 * r["starved_share"], r["starved_from"] * volume,
                r["starved_to"] * volume, basis,
            )
        ]  # fmt: skip
    if r["off_share"] <= 0:
        return []
    return [
        words_machine.ratio_off(
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
        words_machine.air_in_line(
            count, n["slugs_s"], n["slugs_depth_pct"], or_none(n["slugs_from_volume_l"]),
            or_none(n["slugs_to_volume_l"]),
        )
    ]  # fmt: skip


def _cavity(s: Seen) -> list[Found]:
    """Vent blocked or vacuum lost; the other one too, as less likely, where it explains the rise nearly as well."""
    rise = s.rise
    if rise.mbar < 60:
        return []
    at = rise.begins * s.share_l
    margin = or_none(s.number["clamp_margin_n"])
    blocked = words_machine.vent_blocked(rise.mbar, rise.top_mbar, at, s.share_l, margin)
    lost = words_machine.vacuum_lost(rise.mbar, rise.top_mbar, at, s.share_l)
    first, second = (blocked, lost) if rise.compressed else (lost, blocked)
    return [first, replace(second, rank=2)] if rise.other < 1.5 * rise.own else [first]


def _clamp(s: Seen, found: list[Found]) -> list[Found]:
    n, u = s.number, s.usual
    if any(f.kind in ("vent_blocked", "vacuum_lost", "cover_lifting", "sensor_offset", "sensor_stuck") for f in found):
        return []
    clamp, margin, usual = n["clamp_start_mbar"], n["clamp_margin_n"], u.clamp_margin.value
    # A seal that wears takes the clamp up little by little; that is told by its leak, until the margin itself is lost.
    recent = u.clamp_lately.value if np.isfinite(u.clamp_lately.value) else u.clamp_mbar.value
    sudden = u.clamp_mbar.off(clamp) > 5 and clamp - max(recent, u.clamp_mbar.value) > 60 and not margin > 0.95 * usual
    lost = u.clamp_mbar.off(clamp) > 5 and usual > 0 and margin < 0.5 * usual
    if not (sudden or lost):
        return []
    return [words_machine.clamp_margin_low(clamp, u.clamp_mbar.value, or_none(margin), or_none(usual))]


__all__ = ["Seen", "name_all"]
