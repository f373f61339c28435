"""Cavity pressure that rises before resin arrives: a vent that shuts, or a vacuum that is lost."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from catchpot.core_tables import CURVE_BINS
from catchpot.physics.shot_signs import NO_RISE, Rise, cavity_rise
from catchpot.report import words
from catchpot.stats.shape import nan_median
from catchpot_faults.found import LIFT_CAUTION, Found, share_words
from catchpot_faults.hypothesis import Evidence, Look
from catchpot_faults.kinds.air_in_line import CHANNEL as COLLAPSES
from catchpot_faults.kinds.air_in_line import collapses

CHANNEL = "cavity_pressure"
LEAST_MBAR, PER_MBAR = 60.0, 8.0
"""A rise that counts, and what healthy ones scatter by (mean of an exponential): pumps that cycle, leaks."""
BY_SHAPE = 4.0
"""What each factor of e in the mean squares of the two shapes is worth: neighbouring readings tell much the same."""
MOST_BELIEVED = 12.0
SHARE = (np.arange(CURVE_BINS) + 0.5) / CURVE_BINS


def rises(look: Look) -> list[Rise]:
    """The rise of each shot of the look over the mould's usual course, up to the likely arrival."""
    curve = look.shots.curve["cavity_pressure_mbar"]
    past = look.past[-40:]
    usual = np.zeros(CURVE_BINS)
    if len(past) >= 3:
        own = curve[past]
        usual = np.nan_to_num(nan_median(own - nan_median(own[:, :20])[:, None], axis=0))
    made = []
    for i, unit in zip(look.rows, look.unit_l, strict=True):
        share = SHARE * look.shots.injected_l[i] / unit
        arrival = look.shots.number["arrival_place_l"][i] / unit
        before = np.where(share <= (0.98 * arrival if np.isfinite(arrival) else 1.0), curve[i], np.nan)
        ambient = look.shots.number["ambient_pressure_mbar"][i]
        made.append(
            cavity_rise(share, look.shots.curve["t_s"][i], before, usual, ambient if np.isfinite(ambient) else 1013.25)
            if np.isfinite(before).sum() > 20 and np.nanmax(before) - np.nanmin(before) > 0.5 * LEAST_MBAR
            else NO_RISE
        )
    return made


def _evidence(look: Look, squeezed: bool) -> Evidence:
    made = look.shared(CHANNEL, rises)
    n = len(made)
    mbar, at, top = (np.array([getattr(r, k) for r in made]) for k in ("mbar", "begins", "top_mbar"))
    shape = np.zeros(n)
    for i, r in enumerate(made):
        if r.mbar >= LEAST_MBAR:
            clear = BY_SHAPE * np.log(min(r.other / max(r.own, 1e-9), 1e3)) if np.isfinite(r.other) else 20.0
            shape[i] = 0.0 if r.compressed == squeezed else -clear
    ratio = np.where(mbar >= LEAST_MBAR, np.minimum(mbar / PER_MBAR, MOST_BELIEVED) + shape, -4.0)
    return Evidence({CHANNEL: ratio}, {"mbar": mbar, "at": at, "top_mbar": top})


class VacuumLost:
    """The pressure comes to a new level with time, ambient at most."""

    name = "vacuum_lost"
    channels = frozenset({CHANNEL})
    spoils: frozenset[str] = frozenset({"curve", "collapses"})
    one_in = 200.0
    settles = "A hold check with the cavity alone, before the next resin is mixed."

    def evidence(self, look: Look) -> Evidence:
        """A rise that levels off."""
        return _evidence(look, squeezed=False)

    def found(self, look: Look, i: int, evidence: Evidence, chance: float) -> Found:
        """From where, how far."""
        rise, at, top = (float(evidence.parameter[k][i]) for k in ("mbar", "at", "top_mbar"))
        unit_l, arrival_l = float(look.unit_l[i]), float(look.arrival_l[i])
        return Found(
            self.name,
            "act" if rise >= 100 else "watch",
            f"From {share_words(at * unit_l, arrival_l)} on the cavity pressure rose by"
            f" {words.fixed(rise, 'mbar', 0)} to {words.fixed(top, 'mbar', 0)} "
            "absolute and came to a new level: vacuum was lost, not squeezed out by the resin.",
            "Look at vent hose, catch pot lid, pump and receiver. Expect voids near the vent. Keep away from the "
            "cover's edge: it is held by less.",
            at * unit_l,
        )


class VentBlocked:
    """Gas squeezed ahead of the front: the pressure goes as one over the room left (Boyle), past ambient if need be."""

    name = "vent_blocked"
    channels = frozenset({CHANNEL, COLLAPSES})
    spoils: frozenset[str] = frozenset({"curve", COLLAPSES})
    one_in = 300.0
    settles = "Blow through vent, hose and catch pot before the next shot."

    def evidence(self, look: Look) -> Evidence:
        """A rise that steepens with the volume; gas that finds no way out makes the pressure stumble as air does."""
        made = _evidence(look, squeezed=True)
        return replace(made, by_channel={**made.by_channel, COLLAPSES: np.maximum(collapses(look), 0.0)})

    def found(self, look: Look, i: int, evidence: Evidence, chance: float) -> Found:
        """From where, how far, and what the clamp had left."""
        rise, at, top = (float(evidence.parameter[k][i]) for k in ("mbar", "at", "top_mbar"))
        unit_l, arrival_l = float(look.unit_l[i]), float(look.arrival_l[i])
        text = (
            f"From {share_words(at * unit_l, arrival_l)} on the cavity pressure rose by"
            f" {words.fixed(rise, 'mbar', 0)} to {words.fixed(top, 'mbar', 0)} "
            "absolute, ever faster with the volume, as gas does that is squeezed ahead of the resin: the vent let "
            "too little out."
        )
        margin = float(look.number("clamp_margin_n")[i])
        if margin < 0:
            text += f" The clamp margin, an upper estimate, fell to {margin / 1e3:.1f} kN: the cover may have lifted."
        return Found(
            self.name,
            "act",
            text,
            "Look at vent, vent hose and catch pot for gelled resin or a pinched hose before the next shot. A blocked "
            "vent puts the line pressure under the whole cover: " + LIFT_CAUTION[0].lower() + LIFT_CAUTION[1:],
            at * unit_l,
        )


__all__ = ["VacuumLost", "VentBlocked", "rises"]
