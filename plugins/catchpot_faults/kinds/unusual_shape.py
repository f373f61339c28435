"""A curve that healthy fits badly and no kind fits well."""

from __future__ import annotations

import numpy as np

from catchpot_faults.found import Found
from catchpot_faults.healthy import FREEDOM, GRID
from catchpot_faults.hypothesis import EFFECTIVE, Evidence, Look

SCALES = np.log(1e4)
"""Width of the prior of its own scale: departures up to a hundred times the usual, each factor as likely."""


class UnusualShape:
    """Departures of the usual kind, of any size."""

    name = "unusual_shape"
    channels = frozenset({"curve"})
    spoils: frozenset[str] = frozenset()
    one_in = 300.0
    settles = "Whoever ran the shot may know what was different; keep the part until it is known."

    def evidence(self, look: Look) -> Evidence:
        """The likeliest scale against the usual one, less the freedom to choose it."""
        if look.healthy is None:
            return Evidence({"curve": np.zeros(len(look.rows))})
        n = np.minimum(np.maximum(look.cells, 1.0), EFFECTIVE)
        squares = look.squares * n / np.maximum(look.cells, 1.0)
        scale = np.maximum(squares / n, 1.0)
        ratio = 0.5 * (FREEDOM + n) * np.log((FREEDOM + squares) / (FREEDOM + squares / scale))
        ratio = ratio - 0.5 * n * np.log(scale) - np.log(SCALES)
        return Evidence({"curve": ratio}, {"times": np.sqrt(scale)})

    def found(self, look: Look, i: int, evidence: Evidence, chance: float) -> Found:
        """How far off, and on which stretch most."""
        assert look.healthy is not None
        unit_l = float(look.unit_l[i])
        off = np.where(look.known[i] & look.healthy.cells, look.left[i], np.nan)
        off = off - np.nanmedian(off)
        odd = np.abs(off) / look.healthy.scatter
        worst = int(np.nanargmax(odd))
        near = np.flatnonzero(odd > 0.5 * odd[worst])
        begin, end = float(GRID[near[0]]) * unit_l, float(GRID[near[-1]]) * unit_l
        side = "above" if off[worst] > 0 else "below"
        return Found(
            self.name,
            "watch",
            f"The curve is unlike the {look.healthy.shots} healthy ones before it: its shape lies "
            f"{evidence.parameter['times'][i]:.1f} times as far off as usual, most at {GRID[worst] * unit_l:.2f} l, "
            f"{100 * abs(np.expm1(off[worst])):.0f} % {side} what was expected. No known kind of fault fits it well.",
            "Look at the marked stretch together with whoever ran the shot; it has no name yet.",
            begin,
            end,
        )


__all__ = ["UnusualShape"]
