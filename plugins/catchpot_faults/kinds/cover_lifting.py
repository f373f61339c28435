"""A cover that lifts: the cavity opens within seconds, resistance falls and stays down; a gap gauge sees it."""

from __future__ import annotations

import numpy as np

from catchpot.stats.healthy_curve import GRID
from catchpot_faults.found import LIFT_CAUTION, Found, share_words
from catchpot_faults.hypothesis import Evidence, Look, against
from catchpot_faults.kinds.air_in_line import CHANNEL as COLLAPSES
from catchpot_faults.kinds.air_in_line import collapses

STARTS = np.arange(0.1, 0.96, 0.02)
FALLS = np.geomspace(0.12, 1.6, 8)
"""Log of the fall: permeability goes up steeply with thickness."""
LASTS = 0.04
"""Share of the volume within which it has come down."""
DIPS, OPENING = (0.0, 1.2, 4.0), (0.0, 1.5)
"""How much further it falls for a moment, while the cavity fills the room it gained; and how it goes on opening."""
DIP_S = 5.0
"""How long the driving pressure collapses as the cavity gains room, mean; once, or not to be seen."""
GAP_SD_MM, GAP_MOST_MM = 0.03, 1.5
GAP_LEAST_MM = 0.1
"""A flange that opens less has not lifted: gauges and elastic seals."""


class CoverLifting:
    """A sudden, lasting fall of the resistance, and the flange gap where it is logged."""

    name = "cover_lifting"
    channels = frozenset({"curve", "flange_gap", COLLAPSES})
    spoils: frozenset[str] = frozenset()
    one_in = 500.0
    settles = "A dial gauge on the flange during the next shot, hands away from the edge."

    def evidence(self, look: Look) -> Evidence:
        """Falls within moments; a gap that opens, or stays shut."""
        n = len(look.rows)
        rise = look.shots.number["gap_rise_mm"]
        middle, sd = look.usual(rise, GAP_SD_MM)
        own = rise[look.rows]
        opened = against(own, np.nan_to_num(middle), sd if np.isfinite(sd) else GAP_SD_MM, GAP_MOST_MM)
        opened = np.where(np.isfinite(own) & (own < GAP_LEAST_MM), np.minimum(opened, -3.0), opened)
        # a pump's hiccup or a slug of air does as much: a collapse alone speaks for no cover
        dips = np.minimum(collapses(look, DIP_S, once=True), 0.0)
        if look.healthy is None:
            return Evidence(
                {"curve": np.zeros(n), "flange_gap": opened, COLLAPSES: dips}, {"gap_mm": own, "at": np.zeros(n)}
            )
        end = float(GRID[np.flatnonzero(look.healthy.cells)[-1]])
        begins = STARTS * end
        since = GRID[None, :] - begins[:, None]
        ramp = np.clip(since / LASTS + 0.5, 0.0, 1.0)
        falls = [1.0 + d * np.exp(-np.maximum(since, 0.0) / LASTS) for d in DIPS]
        ways = np.stack([ramp * fall * (1.0 + g * np.maximum(since, 0.0)) for fall in falls for g in OPENING], axis=1)
        shapes = -ways.reshape(-1, len(GRID))
        ratio, best, size = look.curve(shapes, FALLS)
        at, fall = begins[best // ways.shape[1]], FALLS[size]
        parameter = {"gap_mm": own, "at": at, "fall": -np.expm1(-fall)}
        return Evidence(
            {"curve": ratio, "flange_gap": opened, COLLAPSES: dips}, parameter, shapes[best] * fall[:, None]
        )

    def found(self, look: Look, i: int, evidence: Evidence, chance: float) -> Found:
        """From where, by how much, seen by what."""
        unit_l, arrival_l = float(look.unit_l[i]), float(look.arrival_l[i])
        at, gap = float(evidence.parameter["at"][i]), float(evidence.parameter["gap_mm"][i])
        parts = []
        if "fall" in evidence.parameter and evidence.by_channel["curve"][i] > 0:
            parts.append(f"resistance fell by about {100 * evidence.parameter['fall'][i]:.0f} % within moments")
        if np.isfinite(gap):
            parts.append(f"the flange gap opened by {gap:.2f} mm")
        said = f"From {share_words(at * unit_l, arrival_l)} on " + " and ".join(parts or ["the curve fell"])
        return Found(
            self.name,
            "act",
            said + ": the cover lifted and the cavity opened.",
            LIFT_CAUTION + " Then check clamp vacuum, seals and the line pressure limit.",
            at * unit_l,
        )


__all__ = ["CoverLifting"]
