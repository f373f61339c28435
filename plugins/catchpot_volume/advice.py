"""The advice for the next shot: volume, pressure limit, times, catalyst, and what to mind first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import polars as pl

from catchpot.answers import OPEN, SETTLES_AFTER_SHOTS, Answer, read_closing
from catchpot.events import CLOSED
from catchpot.physics import clamp
from catchpot.physics.resin import mass_ratio_from_volume, viscosity, volume_ratio_from_mass
from catchpot.report import words
from catchpot_volume.gather import Floats, column

LAST = 10
GEL_HALVES_K = 10.0
"""Gel time halves for so many kelvin (common practice, no source); the data sheet goes first."""
NEAR_GEL = 0.6
"""Share of the gel time from which a fill is said to come near it (common practice, no source)."""


ASKING = ("act", "watch")
"""Severities that ask for something; a note does not."""


def open_findings(findings: pl.DataFrame, shots: Sequence[str], answered: Mapping[str, Answer]) -> list[str]:
    """Kinds of what asks for something and stands, where nothing puts findings together.

    A mould's finding that has not ended, or one of a shot that is not over by itself, as cards go by; answered ones
    left out. shots: the mould's, in order of time.
    """
    late = {None, *shots[-SETTLES_AFTER_SHOTS:]}
    return [
        f["kind"] for f in findings.iter_rows(named=True)
        if f["until"] is None and f["severity"] in ASKING and f["shot"] in late
        and answered.get(f["anchor"], OPEN).state == "open"
    ]  # fmt: skip


def open_matters(
    matters: pl.DataFrame, lines: pl.DataFrame, answered: Mapping[str, Answer], events: Sequence[Mapping[str, Any]]
) -> list[str]:
    """The open cards that ask for something, as the board counts them, each by its cause or kind.

    Cards are those of the last run; what was answered or closed since (all findings of a card, or the card by its
    name) is left out.
    """
    closed = {told[0] for e in events if e["kind"] == CLOSED and (told := read_closing(e["detail"]))}
    of: dict[str, list[str]] = {}
    for matter, anchor in lines.select("matter", "anchor").iter_rows():
        if anchor:
            of.setdefault(matter, []).append(anchor)
    made = []
    for m in matters.filter(pl.col("state") == "open", pl.col("severity").is_in(ASKING)).iter_rows(named=True):
        anchors = of.get(m["matter"], [])
        dealt_with = bool(anchors) and all(answered.get(a, OPEN).state != "open" for a in anchors)
        if not dealt_with and m["matter"] not in closed:
            made.append(m["cause_words"] or m["cause"])
    return made


def pressure(
    frame: pl.DataFrame, row: dict[str, Any], ambient_mbar: float
) -> tuple[float | None, float | None, list[str]]:
    """Line pressure limit (bar gauge), the blocked-vent margin at the book's limit (N), and cautions, gravest first.

    The limit is what keeps the cover shut with the vent blocked and the worst clamp pressure of the last shots, never
    above the book's.
    """
    book_limit, area, clamp_area = row["line_pressure_limit_bar"], row["part_area_m2"], row["clamp_area_m2"]
    seen = column(frame, "clamp_pressure_mbar")[-LAST:] if frame.height else np.array([])
    seen = seen[np.isfinite(seen)]
    if area is None or clamp_area is None or not len(seen):
        why = "no clamp pressure is logged" if not len(seen) else "the mould book lacks clamp_area_m2 or part_area_m2"
        said = f"The clamp margin was not assessed: {why}."
        if book_limit is None:
            return None, None, [said, "No line pressure limit stands in the mould book; none is advised."]
        return book_limit, None, [said]
    ambient = _last(column(frame, "ambient_pressure_mbar"), ambient_mbar)
    worst = float(seen.max()) * 100
    lifts = (float(clamp.lifting_pressure(ambient * 100, worst, clamp_area, area)) - ambient * 100) / 1e5
    safe = max(float(np.floor(lifts * 100) / 100), 0.0)
    if book_limit is None:
        return safe, None, ["No line pressure limit stands in the mould book; this one comes from the clamp alone."]
    margin = float(clamp.blocked_vent_force(ambient * 100, worst, clamp_area, book_limit * 1e5, area))
    if margin >= 0:
        return min(book_limit, safe) if safe < book_limit else book_limit, margin, []
    lifting = (
        f"With the vent blocked, the book's limit of {words.number(book_limit, 'bar', 2)} would push the cover open:"
        f" the margin is {words.number(margin / 1000, 'kN', 2)}. Put that right first; until then no more than"
        f" {words.number(min(book_limit, safe), 'bar', 2)}."
    )
    return min(book_limit, safe), margin, [lifting]


def _last(values: Floats, otherwise: float) -> float:
    known = values[np.isfinite(values)]
    return float(known[-1]) if len(known) else otherwise


def temperature(frame: pl.DataFrame, asked: float | None) -> float | None:
    """The temperature asked for, else that of the mould (or resin) in the last five shots."""
    if asked is not None:
        return asked
    for name in ("mould_temp_c", "resin_temp_c"):
        known = column(frame, name)
        known = known[np.isfinite(known)][-5:]
        if len(known):
            return float(np.median(known))
    return None


def book_viscosity(row: dict[str, Any], temp_c: float | None) -> float | None:
    """The resin's viscosity at a temperature; None where the book can't say."""
    mu, at, e = row["viscosity_pa_s"], row["viscosity_temp_c"], row["viscosity_activation_k"]
    if mu is None or at is None:
        return None
    if temp_c is None or e is None:
        return float(mu)
    return float(viscosity(temp_c, mu, at, e))


def gel_time(row: dict[str, Any], temp_c: float | None) -> float | None:
    """Gel time at a temperature by the rule of thumb; None where the book has none."""
    if row["gel_time_s"] is None:
        return None
    if temp_c is None or row["viscosity_temp_c"] is None:
        return float(row["gel_time_s"])
    return float(row["gel_time_s"] * 2.0 ** ((row["viscosity_temp_c"] - temp_c) / GEL_HALVES_K))


def catalyst(row: dict[str, Any], volume_l: float) -> tuple[float | None, float | None]:
    """Catalyst in a mixed volume, l and kg; None where the book does not say the ratio or the densities.

    10 l of resin with 1.434783 % by volume is 10.143478 l of mix with 0.143478 l of catalyst.
    """
    by_volume = row["catalyst_ratio_pct_by_volume"]
    resin, own = row["density_kg_m3"], row["catalyst_density_kg_m3"]
    if by_volume is None and row["catalyst_ratio_pct_by_mass"] is not None and resin and own:
        by_volume = float(volume_ratio_from_mass(row["catalyst_ratio_pct_by_mass"], resin, own))
    if by_volume is None:
        return None, None
    share = by_volume / 100.0
    litres = volume_l * share / (1.0 + share)
    if not (resin and own):
        return litres, None
    by_mass = float(mass_ratio_from_volume(by_volume, resin, own)) / 100.0
    return litres, (volume_l - litres) * resin * 1e-3 * by_mass


def more_cautions(time_s: float | None, high_s: float | None, gel_s: float | None, temp_c: float | None) -> list[str]:
    """Cautions beside the clamp's: a fill that comes near the gel time."""
    if gel_s is None or high_s is None or time_s is None or high_s <= NEAR_GEL * gel_s:
        return []
    return [
        f"The fill takes {words.number(time_s, 's')} and may take {words.number(high_s, 's')}; the resin gels after"
        f" about {words.number(gel_s, 's')}"
        + (f" at {words.number(temp_c, 'deg C')}" if temp_c is not None else "")
        + " (rule of thumb from the book's gel time; the data sheet goes first)."
    ]
