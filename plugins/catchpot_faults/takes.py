"""What the mould takes in one shot until resin arrives at the vent, and how far past that the shot went.

Three witnesses: the mould's usual arrival volume, with its scatter from shot to shot; what was weighed in the catch
pot, or of the part; the arrival this shot's own curve shows, with its interval. Each counts by what it leaves open.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from catchpot_faults.seen import Seen
from catchpot_faults.usual import LEAST_SHOTS, Expected

USUALLY_PAST, USUALLY_PAST_SD = 0.05, 0.02
"""How far past arrival a mould usually goes whose curve never shows it and whose catch pot nobody weighs: common
practice, no source."""
CORNERS, CORNERS_SD = 0.03, 0.02
"""Share of the arrival volume that dry corners still take once resin has arrived: none behind a straight front, 5 to
9 % behind one whose lanes differ by 15 to 20 %."""
TO_POT = 1.2
"""Litres that go in past arrival for each that reaches the catch pot: the corners go on taking some."""
POT_SD = 0.015
"""What fronts that run differently from shot to shot leave open of an arrival told by the catch pot, relative."""
UNSEEN_SD = 0.02
"""Scatter of the arrival volume from shot to shot where no curve shows it, relative: 1.5 % of areal weight, 1 % of
thickness, and fronts. A programme that stands still says nothing of it."""
PART_SD = 0.025
"""The same where the part was weighed instead: the pack's own mass (1.5 %) and 0.05 mm of gel coat come on top."""
OWN_FLOOR = 0.006
"""What one fit leaves open beside its interval, relative."""
ONE_IN = 10.0
"""One shot in so many, of those worth a look, goes past the bar."""
BETWEEN = 0.25
"""How often the programme is set higher but not as far as the bar, for once that it is set beyond."""
MISSED_SD = 0.04
"""What the arrivals found leave open where most are not found: it is the late ones that show."""


@dataclass(frozen=True)
class Takes:
    """What the mould takes in this shot until resin arrives, l.

    usual_l, usual_sd: by the mould's past, with its scatter from shot to shot (relative). likely_l, sd: with what this
    shot's catch pot and its own curve say. shown: whether the mould's curves show their arrival. least_sd: how far such
    readings of healthy shots lie apart at least, however well they have agreed so far.
    """

    usual_l: float
    usual_sd: float
    likely_l: float
    sd: float
    shown: bool
    least_sd: float


def takes(s: Seen) -> Takes | None:
    """The mould's usual arrival volume, pot and curve of this shot, put together; None where none of them tells."""
    n, u = s.number, s.usual
    bleed = float(np.nan_to_num(n["book.bleed_target_l"]))
    shown = bool(np.isfinite(u.arrival_l) and u.arrivals_seen >= 0.25 and np.isfinite(u.arrival.value))
    logs, variances, scatter = [], [], 0.0
    if np.isfinite(u.arrival_l) and np.isfinite(u.arrival.value):
        logs.append(np.log(u.arrival_l) + u.arrival.value)
        variances.append(MISSED_SD**2 * (1.0 - u.arrivals_seen) ** 2 + 0.004**2)
        scatter = u.arrival.sd
    if u.shots >= LEAST_SHOTS:
        if np.isfinite(u.past_l):
            wetted = u.injected_l - TO_POT * u.past_l
            logs.append(np.log(max(wetted, 1e-9) / (1.0 + CORNERS)))
            variances.append(CORNERS_SD**2)
        else:
            logs.append(np.log(max(u.injected_l - bleed, 1e-9) / (1.0 + USUALLY_PAST)))
            variances.append(USUALLY_PAST_SD**2)
        scatter = scatter if shown else max(u.injected.sd, UNSEEN_SD)
    usual, level_sd = _weighed(logs, variances)
    usual_sd = float(np.hypot(level_sd, scatter))
    prior, prior_sd, apart = _by_pot(s, usual, level_sd)
    if not prior_sd < usual_sd:  # both err with the way the front runs: the better one alone, not their mean
        prior, prior_sd, apart = usual, usual_sd, POT_SD
    own, own_sd = n["arrival_volume_l"], np.inf
    if np.isfinite(own):
        half = (n["arrival_volume_high_l"] - n["arrival_volume_low_l"]) / (3.92 * own)
        seldom = MISSED_SD * (1.0 - u.arrivals_seen) if u.shots >= LEAST_SHOTS else 0.0
        own_sd = float(np.sqrt(half**2 + OWN_FLOOR**2 + seldom**2))
    if np.isfinite(prior) and abs(np.log(own / prior)) > 3 * np.hypot(prior_sd, own_sd):
        own_sd = np.inf  # a fit that went astray rather than a mould that takes so much less or more
    likely, sd = _weighed([np.log(prior), np.log(own)], [prior_sd**2, own_sd**2])
    return Takes(usual, usual_sd, likely, sd, shown, min(sd, apart)) if np.isfinite(likely) else None


def past_share(s: Seen, known: Takes) -> float:
    """How far the shot went past arrival, beyond the bleed wanted, as a share of what it likely took (NaN: unknown).

    Never less than what was weighed: what lies in the pot did go past the vent.
    """
    bleed = float(np.nan_to_num(s.number["book.bleed_target_l"]))
    weighed = (s.number["past_l"] - bleed) / known.likely_l
    return float(np.fmax((s.number["injected_volume_l"] - bleed) / known.likely_l - 1.0, weighed))


def chance_past(share: float, sd: float, usual: Expected, bar: float) -> float:
    """Chance that a shot read to have gone `share` past arrival went past the bar (0 to 1).

    sd: of that reading. usual: readings of the mould's healthy shots, and their scatter. Three things may lie behind
    a reading: the mould's habit with its scatter (and now and then three times that); a programme set otherwise, but
    not as far as the bar, anywhere between; a shot anywhere from the bar to twice the bar, once in `ONE_IN` shots.
    """
    from scipy.special import ndtr

    def between(low: float, high: float) -> float:
        """Density of the reading where the truth lies anywhere between."""
        return float(ndtr((share - low) / sd) - ndtr((share - high) / sd)) / (high - low)

    def normal(spread: float) -> float:
        return float(np.exp(-0.5 * ((share - usual.value) / spread) ** 2) / (spread * np.sqrt(2 * np.pi)))

    habit = 0.95 * normal(usual.sd) + 0.05 * normal(3.0 * usual.sd)
    low = min(usual.value, bar - 0.01)
    set_otherwise = BETWEEN * between(low, bar)
    beyond = between(bar, 2.0 * bar) if share < 2.0 * bar else between(bar, share)
    return beyond / max(beyond + set_otherwise + ONE_IN * habit, 1e-300)


def _by_pot(s: Seen, usual_l: float, level_sd: float) -> tuple[float, float, float]:
    """Arrival volume of this shot by what was weighed past the vent, its s.d. (relative), and that without the level's.

    NaN and inf where nothing was weighed.

    Held against what the mould's shots usually weigh; by the part's mass where the pot shows nothing (a hose keeps it).
    """
    n, u = s.number, s.usual
    injected = n["injected_volume_l"]
    for now, usually, sd in (
        (n["past_l"], u.past_l, POT_SD), (n["not_in_part_l"], u.not_in_part_l, PART_SD),
    ):  # fmt: skip
        more = (now - usually) / usual_l
        if np.isfinite(more) and np.isfinite(injected):
            bleed = float(np.nan_to_num(n["book.bleed_target_l"])) / usual_l
            habit = u.injected_l / usual_l - 1.0
            # A setting that moved of late has moved the habit's median, perhaps not yet the usual arrival's.
            habit = (habit + u.over.value + bleed) / 2 if np.isfinite(u.over.value) else habit
            over = habit + TO_POT * more
            return injected / (1.0 + over), float(np.sqrt(sd**2 + level_sd**2 + (0.2 * more) ** 2)), sd
    if not (np.isfinite(n["past_l"]) and np.isfinite(injected)):
        return float("nan"), float("inf"), POT_SD
    wetted = injected - TO_POT * n["past_l"]
    share = n["past_l"] / max(wetted, 1e-9)
    return wetted / (1.0 + CORNERS), float(np.sqrt(CORNERS_SD**2 + POT_SD**2 + (0.2 * share) ** 2)), POT_SD


def _weighed(logs: list[float], variances: list[float]) -> tuple[float, float]:
    """Mean of what is known, weighed by its variance, and its s.d. (relative); NaN and inf of nothing."""
    known = [(x, v) for x, v in zip(logs, variances, strict=True) if np.isfinite(x) and np.isfinite(v)]
    total = sum(1 / v for _, v in known)
    if not total:
        return float("nan"), float("inf")
    return float(np.exp(sum(x / v for x, v in known) / total)), float(total**-0.5)


__all__ = ["Takes", "chance_past", "past_share", "takes"]
