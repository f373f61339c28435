"""Race tracking: a gap lets resin run ahead, so that resistance falls on the way, and resin comes early."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from catchpot.report import words
from catchpot.stats.healthy_curve import GRID
from catchpot_faults.found import Found
from catchpot_faults.hypothesis import Evidence, Floats, Look

STARTS = (-0.15, 0.0, 0.15, 0.3, 0.45, 0.6)
"""Where the front meets the gap: share of the usual volume; below 0 it lies at the port."""
WIDTHS = (0.15, 0.4)
"""Over which stretch the fall comes."""
TAILS = (0.9, 0.5, 0.0)
"""How much of it is gone again by the end, once the gap is full and the cloth goes on filling."""
POWERS, HEADS = (1.0, 3.0), (0.0, 0.3, 0.6)
"""Where the gap runs all along, the fall grows with the volume by a power, on top of a share of it from the start."""
FALLS = np.geomspace(0.1, 2.0, 10)
"""Log of the fall."""


@lru_cache(maxsize=64)
def falls(end: float) -> Floats:
    """Falls of log resistance of size 1 (K, CELLS) on a curve that reaches `end`."""
    x = GRID / end
    shapes = []
    for start in STARTS:
        for width in WIDTHS:
            ramp = np.clip((x - start) / width, 0.0, 1.0)
            late = np.clip((x - start - width) / max(1.0 - start - width, 0.15), 0.0, 1.0)
            shapes += [ramp * ramp * (3 - 2 * ramp) * (1.0 - tail * late) for tail in TAILS]
    shapes += [head + (1.0 - head) * np.minimum(x, 1.2) ** power for power in POWERS for head in HEADS]
    return -np.array(shapes)


class RaceTracking:
    """The fall may come at once or slowly, and may fade. A level that is low all along is a pack or a resin, and part
    of healthy scatter; a raced curve leaves its own shape."""

    name = "race_tracking"
    channels = frozenset({"curve"})
    spoils = frozenset({"volume"})
    one_in = 50.0
    settles = "Look at the part's edges and joints for a rich or dry line; weigh the next pack and check its fit."

    def evidence(self, look: Look) -> Evidence:
        """Falls that grow on the way."""
        n = len(look.rows)
        if look.healthy is None:
            return Evidence({"curve": np.zeros(n)})
        end = float(GRID[np.flatnonzero(look.healthy.cells)[-1]])
        shapes = falls(end)
        ratio, best, size = look.curve(shapes, FALLS)
        return Evidence({"curve": ratio}, {"fall": -np.expm1(-FALLS[size])}, shapes[best] * FALLS[size, None])

    def found(self, look: Look, i: int, evidence: Evidence, chance: float) -> Found:
        """How far below, and where most."""
        assert evidence.deformation is not None and look.healthy is not None
        shape = np.where(look.known[i] & look.healthy.cells, evidence.deformation[i], 0.0)
        unit_l = float(look.unit_l[i])
        low = np.flatnonzero(shape < 0.5 * shape.min())
        fall = 100 * float(evidence.parameter["fall"][i])
        begin, end = float(GRID[low[0]]) * unit_l, float(GRID[low[-1]]) * unit_l
        level = 100 * look.level_sd[i]
        return Found(
            self.name,
            "act" if chance > 0.95 and fall > 35 else "watch",
            f"Resin ran ahead: between {words.between(begin, end, 'l', 2, 'and')} resistance was about"
            f" {fall:.0f} % below what was "
            f"expected of this shot (the level of healthy shots scatters by {level:.0f} %, their shape by less). An "
            "open channel beside or above the fibre is the likeliest cause.",
            "Look at the part for dry corners away from the channel; check that the pack reaches the edges and that "
            "its joints and inserts fit.",
            begin,
            end,
        )


__all__ = ["RaceTracking"]
