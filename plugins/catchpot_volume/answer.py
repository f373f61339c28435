"""The plain answer: three sentences, every number of which stands in the tables with the same value."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from catchpot.report import words
from catchpot_volume.naming import SECOND, SETTLES, TELLING_MBAR, Row, to_measure

if TYPE_CHECKING:
    import polars as pl

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


TELLING_PCT = 1.0
"""A step of the injector's other moulds that is worth a word."""
DONE = {
    "fabric_pack": "The packs' own weights show it, so nothing more needs to be measured; take it up with whoever"
    " cuts or supplies the fabric.",
    "gel_coat": "The gel coat's own weight shows it, so nothing more needs to be measured; take it up where it is"
    " sprayed.",
    "flow_meter": "The check by bucket and scales shows it, so nothing more needs to be measured; set the meter by it.",
    "cavity_thickness": "The parts' own thickness shows it, so nothing more needs to be measured; see to the clamp, the"
    " seat and the flange.",
}


SUREST = 0.99
"""No cause is called more likely than this: the causes compared are not all there are."""


def likely(chance: float) -> str:
    """A cause's chance in words.

    >>> likely(0.9996)
    '99 %'
    """
    return f"{100 * min(chance, SUREST):.0f} %"


def said(cause: str, change_l: float) -> str:
    """A cause in words, by the direction of its change.

    >>> said("cavity_thickness or gel_coat", 0.09)
    'the cavity opening or a thinner gel coat'
    """
    sign = 1 if change_l >= 0 else -1
    return " or ".join(OPENING.get((c, sign), CAUSE_WORDS[c]) for c in cause.split(" or "))


def told(changes: pl.DataFrame) -> dict[str, Any]:
    """The comparison to tell of: the newest in which something changed, or else the newest. changes: volume_change."""
    rows = changes.sort("since")
    changed = rows.filter(rows["changed"])
    return (changed if changed.height else rows).row(-1, named=True)


def worth_measuring(causes: pl.DataFrame) -> pl.DataFrame:
    """Rows of volume_cause whose measurement is worth while, most litres settled a minute first; one a measurement."""
    ranked = causes.filter(
        (causes["measure_next"] != "") & ((causes["chance"].fill_null(0.0) > SECOND) | (causes["rank"] == 1))
    )
    order = (ranked["in_doubt_l"] / ranked["minutes"]).arg_sort(descending=True)
    return ranked[order].unique("measure_next", keep="first", maintain_order=True)


def litres(value: float, low: float, high: float) -> str:
    """A change in litres with sign and interval, to the millilitre where that is deserved."""
    places = min(words.decimals(value, low, high), 3)
    least, most = (words.signed(end, "l", places, bare=True) for end in (low, high))
    return f"{words.signed(value, 'l', places)} (95 %: {least} to {most})"


def sentences(change: dict[str, Any], rows: Sequence[Row], zone: str) -> tuple[str, str, str]:
    """What changed, the likeliest cause, what to do. change: a row of volume_change without its sentences."""
    return _first(change, zone), _second(change, rows), _third(change, rows)


def in_short(c: dict[str, Any], causes: pl.DataFrame, zone: str) -> str:
    """What changed and the likeliest cause as one would say it; the numbers stand elsewhere.

    c: a row of volume_change in which something changed. causes: its rows of volume_cause by rank.
    """
    change = c["arrival_change_l"]
    text = f"{c['mould']} takes {words.fixed(abs(change), 'l', 3)} {'more' if change > 0 else 'less'}"
    text += f" since {words.day(c['since'], zone)} than before."
    top = causes.row(0, named=True)
    if top["cause"] == "overflow":
        return f"{text} More than that changed past the vent: {said('overflow', top['change_l'])}."
    share = top["change_l"] / change if change else 0.0
    part = next((said_ for least, said_ in SHARES if share >= least), "Part of it is")
    beside = [
        f", part of it {said(r['cause'], r['change_l'])}" for r in causes[1:].iter_rows(named=True)
        if r["cause"] not in ("overflow", "unexplained") and r["change_l"] * change > BESIDE * change**2
        and (r["chance"] or 0.0) > SECOND
    ]  # fmt: skip
    return f"{text} {part} likely {said(top['cause'], top['change_l'])}{''.join(beside[:1])}."


SHARES = ((1.15, "Behind it, and more than outweighing the rest, is"), (0.85, "Nearly all of it is"),
          (0.6, "Most of it is"), (0.4, "About half of it is"))  # fmt: skip
"""From which share of the change on a cause is called what (words, no statistics)."""
BESIDE = 0.2
"""From which share on a second cause is worth a word."""


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


def _signs(c: dict[str, Any], rows: Sequence[Row]) -> str:
    """What else was seen of the causes that are named."""
    made = ""
    for r in rows:
        if r is not rows[0] and (r.chance or 0.0) <= SECOND:
            continue
        parts = r.cause.split(" or ")
        clamp, others = c["clamp_change_mbar"], c["other_moulds_step_pct"]
        if "cavity_thickness" in parts and clamp is not None and clamp * r.change[0] > 0 and abs(clamp) > TELLING_MBAR:
            made += f"; the clamp pressure {'rose' if clamp > 0 else 'fell'} by {words.number(abs(clamp), 'mbar', 2)}"
        if "flow_meter" in parts and others is not None and others * r.change[0] > 0 and abs(others) > TELLING_PCT:
            made += (
                f"; {words.count(c['other_moulds'], 'other mould')} on the injector moved by"
                f" {words.signed(others, '%', 1)} with it"
            )
    return made


def _misread(c: dict[str, Any]) -> bool:
    """Whether the curve clearly says another volume and no cause is likely that would bring it about."""
    clear = c["arrival_change_low_l"] > 0 or c["arrival_change_high_l"] < 0
    return bool(not c["changed"] and clear and c["volume_from"] == "the filling curve")


def _second(c: dict[str, Any], rows: Sequence[Row]) -> str:
    top = rows[0]
    if _misread(c):
        return (
            "Nothing else moved as it would with that: it is likelier that the filling curve changed its shape, and is"
            " read so, than that the part takes another volume."
        )
    if not c["changed"]:
        return (
            "Nothing has changed beyond what these shots scatter from one to the next"
            + (f"; if anything, it is {said(top.cause, top.change[0])}, {litres(*top.change)}, with a chance of"
               f" {c['chance_pct']:.0f} % that this is real." if top.chance is not None else ".")
        )  # fmt: skip
    if top.cause == "overflow":
        return (
            f"The likeliest cause is {said(top.cause, top.change[0])}: {litres(*top.change)} went past the vent beside"
            " what the part takes."
        )
    if c["chance_pct"] is None:
        return f"What it comes from could not be split; {litres(*top.change)} stand unexplained."
    small = ""
    if c["arrival_change_low_l"] <= 0 <= c["arrival_change_high_l"]:
        small = "The volume by itself may only have scattered; it is the other witnesses that speak. "
    share = f", {c['share_pct']:.0f} % of the change" if c["share_pct"] is not None else ""
    told = "; the logs can't tell these two apart" if " or " in top.cause else ""
    more = [r for r in rows[1:] if r.chance is not None and r.chance > 0.5]
    besides = words.listed([f"{said(r.cause, r.change[0])}, {litres(*r.change)}" for r in more])
    return (
        f"{small}The likeliest cause is {said(top.cause, top.change[0])}, with a chance of {c['chance_pct']:.0f} %:"
        f" {litres(*top.change)}{share}{told}"
        + (f"; beside it {besides}" if more else "") + _signs(c, rows) + "."
    )  # fmt: skip


def _third(c: dict[str, Any], rows: Sequence[Row]) -> str:
    if _misread(c):
        what, minutes = SETTLES["overflow"]
        return f"Next, {what} (about {minutes:.0f} minutes): that says what the part takes without the curve."
    if not c["changed"]:
        return "Nothing needs to be measured for this; weighing parts and fabric packs makes the next answer sharper."
    told = to_measure(list(rows))
    if not told:
        return DONE.get(rows[0].cause, "Nothing more needs to be measured for this.")
    first = told[0]
    text = f"Next, {first.measure} (about {first.minutes:.0f} minutes)"
    text += ", which tells the two apart" if " or " in first.cause else ", which settles it" if len(told) == 1 else ""
    return text + (f", then {told[1].measure} (about {told[1].minutes:.0f} minutes)." if len(told) > 1 else ".")
