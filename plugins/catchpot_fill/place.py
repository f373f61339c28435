"""Where on a mould's own curve resin arrives at the vent: what is known of it, and by what.

One constant per mould, as a density over places of the curve. The curve itself speaks first, through a small network of
fixed weights (`place_weights.csv`) that was taught on made-up moulds in two dimensions and on straight channels: many
geometries, cloths, pumps and habits, none of them the mould at hand (`tests/studies/study_place.py` makes the weights
anew). Then whatever the workshop saw: resin at the vent by eye or by a channel, and weighed catch pots. Every witness
multiplies the density by its likelihood, so that a single weighing narrows all arrivals, earlier places and later ones.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from catchpot.stats.curve_fit import STEP
from catchpot.stats.own_curve import OwnCurve
from catchpot_fill.signs import NAMES, MouldFacts, Signs, signs

Floats = NDArray[np.float64]

UNTAUGHT = 0.01
"""Chance that a mould is like none of those the weights were taught on: any place is then as likely as another."""
RAN_AHEAD, AHEAD_BY = 0.4, 0.06
"""Chance that the first resin runs ahead of the front in a lane that the curve does not show, or that corners fill
after it and their end is taken for it; and by how much of the volume at most, anything up to it as likely (chosen on
moulds whose cloth has lanes and on two-dimensional ones)."""
PAST_END = 0.05
"""Scale of the lengths by which resin that had not arrived at the end of the curve comes later, share of the volume."""
EYE_S, EYE_LATE_S = 1.5, 1.0
"""S.d. of the moment that an eye at the vent notes, and how late it is (from experience, no source)."""
CLOTH_SD, CLOTH_WORTH = 0.009, 4.0
"""What a cloth's own pattern moves the first resin from shot to shot, beside the curve's stretch: s.d., relative (two
worlds of two-dimensional moulds: 0.2 to 2.9 %), and how many weighings this guess is worth."""
SCALE_KG = 0.010
"""S.d. of a weighed catch pot (a shop's scales, from experience, no source)."""
SURE_POT, USUAL_POT = 2.5, 0.05
"""S.d. of the scales from which on a pot held resin without doubt; and what usually goes past the vent, share of the
volume (common practice, no source): against it a small reading is weighed."""
CORNERS = ((0.35, 0.004), (0.45, 0.03), (0.2, 0.08))
"""What fills after resin arrived, as a share of the volume: chance and scale of exponential lengths (two-dimensional
moulds with vents at the last point of fill, some way off it, and badly placed)."""
HOSE_IN_POT = 0.5
"""Chance that what fills a vent hose is weighed with the pot: some shops blow the hose into it (from experience, no
source)."""
TO_FILL_HOSE = 1.3
"""Volume that goes in after the arrival for each that stays in the vent hose: corners take their share."""
SHARED_SD = 0.003
"""What all weighings or looks of a mould may err in together, relative."""
NEVER_SEEN, SHOTS_TO_SEE = 0.1, 4.0
"""A shop that never sees resin at the vent sets more before long: how much less likely a place past the usual end
becomes at last, and over how many shots (from experience, no source)."""
MISTAKEN = 0.03
"""Chance that a witness speaks of something else: another shot, a spilt pot, an eye elsewhere."""
FAR = 4.0
"""Standard deviations from the median beyond which a pot is left out."""


@dataclass(frozen=True)
class Seen:
    """A witness of the arrival. kind: `eye` or `pot`. at: where on the curve resin was seen, or the end less the pot.

    sd: relative. end: where on the curve the shot ended. empty: a pot that held nothing (then `at` is `end`). shot: the
    how manieth on the curve it was.
    """

    kind: str
    at: float
    sd: float
    end: float
    empty: bool = False
    shot: int = 0


@dataclass(frozen=True)
class Place:
    """Density over places of the curve, 1 in all. by_curve: the same from the curve alone. witnesses: how many of each.

    >>> Place(np.array([0.9, 1.0]), np.array([0.5, 0.5]), np.array([0.5, 0.5]), 0, 0).middle
    0.95
    """

    at: Floats
    density: Floats
    by_curve: Floats
    eyes: int
    pots: int

    def quantile(self, share: float, density: Floats | None = None) -> float:
        """The place before which this share of the density lies."""
        d = self.density if density is None else density
        sums = np.cumsum(d) - 0.5 * d
        return float(np.interp(share, sums, self.at))

    @property
    def middle(self) -> float:
        """Median."""
        return self.quantile(0.5)

    @property
    def half_width(self) -> float:
        """Half of the 95 % interval, relative."""
        return (self.quantile(0.975) - self.quantile(0.025)) / (2 * self.middle)

    @property
    def above(self) -> float:
        """How far the 95 % interval reaches above the middle, relative: what it costs to be sure of filling."""
        return self.quantile(0.975) / self.middle - 1.0

    @property
    def half_width_by_curve(self) -> float:
        """The same from the curve alone."""
        d = self.by_curve
        return (self.quantile(0.975, d) - self.quantile(0.025, d)) / (2 * self.quantile(0.5, d))


def cloth_scatter(seen: Sequence[Seen]) -> float:
    """S.d. of the place of arrival from shot to shot, relative, as weighed shots show it."""
    logs = np.log([w.at for w in seen if w.kind == "pot" and not w.empty and w.at > 0])
    if len(logs) < 2:
        return CLOTH_SD
    # the middle half, so that a spilt pot does not count
    low, high = np.quantile(logs, [0.25, 0.75])
    spread = (high - low) / 1.349
    n = len(logs) - 1
    return float(np.sqrt((CLOTH_WORTH * CLOTH_SD**2 + n * spread**2) / (CLOTH_WORTH + n)))


def place_of(own: OwnCurve, usual_end: float, facts: MouldFacts, seen: Sequence[Seen]) -> Place:
    """Where resin arrives, from the curve and all witnesses so far. usual_end: where on the curve shots usually end."""
    cloth_sd = cloth_scatter(seen)
    s = signs(own, usual_end, facts)
    by_curve = ran_ahead(s.place, read(s))
    # someone would have set more
    habit = NEVER_SEEN + (1.0 - NEVER_SEEN) * float(np.exp(-own.count / SHOTS_TO_SEE))
    log = np.log(by_curve) + np.where(s.place > usual_end, np.log(habit), 0.0)
    for told in (
        _by_eye([w for w in seen if w.kind == "eye"], s.place, cloth_sd),
        _by_pot([w for w in seen if w.kind == "pot"], s.place, facts.hose, cloth_sd),
    ):
        log += np.log(told)
    density = np.exp(log - log.max())
    kinds = [w.kind for w in seen]
    return Place(s.place, density / density.sum(), by_curve, kinds.count("eye"), kinds.count("pot"))


def read(s: Signs) -> Floats:
    """Density over the places by the curve alone."""
    chance, later = np.zeros(len(s.place)), 0.0
    nets = _weights()
    for net in nets:
        own, none = net.read(s.numbers)
        chance += own / len(nets)
        later += none / len(nets)
    beyond = s.place >= s.known_to
    # nothing is seen past the end of the curve: what lies there lies near the end
    chance = np.where(beyond, 0.0, chance)
    tail = np.where(beyond, np.exp(-(s.place - s.known_to) / (PAST_END * s.known_to)), 0.0)
    if not tail.any():
        tail[-1] = 1.0
    made = chance / max(chance.sum(), 1e-12) * (1.0 - later) + later * tail / tail.sum()
    return np.asarray((1.0 - UNTAUGHT) * made + UNTAUGHT / len(made))


def ran_ahead(place: Floats, chance: Floats) -> Floats:
    """The density where a thin lane may have brought the first resin before the front that the curve shows.

    place: rising, evenly spaced.
    """
    gap = 1.0 - place[:, None] / place[None, :]
    lane = ((gap >= 0.0) & (gap <= AHEAD_BY)).astype(float)
    return np.asarray((1.0 - RAN_AHEAD) * chance + RAN_AHEAD * (lane / lane.sum(axis=0)) @ chance)


def together(log_at: Floats, sd: Floats, cloth_sd: float) -> tuple[float, float]:
    """Mean of several readings of one place and its s.d.: what they err in together does not average out.

    Readings far from the others are left out.
    """
    wide = np.hypot(sd, cloth_sd)
    like = np.abs(log_at - np.median(log_at)) <= FAR * wide
    precision = np.where(like if like.any() else True, 1.0 / wide**2, 0.0)
    return float(precision @ log_at / precision.sum()), float(np.hypot(precision.sum() ** -0.5, SHARED_SD))


def _by_eye(seen: Sequence[Seen], place: Floats, cloth_sd: float) -> Floats:
    """Likelihood of all that was seen at the vent, at each place, at most about 1."""
    if not seen:
        return np.ones(len(place))
    at, sd = together(np.log([w.at for w in seen]), np.array([w.sd for w in seen]), cloth_sd)
    return np.asarray(MISTAKEN + (1.0 - MISTAKEN) * np.exp(-0.5 * ((at - np.log(place)) / sd) ** 2))


def _by_pot(seen: Sequence[Seen], place: Floats, hose: float, cloth_sd: float) -> Floats:
    """Likelihood of all weighed pots at each place, with and without what fills the vent hose; at most about 1.

    What a mould's corners take after the arrival, and how its pots are weighed, is the same in all of its shots: pots
    are put together first, and only then asked.
    """
    filled, empty = [w for w in seen if not w.empty], [w for w in seen if w.empty]
    made = np.zeros(len(place))
    for chance, in_hose in ((HOSE_IN_POT, 0.0), (1.0 - HOSE_IN_POT, hose)):
        both = np.ones(len(place))
        if filled:
            at, sd = together(np.log([w.at for w in filled]), np.array([w.sd for w in filled]), cloth_sd)
            both *= MISTAKEN + (1.0 - MISTAKEN) * _took(float(np.exp(at)) - in_hose, place, sd)
        if empty:  # nothing came through, or it filled corners or the hose
            at, sd = together(np.log([w.end for w in empty]), np.array([w.sd for w in empty]), cloth_sd)
            least = np.exp(at) - in_hose * TO_FILL_HOSE
            both *= MISTAKEN + (1.0 - MISTAKEN) * _took_all(float(least), place, sd)
        made += chance * both
    return made


def _took(at: float, place: Floats, sd: float) -> Floats:
    """Likelihood that the part took this much: at least what had gone in when resin arrived; corners fill after."""
    gap = np.log(max(at, 1e-6) / place)
    made = np.zeros(len(place))
    for chance, scale in CORNERS:
        made += chance / scale * _smeared(gap, sd, scale)
    return np.asarray(made / max(float(made.max()), 1e-300))


def _took_all(at: float, place: Floats, sd: float) -> Floats:
    """Chance that the part took this much or more, so that nothing was left for the pot."""
    from scipy.special import ndtr

    gap = np.log(max(at, 1e-6) / place)
    made = ndtr(-gap / sd)
    for chance, scale in CORNERS:
        made += chance * _smeared(gap, sd, scale)
    return np.asarray(made)


def _smeared(gap: Floats, sd: float, scale: float) -> Floats:
    """exp(-gap / scale) of a gap that is at least nought, smeared by a normal error."""
    from scipy.special import ndtr

    return np.asarray(np.exp(np.minimum(0.5 * (sd / scale) ** 2 - gap / scale, 50.0)) * ndtr(gap / sd - sd / scale))


@dataclass(frozen=True)
class _Net:
    """One hidden layer of tanh beside a straight line; a softmax over places and "not within the curve"."""

    mean: Floats
    scale: Floats
    hidden: Floats
    bias: Floats
    out: Floats
    straight: Floats
    none: float
    none_by: Floats

    def read(self, numbers: Floats) -> tuple[Floats, float]:
        f = (numbers - self.mean) / self.scale
        score = np.tanh(f @ self.hidden + self.bias) @ self.out + f @ self.straight
        none = self.none + float(f.mean(axis=0) @ self.none_by)
        top = max(float(score.max()), none)
        e, n = np.exp(score - top), float(np.exp(none - top))
        return np.asarray(e / (e.sum() + n)), n / float(e.sum() + n)


@lru_cache(maxsize=1)
def _weights() -> tuple[_Net, ...]:
    """The networks, from `place_weights.csv`: a row a number of `NAMES`, then the rows `bias`, `out` and `none`."""
    with (Path(__file__).parent / "place_weights.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    made = []
    for number in sorted({r["net"] for r in rows}):
        mine = {r["sign"]: r for r in rows if r["net"] == number}
        units = [c for c in rows[0] if c.startswith("unit_")]

        def column(name: str, mine: dict[str, dict[str, str]] = mine) -> Floats:
            return np.array([float(mine[n][name]) for n in NAMES])

        def across(name: str, mine: dict[str, dict[str, str]] = mine, units: list[str] = units) -> Floats:
            return np.array([float(mine[name][u]) for u in units])

        hidden = np.array([[float(mine[n][u]) for u in units] for n in NAMES])
        made.append(_Net(column("mean"), column("scale"), hidden, across("bias"), across("out"), column("straight"),
                         float(mine["none"]["straight"]), column("none")))  # fmt: skip
    return tuple(made)


__all__ = ["STEP", "MouldFacts", "Place", "Seen", "cloth_scatter", "place_of", "read"]
