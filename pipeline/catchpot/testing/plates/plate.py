"""A made-up mould in plan view, drawn by a generator: outline, bed, vents put where a trial filled last, mould book."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.random import Generator

from catchpot.testing.geometry import Array
from catchpot.testing.plates.bed import Bed, Cloth, ClothHabit, Core, Rib, Vent, draw_habit
from catchpot.testing.plates.fill import Marched, march_network
from catchpot.testing.plates.network import network
from catchpot.testing.plates.outline import Outline, VentPlan, draw_outline, inside

CELLS = 800
TRIAL_CELLS, TRIAL_STEPS = 420, 160
TRIAL_VISCOSITY_PA_S, TRIAL_PRESSURE_PA = 0.2, 1.0e5
LATEST_CORNERS, TOO_LATE = 0.08, 0.11
NEAR_RIM = 0.06


@dataclass(frozen=True)
class Plate:
    """A mould. bed: its true geometry; habit: how it is laid in; book: the owner's mould-book entry.

    trial: a coarse march with what every shot's cloth has and no more. pore_m3: true room for resin, without
    runner and throats.
    """

    name: str
    bed: Bed
    habit: ClothHabit
    book: dict[str, Any]
    trial: Marched
    pore_m3: float

    @property
    def family(self) -> str:
        """The outline's family."""
        return self.bed.outline.family


def _ribs(rng: Generator, outline: Outline) -> tuple[Rib, ...]:
    made = []
    low, high = outline.corners.min(axis=0), outline.corners.max(axis=0)
    for _ in range(int(rng.choice([0, 1, 2], p=[0.62, 0.26, 0.12]))):
        angle = rng.choice([0.0, np.pi / 2]) + rng.normal(0, 0.15)
        normal = np.array([np.cos(angle), np.sin(angle)])
        middle = low + rng.uniform(0.25, 0.75, 2) * (high - low)
        made.append(Rib(
            (float(normal[0]), float(normal[1])), float(middle @ normal), float(rng.uniform(0.012, 0.035)),
            float(rng.uniform(1.3, 2.3)), float(rng.uniform(1.0, 1.4)),
        ))  # fmt: skip
    return tuple(made)


def _cores(rng: Generator, outline: Outline) -> tuple[Core, ...]:
    if rng.random() > 0.35:
        return ()
    low, high = outline.corners.min(axis=0), outline.corners.max(axis=0)
    uptake, thickness = float(rng.uniform(0.4, 0.6)), float(rng.uniform(0.0015, 0.0045))
    grooves = float(rng.uniform(1.0, 1.8))
    made = []
    for _ in range(int(rng.integers(1, 3))):
        middle = low + rng.uniform(0.3, 0.7, 2) * (high - low)
        half = rng.uniform(0.1, 0.22, 2) * (high - low)
        made.append(Core(
            (float(middle[0]), float(middle[1])), (float(half[0]), float(half[1])), bool(rng.random() < 0.4),
            thickness, uptake, grooves,
        ))  # fmt: skip
    return tuple(made[:1]) if len(made) > 1 and _overlap(made[0], made[1]) else tuple(made)


def _overlap(a: Core, b: Core) -> bool:
    return all(abs(a.middle[k] - b.middle[k]) < a.half[k] + b.half[k] for k in (0, 1))


def _on_rim(outline: Outline, at: Array) -> tuple[float, int, float]:
    """Distance of a point to the rim, and the place there as side and share."""
    a = outline.corners
    d = np.roll(a, -1, axis=0) - a
    share = np.clip(np.sum((at - a) * d, axis=1) / np.sum(d * d, axis=1), 0.0, 1.0)
    away = np.hypot(*(a + share[:, None] * d - at).T)
    side = int(np.argmin(away))
    return float(away[side]), side, float(share[side])


def _vents(rng: Generator, outline: Outline, trial: Marched, miss_m: float) -> tuple[Vent, ...]:
    """Vents of the plan; found ones go to the last places of the trial, missed by up to miss_m in any direction."""
    plan = outline.vents
    if plan.sides:
        side, wide = plan.sides[0], plan.wide
        middle = float(rng.uniform(0.3, 0.7)) if wide < 1 else 0.5
        a, b = outline.corners[side], outline.corners[(side + 1) % len(outline.corners)]
        at = a + middle * (b - a)
        where = (float(at[0]), float(at[1]))
        if wide <= 0:
            return (Vent(where, float(rng.uniform(0.003, 0.006)), rim=(side, middle)),)
        low, high = max(0.0, middle - wide / 2), min(1.0, middle + wide / 2)
        return (Vent(where, 0.005, line=(side, low, high)),)
    points, late = trial.points, np.where(np.isfinite(trial.wet_at_m3), trial.wet_at_m3, -1.0)
    late = np.where(np.isnan(points[:, 0]), -1.0, late)
    size = float(np.sqrt(outline.area_m2))
    made: list[Vent] = []
    for _ in range(plan.found):
        k = int(np.argmax(late))
        if late[k] < 0.55 * trial.full_m3:
            break
        at = points[k] + miss_m * rng.uniform(-1.0, 1.0, 2)
        if not inside(outline.corners, at[None])[0]:
            at = points[k]
        away, side, share = _on_rim(outline, at)
        radius = float(rng.uniform(0.003, 0.006))
        entered = outline.feed.kind != "port" and side in outline.feed.sides
        if away < NEAR_RIM * size and not entered:
            share = float(np.clip(share, 0.02, 0.98))
            made.append(Vent((float(at[0]), float(at[1])), radius, rim=(side, share)))
        else:
            made.append(Vent((float(at[0]), float(at[1])), radius))
        late = np.where(np.hypot(*(points - at).T) < 0.35 * size, -1.0, late)
    return tuple(made)


def _fitted(rng: Generator, vents: tuple[Vent, ...], resistance: float, pore_m3: float) -> tuple[Vent, ...]:
    """Give vents a fitting (up to a fifth of the bed's resistance) and, at half the moulds, a hose."""
    fitting = resistance * float(rng.uniform(0.02, 0.2)) if rng.random() < 0.6 else 0.0
    hose_m3 = hose = 0.0
    if rng.random() < 0.5:
        bore, length = float(rng.uniform(0.006, 0.010)), float(rng.uniform(0.4, 1.8))
        hose_m3 = min(np.pi / 4 * bore**2 * length, 0.05 * pore_m3)
        hose = 128 * length / (np.pi * bore**4)
    return tuple(replace(v, fitting_per_m3=fitting, hose_m3=float(hose_m3), hose_per_m3=float(hose)) for v in vents)


def _trial(bed: Bed, cloth: Cloth) -> Marched:
    net = network(bed, cloth, TRIAL_CELLS)
    return march_network(net, shut_early=bed.shut_early, steps=TRIAL_STEPS)


def draw_plate(rng: Generator, family: str | None = None, name: str | None = None) -> Plate:
    """Draw a mould; family: one of outline.FAMILIES, or any.

    A layout whose first resin at the vent comes with more than 8 % still dry gets its vents put anew; a
    plate for which that does not help is drawn anew.
    """
    from catchpot.testing.plates.owner import book_entry

    outline = draw_outline(rng, family)
    thickness = float(rng.choice([0.0025, 0.003, 0.0035, 0.004, 0.005]))
    fibre = float(rng.uniform(0.2, 0.36))
    seed = int(rng.integers(2**31))
    dry = Bed(
        outline, thickness, fibre * 2560.0 * thickness, float(np.exp(rng.uniform(np.log(2e-9), np.log(1.2e-8)))),
        _ribs(rng, outline), _cores(rng, outline),
    )  # fmt: skip
    habit = draw_habit(rng, outline, float(np.sqrt(outline.area_m2)))
    usual = habit.usual(seed)
    unvented = _trial(dry, usual)
    best: tuple[float, Bed, Marched] | None = None
    miss = outline.vents.miss_m
    for attempt in range(6):
        vents = _vents(rng, outline, unvented, miss)
        bed = replace(dry, vents=vents, shut_early=len(vents) > 1 and bool(rng.random() < 0.4))
        trial = _trial(bed, usual)
        late = trial.full_m3 / trial.arrival_m3 - 1 if trial.arrival_m3 > 0 else np.inf
        if best is None or late < best[0]:
            best = (late, bed, trial)
        if late < LATEST_CORNERS:
            break
        miss *= 0.4
        if attempt == 2 and not outline.vents.sides:
            outline = replace(outline, vents=VentPlan(found=outline.vents.found + 1, miss_m=miss))
            dry = replace(dry, outline=outline)
    if best is None or best[0] > TOO_LATE:
        return draw_plate(rng, family, name)
    _, bed, trial = best
    stiff = float(np.interp(trial.arrival_m3 * 0.97, trial.volume_m3, trial.resistance_per_m3))
    seconds = 0.5 * TRIAL_VISCOSITY_PA_S * stiff * trial.arrival_m3 / TRIAL_PRESSURE_PA
    easier = max(1.0, seconds / float(rng.uniform(80, 260)))
    bed = replace(bed, permeability_m2=bed.permeability_m2 * easier)
    bed = replace(bed, vents=_fitted(rng, bed.vents, stiff / easier, trial.full_m3))
    trial = _trial(bed, usual)
    pore = _pore_m3(bed, seed)
    book = book_entry(rng, bed, trial)
    return Plate(name or outline.family, bed, habit, book, trial, pore)


def _pore_m3(bed: Bed, seed: int) -> float:
    """Room for resin under even cloth, on a fine mesh."""
    from catchpot.testing.plates.mesh import mesh_plate
    from catchpot.testing.plates.network import PLACES

    mesh = mesh_plate(bed.outline, 4 * CELLS, np.random.default_rng(seed))
    places = np.einsum("pk,mkd->mpd", PLACES, mesh.points[mesh.triangles]).reshape(-1, 2)
    room = bed.at(Cloth.even(), places)[1].reshape(-1, len(PLACES)).mean(axis=1)
    return float(room @ mesh.area_m2) * bed.outline.area_m2 / float(mesh.area_m2.sum())


def march_plate(plate: Plate, cloth: Cloth, cells: int = CELLS, past: float = 0.3) -> Marched:
    """Fill a plate with one cloth in it, on a mesh of its own (by the cloth's seed), a tenth of a second on one core.

    past: how far beyond arrival to go at least, as a share of the arrival volume.
    """
    net = network(plate.bed, cloth, cells, plate.pore_m3)
    return march_network(net, past, plate.bed.shut_early)
