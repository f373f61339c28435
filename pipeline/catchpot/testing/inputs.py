"""The true bed, machine and gas of every shot of one mould, drawn from its scenario."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from catchpot.testing.front import Bed
from catchpot.testing.geometry import Array, Path
from catchpot.testing.history import seal_leaks, total
from catchpot.testing.machine import Machine
from catchpot.testing.nuisances import Nuisances
from catchpot.testing.scenario import Mould, Resin, Scenario
from catchpot.testing.vacuum import CLAMP_ONLY, EVACUATE, HOLD, HOLD_OPEN, INJECT, MIDDLE, REST, SEGMENTS, Gas

REST_S = 5.0
GRAVITY = 9.80665


def viscosity(resin: Resin, temp_c: Array) -> Array:
    """Viscosity by Arrhenius' law, Pa s."""
    t, ref = temp_c + 273.15, resin.viscosity_temp_c + 273.15
    return np.asarray(resin.viscosity_pa_s * np.exp(resin.viscosity_activation_k * (1 / t - 1 / ref)))


def hose_resistance(length_m: float, bore_mm: float) -> float:
    """Resistance of a round hose free of viscosity, 1/m3."""
    return 128 * length_m / (np.pi * (bore_mm * 1e-3) ** 4)


def segments(mould: Mould, check: NDArray[np.bool_]) -> tuple[NDArray[np.intp], Array]:
    """What follows what in each log (shots, SEGMENTS), and when each part ends, s."""
    evacuate, hold = mould.evacuate_s, mould.hold_s
    holds = np.where(check & (mould.holds == 0), 2, mould.holds)
    mode = np.full((len(check), SEGMENTS), EVACUATE)
    end = np.full((len(check), SEGMENTS), np.inf)
    for i, (is_check, n) in enumerate(zip(check, holds, strict=True)):
        parts: list[tuple[int, float]] = [(REST, REST_S)]
        if n >= 2 and mould.hold_order == "open first":
            parts += [(CLAMP_ONLY, evacuate), (HOLD_OPEN, hold)]
        if n >= 3:
            parts += [(MIDDLE, evacuate), (HOLD, hold)]
        parts += [(EVACUATE, evacuate)]
        if n >= 1:
            parts += [(HOLD, hold)]
        if n >= 2 and mould.hold_order == "vacuum first":
            parts += [(CLAMP_ONLY, evacuate), (HOLD_OPEN, hold), (EVACUATE, evacuate)]
        parts += [(EVACUATE, 5.0)] if is_check else [(INJECT, np.inf)]
        t = 0.0
        for j, (m, length) in enumerate(parts):
            t += length
            mode[i, j], end[i, j] = m, t
    return mode, end


def _lanes(sd: float, lanes: int, shots: int, rng: Generator) -> tuple[Array, Array]:
    n = lanes if sd > 0 else 1
    share = np.full((shots, n), 1.0 / n)
    # A mould's lanes are partly its own (how the fabric is always laid) and partly the shot's.
    own = rng.standard_normal(n)
    draw = np.clip(0.7 * own + 0.71 * rng.standard_normal((shots, n)), -1.2, 1.2)
    factor = np.exp(sd * draw)
    return share, factor / np.sum(share * factor, axis=1, keepdims=True)


def default_permeability(mould: Mould, resin: Resin, p: Path) -> float:
    """Permeability (m2) with which the mould fills in about `fill_s` at 0.8 bar of driving pressure."""
    g = mould.geometry
    porosity = 1 - mould.fibre_areal_weight_g_m2 / (mould.fibre_density_kg_m3 * g.thickness_mm)
    volume = g.part_area_m2 * g.thickness_mm * 1e-3 * porosity
    return p.work_per_m * resin.viscosity_pa_s * volume / (0.8e5 * mould.fill_s)


@dataclass
class Pack:
    """Fibre pack and cavity of each shot: arrays (shots,), lanes (shots, lanes).

    permeability_m2: of the pack as laid, lanes apart. clamp_rise_mbar: how far the clamp is above its usual pressure.
    """

    batch: NDArray[np.intp]
    areal_weight_g_m2: Array
    gel_coat_mm: Array
    clamp_rise_mbar: Array
    thickness_mm: Array
    porosity: Array
    permeability_m2: Array
    pore_l: Array
    lane_share: Array
    lane_factor: Array


def pack_of(scenario: Scenario, mould: Mould, resin: Resin, p: Path, rng: Generator) -> Pack:
    """Draw the packs: batches, scatter, gel coat, opening of the cavity, permeability by porosity, lanes.

    Permeability goes with porosity as Kozeny and Carman have it: porosity^3 / (1 - porosity)^2.
    """
    nuisances, n, g = scenario.nuisances, mould.shots, mould.geometry

    def change(cause: str) -> Array:
        return total(scenario, mould, cause)

    batch = np.arange(n) // mould.fabric_batch_shots
    batch_weight = nuisances.fabric_batch_sd * rng.standard_normal(int(batch[-1]) + 1)[batch]
    fabric = 1 + batch_weight + nuisances.areal_weight_sd * rng.standard_normal(n) + change("fabric_pack")
    areal_weight = mould.fibre_areal_weight_g_m2 * fabric
    gel_coat = nuisances.gel_coat_sd_mm * np.clip(rng.standard_normal(n), -3.3, 3.3) + change("gel_coat")
    clamp_rise = change("clamp_pressure")
    for c in scenario.changes:
        if c.mould == mould.name and c.clamp_mbar:
            clamp_rise = clamp_rise + c.clamp_mbar * np.clip(change(c.cause) / c.amount, 0, None)
    opening = mould.opening_per_100_mbar * clamp_rise / 100
    thickness = g.thickness_mm * (1 + change("cavity_thickness") + opening) - gel_coat
    porosity_book = 1 - mould.fibre_areal_weight_g_m2 / (mould.fibre_density_kg_m3 * g.thickness_mm)
    porosity = 1 - areal_weight / (mould.fibre_density_kg_m3 * thickness)
    nominal = mould.permeability_m2 or default_permeability(mould, resin, p)
    carman = (porosity / porosity_book) ** 3 * ((1 - porosity_book) / (1 - porosity)) ** 2
    scatter = np.exp(nuisances.permeability_sd * rng.standard_normal(n))
    core = mould.core_volume_l + change("core") if nuisances.core else np.zeros(n)
    pore = g.part_area_m2 * thickness * porosity - core * (1 - mould.core_uptake_fraction)
    share, factor = _lanes(nuisances.lane_sd * mould.lane_scale, nuisances.lanes, n, rng)
    permeability = nominal * carman * scatter * (1 + change("permeability"))
    return Pack(
        batch, areal_weight, gel_coat, clamp_rise, thickness, porosity, permeability, np.asarray(pore), share, factor
    )


@dataclass
class Warmth:
    """Temperatures (deg C), the resin's viscosity over its book's, and both viscosities (Pa s), each (shots,)."""

    resin_c: Array
    mould_c: Array
    resin_factor: Array
    bed_pa_s: Array
    line_pa_s: Array


def warmth_of(
    scenario: Scenario, mould: Mould, resin: Resin, shop_c: Array, batch_factor: Array, rng: Generator
) -> Warmth:
    """Temperatures of resin and mould around the shop's, and what they and the batch make of the viscosity."""
    apart = scenario.nuisances.mould_apart_k
    shop = shop_c + total(scenario, mould, "temperature")
    resin_c = shop + 0.3 * apart * rng.standard_normal(mould.shots)
    mould_c = shop + apart * rng.standard_normal(mould.shots)
    factor = batch_factor * (1 + total(scenario, mould, "resin_viscosity"))
    return Warmth(resin_c, mould_c, factor, viscosity(resin, mould_c) * factor, viscosity(resin, resin_c) * factor)


def bed_of(
    scenario: Scenario, mould: Mould, resin: Resin, pack: Pack, warm: Warmth, path_number: int, rng: Generator
) -> Bed:
    """What resin meets on its way in each shot."""
    nuisances, n = scenario.nuisances, mould.shots
    hoses = nuisances.hoses
    runner = mould.runner_volume_l + total(scenario, mould, "runner_or_hose")
    capillary = (nuisances.capillary_mbar + nuisances.capillary_sd_mbar * rng.standard_normal(n)) * 100
    return Bed(
        path_number=np.full(n, path_number), pore_volume_m3=pack.pore_l * 1e-3,
        permeability_m2=pack.permeability_m2 * pack.thickness_mm / mould.geometry.thickness_mm,
        lane_share=pack.lane_share, lane_factor=pack.lane_factor, viscosity_bed_pa_s=warm.bed_pa_s,
        viscosity_line_pa_s=warm.line_pa_s,
        line_resistance_per_m3=np.full(n, hose_resistance(mould.hose_m, mould.hose_mm)),
        volume_before_m3=(runner + mould.feed_hose_volume_l * hoses) * 1e-3,
        vent_hose_m3=np.full(n, np.pi / 4 * (mould.vent_hose_mm * 1e-3) ** 2 * mould.vent_hose_m * hoses),
        vent_hose_resistance_per_m3=np.full(n, hose_resistance(mould.vent_hose_m, mould.vent_hose_mm) * hoses),
        head_pa=np.full(n, resin.density_kg_m3 * GRAVITY * mould.vent_height_m * nuisances.height),
        capillary_pa=np.maximum(capillary, 0.0),
        cover_m3_pa=np.full(n, mould.cover_l_bar * 1e-8 if nuisances.cover else 0.0), cover_s=np.full(n, mould.cover_s),
    )  # fmt: skip


def machine_of(nuisances: Nuisances, mould: Mould, gain: Array, pore_l: Array, rng: Generator) -> Machine:
    """The machine's settings; the programmed volume is set later. gain: metered over the volume that fills the bed."""
    n = mould.shots
    set_flow = mould.set_flow_l_min or 60 * float(np.mean(pore_l)) / (0.6 * mould.fill_s)
    return Machine(
        meter_gain=gain, set_flow_m3_s=np.full(n, set_flow / 6e4),
        limit_pa=np.full(n, (mould.machine_limit_bar or mould.line_pressure_limit_bar) * 1e5),
        ramp_s=np.full(n, mould.ramp_s), programmed_m3=np.zeros(n),
        operator_share=np.full(n, mould.operator_share if mould.stop == "operator" else 2.0),
        pack_s=np.full(n, mould.pack_s if nuisances.packing else 0.0), pack_pa=np.full(n, mould.pack_bar * 1e5),
        ripple=np.full(n, nuisances.ripple), ripple_hz=rng.uniform(0.6, 1.4, n),
        longest_s=np.full(n, 5 * mould.fill_s),
    )  # fmt: skip


def leaks_of(scenario: Scenario, mould: Mould, rng: Generator) -> dict[str, Array]:
    """Leaks at the reference states: outer, inner, cavity, each also *_clean (without noise) and *_age (in shots)."""
    leaks: dict[str, Array] = {}
    for name, seal in (("outer", mould.outer), ("inner", mould.inner), ("cavity", mould.cavity)):
        noisy, clean, age = seal_leaks(seal, mould.shots, rng)
        more = total(scenario, mould, f"{name}_leak")
        leaks[name], leaks[f"{name}_clean"], leaks[f"{name}_age"] = noisy + more, clean + more, age
    return leaks


def gas_of(
    scenario: Scenario, mould: Mould, leaks: dict[str, Array], clamp_rise: Array, ambient: Array, rng: Generator
) -> Gas:
    """Both gas volumes, their leaks, pumps and the shot's segments."""
    nuisances, n = scenario.nuisances, mould.shots
    segment, segment_end = segments(mould, np.zeros(n, bool))
    # A stream of its own, so that the switch leaves every other draw as it is.
    valves = nuisances.vacuum_sd_mbar * rng.spawn(1)[0].standard_normal((2, n)).clip(-2.5, 2.5)
    return Gas(
        ambient=ambient, clamp_volume=np.full(n, mould.clamp_volume_l),
        cavity_volume=np.full(n, mould.cavity_gas_volume_l), outer=leaks["outer"].copy(), inner=leaks["inner"].copy(),
        cavity=leaks["cavity"].copy(), outer_choked=np.full(n, mould.outer.choked),
        inner_choked=np.full(n, mould.inner.choked), cavity_choked=np.full(n, mould.cavity.choked),
        squeeze=np.full(n, mould.squeeze), wetted=np.full(n, mould.wetted),
        clamp_set=mould.clamp_set_mbar + clamp_rise + valves[0], clamp_band=np.full(n, mould.clamp_band_mbar),
        clamp_receiver=np.full(n, float(mould.pump == "receiver")), pump_l_s=np.full(n, mould.pump_l_s),
        cavity_set=mould.cavity_set_mbar + total(scenario, mould, "cavity_pressure") + valves[1],
        cavity_pump_l_s=np.full(n, 1.0),
        outgas=np.full(n, nuisances.outgas_mbar_l_s) * rng.uniform(0.5, 1.5, n), outgas_s=rng.uniform(30, 90, n),
        warming_k_s=nuisances.warming_k / 45 * rng.standard_normal(n), segment=segment, segment_end_s=segment_end,
    )  # fmt: skip
