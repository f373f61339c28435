"""What is said of line, catalyst pump, vacuum, vent and clamp."""

from __future__ import annotations

from catchpot_faults.found import LIFT_CAUTION, RATIO_CAUTION, Found, share_words


def air_in_line(count: int, seconds: float, depth_pct: float, from_l: float | None, to_l: float | None) -> Found:
    """Brief collapses of pressure with the meter turning."""
    where = f" between {from_l:.2f} and {to_l:.2f} l" if from_l is not None and to_l is not None else ""
    return Found(
        "air_in_line",
        "act" if count >= 6 or seconds >= 8 else "watch" if count >= 3 else "note",
        f"The driving pressure collapsed {count} times{where}, for {seconds:.0f} s together and by up to "
        f"{depth_pct:.0f} %, while the meter went on turning: air passed through the line. The meter counted it as "
        "resin.",
        "Look at the resin drum's level, suction hose and fittings; purge before the next shot. Look at the part for "
        "voids and for a short fill by the air's volume.",
        from_l,
        to_l,
    )


def ratio_off(ratio: float, setting: float, tolerance: float, share_pct: float, from_l: float, to_l: float, basis: str,
              whole: float, cause: str = "") -> Found:  # fmt: skip
    """Catalyst ratio beyond tolerance over part of the volume."""
    off = 100 * (ratio / setting - 1)
    side = "too much" if off > 0 else "too little"
    return Found(
        "ratio_off",
        "act" if abs(ratio - setting) > 2 * tolerance or share_pct > 50 else "watch",
        f"The catalyst ratio was {ratio:.2f} % {basis} over {share_pct:.0f} % of the volume ({from_l:.2f} to "
        f"{to_l:.2f} l), {abs(off):.0f} % {side} against a setting of {setting:.2f} ± {tolerance:.2f} %; over the "
        f"whole shot it was {whole:.2f} %.{cause}",
        RATIO_CAUTION
        + " Check the catalyst pump's linkage, stroke and valves, and weigh what it delivers. Peroxide: eye "
        "protection, never together with accelerator.",
        from_l,
        to_l,
    )


def catalyst_starved(ratio: float, setting: float, share_pct: float, from_l: float, to_l: float, basis: str) -> Found:
    """Hardly any catalyst while resin flowed."""
    return Found(
        "catalyst_starved",
        "act",
        f"From {from_l:.2f} to {to_l:.2f} l ({share_pct:.0f} % of the volume) only {ratio:.2f} % catalyst {basis} went "
        f"with the resin, against a setting of {setting:.2f} %: the catalyst pump ran dry or lost its prime.",
        RATIO_CAUTION
        + " That resin may not cure at all. Check the catalyst's level, filter and suction valve. Peroxide: "
        "eye protection, never together with accelerator.",
        from_l,
        to_l,
    )


def vacuum_lost(rise_mbar: float, top_mbar: float, at_l: float, arrival_l: float) -> Found:
    """Cavity vacuum lost before arrival."""
    return Found(
        "vacuum_lost",
        "act" if rise_mbar >= 100 else "watch",
        f"From {share_words(at_l, arrival_l)} on the cavity pressure rose by {rise_mbar:.0f} mbar to {top_mbar:.0f} "
        "mbar absolute and came to a new level: vacuum was lost, not squeezed out by the resin.",
        "Look at vent hose, catch pot lid, pump and receiver. Expect voids near the vent. Keep away from the cover's "
        "edge: it is held by less.",
        at_l,
    )


def vent_blocked(rise_mbar: float, top_mbar: float, at_l: float, arrival_l: float, margin_n: float | None) -> Found:
    """Gas squeezed ahead of the front."""
    text = (
        f"From {share_words(at_l, arrival_l)} on the cavity pressure rose by {rise_mbar:.0f} mbar to {top_mbar:.0f} "
        "mbar absolute, ever faster with the volume, as gas does that is squeezed ahead of the resin: the vent let too "
        "little out."
    )
    if margin_n is not None and margin_n < 0:
        text += f" The clamp margin, an upper estimate, fell to {margin_n / 1e3:.1f} kN: the cover may have lifted."
    return Found(
        "vent_blocked",
        "act",
        text,
        "Look at vent, vent hose and catch pot for gelled resin or a pinched hose before the next shot. A blocked vent "
        "puts "
        "the line pressure under the whole cover: " + LIFT_CAUTION[0].lower() + LIFT_CAUTION[1:],
        at_l,
    )


def clamp_margin_low(clamp_mbar: float, usual_mbar: float, margin_n: float | None, usual_n: float | None) -> Found:
    """Clamp weaker than usual, so that less holds the cover."""
    text = f"The clamp stood at {clamp_mbar:.0f} mbar absolute during injection, usually at {usual_mbar:.0f} mbar"
    at_risk = False
    if margin_n is not None and usual_n is not None:
        text += f"; the lowest closing force of the shot was {margin_n / 1e3:.1f} kN, usually {usual_n / 1e3:.1f} kN"
        at_risk = margin_n <= 0 < usual_n or margin_n < 0.5 * usual_n
    text += ". That force is an upper estimate: springback of the fibre and local lifting are left out."
    return Found(
        "clamp_margin_low",
        "act" if at_risk else "watch",
        text,
        "Check clamp pump, hoses and seals before the next shot; do not make up for it with line pressure. "
        + LIFT_CAUTION,
    )


__all__ = ["air_in_line", "catalyst_starved", "clamp_margin_low", "ratio_off", "vacuum_lost", "vent_blocked"]
