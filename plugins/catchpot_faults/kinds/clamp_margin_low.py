"""A clamp that holds less than it usually does, of a sudden; what goes slowly is `clamp_watch`'s."""

from __future__ import annotations

import numpy as np

from catchpot.physics.clamp import LOST_SHARE
from catchpot.report import words
from catchpot_faults.found import LIFT_CAUTION, Found
from catchpot_faults.hypothesis import Evidence, Look, against

SD_MBAR, WIDEST_MBAR = 10.0, 800.0
SUDDEN_MBAR = 60.0
"""A rise that is more than a seal's wear between two shots; wear is told by its leak."""
LATELY = 4


class ClampMarginLow:
    """Clamp pressure during the injection against the mould's own."""

    name = "clamp_margin_low"
    channels = frozenset({"clamp_pressure"})
    spoils: frozenset[str] = frozenset()
    one_in = 200.0
    settles = "A hold check of the clamp channel before the next shot."

    def evidence(self, look: Look) -> Evidence:
        """Nought without a clamp gauge, or while the cover is held as ever."""
        clamp = look.number("clamp_start_mbar")
        margin = look.number("clamp_margin_n")
        middle, sd = look.usual(look.shots.number["clamp_start_mbar"], SD_MBAR)
        usual_margin, _ = look.usual(look.shots.number["clamp_margin_n"], 1.0)
        known = look.shots.number["clamp_start_mbar"][look.past]
        known = known[np.isfinite(known)][-LATELY:]
        recent = float(np.median(known)) if len(known) else middle
        n = len(look.rows)
        if not np.isfinite(middle):
            return Evidence({"clamp_pressure": np.zeros(n)}, {"usual_mbar": np.full(n, np.nan)})
        sudden = (clamp - max(middle, recent) > SUDDEN_MBAR) & ~(margin > 0.95 * usual_margin)
        ratio = np.where(sudden, against(clamp, middle, sd, WIDEST_MBAR), -3.0)
        ratio = np.where(np.isfinite(clamp), ratio, 0.0)
        usual = {"usual_mbar": np.full(n, middle), "usual_n": np.full(n, usual_margin)}
        return Evidence({"clamp_pressure": ratio}, usual)

    def found(self, look: Look, i: int, evidence: Evidence, chance: float) -> Found:
        """Clamp pressure and margin, beside the usual ones."""
        clamp, margin = (float(look.number(k)[i]) for k in ("clamp_start_mbar", "clamp_margin_n"))
        usual = float(evidence.parameter["usual_mbar"][i])
        usual_n = float(evidence.parameter.get("usual_n", np.full(i + 1, np.nan))[i])
        text = (
            f"The clamp stood at {words.fixed(clamp, 'mbar', 0)} absolute during injection, usually at"
            f" {words.fixed(usual, 'mbar', 0)}"
        )
        at_risk = False
        if np.isfinite(margin) and np.isfinite(usual_n):
            text += f"; the lowest closing force was {margin / 1e3:.1f} kN, usually {usual_n / 1e3:.1f} kN"
            at_risk = margin <= 0 < usual_n or margin < LOST_SHARE * usual_n
        text += ". That force is an upper estimate: springback of the fibre and local lifting are left out."
        return Found(
            self.name,
            "act" if at_risk else "watch",
            text,
            "Check clamp pump, hoses and seals before the next shot; do not make up for it with line pressure. "
            + LIFT_CAUTION,
        )


__all__ = ["ClampMarginLow"]
