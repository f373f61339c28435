"""Findings in sentences: what, how much, where in the shot, what to look at first, and how severe by which rule.

Severity, written down once:
- `act`: the part or the mould is at risk now. A part that may be dry, under-cured or porous (short fill, catalyst off
  by more than twice its tolerance or missing, much air, a race track that left less than 95 % of the usual arrival
  volume), resin gelling in the line, a cover that lifts or a clamp that no longer holds, vacuum or vent lost before
  arrival.
- `watch`: it will be if it goes on: a restriction, a race track otherwise, some air, ratio just beyond its tolerance,
  overfill, a gauge that is off or stuck (limits that rest on it no longer protect), a curve nobody can name.
- `note`: worth knowing, nobody's fault: stopped before the vent.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Severity = Literal["note", "watch", "act"]

CHANNEL_WORDS = {
    "flow_l_min": ("flow meter", "l/min"),
    "line_pressure_bar": ("line gauge", "bar"),
    "cavity_pressure_mbar": ("cavity gauge", "mbar"),
    "clamp_pressure_mbar": ("clamp gauge", "mbar"),
    "catalyst_flow_ml_min": ("catalyst meter", "ml/min"),
}

GEL_CAUTION = (
    "Stop mixing and flush head and hose at once, by the resin maker's gel time, not by this estimate: mixed resin "
    "sets in them. Relieve the line pressure before opening a hose. Spread catalysed waste thin and ventilated: it "
    "heats itself."
)
RATIO_CAUTION = "Set the part aside: under-cure can't be seen."
LIFT_CAUTION = (
    "Stop injecting, relieve the line pressure, keep hands out, and keep the clamp vacuum until the gel and demould "
    "rules are met: the cover may close with tens of kN."
)


@dataclass(frozen=True)
class Found:
    """A finding before it becomes a row. Volumes in l of the shot's own meter; None where it has no place."""

    kind: str
    severity: Severity
    message: str
    advice: str
    from_l: float | None = None
    to_l: float | None = None
    rank: int = 1


def share_words(volume_l: float, arrival_l: float) -> str:
    """Where in the shot: litres, and per cent of the usual arrival volume."""
    return f"{volume_l:.2f} l ({100 * volume_l / arrival_l:.0f} % of the usual arrival volume)"


def race_tracking(
    late_pct: float,
    sd_pct: float,
    end_pct: float | None,
    early_arrival: float | None,
    vanished: bool,
    new_batch: bool,
) -> Found:
    """Low resistance, growing along the way; arrival early (% of the usual) where it could be seen.

    end_pct: resistance at the curve's end against what was expected, where it fell further. vanished: no arrival was
    found on a mould that usually shows it.
    """
    early = early_arrival is not None and early_arrival < -1.0
    much = early_arrival is not None and early_arrival < -5.0
    text = (
        f"Resin ran ahead: from 70 % of the usual arrival volume on, resistance was {-late_pct:.0f} % below what was "
        f"expected of this shot (healthy shots scatter by {sd_pct:.0f} %)"
    )
    if early and early_arrival is not None:
        text += f", and resin arrived at the vent {-early_arrival:.1f} % earlier than usual"
    text += "."
    if end_pct is not None:
        text += f" Towards the usual arrival volume it fell to {-end_pct:.0f} % below."
    if vanished:
        text += " No single arrival at the vent shows, as it usually does on this mould: the front came in pieces."
    text += " An open channel beside or above the fibre is the likeliest cause."
    if new_batch:
        text += " The resin or fabric batch is new to this mould: a thinner resin or a lighter pack would look alike."
    return Found(
        "race_tracking",
        "act" if much or late_pct < -35 else "watch",
        text,
        "Look at the part for dry corners away from the channel; check that the pack reaches the edges and that its "
        "joints and inserts fit.",
    )


def flow_restriction(at_l: float, arrival_l: float, rise_pct: float, factor: float | None) -> Found:
    """A sudden, lasting rise of resistance."""
    text = f"At {share_words(at_l, arrival_l)} the resistance jumped by {rise_pct:.0f} % and stayed up"
    if factor is not None and 1.3 < factor < 1000:
        text += f", as if the line's resistance had become {factor:.1f} times what it was"
    text += (
        ". Flow and pressure changed within moments, so something in the line closed: it is not the fibre and not gel."
    )
    return Found(
        "flow_restriction",
        "watch",
        text,
        "Look for a kinked or crushed hose, a valve half shut, a gelled lump in head, mixer or port. Relieve the line "
        "pressure before opening a hose.",
        at_l,
    )


def restriction_from_start(early_pct: float, late_pct: float, sd_pct: float) -> Found:
    """More resistance from the first moment, fading as the bed's own grows."""
    return Found(
        "flow_restriction",
        "watch",
        f"The line resisted more from the beginning: resistance was {early_pct:.0f} % above what was expected early in "
        f"the shot and {late_pct:.0f} % late (healthy shots scatter by {sd_pct:.0f} %); a bed that resists more would "
        "show it as much late as early.",
        "Look at hose, filter, mixer and port before the next shot. Relieve the line pressure before opening a hose.",
    )


def early_gel(at_l: float, arrival_l: float, efold_s: float, total: float, gel_time_s: float | None) -> Found:
    """Viscosity growing with time."""
    text = (
        f"From {share_words(at_l, arrival_l)} on the resistance grew with time, e-fold in {efold_s:.0f} s, to "
        f"{total:.1f} times what the fill explains: the resin was thickening before it had arrived."
    )
    if gel_time_s is not None:
        text += f" The mould book's gel time is {gel_time_s:.0f} s."
    return Found(
        "early_gel",
        "act",
        text,
        GEL_CAUTION + " Then check catalyst ratio, resin temperature and the age of the mix.",
        at_l,
    )


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


def short_fill(
    injected_l: float, expected_l: float, short_pct: float, against: str, unsure_pct: float, programmed_l: float
) -> Found:
    """Stopped before resin can have arrived. programmed_l: what the machine was set to, NaN where not logged."""
    cause, advice = "", "Check the programmed volume, and whether the machine stopped by itself."
    if injected_l < 0.975 * programmed_l:
        cause = f" The machine was set to {programmed_l:.2f} l and stopped before."
        advice = "Find out what stopped the machine: operator, pressure limit, time limit or an empty drum."
    elif programmed_l > 0:
        cause = " The machine stopped where it was set to."
        advice = "Check the programmed volume against the usual arrival volume."
    return Found(
        "short_fill",
        "act",
        f"Injection stopped at {injected_l:.2f} l, {short_pct:.1f} % (95 % within {unsure_pct:.1f}) short of {against} "
        f"of {expected_l:.2f} l, and the curve shows no arrival at the vent: the part is probably dry around the vent."
        + cause,
        "Look at the part around the vent and in the corners. " + advice,
        injected_l,
    )


def stopped_before_vent(injected_l: float, expected_l: float | None) -> Found:
    """A stop before arrival by an amount that is no fault, or that can't be told from one."""
    text = f"Injection stopped at {injected_l:.2f} l, before resin was seen to arrive at the vent"
    if expected_l is not None:
        text += f" (usual arrival volume {expected_l:.2f} l)"
    text += "; the front may have come the last way by itself."
    return Found("stopped_before_vent", "note", text, "Nothing, if the part is wet at the vent.", injected_l)


def overfill(over_l: float, over_pct: float, bleed_l: float, against: str, catch_pot_l: float) -> Found:
    """Much more past the vent than wanted. catch_pot_l: what was weighed there, NaN where nothing was."""
    wanted = f" beyond the {bleed_l:.2f} l of bleed wanted" if bleed_l > 0 else ""
    held = f" The catch pot held {catch_pot_l:.2f} l." if catch_pot_l >= 0 else ""
    return Found(
        "overfill",
        "watch",
        f"At most {over_l:.2f} l went past the vent, {over_pct:.0f} % of {against}{wanted}.{held}",
        "Compare the programmed volume with the usual arrival volume; empty the catch pot before it fills. Catalysed "
        "waste heats itself: thin layers, ventilated, never sealed.",
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
        f"{to_l:.2f} l), {abs(off):.0f} % {side} against a setting of {setting:.2f} +- {tolerance:.2f} %; over the "
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


def cover_lifting(at_l: float, arrival_l: float, fall_pct: float | None, gap_mm: float | None) -> Found:
    """The cavity opened while resin went in."""
    parts = []
    if fall_pct is not None:
        parts.append(f"the resistance fell by {fall_pct:.0f} % within seconds and stayed down")
    if gap_mm is not None:
        parts.append(f"the flange gap opened by {gap_mm:.2f} mm")
    return Found(
        "cover_lifting",
        "act",
        f"From {share_words(at_l, arrival_l)} on " + " and ".join(parts) + ": the cover lifted and the cavity opened.",
        LIFT_CAUTION + " Then check clamp vacuum, seals and the line pressure limit.",
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


def sensor_stuck(
    channel: str, value: float, seconds: float, samples: int, from_l: float | None, to_l: float | None
) -> Found:
    """A channel that stood still."""
    name, unit = CHANNEL_WORDS[channel]
    return Found(
        "sensor_stuck",
        "watch",
        f"The {name} read {value:g} {unit} {samples} times running, for {seconds:.0f} s of the injection, though it "
        "moves from reading to reading elsewhere in the shot. What rests on it in that time is not known.",
        f"Check the {name}, its cable and its input. Limits and interlocks that use it do not protect while it stands "
        "still.",
        from_l,
        to_l,
    )


def sensor_offset(channel: str, off: float, reading: float, against: str, samples: int, tail: str = "") -> Found:
    """A gauge that does not read what it must at rest."""
    name, unit = CHANNEL_WORDS[channel]
    digits = 3 if unit == "bar" else 0
    return Found(
        "sensor_offset",
        "watch",
        f"The {name} read {reading:.{digits}f} {unit} at rest ({samples} readings), {abs(off):.{digits}f} {unit} "
        f"{'above' if off > 0 else 'below'} {against}.{tail}",
        f"Zero or calibrate the {name}. Until then pressures, permeability and limits from it are off by as much.",
    )


def vacuum_impossible(channel: str, least: float) -> Found:
    """Absolute pressure below nought."""
    name, unit = CHANNEL_WORDS[channel]
    return Found(
        "sensor_offset",
        "watch",
        f"The {name} went down to {least:.0f} {unit} absolute, which no pump can reach: it reads too low by at least "
        f"{-least:.0f} {unit}, or its reference is set wrongly.",
        f"Zero or calibrate the {name}; check whether its profile says absolute, gauge or vacuum.",
    )


def unusual_shape(t2: float, t2_limit: float, q: float, q_limit: float, shots: int, alarm_pct: float, alarm_high: float,
                  most: str, from_l: float, to_l: float, arrival_l: float, all_along: str) -> Found:  # fmt: skip
    """A curve that fits no name."""
    return Found(
        "unusual_shape",
        "watch",
        f"The curve is unlike the {shots} healthy ones before it: its distance among them (T2) is {t2:.1f} against a "
        f"limit of {t2_limit:.1f}, and what they can't explain of it (squared residual) {q:.0f} against {q_limit:.0f}. "
        f"Most of it lies in the {most} between {from_l:.2f} and {to_l:.2f} l ({100 * from_l / arrival_l:.0f} to "
        f"{100 * to_l / arrival_l:.0f} % of the usual arrival volume).{all_along} Of healthy shots {alarm_pct:.1f} % "
        f"(95 % up to {alarm_high:.1f}) would be beyond either limit.",
        "Look at the marked stretch together with whoever ran the shot; it has no name yet.",
        from_l,
        to_l,
    )
