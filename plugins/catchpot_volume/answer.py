"""The plain answer: three sentences, every number of which stands in the tables with the same value."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from catchpot.report import words
from catchpot_volume.naming import Row

CAUSE_WORDS = {
    "cavity_thickness": "a change of the cavity's thickness",
    "fabric_pack": "another fabric pack",
    "gel_coat": "another thickness of gel coat",
    "core": "another core",
    "runner_or_hose": "another volume of runner or hose",
    "flow_meter": "the flow meter",
    "resin_past_seal": "resin past the inner seal",
    "temperature": "temperature",
    "overflow": "overflow",
    "unexplained": "scatter and what no witness tells",
}
OPENING = {
    ("cavity_thickness", 1): "the cavity opening", ("cavity_thickness", -1): "the cavity closing",
    ("fabric_pack", 1): "a lighter fabric pack", ("fabric_pack", -1): "a heavier fabric pack",
    ("gel_coat", 1): "a thinner gel coat", ("gel_coat", -1): "a thicker gel coat",
    ("flow_meter", 1): "a flow meter that reads higher", ("flow_meter", -1): "a flow meter that reads lower",
    ("overflow", 1): "more overflow", ("overflow", -1): "less overflow",
}  # fmt: skip


def said(cause: str, change_l: float) -> str:
    """A cause in words, by the direction of its change.

    >>> said("cavity_thickness or gel_coat", 0.09)
    'the cavity opening or a thinner gel coat'
    """
    sign = 1 if change_l >= 0 else -1
    return " or ".join(OPENING.get((c, sign), CAUSE_WORDS[c]) for c in cause.split(" or "))


def litres(value: float, low: float, high: float) -> str:
    """A change in litres with sign and interval, to the millilitre where that is deserved."""
    places = words.decimals(value, low, high)
    least, most = words.signed(low, "", places), words.signed(high, "", places)
    return f"{words.signed(value, 'l', places)} (95 %: {least} to {most})"


def sentences(change: dict[str, Any], rows: Sequence[Row], zone: str) -> tuple[str, str, str]:
    """What changed, the likeliest cause, what to do. change: a row of volume_change without its sentences."""
    return _first(change, zone), _second(change, rows), _third(change, rows)


def _first(c: dict[str, Any], zone: str) -> str:
    number = words.number
    return (
        f"{c['mould']} takes {number(c['arrival_after_l'], 'l', 4)} on average since {words.day(c['since'], zone)}"
        f" ({words.count(c['shots_after'], 'shot')}) and took {number(c['arrival_before_l'], 'l', 4)} before"
        f" ({words.count(c['shots_before'], 'shot')}): "
        f"{litres(c['arrival_change_l'], c['arrival_change_low_l'], c['arrival_change_high_l'])}; the injected volume"
        f" of the same shots changed by"
        f" {litres(c['injected_change_l'], c['injected_change_low_l'], c['injected_change_high_l'])}."
    )


def _second(c: dict[str, Any], rows: Sequence[Row]) -> str:
    top = rows[0]
    if not c["changed"]:
        return (
            "Nothing has changed beyond what these shots scatter from one to the next"
            + (f"; if anything, it is {said(top.cause, top.change[0])} ({litres(*top.change)}, chance of a real change"
               f" {c['chance_pct']:.0f} %)." if top.chance is not None else ".")
        )  # fmt: skip
    share = ""
    if c["share_pct"] is not None:
        share = f", {c['share_pct']:.0f} % of the change"
    if top.cause == "overflow":
        return (
            f"The likeliest cause is {said(top.cause, top.change[0])}: {litres(*top.change)} went past the vent beside"
            " what the part takes."
        )
    if c["chance_pct"] is None:
        return f"What it comes from could not be split; {litres(*top.change)} stand unexplained."
    told = "can't be told apart from these logs" if " or " in top.cause else ""
    sure = f"chance {c['chance_pct']:.0f} %"
    more = [r for r in rows[1:] if r.chance is not None and r.chance > 0.5]
    besides = f" Beside it: {words.listed([f'{said(r.cause, r.change[0])}, {litres(*r.change)}' for r in more])}."
    return (
        f"The likeliest cause is {said(top.cause, top.change[0])}: {litres(*top.change)}{share} ({sure})"
        + (f"; the two {told}." if told else ".")
        + (besides if more else "")
    )


def _third(c: dict[str, Any], rows: Sequence[Row]) -> str:
    told = [r for r in rows if r.measure and (r.chance is not None or r is rows[0]) and r.cause != "temperature"]
    if not c["changed"]:
        return "Nothing needs to be measured for this; weighing parts and fabric packs makes the next answer sharper."
    first = told[0]
    text = f"Next, {first.measure} (about {first.minutes:.0f} minutes)"
    text += " to tell the two apart" if " or " in first.cause else " to settle it"
    also = [r for r in told[1:] if r.measure != first.measure and (r.chance or 0) > 0.5]
    return text + (f", then {also[0].measure} (about {also[0].minutes:.0f} minutes)." if also else ".")
