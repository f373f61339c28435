"""What is said of how much went in."""

from __future__ import annotations

from catchpot_faults.found import Found


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
        f"Injection stopped at {injected_l:.2f} l, {short_pct:.1f} % (95 %: {short_pct - unsure_pct:.1f} to "
        f"{short_pct + unsure_pct:.1f}) short of {against} of {expected_l:.2f} l, and the curve shows no arrival at "
        "the vent: the part is probably dry around the vent." + cause,
        "Look at the part around the vent and in the corners. " + advice,
        injected_l,
    )


def stopped_before_vent(injected_l: float, expected_l: float | None, weighed: bool = False) -> Found:
    """A stop before arrival by an amount that is no fault, or that can't be told from one.

    weighed: known from a catch pot that held nothing.
    """
    text = f"Injection stopped at {injected_l:.2f} l, before resin was seen to arrive at the vent"
    if expected_l is not None:
        text += f" (usual arrival volume {expected_l:.2f} l)"
    if weighed:
        text += ", and the catch pot held nothing"
    text += "; the front may have come the last way by itself."
    return Found("stopped_before_vent", "note", text, "Nothing, if the part is wet at the vent.", injected_l)


def overfill(
    over_l: float,
    unsure_l: float,
    over_pct: float,
    usual_pct: float | None,
    bleed_l: float,
    against: str,
    catch_pot_l: float,
) -> Found:
    """Much more past the vent than wanted.

    unsure_l: half of the 95 % interval. usual_pct: what the mould's shots usually let past; None where that is not
    known yet. catch_pot_l: what was weighed there, NaN where nothing was.
    """
    much = f", {over_pct:.0f} % of {against}"
    if bleed_l > 0:
        much = f": {over_l - bleed_l:.2f} l beyond the {bleed_l:.2f} l of bleed wanted{much}"
    usually = f"; it is usually {max(usual_pct, 0.0):.0f} %" if usual_pct is not None else ""
    held = f" The catch pot held {catch_pot_l:.2f} l." if catch_pot_l >= 0 else ""
    return Found(
        "overfill",
        "watch",
        f"At most {over_l:.2f} l (95 %: {max(over_l - unsure_l, 0.0):.2f} to {over_l + unsure_l:.2f}) went past the "
        f"vent{much}{usually}.{held}",
        "Compare the programmed volume with the usual arrival volume; empty the catch pot before it fills. Catalysed "
        "waste heats itself: thin layers, ventilated, never sealed.",
    )


__all__ = ["overfill", "short_fill", "stopped_before_vent"]
