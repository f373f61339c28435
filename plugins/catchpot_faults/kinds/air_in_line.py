"""Air in the line: the driving pressure collapses for moments while the meter goes on counting."""

from __future__ import annotations

import numpy as np

from catchpot.report import words
from catchpot.stats.healthy_curve import GRID
from catchpot_faults.found import Found
from catchpot_faults.hypothesis import RECENT, Evidence, Floats, Look
from catchpot_faults.kinds.unusual_shape import any_scale

BY_CHANCE = 0.03
"""Such moments in a healthy shot of a mould that never showed any."""
SLUGS = 3.0
"""Moments in a shot with air, mean of a geometric distribution (from experience, no source)."""
DEPTH_PCT, HICCUP_PCT = 45.0, 25.0
"""Share of the driving pressure that is gone in air and in a pump's hiccup, means of exponentials."""

TWICE, TWICE_STEEP = 0.5, 1.5
"""Chance that what happens once makes two collapses or more, at nought and how steeply it falls with their number."""
AIR_S, HICCUP_S, MOST_BY_TIME = 8.0, 1.0, 6.0
"""How long they last together, means of exponentials, and what that may add at most."""
PLACES, DIP_WIDTH, DIP_SIZES = np.arange(0.06, 1.2, 0.03), 0.025, np.geomspace(0.2, 2.0, 5)
"""Where, over which stretch and by how much (log) the curve falls for the moment that air passes."""
DIP_FIRST, DIP_MOST = np.log(3.0), 8.0
"""Log odds of one such dip against a curve spoilt anyhow; and what the dip may add at most, since slugs leave more."""
LEAST_SLUGS, LEAST_S, NOT_CLEAR, NONE_SEEN = 2, 1.5, -2.0, -4.0
"""A single collapse, or a second and a half in all, may be a valve or a pump's hiccup: log ratio of what is less, at
most, so that a curve spoilt as well has to speak for air; and of no collapse."""
MOST_COUNTED = 2.0
"""Collapses of one shot that count for its mould's rate at most: a shot full of air says little of the pump."""
CHANNEL = "collapses"


def collapses(look: Look, seconds: float = AIR_S, *, once: bool = False) -> Floats:
    """Log ratio of the collapses under something that makes them so long, against a healthy shot's.

    once: it makes one or none; else any number of them.
    """
    count, depth, lasted = (np.nan_to_num(look.number(k)) for k in ("slugs", "slugs_depth_pct", "slugs_s"))
    past = np.nan_to_num(look.shots.number["slugs"][look.past])
    usual = (BY_CHANCE * 10 + past.sum()) / (10 + len(past))
    # a pump that stumbles in many shots is this mould's pump, whatever they were called
    every = np.nan_to_num(look.shots.number["slugs"][: int(look.rows[0])])[-RECENT:]
    usual = max(usual, float(np.minimum(every, MOST_COUNTED).sum() / (10 + len(every))))
    # the mould's own rate is known from few shots, and a pump's hiccups come in bursts
    healthy = count * np.log(2.0 * usual / (1.0 + 2.0 * usual)) - np.log1p(2.0 * usual)
    many = count * np.log(SLUGS / (1.0 + SLUGS)) - np.log1p(SLUGS)
    made = np.where(count > 1, np.log(TWICE) - TWICE_STEEP * count, np.log(0.5)) if once else many
    long = np.minimum(lasted * (1.0 / HICCUP_S - 1.0 / seconds), MOST_BY_TIME) - np.log(seconds / HICCUP_S)
    deep = depth * (1.0 / HICCUP_PCT - 1.0 / DEPTH_PCT) - np.log(DEPTH_PCT / HICCUP_PCT)
    return np.asarray(made - healthy + np.where(count > 0, deep + long, 0.0))


class AirInLine:
    """Number and depth of the collapses that `fault_signs` counted, against what this mould's pump usually shows."""

    name = "air_in_line"
    channels = frozenset({CHANNEL, "curve"})
    spoils = frozenset({"curve", "volume"})
    one_in = 50.0
    settles = "Purge the line into a cup and look for bubbles; weigh what a counted litre gives."

    def evidence(self, look: Look) -> Evidence:
        """Poisson against geometric counts."""
        curve = np.zeros(len(look.rows))
        if look.healthy is not None:  # a curve with air in it may look like anything
            some = np.nan_to_num(look.number("slugs")) > 0
            dips, _, _ = look.curve(-np.exp(-0.5 * ((GRID - PLACES[:, None]) / DIP_WIDTH) ** 2), DIP_SIZES)
            anyhow = np.maximum(any_scale(look)[0], 0.0)
            curve = np.where(some, np.logaddexp(anyhow, np.minimum(dips + DIP_FIRST, anyhow + DIP_MOST)), 0.0)
        count, lasted = (np.nan_to_num(look.number(k)) for k in ("slugs", "slugs_s"))
        told = collapses(look)
        clear = (count >= LEAST_SLUGS) & (lasted >= LEAST_S)
        told = np.where(clear, told, np.where(count > 0, np.minimum(told, NOT_CLEAR), NONE_SEEN))
        return Evidence({CHANNEL: told, "curve": curve})

    def found(self, look: Look, i: int, evidence: Evidence, chance: float) -> Found:
        """How often, how long, how deep."""
        count, seconds, depth, begin, end = (
            float(look.number(k)[i])
            for k in ("slugs", "slugs_s", "slugs_depth_pct", "slugs_from_volume_l", "slugs_to_volume_l")
        )
        where = f" between {words.between(begin, end, 'l', 2, 'and')}" if np.isfinite(begin + end) else ""
        times = "once" if count == 1 else f"{count:.0f} times"
        return Found(
            self.name,
            "act" if count >= 6 or seconds >= 8 else "watch" if count >= 3 else "note",
            f"The driving pressure collapsed {times}{where}, for {seconds:.0f} s together and by up to {depth:.0f} %, "
            "while the meter went on turning: air passed through the line. The meter counted it as resin.",
            "Look at the resin drum's level, suction hose and fittings; purge before the next shot. Look at the part "
            "for voids and for a short fill by the air's volume.",
            begin if np.isfinite(begin) else None,
            end if np.isfinite(end) else None,
        )


__all__ = ["CHANNEL", "AirInLine", "collapses"]
