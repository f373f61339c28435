"""Made-up histories for the studies of volume: many at once, by the generator's own plan without marching every front.

The plan draws packs, gel coats, batches, meters, temperatures and what each shot takes; the filling curve itself is not
simulated. What the fill analysis would read from it is drawn about the truth instead: the volume against the mould's
usual with an error of 0.4 %, and from some shot on with one more that stays (a departure of the curve's shape; s.d.
0.56 %, as two-dimensional moulds show it), the place of arrival with one of 0.8 % that all shots of a mould share,
permeability as the meter and the book's thickness make it look, with 2 %, the line's resistance as the meter and the
resin batch make it look, with 2 % (from logs it scatters by 1.1 to 2.2 %, on a disc by 4 %). The study `volume-from-
logs` holds the same cases end to end, from simulated logs.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl

from catchpot.core_tables import PART
from catchpot.stats.stretch import LASTING
from catchpot.tables import shape
from catchpot.testing import made_up as mu
from catchpot.testing.paperwork import GEL_COAT_KG_M3, GEL_COAT_MM, events_frame
from catchpot.testing.plan import plan_workshop
from catchpot.workshop import MouldBook
from catchpot_volume import gather, predict
from catchpot_volume.next_analysis import outlook_row

RELATIVE_SD, SHARED_SD, PLACE_SD, K_ERROR, LINE_ERROR = 0.004, 0.007, 0.008, 0.02, 0.02
RESIN_BATCH_DAYS = 10.0
"""A drum lasts two working weeks: each period of 20 shots has two or three resin batches, mostly others than before."""


def world(scenario: mu.Scenario, seed: int) -> tuple[dict[str, pl.DataFrame], MouldBook, pl.DataFrame]:
    """Tables as the fill analysis and the core would give them, the book, and the truth (a row a shot)."""
    plan = plan_workshop(scenario, np.random.default_rng([seed, 77]))
    rng, of_shape = np.random.default_rng([seed, 78]), np.random.default_rng([seed, 79])
    shot: list[dict[str, Any]] = []
    fill: list[dict[str, Any]] = []
    perm: list[dict[str, Any]] = []
    part: list[dict[str, Any]] = []
    truth: list[dict[str, Any]] = []
    for m in plan.moulds:
        lasting = LASTING * SHARED_SD * float(of_shape.standard_normal())
        lasts_from = int(of_shape.integers(len(m.names)))
        bias, usual = float(np.exp(PLACE_SD * rng.standard_normal())), 0.0
        resin = next(r for r in scenario.resins if r.name == m.mould.resin)
        area, rho = m.mould.geometry.part_area_m2, resin.density_kg_m3 * 1e-3
        past = m.shots.troubles.seal_m3_pa_s * 1e3 * 1e5 * m.mould.fill_s
        gain = m.shots.machine.meter_gain
        for i, name in enumerate(m.names):
            t = {k: float(v[i]) for k, v in m.truth.items()}
            real = m.expected_arrival_l[i] + past[i]
            arrival = float(real * gain[i])
            e = rng.standard_normal(10)
            injected = float(m.shots.machine.programmed_m3[i] * 1e3)
            usual = usual or arrival
            relative = arrival / usual * float(np.exp(RELATIVE_SD * e[0] + lasting * (i >= lasts_from)))
            seen = bias * usual * relative
            half = 1.96 * float(np.hypot(RELATIVE_SD, PLACE_SD))
            arrived = injected >= arrival
            viscosity = t["viscosity_pa_s"] / t["resin_viscosity_factor"]
            at = m.started_at[i]
            shot.append({"shot": name, "mould": m.mould.name, "started_at": at, "injector": m.mould.injector,
                         "programmed_volume_l": injected, "fabric_batch": m.fabric_batch[i],
                         "resin_batch": m.resin_batch[i]})  # fmt: skip
            fill.append({
                "shot": name, "injected_volume_l": injected, "arrival_volume_l": seen if arrived else None,
                "arrival_volume_low_l": min(seen * np.exp(-half), injected),
                "arrival_volume_high_l": seen * np.exp(half) if arrived else None,
                "arrival_relative": relative, "arrival_relative_sd": RELATIVE_SD,
                "arrival_relative_shared_sd": SHARED_SD, "arrival_place_l": seen,
                "arrival_place_pct": 196 * PLACE_SD,
                "arrival_place_above_pct": 196 * PLACE_SD, "overflow_l": injected - seen if arrived else None,
                "fill_time_s": m.mould.fill_s, "injection_time_s": m.mould.fill_s, "peak_line_pressure_bar": 0.5,
                "cavity_pressure_mbar": float(m.shots.gas.cavity_set[i]) + 2 * e[1],
                "clamp_pressure_mbar": float(m.shots.gas.clamp_set[i]) + 4 * e[2], "ambient_pressure_mbar": 1013.0,
                "resin_temp_c": t["resin_temp_c"] + 0.1 * e[3], "mould_temp_c": t["mould_temp_c"] + 0.1 * e[4],
                "blocked_vent_margin_n": None,
            })  # fmt: skip
            perm.append({"shot": name, "viscosity_pa_s": viscosity,
                         "line_resistance_per_m3": t["line_resistance_per_m3"] * t["resin_viscosity_factor"] / gain[i]
                         * np.exp(LINE_ERROR * e[9]),
                         "permeability_m2": t["permeability_seen_m2"] / t["resin_viscosity_factor"]
                         * np.exp(K_ERROR * e[5])})  # fmt: skip
            fabric = t["fibre_areal_weight_g_m2"] * area * 1e-3
            gel = area * (GEL_COAT_MM + t["gel_coat_mm"]) * 1e-3 * GEL_COAT_KG_M3
            over = max(injected / gain[i] - real, 0.0)
            part.append({
                "shot": name, "trimmed": False, "verdict": "good",
                "part_mass_kg": fabric + gel + t["pore_volume_l"] * rho + 0.004 * e[6] if m.mould.weigh_part else None,
                "overflow_kg": over * rho + 0.003 * e[7] if m.mould.weigh_part else None,
                "fabric_mass_kg": fabric + 0.002 * e[8] if m.mould.weigh_fabric else None,
                "gel_coat_mass_kg": gel if m.mould.weigh_gel_coat else None, "thickness_mm": None,
            })  # fmt: skip
            truth.append({"shot": name, "mould": m.mould.name, "number": int(m.number[i]), "arrival_volume_l": arrival,
                          "injected_volume_l": injected})  # fmt: skip
    times = pl.Datetime("us", "UTC")
    tables = {
        "shot": pl.DataFrame(shot).with_columns(pl.col("started_at").cast(times)),
        "fill": pl.DataFrame(
            fill,
            schema_overrides=dict.fromkeys(
                ("blocked_vent_margin_n", "arrival_volume_l", "arrival_volume_high_l", "overflow_l"), pl.Float64
            ),
        ),
        "permeability": pl.DataFrame(perm),
        "part": shape(PART, {c: pl.Series([r.get(c) for r in part], strict=False) for c in PART.names}),
        "event": events_frame(plan),
    }
    return tables, book_of(scenario), pl.DataFrame(truth)


def book_of(scenario: mu.Scenario) -> MouldBook:
    """The mould book of a scenario, its runners booked right."""
    moulds = {}
    for m in scenario.moulds:
        g = m.geometry
        moulds[m.name] = {
            "resin": m.resin, "fill": g.fill, "inlet_width_m": g.inlet_width_m, "flow_length_m": g.flow_length_m,
            "part_area_m2": g.part_area_m2, "thickness_mm": g.thickness_mm,
            "fibre_areal_weight_g_m2": m.fibre_areal_weight_g_m2, "fibre_density_kg_m3": m.fibre_density_kg_m3,
            "runner_volume_l": m.runner_volume_l, "core_volume_l": m.core_volume_l,
            "core_uptake_fraction": m.core_uptake_fraction, "line_pressure_limit_bar": m.line_pressure_limit_bar,
        }  # fmt: skip
    resins = {r.name: {k: v for k, v in vars(r).items() if k != "name"} for r in scenario.resins}
    return MouldBook.model_validate({"resins": resins, "moulds": moulds})


def scenario(
    changes: tuple[mu.Change, ...] = (), *, others: int = 2, shots: int = 40, kind: str = "rim-fed", **settings: Any
) -> mu.Scenario:
    """One mould under test (`hull`) and others on the same injector; floor noise as the generator has it."""
    g = mu.five_geometries()
    names = ["all-round", "wedge", "strip"]
    made = [mu.Mould("hull", g[kind], shots=shots, fabric_batch_shots=1000, **settings)]
    made += [
        mu.Mould(f"other-{k + 1}", g[names[k]], shots=shots, fabric_batch_shots=1000, **settings) for k in range(others)
    ]
    return mu.Scenario(tuple(made), changes=changes, resin_batch_days=RESIN_BATCH_DAYS)


LEAST_BEFORE = 5
"""Shots that stand before the first advice that the studies judge."""


def advised(tables: Mapping[str, pl.DataFrame], book: MouldBook, mould: str = "hull") -> pl.DataFrame:
    """What would have been said before each shot of a mould from the sixth on; a row a shot, as in `next_shot`.

    read_l: what the fill analysis then read of it.
    """
    frame = gather.joined(tables, book, mould)
    read = predict.readings(frame)
    events = [e for e in tables["event"].to_dicts() if e["mould"] in (None, mould)]
    at = frame["started_at"].gather(read.rows).to_list()
    ahead = predict.looked_ahead(read, predict.steps(at, events))[:-1]
    rows = [
        {"shot": frame["shot"][int(r)], "read_l": frame["arrival_place_l"][int(r)], **outlook_row(o, CHANCE, 0.0)}
        for r, o in list(zip(read.rows, ahead, strict=True))[LEAST_BEFORE:] if o is not None
    ]  # fmt: skip
    return pl.DataFrame(rows)


CHANCE = 0.99


def without(scenario_: mu.Scenario) -> mu.Scenario:
    """The same without its changes, for the litres a change is worth."""
    return replace(scenario_, changes=())


def pct(column: pl.Series) -> float:
    """Mean of a column of shares or of yes and no, in per cent."""
    return 100 * float(column.cast(pl.Float64).to_numpy().mean())
