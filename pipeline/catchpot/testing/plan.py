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
from catchpot.testing.history import meter_gains, programmed_volumes, slow_noise, total, working_times
from catchpot.testing.inputs import bed_of, gas_of, leaks_of, machine_of, pack_of, segments, warmth_of
from catchpot.testing.march import Shots, Troubles, rows
from catchpot.testing.scenario import Fault, Mould, Scenario


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
    n, nominal = mould.shots, mould.geometry.thickness_mm
    resin = next(r for r in scenario.resins if r.name == mould.resin)
    batch_names, batch_factor = batches
    pack = pack_of(scenario, mould, resin, p, rng)
    warm = warmth_of(scenario, mould, resin, weather["temperature"], batch_factor, rng)
    expansion = 1 + scenario.nuisances.expansion_per_k * (warm.mould_c - warm.resin_c)
    meter = meter_gains(scenario, mould, when[mould.name], when)
    gain = meter / expansion
    bed = bed_of(scenario, mould, resin, pack, warm, path_number, rng)
    machine = machine_of(scenario.nuisances, mould, gain, pack.pore_l, rng)
    leaks = leaks_of(scenario, mould, rng)
    gas = gas_of(scenario, mould, leaks, pack.clamp_rise_mbar, weather["ambient"], rng)
    past = total(scenario, mould, "resin_past_seal")
    troubles = Troubles.none(n)
    troubles.seal_m3_pa_s = past * 1e-3 / (1.0e5 * mould.fill_s)
    shots = Shots(bed, machine, gas, troubles, pack.thickness_mm, pack.porosity, np.full(n, mould.settle_s))

    one = Paths.of([p])
    alone = Bed(**{**vars(bed), "path_number": np.zeros(n, np.intp)})
    lane_k = lane_permeability_factor(one, alone)
    arrival_l = expected_arrival_m3(one, alone) * 1e3
    # What cover and seal swallow on the way, as an operator who watches the vent has learned it.
    swallowed = bed.cover_m3_pa * (machine.limit_pa + (gas.ambient - gas.cavity_set) * 100) * 1e3 + past
    set_l = programmed_volumes(mould, arrival_l + swallowed, gain, total(scenario, mould, "overflow"), rng)
    machine.programmed_m3 = set_l * (1.3e-3 if mould.stop == "operator" else 1e-3)
    truth = {
        "meter_gain": meter, "permeability_m2": pack.permeability_m2 * lane_k,
        "permeability_seen_m2": pack.permeability_m2 * lane_k * pack.thickness_mm / nominal * gain,
        "permeability_lanes_m2": pack.permeability_m2 * pack.thickness_mm / nominal * gain,
        "viscosity_pa_s": warm.bed_pa_s, "viscosity_line_pa_s": warm.line_pa_s,
        "line_resistance_per_m3": bed.line_resistance_per_m3.copy(), "porosity": pack.porosity,
        "thickness_mm": pack.thickness_mm, "fibre_areal_weight_g_m2": pack.areal_weight_g_m2,
        "gel_coat_mm": pack.gel_coat_mm, "pore_volume_l": pack.pore_l, "volume_before_l": bed.volume_before_m3 * 1e3,
        "resin_temp_c": warm.resin_c, "mould_temp_c": warm.mould_c, "ambient_pressure_mbar": weather["ambient"],
        "capillary_mbar": bed.capillary_pa / 100, "resin_viscosity_factor": warm.resin_factor,
        **{f"{k}_leak_mbar_l_s": leaks[k] for k in ("outer", "inner", "cavity")},
        **{f"{k}_leak_clean_mbar_l_s": leaks[f"{k}_clean"] for k in ("outer", "inner", "cavity")},
        **{f"{k}_seal_age_shots": leaks[f"{k}_age"] for k in ("outer", "inner")},
    }  # fmt: skip
    shares = apply_faults(faults, mould, shots, truth, one, alone, path_number, arrival_l)
    names = [f"{mould.name}-{i + 1:04d}" for i in range(n)]
    fabric = [f"{mould.name}-F{b + 1:02d}" for b in pack.batch]
    return _with_checks(
        MouldPlan(
            mould, names, list(when[mould.name]), np.zeros(n, bool), np.arange(n), shots, truth, batch_names, fabric,
            faults, shares, arrival_l,
        )
    )  # fmt: skip


def _with_checks(plan: MouldPlan) -> MouldPlan:
    """Insert hold-check logs of their own before every `hold_checks`-th shot, a quarter of an hour earlier."""
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
    shots.gas.segment, shots.gas.segment_end_s = segments(plan.mould, is_check)
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
