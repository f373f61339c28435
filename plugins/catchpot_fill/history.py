"""A mould's shots in time order: each laid on the mould's own curve, and what that says of its arrival.

Causal: a shot's row rests on the shots up to it. One pass, a few milliseconds a shot.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from catchpot.stats.curve_fit import Repetition
from catchpot.stats.own_curve import OwnCurve
from catchpot.stats.stretch import STEP_CHANCE, STEP_SD
from catchpot_fill.cells import merged
from catchpot_fill.place import (
    CLOTH_WORTH,
    EYE_LATE_S,
    EYE_S,
    SCALE_KG,
    SURE_POT,
    USUAL_POT,
    MouldFacts,
    Place,
    Seen,
    cloth_scatter,
    place_of,
)

Floats = NDArray[np.float64]

FEWEST_CELLS = 20
FIRST = 10
"""Shots whose stretches say what is usual."""
ENDS = 20
"""Shots whose ends say where a shot usually ends, and which share of them ended before that."""
USUAL_END = 0.7
ALWAYS, EVERY = 12, 4
"""The place of arrival is looked for anew at each of the first shots, then at every so many, and with every witness."""
ARRIVED = 0.5
"""Chance that resin arrived from which an arrival is given; below it a shot says "at least"."""
CORNER_SHARE, CORNER_SHARE_SD = 0.4, 0.3
"""Share of what is metered after the arrival that stays in the part, where no two weighings say (two-dimensional
moulds)."""
OFFSET_SD, LEAST_DENSITY = 0.01, 1e-4
"""What weighings may differ by from any share, relative; and the least density of a place that is reckoned with."""
TAKEN_SD = 0.003
"""S.d. of what a part takes from shot to shot, beside the curve's stretch; relative."""
EVENT_CHANCE = 0.5
STEPS = {
    "fabric_batch": 0.004, "gel_coat_changed": 0.015, "core_changed": 0.02, "hose_changed": 0.02, "vent_changed": 0.02,
    "mould_serviced": 0.015, "meter_calibrated": 0.02, "pump_serviced": 0.015, "seal_replaced": 0.006,
    "seal_reseated": 0.006,
}  # fmt: skip
"""What may move the volume between two shots, and its s.d. (from experience, no source)."""
RESHAPES = {"core_changed": 0.9, "hose_changed": 0.9, "vent_changed": 0.9, "mould_serviced": 0.5}
"""What may change the shape of the curve, and how much of the old one it takes away."""
GRID: Floats = np.linspace(-0.3, 0.3, 151)


@dataclass(frozen=True)
class Shots:
    """Shots of one mould in time order; arrays (shots,) or (shots, cells), NaN where unknown.

    injected_l, resistance, noise, time_s, readings: of the injection. start_s: log time of the first flow. hose_l,
    volume_l: by the book. pot_kg: weighed catch pot. density_kg_l: of the resin. eye_s: seconds after the start of
    injection at which resin was seen, by an eye (eye) or a channel. events: kinds since the shot before.
    """

    injected_l: Floats
    resistance: Floats
    noise: Floats
    time_s: Floats
    readings: Floats
    start_s: Floats
    volume_l: Floats
    hose_l: Floats
    fill: Sequence[str]
    pot_kg: Floats
    density_kg_l: Floats
    eye_s: Floats
    by_eye: NDArray[np.bool_]
    events: Sequence[frozenset[str]]


@dataclass
class Outcome:
    """What came of each shot; arrays (shots,), NaN where it can't be told. Volumes in metered litres.

    relative and its ends: against the mould's usual; relative_sd, relative_shared_sd: of its own error, and of the one
    it shares with other shots. arrival_*: the middle of what is known of it, whether or not the shot went on so long;
    chance: that it did. taken_*: what stayed in the mould. offset, height, misfit, oddity: of the
    placing. places: where resin arrives, as known at each shot.
    """

    relative: Floats
    relative_low: Floats
    relative_high: Floats
    relative_sd: Floats
    relative_shared_sd: Floats
    arrival: Floats
    arrival_low: Floats
    arrival_high: Floats
    chance: Floats
    taken: Floats
    taken_low: Floats
    taken_high: Floats
    height: Floats
    misfit: Floats
    oddity: Floats
    place: Floats
    place_half: Floats
    place_above: Floats

    @staticmethod
    def none(n: int) -> Outcome:
        return Outcome(*(np.full(n, np.nan) for _ in range(18)))


@dataclass
class History:
    """A mould's memory after its last shot. reference_l: unit of the curve. size: unit of the curve's height, 1/m3.

    ends: of the last ENDS shots. stretches: of the first FIRST. taken: of each weighed shot its end and what its part
    took, as places on the curve, the latter's relative s.d., and the how manieth on the curve it was. waiting: events
    since the last shot with a curve.
    """

    own: OwnCurve = field(default_factory=OwnCurve)
    reference_l: float = 0.0
    size: float = 1.0
    place: Place | None = None
    facts: MouldFacts | None = None
    ends: list[float] = field(default_factory=list)
    stretches: list[float] = field(default_factory=list)
    seen: list[Seen] = field(default_factory=list)
    taken: list[tuple[float, float, float, int]] = field(default_factory=list)
    waiting: set[str] = field(default_factory=set)

    @property
    def usual(self) -> float:
        """Stretch of a usual shot: the median of the first FIRST."""
        return float(np.exp(np.median(self.stretches))) if self.stretches else 1.0

    def move(self, moved: Floats) -> None:
        """The shots before were laid on the curve anew: what is remembered of places on it moves with them.

        moved: log stretches of the last shots with a curve, that of this one, which nothing is remembered of yet, last.
        """
        first_moved = self.own.count - len(moved) + 1
        by = dict(enumerate(moved[:-1].tolist(), first_moved))

        def nearer(place: float, shot: int) -> float:
            return place * float(np.exp(-by.get(shot, 0.0)))

        first_end = self.own.count - len(self.ends)
        self.ends = [nearer(end, shot) for shot, end in enumerate(self.ends, first_end)]
        self.stretches = [s + by.get(shot, 0.0) for shot, s in enumerate(self.stretches, 1)]
        self.seen = [replace(w, at=nearer(w.at, w.shot), end=nearer(w.end, w.shot)) for w in self.seen]
        self.taken = [(nearer(end, shot), nearer(took, shot), error, shot) for end, took, error, shot in self.taken]

    @property
    def usual_end(self) -> float:
        """Where on the curve a shot usually ends."""
        return float(np.quantile(self.ends, USUAL_END))


def run(
    shots: Shots,
    watch: Callable[[int, History], None] | None = None,
    memory: History | None = None,
    pause: tuple[int, Callable[[History], None]] | None = None,
) -> tuple[Outcome, History]:
    """Go through the shots of a mould. watch: told of each shot's number and the memory after it.

    memory: of the shots before these; it is gone on with. pause: told of the memory before the shot of that number.
    """
    n = len(shots.injected_l)
    out, memory = Outcome.none(n), memory or History()
    waiting = memory.waiting
    for i in range(n):
        if pause is not None and pause[0] == i:
            pause[1](memory)
        waiting |= shots.events[i]
        if np.isfinite(shots.resistance[i]).sum() < FEWEST_CELLS or not np.isfinite(shots.noise[i]).any():
            continue
        _one(shots, i, memory, out, waiting)
        waiting.clear()
        if watch is not None and memory.place is not None:
            watch(i, memory)
    return out, memory


def _one(shots: Shots, i: int, memory: History, out: Outcome, events: set[str]) -> None:
    if not memory.reference_l:
        memory.reference_l = float(shots.injected_l[i])
        memory.size = float(np.nanmedian(shots.resistance[i]))
    reference = memory.reference_l
    edges, mean, noise = merged(shots.resistance[i], shots.noise[i], float(shots.readings[i]))
    if np.isfinite(mean).sum() < FEWEST_CELLS // 2:
        return
    r = Repetition(edges * shots.injected_l[i] / reference, mean / memory.size, noise / memory.size)
    for kind, share in RESHAPES.items():
        if kind in events and memory.own.count:
            memory.own.forget(share)
    sd = float(np.sqrt(sum(STEPS[k] ** 2 for k in events if k in STEPS) / EVENT_CHANCE))
    shared = memory.own.shared_sd
    placed = memory.own.place(r, (EVENT_CHANCE, max(sd, STEP_SD / 3)) if sd > 0 else (STEP_CHANCE, STEP_SD))
    moved = memory.own.learn(r, placed)
    if moved is not None:
        memory.move(moved)
    shift = 0.0 if moved is None else float(moved[-1])
    stretch = float(np.exp(placed.log_stretch + shift))
    unit = stretch * reference
    memory.ends.append(float(shots.injected_l[i]) / unit)
    del memory.ends[:-ENDS]
    if len(memory.stretches) < FIRST:
        memory.stretches.append(placed.log_stretch + shift)
    new = _witnesses(shots, i, unit, placed.sd, memory)
    memory.facts = MouldFacts(float(shots.volume_l[i]) / reference, shots.fill[i], float(shots.hose_l[i]) / reference)
    if memory.place is None or new or memory.own.count <= ALWAYS or memory.own.count % EVERY == 0 or events:
        memory.place = place_of(memory.own, memory.usual_end, memory.facts, memory.seen)
    usual = memory.usual
    out.relative[i] = stretch / usual
    out.relative_low[i], out.relative_high[i] = (np.exp(np.array([placed.low, placed.high]) + shift) / usual).tolist()
    out.relative_sd[i], out.relative_shared_sd[i] = placed.sd, shared
    out.height[i], out.misfit[i], out.oddity[i] = placed.height, placed.misfit, placed.oddity
    wide = float(np.hypot(placed.sd, cloth_scatter(memory.seen)))
    _arrival(shots, i, unit, wide, CLOTH_WORTH + memory.place.pots, memory.place, out)
    _taken(shots, i, unit, placed.sd, memory, out)


def _witnesses(shots: Shots, i: int, unit: float, sd: float, memory: History) -> bool:
    """Add what was seen of this shot; True where there was something."""
    before = len(memory.seen)
    injected, end = float(shots.injected_l[i]), float(shots.injected_l[i]) / unit
    if np.isfinite(shots.pot_kg[i]):
        density = float(shots.density_kg_l[i])
        past = float(shots.pot_kg[i]) / density
        error = float(np.hypot(SCALE_KG / density / injected, sd))
        empty = shots.pot_kg[i] <= SCALE_KG
        took = end if empty else (injected - past) / unit
        # between the two, resin came or the scales were off: that says nothing of where it comes
        if took > 0 and (empty or shots.pot_kg[i] >= SURE_POT * SCALE_KG):
            memory.seen.append(Seen("pot", took, error, end, bool(empty), memory.own.count))
        if past < injected:
            memory.taken.append((end, (injected - past) / unit, error, memory.own.count))
    if np.isfinite(shots.eye_s[i]):
        late, slow = (EYE_LATE_S, EYE_S) if shots.by_eye[i] else (0.0, 0.3)
        when = float(shots.eye_s[i]) - late + float(shots.start_s[i])
        known = np.flatnonzero(np.isfinite(shots.time_s[i]))
        if len(known) > 2:
            share = (known + 1) / len(shots.time_s[i])
            early, at, after = np.interp([when - slow, when, when + slow], shots.time_s[i][known], share * injected)
            if at > 0:
                error = float(np.hypot((after - early) / (2 * at), sd))
                memory.seen.append(Seen("eye", at / unit, max(error, 1e-3), end, shot=memory.own.count))
    return len(memory.seen) > before


def _arrival(shots: Shots, i: int, unit: float, wide: float, worth: float, place: Place, out: Outcome) -> None:
    """The arrival's volume and interval, and the chance that the shot reached it.

    wide: s.d. beside the place's; worth: how many shots it is known from, so that Student's t stands for it.
    """
    from scipy.special import stdtr

    injected = float(shots.injected_l[i])
    known = place.density > LEAST_DENSITY
    density, log = place.density[known] / place.density[known].sum(), np.log(place.at[known] * unit)
    out.place[i] = place.middle * unit
    out.place_half[i], out.place_above[i] = place.half_width, place.above
    came = stdtr(worth, (np.log(injected) - log) / wide)
    unseen = _reading_of_nothing(float(shots.pot_kg[i]), injected * float(shots.density_kg_l[i]))
    like = came + (1.0 - came) * unseen + 1e-300
    out.chance[i] = min(1.0, float(density @ came / (density @ like)))
    density = density * like / float(density @ like)
    centre = float(np.log(place.middle * unit))
    apart = GRID[1] - GRID[0]
    below = stdtr(worth, np.arange(1 - len(GRID), len(GRID)) * apart / wide)
    cdf = np.convolve(_on_grid(log - centre, density), below)[len(GRID) - 1 : 2 * len(GRID) - 1]
    rising = np.concatenate([[True], np.diff(cdf) > 1e-12])
    low, middle, high = np.exp(centre + np.interp([0.025, 0.5, 0.975], cdf[rising], GRID[rising]))
    out.arrival[i], out.arrival_low[i], out.arrival_high[i] = middle, low, high


def _on_grid(log: Floats, mass: Floats) -> Floats:
    """Mass shared between the two nearest nodes of GRID, (len(GRID),); what lies beyond goes to the ends."""
    at = np.clip((log - GRID[0]) / (GRID[1] - GRID[0]), 0.0, len(GRID) - 1.0)
    low = np.minimum(at.astype(np.intp), len(GRID) - 2)
    upper = mass * (at - low)
    return np.asarray(np.bincount(low, mass - upper, len(GRID)) + np.bincount(low + 1, upper, len(GRID)))


def _reading_of_nothing(pot_kg: float, injected_kg: float) -> float:
    """How much likelier scales read so where nothing came than where as much as usual did; 1 without a weighing."""
    if not pot_kg > SCALE_KG:  # an empty pot speaks through the place already
        return 1.0
    error = float(np.exp(-0.5 * (pot_kg / SCALE_KG) ** 2) / (np.sqrt(2 * np.pi) * SCALE_KG))
    return min(error * USUAL_POT * injected_kg, 1.0)


def _taken(shots: Shots, i: int, unit: float, sd: float, memory: History, out: Outcome) -> None:
    """What stayed in the mould: weighed; else all up to the arrival and a share of the rest, as weighings have it."""
    injected, end = float(shots.injected_l[i]), float(shots.injected_l[i]) / unit
    if np.isfinite(shots.pot_kg[i]):
        past = float(shots.pot_kg[i]) / float(shots.density_kg_l[i])
        error = 1.96 * SCALE_KG / float(shots.density_kg_l[i])
        value, low, high = injected - past, injected - past - error, injected - past + error
    else:
        assert memory.place is not None
        known = memory.place.density > LEAST_DENSITY
        place, weight = memory.place.at[known], memory.place.density[known]
        told = np.array(memory.taken, dtype=float).reshape(-1, 4)
        share, share_sd, offset, offset_sd = _past_arrival(place, *told.T[:3])
        beyond = np.maximum(end - place, 0.0)
        each = np.minimum(end, place) + share * beyond + offset
        variance = (share_sd * beyond) ** 2 + offset_sd**2 + (sd * end) ** 2 + (TAKEN_SD * end) ** 2
        weight = weight / weight.sum()
        value = float(weight @ each)
        error = 1.96 * float(np.sqrt(weight @ (variance + (each - value) ** 2)))
        value, low, high = value * unit, (value - error) * unit, (value + error) * unit
    value, low, high = (float(np.clip(v, 0.0, injected)) for v in (value, low, high))
    out.taken[i], out.taken_low[i], out.taken_high[i] = min(value, high), low, high


def _past_arrival(place: Floats, ends: Floats, took: Floats, errors: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """For each place of arrival: share of what comes after it that stays, its s.d., and what weighings say beyond that.

    ends, took, errors: (weighings,), where weighed shots ended, what their parts took, relative s.d. The offset takes
    up what the share, which lies between 0 and 1, can't: a gain of the scales, a hose that the pot doesn't show.
    """
    beyond = np.maximum(ends[None, :] - place[:, None], 0.0)
    level = np.minimum(ends[None, :], place[:, None])
    precision = 1.0 / (errors**2 + TAKEN_SD**2)[None, :]
    told = np.sum(precision * beyond**2, axis=1) + 1.0 / CORNER_SHARE_SD**2
    share = (np.sum(precision * beyond * (took[None, :] - level), axis=1) + CORNER_SHARE / CORNER_SHARE_SD**2) / told
    share = np.clip(share, 0.0, 1.0)
    left = took[None, :] - level - share[:, None] * beyond
    reached = precision * (beyond > 0)
    weight = np.sum(reached, axis=1)
    offset = np.sum(reached * left, axis=1) / (weight + 1.0 / OFFSET_SD**2)
    return share, 1.0 / np.sqrt(told), offset, 1.0 / np.sqrt(weight + 1.0 / OFFSET_SD**2)
