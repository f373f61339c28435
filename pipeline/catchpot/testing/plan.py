"""From a scenario to the inputs of the march: every shot's true bed, machine, gas and troubles, mould by mould."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from catchpot.testing.faults import apply_faults
from catchpot.testing.front import Bed, expected_arrival_m3, lane_permeability_factor
from catchpot.testing.geometry import Array, Path, Paths, path
from catchpot.testing.history import meter_gains, programmed_volumes, seal_leaks, slow_noise, total, working_times
from catchpot.testing.machine import Machine
from catchpot.testing.march import Shots, Troubles
from catchpot.testing.scenario import Fault, Mould, Resin, Scenario
from catchpot.testing.vacuum import (
    CLAMP_ONLY,
    EVACUATE,
    HOLD,
    HOLD_OPEN,
    INJECT,
    REST,
    SEGMENTS,
    Gas,
)

REST_S = 5.0
GRAVITY = 9.80665


@dataclass
class MouldPlan:
    """One mould's logs in time order: inputs of the march, what is written down, and what is true (arrays by name)."""

    mould: Mould
    names: list[str]
    started_at: list[datetime]
    is_check: NDArray[np.bool_]
    number: NDArray[np.intp]
    shots: Shots
    truth: dict[str, Array]
    resin_batch: list[str]
    fabric_batch: list[str]
    faults: list[Fault]
    fault_shares: dict[int, float]
    expected_arrival_l: Array


@dataclass
class Plan:
    """A planned workshop: paths, one MouldPlan a mould, and the viscosity factor of each resin batch."""

    scenario: Scenario
    paths: Paths
    moulds: list[MouldPlan]
    resin_batches: dict[str, tuple[str, float]]


def viscosity(resin: Resin, temp_c: Array) -> Array:
    """Viscosity by Arrhenius' law, Pa s."""
    t, ref = temp_c + 273.15, resin.viscosity_temp_c + 273.15
    return np.asarray(resin.viscosity_pa_s * np.exp(resin.viscosity_activation_k * (1 / t - 1 / ref)))


def hose_resistance(length_m: float, bore_mm: float) -> float:
    """Resistance of a round hose free of viscosity, 1/m3."""
    return 128 * length_m / (np.pi * (bore_mm * 1e-3) ** 4)


def _segments(mould: Mould, check: NDArray[np.bool_]) -> tuple[NDArray[np.intp], Array]:
    evacuate, hold = mould.evacuate_s, mould.hold_s
    holds = np.where(check & (mould.holds == 0), 2, mould.holds)
    mode = np.full((len(check), SEGMENTS), EVACUATE)
    end = np.full((len(check), SEGMENTS), np.inf)
    for i, (is_check, n) in enumerate(zip(check, holds, strict=True)):
        parts: list[tuple[int, float]] = [(REST, REST_S)]
        if n == 2 and mould.hold_order == "open first":
            parts += [(CLAMP_ONLY, evacuate), (HOLD_OPEN, hold)]
        parts += [(EVACUATE, evacuate)]
        if n >= 1:
            parts += [(HOLD, hold)]
        if n == 2 and mould.hold_order == "vacuum first":
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


def _mould(
    scenario: Scenario,
    mould: Mould,
    numbers: tuple[int, Path, list[Fault]],
    when: dict[str, list[datetime]],
    weather: dict[str, Array],
    batches: tuple[list[str], Array],
    rng: Generator,
) -> MouldPlan:
    path_number, p, faults = numbers
    nuisances, n, g = scenario.nuisances, mould.shots, mould.geometry
    resin = next(r for r in scenario.resins if r.name == mould.resin)
    started = when[mould.name]

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
    pack_k = nominal * carman * scatter * (1 + change("permeability"))

    core = np.zeros(n)
    if nuisances.core:
        core = mould.core_volume_l + change("core")
    pore_l = g.part_area_m2 * thickness * porosity - core * (1 - mould.core_uptake_fraction)
    lane_share, lane_factor = _lanes(nuisances.lane_sd * mould.lane_scale, nuisances.lanes, n, rng)

    shop = weather["temperature"] + change("temperature")
    resin_c = shop + 0.3 * nuisances.mould_apart_k * rng.standard_normal(n)
    mould_c = shop + nuisances.mould_apart_k * rng.standard_normal(n)
    batch_names, batch_factor = batches
    thick = batch_factor * (1 + change("resin_viscosity"))
    mu_bed, mu_line = viscosity(resin, mould_c) * thick, viscosity(resin, resin_c) * thick
    expansion = 1 + nuisances.expansion_per_k * (mould_c - resin_c)
    meter = meter_gains(scenario, mould, started, when)
    gain = meter / expansion

    hoses = nuisances.hoses
    runner = mould.runner_volume_l + change("runner_or_hose")
    before = (runner + mould.feed_hose_volume_l * hoses) * 1e-3
    vent_hose = np.full(n, np.pi / 4 * (mould.vent_hose_mm * 1e-3) ** 2 * mould.vent_hose_m * hoses)
    line_r = np.full(n, hose_resistance(mould.hose_m, mould.hose_mm))
    capillary = (nuisances.capillary_mbar + nuisances.capillary_sd_mbar * rng.standard_normal(n)) * 100
    cover = mould.cover_l_bar * 1e-8 if nuisances.cover else 0.0
    bed = Bed(
        path_number=np.full(n, path_number), pore_volume_m3=pore_l * 1e-3,
        permeability_m2=pack_k * thickness / g.thickness_mm, lane_share=lane_share, lane_factor=lane_factor,
        viscosity_bed_pa_s=mu_bed, viscosity_line_pa_s=mu_line, line_resistance_per_m3=line_r,
        volume_before_m3=before, vent_hose_m3=vent_hose,
        vent_hose_resistance_per_m3=np.full(n, hose_resistance(mould.vent_hose_m, mould.vent_hose_mm) * hoses),
        head_pa=np.full(n, resin.density_kg_m3 * GRAVITY * mould.vent_height_m * nuisances.height),
        capillary_pa=np.maximum(capillary, 0.0), cover_m3_pa=np.full(n, cover), cover_s=np.full(n, mould.cover_s),
    )  # fmt: skip
    packing = mould.pack_s if nuisances.packing else 0.0
    set_flow = mould.set_flow_l_min or 60 * float(np.mean(pore_l)) / (0.6 * mould.fill_s)
    machine = Machine(
        meter_gain=gain, set_flow_m3_s=np.full(n, set_flow / 6e4),
        limit_pa=np.full(n, mould.line_pressure_limit_bar * 1e5),
        ramp_s=np.full(n, mould.ramp_s), programmed_m3=np.zeros(n),
        operator_share=np.full(n, mould.operator_share if mould.stop == "operator" else 2.0),
        pack_s=np.full(n, packing), pack_pa=np.full(n, mould.pack_bar * 1e5), ripple=np.full(n, nuisances.ripple),
        ripple_hz=rng.uniform(0.6, 1.4, n), longest_s=np.full(n, 5 * mould.fill_s),
    )  # fmt: skip

    leaks: dict[str, Array] = {}
    for name, seal in (("outer", mould.outer), ("inner", mould.inner), ("cavity", mould.cavity)):
        noisy, clean, age = seal_leaks(seal, n, rng)
        more = change(f"{name}_leak")
        leaks[name], leaks[f"{name}_clean"], leaks[f"{name}_age"] = noisy + more, clean + more, age
    segment, segment_end = _segments(mould, np.zeros(n, bool))
    gas = Gas(
        ambient=weather["ambient"], clamp_volume=np.full(n, mould.clamp_volume_l),
        cavity_volume=np.full(n, mould.cavity_gas_volume_l), outer=leaks["outer"], inner=leaks["inner"],
        cavity=leaks["cavity"], outer_choked=np.full(n, mould.outer.choked),
        inner_choked=np.full(n, mould.inner.choked),
        cavity_choked=np.full(n, mould.cavity.choked), squeeze=np.full(n, mould.squeeze),
        wetted=np.full(n, mould.wetted),
        clamp_set=mould.clamp_set_mbar + clamp_rise, clamp_band=np.full(n, mould.clamp_band_mbar),
        clamp_receiver=np.full(n, float(mould.pump == "receiver")), pump_l_s=np.full(n, mould.pump_l_s),
        cavity_set=mould.cavity_set_mbar + change("cavity_pressure"), cavity_pump_l_s=np.full(n, 1.0),
        outgas=np.full(n, nuisances.outgas_mbar_l_s) * rng.uniform(0.5, 1.5, n), outgas_s=rng.uniform(30, 90, n),
        warming_k_s=nuisances.warming_k / 45 * rng.standard_normal(n), segment=segment, segment_end_s=segment_end,
    )  # fmt: skip
    troubles = Troubles.none(n)
    past = change("resin_past_seal")
    troubles.seal_m3_pa_s = past * 1e-3 / (1.0e5 * mould.fill_s)
    shots = Shots(bed, machine, gas, troubles, thickness, porosity, np.full(n, mould.settle_s))

    one = Paths.of([p])
    alone = Bed(**{**vars(bed), "path_number": np.zeros(n, np.intp)})
    lane_k = lane_permeability_factor(one, alone)
    arrival_l = expected_arrival_m3(one, alone) * 1e3
    # What cover and seal swallow on the way, as an operator who watches the vent has learned it.
    swallowed = cover * (machine.limit_pa + (gas.ambient - gas.cavity_set) * 100) * 1e3 + past
    set_l = programmed_volumes(mould, arrival_l + swallowed, gain, change("overflow"), rng)
    if mould.stop == "operator":
        set_l = set_l * 1.3
    machine.programmed_m3 = set_l * 1e-3
    truth = {
        "meter_gain": meter, "permeability_m2": pack_k * lane_k,
        "permeability_seen_m2": pack_k * lane_k * thickness / g.thickness_mm * gain,
        "viscosity_pa_s": mu_bed, "viscosity_line_pa_s": mu_line, "line_resistance_per_m3": line_r.copy(),
        "porosity": porosity, "thickness_mm": thickness, "fibre_areal_weight_g_m2": areal_weight,
        "gel_coat_mm": gel_coat, "pore_volume_l": pore_l, "volume_before_l": before * 1e3, "resin_temp_c": resin_c,
        "mould_temp_c": mould_c, "ambient_pressure_mbar": weather["ambient"], "capillary_mbar": bed.capillary_pa / 100,
        "resin_viscosity_factor": thick,
        **{f"{k}_leak_mbar_l_s": leaks[k].copy() for k in ("outer", "inner", "cavity")},
        **{f"{k}_leak_clean_mbar_l_s": leaks[f"{k}_clean"] for k in ("outer", "inner", "cavity")},
        **{f"{k}_seal_age_shots": leaks[f"{k}_age"] for k in ("outer", "inner")},
    }  # fmt: skip
    shares = apply_faults(faults, mould, shots, truth, one, alone, path_number, arrival_l)
    return _with_checks(
        MouldPlan(
            mould, [f"{mould.name}-{i + 1:04d}" for i in range(n)], list(started), np.zeros(n, bool), np.arange(n),
            shots, truth, batch_names, [f"{mould.name}-F{b + 1:02d}" for b in batch], faults, shares, arrival_l,
        )
    )  # fmt: skip


def _with_checks(plan: MouldPlan) -> MouldPlan:
    """Insert hold-check logs of their own before every `hold_checks`-th shot, a quarter of an hour earlier."""
    from catchpot.testing.march import rows

    every, n = plan.mould.hold_checks, len(plan.names)
    if every <= 0:
        return plan
    order: list[int] = []
    check: list[bool] = []
    for i in range(n):
        if i % every == 0:
            order.append(i)
            check.append(True)
        order.append(i)
        check.append(False)
    index, is_check = np.array(order), np.array(check)
    shots = rows(plan.shots, index)
    shots.gas.segment, shots.gas.segment_end_s = _segments(plan.mould, is_check)
    return MouldPlan(
        plan.mould,
        [f"{plan.mould.name}-check-{i + 1:04d}" if c else plan.names[i] for i, c in zip(index, is_check, strict=True)],
        [plan.started_at[i] - timedelta(minutes=15 * bool(c)) for i, c in zip(index, is_check, strict=True)],
        is_check,
        index,
        shots,
        {k: v[index] for k, v in plan.truth.items()},
        [plan.resin_batch[i] for i in index],
        [plan.fabric_batch[i] for i in index],
        plan.faults,
        plan.fault_shares,
        plan.expected_arrival_l[index],
    )


def _check_names(scenario: Scenario) -> None:
    shots = {m.name: m.shots for m in scenario.moulds}
    if len(shots) < len(scenario.moulds):
        raise ValueError("two moulds have the same name")
    named = [(f.kind, f.mould, f.shot) for f in scenario.faults]
    named += [(c.cause, c.mould, c.at_shot) for c in scenario.changes]
    for what, mould, shot in named:
        if mould not in shots:
            raise ValueError(f"{what}: no mould {mould!r}; there are {', '.join(shots)}")
        if not 0 <= shot < shots[mould]:
            raise ValueError(f"{what}: {mould} makes shots 0 to {shots[mould] - 1}, not {shot}")
    for m in scenario.moulds:
        if m.resin not in {r.name for r in scenario.resins}:
            raise ValueError(f"{m.name}: no resin {m.resin!r}")


def plan_workshop(scenario: Scenario, rng: Generator) -> Plan:
    """Draw everything that is random between shots; the same generator state gives the same workshop.

    Raises ValueError for a fault or change that names an unknown mould or a shot the mould does not make.
    """
    _check_names(scenario)
    streams = rng.spawn(len(scenario.moulds) + 2)
    when = {
        m.name: working_times(m, scenario.start, m.shots, r) for m, r in zip(scenario.moulds, streams, strict=False)
    }
    shared, batch_rng = streams[-2], streams[-1]
    every = sorted(t for times in when.values() for t in times)
    stamp = np.array([(t - scenario.start).total_seconds() / 86400 for t in every])
    nuisances = scenario.nuisances
    ambient = scenario.ambient_pressure_mbar + slow_noise(stamp, nuisances.ambient_sd_mbar, shared)
    day_of_year = np.array([t.timetuple().tm_yday for t in every])
    temperature = (
        nuisances.temperature_c
        - nuisances.season_k * np.cos(2 * np.pi * (day_of_year - 20) / 365.25)
        + slow_noise(stamp, nuisances.day_k, shared, (1.5, 10.0))
    )
    days = int(stamp.max() // scenario.resin_batch_days) + 1 if len(stamp) else 1
    factors = {
        f"{r.name}-R{b + 1:02d}": (r.name, float(np.exp(nuisances.batch_viscosity_sd * batch_rng.standard_normal())))
        for r in scenario.resins
        for b in range(days)
    }
    paths = [path(m.geometry) for m in scenario.moulds]
    plans = []
    for number, (mould, stream) in enumerate(zip(scenario.moulds, streams, strict=False)):
        faults = [f for f in scenario.faults if f.mould == mould.name]
        here = np.array([(t - scenario.start).total_seconds() / 86400 for t in when[mould.name]])
        names = [f"{mould.resin}-R{int(d // scenario.resin_batch_days) + 1:02d}" for d in here]
        weather = {"ambient": np.interp(here, stamp, ambient), "temperature": np.interp(here, stamp, temperature)}
        made = _mould(
            scenario, mould, (number, paths[number], faults), when, weather,
            (names, np.array([factors[b][1] for b in names])), stream,
        )  # fmt: skip
        for i, f in enumerate(faults):
            if f.kind == "unusual_shape":
                at = np.flatnonzero((made.number == f.shot) & ~made.is_check)
                made.shots.bed.path_number[at] = len(paths)
                paths.append(path(mould.geometry.creased(f.begins + 0.1, 0.2, 1 - f.severity)))
                made.fault_shares[i] = float(np.interp(f.begins, paths[number].along, paths[number].share))
        plans.append(made)
    return Plan(scenario, Paths.of(paths), plans, factors)
