"""Catalyst: a ratio beyond its tolerance over part of the volume, or hardly any catalyst at all."""

from __future__ import annotations

import numpy as np

from catchpot.report import words
from catchpot_faults.found import RATIO_CAUTION, Found
from catchpot_faults.hypothesis import Evidence, Look

OF_TOLERANCE = 0.35
"""S.d. of a healthy stretch's ratio, as a share of the tolerance: the tolerance is close to three of it."""
STARVED_LEAST = 0.03
"""Share of the volume that must be starved; a pause of the pump spoils one or two hundredths."""
PER_SHARE = 0.005
"""Share of the volume starved by chance, mean of an exponential."""
RATIO_CHANNEL = "catalyst"


def _basis(look: Look, i: int) -> tuple[float, str]:
    mass = float(look.number("ratio.to_mass")[i])
    return (mass, "by mass") if np.isfinite(mass) else (1.0, "by volume")


class RatioOff:
    """The stretch that lies furthest off, beyond tolerance, in s.d. of a healthy one."""

    name = "ratio_off"
    channels = frozenset({RATIO_CHANNEL})
    spoils: frozenset[str] = frozenset()
    one_in = 50.0
    settles = "Weigh what each pump delivers in a minute into two cups."

    def evidence(self, look: Look) -> Evidence:
        """Nought without a stretch beyond tolerance."""
        off = np.abs(look.number("ratio.in_stretch") - look.number("ratio.setting"))
        z = np.nan_to_num(off / (OF_TOLERANCE * look.number("ratio.tolerance")))
        there = np.nan_to_num(look.number("ratio.off_share")) > 0
        starved = np.nan_to_num(look.number("ratio.starved_share")) >= STARVED_LEAST
        ratio = np.where(there, np.minimum(0.5 * z**2, 40.0) + 3.0, -4.0)
        return Evidence({RATIO_CHANNEL: np.where(starved, -4.0, ratio)})

    def found(self, look: Look, i: int, evidence: Evidence, chance: float) -> Found:
        """How much, where, against which setting."""
        k, basis = _basis(look, i)
        ratio, setting, tolerance, whole = (
            k * float(look.number(f"ratio.{c}")[i]) for c in ("in_stretch", "setting", "tolerance", "whole")
        )
        volume = float(look.number("injected_volume_l")[i])
        share, begin, end = (float(look.number(f"ratio.{c}")[i]) for c in ("off_share", "from_share", "to_share"))
        off = 100 * (ratio / setting - 1)
        return Found(
            self.name,
            "act" if abs(ratio - setting) > 2 * tolerance or share > 0.5 else "watch",
            f"The catalyst ratio was {ratio:.2f} % {basis} over {100 * share:.0f} % of the volume ("
            f"{words.between(begin * volume, end * volume, 'l', 2)}), {abs(off):.0f} %"
            f" {'too much' if off > 0 else 'too little'} against a setting "
            f"of {setting:.2f} ± {tolerance:.2f} %; over the whole shot it was {whole:.2f} %.",
            RATIO_CAUTION + " Check the catalyst pump's linkage, stroke and valves, and weigh what it delivers. "
            "Peroxide: eye protection, never together with accelerator.",
            begin * volume,
            end * volume,
        )


class CatalystStarved:
    """A stretch with less than two fifths of the setting."""

    name = "catalyst_starved"
    channels = frozenset({RATIO_CHANNEL})
    spoils: frozenset[str] = frozenset()
    one_in = 300.0
    settles = "Look at the catalyst's level and run its pump into a cup."

    def evidence(self, look: Look) -> Evidence:
        """The longer the stretch, the less it is chance."""
        share = np.nan_to_num(look.number("ratio.starved_share"))
        ratio = np.minimum(share / PER_SHARE, 60.0) - np.log(1.0 / PER_SHARE)
        return Evidence({RATIO_CHANNEL: np.where(share >= STARVED_LEAST, ratio + 8.0, -4.0)})

    def found(self, look: Look, i: int, evidence: Evidence, chance: float) -> Found:
        """How little, where."""
        k, basis = _basis(look, i)
        ratio, setting = (k * float(look.number(f"ratio.{c}")[i]) for c in ("starved_ratio", "setting"))
        volume = float(look.number("injected_volume_l")[i])
        share, begin, end = (
            float(look.number(f"ratio.{c}")[i]) for c in ("starved_share", "starved_from", "starved_to")
        )
        return Found(
            self.name,
            "act",
            f"From {words.between(begin * volume, end * volume, 'l', 2, 'to')} ({100 * share:.0f} % of the"
            f" volume) only {ratio:.2f} % "
            f"catalyst {basis} went with the resin, against a setting of {setting:.2f} %: the catalyst pump ran dry or "
            "lost its prime.",
            RATIO_CAUTION + " That resin may not cure at all. Check the catalyst's level, filter and suction valve. "
            "Peroxide: eye protection, never together with accelerator.",
            begin * volume,
            end * volume,
        )


__all__ = ["CatalystStarved", "RatioOff"]
