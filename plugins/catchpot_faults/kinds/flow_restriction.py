"""A restriction: something in the line closes at one moment, and adds a resistance that stays."""

from __future__ import annotations

import numpy as np

from catchpot.stats.healthy_curve import GRID
from catchpot_faults.found import Found, share_words
from catchpot_faults.hypothesis import Evidence, Look

STARTS = np.arange(0.0, 1.4, 0.02)
"""Where it may close: from the first moment on, anywhere."""
ADDED = np.geomspace(0.08, 3.0, 9)
"""What it adds, as a share of the whole resistance at that moment; each factor of e as likely."""


class FlowRestriction:
    """Resistance jumps up within moments and stays up by the same amount, free of the bed's own growth."""

    name = "flow_restriction"
    channels = frozenset({"curve"})
    spoils: frozenset[str] = frozenset()
    one_in = 100.0
    settles = "Blow the line and the head through without the mould: a restriction shows there too."

    def evidence(self, look: Look) -> Evidence:
        """Steps of resistance anywhere along the curve."""
        n = len(look.rows)
        if look.healthy is None:
            return Evidence({"curve": np.zeros(n)})
        mean = look.healthy.mean
        ends = GRID[np.flatnonzero(look.healthy.cells)]
        starts = STARTS[(STARTS == 0) | ((ends[0] + 0.03 < STARTS) & (ends[-1] - 0.03 > STARTS))]
        # what closed before anything could be read is measured at the first reading
        here = np.interp(np.maximum(starts, ends[0]), GRID, mean)
        share = np.exp(here[:, None] - mean[None, :]) * np.clip((GRID - starts[:, None]) / 0.02 + 0.5, 0.0, 1.0)
        templates = np.log1p(ADDED[None, :, None] * share[:, None, :]).reshape(-1, len(GRID))
        ratio, best, _ = look.curve(templates)
        at, size = starts[best // len(ADDED)], ADDED[best % len(ADDED)]
        return Evidence({"curve": ratio}, {"at": at, "added": size}, templates[best])

    def found(self, look: Look, i: int, evidence: Evidence, chance: float) -> Found:
        """Where, and by how much."""
        unit_l, arrival_l = float(look.unit_l[i]), float(look.arrival_l[i])
        at, added = float(evidence.parameter["at"][i]), 100 * float(evidence.parameter["added"][i])
        if at == 0.0:
            said = f"The line resisted more from the beginning: early resistance was about {added:.0f} % above usual"
        else:
            said = (
                f"At {share_words(at * unit_l, arrival_l)} the resistance jumped by about {added:.0f} % and stayed up"
            )
        return Found(
            self.name,
            "watch",
            said + ". Flow and pressure changed within moments, so something in the line closed: it is not the fibre "
            "and not gel.",
            "Look for a kinked or crushed hose, a valve half shut, a gelled lump in head, mixer or port. Relieve the "
            "line pressure before opening a hose.",
            at * unit_l,
        )


__all__ = ["FlowRestriction"]
