"""Shots of a made-up plate in memory: conditions drawn shot by shot, injected, logged as columns, with their truth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from numpy.random import Generator

from catchpot.testing.geometry import Array
from catchpot.testing.plates.bed import draw_cloth, eased
from catchpot.testing.plates.faults import Fault, apply_faults
from catchpot.testing.plates.fill import Marched
from catchpot.testing.plates.inject import Conditions, Curves, Injected, inject
from catchpot.testing.plates.logger import sample
from catchpot.testing.plates.mesh import Index
from catchpot.testing.plates.plate import CELLS, Plate, march_plate
from catchpot.testing.plates.practice import (
    RESIN_KG_M3,
    RESIN_PA_S,
    RESIN_TEMP_C,
    Disturbances,
    Practice,
    draw_practice,
)

START = datetime(2026, 1, 12, 7, 0, tzinfo=UTC)
METER_STEP, CAVITY_STEP = (0.02, 0.04), (0.015, 0.025)
SLUGS = 5


@dataclass
class Resin:
    """True resin of a workshop: viscosity at 23 C and its activation; season of the workshop's temperature."""

    pa_s: float
    activation_k: float
    mean_c: float
    season_k: float
    phase: float

    @staticmethod
    def drawn(rng: Generator, dials: Disturbances) -> Resin:
        """A resin whose book (0.2 Pa s, 4200 K) is right within some per cent."""
        level = min(dials.season, 1.0)
        return Resin(
            RESIN_PA_S * float(np.exp(level * rng.normal(0, 0.05))), 4200.0 + level * float(rng.normal(0, 350)),
            RESIN_TEMP_C - level * float(rng.uniform(0, 3)), dials.season * float(rng.uniform(1.0, 5.0)),
            float(rng.uniform(0, 2 * np.pi)),
        )  # fmt: skip

    def viscosity(self, temp_c: Array) -> Array:
        """Pa s at temperatures, by Arrhenius."""
        return np.asarray(self.pa_s * np.exp(self.activation_k * (1 / (temp_c + 273.15) - 1 / (RESIN_TEMP_C + 273.15))))


@dataclass
class PlateShots:
    """Shots of one plate. logs: columns of each plain log, by name. truth: arrays (shots,), metered litres as named.

    truth: injected_l; arrival_l (metered volume at the first resin at a vent, or where it would have come); arrived;
    taken_l (injected less what went past the vent); full_l (arrival and what is still dry then; so hoses, runner and
    the cover's yielding are in it); past_l; pot_kg (what of it is beyond the vent hoses); meter_gain; cavity_factor;
    size_factor (cavity and cloth weight); ease (conductance); viscosity_pa_s; programmed_l; variant; stopped_short.
    """

    plate: Plate
    practice: Practice
    marched: list[Marched]
    logs: list[dict[str, Array]]
    truth: dict[str, Array]
    started_at: list[datetime]
    fabric_batch: list[str]
    book: dict[str, Any]
    conditions: Conditions
    curves: Curves
    cavity_step_at: int | None = None
    faults: list[Fault] = field(default_factory=list)


def shot_times(rng: Generator, n: int, start: datetime = START) -> list[datetime]:
    """Starts of shots: one to three a day, none at weekends."""
    made: list[datetime] = []
    day = start + timedelta(minutes=float(rng.uniform(0, 120)))
    while len(made) < n:
        if day.weekday() < 5:
            made += [
                day + timedelta(hours=2.7 * k, minutes=float(rng.uniform(0, 25))) for k in range(rng.integers(1, 4))
            ]
        day += timedelta(days=1)
    return made[:n]


def drawn_gains(rng: Generator, dials: Disturbances, n: int) -> Array:
    """Meter gain by shot: a step of 2-4 % at a shot between a third and four fifths, at a share of moulds."""
    gain = np.ones(n)
    if rng.random() < dials.meter_step:
        gain[int(n * rng.uniform(0.35, 0.8)) :] += float(rng.choice([-1, 1])) * float(rng.uniform(*METER_STEP))
    return gain


def _temperatures(rng: Generator, resin: Resin, when: Sequence[datetime], level: float) -> tuple[Array, Array]:
    day = np.array([(t - START).total_seconds() / 86400 for t in when])
    season = resin.season_k * np.sin(2 * np.pi * day / 365 + resin.phase)
    walk, slow = 0.0, np.empty(len(day))
    for i in range(len(day)):
        walk = 0.8 * walk + 0.6 * rng.normal()
        slow[i] = walk
    cool = np.asarray(resin.mean_c + season + level * slow, dtype=np.float64)
    return cool, np.asarray(cool + level * rng.normal(0, 0.8, len(day)), dtype=np.float64)


def _set_volumes(rng: Generator, ways: Practice, usual_l: float, n: int) -> Array:
    """Programmed volumes: the usual arrival and the mould's over-run; now and then someone changes it a little."""
    now, made = usual_l * (1 + ways.over_run), np.empty(n)
    middle = now
    for i in range(n):
        if rng.random() < ways.tweak_chance:
            now = middle * (1 + float(rng.uniform(-0.012, 0.02)))
        made[i] = round(now, 2 if usual_l > 0.8 else 3)
    return made


def plate_shots(
    rng: Generator,
    plate: Plate,
    n_shots: int,
    dials: Disturbances | None = None,
    *,
    variants: int = 6,
    cells: int = CELLS,
    marched: list[Marched] | None = None,
    practice: Practice | None = None,
    resin: Resin | None = None,
    when: Sequence[datetime] | None = None,
    gains: Array | None = None,
    fault_chance: float = 0.0,
    fault_kinds: Sequence[str] | None = None,
) -> PlateShots:
    """Draw and inject shots of a plate: about a tenth of a second a variant and a twentieth for all shots.

    dials: how strong each disturbance is. marched: curves to use instead of fresh cloths. resin, when, gains: of the
    workshop (resin and weather, starts, meter gain by shot); drawn where None. fault_chance: of each shot from the
    eleventh on, of one of fault_kinds (default: all).
    """
    dials = dials or Disturbances()
    ways = practice or draw_practice(rng, plate, dials)
    resin = resin or Resin.drawn(rng, dials)
    when = list(when) if when is not None else shot_times(rng, n_shots)
    gains = gains if gains is not None else drawn_gains(rng, dials, n_shots)
    if marched is None:
        count = variants if dials.cloth > 0 else 1
        marched = [
            march_plate(plate, draw_cloth(rng, plate.bed.outline, plate.habit, dials.cloth), cells)
            for _ in range(count)
        ]
    main, other = rng.integers(len(marched), size=n_shots), rng.integers(len(marched), size=n_shots)
    curves = Curves.blended(marched, main, other, ways.blend * rng.random(n_shots))
    batch = np.arange(n_shots) // ways.batch_shots
    size, ease, cavity, stepped = _cavity_and_cloth(rng, plate, ways, dials, batch)
    curves = curves.sized(size, ease)
    temp_c, mould_c = _temperatures(rng, resin, when, min(dials.season, 1.0))
    lot = np.exp(dials.batches * 0.06 * rng.standard_normal(n_shots // 12 + 1))[np.arange(n_shots) // 12]
    usual = float(np.median([m.arrival_m3 for m in marched]))
    swell = ways.cover_m3_pa * 0.25 * (ways.limit_pa + (1013.25 - ways.cavity_mbar) * 100)
    usual_l = (usual + ways.hose_m3 + swell) * 1e3
    programmed = _set_volumes(rng, ways, usual_l, n_shots)
    stop, eye = programmed.copy(), np.full(n_shots, np.inf)
    if ways.stop == "eye":
        programmed = np.full(n_shots, round(usual_l * 1.3, 1))
        eye = ways.eye_s * np.exp(rng.normal(0, 0.35, n_shots)) if dials.scatter > 0 else np.full(n_shots, ways.eye_s)
        stop = programmed.copy()
    short = rng.random(n_shots) < ways.short_chance
    stop = np.where(short, np.minimum(stop, usual_l * rng.uniform(0.78, 0.985, n_shots)), stop)
    never = np.full(n_shots, np.inf)
    now = Conditions(
        gain=gains, bed_pa_s=resin.viscosity(mould_c) * lot, line_pa_s=resin.viscosity(temp_c) * lot,
        cavity_mbar=ways.cavity_mbar + dials.scatter * rng.normal(0, 5, n_shots), stop_l=stop, eye_s=eye,
        saw_phase=rng.random(n_shots), saw_s=rng.uniform(8, 40, n_shots), restriction_per_m3=np.zeros(n_shots),
        restriction_at=never.copy(), gel_s=never.copy(), gel_at=never.copy(),
        slug_at=np.full((n_shots, SLUGS), np.inf), slug_s=np.zeros((n_shots, SLUGS)), longest_s=never.copy(),
    )  # fmt: skip
    made = PlateShots(
        plate, ways, marched, [], {}, list(when), [f"F{b + 1:02d}" for b in batch], book_of(plate, ways, rng), now,
        curves, stepped,
    )  # fmt: skip
    made.truth = {
        "cavity_factor": cavity, "size_factor": size, "ease": ease, "viscosity_pa_s": now.bed_pa_s,
        "programmed_l": programmed, "variant": main.astype(float), "resin_temp_c": temp_c, "mould_temp_c": mould_c,
        "stopped_short": short.astype(float),
    }  # fmt: skip
    if fault_chance > 0:
        made.faults = apply_faults(rng, made, fault_chance, fault_kinds)
    finish(rng, made)
    return made


def finish(rng: Generator, made: PlateShots) -> None:
    """Inject with the conditions as they stand, and write logs and truth."""
    ways, now, curves = made.practice, made.conditions, made.curves
    done = inject(curves, now, ways, 0.1 if ways.hz > 4 else 0.2)
    made.logs = [
        sample(rng, done, i, ways, float(made.truth["resin_temp_c"][i]), float(made.truth["mould_temp_c"][i]))
        for i in range(len(now.gain))
    ]
    made.truth |= _volumes(done, made)


def _volumes(done: Injected, made: PlateShots) -> dict[str, Array]:
    gain, curves = made.conditions.gain, made.curves
    return {
        "injected_l": done.metered_l[:, -1],
        "arrival_l": done.arrival_l,
        "arrived": done.arrived.astype(float),
        "taken_l": done.stayed_m3 * gain * 1e3,
        "full_l": done.arrival_l + (curves.full_m3 - curves.arrival_m3) * gain * 1e3,
        "past_l": done.past_m3 * gain * 1e3,
        "pot_kg": done.pot_m3 * RESIN_KG_M3,
        "meter_gain": gain,
        "injection_s": done.stop_s,
    }


def _cavity_and_cloth(
    rng: Generator, plate: Plate, ways: Practice, dials: Disturbances, batch: Index
) -> tuple[Array, Array, Array, int | None]:
    """Factors by shot: volume, conductance, cavity; and the shot of the cavity's step.

    A cavity that opens gives room and eases the flow.
    """
    n, fibre = len(batch), plate.bed.fibre_share
    wander, cavity = 0.0, np.ones(n)
    for i in range(n):
        wander = 0.5 * wander + np.sqrt(0.75) * rng.normal()
        cavity[i] += ways.cavity_sd * wander
    stepped = None
    if rng.random() < dials.cavity_step:
        step = float(rng.uniform(*CAVITY_STEP)) * float(rng.choice([1, 1, -1]))
        stepped = int(n * rng.uniform(0.35, 0.8))
        cavity[stepped:] += step
    heavier = 1 + (ways.batch_weight_sd * rng.standard_normal(n // ways.batch_shots + 1))[batch]
    heavier = heavier * (1 + 0.3 * ways.batch_weight_sd * rng.standard_normal(n))
    own = (ways.batch_k_sd * rng.standard_normal(n // ways.batch_shots + 1))[batch]
    own = own + ways.k_sd * rng.standard_t(5, n) * np.sqrt(3 / 5)
    size = (cavity - fibre * heavier) / (1 - fibre)
    ease = np.exp(own) * cavity * eased(fibre * heavier / cavity, fibre)
    return np.asarray(size), np.asarray(ease), cavity, stepped


def book_of(plate: Plate, ways: Practice, rng: Generator) -> dict[str, Any]:
    """The plate's mould-book entry with what its owner knows of pump, gauge and hose."""
    made = dict(plate.book)
    made["line_pressure_limit_bar"] = round(ways.limit_pa / 1e5, 2)
    if ways.gauge_floor and rng.random() < 0.7:
        made["line_pressure_range_bar"] = [0.0, 6.0]
    if ways.hose_m3 > 0 and rng.random() < 0.6:
        made["feed_hose_volume_l"] = round(ways.hose_m3 * 1e3 * float(rng.uniform(0.9, 1.1)), 3)
    if abs(ways.height_m) > 0.05 and rng.random() < 0.7:
        made["vent_height_m"] = round(ways.height_m, 2)
    return made
