"""Faults of made-up plates: a gap beside the cloth, a restriction, early gel, air, a short fill, an overfill."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.random import Generator

from catchpot.testing.plates.bed import Cloth, draw_cloth, draw_gap
from catchpot.testing.plates.fill import Marched
from catchpot.testing.plates.inject import Curves, inject
from catchpot.testing.plates.plate import Plate, march_plate

if TYPE_CHECKING:
    from catchpot.testing.plates.shots import PlateShots

KINDS = ("race_tracking", "flow_restriction", "early_gel", "air_in_line", "short_fill", "overfill")
FIRST_FAULT = 10
RACED = 0.12


@dataclass(frozen=True)
class Fault:
    """A fault of shot `number`. begins: share of the arrival volume. severity, by kind:

    race_tracking: mean share of the resistance that is missing up to arrival. flow_restriction: added resistance over
    the bed's at that moment. early_gel: time in which viscosity grows e-fold, over the injection's. air_in_line: share
    of the injection in which air comes. short_fill, overfill: volume under or over arrival, as a share of it.
    """

    number: int
    kind: str
    severity: float
    begins: float


@dataclass(frozen=True)
class FaultTruth:
    """A line of truth_faults.csv."""

    shot: str
    mould: str
    kind: str
    severity: float
    begins: float


def raced_cloth(rng: Generator, plate: Plate, width_m: float) -> Cloth:
    """Cloth with a wide gap beside it, or, where resin enters all round, between two pieces of it."""
    outline = plate.bed.outline
    cloth = draw_cloth(rng, outline, plate.habit)
    if len(outline.feed.sides) < len(outline.corners):
        gap = draw_gap(rng, outline, width_m)
        return replace(cloth, gaps=(*cloth.gaps, gap))
    angle = float(rng.uniform(0, np.pi))
    normal = np.array([np.cos(angle), np.sin(angle)])
    offset = float(outline.corners.mean(axis=0) @ normal + rng.uniform(-0.1, 0.1) * np.sqrt(outline.area_m2))
    return replace(cloth, laps=(*cloth.laps, (float(normal[0]), float(normal[1]), offset, 2 * width_m, -0.8)))


def missing_resistance(raced: Marched, healthy: Marched) -> float:
    """Mean over volume, a twentieth to all of the raced arrival, of 1 - raced over healthy resistance."""
    v = np.linspace(0.05, 1.0, 60) * min(raced.arrival_m3, healthy.arrival_m3)
    r = np.interp(v, raced.volume_m3, raced.resistance_per_m3)
    return float(np.mean(1 - r / np.interp(v, healthy.volume_m3, healthy.resistance_per_m3)))


def _race(rng: Generator, made: PlateShots, i: int, factor: tuple[float, float]) -> float:
    """Give shot i a raced curve of its own; returns the severity. A gap that does next to nothing is widened."""
    healthy = made.marched[int(made.truth["variant"][i])]
    width, best = float(rng.uniform(0.002, 0.004)), (-1.0, healthy)
    for _ in range(4):
        raced = march_plate(made.plate, raced_cloth(rng, made.plate, width))
        severity = missing_resistance(raced, healthy)
        if severity > best[0] and raced.arrival_m3 > 0:
            best = (severity, raced)
        if best[0] >= RACED:
            break
        width *= 1.3
    zero = np.zeros(1, dtype=np.intp)
    own = Curves.blended([best[1]], zero, zero, np.zeros(1)).sized(np.array([factor[0]]), np.array([factor[1]]))
    made.curves.put(i, own)
    return best[0]


def apply_faults(
    rng: Generator, made: PlateShots, chance: float, kinds: Sequence[str] | None = None, first: int = FIRST_FAULT
) -> list[Fault]:
    """Change the conditions of some shots from the `first` on (others' histories come before); inject afterwards."""
    now, curves, ways = made.conditions, made.curves, made.practice
    n = len(now.gain)
    chosen = [i for i in range(first, n) if rng.random() < chance]
    if not chosen:
        return []
    healthy = inject(curves, now, ways, 0.2)
    found = []
    for i in chosen:
        kind = str(rng.choice(list(kinds or KINDS)))
        arrival_l, lasts_s = float(healthy.arrival_l[i]), float(healthy.stop_s[i])
        begins, severity = 0.0, 0.0
        if kind == "race_tracking":
            severity = _race(rng, made, i, (float(made.truth["size_factor"][i]), float(made.truth["ease"][i])))
        elif kind == "flow_restriction":
            begins, severity = float(rng.uniform(0.15, 0.8)), float(rng.uniform(0.3, 1.5))
            at = np.full(n, begins) * curves.arrival_m3
            now.restriction_per_m3[i] = severity * float(curves.at(at)[0][i])
            now.restriction_at[i] = begins
            now.longest_s[i] = 2.5 * lasts_s
        elif kind == "early_gel":
            begins, severity = float(rng.uniform(0.2, 0.6)), float(rng.uniform(0.25, 0.9))
            now.gel_at[i], now.gel_s[i] = begins, severity * lasts_s
            now.longest_s[i] = 2.5 * lasts_s
        elif kind == "air_in_line":
            k = int(rng.integers(2, now.slug_at.shape[1] + 1))
            at_share = np.sort(rng.uniform(0.1, 0.92, k))
            begins = float(at_share[0])
            now.slug_at[i, :k] = at_share
            now.slug_s[i, :k] = rng.uniform(0.01, 0.035, k) * lasts_s + 0.5
            severity = float(now.slug_s[i].sum() / lasts_s)
        elif kind == "short_fill":
            severity = float(rng.uniform(0.05, 0.25))
            begins = 1 - severity
            now.stop_l[i], now.eye_s[i] = arrival_l * begins, np.inf
        elif kind == "overfill":
            severity, begins = ways.over_run + float(rng.uniform(0.08, 0.25)), 1.0
            now.stop_l[i], now.eye_s[i] = arrival_l * (1 + severity), np.inf
            made.truth["programmed_l"][i] = round(arrival_l * (1 + severity), 2)
        else:
            raise ValueError(f"no fault {kind!r}; there are {', '.join(KINDS)}")
        found.append(Fault(i, kind, severity, begins))
    return found
