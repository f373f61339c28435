"""How a made-up mould is run: pump, gauge, hoses, habit of stopping, scatter; each drawn by mould, each with a dial."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from catchpot.testing.plates.plate import Plate


@dataclass(frozen=True)
class Disturbances:
    """Dials: 1 is usual, 0 is off, more is worse. Shares are of moulds, chances are of shots.

    meter_step: chance that an injector's gain steps by 2-4 %; cavity_step: share of moulds whose cavity changes by
    about 2 % at some shot. stopped_short: chance. strokes: share that count strokes (20-50 ml). gauge_floor: share
    whose gauge ends at 0 bar. over_run: None draws 0-12 % by mould, a number sets it for all. weighed: share of moulds
    that weigh some catch pots. blend: how much of a second cloth's curve a shot may have. cloth, batches,
    scatter, cavity_scatter, season, line_resistance, cover, capillary, height, ripple, noise: factors. by_eye: share
    of moulds that stop by eye. clamp: share that log the clamp.
    """

    meter_step: float = 0.5
    cavity_step: float = 0.25
    stopped_short: float = 0.07
    strokes: float = 0.15
    gauge_floor: float = 0.25
    over_run: float | None = None
    weighed: float = 0.5
    by_eye: float = 0.25
    clamp: float = 0.5
    cloth: float = 1.0
    batches: float = 1.0
    scatter: float = 1.0
    cavity_scatter: float = 1.0
    season: float = 1.0
    line_resistance: float = 1.0
    cover: float = 1.0
    capillary: float = 1.0
    height: float = 1.0
    ripple: float = 1.0
    noise: float = 1.0
    blend: float = 0.35

    @staticmethod
    def off(noise: float = 0.0, over_run: float = 0.05) -> Disturbances:
        """Only geometry is left; every shot has the same cloth and passes over_run."""
        return Disturbances(
            meter_step=0, cavity_step=0, stopped_short=0, strokes=0, gauge_floor=0, over_run=over_run, weighed=0,
            by_eye=0, clamp=0, cloth=0, batches=0, scatter=0, cavity_scatter=0, season=0, line_resistance=0, cover=0,
            capillary=0, height=0, ripple=0, noise=noise, blend=0,
        )  # fmt: skip


@dataclass(frozen=True)
class Practice:
    """One mould's ways. Pressures Pa, volumes m3 unless named otherwise.

    pump: `flow` (steady flow up to the limit) or `pot` (pressure from the start). over_run: share of the usual arrival
    volume that is set beyond it; `eye` stops some seconds after resin shows. line_per_m3: feed line's resistance;
    hose_m3 of it is filled first. cover_m3_pa yields within cover_s. height_m of the vent above the inlet, climbed by a
    power of the filled share. tweak_chance: that someone changes the set volume a little.
    """

    hz: float
    stroke_ml: float | None
    gauge_floor: bool
    logs_clamp: bool
    pump: str
    flow_m3_s: float
    limit_pa: float
    ramp_s: float
    over_run: float
    stop: str
    eye_s: float
    tweak_chance: float
    short_chance: float
    line_per_m3: float
    hose_m3: float
    cover_m3_pa: float
    cover_s: float
    capillary_pa: float
    height_m: float
    height_power: float
    cavity_mbar: float
    cavity_saw_mbar: float
    clamp_mbar: float
    ripple: float
    ripple_hz: float
    flow_noise: float
    pressure_noise_bar: float
    k_sd: float
    cavity_sd: float
    batch_shots: int
    batch_k_sd: float
    batch_weight_sd: float
    weigh_every: int
    settle_s: float
    cloth_level: float
    blend: float


RESIN_PA_S, RESIN_TEMP_C, RESIN_KG_M3, AMBIENT_MBAR = 0.2, 23.0, 1100.0, 1013.25


def draw_practice(rng: Generator, plate: Plate, dials: Disturbances) -> Practice:
    """Ways of one mould. Flow is chosen so that some moulds never meet the pressure limit and some live on it."""
    trial = plate.trial
    stiff = float(np.interp(0.95 * trial.arrival_m3, trial.volume_m3, trial.resistance_per_m3))
    limit = float(rng.uniform(0.3, 1.0)) * 1e5
    cavity = float(rng.uniform(420, 620))
    drive = limit + (AMBIENT_MBAR - cavity) * 100
    flow = drive / (RESIN_PA_S * stiff) * float(np.exp(rng.uniform(np.log(0.7), np.log(3.0))))
    flow = min(flow, trial.arrival_m3 / 25.0)
    line = dials.line_resistance * stiff * float(rng.uniform(0.02, 0.25))
    slow = 0.8 if rng.random() < 0.3 else 1.0
    strokes = bool(rng.random() < dials.strokes)
    over = float(rng.uniform(0.0, 0.12)) if dials.over_run is None else dials.over_run
    capillary = dials.capillary * float(rng.uniform(0.0, 3000.0))
    height = dials.height * float(rng.uniform(-0.1, 0.5)) if rng.random() < 0.4 else 0.0
    has_cover = rng.random() < 0.7
    return Practice(
        hz=float(rng.choice([1.0, 2.0, 4.0, 5.0, 10.0])),
        stroke_ml=float(rng.choice([20.0, 25.0, 32.0, 50.0])) if strokes else None,
        gauge_floor=bool(rng.random() < dials.gauge_floor),
        logs_clamp=bool(rng.random() < dials.clamp),
        pump="pot" if rng.random() < 0.2 and not strokes else "flow",
        flow_m3_s=float(flow * slow),
        limit_pa=limit,
        ramp_s=float(rng.uniform(1.0, 6.0)),
        over_run=over,
        stop="eye" if rng.random() < dials.by_eye else "set",
        eye_s=float(rng.uniform(1.0, 8.0)),
        tweak_chance=float(rng.uniform(0.0, 0.12)),
        short_chance=dials.stopped_short * float(rng.uniform(0.3, 1.7)),
        line_per_m3=line,
        hose_m3=float(rng.uniform(0.02e-3, 0.12e-3)) if rng.random() < 0.35 * min(dials.line_resistance, 1) else 0.0,
        cover_m3_pa=dials.cover * float(rng.uniform(0.0, 0.03)) * trial.full_m3 / 1e5 if has_cover else 0.0,
        cover_s=float(rng.uniform(2.0, 12.0)),
        capillary_pa=capillary,
        height_m=height,
        height_power=float(rng.uniform(0.4, 1.6)),
        cavity_mbar=cavity,
        cavity_saw_mbar=dials.noise * float(rng.uniform(0.0, 3.0)),
        clamp_mbar=float(rng.uniform(30, 90)),
        ripple=dials.ripple * float(rng.uniform(0.0, 0.04)),
        ripple_hz=float(rng.uniform(0.2, 1.8)),
        flow_noise=dials.noise * float(np.exp(rng.uniform(np.log(0.003), np.log(0.02)))),
        pressure_noise_bar=dials.noise * float(np.exp(rng.uniform(np.log(0.0015), np.log(0.008)))),
        k_sd=dials.scatter * float(rng.uniform(0.02, 0.07)),
        cavity_sd=dials.cavity_scatter * float(rng.uniform(0.002, 0.005)),
        batch_shots=int(rng.integers(9, 26)),
        batch_k_sd=dials.batches * float(rng.uniform(0.02, 0.1)),
        batch_weight_sd=dials.batches * float(rng.uniform(0.003, 0.012)),
        weigh_every=int(rng.choice([3, 5, 8])) if rng.random() < dials.weighed else 0,
        settle_s=float(rng.uniform(4.0, 20.0)),
        cloth_level=dials.cloth,
        blend=dials.blend,
    )
