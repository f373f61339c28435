"""What lies in a made-up plate: ribs, cores, vents, and the cloth as it was laid in this time."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.random import Generator

from catchpot.testing.geometry import Array
from catchpot.testing.plates.outline import Outline

FIBRE_KG_M3 = 2560.0
TIGHTEST = np.pi / 4
LOOSEST = 0.04
OPEN_BED = 15.0


@dataclass(frozen=True)
class Rib:
    """A straight band where the cavity is deeper. normal: unit vector across it; offset_m along it; half its width."""

    normal: tuple[float, float]
    offset_m: float
    half_m: float
    deeper: float
    heavier: float


@dataclass(frozen=True)
class Core:
    """A core inside the cavity: an oval or a box, which takes some resin and may have grooves that lead it."""

    middle: tuple[float, float]
    half: tuple[float, float]
    oval: bool
    thickness_m: float
    uptake: float
    grooves: float

    def share(self, points: Array) -> Array:
        """1 inside, 0 outside, for points (n, 2)."""
        away = np.abs(points - np.array(self.middle)) / np.array(self.half)
        return np.asarray((np.hypot(*away.T) < 1 if self.oval else (away < 1).all(axis=1)).astype(float))


@dataclass(frozen=True)
class Vent:
    """A vent: a hole of radius_m at `at`, or all of a side from one share of it to another (`line`).

    fitting_per_m3: its own resistance (times viscosity). hose_m3, hose_per_m3: a hose that fills after it.
    """

    at: tuple[float, float]
    radius_m: float
    line: tuple[int, float, float] | None = None
    rim: tuple[int, float] | None = None
    fitting_per_m3: float = 0.0
    hose_m3: float = 0.0
    hose_per_m3: float = 0.0


@dataclass(frozen=True)
class Gap:
    """A gap between cloth and rim along a stretch of an outline side."""

    side: int
    low: float
    high: float
    width_m: float


@dataclass(frozen=True)
class Cloth:
    """The cloth of one shot. Each wave: wave vector 1/m, phase, height in ln K. lanes: the same, squared off.

    laps: bands (normal, offset, half width) with `heavier` cloth. seed: of the mesh it is marched on.
    """

    waves: Array
    lanes: Array
    slope: tuple[float, float] = (0.0, 0.0)
    laps: tuple[tuple[float, float, float, float, float], ...] = ()
    gaps: tuple[Gap, ...] = ()
    seed: int = 0

    @staticmethod
    def even(seed: int = 0) -> Cloth:
        """Cloth without any fault."""
        return Cloth(np.zeros((0, 4)), np.zeros((0, 4)), seed=seed)

    def ln_k(self, points: Array) -> Array:
        """ln of permeability over the nominal one, at points (n, 2), without the laps."""
        made = points @ np.array(self.slope)
        for kx, ky, phase, height in self.waves:
            made = made + height * np.cos(points @ np.array([kx, ky]) + phase)
        for kx, ky, phase, height in self.lanes:
            made = made + height * np.tanh(2.5 * np.cos(points @ np.array([kx, ky]) + phase))
        return np.asarray(made)

    def weight(self, points: Array) -> Array:
        """Areal weight over the nominal one, at points (n, 2)."""
        made = np.ones(len(points))
        for nx, ny, offset, half, more in self.laps:
            made = made + more * (np.abs(points @ np.array([nx, ny]) - offset) < half)
        return np.asarray(made)


@dataclass(frozen=True)
class ClothHabit:
    """How a mould is laid in. always: what every shot has; the rest is drawn anew each time with these levels."""

    always: Cloth = field(default_factory=Cloth.even)
    wave_sd: float = 0.07
    wave_m: float = 0.12
    lane_sd: float = 0.0
    lane_m: float = 0.25
    slope_sd: float = 0.0
    lap: tuple[float, float, float, float, float] | None = None
    lap_sd_m: float = 0.01
    gap_chance: float = 0.0
    gap_m: float = 0.001

    def usual(self, seed: int) -> Cloth:
        """What every shot has, and nothing else."""
        return replace(self.always, laps=(self.lap,) if self.lap is not None else (), seed=seed)


@dataclass(frozen=True)
class Bed:
    """Outline, thickness, cloth's nominal weight and permeability, ribs, cores and vents."""

    outline: Outline
    thickness_m: float
    areal_weight_kg_m2: float
    permeability_m2: float
    ribs: tuple[Rib, ...] = ()
    cores: tuple[Core, ...] = ()
    vents: tuple[Vent, ...] = ()
    shut_early: bool = False

    @property
    def fibre_share(self) -> float:
        """Share of fibre in the volume of the plain laminate."""
        return self.areal_weight_kg_m2 / (FIBRE_KG_M3 * self.thickness_m)

    def at(self, cloth: Cloth, points: Array) -> tuple[Array, Array]:
        """Permeability times thickness (m3) and depth of room for resin (m), at points (n, 2)."""
        height, weight = np.full(len(points), self.thickness_m), cloth.weight(points)
        for rib in self.ribs:
            here = np.abs(points @ np.array(rib.normal) - rib.offset_m) < rib.half_m
            height = np.where(here, self.thickness_m * rib.deeper, height)
            weight = np.where(here, weight * rib.heavier, weight)
        glass = self.areal_weight_kg_m2 * weight / FIBRE_KG_M3
        kh = self.permeability_m2 * height * np.exp(cloth.ln_k(points)) * eased(glass / height, self.fibre_share)
        room = height - glass
        for core in self.cores:
            share = core.share(points)
            room = room + share * core.thickness_m * core.uptake
            kh = kh * (1 + share * (core.grooves - 1))
        return np.asarray(kh), np.asarray(room)


def eased(fibre_share: Array | float, nominal: float) -> Array:
    """Permeability at a fibre share over that at the nominal one, for flow across packed rods.

    Gebart 1992 (J Compos Mater 26:1100), square packing: K ~ (sqrt(pi / 4 / Vf) - 1)^2.5; at most 15 times.
    """
    share = np.clip(fibre_share, LOOSEST, TIGHTEST * 0.95)
    ratio = (np.sqrt(TIGHTEST / share) - 1) / (np.sqrt(TIGHTEST / nominal) - 1)
    return np.asarray(np.minimum(ratio**2.5, OPEN_BED))


def _waves(rng: Generator, sd: float, length_m: float, count: int = 20) -> Array:
    """Waves (count, 4) whose sum has this s.d. and this correlation length (a smooth random field)."""
    k = rng.standard_normal((count, 2)) / length_m
    height = np.full(count, sd * np.sqrt(2 / count))
    return np.column_stack([k, rng.uniform(0, 2 * np.pi, count), height])


def draw_habit(rng: Generator, outline: Outline, size_m: float) -> ClothHabit:
    """How one mould is laid in: some have lanes from the roll, some a lap, some gaps at the rim."""
    lap = None
    if rng.random() < 0.3:
        angle = rng.uniform(0, np.pi)
        normal = np.array([np.cos(angle), np.sin(angle)])
        offset = outline.corners.mean(axis=0) @ normal + rng.uniform(-0.25, 0.25) * size_m
        half, heavier = rng.uniform(0.012, 0.03), rng.uniform(0.15, 0.5)
        lap = (float(normal[0]), float(normal[1]), float(offset), float(half), float(heavier))
    always = Cloth(_waves(rng, rng.uniform(0.0, 0.08), rng.uniform(0.08, 0.4)), np.zeros((0, 4)))
    return ClothHabit(
        always=always,
        wave_sd=float(rng.uniform(0.03, 0.11)),
        wave_m=float(rng.uniform(0.05, 0.2)),
        lane_sd=float(rng.uniform(0.04, 0.12)) if rng.random() < 0.35 else 0.0,
        lane_m=float(rng.uniform(0.12, 0.4)),
        slope_sd=float(rng.uniform(0.05, 0.3)) if rng.random() < 0.3 else 0.0,
        lap=lap,
        lap_sd_m=float(rng.uniform(0.003, 0.02)),
        gap_chance=float(rng.uniform(0.2, 0.7)) if rng.random() < 0.35 else 0.0,
        gap_m=float(rng.uniform(0.0005, 0.0015)),
    )


def draw_gap(rng: Generator, outline: Outline, width_m: float) -> Gap:
    """A gap along a stretch of one of the sides resin does not enter through, a long one rather than a short one."""
    length = np.hypot(*(np.roll(outline.corners, -1, axis=0) - outline.corners).T)
    entered = outline.feed.sides
    open_sides = [i for i in range(len(length)) if i not in entered] or list(range(len(length)))
    side = int(rng.choice(open_sides, p=length[open_sides] / length[open_sides].sum()))
    low = float(rng.uniform(0.0, 0.5))
    return Gap(side, low, float(min(1.0, low + rng.uniform(0.3, 1.0))), width_m)


def draw_cloth(rng: Generator, outline: Outline, habit: ClothHabit, level: float = 1.0) -> Cloth:
    """One shot's cloth. level: factor on all that differs from shot to shot (0: only what every shot has)."""
    angle = rng.uniform(0, np.pi) if rng.random() < 0.3 else 0.0
    k = 2 * np.pi / habit.lane_m * np.array([np.sin(angle), np.cos(angle)])
    lane = np.array([[k[0], k[1], rng.uniform(0, 2 * np.pi), level * habit.lane_sd * rng.uniform(0.3, 1.5)]])
    slope = level * habit.slope_sd * rng.standard_normal(2)
    laps: tuple[tuple[float, float, float, float, float], ...] = ()
    if habit.lap is not None:
        nx, ny, offset, half, more = habit.lap
        shift = level * habit.lap_sd_m * rng.standard_normal()
        laps = ((nx, ny, offset + shift, half, more),)
    gaps: tuple[Gap, ...] = ()
    if level > 0 and rng.random() < habit.gap_chance:
        gaps = (draw_gap(rng, outline, level * habit.gap_m * float(rng.uniform(0.5, 1.3))),)
    waves = np.concatenate([habit.always.waves, _waves(rng, level * habit.wave_sd, habit.wave_m)])
    lanes = lane if habit.lane_sd > 0 else np.zeros((0, 4))
    return Cloth(waves, lanes, (float(slope[0]), float(slope[1])), laps, gaps, int(rng.integers(2**31)))
