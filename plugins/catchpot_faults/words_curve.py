"""What is said of a curve that leaves its usual course."""

from __future__ import annotations

from catchpot_faults.found import GEL_CAUTION, LIFT_CAUTION, Found, share_words


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


def permeable_pack(early_pct: float, late_pct: float, sd_pct: float, new_batch: bool) -> Found:
    """Low resistance from the first litre on, with the usual course otherwise."""
    text = (
        f"The bed let resin through more easily all along: resistance was {-early_pct:.0f} % below what was expected "
        f"early in the shot and {-late_pct:.0f} % late (healthy shots scatter by {sd_pct:.0f} %), with its usual "
        "course otherwise. A lighter or looser pack, another cloth or a thinner resin does that; a channel beside the "
        "fibre would pull the resistance down further the further resin came."
    )
    if new_batch:
        text += " The resin or fabric batch is new to this mould."
    return Found(
        "permeability_drift",
        "watch",
        text,
        "Weigh the next pack and compare its cloth and batch; check the resin's temperature and batch.",
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


__all__ = [
    "cover_lifting",
    "early_gel",
    "flow_restriction",
    "permeable_pack",
    "race_tracking",
    "restriction_from_start",
    "unusual_shape",
]
